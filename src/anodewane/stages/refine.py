"""Place the edge: the segmenter says what is metal, the light along the edge's normals says where it
ends to a fraction of a pixel."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from anodewane.errors import UsageError
from anodewane.geometry.camera import project
from anodewane.geometry.rings import oriented, resample_ring, ring_area, ring_normals
from anodewane.geometry.sampling import bilinear, linear_light, parabola_top
from anodewane.records import MetalMask, Photo, Plane, SoftMask
from anodewane.settings import Settings
from anodewane.units import Floats, Rings

MIN_ISLAND_MM2 = 4.0
MIN_HOLE_MM2 = 2.0
EDGE_SD_MM = 0.15
"""One-sigma of the whole outline's bias at best."""

CLASSICAL_EDGE_SD_MM = 0.5
"""The same for the classical segmenter's outlines that pass its own gate
(docs/decisions/0006-classical.md)."""


# every stage takes the settings
def refine(photo: Photo, plane: Plane, soft: SoftMask, settings: Settings) -> MetalMask:  # noqa: ARG001
    """Trace the metal's edge in the photo.

    The `METAL_LEVEL` of the soft mask (marching squares, Lorensen and Cline 1987, by
    `skimage.measure.find_contours`) is carried into the photo; each of its points then moves along its
    normal to where the light, taken linear, changes fastest between the metal's side and the ground's.
    Moves are weighted by contrast, smoothed along the outline and gated: where no clear edge is seen,
    the segmenter's contour stays.

    Returns
    -------
    MetalMask
        Rings in photo px as recorded (lens distortion included).

    Raises
    ------
    CannotJudge
        "no_part" when nothing is left after specks are dropped.
    """
    return trace(photo, soft, lambda ring: project(plane.camera, np.c_[ring, np.zeros(len(ring))]))


def trace(photo: Photo, soft: SoftMask, to_px: Callable[[Floats], Floats]) -> MetalMask:
    """`refine` for a soft mask on any grid: `to_px` carries its points (n, 2), as if they were sheet
    mm, into the photo.

    Raises
    ------
    CannotJudge
        "no_part" when nothing is left after specks are dropped.
    """
    from anodewane.errors import CannotJudge

    s = soft.mm_per_px
    rings = [
        r
        for r in _contours(soft)
        if abs(ring_area(r)) >= (MIN_ISLAND_MM2 if ring_area(r) > 0 else MIN_HOLE_MM2)
    ]
    outers = [r for r in rings if ring_area(r) > 0]
    if not outers:
        raise CannotJudge("no_part", f"no piece of {MIN_ISLAND_MM2:.0f} mm2 or more")
    rgb = np.asarray(photo.rgb)
    moved: list[Floats] = []
    contrast: list[Any] = []
    for ring in rings:
        px = to_px(ring)
        # travel so that the metal lies on the left and the normal points out of it
        px = px if (ring_area(px) > 0) == (ring_area(ring) > 0) else px[::-1].copy()
        span_px = float(
            np.linalg.norm(np.diff(px, axis=0), axis=1).sum()
            / max(1e-9, np.linalg.norm(np.diff(ring, axis=0), axis=1).sum())
        )
        px = resample_ring(px, max(1.2, len(px) / 6000))
        new, clear = _to_edge(rgb, px, flat_px=s * span_px)
        moved.append(new)
        contrast.append(clear)
    clear_share = float(np.mean(np.concatenate(contrast)))
    pieces = _nest(moved)
    touches = any(_touches(p[0], rgb.shape) for p in pieces)
    return MetalMask(pieces, _edge_sd_mm(soft, clear_share), touches, soft.segmenter, soft.model_sha256, ())


def _contours(soft: SoftMask) -> list[Floats]:
    """The soft mask's `METAL_LEVEL` (the network's `NETWORK_LEVEL`) as rings in sheet mm: outer ones
    anticlockwise (y up), holes clockwise."""
    from skimage.measure import find_contours

    level = NETWORK_LEVEL if soft.segmenter == "network" else METAL_LEVEL
    s = soft.mm_per_px
    padded = np.pad(np.asarray(soft.metal_prob, np.float64), 1)
    rings = []
    for c in find_contours(padded, level):  # type: ignore[no-untyped-call]
        if len(c) < 5:
            continue
        q = c[:-1, ::-1] - 1
        ring = np.column_stack([soft.origin_mm[0] + q[:, 0] * s, soft.origin_mm[1] - q[:, 1] * s])
        # find_contours keeps the high side on one hand: decide outer or hole by what lies inside
        # instead of by its convention
        rings.append(ring if _is_outer(padded, c, level) == (ring_area(ring) > 0) else ring[::-1].copy())
    return rings


def _is_outer(padded: Any, contour_rc: Any, level: float) -> bool:
    """Whether the metal lies inside a contour (row, col): looks half a pixel to the inner side
    of its points."""
    area = ring_area(contour_rc[:-1])
    normal = ring_normals(contour_rc[:-1], 1) * (1 if area > 0 else -1)
    inner = contour_rc[:-1] - 0.5 * normal
    return float(np.mean(bilinear(padded, inner[:, 1], inner[:, 0]))) > level


def _smooth_along(values: Any, sigma: float) -> Any:
    """Gaussian along a closed outline (first axis)."""
    from scipy.ndimage import gaussian_filter1d

    return gaussian_filter1d(values, sigma, axis=0, mode="wrap") if len(values) > 4 else values


STEP_PX = 0.5
"""Spacing of the samples along a normal."""

GATE_FLAT_PX = 0.7
"""Farthest believed move, in pixels of the soft mask. Wider gates pull it onto the edge between top
face and side wall (docs/decisions/0020-segmenter.md)."""

PRIOR_GATES = 0.5
"""One-sigma of where the edge lies about the segmenter's contour, in gates."""

MOVE_SIGMA = 5.0
"""Outline points over which moves are smoothed."""

METAL_LEVEL, NETWORK_LEVEL = 0.4, 0.3
"""Levels of a soft mask at which the metal's edge is traced. The network's is where its edge shows no
bias on training photos that were held out; at 0.5 dark side walls are cut off."""


def _to_edge(rgb: Any, ring: Floats, flat_px: float) -> tuple[Floats, Any]:
    """Move a ring (n, 2) of photo points onto the edge. Returns the moved ring, and (n,) 0 to 1 how
    clear the edge was.

    `flat_px` : photo pixels that one pixel of the soft mask spans; moves beyond `GATE_FLAT_PX` of them
    are not believed.
    """
    from scipy.ndimage import median_filter

    n = len(ring)
    if n < 12:
        return ring, np.zeros(n)
    gate = float(np.clip(GATE_FLAT_PX * flat_px, 1.0, 9.0))
    reach = gate + 2.0
    t = np.arange(-np.ceil(reach / STEP_PX), np.ceil(reach / STEP_PX) + 1) * STEP_PX
    normal = ring_normals(ring, max(1, min(3, n // 8)))
    x, y = ring[:, :1] + normal[:, :1] * t, ring[:, 1:] + normal[:, 1:] * t
    light = linear_light(rgb, x, y)  # (n, T, 3)
    # per-channel square root keeps dark metal on dark ground from drowning, but the edge of a blurred
    # step lies at the steepest LINEAR light
    light = _smooth_along(light, 1.2)
    inner, outer = light[:, t <= -reach * 0.45].mean(1), light[:, t >= reach * 0.45].mean(1)
    way = _smooth_along(outer - inner, 3.0)
    step_size = np.linalg.norm(way, axis=1)
    way = way / np.maximum(step_size, 1e-6)[:, None]
    profile = np.einsum("ntc,nc->nt", light, way)
    slope = np.gradient(profile, STEP_PX, axis=1)
    slope = (slope[:, :-2] + 2 * slope[:, 1:-1] + slope[:, 2:]) / 4
    ts = t[1:-1]
    prior = np.exp(-0.5 * (ts / (PRIOR_GATES * gate)) ** 2)
    score = np.clip(slope, 0, None) * prior
    score[:, np.abs(ts) > gate] = 0
    best = np.argmax(score, axis=1)
    rows = np.arange(n)
    k = np.clip(best, 1, len(ts) - 2)
    # the top of slope times prior needn't be that of the slope: a whole step of room
    shift = parabola_top(slope[rows, k - 1], slope[rows, k], slope[rows, k + 1], most=1.0)
    move = ts[k] + shift * STEP_PX
    # clear: a step well above the texture on both sides, and a peak that carries much of it
    texture = (
        0.5 * (light[:, t <= -reach * 0.45].std(1).mean(1) + light[:, t >= reach * 0.45].std(1).mean(1))
        + 0.004
    )
    clear = np.clip((step_size / texture - 1.0) / 4.0, 0, 1) * np.clip(
        score[rows, best] * 3.0 / np.maximum(step_size, 1e-6), 0, 1
    )
    clear[score[rows, best] <= 0] = 0
    move = np.where(clear > 0, move, 0.0)
    width = min(11, (n // 2) * 2 - 1)
    typical = median_filter(move, size=width, mode="wrap")
    clear = clear * np.exp(-0.5 * ((move - typical) / (0.35 * gate)) ** 2)
    weight = _smooth_along(clear, MOVE_SIGMA) + 0.03
    smooth = _smooth_along(clear * move, MOVE_SIGMA) / weight
    return ring + normal * np.clip(smooth, -gate, gate)[:, None], clear


def _edge_sd_mm(soft: SoftMask, clear_share: float) -> float:
    """One-sigma of the outline's common bias: EDGE_SD_MM where the edge is clear, up to a third of a
    soft-mask pixel or of its ramp where it isn't."""
    p = np.asarray(soft.metal_prob, float)
    gy, gx = np.gradient(p)
    near = (p > 0.25) & (p < 0.75)
    slope = np.hypot(gx, gy)[near]
    ramp_px = 1.0 / max(0.05, float(np.median(slope))) if len(slope) else 4.0
    doubt = 0.12 * max(0.0, ramp_px - 2.0) * soft.mm_per_px + 0.25 * soft.mm_per_px * (1 - clear_share)
    return float(np.hypot(CLASSICAL_EDGE_SD_MM if soft.segmenter == "classical" else EDGE_SD_MM, doubt))


def _nest(rings: list[Floats]) -> tuple[Rings, ...]:
    """Put holes (negative area) into the pieces that hold them; pieces by size, largest first."""
    from shapely import Point, Polygon

    outers = sorted((r for r in rings if ring_area(r) > 0), key=lambda r: -ring_area(r))
    shapes = [Polygon(r).buffer(0) for r in outers]
    holes: list[list[Floats]] = [[] for _ in outers]
    for ring in rings:
        if ring_area(ring) >= 0:
            continue
        inside = [i for i, shape in enumerate(shapes) if shape.contains(Point(ring[0]))]
        if inside:
            holes[inside[-1]].append(ring)
    return tuple(
        oriented((o, *sorted(h, key=lambda r: -abs(ring_area(r)))))
        for o, h in zip(outers, holes, strict=True)
    )


NEAR_FRAME_FRAC = 0.002
"""Of the photo's longer side: how near its frame an outline may run and still be whole. A network's metal
fades within a pixel or two of the frame, and the outline of a part that is cut then closes just inside."""


def _touches(ring: Floats, shape: tuple[int, ...]) -> bool:
    """Whether an outline meets the photo's frame, or runs along it closer than a network can tell."""
    h, w = shape[:2]
    inside = np.minimum(ring, np.array([w, h]) - 1 - ring).min(axis=1)
    near = max(1.0, NEAR_FRAME_FRAC * max(h, w))
    step = float(np.median(np.linalg.norm(np.diff(ring, axis=0), axis=1)))
    return bool((inside < 1).any() or (inside < near).sum() * step > 3 * near)


# --- handed in -----------------------------------------------------------------------------------

MANUAL_EDGE_SD_MM = 0.2


def mask_from_pixels(mask: Any) -> MetalMask:
    """Take a handed mask for the metal.

    Parameters
    ----------
    mask : ndarray
        uint8 (H, W) in photo pixels, 0 not metal to 255 metal; in between, the share of the pixel
        that is metal.

    Raises
    ------
    UsageError
        The mask isn't (H, W) or holds no metal.
    """
    from skimage.measure import find_contours

    array = np.asarray(mask)
    if array.ndim != 2:
        raise UsageError(
            f"The mask has the shape {array.shape}.",
            "Hand in one grey channel, as tall and as wide as the photo.",
        )
    rows, cols = np.flatnonzero(array.max(1) > 127), np.flatnonzero(array.max(0) > 127)
    if len(rows) == 0:
        raise UsageError("The mask holds no metal.", "Paint the metal white (255) on black.")
    top, left = max(0, rows[0] - 3), max(0, cols[0] - 3)
    padded = np.pad(array[top : rows[-1] + 4, left : cols[-1] + 4].astype(np.float64), 1)
    rings = []
    for c in find_contours(padded, 127.5):  # type: ignore[no-untyped-call]
        if len(c) < 5:
            continue
        ring = c[:-1, ::-1] - 1 + [left, top]
        outer = _is_outer(padded / 255.0, c, 0.5)
        if abs(ring_area(ring)) >= 9:
            rings.append(ring if outer == (ring_area(ring) > 0) else ring[::-1].copy())
    if not any(ring_area(r) > 0 for r in rings):
        raise UsageError("The mask holds no metal.", "Paint the metal white (255) on black.")
    pieces = _nest(rings)
    return MetalMask(
        pieces, MANUAL_EDGE_SD_MM, any(_touches(p[0], array.shape) for p in pieces), "manual", None, ()
    )


def mask_from_rings(rings_px: Any) -> MetalMask:
    """Take handed rings (photo px) for the metal's outline: a ring inside an odd number of others is a
    hole, the rest are pieces.

    Raises
    ------
    UsageError
        No ring encloses any area, or two cross.
    """
    from shapely import Point, Polygon

    rings = [np.asarray(r, float).reshape(-1, 2) for r in rings_px]
    rings = [r[:-1] if len(r) > 3 and np.array_equal(r[0], r[-1]) else r for r in rings]
    rings = [r for r in rings if len(r) >= 3 and abs(ring_area(r)) > 0]
    if not rings:
        raise UsageError(
            "The outline holds no closed ring.",
            "Draw the metal's edge as one closed shape, with its holes as shapes inside it.",
        )
    shapes = [Polygon(r) for r in rings]
    for shape in shapes:
        if not shape.is_valid:
            raise UsageError("The outline crosses itself.", "Untangle the crossing and hand it in again.")
    out = []
    for i, ring in enumerate(rings):
        depth = sum(1 for k, shape in enumerate(shapes) if k != i and shape.contains(Point(ring[0])))
        out.append(ring if (ring_area(ring) > 0) == (depth % 2 == 0) else ring[::-1].copy())
    return MetalMask(_nest(out), MANUAL_EDGE_SD_MM, False, "manual", None, ())
