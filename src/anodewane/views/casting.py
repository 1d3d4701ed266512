"""A casting as a solid that a fit can turn: level curves of its worn field, which move along their normals.

It begins as the new solid worn evenly, as far as the photo from above says. "outline" moves walls out (mm, in
plan), "height" raises what faces up, by a smooth field over the plan. A point moves along its normal by
what of either its normal sees, so that a crown or a leaning wall takes part in both. Volume is linear in
them: a wall moved out adds its area, a face raised its plan.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from anodewane.geometry.camera import to_height
from anodewane.geometry.motion import Motion
from anodewane.geometry.rings import from_shapely, pieces_to_shapely, polygons_of, resample_ring, ring_area
from anodewane.records import Template
from anodewane.units import Floats, Rings
from anodewane.views.fit import Look, limb_of
from anodewane.views.model import (
    N_FIELD,
    RING_STEP_MM,
    CastBody,
    Solid,
    _blocks,
    _Builder,
    field_functions,
    frame_of,
    knots,
)
from anodewane.wear.cast_law import mass_recession, wear_table
from anodewane.wear.contour import foot_rate, plan_depth, read_contour
from anodewane.wear.field import SolidField, solid_field

LEVELS = 12
TOP_BELOW_MM = (0.15, 0.5, 1.2, 2.5)
"""Under the worn top, where there are curves beside those at even heights: a crown is seen there."""

DEEPER_MOST_MM = 8.0
FOOT_FRAC = 0.25
FEWEST_POINTS = 30
FACE_STEEPEST = 0.4
"""Slope of the top from which its marks tell no height."""


def casting(pieces: tuple[Rings, ...], template: Template, sheet_from_part: Motion, area_mm2: float) -> Solid:
    """The solid of a casting whose plan is `pieces` (sheet frame) and has an area; every parameter is 0
    at the start."""
    field = solid_field(template)
    proud = plan_depth(template, field, 0.0).recession_mm(area_mm2)
    worn = _worn(template, field, proud)
    plan = pieces_to_shapely(pieces)
    rings = [resample_ring(r, RING_STEP_MM) for polygon in polygons_of(plan) for r in from_shapely(polygon)]
    frame = frame_of(plan)
    weights = [knots(ring) for ring in rings]
    counts = np.r_[0, np.cumsum([w.shape[1] for w in weights])]
    k = int(counts[-1])
    blocks, total = _blocks([("outline", k), ("height", N_FIELD)])
    height = blocks[1].where
    of_points = np.zeros((sum(len(r) for r in rings), k))
    for i, w in enumerate(weights):
        first = sum(len(r) for r in rings[:i])
        of_points[first : first + len(w), counts[i] : counts[i + 1]] = w
    near = _Nearest(np.concatenate(rings), of_points)
    build = _Builder(total)
    slopes = [np.gradient(worn, field.step_mm, axis=axis) for axis in range(3)]
    volume = np.zeros(total)
    levels = _heights(worn, field)
    for number, (z, span) in enumerate(levels):
        for ring in _curves(worn, field, z):
            xyz = np.column_stack([ring, np.full(len(ring), z)])
            normal = -np.stack([_at(field, s, xyz) for s in slopes], axis=1)
            normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-6)
            normal[:, :2] = sheet_from_part.along(normal[:, :2])
            xy = sheet_from_part.apply(ring)
            side = np.hypot(normal[:, 0], normal[:, 1])
            up = np.maximum(normal[:, 2], 0.0)
            mine = near(xy)
            slope = np.zeros((len(xy), 3, total))
            slope[:, :, :k] = normal[:, :, None] * (side[:, None] * mine)[:, None, :]
            slope[:, :, height] = normal[:, :, None] * (up[:, None] * field_functions(xy, frame))[:, None, :]
            turned = sheet_from_part.mirrored
            if turned:
                xy, slope = xy[::-1], slope[::-1]
            build.add(np.column_stack([xy, np.full(len(xy), z)]), slope, ring_area(xy) < 0, number)
            lengths = np.linalg.norm(np.roll(xy, -1, axis=0) - xy, axis=1)
            volume[:k] += span * (mine[::-1] if turned else mine).T @ lengths
    body = _body(template, field, worn, area_mm2, sheet_from_part)
    volume[height] = body.plan_functions(frame) * body.step_mm**2
    plan_slope = []
    for ring, w, start in zip(rings, weights, counts[:-1], strict=True):
        from anodewane.geometry.rings import ring_normals

        moved = np.zeros((len(ring), 2, total))
        columns = slice(int(start), int(start) + w.shape[1])
        moved[:, :, columns] = ring_normals(ring, 2)[:, :, None] * w[:, None, :]
        plan_slope.append(moved)
    return build.solid(
        blocks,
        rings,
        plan_slope,
        [np.zeros((len(r), total)) for r in rings],
        plate=False,
        faces=1,
        turn=np.eye(2),
        centre=np.zeros(2),
        plan_lean=None,
        plan_normal=None,
        foot_mm=(0.0, 0.0, 0.0),
        frame=frame,
        rim_level=len(levels) - len(TOP_BELOW_MM),
        body=CastBody(body.volume_mm3, volume, body.top, body.column),
    )


def face_region(solid: Solid, plan: Any) -> Any:
    """The part of a plan (sheet frame) within which a casting's top is flat enough for its marks to tell
    its height."""
    assert solid.body is not None
    for inset in (2.0, 4.0, 6.0, 9.0, 12.0):
        inner = plan.buffer(-inset)
        if inner.is_empty:
            break
        x0, y0, x1, y1 = inner.bounds
        grid = np.stack(np.meshgrid(np.arange(x0, x1, 3.0), np.arange(y0, y1, 3.0)), axis=-1).reshape(-1, 2)
        from shapely import contains_xy

        grid = grid[contains_xy(inner, grid[:, 0], grid[:, 1])]
        if not len(grid):
            break
        step = np.array([[1.0, 0.0], [0.0, 1.0]])
        rise = [(solid.body.top(grid + s) - solid.body.top(grid - s)) / 2 for s in step]
        if np.mean(np.hypot(*rise) < FACE_STEEPEST) > 0.9:
            return inner
    return plan.buffer(-1e6)


def look_at_casting(
    look: Look,
    solid: Solid,
    start: Floats,
    template: Template,
    sheet_from_part: Motion,
    area_mm2: float,
    above: bool,
) -> Look:
    """A photo with the gaps that its outline would have to the level curves at the start anyway: curves know
    nothing of a surface that wanders. What is left of a gap is how much deeper than the photo from above
    has it the part has wasted there, by the depth along the line of sight (`wear.contour`).

    Where a flush part's foot is seen from the side its points are left out: water gets under it, and how far
    says little of the rest.
    """
    field = solid_field(template)
    recession = float(wear_table(template).plan_recession(area_mm2))
    straight = replace(look.camera, k1=0.0)
    part_from_sheet = sheet_from_part.inverse()
    seen = part_from_sheet.apply(to_height(straight, look.points_px, 0.0))
    foot = part_from_sheet.apply(np.asarray(look.camera.position_mm[:2])[None])[0]
    read = read_contour(template, field, seen, foot, float(look.camera.position_mm[2]), recession)
    deeper = np.clip(read.recession_mm - recession, -DEEPER_MOST_MM, DEEPER_MOST_MM)
    points = solid.points(start)
    limb = limb_of(look, solid, points, 2 * DEEPER_MOST_MM)
    expected = np.where(limb.met, limb.gap_mm - deeper, 0.0)
    kept = np.ones(len(seen), bool)
    if not above and template.mount == "flush":
        at = points[limb.first, 2] * (1 - limb.along) + points[limb.second, 2] * limb.along
        kept = limb.met & (at > FOOT_FRAC * template.thickness_mm)
        if kept.sum() < FEWEST_POINTS:
            kept[:] = True
    return replace(
        look,
        points_px=look.points_px[kept],
        normals=look.normals[kept],
        hole=look.hole[kept],
        expected_mm=expected[kept],
    )


# --- inside --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Body:
    """Plan maps of a casting worn evenly in its mean: top and column of metal over places of the sheet
    frame."""

    volume_mm3: float
    step_mm: float
    places: Floats
    share: Floats
    top: Any
    column: Any

    def plan_functions(self, frame: tuple[Floats, Floats, Floats]) -> Floats:
        """Sums of the height field's functions over the plan's cells."""
        out: Floats = self.share @ field_functions(self.places, frame)
        return out


def _body(
    template: Template, field: SolidField, worn: Any, area_mm2: float, sheet_from_part: Motion
) -> _Body:
    table = wear_table(template)
    recession = float(table.plan_recession(area_mm2))
    even = float(mass_recession(template, recession))
    h = field.step_mm
    metal = field.metal_mm(even)
    filled = np.clip(0.5 + metal / h, 0.0, 1.0)
    column = filled.sum(axis=2) * h
    z = field.origin_mm[2] + h * (1 + np.arange(metal.shape[2]))
    # the highest metal: where depth passes zero above the topmost node inside
    inside = metal > 0
    last = metal.shape[2] - 1 - np.argmax(inside[:, :, ::-1], axis=2)
    depth = np.take_along_axis(metal, last[:, :, None], axis=2)[:, :, 0]
    top = np.where(inside.any(axis=2), z[last] + np.minimum(depth, h), 0.0)
    part_from_sheet = sheet_from_part.inverse()

    def over(values: Any) -> Any:
        def read(xy_mm: Floats) -> Floats:
            import cv2

            q = ((part_from_sheet.apply(xy_mm) - field.origin_mm[:2]) / h).astype(np.float32)
            grid = np.ascontiguousarray(values, np.float32)
            args = (q[:, None, 1], q[:, None, 0], cv2.INTER_LINEAR)
            return cv2.remap(grid, *args, borderMode=cv2.BORDER_CONSTANT)[:, 0].astype(float)

        return read

    plan = np.clip(0.5 + worn.max(axis=2) / h, 0.0, 1.0)
    i, j = np.nonzero(plan > 0)
    places = sheet_from_part.apply(field.origin_mm[:2] + h * np.column_stack([i, j]))
    return _Body(float(table.volume(even)), h, places, plan[i, j], over(top), over(column))


def _worn(template: Template, field: SolidField, recession_mm: float) -> Any:
    """Depth inside what is left where the proudest places have receded by `recession_mm`, layer below the
    foot included."""
    z = field.origin_mm[2] + field.step_mm * np.arange(field.depth_mm.shape[2])
    rate = foot_rate(template, np.maximum(z, 0.0))
    left = field.depth_mm - np.float32(recession_mm) * rate
    if field.dry_mm is not None:
        left = np.minimum(left, field.dry_mm)
    if field.steel_mm is not None:
        left = np.maximum(left, -1e3)  # steel is told from metal by the outline, not by the solid
    return left


def _heights(worn: Any, field: SolidField) -> list[tuple[float, float]]:
    """Heights of the level curves and how much of the height each stands for."""
    inside = (worn > 0).any(axis=(0, 1))
    highest = int(np.flatnonzero(inside)[-1]) if inside.any() else 1
    at = worn[:, :, highest].max()
    top = float(field.origin_mm[2] + field.step_mm * highest + min(float(at), field.step_mm))
    even = np.linspace(0.0, max(top - TOP_BELOW_MM[-1], 0.5), LEVELS)
    z = np.unique(np.round(np.r_[even, [max(top - b, 0.1) for b in TOP_BELOW_MM]], 3))
    edges = np.r_[0.0, (z[1:] + z[:-1]) / 2, top]
    return [(float(a), float(b)) for a, b in zip(z, np.diff(edges), strict=True)]


def _curves(worn: Any, field: SolidField, z_mm: float) -> list[Floats]:
    """Rings (n, 2) of the section at a height, part frame, metal on the left."""
    from skimage.measure import find_contours

    h = field.step_mm
    at = float(np.clip((z_mm - field.origin_mm[2]) / h, 0, worn.shape[2] - 1.001))
    low = int(at)
    section = worn[:, :, low] * (1 - (at - low)) + worn[:, :, low + 1] * (at - low)
    out = []
    for found in find_contours(section, 0.0):  # type: ignore[no-untyped-call]
        ring = np.asarray(found[:-1]) * h + field.origin_mm[:2]
        if len(ring) < 8:
            continue
        ring = resample_ring(ring, RING_STEP_MM)
        middle = (ring[:1] + ring[1:2]) / 2
        along = ring[1] - ring[0]
        left = middle + 0.3 * np.array([-along[1], along[0]]) / max(float(np.linalg.norm(along)), 1e-9)
        q = (left[0] - field.origin_mm[:2]) / h
        i, j = np.clip(np.round(q).astype(int), 0, np.array(section.shape) - 1)
        a, b = np.clip(np.floor(q).astype(int), 0, np.array(section.shape) - 2)
        u, v = q[0] - a, q[1] - b
        value = (section[a, b] * (1 - u) + section[a + 1, b] * u) * (1 - v) + (
            section[a, b + 1] * (1 - u) + section[a + 1, b + 1] * u
        ) * v
        del i, j
        out.append(ring if value > 0 else ring[::-1])
    return out


def _at(field: SolidField, values: Any, xyz: Floats) -> Floats:
    from scipy.ndimage import map_coordinates

    q = (xyz - field.origin_mm) / field.step_mm
    out: Floats = map_coordinates(values, q.T, order=1, mode="nearest")
    return out


class _Nearest:
    """Values of the nearest of points."""

    def __init__(self, points: Floats, values: Floats) -> None:
        from scipy.spatial import cKDTree

        self.tree, self.values = cKDTree(points), values

    def __call__(self, places: Floats) -> Floats:
        out: Floats = self.values[self.tree.query(places)[1]]
        return out
