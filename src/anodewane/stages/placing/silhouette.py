"""From the silhouette that a camera sees to the plan outline of a plate or a rod, and its thickness."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from anodewane.geometry.camera import to_height
from anodewane.geometry.rings import oriented, resample_ring, ring_area, ring_normals, rings_area
from anodewane.records import Camera, MetalMask, Template
from anodewane.settings import Settings
from anodewane.units import Floats, Rings
from anodewane.wear.edge_height import Wall, lower, round_height, sight_slope, wall_height, worn_wall
from anodewane.wear.faces import expected_thickness
from anodewane.wear.solids import recession_near_area

OUTLINE_STEP_MM = 0.8
"""Spacing of the points that stand for an outline."""

THICKNESS_STEP_MM = 0.02
"""How closely remaining thickness and outline are brought together."""

NORMAL_REACH = 3
"""Points on each side over which an outline's direction is taken."""


@dataclass(frozen=True, slots=True, eq=False)
class Silhouette:
    """The part as seen in the sheet's plane: pieces of rings (n, 2) mm, what slope each point is seen
    at, and the camera's foot and height.

    at_top : rings (piece, ring) that show a hole's upper rim all round, its wall counted as hole,
    rather than where one can look through.
    """

    pieces: tuple[Rings, ...]
    slopes: tuple[tuple[Floats, ...], ...]
    foot_mm: Floats
    camera_height_mm: float
    at_top: frozenset[tuple[int, int]] = frozenset()


def silhouette_of(mask: MetalMask, camera: Camera) -> Silhouette:
    """See the mask's rings in the sheet's plane, at even steps, with the slope of the line of sight
    against the wall at each point."""
    foot, height = np.asarray(camera.position_mm[:2]), float(camera.position_mm[2])
    pieces, slopes = [], []
    for piece in mask.pieces_px:
        rings = oriented(tuple(resample_ring(to_height(camera, r, 0.0), OUTLINE_STEP_MM) for r in piece))
        pieces.append(rings)
        slopes.append(tuple(sight_slope(r, ring_normals(r, NORMAL_REACH), foot, height) for r in rings))
    return Silhouette(tuple(pieces), tuple(slopes), foot, height)


def plate_plan(
    seen: Silhouette, template: Template, thickness_mm: float, wall: Wall | None = None
) -> tuple[tuple[Rings, ...], tuple[tuple[Floats, ...], ...]]:
    """Plan outline of a plate of which `thickness_mm` remains, in the sheet frame, and the height each
    point was seen at."""
    wall = wall or worn_wall(template.mount, template.thickness_mm, thickness_mm)
    heights = tuple(
        tuple(
            np.full(len(s), wall.hi_mm) if (i, j) in seen.at_top else wall_height(wall, s)
            for j, s in enumerate(piece)
        )
        for i, piece in enumerate(seen.slopes)
    )
    return _lowered(seen, heights), heights


ROD_END = (0.2, 1.8, 0.5)
"""A rod's flat end as a wall: foot and top over the radius (the mean of the disc's edge), wander in mm."""


def rod_plan(
    seen: Silhouette, template: Template
) -> tuple[tuple[Rings, ...], tuple[tuple[Floats, ...], ...], float]:
    """Plan outline of a rod lying on its side, the heights, and its mean radius, mm. The radius is what
    the plan's own area and length say."""
    radius = template.thickness_mm / 2
    pieces, heights = seen.pieces, seen.slopes
    for _ in range(4):
        heights_now = []
        for piece, plan in zip(seen.pieces, pieces, strict=True):
            axis = long_axis(plan[0])
            ring_heights = []
            for seen_ring, ring in zip(piece, plan, strict=True):
                normals = ring_normals(ring, NORMAL_REACH)
                along = (normals @ axis) ** 2
                slope = sight_slope(seen_ring, normals, seen.foot_mm, seen.camera_height_mm)
                side = round_height(radius, slope)
                end = wall_height(Wall(ROD_END[0] * radius, ROD_END[1] * radius, ROD_END[2]), slope)
                ring_heights.append((1 - along) * side + along * end)
            heights_now.append(tuple(ring_heights))
        heights = tuple(heights_now)
        pieces = _lowered(seen, heights)
        length = sum(float(np.ptp(p[0] @ long_axis(p[0]))) for p in pieces)
        radius = sum(rings_area(p) for p in pieces) / length / 2
    return pieces, heights, radius


def _lowered(seen: Silhouette, heights: tuple[tuple[Floats, ...], ...]) -> tuple[Rings, ...]:
    return tuple(
        tuple(lower(r, h, seen.foot_mm, seen.camera_height_mm) for r, h in zip(piece, hs, strict=True))
        for piece, hs in zip(seen.pieces, heights, strict=True)
    )


def long_axis(ring: Floats) -> Floats:
    """Unit vector of the longest spread of a ring's points."""
    centred = ring - ring.mean(0)
    out: Floats = np.linalg.svd(centred, full_matrices=False)[2][0]
    return out


def plan_area(pieces: tuple[Rings, ...]) -> float:
    """Area of all pieces, mm2."""
    return sum(sum(ring_area(r) for r in piece) for piece in pieces)


def settle_plate(
    seen: Silhouette,
    template: Template,
    settings: Settings,
    hidden_mm2: float = 0.0,
    thickness_mm: float | None = None,
) -> tuple[tuple[Rings, ...], tuple[tuple[Floats, ...], ...], float, float]:
    """Plan outline, heights, remaining thickness and its one-sigma, from the silhouette's own area
    alone; `hidden_mm2` is the area of holes that aren't seen, `thickness_mm` what a calliper says."""
    if thickness_mm is not None:
        plan, heights = plate_plan(seen, template, thickness_mm)
        return plan, heights, thickness_mm, 0.3
    from scipy.optimize import brentq

    def excess(thickness: float) -> float:
        """By how much the thickness that the outline asks for exceeds the one that it was read with:
        falls as the latter rises, so there is one root."""
        area = plan_area(plate_plan(seen, template, thickness)[0]) - hidden_mm2
        return expected_thickness(template, recession_near_area(template, area), settings)[0] - thickness

    new = template.thickness_mm
    thickness = (
        new
        if excess(new) > -THICKNESS_STEP_MM
        else float(brentq(excess, 0.05 * new, new, xtol=THICKNESS_STEP_MM))
    )
    plan, heights = plate_plan(seen, template, thickness)
    return (
        plan,
        heights,
        thickness,
        expected_thickness(template, recession_near_area(template, plan_area(plan) - hidden_mm2), settings)[
            1
        ],
    )


def settle(
    seen: Silhouette,
    template: Template,
    settings: Settings,
    hidden_mm2: float = 0.0,
    thickness_mm: float | None = None,
) -> tuple[Any, Any, float, float]:
    """Plan outline (sheet frame), heights, remaining thickness and its one-sigma, for a plate or a rod."""
    if template.solid == "rod":
        plan, heights, radius = rod_plan(seen, template)
        return plan, heights, 2 * radius, 0.03 * radius
    return settle_plate(seen, template, settings, hidden_mm2, thickness_mm)
