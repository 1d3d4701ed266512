"""Wear by season and position as a picture: one SVG a boat, readable in black and white, and as a page.

Drawing frame: SVG pixels, x right, y down. Positions of a pair share a panel and are told apart by the
shape of their marks, not by colour. The picture has bars, dots and words, for which a plotting library
would be the heaviest import of all (docs/decisions/0052-plots.md).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from anodewane.book.entries import BoatEntries, Fitting, Reading
from anodewane.book.notices import Notice
from anodewane.book.outlook import MAX_MONTHS, MonthsLeft
from anodewane.book.rates import DAYS_PER_MONTH, spells
from anodewane.book.states import PositionState
from anodewane.settings import Settings
from anodewane.show.figures import number, percent, percent_and_span
from anodewane.show.marks import INK, QUIET, RGB, WHITE, mark_of
from anodewane.show.svg import Drawing, Sheet

PANEL_W, PANEL_H = 520.0, 300.0
LEFT, RIGHT, TOP, BOTTOM = 3.8, 1.4, 3.7, 2.8
"""Round a panel's axes, in letters' heights."""

TEXT_PX = 12.0
PRINTED_TEXT_PX = 17.0
"""Of a picture that is printed 174 mm wide: some 2.8 mm, or 8 points."""
WATER: RGB = (230, 230, 230)
SHAPES = ("disc", "square", "triangle", "diamond")
CORNERS = {
    "square": ((-4, -4), (4, -4), (4, 4), (-4, 4)),
    "triangle": ((0, -5), (5, 4), (-5, 4)),
    "diamond": ((0, -5.5), (5.5, 0), (0, 5.5), (-5.5, 0)),
}


@dataclass(frozen=True, slots=True)
class _Axes:
    """Where a panel's days and per cents lie."""

    x0: float
    y0: float
    first: date
    last: date
    text: float

    @property
    def left(self) -> float:
        return self.x0 + LEFT * self.text

    def x(self, day: date) -> float:
        wide = PANEL_W - (LEFT + RIGHT) * self.text
        return self.left + wide * (day - self.first).days / max((self.last - self.first).days, 1)

    def y(self, pct: float) -> float:
        tall = PANEL_H - (TOP + BOTTOM) * self.text
        return self.y0 + TOP * self.text + tall * (1 - min(max(pct, 0.0), 100.0) / 100)


def wear_svg(entries: BoatEntries, states: Sequence[PositionState], settings: Settings) -> str:
    """One boat's wear as an SVG document; see `wear_drawing`."""
    return _drawn(entries, states, settings, TEXT_PX).document(f"Wear by season: {entries.boat.name}")


def wear_drawing(
    entries: BoatEntries, states: Sequence[PositionState], settings: Settings, text_px: float = TEXT_PX
) -> Drawing:
    """One boat's wear as a drawing, in pixels.

    A panel a position (a pair shares one): per cent of the metal gone over the years, each reading with
    its interval, a new part where one was fitted, the limit, the time in the water as grey ground, and
    the forecast to the next haul-out as a broken line with its interval.

    Parameters
    ----------
    entries : BoatEntries
    states : sequence of PositionState
        This boat's, as `position_states` made them.
    settings : Settings
        Uses `limit_pct`.
    text_px : float
        Height of letters.
    """
    return _drawn(entries, states, settings, text_px).done(f"Wear by season: {entries.boat.name}")


def _drawn(entries: BoatEntries, states: Sequence[PositionState], settings: Settings, text: float) -> Sheet:
    panels: dict[str, list[PositionState]] = {}
    for s in states:
        panels.setdefault(
            f"pair {s.position.pair}" if s.position.pair is not None else f"alone {s.position.name}", []
        ).append(s)
    groups = [g[i : i + len(SHAPES)] for g in panels.values() for i in range(0, len(g), len(SHAPES))]
    columns = 2 if len(groups) > 1 else 1
    height = PANEL_H * max(1, -(-len(groups) // columns)) + 30
    sheet = Sheet(PANEL_W * columns, height, unit="", text=text, line=1.3)
    sheet.words(10, 20, entries.boat.name, size=1.25 * text, bold=True)
    first, last = _time_span(entries, states)
    for i, group in enumerate(groups):
        axes = _Axes(PANEL_W * (i % columns), 30 + PANEL_H * (i // columns), first, last, text)
        _panel(sheet, axes, entries, group, settings)
    return sheet


def season_page(
    entries: Sequence[BoatEntries],
    states: Sequence[PositionState],
    notices: Sequence[Notice],
    settings: Settings,
    title: str = "The season",
    made_on: date | None = None,
) -> str:
    """Some boats as one HTML page without anything from outside: a plot a boat, its figures as a table,
    its warnings, the usual cautions."""
    from markupsafe import Markup

    from anodewane.book.cautions import all_cautions
    from anodewane.show.html import stand_alone

    of_boat: dict[str, list[PositionState]] = {}
    for s in states:
        of_boat.setdefault(s.boat.name, []).append(s)
    boats = []
    for e in entries:
        states_here = of_boat.get(e.boat.name, [])
        why = [
            f"{s.position.name}: {r.message} {r.remedy or ''}".strip() for s in states_here for r in s.reasons
        ]
        boats.append(
            {
                "name": e.boat.name,
                "water": e.boat.water,
                "warnings": [n.reason for n in notices if n.boat == e.boat.name],
                # `Sheet` escapes what it is given
                "plot": Markup(wear_svg(e, states_here, settings)),  # noqa: S704
                "rows": [_row(s) for s in states_here],
                "reasons": why,
            }
        )
    dated = f", {made_on.isoformat()}" if made_on else ""
    return stand_alone(
        "book",
        "season.html",
        "season.css",
        title=title,
        sub=f"{len(entries)} {'boat' if len(entries) == 1 else 'boats'}{dated}",
        coverage=100 * settings.coverage,
        boats=boats,
        cautions=all_cautions(),
    )


def months_words(left: MonthsLeft) -> str:
    """ "8.4 (4.3 to 21)"; beyond what is told, "more than" it."""

    def one(v: float | None) -> str:
        return f"over {MAX_MONTHS:.0f}" if v is None else f"{v:.1f}" if v < 10 else f"{v:.0f}"

    if left.value == 0 and left.high == 0:
        return "none"
    return one(left.value) if left.low is None else f"{one(left.value)} ({one(left.low)} to {one(left.high)})"


def verdict_words(s: PositionState) -> str:
    """What stands of a position, or why there is no verdict."""
    if s.fitting is None:
        return "no part on record"
    if s.last is None:
        return "never looked at"
    return mark_of(s.verdict).word


def _row(s: PositionState) -> tuple[str, ...]:
    fitting, last, rate, ahead = s.fitting, s.last, s.rate, s.outlook
    raised = " (raised)" if last is not None and s.verdict != s.photo_verdict else ""
    gone = last.consumed_pct if last is not None else None
    return (
        s.position.name,
        f"{fitting.template}, {fitting.alloy}" if fitting else "",
        fitting.fitted_on.isoformat() if fitting else "",
        verdict_words(s) + raised,
        percent_and_span(gone) if gone is not None else "",
        f"{number(rate.points_per_month.value, 1)} points" if rate is not None else "",
        percent_and_span(ahead.consumed_at_next_pct) if ahead is not None else "",
        months_words(ahead.months_left) if ahead is not None else "",
    )


# --- a panel -------------------------------------------------------------------------------------


def _panel(
    sheet: Sheet, axes: _Axes, entries: BoatEntries, group: Sequence[PositionState], settings: Settings
) -> None:
    small = 0.92 * axes.text
    top, foot, left, right = axes.y(100), axes.y(0), axes.x(axes.first), axes.x(axes.last)
    begun = min((f.fitted_on for f in entries.fittings), default=axes.first)
    in_water = [(s.launched_on, s.hauled_on) for s in spells(entries.haul_outs, begun)]
    ahead = _coming(entries, group)
    for launched, hauled in [*in_water, *([ahead] if ahead is not None else [])]:
        x = axes.x(launched)
        sheet.rect(x, top, axes.x(hauled) - x, foot - top, fill=WATER)
    for pct in (0, 25, 50, 75, 100):
        y = axes.y(pct)
        sheet.stroke([(left, y), (right, y)], colour=QUIET, width=0.5)
        sheet.words(left - 6, y + axes.text / 3, f"{pct} %", size=small, anchor="end")
    for day, words in _ticks(axes.first, axes.last):
        x = axes.x(day)
        sheet.stroke([(x, foot), (x, foot + 5)], width=1)
        sheet.words(x, foot + 6 + small, words, size=small, anchor="middle")
    limit = axes.y(settings.limit_pct)
    sheet.stroke([(left, limit), (right, limit)], width=1.6, dash="9 4")
    sheet.words(left + 4, limit - 4, f"limit {percent(settings.limit_pct)}", size=small, halo=3)
    at, base = axes.left, axes.y0 + 10 + 1.35 * axes.text
    for i, s in enumerate(group):
        words = f"{s.position.name}: {verdict_words(s)}"
        _mark(sheet, SHAPES[i], at + 5, base - 4, solid=True)
        sheet.words(at + 14, base, words, bold=True)
        at += 28 + 0.68 * axes.text * len(words)
        _history(sheet, axes, entries, s, SHAPES[i], 5.0 * (i - (len(group) - 1) / 2))


def _ticks(first: date, last: date) -> list[tuple[date, str]]:
    """Days to mark and their words: years, or the first day of every third month where fewer than three
    years are shown. Those too near an end have no room."""
    room = (last - first).days / 25
    years = range(first.year, last.year + 1)
    if (last - first).days > 3 * 365:
        every = -(-len(years) // 9)
        days = [(date(y, 1, 1), str(y)) for y in years if y % every == 0]
    else:
        names = {1: "Jan", 4: "Apr", 7: "Jul", 10: "Oct"}
        days = [(date(y, m, 1), f"{name} {y}") for y in years for m, name in names.items()]
        days = days[:: -(-len(days) // 7)]
    return [(d, words) for d, words in days if (d - first).days > room and (last - d).days > room]


def _history(
    sheet: Sheet, axes: _Axes, entries: BoatEntries, s: PositionState, shape: str, shift: float
) -> None:
    """Each part that sat there: from nought when it was fitted, through every reading of it."""
    fittings = (f for f in entries.fittings if f.position == s.position.name)
    for f in sorted(fittings, key=lambda f: f.fitted_on):
        wear = sorted((r for r in entries.readings if _belongs(r, f)), key=lambda r: r.hauled_on)
        marked = [(axes.x(r.hauled_on) + shift, r, r.consumed_pct) for r in wear]
        points = [(axes.x(f.fitted_on) + shift, axes.y(0))]
        points += [(x, axes.y(gone.value)) for x, _, gone in marked if gone is not None]
        sheet.stroke(points)
        _mark(sheet, shape, *points[0], solid=False)
        for x, r, gone in marked:
            if gone is None:
                sheet.words(x, axes.y(0) - 5, "?", size=1.1 * axes.text, anchor="middle", bold=True, halo=3)
                continue
            _bar(sheet, x, axes.y(gone.low), axes.y(gone.high))
            _mark(sheet, shape, x, axes.y(gone.value), solid=True)
            if r.weighed_g is not None:
                sheet.words(x + 9, axes.y(gone.value) - 5, "w", size=0.92 * axes.text, halo=3)
        if f is s.fitting and s.outlook is not None:
            _forecast(sheet, axes, entries, s, points[-1], shape, shift)


def _forecast(
    sheet: Sheet,
    axes: _Axes,
    entries: BoatEntries,
    s: PositionState,
    start: tuple[float, float],
    shape: str,
    shift: float,
) -> None:
    coming = _coming(entries, (s,))
    if coming is None or s.outlook is None:
        return
    at_next = s.outlook.consumed_at_next_pct
    launch, x, y = axes.x(coming[0]) + shift, axes.x(coming[1]) + shift, axes.y(at_next.value)
    # ashore nothing wears: level to the launch
    sheet.stroke([start, (max(launch, start[0]), start[1]), (x, y)], dash="3 3")
    _bar(sheet, x, axes.y(at_next.low), axes.y(at_next.high), dash="3 2")
    _mark(sheet, shape, x, y, solid=False)


def _belongs(r: Reading, f: Fitting) -> bool:
    return (
        r.kind == "wear"
        and r.position == f.position
        and r.hauled_on > f.fitted_on
        and (f.removed_on is None or r.hauled_on <= f.removed_on)
    )


def _coming(entries: BoatEntries, group: Sequence[PositionState]) -> tuple[date, date] | None:
    """Launch and haul-out of the spell ahead; None where nothing is foretold. Where the boat stands
    ashore it is taken to be launched after as long as the last time."""
    ahead = next((s.outlook for s in group if s.outlook is not None), None)
    if ahead is None or not entries.haul_outs:
        return None
    in_order = sorted(entries.haul_outs, key=lambda h: h.hauled_on)
    launched = in_order[-1].launched_on
    if launched is None:
        if ahead.next_on is not None:
            launched = in_order[-1].hauled_on
        else:
            ashore = [h.launched_on - h.hauled_on for h in in_order if h.launched_on is not None]
            launched = in_order[-1].hauled_on + (ashore[-1] if ashore else timedelta(0))
    return launched, ahead.next_on or launched + timedelta(days=round(ahead.spell_months * DAYS_PER_MONTH))


def _time_span(entries: BoatEntries, states: Sequence[PositionState]) -> tuple[date, date]:
    days = (
        [f.fitted_on for f in entries.fittings]
        + [h.hauled_on for h in entries.haul_outs]
        + [h.launched_on for h in entries.haul_outs if h.launched_on is not None]
    )
    coming = _coming(entries, states)
    if coming is not None:
        days += coming
    if not days:
        days = [date(2000, 1, 1)]
    margin = timedelta(days=max(20, (max(days) - min(days)).days // 40))
    return min(days) - margin, max(days) + margin


# --- marks ---------------------------------------------------------------------------------------


def _bar(sheet: Sheet, x: float, low: float, high: float, dash: str | None = None) -> None:
    """An interval: a bar with ends."""
    sheet.stroke([(x, low), (x, high)], width=1.1, dash=dash)
    sheet.stroke([(x - 3.5, low), (x + 3.5, low)], width=1.1)
    sheet.stroke([(x - 3.5, high), (x + 3.5, high)], width=1.1)


def _mark(sheet: Sheet, kind: str, x: float, y: float, solid: bool) -> None:
    style = {"fill": INK if solid else WHITE, "stroke": INK, "stroke_width": 1.4}
    if kind == "disc":
        sheet.circle(x, y, 4.0, **style)
    else:
        sheet.polygon([(x + dx, y + dy) for dx, dy in CORNERS[kind]], **style)
