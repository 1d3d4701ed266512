"""The profile of a new part from the silhouettes that several cameras see of it.

A casting's level set at the height z is its outline moved inward by u(z). Every camera sees the union of its
level sets, each projected from its own height, so a silhouette follows from outline and profile without a
grid. The profile is a polyline (0, 0), (a, `KNEE` H), (b, H) with round edges; the outline is what the photo
from above leaves when the walls that it sees are taken off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from anodewane.geometry.camera import project, to_height
from anodewane.geometry.rings import resample_ring, ring_area, ring_normals
from anodewane.records import Camera, CastForm
from anodewane.units import Floats
from anodewane.wear.forms import cast_section

KNEE = 0.55
"""At which share of its height a profile may bend."""

POINTS = 150
"""Of each silhouette that are compared."""

CORRELATED_POINTS = 8.0
"""How many neighbouring points of a silhouette err alike."""

SHIFT_SD_PX = 1.0
"""How far a low photo may stand beside where its camera was found."""

WEIGHED_SD_FRAC = 0.01
"""One-sigma of a volume from a weight: kitchen scales and the alloy's density."""

EVEN_SD_FRAC = 0.012
"""One-sigma of the volume beside what the fit says: an outline good to a quarter of a millimetre, a profile
that is no polyline."""

WORST_RMS = 3.0
"""A silhouette that fits so many times worse than the median was seen wrongly and is left out."""

SIMPLE_MM = 0.08
"""Farthest that an outline is straightened where it is drawn again and again."""

MAX_EDGE_MM = 8.0
CONVEX_SHARE = 0.985
"""An outline that fills so much of its hull is taken for convex."""


@dataclass(frozen=True, slots=True, eq=False)
class Contour:
    """A silhouette as one camera saw it: its outer ring (n, 2) in photo pixels."""

    camera: Camera
    ring_px: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """A new part's outer solid, holes not taken out.

    outline_mm : (n, 2) in the sheet frame; section_mm : (3, 2) inward distance and height; section_sd_mm :
    (2,) one-sigma of its two distances; edge_radius_mm, edge_radius_sd_mm; volume_mm3, volume_sd_mm3;
    rms_px : how far each low silhouette lies from the fitted one, None for one that was left out.
    """

    outline_mm: Floats
    section_mm: Floats
    section_sd_mm: Floats
    edge_radius_mm: float
    edge_radius_sd_mm: float
    volume_mm3: float
    volume_sd_mm3: float
    rms_px: tuple[float | None, ...]


def outline_under(above: Contour, thickness_mm: float, form: CastForm) -> Floats:
    """Outline (n, 2) in the sheet frame of a part of known form, from its silhouette in the photo from
    above."""
    return _ring(_outline(above, _levels(thickness_mm, form)))


def fit_profile(
    above: Contour, low: Sequence[Contour], thickness_mm: float, volume_mm3: float | None = None
) -> Profile:
    """Fit a part's profile.

    Parameters
    ----------
    above : Contour
        From the photo from above, which gives the outline.
    low : sequence of Contour
        At least one, from half-way up or lower.
    thickness_mm : float
        Its height, measured.
    volume_mm3 : float, optional
        Of the outer solid, by its weight; see `WEIGHED_SD_FRAC`.
    """
    kept = list(range(len(low)))
    contours = [Contour(c.camera, _even(c.ring_px)) for c in low]
    start = np.array([0.1 * thickness_mm, 0.1 * thickness_mm, 2.0])
    while True:
        problem = _Problem(above, [contours[i] for i in kept], thickness_mm, volume_mm3)
        found = problem.solved(start)
        each = problem.silhouette_residuals(found.x)
        rms = [float(np.sqrt(np.mean(r**2))) for r in each]
        good = [r <= WORST_RMS * max(float(np.median(rms)), 1.0) for r in rms]
        if all(good) or len(kept) <= 2:
            break
        kept, start = [k for k, ok in zip(kept, good, strict=True) if ok], found.x
    by_view = dict(zip(kept, rms, strict=True))
    return problem.profile(found, tuple(by_view.get(i) for i in range(len(low))))


class _Problem:
    """Residuals of the profile (a, b - a, edge radius) for least squares."""

    def __init__(
        self, above: Contour, low: list[Contour], thickness_mm: float, volume_mm3: float | None
    ) -> None:
        self.above, self.low, self.height, self.volume = above, low, thickness_mm, volume_mm3

    def form(self, t: Floats) -> CastForm:
        section = np.array([(0.0, 0.0), (t[0], KNEE * self.height), (t[0] + t[1], self.height)])
        return CastForm(None, float(max(t[2], 0.01)), None, section)

    def solid(self, t: Floats) -> tuple[Any, Floats]:
        levels = _levels(self.height, self.form(t))
        return _outline(self.above, levels), levels

    def silhouette_residuals(self, t: Floats) -> list[Floats]:
        outline, levels = self.solid(t)
        drawn = outline.simplify(SIMPLE_MM)
        return [_apart(c, _silhouette(c.camera, drawn, levels)) for c in self.low]

    def residuals(self, t: Floats) -> Floats:
        rows = np.concatenate(self.silhouette_residuals(t))
        if self.volume is None:
            return rows
        # the silhouettes' points err in runs: the weight counts as many times more
        off = (_volume(*self.solid(t)) / self.volume - 1) / WEIGHED_SD_FRAC
        both: Floats = np.r_[rows, off * np.sqrt(CORRELATED_POINTS)]
        return both

    def solved(self, start: Floats) -> Any:
        from scipy.optimize import least_squares

        top = np.array([self.height, 2 * self.height, MAX_EDGE_MM])
        return least_squares(
            self.residuals,
            np.clip(start, 0.01, top - 0.01),
            bounds=(np.zeros(3), top),
            loss="soft_l1",
            x_scale=[3.0, 3.0, 2.0],
            diff_step=0.02,
            max_nfev=12,
        )

    def profile(self, found: Any, rms_px: tuple[float | None, ...]) -> Profile:
        t = np.asarray(found.x, float)
        outline, levels = self.solid(t)
        volume = _volume(outline, levels)
        rows = self.residuals(t)
        variance = CORRELATED_POINTS * max(float(np.mean(np.minimum(rows**2, 9.0))), 0.05)
        information = found.jac.T @ found.jac / variance + np.diag([1e-3, 1e-3, 1 / 16])
        cov = np.linalg.inv(information)
        steps = np.array([0.2, 0.2, 0.3])
        slope = np.array(
            [(_volume(*self.solid(t + d)) - volume) / d[i] for i, d in enumerate(np.diag(steps))]
        )
        sd = float(np.sqrt(slope @ cov @ slope + (EVEN_SD_FRAC * volume) ** 2))
        if self.volume is not None:
            sd = min(sd, WEIGHED_SD_FRAC * volume)
        one, both = np.sqrt(cov[0, 0]), np.sqrt(cov[0, 0] + cov[1, 1] + 2 * cov[0, 1])
        section = np.asarray(self.form(t).section_mm)
        return Profile(
            _ring(outline),
            np.column_stack([np.round(section[:, 0], 2), np.round(section[:, 1], 6)]),
            np.array([one, both]),
            round(float(t[2]), 2),
            float(np.sqrt(cov[2, 2])),
            volume,
            sd,
            rms_px,
        )


# --- inside ----------------------------------------------------------------------------------------------


def _levels(thickness_mm: float, form: CastForm) -> Floats:
    """Heights and inward distances (n, 2) of level sets, closer together where edges are round."""
    import shapely

    heights = np.r_[np.linspace(0.0, KNEE * thickness_mm, 4), np.linspace(KNEE, 1.0, 13)[1:] * thickness_mm]
    heights[-1] -= 1e-3
    section = cast_section(thickness_mm, form, 200.0)
    lines = shapely.linestrings([[(-50.0, z), (300.0, z)] for z in heights])
    inward = shapely.bounds(shapely.intersection(section, lines))[:, 0]
    return np.column_stack([heights, np.maximum(np.nan_to_num(inward, nan=300.0), 0.0)])


def _outline(above: Contour, levels: Floats) -> Any:
    """The largest outline of which no level set sticks out of the silhouette: drawn to each level's height,
    the silhouette bounds that level, and grown by the level's inward distance it bounds the outline."""
    import shapely
    from shapely import affinity

    camera = above.camera
    foot, height = tuple(camera.position_mm[:2]), float(camera.position_mm[2])
    seen = shapely.Polygon(to_height(camera, above.ring_px, 0.0)).buffer(0).simplify(SIMPLE_MM)
    left = seen
    for z, u in levels:
        share = (height - z) / height
        level = affinity.scale(seen, share, share, origin=foot)
        left = left.intersection(level.buffer(u, join_style="mitre", mitre_limit=2.0))
    return max(shapely.get_parts(left), key=lambda p: p.area)


def _silhouette(camera: Camera, outline: Any, levels: Floats) -> Any:
    """What a camera sees of a solid, in photo pixels: its level sets, and what lies between two neighbours,
    which of a convex outline is their hull."""
    import shapely

    def seen(at: tuple[float, float]) -> list[Any]:
        z, u = at
        rings = [np.asarray(p.exterior.coords)[:-1] for p in shapely.get_parts(outline.buffer(-u)) if p.area]
        return [shapely.Polygon(project(camera, np.c_[xy, np.full(len(xy), z)])).buffer(0) for xy in rings]

    if outline.area < CONVEX_SHARE * outline.convex_hull.area:
        finer = np.linspace(levels[0, 0], levels[-1, 0], 3 * len(levels))
        steps = np.column_stack([finer, np.interp(finer, levels[:, 0], levels[:, 1])])
        return shapely.union_all([p for at in steps for p in seen(tuple(at))])
    each = [shapely.union_all(seen(tuple(at))) for at in levels]
    pairs = [shapely.union_all([a, b]).convex_hull for a, b in pairwise(each) if not b.is_empty]
    return shapely.union_all([each[0], *pairs])


def _apart(contour: Contour, silhouette: Any) -> Floats:
    """Signed distances (n,), px, of a contour's points from a silhouette, the best shift of the whole taken
    out."""
    import shapely

    points = shapely.points(contour.ring_px)
    off = shapely.distance(silhouette.boundary, points)
    off = np.where(shapely.contains(silhouette, points), -off, off)
    normal = ring_normals(contour.ring_px, 3)
    weight = (1 / (1 + (off / 2) ** 2))[:, None]
    prior = np.eye(2) * CORRELATED_POINTS / SHIFT_SD_PX**2
    shift = np.linalg.solve((weight * normal).T @ normal + prior, (weight * normal).T @ off)
    out: Floats = off - normal @ shift
    return out


def _volume(outline: Any, levels: Floats) -> float:
    areas = [outline.buffer(-u, quad_segs=8).area for _, u in levels]
    return float(np.trapezoid(areas, levels[:, 0]))


def _even(ring_px: Floats) -> Floats:
    """`POINTS` even points, running anticlockwise so that normals point outward."""
    ring = np.asarray(ring_px, float)
    length = float(np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1).sum())
    even = resample_ring(ring, length / POINTS)
    return even if ring_area(even) > 0 else even[::-1].copy()


def _ring(polygon: Any) -> Floats:
    return np.asarray(polygon.exterior.coords)[:-1]
