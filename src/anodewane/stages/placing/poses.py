"""In which poses a worn plan lies in its template."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from anodewane.geometry.motion import Motion
from anodewane.geometry.rings import (
    polygons_of,
    resample_ring,
    ring_area,
    ring_centre,
    ring_length,
    to_shapely,
)
from anodewane.geometry.sampling import bilinear, cells
from anodewane.records import Template
from anodewane.stages.placing.silhouette import OUTLINE_STEP_MM, plan_area
from anodewane.units import Floats, Rings

FIELD_STEP_MM = 0.5
"""Grid of the template's distance field; recession itself is measured exactly, later."""

N_ANGLES = 48
N_STARTS = 5
HOLE_STARTS, HOLE_TURN_DEG, HOLE_ARM_MM = 4, 4.0, 8.0
"""How many turns that bring hole to hole are tried beside the others, how far from those, and how far from
the middle a hole must lie to tell a turn."""


@dataclass(frozen=True, slots=True, eq=False)
class DistanceField:
    """Signed distance to a template's boundary on a grid: negative in the metal. values (h, w);
    origin_mm of values[0, 0]; y grows with rows."""

    values: Floats
    origin_mm: Floats
    step_mm: float

    def at(self, points_mm: Floats) -> Floats:
        """Distances (n,) by bilinear interpolation, points beyond the grid at its edge's value plus how
        far beyond they lie."""
        q, beyond = self._cells_and_beyond(points_mm)
        out: Floats = bilinear(self.values, q[..., 0], q[..., 1]) + beyond
        return out

    def with_gradient(self, points_mm: Floats) -> tuple[Floats, Floats]:
        """Distances (n,) as `at`, and their gradient (n, 2)."""
        q, beyond = self._cells_and_beyond(points_mm)
        f = self.values
        x, y, u, v = cells(q[..., 0], q[..., 1], f.shape[1], f.shape[0])
        a, b, c, d = f[y, x], f[y, x + 1], f[y + 1, x], f[y + 1, x + 1]
        upper, lower_row = a + (b - a) * u, c + (d - c) * u
        slope = np.stack([(b - a) * (1 - v) + (d - c) * v, lower_row - upper], axis=-1) / self.step_mm
        return upper + (lower_row - upper) * v + beyond, slope

    def _cells_and_beyond(self, points_mm: Floats) -> tuple[Floats, Floats]:
        """Points in steps of the grid, and how far beyond the grid each lies, mm."""
        q = (points_mm - self.origin_mm) / self.step_mm
        off = (q - np.clip(q, 0, np.array(self.values.shape[::-1]) - 1.001)) * self.step_mm
        return q, np.hypot(off[..., 0], off[..., 1])


def distance_field(template: Template, margin_mm: float = 25.0) -> DistanceField:
    """The template's signed distance field, from a raster of the grid's step: good to about a step, the
    outline neither larger nor smaller than drawn on the whole."""
    import cv2

    outer = np.asarray(template.rings[0])
    step = max(FIELD_STEP_MM, float(np.ptp(outer, axis=0).max()) / 500)
    lo, hi = outer.min(0) - margin_mm, outer.max(0) + margin_mm
    w, h = (int(np.ceil((hi[i] - lo[i]) / step)) + 1 for i in (0, 1))
    raster = np.zeros((h, w), np.uint8)
    rings = [np.round((np.asarray(r) - lo) / step * 256).astype(np.int32) for r in template.rings]
    cv2.fillPoly(raster, rings, 255, cv2.LINE_8, 8)
    inside = cv2.distanceTransform(raster, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    outside = cv2.distanceTransform(255 - raster, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    # OpenCV paints the pixels that the boundary itself passes through as well: it lies on the outermost
    # painted centres, not half a pixel beyond
    signed = np.where(raster > 0, -(inside - 1.0), outside) * step
    return DistanceField(signed.astype(float), lo, step)


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """A motion from sheet to part frame, and how well it explains the worn outline (lower is better, mean
    per outline point)."""

    part_from_sheet: Motion
    cost: float


def _costs(distance: Floats, recession: Any, spread: Any) -> Floats:
    """Cost (..., ) of outlines whose points (..., n) lie `distance` from the template's boundary:
    outside is dear, unevenness inside is cheap and bounded."""
    out = np.maximum(distance, 0.0)
    uneven = np.abs(distance + recession) / spread
    cost: Floats = np.mean(
        np.minimum(out / OUT_SCALE_MM, OUT_MOST) ** 2 + np.minimum(uneven, 2.5) ** 2, axis=-1
    )
    return cost


def place(plan: tuple[Rings, ...], template: Template, recession_mm: float) -> list[Pose]:
    """Poses in which the worn plan (sheet frame) lies in its template, best first; each a local
    optimum, duplicates removed.

    Every pose is tried with the outline's mean recession and, for wear on one side, with none.
    """
    field = distance_field(template)
    points = np.vstack(
        [resample_ring(r, max(OUTLINE_STEP_MM, ring_length(piece[0]) / 240)) for piece in plan for r in piece]
    )
    polygon_centre = _centroid(plan)
    template_centre = _centroid((template.rings,))
    spread = 0.5 + 0.35 * recession_mm
    extent = float(np.ptp(np.asarray(template.rings[0]), axis=0).min())
    reach = np.clip((extent - np.sqrt(max(plan_area(plan), 1.0))) / 3, 1.5, 0.35 * extent)
    offsets = np.array([(x, y) for x in (-1, 0, 1) for y in (-1, 0, 1)], float) * reach
    coarse = points[:: max(1, len(points) // 90)]
    starts: list[tuple[float, float, Any, bool]] = []
    angles = np.arange(N_ANGLES) * 2 * np.pi / N_ANGLES
    turns = turned_by(angles)
    for mirrored in (False, True) if template.mirror_ok else (False,):
        flip = np.array([-1.0, 1.0]) if mirrored else np.ones(2)
        centred = (coarse - polygon_centre) * flip
        distance = field.at(
            (centred @ turns)[:, None] + (template_centre + offsets)[:, None]
        )  # (angles, offsets, points)
        cost = np.minimum(_costs(distance, recession_mm, spread), _costs(distance, 0.0, spread))
        best = np.argmin(cost, axis=1)
        shifts = template_centre + offsets[best] - (polygon_centre * flip) @ turns
        starts += [
            (float(c[k]), float(angle), shift, mirrored)
            for c, k, angle, shift in zip(cost, best, angles, shifts, strict=True)
        ]
    starts.sort(key=lambda x: x[0])
    chosen: list[tuple[float, float, Any, bool]] = []
    for start in starts:
        if all(
            start[3] != c[3] or abs(np.angle(np.exp(1j * (start[1] - c[1])))) > np.radians(12) for c in chosen
        ):
            chosen.append(start)
        if len(chosen) >= N_STARTS * (2 if template.mirror_ok else 1):
            break
    # rings and discs look alike at every turn but for their holes: try the turns that bring hole to hole
    by_holes = []
    for angle, mirrored in _turns_by_holes(plan, template, polygon_centre, template_centre):
        flip = np.array([-1.0, 1.0]) if mirrored else np.ones(2)
        shift = template_centre - (polygon_centre * flip) @ turned_by(angle)
        distance = field.at((coarse * flip) @ turned_by(angle) + shift)
        cost = min(_costs(distance, recession_mm, spread), _costs(distance, 0.0, spread))
        by_holes.append((float(cost), angle, shift, mirrored))
    near = np.radians(HOLE_TURN_DEG)
    room = len(chosen) + HOLE_STARTS
    for start in sorted(by_holes, key=lambda x: x[0]):
        if len(chosen) < room and all(
            start[3] != c[3] or abs(np.angle(np.exp(1j * (start[1] - c[1])))) > near for c in chosen
        ):
            chosen.append(start)
    tried = [
        (start, assumed)
        for start in chosen
        for assumed in ((recession_mm, 0.0) if recession_mm > 1.0 else (recession_mm,))
    ]
    flips = np.array([(-1.0 if start[3] else 1.0, 1.0) for start, _ in tried])
    pivots = polygon_centre * flips
    here = points * flips[:, None]
    begun = np.array([start[1] for start, _ in tried])
    at_pivots = np.einsum("ki,kij->kj", pivots, turned_by(begun)) + np.array([start[2] for start, _ in tried])
    misfit = _Misfit(field, here - pivots[:, None], np.array([assumed for _, assumed in tried]), spread)
    found = _least_squares(misfit, np.column_stack([begun, at_pivots]))
    poses = []
    for (_, _, _, mirrored), pose, mine, pivot in zip(
        (start for start, _ in tried), found, here, pivots, strict=True
    ):
        moved = pose[1:3] - pivot @ turned_by(pose[0])
        distance = field.at(mine @ turned_by(pose[0]) + moved)
        fitted = float(min(_costs(distance, recession_mm, spread), _costs(distance, 0.0, spread)))
        poses.append(Pose(Motion.of(float(pose[0]), moved, mirrored=mirrored), fitted))
    poses.sort(key=lambda x: x.cost)
    kept: list[Pose] = []
    for pose in poses:
        if all(_differs(pose, other, polygon_centre) for other in kept):
            kept.append(pose)
    return kept


def _turns_by_holes(
    plan: tuple[Rings, ...], template: Template, plan_centre: Floats, template_centre: Floats
) -> list[tuple[float, bool]]:
    """Turns (rad, mirrored) that bring a hole of the plan onto one of the template's, about the centres."""
    drawn = [ring_centre(np.asarray(r)) - template_centre for r in template.rings[1:]]
    seen = [ring_centre(r) - plan_centre for piece in plan for r in piece[1:] if abs(ring_area(r)) > 4.0]
    turns = []
    for mirrored in (False, True) if template.mirror_ok else (False,):
        for d in drawn:
            for s in seen:
                at = s * np.array([-1.0, 1.0]) if mirrored else s
                far, near = float(np.linalg.norm(d)), float(np.linalg.norm(at))
                if min(far, near) > HOLE_ARM_MM and 0.7 < near / far < 1.4:
                    turn = np.arctan2(d[1], d[0]) - np.arctan2(at[1], at[0])
                    turns.append((float(turn), mirrored))
    return turns


def turned_by(angle_rad: Any) -> Floats:
    """(..., 2, 2) matrices that turn row vectors anticlockwise."""
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    return np.moveaxis(np.array([[c, s], [-s, c]]), (0, 1), (-2, -1))


OUT_SCALE_MM, OUT_MOST, INNER_WEIGHT = 0.6, 8.0, 1.4


@dataclass(frozen=True, slots=True, eq=False)
class _Misfit:
    """Residuals (K, 2 n) of K poses (K, 3: angle, shift of the pivot) of outlines (K, n, 2): points
    outside the template, and points not `assumed_mm` (K,) inside it.

    The second are bounded by a logarithm, with a slope everywhere, so that the solver is never stranded.
    """

    field: DistanceField
    points_mm: Floats
    assumed_mm: Floats
    spread_mm: float

    def of(self, which: Any) -> _Misfit:
        return _Misfit(self.field, self.points_mm[which], self.assumed_mm[which], self.spread_mm)

    def __call__(self, poses: Floats) -> Floats:
        distance = self.field.at(self.points_mm @ turned_by(poses[:, 0]) + poses[:, None, 1:3])
        u = (distance + self.assumed_mm[:, None]) / self.spread_mm
        return np.concatenate(
            [np.clip(distance / OUT_SCALE_MM, 0.0, OUT_MOST), INNER_WEIGHT * np.sqrt(np.log1p(u * u) + 1e-9)],
            axis=1,
        )

    def slopes(self, poses: Floats) -> Floats:
        """Jacobians (K, 2 n, 3)."""
        turned = self.points_mm @ turned_by(poses[:, 0])
        distance, slope = self.field.with_gradient(turned + poses[:, None, 1:3])
        by_pose = np.stack(
            [slope[..., 1] * turned[..., 0] - slope[..., 0] * turned[..., 1], slope[..., 0], slope[..., 1]],
            axis=-1,
        )
        out = np.where((distance > 0) & (distance < OUT_MOST * OUT_SCALE_MM), 1 / OUT_SCALE_MM, 0.0)
        u = (distance + self.assumed_mm[:, None]) / self.spread_mm
        inner = INNER_WEIGHT * u / (1 + u * u) / self.spread_mm / np.sqrt(np.log1p(u * u) + 1e-9)
        return np.concatenate([out[..., None] * by_pose, inner[..., None] * by_pose], axis=1)


def _least_squares(misfit: _Misfit, poses: Floats, rounds: int = 24, least_gain: float = 1e-5) -> Floats:
    """Settle K poses (K, 3) into their nearest least squares all at once (Levenberg 1944, Marquardt 1963).

    scipy solves one such problem at a time, and its own bookkeeping for ten of them takes longer than
    all the arithmetic.
    """
    poses = poses.copy()
    left = np.arange(len(poses))
    damping = np.full(len(poses), 1e-3)
    for _ in range(rounds):
        mine = misfit.of(left)
        residuals, slopes = mine(poses[left]), mine.slopes(poses[left])
        square = slopes.transpose(0, 2, 1) @ slopes
        damped = square + damping[left, None, None] * (square * np.eye(3)) + 1e-12 * np.eye(3)
        step = np.linalg.solve(damped, slopes.transpose(0, 2, 1) @ residuals[..., None])[..., 0]
        before, after = (residuals**2).sum(1), (mine(poses[left] - step) ** 2).sum(1)
        better = after < before
        poses[left[better]] -= step[better]
        damping[left] *= np.where(better, 0.1, 10.0)
        settled = np.where(better, before - after < least_gain * before, damping[left] > 1e6)
        left = left[~settled]
        if not len(left):
            break
    return poses


def _differs(a: Pose, b: Pose, centre: Floats) -> bool:
    one, other = a.part_from_sheet, b.part_from_sheet
    turn = abs(np.angle(np.exp(1j * (one.angle_rad - other.angle_rad))))
    moved = np.linalg.norm(one.apply(centre) - other.apply(centre))
    return bool(one.mirrored != other.mirrored or turn > np.radians(4) or moved > 2.0)


def _centroid(pieces: tuple[Rings, ...]) -> Floats:
    from shapely import MultiPolygon

    shape = MultiPolygon([p for piece in pieces for p in polygons_of(to_shapely(piece))])
    return np.array([shape.centroid.x, shape.centroid.y])


def same_by_symmetry(template: Template, a: Pose, b: Pose) -> bool:
    """Whether two poses differ by a motion that lays the template onto itself."""
    from shapely import Polygon

    ring = np.asarray(template.rings[0])
    moved = b.part_from_sheet.compose(a.part_from_sheet.inverse()).apply(ring)
    return bool(Polygon(moved).symmetric_difference(Polygon(ring)).area < 0.04 * abs(ring_area(ring)))
