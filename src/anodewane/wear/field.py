"""A new part's metal on a grid: how deep each place lies below the surface that water touches.

Wear by the recession d takes every place that lies less than d deep (Huygens' construction), so the worn
solid is `depth > d`, and volume, plan and silhouette of any shape follow from one array. What doesn't
waste bounds it without moving: the dry faces (a flush part's foot, a collar's split face and bore) and
steel inserts.

Notation: nx, ny, nz nodes; h the grid's step, mm. Part frame: z up from the face that lies down. Nodes
stand half a step above that face and every step from there; one layer more lies below it, for
interpolation alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from anodewane.geometry.rings import to_shapely
from anodewane.records import CastForm, CollarForm, MeshForm, Record, Template, TurnedForm, frozen_array
from anodewane.units import Floats, Floats32
from anodewane.wear.forms import cast_section, collar_radius, collar_section, turned_section

STEP_MM = 1.0
MOST_NODES = 900_000
MARGIN_STEPS = 2
TABLE_STEP_MM = 0.3
"""Grid of a section's distances, read by straight lines between: good to a hundredth of a millimetre away
from corners."""

DEPTHS = 40
"""Recessions at which a solid's volume and plan are kept."""


@dataclass(frozen=True, slots=True, eq=False)
class SolidField(Record):
    """A new part on a grid.

    depth_mm : float32 (nx, ny, nz), below the wetted surface, negative outside; dry_mm : the same below
    the surfaces that stay dry and lie in the grid, None where only the foot is dry; steel_mm : depth
    inside an insert, None without; origin_mm : (3,) of node (0, 0, 0), which lies half a step below the
    foot; step_mm : h.
    """

    depth_mm: Floats32
    dry_mm: Floats32 | None
    steel_mm: Floats32 | None
    origin_mm: Floats
    step_mm: float

    def __post_init__(self) -> None:
        self._set(origin_mm=frozen_array(self.origin_mm, np.float64, (3,), "origin_mm"))
        for array in (self.depth_mm, self.dry_mm, self.steel_mm):
            if array is not None:
                array.flags.writeable = False

    @property
    def height_mm(self) -> float:
        """Top of the grid."""
        return float(self.origin_mm[2] + self.step_mm * (self.depth_mm.shape[2] - 1))

    def metal_mm(self, recession_mm: float = 0.0) -> Floats32:
        """Depth inside the metal that is left, float32 (nx, ny, nz - 1): the layer below the foot is left
        out."""
        left = self.depth_mm[:, :, 1:] - np.float32(recession_mm)
        if self.dry_mm is not None:
            left = np.minimum(left, self.dry_mm[:, :, 1:])
        if self.steel_mm is not None:
            left = np.minimum(left, -self.steel_mm[:, :, 1:])
        out: Floats32 = left
        return out

    def volume_mm3(self, recession_mm: float = 0.0) -> float:
        """Volume of metal after an even recession."""
        return share_inside(self.metal_mm(recession_mm), self.step_mm) * self.step_mm**3

    def plan_depth_mm(self) -> Floats32:
        """(nx, ny) the recession that takes the last metal over each place of the plan."""
        depth = self.depth_mm[:, :, 1:]
        if self.dry_mm is not None:
            depth = np.where(self.dry_mm[:, :, 1:] > -0.3 * self.step_mm, depth, np.float32(-1e3))
        out: Floats32 = depth.max(axis=2)
        return out


def share_inside(depth: Any, step_mm: float) -> float:
    """Number of cells inside, each counted by the share that a depth at its middle stands for: exact for
    faces along the grid, and right on the mean for others."""
    return float(np.clip(0.5 + np.asarray(depth) / step_mm, 0.0, 1.0).sum(dtype=np.float64))


@lru_cache(maxsize=12)
def solid_field(template: Template, step_mm: float = 0.0) -> SolidField:
    """The template's solid on a grid of `step_mm` (0: a millimetre, or what keeps it under `MOST_NODES`).

    Raises
    ------
    ValueError
        For a rod, which lies on its side and has exact formulas of its own, and for a casting whose form
        is open (`open_form.likely_forms`).
    """
    if template.solid == "rod" or not template.profile_known:
        raise ValueError(f"solid_field: a {template.solid} has no one solid to lay on a grid")
    outer = np.asarray(template.rings[0])
    size = np.r_[np.ptp(outer, axis=0), template.thickness_mm]
    h = step_mm or max(STEP_MM, float(np.prod(size) / MOST_NODES) ** (1 / 3))
    low = outer.min(0) - MARGIN_STEPS * h
    nx, ny = (int(np.ceil((outer.max(0)[i] - low[i]) / h)) + MARGIN_STEPS + 1 for i in (0, 1))
    nz = int(np.ceil(template.thickness_mm / h)) + MARGIN_STEPS + 1
    origin = np.array([*low, -h / 2])
    x, y, z = (origin[i] + h * np.arange(n) for i, n in enumerate((nx, ny, nz)))
    depth, dry = _outer_depth(template, x, y, z)
    depth = np.minimum(depth, _hole_depth(template, x, y)[:, :, None])
    if template.mount == "open" and not isinstance(template.form, CollarForm):
        depth = np.minimum(depth, z.astype(np.float32))
    for hole in template.fixing_holes:
        if hole.counterbore_mm is not None and hole.counterbore_depth_mm is not None:
            centre = np.asarray(to_shapely((template.rings[hole.ring],)).centroid.coords[0])
            floor = _height_at(template, centre) - hole.counterbore_depth_mm
            _sink(depth, x, y, z, centre, hole.counterbore_mm / 2, floor)
    steel: Any = None
    for insert in template.inserts:
        flat = inside_mm(to_shapely(insert.rings), x, y)[:, :, None]
        mine = np.minimum(flat, np.minimum(z - insert.from_mm, insert.to_mm - z)).astype(np.float32)
        steel = mine if steel is None else np.maximum(steel, mine)
    return SolidField(np.ascontiguousarray(depth, np.float32), dry, steel, origin, h)


# --- the outer surface
# -----------------------------------------------------------------------------------------------


def _outer_depth(template: Template, x: Floats, y: Floats, z: Floats) -> tuple[Any, Any]:
    """Depth below the outer wetted surface (nx, ny, nz), holes not cut yet, and the depth below dry
    surfaces in the grid."""
    form, rows = template.form, z.astype(np.float32)
    if isinstance(form, TurnedForm):
        radius = np.hypot(x[:, None], y[None, :])
        table = _Table(turned_section(form), (0.0, float(radius.max())), (z[0], z[-1]))
        return table.over_plan(radius, z), None
    if isinstance(form, CollarForm):
        radius = np.hypot(y[:, None], z[None, :])
        table = _Table(collar_section(form), (x[0], x[-1]), (0.0, float(radius.max())))
        depth = table.at(np.repeat(x, radius.size), np.tile(radius.ravel(), len(x))).reshape(
            len(x), *radius.shape
        )
        dry = np.broadcast_to((radius - form.bore_mm / 2).astype(np.float32), depth.shape)
        return depth, np.ascontiguousarray(dry)
    if isinstance(form, MeshForm):
        from anodewane.wear.mesh_field import mesh_depth

        return mesh_depth(form, x, y, z, template.mount == "flush"), None
    inward = inside_mm(to_shapely(template.rings[:1]), x, y)
    if isinstance(form, CastForm):
        reach = float(inward.max())
        section = cast_section(template.thickness_mm, form, reach)
        table = _Table(section, (max(float(inward.min()), -6.0), reach), (z[0], z[-1]))
        return table.over_plan(inward, z), None
    return np.minimum(inward[:, :, None], np.float32(template.thickness_mm) - rows), None


class _Table:
    """Depth inside a section polygon on a fine grid, read by bilinear interpolation."""

    def __init__(self, section: Any, first: tuple[float, float], second: tuple[float, float]) -> None:
        import shapely

        a, b = (
            np.arange(lo - TABLE_STEP_MM, hi + 2 * TABLE_STEP_MM, TABLE_STEP_MM) for lo, hi in (first, second)
        )
        points = shapely.points(np.repeat(a, len(b)), np.tile(b, len(a)))
        shapely.prepare(section)
        edge = section.boundary
        shapely.prepare(edge)
        away = shapely.distance(edge, points)
        inside = shapely.contains_properly(section, points)
        self.values = np.where(inside, away, -away).astype(np.float32).reshape(len(a), len(b))
        self.start = (float(a[0]), float(b[0]))

    def at(self, first: Any, second: Any) -> Any:
        """Depths (n,) at points of the section."""
        import cv2

        column = ((np.asarray(second) - self.start[1]) / TABLE_STEP_MM).astype(np.float32)
        row = ((np.asarray(first) - self.start[0]) / TABLE_STEP_MM).astype(np.float32)
        out = np.empty(len(row), np.float32)
        for k in range(0, len(row), 30_000):  # OpenCV's remap takes at most 32767 rows
            part = slice(k, k + 30_000)
            args = (column[part, None], row[part, None], cv2.INTER_LINEAR)
            out[part] = cv2.remap(self.values, *args, borderMode=cv2.BORDER_REPLICATE)[:, 0]
        return out

    def over_plan(self, inward: Any, z: Floats) -> Any:
        """Depths (nx, ny, nz) where the section's first coordinate is given over the plan and its second
        is the height."""
        rows = (np.asarray(inward, np.float32) - self.start[0]) / np.float32(TABLE_STEP_MM)
        rows = np.clip(rows, 0.0, self.values.shape[0] - 1.001).ravel()
        upper = rows.astype(np.int32)
        share = (rows - upper)[:, None]
        at = np.clip((z - self.start[1]) / TABLE_STEP_MM, 0.0, self.values.shape[1] - 1.001)
        left = at.astype(np.int32)
        across = (at - left).astype(np.float32)
        heights = self.values[:, left] * (1 - across) + self.values[:, left + 1] * across
        out = heights[upper] * (1 - share) + heights[upper + 1] * share
        return out.reshape(*np.shape(inward), len(z))


def inside_mm(shape: Any, x: Floats, y: Floats) -> Any:
    """float32 (nx, ny) distance inside a plan shape, negative outside: exact."""
    import shapely

    points = shapely.points(np.repeat(x, len(y)), np.tile(y, len(x)))
    edge = shape.boundary
    shapely.prepare(edge)
    shapely.prepare(shape)
    away = shapely.distance(edge, points)
    inside = shapely.contains_properly(shape, points)
    return np.where(inside, away, -away).astype(np.float32).reshape(len(x), len(y))


def _hole_depth(template: Template, x: Floats, y: Floats) -> Any:
    """float32 (nx, ny) distance to the nearest hole's wall, negative in a hole; large without holes."""
    depth = np.full((len(x), len(y)), 1e3, np.float32)
    for ring in template.rings[1:]:
        depth = np.minimum(depth, -inside_mm(to_shapely((ring,)), x, y))
    return depth


def _height_at(template: Template, centre: Floats) -> float:
    """From which height a counterbore's depth counts."""
    form = template.form
    if isinstance(form, CollarForm):
        radius = float(collar_radius(form, centre[0]))
        return float(np.sqrt(max(radius**2 - centre[1] ** 2, 0.0)))
    return template.thickness_mm


def _sink(depth: Any, x: Floats, y: Floats, z: Floats, centre: Floats, radius: float, floor: float) -> None:
    """Cut a flat-floored round sinking into a depth field in place."""
    reach = radius + 40.0
    i, j = np.flatnonzero(np.abs(x - centre[0]) < reach), np.flatnonzero(np.abs(y - centre[1]) < reach)
    if not len(i) or not len(j):
        return
    part = np.ix_(i, j, np.arange(len(z)))
    within = (radius - np.hypot(x[i][:, None] - centre[0], y[j][None, :] - centre[1])).astype(np.float32)[
        :, :, None
    ]
    above = (z - floor).astype(np.float32)[None, None, :]
    outside = np.hypot(np.maximum(-within, 0), np.maximum(-above, 0))
    inside = np.minimum(within, above)
    depth[part] = np.minimum(depth[part], np.where(inside > 0, -inside, outside))
