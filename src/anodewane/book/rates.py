"""Wear a month in the water, from one or more readings of the same part.

A month is 30.4375 days (a year of 365.25 days over twelve), of which only those between a launch and the next haul-out count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from anodewane.book.entries import Fitting, HaulOut, Reading
from anodewane.records import Interval
from anodewane.settings import BookRules, Settings

DAYS_PER_MONTH = 30.4375
"""365.25 / 12: leap years are in it, so that ten years are 120 months to a day or two."""


@dataclass(frozen=True, slots=True)
class Spell:
    """Time in the water, from a launch to the next haul-out. launch_known : False where no launch is on record and the part's fitting, or the haul-out before, was
    taken."""

    launched_on: date
    hauled_on: date
    launch_known: bool


@dataclass(frozen=True, slots=True)
class WearRate:
    """How fast one part wears. Points are per cent of the new part's mass.

    n_readings : judged ones; months : in the water up to the last of them; points_per_month : with its interval; grams_per_month : the same in grams, None where the new
    mass isn't known; current_ma : mean current that the wear since fitting stands for, by the scales, None where the last reading wasn't weighed; season_pct : points
    worn in
    the last spell, None with one reading (then it is all of it); launch_assumed : some launch wasn't on record; coverage : of the intervals.
    """

    n_readings: int
    months: float
    points_per_month: Interval
    grams_per_month: Interval | None
    current_ma: Interval | None
    season_pct: Interval | None
    launch_assumed: bool
    coverage: float


def months(start: date, end: date) -> float:
    """Months from one day to another, of 30.4375 days; negative where the second comes first."""
    return (end - start).days / DAYS_PER_MONTH


def spells(haul_outs: Sequence[HaulOut], fitted_on: date) -> tuple[Spell, ...]:
    """The spells in the water after a part was fitted, oldest first, from one boat's haul-outs in any order."""
    raise NotImplementedError


def wear_rate(fitting: Fitting, haul_outs: Sequence[HaulOut], readings: Sequence[Reading], settings: Settings, rules: BookRules) -> WearRate | None:
    """How fast one part wears, from the readings of it (those of other parts are passed over); None without a judged reading after time in the water."""
    raise NotImplementedError
