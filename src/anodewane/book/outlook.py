"""What is gone at the next haul-out, how many months are left to the limit, and how likely the part lasts until it is looked at again."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from anodewane.records import Interval

MAX_MONTHS = 240.0
"""Months left beyond this are not told: nobody's wear of one season foretells twenty years."""


@dataclass(frozen=True, slots=True)
class MonthsLeft:
    """Months in the water until the limit is reached, with the ends of the interval; None where that is more than `MAX_MONTHS`. 0 where the limit is reached already."""

    value: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Outlook:
    """What becomes of a part if it goes back in. from_on : haul-out of the last reading; next_on : the next haul-out, None where no date was given (then the spell is as
    long as
    the last one); months_ahead : in the water until then; consumed_at_next_pct : mass, with its interval; months_left : to the limit, from the last reading; lasts :
    probability,
    0 to 1, of being under the limit at the next haul-out; new_lasts : whether a new part would last that spell at this rate."""

    from_on: date
    next_on: date | None
    months_ahead: float
    consumed_at_next_pct: Interval
    months_left: MonthsLeft
    limit_pct: float
    lasts: float
    new_lasts: bool
