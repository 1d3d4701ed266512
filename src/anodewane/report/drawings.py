"""Drawings of a report as SVG, in millimetres of paper: the same text goes into the HTML page and the PDF.

Everything is told by line style, shape and words first and by colour second (colours of Okabe and Ito
2008), so that a black and white print says the same. No drawing is wider than `WIDTH_MM`: on a phone it
then fills the screen and its words stay legible.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from anodewane.record import Verdict
from anodewane.report.texts import Catalogue
from anodewane.show.marks import INK, METAL, ORANGE, QUIET, SKY, VERMILION, WHITE, mark_of
from anodewane.show.svg import Drawing, Sheet
from anodewane.units import Floats

WIDTH_MM = 84.0
OVERLAY_MAX_MM = (84.0, 60.0)
SCALES = (1, 2, 2.5, 5, 10, 20, 50, 100)
"""Reductions of ISO 5455, and 1:2.5, which drawing offices use between."""


def _smooth(ring: Floats, tolerance: float) -> Floats:
    """Fewer points, none moved by more than `tolerance`: an outline has thousands."""
    import shapely

    if len(ring) < 8:
        return ring
    simple = np.asarray(shapely.LinearRing(ring).simplify(tolerance).coords, float)[:-1]
    return simple if len(simple) >= 3 else ring


# --- signs ---------------------------------------------------------------------------------------


def sign(grade: str | None, alt: str) -> Drawing:
    """A square block with a cross (replace), a half-filled disc (monitor), a tick (ok) or a question mark."""
    mark = mark_of(grade)
    s = Sheet(6, 6)
    s.add("rect", x=0.2, y=0.2, width=5.6, height=5.6, rx=0.8, fill=mark.ground, stroke=INK, stroke_width=0.3)
    if grade == "replace":
        s.stroke([(1.5, 1.5), (4.5, 4.5)], colour=mark.ink, width=0.8)
        s.stroke([(1.5, 4.5), (4.5, 1.5)], colour=mark.ink, width=0.8)
    elif grade == "monitor":
        s.circle(3, 3, 1.7, fill="none", stroke=mark.ink, stroke_width=0.5)
        s.add("path", d="M3 1.3A1.7 1.7 0 0 0 3 4.7Z", fill=mark.ink)
    elif grade == "ok":
        s.stroke([(1.4, 3.2), (2.6, 4.4), (4.7, 1.7)], colour=mark.ink, width=0.8)
    else:
        s.words(3, 4.5, mark.sign, anchor="middle", size=4.4, bold=True, fill=mark.ink)
    return s.done(alt)


# --- the interval against the limit --------------------------------------------------------------


def gauge(verdict: Verdict, say: Catalogue) -> Drawing | None:
    """A line from 0 to 100 % of the metal: the interval as a bar, the value as a needle, the limit
    as a dashed gate."""
    if verdict.consumed is None:
        return None
    mass, limit = verdict.consumed.mass_pct, verdict.limits.limit_pct
    s = Sheet(WIDTH_MM, 13)
    x0, x1, top, tall = 1.0, WIDTH_MM - 1.0, 3.2, 4.0

    def at(pct: float) -> float:
        return x0 + (x1 - x0) * float(np.clip(pct, 0, 100)) / 100

    s.add("rect", x=x0, y=top, width=x1 - x0, height=tall, fill="#f2f2f2", stroke=QUIET, stroke_width=0.25)
    for ten in range(1, 10):
        s.stroke([(at(10 * ten), top + tall - 0.8), (at(10 * ten), top + tall)], colour=QUIET, width=0.2)
    s.add(
        "rect",
        x=at(mass.low),
        y=top + 0.8,
        width=max(at(mass.high) - at(mass.low), 0.3),
        height=tall - 1.6,
        fill=SKY,
        stroke=INK,
        stroke_width=0.25,
    )
    needle, gate = at(mass.value), at(limit)
    s.stroke([(needle, top - 2.2), (needle, top + tall)], width=0.6)
    s.path([np.array([[needle - 1.1, top - 2.4], [needle + 1.1, top - 2.4], [needle, top - 0.2]])], fill=INK)
    s.stroke([(gate, top - 1.4), (gate, top + tall + 1.4)], width=0.6, dash="1.1 0.7")
    base = top + tall + 4.0
    s.words(
        float(np.clip(gate, 22, WIDTH_MM - 40)),
        base,
        say.say("part.gauge_limit", limit=say.number(limit)),
        anchor="middle",
    )
    s.words(x0, base, "0 %", fill=QUIET)
    s.words(x1, base, "100 %", anchor="end", fill=QUIET)
    alt = say.say(
        "part.gauge_alt",
        value=say.number(mass.value),
        low=say.number(mass.low),
        high=say.number(mass.high),
        limit=say.number(limit),
    )
    return s.done(alt)


# --- doubt as bars -------------------------------------------------------------------------------


def budget_bars(bars: Sequence[tuple[str, float]], total: tuple[str, float], say: Catalogue) -> Drawing:
    """Causes of doubt as bars, largest first, the sum of squares' root below. Values are one standard
    deviation in percentage points."""
    rows = [*bars, total]
    step, name_mm, number_mm = 4.0, 47.0, 9.0
    s = Sheet(WIDTH_MM, step * len(rows) + 1.4)
    most = max(max(v for _, v in rows), 1e-9)
    room = WIDTH_MM - name_mm - number_mm
    for i, (name, value) in enumerate(rows):
        last = i == len(rows) - 1
        y = i * step + (1.0 if last else 0.0)
        if last:
            s.stroke([(0, y - 0.2), (WIDTH_MM, y - 0.2)], colour=QUIET, width=0.2)
        long = max(room * max(value, 0.0) / most, 0.15)
        s.words(0, y + 2.9, name, size=2.5, bold=last)
        s.add("rect", x=name_mm, y=y + 0.9, width=long, height=2.3, fill=INK if last else "#7a7a7a")
        s.words(name_mm + long + 1.0, y + 2.9, say.number(value, 2), size=2.5, bold=last)
    alt = say.say("part.sure_alt", bars="; ".join(f"{name} {say.number(value, 2)}" for name, value in rows))
    return s.done(alt)


# --- wear round the outline ----------------------------------------------------------------------


def profile(way: Floats, depth: Floats, length_mm: float, say: Catalogue) -> Drawing:
    """Recession against the way round the new outline, both in mm; letters at its quarters; mean
    dashed, worst ringed."""
    s = Sheet(WIDTH_MM, 46)
    left, right, top, bottom = 11.0, WIDTH_MM - 2.0, 4.0, 34.0
    most = _ceiling(float(depth.max()))

    def x(v: Any) -> Any:
        return left + (right - left) * np.asarray(v) / length_mm

    def y(v: Any) -> Any:
        return bottom - (bottom - top) * np.asarray(v) / most

    ticks, digits = _ticks(most)
    for tick in ticks:
        s.stroke([(left, float(y(tick))), (right, float(y(tick)))], colour="#cccccc", width=0.15)
        s.words(left - 1, float(y(tick)) + 0.9, say.number(tick, digits), anchor="end", size=2.5)
    curve = np.column_stack([x(np.r_[way, length_mm]), y(np.r_[depth, depth[:1]])])
    area = np.vstack([[[left, bottom]], curve, [[right, bottom]]])
    s.path([area], fill="#e3e3e3")
    s.stroke(curve, width=0.35, stroke_linejoin="round")
    s.stroke([(left, top), (left, bottom), (right, bottom)], width=0.25)
    mean, worst = float(np.mean(depth)), int(np.argmax(depth))
    s.stroke([(left, float(y(mean))), (right, float(y(mean)))], width=0.3, dash="1.6 1")
    s.add(
        "circle",
        cx=float(x(way[worst])),
        cy=float(y(depth[worst])),
        r=1.2,
        fill="none",
        stroke=VERMILION,
        stroke_width=0.45,
    )
    for k, letter in enumerate("ABCDA"):
        at = left + (right - left) * k / 4
        s.stroke([(at, bottom), (at, bottom + 1)], width=0.25)
        s.words(at, bottom + 3.6, letter, anchor="middle", bold=True, size=2.5)
        s.words(
            at,
            bottom + 6.6,
            say.number(length_mm * k / 4),
            anchor="end" if k == 4 else "middle",
            size=2.4,
            fill=QUIET,
        )
    s.words((left + right) / 2, 44.6, say.say("part.profile_x"), anchor="middle", size=2.5)
    s.words(3, (top + bottom) / 2, say.say("part.profile_y"), anchor="middle", size=2.5, turn=-90.0)
    note = (
        say.say("part.profile_mean", mean=say.number(mean, 1)),
        say.say("part.profile_worst", max=say.number(float(depth.max()), 1)),
    )
    s.words(right, top - 1.4, ", ".join(note), anchor="end", size=2.5)
    alt = say.say(
        "part.profile_alt",
        length=say.number(length_mm),
        mean=say.number(mean, 1),
        max=say.number(float(depth.max()), 1),
        worst=say.number(float(way[worst])),
    )
    return s.done(alt)


def _ceiling(value: float) -> float:
    """The next round number above: 1, 2, 5 times a power of ten; at least 1 mm, so that noise on a new
    part isn't drawn as mountains."""
    for most in (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0):
        if value <= most * 0.98:
            return most
    return value * 1.1


def _ticks(most: float) -> tuple[list[float], int]:
    step = most / (5 if str(most)[0] in "15" else 4)
    return [float(k * step) for k in range(round(most / step) + 1)], 0 if step >= 1 and step == round(
        step
    ) else 1


# --- to scale ------------------------------------------------------------------------------------


def scale_text(n: float, say: Catalogue) -> str:
    """ "scale 1:2" """
    return say.say("part.scale_to", n=say.number(n, 0 if n == int(n) else 1))


BELOW_MM = 6.0
"""Paper under a scaled drawing, for its bar."""


def _bar(s: Sheet, n: float, say: Catalogue) -> None:
    """A scale bar at the foot: 50 mm of the part in five pieces, or as much of it as the drawing is wide."""
    piece = 10.0 if 50.0 / n <= s.width - 16 else 5.0
    while 5 * piece / n > s.width - 16 and piece > 1:
        piece = 2.0 if piece == 5.0 else 1.0
    y, h = s.height - 3.2, 1.5
    for i in range(5):
        s.add(
            "rect",
            x=1 + i * piece / n,
            y=y,
            width=piece / n,
            height=h,
            fill=INK if i % 2 == 0 else WHITE,
            stroke=INK,
            stroke_width=0.2,
        )
    s.words(2.2 + 5 * piece / n, y + 1.7, f"{say.number(5 * piece)} mm", size=2.5, bold=True)


def new_and_left(
    new: Any,
    left: Any,
    letters: Sequence[tuple[str, float, float]],
    worst: tuple[float, float] | None,
    say: Catalogue,
) -> tuple[Drawing, float]:
    """The new outline dashed over what is left in grey, part frame, to scale. Returns the drawing and n
    of its scale 1:n."""
    from anodewane.report.shapes import rings_of

    bounds = np.array([new.bounds, left.bounds])
    lo, hi = bounds[:, :2].min(0) - 0.5, bounds[:, 2:].max(0) + 0.5
    n = _fitting(hi - lo, 8.0)
    edge = 4.0  # paper round the part, for the letters
    size = (hi - lo) / n
    s = Sheet(max(float(size[0]) + 2 * edge, 44.0), float(size[1]) + 2 * edge + BELOW_MM)
    off = np.array([(s.width - size[0]) / 2, edge])

    def to_paper(points: Floats) -> Floats:
        p = (np.asarray(points, float) - [lo[0], hi[1]]) / n
        return np.column_stack([p[:, 0] + off[0], -p[:, 1] + off[1]])

    s.path(
        [to_paper(_smooth(r, 0.05 * n)) for r in rings_of(left)],
        fill=METAL,
        fill_rule="evenodd",
        stroke=INK,
        stroke_width=0.35,
        stroke_linejoin="round",
    )
    s.path(
        [to_paper(_smooth(r, 0.05 * n)) for r in rings_of(new)],
        fill="none",
        stroke=INK,
        stroke_width=0.35,
        stroke_dasharray="1.8 1.1",
    )
    centre = to_paper(np.array([[new.centroid.x, new.centroid.y]]))[0]
    for letter, x, y in letters:
        at = to_paper(np.array([[x, y]]))[0]
        out = (at - centre) / max(float(np.linalg.norm(at - centre)), 1e-9)
        s.add("circle", cx=float(at[0]), cy=float(at[1]), r=0.55, fill=INK)
        label = at + out * 2.3
        s.words(float(label[0]), float(label[1]) + 0.95, letter, anchor="middle", bold=True)
    if worst is not None:
        at = to_paper(np.array([worst]))[0]
        s.add("circle", cx=float(at[0]), cy=float(at[1]), r=1.5, fill="none", stroke=WHITE, stroke_width=0.9)
        s.add(
            "circle", cx=float(at[0]), cy=float(at[1]), r=1.5, fill="none", stroke=VERMILION, stroke_width=0.5
        )
    _bar(s, n, say)
    return s.done(say.say("part.drawing_alt")), n


def _fitting(size_mm: Any, margin: float) -> float:
    for n in SCALES:
        if size_mm[0] / n <= OVERLAY_MAX_MM[0] - margin and size_mm[1] / n <= OVERLAY_MAX_MM[1] - margin:
            return n
    return SCALES[-1]


def overlay(
    jpeg: bytes,
    window_mm: tuple[float, float, float, float],
    n: float,
    new: Sequence[Floats],
    left: Sequence[Floats],
    gone: Any,
    say: Catalogue,
) -> Drawing:
    """The flattened photo at 1:n with outlines and hatching, and a scale bar under it.

    Parameters
    ----------
    jpeg : bytes
        The window's picture.
    window_mm : (x0, y0, x1, y1)
        Its place in the flat frame, y up.
    """
    from anodewane.report.shapes import hatch_lines

    x0, y0, x1, y1 = window_mm
    s = Sheet(max((x1 - x0) / n, 44.0), (y1 - y0) / n + BELOW_MM)
    shift = (s.width - (x1 - x0) / n) / 2

    def to_paper(points: Floats) -> Floats:
        p = np.asarray(points, float)
        return np.column_stack([(p[:, 0] - x0) / n + shift, (y1 - p[:, 1]) / n])

    s.picture(jpeg, shift, 0.0, (x1 - x0) / n, (y1 - y0) / n)
    if gone is not None and not gone.is_empty:
        lines = [to_paper(line) for line in hatch_lines(gone, 1.9 * n)]
        s.path(lines, closed=False, stroke=INK, stroke_width=0.55, fill="none")
        s.path(lines, closed=False, stroke=ORANGE, stroke_width=0.35, fill="none")
    rings = [to_paper(_smooth(r, 0.05 * n)) for r in left]
    s.path(rings, fill="none", stroke=INK, stroke_width=0.7, stroke_linejoin="round")
    s.path(rings, fill="none", stroke=SKY, stroke_width=0.4, stroke_linejoin="round")
    rings = [to_paper(_smooth(r, 0.05 * n)) for r in new]
    s.path(rings, fill="none", stroke=INK, stroke_width=0.6)
    s.path(rings, fill="none", stroke=WHITE, stroke_width=0.35, stroke_dasharray="1.7 1.1")
    _bar(s, n, say)
    return s.done(say.say("part.overlay_alt"))
