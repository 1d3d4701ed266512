"""Every position's state from the book's entries: what sits there, how fast it wears, whether it lasts,
and the verdict that follows."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from anodewane.book.entries import Boat, BoatEntries, Fitting, Position, Reading
from anodewane.book.outlook import Outlook, months_ahead, outlook
from anodewane.book.rates import (
    Fit,
    Series,
    Spell,
    WearRate,
    fall,
    fit_all,
    of_part,
    rate_of,
    series_of,
    spells,
)
from anodewane.record import Grade, Reason
from anodewane.refusals import finding
from anodewane.settings import BookRules, Settings
from anodewane.show.figures import number, percent, percent_and_span, span


@dataclass(frozen=True, slots=True)
class PositionState:
    """One position as it stands.

    fitting : the part that sits there, None where none is on record; baseline : its photo as fitted,
    None without; last : its latest reading of wear, judged or not, None where it was never looked at;
    rate, outlook : None where no reading was judged after time in the water, or metal came back;
    photo_verdict : of the last reading; verdict : the same, raised to `replace` where the part won't
    last; reasons : why, those of the book (the photo's own stay with its record).
    """

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


@dataclass(slots=True)
class _Work:
    """One position while it is computed."""

    entries: BoatEntries
    position: Position
    fitting: Fitting | None
    part: tuple[Reading, ...]
    series: Series | None
    before: Series | None
    ahead: dict[tuple[date, date], tuple[float, float]]


def position_states(
    entries: Iterable[BoatEntries], settings: Settings, rules: BookRules, next_on: date | None = None
) -> tuple[PositionState, ...]:
    """The state of every position of some boats, in the order of their entries.

    Parameters
    ----------
    entries : iterable of BoatEntries
    settings : Settings
        Uses `limit_pct`, `no_wear_below_pct`, `coverage`, `scales_sd_g`.
    rules : BookRules
    next_on : date, optional
        The next haul-out; without it the next spell is as long as the boat's last one.

    Raises
    ------
    UsageError
        `next_on` isn't after a boat's last haul-out.
    """
    work = [w for e in entries for w in _positions(e, settings, rules)]
    fits = iter(fit_all([w.series for w in work if w.series is not None], rules))
    return tuple(
        _state(w, next(fits) if w.series is not None else None, settings, rules, next_on) for w in work
    )


def _positions(entries: BoatEntries, settings: Settings, rules: BookRules) -> list[_Work]:
    readings: dict[str, list[Reading]] = {}
    for r in entries.readings:
        readings.setdefault(r.position, []).append(r)
    earlier: dict[str, list[Fitting]] = {}
    for f in entries.fittings:
        earlier.setdefault(f.position, []).append(f)
    sitting = {
        f.position: f for f in sorted(entries.fittings, key=lambda f: f.fitted_on) if f.removed_on is None
    }
    # a boat's parts share few days of fitting and of reading
    in_water: dict[date, tuple[Spell, ...]] = {}
    ahead: dict[tuple[date, date], tuple[float, float]] = {}
    out = []
    for position in entries.positions:
        fitting = sitting.get(position.name)
        if fitting is None:
            out.append(_Work(entries, position, None, (), None, None, ahead))
            continue
        if fitting.fitted_on not in in_water:
            in_water[fitting.fitted_on] = spells(entries.haul_outs, fitting.fitted_on)
        water = in_water[fitting.fitted_on]
        here = readings.get(position.name, ())
        part = of_part(fitting, here, water[0].hauled_on if water else None)
        series = series_of(fitting, water, part, settings, rules)
        before = (
            _part_before(entries, earlier[position.name], fitting, here, settings, rules)
            if series is not None and len(series.months) == 1
            else None
        )
        out.append(_Work(entries, position, fitting, part, series, before, ahead))
    return out


def _part_before(
    entries: BoatEntries,
    parts: Sequence[Fitting],
    fitting: Fitting,
    here: Sequence[Reading],
    settings: Settings,
    rules: BookRules,
) -> Series | None:
    """The readings of the part that sat there before, where it was of the same template."""
    earlier = [f for f in parts if f.fitted_on < fitting.fitted_on]
    if not earlier:
        return None
    before = max(earlier, key=lambda f: f.fitted_on)
    if before.template != fitting.template:
        return None
    water = spells(entries.haul_outs, before.fitted_on)
    return series_of(
        before, water, of_part(before, here, water[0].hauled_on if water else None), settings, rules
    )


def _state(
    w: _Work, fit: Fit | None, settings: Settings, rules: BookRules, next_on: date | None
) -> PositionState:
    wear = [r for r in w.part if r.kind == "wear"]
    last = wear[-1] if wear else None
    rate = ahead = None
    grown = fall(w.series, rules) if w.series is not None else None
    if w.series is not None and fit is not None and w.fitting is not None and grown is None:
        rate = rate_of(w.fitting, w.series, fit, settings, rules, w.before)
        from_on, fitted_on = w.series.readings[-1].hauled_on, w.fitting.fitted_on
        if (fitted_on, from_on) not in w.ahead:
            w.ahead[(fitted_on, from_on)] = months_ahead(w.entries.haul_outs, fitted_on, from_on, next_on)
        ahead = outlook(
            fit, from_on, w.ahead[(fitted_on, from_on)], settings.limit_pct, settings.coverage, next_on
        )
    photo = last.verdict if last is not None else None
    if grown is not None:
        verdict, reasons = photo, [_grown(w.position.name, *grown)]
    else:
        verdict, reasons = _raised(photo, rate, ahead, fit, last, settings, rules)
    return PositionState(
        boat=w.entries.boat,
        position=w.position,
        fitting=w.fitting,
        baseline=w.part[0] if w.part and w.part[0].kind == "refit" else None,
        last=last,
        rate=rate,
        outlook=ahead,
        photo_verdict=photo,
        verdict=verdict,
        reasons=tuple(reasons),
    )


def _grown(position: str, before: Reading, after: Reading) -> Reason:
    """Metal that came back: which two readings say so."""
    figures = [
        f"{percent_and_span(r.consumed_pct)} gone when hauled out {r.hauled_on}"
        if r.consumed_pct is not None
        else f"{number(r.weighed_g or 0.0, unit='g')} g when hauled out {r.hauled_on}"
        for r in (before, after)
    ]
    return finding("metal_grew", f"{position}: {figures[0]}, {figures[1]}")


def _raised(
    photo: Grade | None,
    rate: WearRate | None,
    ahead: Outlook | None,
    fit: Fit | None,
    last: Reading | None,
    settings: Settings,
    rules: BookRules,
) -> tuple[Grade | None, list[Reason]]:
    """The verdict, raised where the part won't last to the next haul-out, and the book's reasons."""
    if ahead is None or rate is None or fit is None or last is None:
        return photo, []
    reasons = []
    if last.status != "judged":
        reasons.append(finding("last_look_failed", f"last judged when hauled out {ahead.from_on}"))
    if fit.now_pct < settings.no_wear_below_pct or photo == "replace":
        return photo, reasons
    at_next = ahead.consumed_at_next_pct
    when = f"on {ahead.next_on}" if ahead.next_on else f"after {ahead.months_ahead:.1f} months in the water"
    gone = f"about {percent(at_next)} gone {when}, {span(at_next)}"
    figures = (
        f"{gone}, limit {percent(ahead.limit_pct)}, {number(rate.points_per_month.value, 1)} points a month"
    )
    if ahead.lasts < rules.lasts_probability:
        return "replace", [finding("wont_last", figures), *reasons]
    if ahead.lasts < (1 + settings.coverage) / 2:
        reasons.append(finding("might_not_last", f"{figures}, {_chance(1 - ahead.lasts)}"))
    return photo, reasons


def _chance(p: float) -> str:
    """A probability as people say it: "a chance of 1 in 5" """
    return f"a chance of 1 in {1 / p:.0f}" if p < 0.4 else "an even chance"
