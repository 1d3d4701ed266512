"""The ledger: one line of JSON for every photo that was finished, appended and never rewritten. A later run reads it and goes on from there.

Only the run that holds the place's lock writes it. A line that a kill or a full disk cut short is passed over; the photo it spoke of is judged again.
"""

from __future__ import annotations

from dataclasses import dataclass

from anodewane.batch.place import Place
from anodewane.batch.work import Outcome


@dataclass(slots=True)
class Ledger:
    """What is known of earlier runs into one place.

    by_key : outcome by (name, photo_sha256, digest), the latest; latest : outcome by name; hashes : SHA-256 by (name, stamp); likenesses : sizes of what was hashed.
    """

    place: Place

    def finished(self, name: str, sha256: str, digest: str) -> Outcome | None:
        """The final outcome of this content under this digest, or None."""
        raise NotImplementedError

    def latest(self, name: str) -> Outcome | None:
        """The last outcome of that photo under any digest, or None."""
        raise NotImplementedError

    def hash_of(self, name: str, stamp: str | None) -> str | None:
        """The content hash found earlier under this stamp, or None."""
        raise NotImplementedError

    def append(self, outcome: Outcome) -> None:
        """Write an outcome down. OutputNotWritable."""
        raise NotImplementedError
