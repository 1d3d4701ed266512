"""Outlines from measures: circles, slots, polygons with round corners. Arcs are sampled to `CHORD_MM`; whole
circles keep their exact area, so that a hole reads its nominal diameter."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from anodewane.errors import UsageError
from anodewane.geometry.rings import ring_area
from anodewane.units import Floats

CHORD_MM = 0.02
"""Farthest that a chord may lie from its arc, mm: a tenth of what a photo can show."""


def circle(centre_mm: Any, diameter_mm: float) -> Floats:
    """Ring (n, 2) of exactly the circle's area, anticlockwise; its points lie a little outside the
    circle, its chords a little inside."""
    n = 8 * math.ceil(_steps(diameter_mm / 2, 2 * math.pi) / 8)
    angle = np.arange(n) * 2 * np.pi / n
    radius = diameter_mm / 2 * math.sqrt((2 * math.pi / n) / math.sin(2 * math.pi / n))
    return np.column_stack([centre_mm[0] + radius * np.cos(angle), centre_mm[1] + radius * np.sin(angle)])


def slot(centre_mm: Any, length_mm: float, width_mm: float) -> Floats:
    """Ring of a slot with round ends along x, `length_mm` over all."""
    if length_mm <= width_mm:
        raise UsageError(
            f"A slot {length_mm:g} mm long and {width_mm:g} mm wide isn't longer than wide.",
            "Make it longer, or make a round hole.",
        )
    r, reach = width_mm / 2, (length_mm - width_mm) / 2
    half = math.pi / 2
    ends = [arc((reach, 0.0), r, -half, half), arc((-reach, 0.0), r, half, 3 * half)]
    ring: Floats = np.vstack(ends) + np.asarray(centre_mm, float)
    return ring


def rounded_polygon(corners_mm: Any, radius_mm: float) -> Floats:
    """Anticlockwise convex polygon (n, 2) with its corners rounded by `radius_mm`."""
    corners = np.asarray(corners_mm, float)
    if radius_mm < 0:
        raise UsageError(f"A corner radius of {radius_mm:g} mm can't be.", "Give 0 or more.")
    if radius_mm == 0:
        return corners
    into = corners - np.roll(corners, 1, axis=0)
    length = np.linalg.norm(into, axis=1)
    into = into / length[:, None]
    out = np.roll(into, -1, axis=0)
    turn = np.arctan2(into[:, 0] * out[:, 1] - into[:, 1] * out[:, 0], np.sum(into * out, axis=1))
    cut = radius_mm * np.tan(turn / 2)
    if ((cut + np.roll(cut, 1)) > length + 1e-9).any():
        raise UsageError(f"Corners of {radius_mm:g} mm are too round for the part.", "Give a smaller radius.")
    pieces = []
    for corner, a, t, c in zip(corners, into, turn, cut, strict=True):
        centre = corner - c * a + radius_mm * np.array([-a[1], a[0]])
        start = math.atan2(-a[0], a[1])
        pieces.append(arc(centre, radius_mm, start, start + t))
    ring = np.vstack(pieces)
    kept: Floats = ring[np.linalg.norm(ring - np.roll(ring, 1, axis=0), axis=1) > 1e-9]
    return kept


def swollen_polygon(corners_mm: Any, radius_mm: float) -> Floats:
    """Anticlockwise convex polygon (n, 2) grown outward by `radius_mm`, its corners round: Minkowski's
    sum with a disc."""
    corners = np.asarray(corners_mm, float)
    if radius_mm == 0:
        return corners
    edge = np.roll(corners, -1, axis=0) - corners
    outward = np.arctan2(-edge[:, 0], edge[:, 1])
    pieces = []
    for corner, before, after in zip(corners, np.roll(outward, 1), outward, strict=True):
        pieces.append(arc(corner, radius_mm, before, before + (after - before) % (2 * math.pi)))
    return np.vstack(pieces)


def rectangle(length_mm: float, width_mm: float) -> Floats:
    a, b = length_mm / 2, width_mm / 2
    return np.array([[-a, -b], [a, -b], [a, b], [-a, b]])


def _steps(radius_mm: float, sweep: float) -> int:
    """Chords that keep within `CHORD_MM` of an arc: the sagitta of a chord over the angle t is r (1
    - cos(t / 2))."""
    step = 2 * math.acos(max(0.0, 1 - CHORD_MM / radius_mm)) if radius_mm > CHORD_MM else math.pi / 2
    return max(1, math.ceil(abs(sweep) / step))


def arc(centre_mm: Any, radius_mm: float, start: float, end: float) -> Floats:
    """Points on an arc from angle `start` to `end`, radians, both ends included."""
    angle = np.linspace(start, end, _steps(radius_mm, end - start) + 1)
    return np.column_stack(
        [centre_mm[0] + radius_mm * np.cos(angle), centre_mm[1] + radius_mm * np.sin(angle)]
    )


def spread(count: int, pitch_mm: float) -> Floats:
    """`count` places at equal pitch about 0."""
    return np.asarray((np.arange(count) - (count - 1) / 2) * pitch_mm, float)


def on_circle(count: int, hole_mm: float, pitch_circle_mm: float) -> list[Floats]:
    angle = np.arange(count) * 2 * np.pi / max(count, 1) + np.pi / 2
    return [
        circle((pitch_circle_mm / 2 * math.cos(a), pitch_circle_mm / 2 * math.sin(a)), hole_mm) for a in angle
    ]


def largest_first(rings: list[Floats]) -> list[Floats]:
    """The rings with the one of the largest area moved to the front; the others keep their order."""
    areas = [abs(ring_area(r)) if len(r) > 2 else 0.0 for r in rings]
    first = int(np.argmax(areas))
    return [rings[first], *rings[:first], *rings[first + 1 :]]
