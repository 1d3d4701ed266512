"""The verdict's word, sign and colours, and the colours of every drawing: told once, for the command, the
picture, the page, the contact sheet, the season's plot and the report.

Nothing is said by colour alone: each verdict has a word and a sign of its own shape. Colours of lines are
those of Okabe and Ito (2008, "Color Universal Design"), which the colour-blind tell apart; grounds behind
words are dark or light enough for a contrast of 4.5 to 1 with their ink (WCAG 2.2, 1.4.3).
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from anodewane.record import Verdict

RGB = tuple[int, int, int]

BLACK: RGB = (0, 0, 0)
WHITE: RGB = (255, 255, 255)
ORANGE: RGB = (230, 159, 0)
SKY: RGB = (86, 180, 233)
GREEN: RGB = (0, 158, 115)
YELLOW: RGB = (240, 228, 66)
BLUE: RGB = (0, 114, 178)
VERMILION: RGB = (213, 94, 0)
INK: RGB = (24, 24, 24)
QUIET: RGB = (77, 77, 77)
RULE: RGB = (205, 205, 205)
METAL: RGB = (207, 207, 207)
"""Ground of what is left of a part in a drawing."""


def css(colour: RGB) -> str:
    """ "#d55e00", as HTML and SVG write a colour."""
    return "#{:02x}{:02x}{:02x}".format(*colour)


@dataclass(frozen=True, slots=True)
class Mark:
    """How a verdict, or what stands in its place, is shown."""

    word: str
    """In capitals, as a headline."""
    sign: str
    """One character of the DejaVu fonts, of a shape that no other mark of a verdict has."""
    ground: RGB
    """Colour behind the word."""
    ink: RGB
    """Colour of the word and the sign."""


_NONE: tuple[RGB, RGB] = ((51, 51, 51), WHITE)
_OPEN: tuple[RGB, RGB] = (WHITE, BLACK)
MARKS = MappingProxyType(
    {
        "replace": Mark("REPLACE", "✕", (140, 35, 0), WHITE),
        "monitor": Mark("MONITOR", "◐", YELLOW, BLACK),
        "ok": Mark("OK", "✓", (0, 84, 61), WHITE),
        "cannot_judge": Mark("CANNOT JUDGE", "?", *_NONE),
        "measured": Mark("MEASURED", "↔", *_NONE),
        "unreadable": Mark("NOT READABLE", "⊘", *_OPEN),
        "crashed": Mark("CRASHED", "⊘", *_OPEN),
        "fault": Mark("FAILED", "⊘", *_OPEN),
        "pending": Mark("NOT YET JUDGED", "…", *_OPEN),
    }
)
"""By grade: the verdicts, `cannot_judge` and `measured`, which a record may say in their place, and what a
batch says of a photo without a record."""


def mark_of(grade: str | None) -> Mark:
    """The mark of a verdict; None, where a photo couldn't be judged, is `cannot_judge`."""
    return MARKS[grade or "cannot_judge"]


def grade_of(verdict: Verdict) -> str:
    """The key in `MARKS` of a record: its verdict, else its status."""
    if verdict.status == "judged":
        return verdict.verdict or "cannot_judge"
    return verdict.status
