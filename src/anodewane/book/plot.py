"""Wear by season and position as a picture: one SVG a boat, readable in black and white, and as a page.

Drawing frame: SVG pixels, x right, y down. Positions of a pair share a panel and are told apart by the
shape of their marks, not by colour. Written as text: the picture has bars, dots and words, for which a
plotting library would be the heaviest import of all (docs/decisions/0052-plots.md).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from html import escape

from anodewane.book.entries import BoatEntries, Fitting, Reading
from anodewane.book.notices import Notice
from anodewane.book.outlook import MAX_MONTHS, MonthsLeft
from anodewane.book.rates import DAYS_PER_MONTH, spells
from anodewane.book.reckon import PositionState
from anodewane.record import Interval
from anodewane.settings import Settings

PANEL_W, PANEL_H = 520.0, 300.0
LEFT, RIGHT, TOP, BOTTOM = 46.0, 16.0, 44.0, 34.0
FONT = "DejaVu Sans, Helvetica, Arial, sans-serif"
INK, FAINT, WATER = "#111111", "#555555", "#e6e6e6"
MARKS = ("disc", "square", "triangle", "diamond")
VERDICT_WORDS = {"replace": "REPLACE", "monitor": "MONITOR", "ok": "OK", None: "not judged"}


@dataclass(frozen=True, slots=True)
class _Axes:
    """Where a panel's days and per cents lie."""

    x0: float
    y0: float
    first: date
    last: date

    def x(self, day: date) -> float:
        return (
            self.x0
            + LEFT
            + (PANEL_W - LEFT - RIGHT) * (day - self.first).days / max((self.last - self.first).days, 1)
        )

    def y(self, pct: float) -> float:
        return self.y0 + TOP + (PANEL_H - TOP - BOTTOM) * (1 - min(max(pct, 0.0), 100.0) / 100)


def wear_svg(entries: BoatEntries, states: Sequence[PositionState], settings: Settings) -> str:
    """One boat's wear as an SVG document.

    A panel a position (a pair shares one): per cent of the metal gone over the years, each reading with
    its interval, a new part where one was fitted, the limit, the time in the water as grey ground, and
    the forecast to the next haul-out as a broken line with its interval.

    Parameters
    ----------
    entries : BoatEntries
    states : sequence of PositionState
        This boat's, as `reckon` made them.
    settings : Settings
        Uses `limit_pct`.
    """
    panels: dict[str, list[PositionState]] = {}
    for s in states:
        panels.setdefault(
            f"pair {s.position.pair}" if s.position.pair is not None else f"alone {s.position.name}", []
        ).append(s)
    groups = [g[i : i + len(MARKS)] for g in panels.values() for i in range(0, len(g), len(MARKS))]
    columns = 2 if len(groups) > 1 else 1
    width, height = PANEL_W * columns, PANEL_H * max(1, -(-len(groups) // columns)) + 30
    first, last = _time_span(entries, states)
    name = escape(entries.boat.name)
    box = f'width="{width:g}" height="{height:g}" viewBox="0 0 {width:g} {height:g}"'
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" {box} role="img" font-family="{FONT}" font-size="12" fill="{INK}">',
        f"<title>Wear by season: {name}</title>",
        f'<rect width="{width:g}" height="{height:g}" fill="#ffffff"/>',
        _text(10, 20, entries.boat.name, 15, bold=True),
    ]
    for i, group in enumerate(groups):
        out += _panel(
            _Axes(PANEL_W * (i % columns), 30 + PANEL_H * (i // columns), first, last),
            entries,
            group,
            settings,
        )
    return "\n".join([*out, "</svg>", ""])


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
    from anodewane.book.pages import all_cautions, page, table

    of_boat: dict[str, list[PositionState]] = {}
    for s in states:
        of_boat.setdefault(s.boat.name, []).append(s)
    warned: dict[str, list[Notice]] = {}
    for n in notices:
        warned.setdefault(n.boat, []).append(n)
    legend = (
        f"Per cent of the metal gone, as photos and scales saw it. Bars are {100 * settings.coverage:.0f} % intervals. White mark: a new part. Grey: in the water. "
        "Broken line: what the wear so far foretells. w: weighed. ?: couldn't be judged. Months count in the water, 30.4 days each."
    )
    body = [f"<p>{legend}</p>"]
    for e in entries:
        mine = of_boat.get(e.boat.name, [])
        where = f", {escape(e.boat.water)} water" if e.boat.water else ""
        body.append(f"<h2>{escape(e.boat.name)}{where}</h2>")
        if e.boat.name in warned:
            lines = "".join(
                f"<li><strong>{escape(n.reason.message)}</strong> {escape(n.reason.remedy or '')}</li>"
                for n in warned[e.boat.name]
            )
            body.append(f"<h3>Warnings</h3><ul>{lines}</ul>")
        body.append(wear_svg(e, mine, settings))
        head = (
            "position",
            "part",
            "fitted",
            "verdict",
            "gone",
            "a\u00a0month",
            "at the next haul-out",
            "months left",
        )
        body.append(table(head, (_row(s) for s in mine)))
        why = [f"{s.position.name}: {r.message} {r.remedy or ''}".strip() for s in mine for r in s.reasons]
        if why:
            body.append("<ul>" + "".join(f"<li>{escape(w)}</li>" for w in why) + "</ul>")
    sub = f"{len(entries)} {'boat' if len(entries) == 1 else 'boats'}" + (
        f", {made_on.isoformat()}" if made_on else ""
    )
    return page(title, sub, "\n".join(body), all_cautions())


def months_words(left: MonthsLeft) -> str:
    """ "8.4 (4.3 to 21)"; beyond what is told, "more than" it."""

    def one(v: float | None) -> str:
        return f"over {MAX_MONTHS:.0f}" if v is None else f"{v:.1f}" if v < 10 else f"{v:.0f}"

    if left.value == 0 and left.high == 0:
        return "none"
    return one(left.value) if left.low is None else f"{one(left.value)} ({one(left.low)} to {one(left.high)})"


def _row(s: PositionState) -> tuple[str, ...]:
    fitting, last, rate, ahead = s.fitting, s.last, s.rate, s.outlook
    raised = " (raised)" if s.verdict != s.photo_verdict else ""
    gone = last.consumed_pct if last is not None else None
    return (
        s.position.name,
        f"{fitting.template}, {fitting.alloy}" if fitting else "none on record",
        fitting.fitted_on.isoformat() if fitting else "",
        VERDICT_WORDS[s.verdict] + raised
        if last is not None
        else "never looked at"
        if fitting is not None
        else "",
        _span(gone) if gone is not None else "",
        f"{rate.points_per_month.value:.1f} points" if rate is not None else "",
        _span(ahead.consumed_at_next_pct) if ahead is not None else "",
        months_words(ahead.months_left) if ahead is not None else "",
    )


def _span(i: Interval) -> str:
    return f"{i.value:.0f} % ({i.low:.0f} to {i.high:.0f})"


# --- a panel -------------------------------------------------------------------------------------


def _panel(
    axes: _Axes, entries: BoatEntries, group: Sequence[PositionState], settings: Settings
) -> list[str]:
    top, foot, left, right = axes.y(100), axes.y(0), axes.x(axes.first), axes.x(axes.last)
    begun = min((f.fitted_on for f in entries.fittings), default=axes.first)
    out = [
        _rect(axes.x(s.launched_on), top, axes.x(s.hauled_on), foot, WATER)
        for s in spells(entries.haul_outs, begun)
    ]
    ahead = _coming(entries, group)
    if ahead is not None:
        out.append(_rect(axes.x(ahead[0]), top, axes.x(ahead[1]), foot, WATER))
    for pct in (0, 25, 50, 75, 100):
        y = axes.y(pct)
        out.append(_line(left, y, right, y, FAINT, 0.5))
        out.append(_text(left - 6, y + 4, f"{pct} %", 11, anchor="end"))
    for day, words in _ticks(axes.first, axes.last):
        out.append(_line(axes.x(day), foot, axes.x(day), foot + 5, INK, 1))
        out.append(_text(axes.x(day), foot + 18, words, 11, anchor="middle"))
    limit = axes.y(settings.limit_pct)
    out.append(_line(left, limit, right, limit, INK, 1.6, dash="9 4"))
    out.append(_text(left + 4, limit - 4, f"limit {settings.limit_pct:.0f} %", 11, halo=True))
    at = axes.x0 + LEFT
    for i, s in enumerate(group):
        mark, shift = MARKS[i], 5.0 * (i - (len(group) - 1) / 2)
        state = (
            "no part on record"
            if s.fitting is None
            else "never looked at"
            if s.last is None
            else VERDICT_WORDS[s.verdict]
        )
        words = f"{s.position.name}: {state}"
        out += [
            _mark(mark, at + 5, axes.y0 + 22, solid=True),
            _text(at + 14, axes.y0 + 26, words, 12, bold=True),
        ]
        at += 28 + 8.2 * len(words)
        out += _history(axes, entries, s, mark, shift)
    return out


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


def _history(axes: _Axes, entries: BoatEntries, s: PositionState, mark: str, shift: float) -> list[str]:
    out = []
    fittings = sorted(
        (f for f in entries.fittings if f.position == s.position.name), key=lambda f: f.fitted_on
    )
    for f in fittings:
        wear = sorted((r for r in entries.readings if _belongs(r, f)), key=lambda r: r.hauled_on)
        points = [(axes.x(f.fitted_on) + shift, axes.y(0))]
        bars = []
        for r in wear:
            x = axes.x(r.hauled_on) + shift
            if r.consumed_pct is None:
                bars.append(_text(x, axes.y(0) - 5, "?", 13, anchor="middle", bold=True, halo=True))
                continue
            points.append((x, axes.y(r.consumed_pct.value)))
            bars += [
                *_bar(x, axes.y(r.consumed_pct.low), axes.y(r.consumed_pct.high)),
                _mark(mark, *points[-1], solid=True),
            ]
            if r.weighed_g is not None:
                bars.append(_text(x + 9, points[-1][1] - 5, "w", 11, halo=True))
        out.append(_path(points, INK, 1.3))
        out.append(_mark(mark, *points[0], solid=False))
        out += bars
        if f is s.fitting and s.outlook is not None:
            out += _forecast(axes, entries, s, points[-1], mark, shift)
    return out


def _forecast(
    axes: _Axes, entries: BoatEntries, s: PositionState, start: tuple[float, float], mark: str, shift: float
) -> list[str]:
    coming = _coming(entries, (s,))
    if coming is None or s.outlook is None:
        return []
    at_next = s.outlook.consumed_at_next_pct
    launch, x, y = axes.x(coming[0]) + shift, axes.x(coming[1]) + shift, axes.y(at_next.value)
    # ashore nothing wears: level to the launch
    return [
        _path([start, (max(launch, start[0]), start[1]), (x, y)], INK, 1.3, dash="3 3"),
        *_bar(x, axes.y(at_next.low), axes.y(at_next.high), dash="3 2"),
        _mark(mark, x, y, solid=False),
    ]


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


def _text(
    x: float, y: float, words: str, size: float, anchor: str = "start", bold: bool = False, halo: bool = False
) -> str:
    weight = ' font-weight="bold"' if bold else ""
    ring = ' stroke="#ffffff" stroke-width="3" paint-order="stroke"' if halo else ""
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" text-anchor="{anchor}"{weight}{ring}>{escape(words)}</text>'


def _rect(x0: float, y0: float, x1: float, y1: float, fill: str) -> str:
    return f'<rect x="{x0:.1f}" y="{y0:.1f}" width="{max(x1 - x0, 0):.1f}" height="{max(y1 - y0, 0):.1f}" fill="{fill}"/>'


def _line(
    x0: float, y0: float, x1: float, y1: float, stroke: str, width: float, dash: str | None = None
) -> str:
    return _path([(x0, y0), (x1, y1)], stroke, width, dash)


def _path(points: Sequence[tuple[float, float]], stroke: str, width: float, dash: str | None = None) -> str:
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<path d="M{" L".join(f"{x:.1f} {y:.1f}" for x, y in points)}" fill="none" stroke="{stroke}" stroke-width="{width:g}"{dashes}/>'


def _bar(x: float, low: float, high: float, dash: str | None = None) -> list[str]:
    """An interval: a bar with ends."""
    return [
        _line(x, low, x, high, INK, 1.1, dash),
        _line(x - 3.5, low, x + 3.5, low, INK, 1.1),
        _line(x - 3.5, high, x + 3.5, high, INK, 1.1),
    ]


def _mark(kind: str, x: float, y: float, solid: bool) -> str:
    fill = INK if solid else "#ffffff"
    style = f'fill="{fill}" stroke="{INK}" stroke-width="1.4"'
    if kind == "disc":
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" {style}/>'
    around = {
        "square": ((-4, -4), (4, -4), (4, 4), (-4, 4)),
        "triangle": ((0, -5), (5, 4), (-5, 4)),
        "diamond": ((0, -5.5), (5.5, 0), (0, 5.5), (-5.5, 0)),
    }[kind]
    return f'<polygon points="{" ".join(f"{x + dx:.1f},{y + dy:.1f}" for dx, dy in around)}" {style}/>'
