"""Warnings that the book gives, each with its reason and who to ask. They name what was seen and what
it may mean; finding out is for a qualified technician.

Where two readings are compared the difference has to be larger than chance makes it (`alarm_rate`) and
large enough to matter (`pair_min_points`, `faster_min_frac`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import combinations
from statistics import NormalDist

from anodewane.book.entries import BoatEntries, Reading
from anodewane.book.rates import normal_quantile
from anodewane.book.states import PositionState
from anodewane.record import Interval, Reason
from anodewane.refusals import finding
from anodewane.settings import BookRules, Settings
from anodewane.show.figures import percent, percent_and_span

WRONG_WATER: dict[tuple[str, str], str] = {
    ("zinc", "fresh"): "zinc films over in fresh water and goes passive",
    ("magnesium", "salt"): "magnesium wastes within weeks in salt water",
    ("magnesium", "brackish"): "magnesium wastes fast in brackish water",
}
"""Zinc for salt and brackish water, aluminium for salt and brackish, magnesium for fresh only (MIL and
boating texts; from memory). Sources differ on aluminium in fresh water: no warning."""

STRAY_MONTHS = 1.5
"""A part that reaches its limit sooner than this: within weeks is what a stray current does
(PassageMaker; common practice)."""


@dataclass(frozen=True, slots=True)
class Notice:
    """One warning. positions : whom it is about, empty where it is about the whole boat; reason : code,
    sentence with figures, what to do; on : haul-out it rests on, None where it rests on none."""

    boat: str
    positions: tuple[str, ...]
    reason: Reason
    on: date | None


def notices(
    entries: Sequence[BoatEntries], states: Sequence[PositionState], settings: Settings, rules: BookRules
) -> tuple[Notice, ...]:
    """Every warning about some boats, boat by boat.

    `metal_grew`, `no_wear_in_season`, `pair_uneven`, `faster_than_before`, `mixed_alloys`, `alloy_for_water`,
    `weighed_disagrees`, `short_lived`.

    Parameters
    ----------
    entries : sequence of BoatEntries
    states : sequence of PositionState
        As `position_states` made them from the same entries.
    """
    of_boat: dict[str, list[PositionState]] = {}
    for s in states:
        of_boat.setdefault(s.boat.name, []).append(s)
    out: list[Notice] = []
    for e in entries:
        states_here = of_boat.get(e.boat.name, [])
        for s in states_here:
            out.extend(_of_position(s, settings, rules))
        out.extend(_pairs(states_here, rules))
        out.extend(_alloys(e, states_here))
    return tuple(out)


def _of_position(s: PositionState, settings: Settings, rules: BookRules) -> Iterable[Notice]:
    def notice(code: str, detail: str) -> Notice:
        return Notice(
            s.boat.name, (s.position.name,), finding(code, detail), s.last.hauled_on if s.last else None
        )

    rate, last = s.rate, s.last
    for reason in s.reasons:
        if reason.code == "metal_grew":
            yield Notice(s.boat.name, (s.position.name,), reason, last.hauled_on if last else None)
    if (
        last is not None
        and last.weighed_g is not None
        and last.seen_pct is not None
        and last.consumed_pct is not None
    ):
        difference, chance = _apart(
            last.consumed_pct, last.seen_pct, last.coverage or settings.coverage, rules
        )
        if abs(difference) > chance:
            yield notice(
                "weighed_disagrees",
                f"{s.position.name}: {percent(last.consumed_pct)} gone by weight, "
                f"{percent_and_span(last.seen_pct)} by the photo",
            )
    if rate is None or last is None or last.status != "judged" or last.consumed_pct is None:
        return
    gone = last.consumed_pct
    if gone.value < settings.no_wear_below_pct:
        if rate.months >= rules.season_months:
            yield notice(
                "no_wear_in_season",
                f"{s.position.name}: {rate.months:.1f} months in the water, {percent_and_span(gone)} gone",
            )
        return
    season = rate.season
    if season is not None and min(season.months, season.months_before) >= rules.season_months:
        now, before = season.per_month, season.per_month_before
        z = NormalDist().inv_cdf(1 - rules.alarm_rate)
        who = "the part before it" if season.of_part_before else "before"
        figures = (
            f"{s.position.name}: {now:.1f} points a month in {season.months:.1f} months, {who} "
            f"{before:.1f} in {season.months_before:.1f}"
        )
        if now - before > z * season.faster_sd and now > rules.faster_min_frac * before:
            yield notice("faster_than_before", figures)
        elif season.pct.value < settings.no_wear_below_pct and before - now > z * season.faster_sd:
            yield notice("no_wear_in_season", figures)
    if s.outlook is not None and not s.outlook.new_lasts:
        lasts = s.outlook.limit_pct / rate.points_per_month.value
        soon = "; gone within weeks is what a stray current does" if lasts < STRAY_MONTHS else ""
        yield notice(
            "short_lived",
            f"{s.position.name}: limit after {lasts:.1f} months, the next haul-out after "
            f"{s.outlook.spell_months:.1f}{soon}",
        )


def _apart(a: Interval, b: Interval, coverage: float, rules: BookRules) -> tuple[float, float]:
    """How far a value lies above another, and how far chance alone could have put it (two-sided,
    `alarm_rate`), from the sides of their intervals that face each other."""
    difference = a.value - b.value
    sides = (a.value - a.low, b.high - b.value) if difference > 0 else (a.high - a.value, b.value - b.low)
    wide = NormalDist().inv_cdf(1 - rules.alarm_rate / 2) / normal_quantile(coverage)
    return difference, wide * (sides[0] ** 2 + sides[1] ** 2) ** 0.5


def _pairs(states: Sequence[PositionState], rules: BookRules) -> Iterable[Notice]:
    """Parts of one pair at one haul-out. Each is taken to the months of the one that was in the
    water for less."""
    for a, b in combinations(states, 2):
        if a.position.pair is None or a.position.pair != b.position.pair:
            continue
        if (
            a.rate is None
            or b.rate is None
            or a.last is None
            or b.last is None
            or a.fitting is None
            or b.fitting is None
        ):
            continue
        first, second = a.last.consumed_pct, b.last.consumed_pct
        if (
            first is None
            or second is None
            or a.last.hauled_on != b.last.hauled_on
            or a.fitting.template != b.fitting.template
        ):
            continue
        least = min(a.rate.months, b.rate.months)
        if least < rules.season_months:
            continue
        one, other = (
            _scaled(i, least / s.rate.months) for i, s in ((first, a), (second, b)) if s.rate is not None
        )
        difference, chance = _apart(one, other, a.last.coverage or 0.9, rules)
        difference, chance = difference, (max(chance * chance - _common2(a.last, b.last, rules), 0.0)) ** 0.5
        if abs(difference) > max(chance, rules.pair_min_points):
            figures = (
                f"{a.position.name} {percent_and_span(first)} gone in {a.rate.months:.1f} months, "
                f"{b.position.name} {percent_and_span(second)} in {b.rate.months:.1f}"
            )
            yield Notice(
                a.boat.name,
                (a.position.name, b.position.name),
                finding("pair_uneven", figures),
                a.last.hauled_on,
            )


def _common2(a: Reading, b: Reading, rules: BookRules) -> float:
    """What the sheet's print scale does to both alike, and so not to their difference: its share of the
    squared chance. Casting and the ratio of face to edge differ from part to part and don't cancel."""
    if a.weighed_g is not None or b.weighed_g is not None:
        return 0.0
    first, second = (dict(r.budget).get("print_scale", 0.0) for r in (a, b))
    wide = NormalDist().inv_cdf(1 - rules.alarm_rate / 2)
    return wide * wide * (first * first + second * second - (first - second) ** 2)


def _scaled(i: Interval, by: float) -> Interval:
    return i if by == 1 else Interval(i.value * by, i.low * by, i.high * by)


def _alloys(e: BoatEntries, states: Sequence[PositionState]) -> Iterable[Notice]:
    where: dict[str, list[str]] = {}
    for s in states:
        if s.fitting is not None:
            where.setdefault(s.fitting.alloy, []).append(s.position.name)
    if len(where) > 1:
        detail = "; ".join(f"{alloy}: {', '.join(names)}" for alloy, names in sorted(where.items()))
        yield Notice(e.boat.name, (), finding("mixed_alloys", detail), None)
    for alloy, names in sorted(where.items()):
        why = WRONG_WATER.get((alloy, e.boat.water or ""))
        if why is not None:
            yield Notice(
                e.boat.name, tuple(names), finding("alloy_for_water", f"{why}: {', '.join(names)}"), None
            )
