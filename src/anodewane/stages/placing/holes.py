"""The template's holes in a silhouette: which are seen, how they anchor and gauge."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from anodewane.geometry.motion import Motion
from anodewane.geometry.rings import pieces_to_shapely, ring_area, ring_centre
from anodewane.records import Template
from anodewane.stages.placing.poses import Pose, turned_by
from anodewane.stages.placing.silhouette import Silhouette
from anodewane.units import Floats, Rings
from anodewane.wear.solids import new_area

ROUND = 2 / np.sqrt(np.pi)
"""Diameter of a circle over the square root of its area."""

HOLE_CENTRE_SD_MM = (0.15, 0.05, 0.006)
"""One-sigma of a worn hole's centre along the pitch: at best, per mm and per mm2 of growth of its
diameter. Holes grow unevenly (75 rendered parts, two holes or more)."""

HOLE_WALL_SD_FRAC = 0.25
"""One-sigma of a hole's centre as a share of the wall seen in it: a dark wall taken for ground moves
the centre by up to half the wall."""

GAUGE_MIN_PITCH_MM = 30.0
"""Hole pitch below which holes don't gauge the print scale."""

ANCHOR_MAX_GROWTH_MM = 4.0
"""Mean growth of the holes above which they are no better an anchor than the outline."""


LEAST_HOLE_MM2 = 1.0
"""Area under which a hole of the outline is a flaw of the mask, and has no centre."""

FILL_MOST_FRAC, FILL_SOUND_FRAC = 0.04, 0.6
"""Gaps in the metal that the template doesn't have are taken for marks on its face while together they
are below the first share of the new area and more than the second share of the thickness remains: a
part wears through at its thin places, and not before it is thin."""


def read_holes(
    seen: Silhouette, template: Template, pose: Pose, thickness_mm: float
) -> tuple[Silhouette, float, bool]:
    """Read a segmenter's holes by the template: which show the upper rim rather than what one sees
    through, and which are no holes.

    Returns the silhouette, the area that was filled (mm2) and whether anything changed.
    """
    from dataclasses import replace

    from shapely import MultiPolygon, Polygon, prepare

    sheet_from_part = pose.part_from_sheet.inverse()
    grow = seen.camera_height_mm / (seen.camera_height_mm - thickness_mm)
    rims = []
    for ring in template.rings[1:]:
        low = sheet_from_part.apply(ring)
        rims.append((Polygon(low), Polygon(seen.foot_mm + (low - seen.foot_mm) * grow)))
    at_top: set[tuple[int, int]] = set()
    strange: list[tuple[int, int, float]] = []
    for i, piece in enumerate(seen.pieces):
        for j, ring in enumerate(piece[1:], start=1):
            hole = Polygon(ring).buffer(0)
            near = [
                (low, up)
                for low, up in rims
                if MultiPolygon([low, up]).convex_hull.buffer(3.0).intersection(hole).area > 0.5 * hole.area
            ]
            if not near:
                strange.append((i, j, float(hole.area)))
            elif template.solid == "plate":
                low, up = max(near, key=lambda r: r[0].union(r[1]).intersection(hole).area)
                prepare(hole)
                if _likeness(hole, _grown(low, up, hole.area)) + 0.05 < _likeness(
                    hole, _grown(up, up, hole.area)
                ):
                    at_top.add((i, j))
    gaps = sum(a for _, _, a in strange)
    fill = (
        {(i, j) for i, j, _ in strange}
        if gaps < FILL_MOST_FRAC * new_area(template)
        and thickness_mm > FILL_SOUND_FRAC * template.thickness_mm
        else set()
    )
    if not at_top and not fill:
        return seen, 0.0, False
    kept = [[j for j in range(len(piece)) if (i, j) not in fill] for i, piece in enumerate(seen.pieces)]
    changed = replace(
        seen,
        pieces=tuple(tuple(seen.pieces[i][j] for j in js) for i, js in enumerate(kept)),
        slopes=tuple(tuple(seen.slopes[i][j] for j in js) for i, js in enumerate(kept)),
        at_top=frozenset((i, js.index(j)) for i, js in enumerate(kept) for j in js if (i, j) in at_top),
    )
    return changed, gaps if fill else 0.0, True


def _grown(low: Any, up: Any, area_mm2: float) -> Any:
    """The opening between two rims, both widened until it has the area asked for."""
    from scipy.optimize import brentq

    def opening(by_mm: float) -> Any:
        return low.buffer(by_mm).intersection(up.buffer(by_mm))

    least, most = -0.45 * float(np.sqrt(low.area / np.pi)), 20.0
    if opening(least).area >= area_mm2:
        return opening(least)
    if opening(most).area <= area_mm2:
        return opening(most)
    return opening(float(brentq(lambda by_mm: opening(by_mm).area - area_mm2, least, most, xtol=0.005)))


def _likeness(a: Any, b: Any) -> float:
    """Overlap over union of two shapes."""
    return float(a.intersection(b).area / max(a.union(b).area, 1e-9))


HIDDEN_BELOW_FRAC = 0.3
"""Share of a hole's area that a camera must be able to see through it before its absence means anything."""


def hidden_holes(
    plan: tuple[Rings, ...], template: Template, pose: Pose, seen: Silhouette, thickness_mm: float
) -> tuple[int, ...]:
    """Indices of template rings whose holes the camera can't look through from where it stands: a deep
    hole seen from the side shows only its wall.

    Light comes through where the lower rim and the upper rim, as seen in the sheet's plane, overlap.
    """
    from shapely import Polygon

    sheet_from_part = pose.part_from_sheet.inverse()
    metal = pieces_to_shapely(plan)
    grow = seen.camera_height_mm / (seen.camera_height_mm - thickness_mm)
    hidden = []
    for i, ring in enumerate(template.rings[1:], start=1):
        lower_rim = sheet_from_part.apply(ring)
        hole = Polygon(lower_rim)
        through = (
            hole.intersection(Polygon(seen.foot_mm + (lower_rim - seen.foot_mm) * grow)).area / hole.area
        )
        if through < HIDDEN_BELOW_FRAC and metal.intersection(hole).area > 0.6 * hole.area:
            hidden.append(i)
    return tuple(hidden)


@dataclass(frozen=True, slots=True, eq=False)
class HolePair:
    """A template hole that is still a hole of its own: centres (2,) mm, in the sheet frame as seen
    and in the part frame as drawn, how much wider it is, and how much of its wall the camera looks
    at, mm in the sheet's plane, where wall and ground may have been mistaken for each other (0 for a
    handed outline)."""

    seen_mm: Floats
    drawn_mm: Floats
    growth_mm: float
    wall_mm: float

    @property
    def centre_sd_mm(self) -> float:
        """One-sigma of the seen centre along the pitch."""
        grown = max(self.growth_mm, 0.0)
        worn = HOLE_CENTRE_SD_MM[0] + HOLE_CENTRE_SD_MM[1] * grown + HOLE_CENTRE_SD_MM[2] * grown**2
        return float(np.hypot(worn, HOLE_WALL_SD_FRAC * self.wall_mm))


def hole_pairs(
    plan: tuple[Rings, ...], template: Template, pose: Pose, wall: Callable[[Floats], float]
) -> list[HolePair]:
    """Every template hole that is still a hole of its own; `wall` gives the wall seen (mm) in a hole at
    a place of the sheet frame."""
    holes = [r for piece in plan for r in piece[1:] if abs(ring_area(r)) > LEAST_HOLE_MM2]
    worn = [ring_centre(r) for r in holes]
    sizes = [np.sqrt(abs(ring_area(r))) for r in holes]
    pairs = []
    for ring in template.rings[1:]:
        centre, size = ring_centre(ring), np.sqrt(abs(ring_area(ring)))
        near = [
            (float(np.linalg.norm(pose.part_from_sheet.apply(w) - centre)), w, s)
            for w, s in zip(worn, sizes, strict=True)
            if 0.6 * size - 1 < s < 1.6 * size + 8
        ]
        if near:
            distance, w, s = min(near, key=lambda x: x[0])
            if distance < 3.0 + 0.25 * size:
                pairs.append(HolePair(w, centre, ROUND * (s - size), wall(w)))
    return pairs


def pitch_scale(pairs: list[HolePair]) -> tuple[float, float]:
    """Measured over drawn hole pitch and its one-sigma, over all pairs of holes, longer and surer
    pitches weighing more."""
    got, want, sd = [], [], []
    for i in range(len(pairs)):
        for j in range(i):
            got.append(float(np.linalg.norm(pairs[i].seen_mm - pairs[j].seen_mm)))
            want.append(float(np.linalg.norm(pairs[i].drawn_mm - pairs[j].drawn_mm)))
            sd.append(float(np.hypot(pairs[i].centre_sd_mm, pairs[j].centre_sd_mm)))
    x = np.array(want) / np.array(sd)
    y = np.array(got) / np.array(sd)
    # n holes make n (n - 1) / 2 pitches that share their errors: only about n / 2 of them are independent
    return float(np.dot(x, y) / np.dot(x, x)), float(np.sqrt(max(1.0, len(pairs) - 1.0) / np.dot(x, x)))


def pose_by_holes(pairs: list[HolePair], near: Pose) -> tuple[Pose, float]:
    """Rigid fit of the hole centres (Kabsch 1976), keeping the given pose's hand, and the rms miss in
    mm."""
    mirrored = near.part_from_sheet.mirrored
    sheet = np.array([p.seen_mm for p in pairs]) * (np.array([-1.0, 1.0]) if mirrored else 1.0)
    part = np.array([p.drawn_mm for p in pairs])
    a, b = sheet - sheet.mean(0), part - part.mean(0)
    angle = float(np.arctan2(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]), np.sum(a * b)))
    miss = float(np.sqrt(np.mean(np.sum((a @ turned_by(angle) - b) ** 2, axis=1))))
    shift = part.mean(0) - sheet.mean(0) @ turned_by(angle)
    return Pose(Motion.of(angle, shift, mirrored=mirrored), near.cost), miss
