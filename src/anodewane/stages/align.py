"""Lay the template where the part lies, and turn the silhouette into the worn part's plan outline.

The camera sees each point of the silhouette at some height above the sheet
(`anodewane.wear.edge_height`); taking that height out needs the thickness that remains, which follows
from the recession, which follows from the plan outline: two or three rounds settle it. The template is
placed by its fixing holes where two are seen, else by containment: a worn part lies inside the new one,
most of its edge about equally far inside. Overlap is not maximised: that would centre the remnant and
hide one-sided wear.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from anodewane.errors import CannotJudge
from anodewane.geometry.camera import to_height
from anodewane.geometry.rings import (
    oriented,
    pieces_to_shapely,
    polygons_of,
    resample_ring,
    ring_area,
    ring_length,
    ring_normals,
    rings_area,
    to_shapely,
)
from anodewane.records import Camera, MetalMask, Placement, Plane, Template
from anodewane.settings import Settings
from anodewane.units import Floats, Rings
from anodewane.wear.edge_height import Wall, lower, round_height, sight_slope, wall_height, worn_wall
from anodewane.wear.solids import new_area, recession_near_area

OUTLINE_STEP_MM = 0.8
"""Spacing of the points that stand for an outline."""

THICKNESS_STEP_MM = 0.02
"""How closely remaining thickness and outline are brought together."""

NORMAL_REACH = 3
"""Points on each side over which an outline's direction is taken."""


# --- from silhouette to plan ---------------------------------------------------------------------


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


# --- how thick it still is -----------------------------------------------------------------------


LOST_MOST_FRAC = 0.94
"""Of the new thickness, the most that the face law may take away, so that something is left to
lie on the sheet."""


def expected_thickness(template: Template, recession_mm: float, settings: Settings) -> tuple[float, float]:
    """Mean thickness that remains where the outline has receded by `recession_mm`, and its one-sigma (mm).

    ``lost = M tanh((k d - e (1 - exp(-k d / e))) / M)``: after the first tenths of a millimetre the
    faces waste k times as fast as the outline recedes; later, where a face wears through, that place
    leaves the plan instead, and the mean thickness of what is left levels off at M. k and M differ from
    part to part (`face_*` of the settings). `face_scale` multiplies all of it, as weighed parts of the
    template say (`book.calibrate`).
    """
    flush = template.mount == "flush"
    ratio, most_frac = (
        (settings.face_ratio_flush, settings.face_most_flush)
        if flush
        else (settings.face_ratio_open, settings.face_most_open)
    )
    most = most_frac * template.thickness_mm
    # the first tenths of a millimetre are as likely a rounded edge or an error of the outline as
    # wear of the face
    reach = ratio * max(recession_mm, 0.0)
    reach -= settings.face_late_mm * (1 - float(np.exp(-reach / settings.face_late_mm)))
    lost = min(
        settings.face_scale * most * float(np.tanh(reach / most)), LOST_MOST_FRAC * template.thickness_mm
    )
    sd = float(
        np.hypot(np.hypot(settings.face_ratio_sd, settings.face_scale_sd) * lost, settings.face_floor_sd_mm)
    )
    return template.thickness_mm - lost, sd


def settle_plate(
    seen: Silhouette, template: Template, settings: Settings, hidden_mm2: float = 0.0
) -> tuple[tuple[Rings, ...], tuple[tuple[Floats, ...], ...], float, float]:
    """Plan outline, heights, remaining thickness and its one-sigma, from the silhouette's own area
    alone; `hidden_mm2` is the area of holes that aren't seen."""
    if settings.thickness_given_mm is not None:
        plan, heights = plate_plan(seen, template, settings.thickness_given_mm)
        return plan, heights, settings.thickness_given_mm, 0.3
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


# --- laying the template -------------------------------------------------------------------------

FIELD_STEP_MM = 0.5
"""Grid of the template's distance field; recession itself is measured exactly, later."""

N_ANGLES = 48
N_STARTS = 5


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
        f, (x, y), (u, v), beyond = self._cell(points_mm)
        out: Floats = (
            (f[y, x] * (1 - u) + f[y, x + 1] * u) * (1 - v)
            + (f[y + 1, x] * (1 - u) + f[y + 1, x + 1] * u) * v
            + beyond
        )
        return out

    def with_gradient(self, points_mm: Floats) -> tuple[Floats, Floats]:
        """Distances (n,) as `at`, and their gradient (n, 2)."""
        f, (x, y), (u, v), beyond = self._cell(points_mm)
        a, b, c, d = f[y, x], f[y, x + 1], f[y + 1, x], f[y + 1, x + 1]
        upper, lower_row = a + (b - a) * u, c + (d - c) * u
        slope = np.stack([(b - a) * (1 - v) + (d - c) * v, lower_row - upper], axis=-1) / self.step_mm
        return upper + (lower_row - upper) * v + beyond, slope

    def _cell(self, points_mm: Floats) -> tuple[Floats, tuple[Any, Any], tuple[Floats, Floats], Floats]:
        q = (points_mm - self.origin_mm) / self.step_mm
        inside = np.clip(q, 0, np.array([self.values.shape[1] - 1.001, self.values.shape[0] - 1.001]))
        off = (q - inside) * self.step_mm
        i = inside.astype(int)
        part = inside - i
        return (
            self.values,
            (i[..., 0], i[..., 1]),
            (part[..., 0], part[..., 1]),
            np.hypot(off[..., 0], off[..., 1]),
        )


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
    """A rigid motion from sheet to part frame, and how well it explains the worn outline (lower is
    better, mean per outline point)."""

    angle_rad: float
    shift_mm: Floats
    mirrored: bool
    cost: float

    def to_part(self, points_mm: Floats) -> Floats:
        """Sheet points (n, 2) in the part frame."""
        p = points_mm * np.array([-1.0, 1.0]) if self.mirrored else points_mm
        out: Floats = p @ _turn(self.angle_rad) + self.shift_mm
        return out

    def matrix_sheet_from_part(self) -> Floats:
        """(2, 3) inverse of the motion."""
        back = _turn(self.angle_rad)
        if self.mirrored:
            back = np.diag([-1.0, 1.0]) @ back
        return np.column_stack([back, -back @ self.shift_mm])


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
    turns = _turn(angles)
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
    tried = [
        (start, assumed)
        for start in chosen
        for assumed in ((recession_mm, 0.0) if recession_mm > 1.0 else (recession_mm,))
    ]
    flips = np.array([(-1.0 if start[3] else 1.0, 1.0) for start, _ in tried])
    pivots = polygon_centre * flips
    here = points * flips[:, None]
    begun = np.array([start[1] for start, _ in tried])
    at_pivots = np.einsum("ki,kij->kj", pivots, _turn(begun)) + np.array([start[2] for start, _ in tried])
    misfit = _Misfit(field, here - pivots[:, None], np.array([assumed for _, assumed in tried]), spread)
    found = _least_squares(misfit, np.column_stack([begun, at_pivots]))
    poses = []
    for (_, _, _, mirrored), pose, mine, pivot in zip(
        (start for start, _ in tried), found, here, pivots, strict=True
    ):
        moved = pose[1:3] - pivot @ _turn(pose[0])
        distance = field.at(mine @ _turn(pose[0]) + moved)
        fitted = float(min(_costs(distance, recession_mm, spread), _costs(distance, 0.0, spread)))
        poses.append(Pose(float(pose[0]), moved, mirrored, fitted))
    poses.sort(key=lambda x: x.cost)
    kept: list[Pose] = []
    for pose in poses:
        if all(_differs(pose, other, polygon_centre) for other in kept):
            kept.append(pose)
    return kept


def _turn(angle_rad: Any) -> Floats:
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
        distance = self.field.at(self.points_mm @ _turn(poses[:, 0]) + poses[:, None, 1:3])
        u = (distance + self.assumed_mm[:, None]) / self.spread_mm
        return np.concatenate(
            [np.clip(distance / OUT_SCALE_MM, 0.0, OUT_MOST), INNER_WEIGHT * np.sqrt(np.log1p(u * u) + 1e-9)],
            axis=1,
        )

    def slopes(self, poses: Floats) -> Floats:
        """Jacobians (K, 2 n, 3)."""
        turned = self.points_mm @ _turn(poses[:, 0])
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
    turn = abs(np.angle(np.exp(1j * (a.angle_rad - b.angle_rad))))
    moved = np.linalg.norm(a.to_part(centre[None]) - b.to_part(centre[None]))
    return bool(a.mirrored != b.mirrored or turn > np.radians(4) or moved > 2.0)


def _centroid(pieces: tuple[Rings, ...]) -> Floats:
    from shapely import MultiPolygon

    shape = MultiPolygon([p for piece in pieces for p in polygons_of(to_shapely(piece))])
    return np.array([shape.centroid.x, shape.centroid.y])


# --- the stage -----------------------------------------------------------------------------------


def settle(
    seen: Silhouette, template: Template, settings: Settings, hidden_mm2: float = 0.0
) -> tuple[Any, Any, float, float]:
    """Plan outline (sheet frame), heights, remaining thickness and its one-sigma, for a plate or a rod."""
    if template.solid == "rod":
        plan, heights, radius = rod_plan(seen, template)
        return plan, heights, 2 * radius, 0.03 * radius
    return settle_plate(seen, template, settings, hidden_mm2)


def align(mask: MetalMask, plane: Plane, template: Template, settings: Settings) -> Placement:
    """Take the part's height out of its silhouette and lay the template where the part lies.

    Parameters
    ----------
    mask : MetalMask
    plane : Plane
    template : Template
    settings : Settings
        Uses `face_*`, `thickness_given_mm`, `outside_max_frac`, `hole_pitch_max_frac`, `speck_frac`.

    Raises
    ------
    CannotJudge
        "template_does_not_fit", "hole_pitch", "thickness_does_not_fit", "part_unclear".
    """
    given = settings.thickness_given_mm
    if given is not None and not 0.02 * template.thickness_mm < given < 1.1 * template.thickness_mm:
        raise CannotJudge("thickness_does_not_fit", f"{given:g} mm given, {template.thickness_mm:.1f} mm new")
    placement = lay(mask, plane, template, settings)
    left = plan_area(placement.plan_mm) / new_area(template)
    if mask.segmenter != "manual" and left < settings.speck_frac:
        raise CannotJudge("part_unclear", f"what was found is {100 * left:.1f} % of the new part's area")
    # the larger part of "too large" is named first: a wrong print scale shows in the holes before it
    # shows in the outline
    scale, scale_sd = placement.hole_pitch_scale, placement.hole_pitch_scale_sd
    if (
        scale is not None
        and scale_sd is not None
        and abs(scale - 1) > max(settings.hole_pitch_max_frac, 3.3 * scale_sd)
    ):
        raise CannotJudge(
            "hole_pitch",
            f"they measure {100 * scale:.1f} % of the template's pitch, give or take {100 * scale_sd:.1f} %",
        )
    if placement.outside_frac > settings.outside_max_frac:
        raise CannotJudge(
            "template_does_not_fit",
            f"{100 * placement.outside_frac:.0f} % of the new part's area lies outside it",
        )
    return placement


def lay(mask: MetalMask, plane: Plane, template: Template, settings: Settings) -> Placement:
    """`align` without its refusals: the best placement, however bad."""
    seen = silhouette_of(mask, plane.camera)
    plan, heights, thickness, thickness_sd = settle(seen, template, settings)
    recession = recession_near_area(template, min(plan_area(plan), new_area(template)))
    poses = place(plan, template, recession)
    filled_mm2 = 0.0
    if mask.segmenter != "manual":
        # a person's outline means what it shows; a segmenter's holes are read against the template's
        seen, filled_mm2, changed = _read_holes(seen, template, poses[0], thickness)
        if changed:
            plan, heights, thickness, thickness_sd = settle(seen, template, settings)
            recession = recession_near_area(template, min(plan_area(plan), new_area(template)))
            poses = place(plan, template, recession)
    best, anchored_by, residual = poses[0], "outline", None

    def wall_seen(at_mm: Floats) -> float:
        trusted = mask.segmenter == "manual"
        return (
            0.0
            if trusted
            else thickness * float(np.linalg.norm(at_mm - seen.foot_mm)) / (seen.camera_height_mm - thickness)
        )

    pairs = _hole_pairs(plan, template, best, wall_seen)
    scale = scale_sd = None
    if len(pairs) >= 2:
        apart = max(float(np.linalg.norm(a.drawn_mm - b.drawn_mm)) for a in pairs for b in pairs)
        if apart > GAUGE_MIN_PITCH_MM:
            scale, scale_sd = _pitch_scale(pairs)
        if apart > 15.0 and np.mean([p.growth_mm for p in pairs]) < ANCHOR_MAX_GROWTH_MM:
            anchored, miss = _pose_by_holes(pairs, best)
            # holes that wear askew move their centres by a millimetre; far worse means they are not
            # the template's
            if miss < 2.0:
                best, anchored_by, residual = anchored, "holes", miss
    hidden = _hidden_holes(plan, template, best, seen, thickness) if template.solid == "plate" else ()
    if hidden:
        unseen_mm2 = sum(abs(ring_area(np.asarray(template.rings[i]))) for i in hidden)
        plan, heights, thickness, thickness_sd = settle(seen, template, settings, unseen_mm2)
    ambiguous = (
        anchored_by == "outline"
        and len(poses) > 1
        and poses[1].cost < best.cost + 0.05
        and not _same_by_symmetry(template, poses[0], poses[1])
    )
    part_plan = tuple(oriented(tuple(best.to_part(r) for r in piece)) for piece in plan)
    # a mirrored pose turns the rings round: keep each height with its point
    part_heights = tuple(
        tuple(
            h if _same_direction(best.to_part(r), turned) else h[::-1]
            for r, h, turned in zip(piece, hs, out, strict=True)
        )
        for piece, hs, out in zip(plan, heights, part_plan, strict=True)
    )
    if hidden:
        rings = tuple(np.asarray(template.rings[i]) for i in hidden)
        part_plan = (oriented((*part_plan[0], *rings)), *part_plan[1:])
        part_heights = (
            (*part_heights[0], *(np.full(len(r), thickness / 2) for r in rings)),
            *part_heights[1:],
        )
    worn = pieces_to_shapely(part_plan)
    fresh = to_shapely(template.rings)
    return Placement(
        template=template,
        sheet_from_part=best.matrix_sheet_from_part(),
        mirrored=best.mirrored,
        plan_mm=part_plan,
        limb_height_mm=part_heights,
        remaining_thickness_mm=float(thickness),
        thickness_sd_mm=float(thickness_sd),
        anchored_by=anchored_by + (", ambiguous" if ambiguous else ""),
        ambiguous=ambiguous,
        hole_pitch_scale=scale,
        hole_pitch_scale_sd=scale_sd,
        residual_mm=residual,
        outside_frac=float(worn.difference(fresh.buffer(OUTSIDE_SLACK_MM)).area / fresh.area),
        fit_cost=best.cost,
        hidden_rings=hidden,
        filled_mm2=filled_mm2,
    )


ROUND = 2 / np.sqrt(np.pi)
"""Diameter of a circle over the square root of its area."""

OUTSIDE_SLACK_MM = 0.8
"""How far a worn outline may stick out before it counts: edge, height and casting errors together."""

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


def _read_holes(
    seen: Silhouette, template: Template, pose: Pose, thickness_mm: float
) -> tuple[Silhouette, float, bool]:
    """Read a segmenter's holes by the template: which show the upper rim rather than what one sees
    through, and which are no holes.

    Returns the silhouette, the area that was filled (mm2) and whether anything changed.
    """
    from dataclasses import replace

    from shapely import MultiPolygon, Polygon, prepare

    back = pose.matrix_sheet_from_part()
    grow = seen.camera_height_mm / (seen.camera_height_mm - thickness_mm)
    rims = []
    for ring in template.rings[1:]:
        low = np.asarray(ring) @ back[:, :2].T + back[:, 2]
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
    narrow, wide = -0.45 * float(np.sqrt(low.area / np.pi)), 20.0
    for _ in range(12):
        middle = (narrow + wide) / 2
        opening = low.buffer(middle).intersection(up.buffer(middle))
        narrow, wide = (middle, wide) if opening.area < area_mm2 else (narrow, middle)
    return low.buffer(wide).intersection(up.buffer(wide))


def _likeness(a: Any, b: Any) -> float:
    """Overlap over union of two shapes."""
    return float(a.intersection(b).area / max(a.union(b).area, 1e-9))


HIDDEN_BELOW_FRAC = 0.3
"""Share of a hole's area that a camera must be able to see through it before its absence means anything."""


def _hidden_holes(
    plan: tuple[Rings, ...], template: Template, pose: Pose, seen: Silhouette, thickness_mm: float
) -> tuple[int, ...]:
    """Indices of template rings whose holes the camera can't look through from where it stands: a deep
    hole seen from the side shows only its wall.

    Light comes through where the lower rim and the upper rim, as seen in the sheet's plane, overlap.
    """
    from shapely import Polygon

    back = pose.matrix_sheet_from_part()
    metal = pieces_to_shapely(plan)
    grow = seen.camera_height_mm / (seen.camera_height_mm - thickness_mm)
    hidden = []
    for i, ring in enumerate(template.rings[1:], start=1):
        lower_rim = np.asarray(ring) @ back[:, :2].T + back[:, 2]
        hole = Polygon(lower_rim)
        through = (
            hole.intersection(Polygon(seen.foot_mm + (lower_rim - seen.foot_mm) * grow)).area / hole.area
        )
        if through < HIDDEN_BELOW_FRAC and metal.intersection(hole).area > 0.6 * hole.area:
            hidden.append(i)
    return tuple(hidden)


def _same_direction(a: Floats, b: Floats) -> bool:
    return bool(np.allclose(a[0], b[0]))


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


def _hole_pairs(
    plan: tuple[Rings, ...], template: Template, pose: Pose, wall: Callable[[Floats], float]
) -> list[HolePair]:
    """Every template hole that is still a hole of its own; `wall` gives the wall seen (mm) in a hole at
    a place of the sheet frame."""
    holes = [r for piece in plan for r in piece[1:] if abs(ring_area(r)) > LEAST_HOLE_MM2]
    worn = [_ring_centre(r) for r in holes]
    sizes = [np.sqrt(abs(ring_area(r))) for r in holes]
    pairs = []
    for ring in template.rings[1:]:
        centre, size = _ring_centre(ring), np.sqrt(abs(ring_area(ring)))
        near = [
            (float(np.linalg.norm(pose.to_part(w[None])[0] - centre)), w, s)
            for w, s in zip(worn, sizes, strict=True)
            if 0.6 * size - 1 < s < 1.6 * size + 8
        ]
        if near:
            distance, w, s = min(near, key=lambda x: x[0])
            if distance < 3.0 + 0.25 * size:
                pairs.append(HolePair(w, centre, ROUND * (s - size), wall(w)))
    return pairs


def _ring_centre(ring: Floats) -> Floats:
    x, y = ring[:, 0], ring[:, 1]
    cross = x * np.roll(y, -1) - np.roll(x, -1) * y
    area = cross.sum() / 2
    centre: Floats = np.array(
        [np.sum((x + np.roll(x, -1)) * cross), np.sum((y + np.roll(y, -1)) * cross)]
    ) / (6 * area)
    return centre


def _pitch_scale(pairs: list[HolePair]) -> tuple[float, float]:
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


def _pose_by_holes(pairs: list[HolePair], near: Pose) -> tuple[Pose, float]:
    """Rigid fit of the hole centres (Kabsch 1976), keeping the given pose's hand, and the rms miss in mm."""
    sheet = np.array([p.seen_mm for p in pairs]) * (np.array([-1.0, 1.0]) if near.mirrored else 1.0)
    part = np.array([p.drawn_mm for p in pairs])
    a, b = sheet - sheet.mean(0), part - part.mean(0)
    angle = float(np.arctan2(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]), np.sum(a * b)))
    miss = float(np.sqrt(np.mean(np.sum((a @ _turn(angle) - b) ** 2, axis=1))))
    return Pose(angle, part.mean(0) - sheet.mean(0) @ _turn(angle), near.mirrored, near.cost), miss


def _same_by_symmetry(template: Template, a: Pose, b: Pose) -> bool:
    """Whether two poses differ by a motion that lays the template onto itself."""
    from shapely import Polygon

    ring = np.asarray(template.rings[0])
    back = a.matrix_sheet_from_part()
    moved = b.to_part(ring @ back[:, :2].T + back[:, 2])
    return bool(Polygon(moved).symmetric_difference(Polygon(ring)).area < 0.04 * abs(ring_area(ring)))


def choose_template(
    mask: MetalMask, plane: Plane, templates: tuple[Template, ...], settings: Settings
) -> Template:
    """The template of a library that explains the part best.

    Raises
    ------
    CannotJudge
        "template_unclear" where two explain it alike, "template_does_not_fit" where none does.

    Notes
    -----
    A larger template always contains the part. What tells it apart is evenness: a part recedes about equally all round. Each template is scored by the mean negative
    log-likelihood of the outline's points given its own recession, whose spread grows with it.
    """
    scored = []
    for template in templates:
        if not _could_be(mask, plane, template):
            continue
        placement = lay(mask, plane, template, settings)
        if placement.outside_frac > settings.outside_max_frac:
            continue
        recession = recession_near_area(template, min(plan_area(placement.plan_mm), new_area(template)))
        missing = sum(1 for _ in template.rings[1:]) - sum(len(p) - 1 for p in placement.plan_mm)
        scored.append(
            (placement.fit_cost / 2 + float(np.log(0.5 + 0.35 * recession)) + 0.4 * abs(missing), template)
        )
    if not scored:
        raise CannotJudge("template_does_not_fit", f"none of {len(templates)} in the library holds it")
    scored.sort(key=lambda x: x[0])
    if scored[0][0] > settings.template_max_score:
        raise CannotJudge(
            "template_does_not_fit", f"'{scored[0][1].name}' comes nearest, and not near enough"
        )
    alike = [t.name for s, t in scored if s < scored[0][0] + settings.template_margin]
    if len(alike) > 1:
        raise CannotJudge("template_unclear", " and ".join(f"'{n}'" for n in alike[:3]))
    return scored[0][1]


def _could_be(mask: MetalMask, plane: Plane, template: Template) -> bool:
    """Cheap bounds before the costly fit: the part, seen at the template's top, is no larger than it,
    walls seen from the side allowed for, and not a speck of it."""
    top = to_height(plane.camera, mask.pieces_px[0][0], template.thickness_mm)
    seen, room = _extent(top), _extent(np.asarray(template.rings[0]))
    walls = (
        template.thickness_mm
        * float(np.linalg.norm(top.mean(0) - plane.camera.position_mm[:2]))
        / (float(plane.camera.position_mm[2]) - template.thickness_mm)
    )
    return bool(
        seen[0] < 1.05 * np.hypot(*room) + walls
        and seen[1] < 1.05 * room[0] + walls
        and abs(ring_area(top)) > 0.08 * new_area(template)
    )


def _extent(ring: Floats) -> Floats:
    """Sides of the smallest rectangle round a ring, mm, longer first."""
    import cv2

    return np.sort(np.array(cv2.minAreaRect(np.asarray(ring, np.float32))[1], float))[::-1]
