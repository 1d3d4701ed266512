"""The ledger: one line of JSON for every photo that was finished, appended and never rewritten. A later
run reads it and goes on from there.

Only the run that holds the place's lock writes it. A line that a kill or a full disk cut short is
passed over; the photo it spoke of is judged again.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from anodewane.batch.place import LEDGER_NAME, Place
from anodewane.batch.work import Outcome, outcome_from_plain, outcome_to_plain
from anodewane.errors import OutputNotWritable

LEDGER_FORMAT = 1


Others = tuple[tuple[str, str | None], ...]
"""Name and SHA-256 of each further photo that was judged together with one."""


@dataclass(slots=True)
class Ledger:
    """What is known of earlier runs into one place, and the way to add to it. `read` makes one."""

    place: Place
    _started: bool = False
    _writes: bool = True
    _latest: dict[str, dict[str, Any]] = field(default_factory=dict)
    _by_content: dict[tuple[str, str], dict[str, dict[str, Any]]] = field(default_factory=dict)
    _hashes: dict[tuple[str, str], str] = field(default_factory=dict)
    _likenesses: set[str] = field(default_factory=set)
    _taken: dict[tuple[str, str], str | None] = field(default_factory=dict)
    _labels: dict[tuple[str, str], tuple[str | None, str | None]] = field(default_factory=dict)

    @classmethod
    def read(cls, place: Place) -> Ledger:
        """Read what is there.

        Raises
        ------
        OutputNotWritable
            The ledger is one of a later version, or can't be read.
        """
        ledger = cls(place)
        for line in place.lines(LEDGER_NAME):
            try:
                plain = json.loads(line)
                if "ledger" in plain:
                    if plain["ledger"] != LEDGER_FORMAT:
                        raise OutputNotWritable(
                            f"The ledger in '{place.address}' is of version {plain['ledger']}; version "
                            f"{LEDGER_FORMAT} is known here.",
                            "Use the newer anodewane that wrote it, or name another folder with --out.",
                        )
                    ledger._started = True
                elif "hashed" in plain:
                    ledger._keep_hash(*(str(v) for v in plain["hashed"]))
                elif "taken_at" in plain:
                    name, stamp, taken = plain["taken_at"]
                    ledger._taken[name, stamp] = taken
                elif "label_read" in plain:
                    sha256, reader, boat, position = plain["label_read"]
                    ledger._labels[sha256, reader] = (boat, position)
                else:
                    ledger._keep(plain)
            except (ValueError, TypeError, KeyError):
                continue  # cut short
        return ledger

    def start(self) -> None:
        """Write the first line if there is none yet: it marks the place as one that a batch writes to.
        OutputNotWritable."""
        if not self._started:
            self._write([{"ledger": LEDGER_FORMAT}])
            self._started = True

    @property
    def started(self) -> bool:
        """Whether any run has written here."""
        return self._started

    def names(self) -> Iterable[str]:
        """Every photo with an outcome."""
        return self._latest.keys()

    def finished(self, name: str, sha256: str, digest: str, others: Others = ()) -> Outcome | None:
        """The final outcome of this content under this digest at this name, judged together with
        `others`, or None."""
        plain = self._by_content.get((sha256, digest), {}).get(name)
        return (
            outcome_from_plain(plain)
            if plain is not None and plain["final"] and _others(plain) == others
            else None
        )

    def moved(self, name: str, sha256: str, digest: str, others: Others = ()) -> Outcome | None:
        """The final outcome of the same content and digest at the same file names in other folders, or
        None: its outputs would be the same byte for byte."""
        wanted = (_file(name), *((_file(n), s) for n, s in others))
        for other, plain in self._by_content.get((sha256, digest), {}).items():
            if plain["final"] and (_file(other), *((_file(n), s) for n, s in _others(plain))) == wanted:
                return outcome_from_plain(plain)
        return None

    def latest(self, name: str) -> Outcome | None:
        """The last outcome at that name under any digest, or None."""
        plain = self._latest.get(name)
        return None if plain is None else outcome_from_plain(plain)

    def hash_of(self, name: str, stamp: str | None) -> str | None:
        """The content hash found earlier under this stamp, or None."""
        return None if stamp is None else self._hashes.get((name, stamp))

    def taken_of(self, name: str, stamp: str | None) -> tuple[str | None] | None:
        """When the photo under this stamp was taken, in a tuple, or None when nobody has looked yet."""
        return (self._taken[name, stamp],) if stamp is not None and (name, stamp) in self._taken else None

    def knows_like(self, likeness: str) -> bool:
        """Whether some content that may equal one of this likeness was seen before."""
        return likeness in self._likenesses

    def append(self, outcome: Outcome, likeness: str | None = None) -> None:
        """Write an outcome down. OutputNotWritable."""
        plain = outcome_to_plain(outcome)
        if likeness is not None:
            plain["likeness"] = likeness
        self._write([plain])
        self._keep(plain)

    def append_taken(self, found: Iterable[tuple[str, str, str | None]]) -> None:
        """Write down (name, stamp, taken). OutputNotWritable."""
        new = [f for f in found if (f[0], f[1]) not in self._taken]
        if new:
            self._write([{"taken_at": list(f)} for f in new])
        self._taken.update({(name, stamp): taken for name, stamp, taken in new})

    def label_of(self, sha256: str, reader: str) -> tuple[str | None, str | None] | None:
        """Boat and position by the label in a photo of that content, as that reader read it; None when
        nobody has looked yet."""
        return self._labels.get((sha256, reader))

    def append_label(self, sha256: str, reader: str, boat: str | None, position: str | None) -> None:
        """Write down what a label says. OutputNotWritable."""
        self._write([{"label_read": [sha256, reader, boat, position]}])
        self._labels[sha256, reader] = (boat, position)

    def append_hashes(self, hashes: Iterable[tuple[str, str, str, str]]) -> None:
        """Write down (name, stamp, sha256, likeness) of contents that were hashed. OutputNotWritable."""
        new = [h for h in hashes if self._hashes.get((h[0], h[1])) != h[2]]
        if new:
            self._write([{"hashed": list(h)} for h in new])
        for h in new:
            self._keep_hash(*h)

    def _keep(self, plain: dict[str, Any]) -> None:
        name, sha, digest = str(plain["name"]), plain["photo_sha256"], str(plain["digest"])
        plain["final"] = bool(plain["final"])
        self._latest[name] = plain
        if sha is not None:
            self._by_content.setdefault((sha, digest), {})[name] = plain
            if plain.get("stamp") is not None:
                self._hashes[name, plain["stamp"]] = sha
        if plain.get("likeness") is not None:
            self._likenesses.add(plain["likeness"])

    def _keep_hash(self, name: str, stamp: str, sha: str, likeness: str) -> None:
        self._hashes[name, stamp] = sha
        self._likenesses.add(likeness)

    def write_nothing(self) -> None:
        """From now on keep what is found in memory alone."""
        self._writes = False

    def _write(self, lines: Iterable[dict[str, Any]]) -> None:
        if self._writes:
            self.place.append(
                LEDGER_NAME, [json.dumps(line, separators=(",", ":")).encode() for line in lines]
            )


def _others(plain: dict[str, Any]) -> Others:
    return tuple((str(n), s if s is None else str(s)) for n, s in plain.get("others", ()))


def _file(name: str) -> str:
    return name.rsplit("/", 1)[-1]
