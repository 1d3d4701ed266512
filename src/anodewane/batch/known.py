"""What is known of a batch's parts beforehand, and what can't be taken in: told before a photo is judged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Protocol

from anodewane.errors import UsageError

if TYPE_CHECKING:
    from anodewane.judgement.method import FaceScale
    from anodewane.records import Template

MOST_LISTED = 20
"""Problems listed one by one; the rest are counted."""


class KnownParts(Protocol):
    """What the season's book knows of the parts (`book.parts.BookParts`)."""

    def template_at(self, boat: str, position: str) -> Template | None:
        """The template of the part that sits there, hauled out or not; None where nobody knows."""
        ...

    def problem_at(self, boat: str | None, position: str | None, named: Template | None) -> str | None:
        """Why a photo of that place, judged against a template that was named or the known one, can't be
        taken in; None where it can."""
        ...

    @property
    def face_scales(self) -> Mapping[str, FaceScale]:
        """What weighed parts have shown, by the template's name."""
        ...


def refuse_problems(problems: Sequence[str]) -> None:
    """Stop before anything is judged.

    Raises
    ------
    UsageError
        There are problems.
    """
    if not problems:
        return
    more = len(problems) - MOST_LISTED
    lines = [*problems[:MOST_LISTED], *([f"... and {more} more"] if more > 0 else [])]
    listed = "".join(f"\n  {p}" for p in lines) + "\n"
    raise UsageError(
        f"{len(problems)} of the photos have no place in the book:{listed}Nothing was judged.",
        "Mend that and run it again; --skip judges the others and leaves these out.",
    )
