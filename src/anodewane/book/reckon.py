"""Every position's state from the book's entries: what sits there, how fast it wears, whether it lasts, and the verdict that follows."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from anodewane.book.entries import Boat, BoatEntries, Fitting, Position, Reading
from anodewane.book.outlook import Outlook
from anodewane.book.rates import WearRate
from anodewane.records import Grade, Reason
from anodewane.settings import BookRules, Settings


@dataclass(frozen=True, slots=True)
class PositionState:
    """One position as it stands. fitting : the part that sits there, None where none is on record; baseline : its photo as fitted, None without; last : its latest
    reading
    of wear, judged or not, None where it was never looked at; rate, outlook : None where no reading was judged after time in the water; photo_verdict : of the last
    reading; verdict : the same, raised to `replace` where the part won't last; reasons : why, those of the book (the photo's own stay with its record)."""

    boat: Boat
    position: Position
    fitting: Fitting | None
    baseline: Reading | None
    last: Reading | None
    rate: WearRate | None
    outlook: Outlook | None
    photo_verdict: Grade | None
    verdict: Grade | None
    reasons: tuple[Reason, ...]


def reckon(entries: Iterable[BoatEntries], settings: Settings, rules: BookRules, next_on: date | None = None) -> tuple[PositionState, ...]:
    """The state of every position of some boats, in the order of their entries.

    Parameters
    ----------
    entries : iterable of BoatEntries
    settings : Settings
        Uses `limit_pct`, `no_wear_below_pct`, `coverage`, `scales_sd_g`, `mass_*_sd_frac`.
    rules : BookRules
    next_on : date, optional
        The next haul-out; without it the next spell is as long as the last one.
    """
    raise NotImplementedError
