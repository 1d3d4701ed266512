"""An outline that a person painted or dragged on the photo. Dragged rings are taken as they are; where a
finger painted, the edge snaps to where the light changes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from anodewane.errors import UsageError
from anodewane.geometry.rings import resample_ring, ring_normals
from anodewane.stages.refine import mask_from_pixels, mask_from_rings
from anodewane.units import SRGB_TO_LINEAR

if TYPE_CHECKING:
    from anodewane.records import MetalMask, Photo

SNAP_SHARE, MAX_SNAP = 1.3, 0.01
"""How far a painted edge may snap: times the brush's radius, and at most this share of the photo's long
side."""

STEP_COST, FAR_COST = 0.06, 0.12
"""Of the path of least cost, in units of a usual edge: one half pixel's step between neighbours, and a
move as far as the reach."""


@dataclass(frozen=True, slots=True)
class Stroke:
    """One stroke of the finger."""

    metal: bool
    """Whether it paints metal, or takes metal away."""
    radius_px: float
    points_px: Any
    """(n, 2), upright photo."""


def painted_mask(photo: Photo, rings_px: Sequence[Any], strokes: Sequence[Stroke]) -> MetalMask:
    """The metal as a person outlined it.

    Parameters
    ----------
    photo : Photo
    rings_px : sequence of array (n, 2)
        Outlines, upright photo.
    strokes : sequence of Stroke
        Painted over them, in this order.

    Raises
    ------
    UsageError
        Nothing is left, or the outline crosses itself.
    """
    if not strokes:
        return mask_from_rings(rings_px)
    canvas, reach = _painted(photo.rgb.shape[:2], rings_px, strokes)
    try:
        mask = mask_from_pixels(canvas)
    except UsageError as e:
        raise UsageError(
            "Nothing that was painted as metal is left.", "Undo the last strokes, or paint the metal."
        ) from e
    outlines = [np.asarray(ring) for piece in mask.pieces_px for ring in piece]
    try:
        return mask_from_rings([snapped(np.asarray(photo.rgb), ring, reach) for ring in outlines])
    except UsageError:  # two snapped edges met: the paint itself is taken
        return mask


def _painted(shape: tuple[int, ...], rings_px: Sequence[Any], strokes: Sequence[Stroke]) -> tuple[Any, Any]:
    """The paint (H, W), 255 where there is metal, and how far off its edge may be there (H, W), px."""
    import cv2

    canvas = np.zeros(shape, np.uint8)
    reach = np.zeros_like(canvas)

    def fixed(points: Any) -> Any:  # OpenCV's fixed point: sixteenths of a pixel
        return np.round(points * 16).astype(np.int32).reshape(-1, 1, 2)

    if rings_px:
        cv2.fillPoly(canvas, [fixed(r) for r in rings_px], 255, cv2.LINE_AA, 4)
    for s in strokes:
        wide = max(1, round(2 * s.radius_px))
        line = fixed(s.points_px if len(s.points_px) > 1 else np.vstack([s.points_px, s.points_px]))
        cv2.polylines(canvas, [line], False, 255 if s.metal else 0, wide, cv2.LINE_AA, 4)
        far = min(max(SNAP_SHARE * s.radius_px, 2.0), MAX_SNAP * max(shape), 250)
        cv2.polylines(reach, [line], False, round(far), wide + 6, cv2.LINE_8, 4)
    return canvas, reach


def snapped(rgb: Any, ring: Any, reach_px: Any) -> Any:
    """A ring (n, 2), photo px, moved along its normals to the strongest edge within reach where
    `reach_px` (H, W) says so, and left alone elsewhere.

    The moves are chosen together, so that neighbours move alike: the path of least cost through (point,
    move), by dynamic programming (Viterbi). The light is taken linear, as an edge under blur lies where
    linear light changes fastest.
    """
    from scipy.ndimage import gaussian_filter1d

    ring = resample_ring(ring, 1.5)
    if len(ring) < 12:
        return ring
    i, j = np.clip(np.round(ring).astype(int), 0, np.array(rgb.shape[1::-1]) - 1).T
    reach = reach_px[j, i].astype(float)
    if not reach.any():
        return ring
    first = int(np.argmin(reach))  # the path begins where nothing moves, if there is such a place
    ring, reach = np.roll(ring, -first, 0), np.roll(reach, -first)
    moves = np.arange(-2 * int(reach.max()), 2 * int(reach.max()) + 1) / 2
    normal = ring_normals(ring, 4)
    gradient = _gradient_along(rgb, ring, normal, moves)
    near = reach > 0
    # what the edge looks like where nobody painted: texture inside the part is no edge beside it
    usual = float(np.median(gradient[~near, len(moves) // 2])) if (~near).sum() >= 20 else 0.0
    cost = -gradient / max(1e-9, usual, float(np.percentile(gradient[near].max(1), 75)))
    far = (moves[None] / np.maximum(reach, 1.0)[:, None]) ** 2
    within = np.abs(moves)[None] <= np.maximum(reach, 0.25)[:, None]
    chosen = _least_cost_path(np.where(within, cost + FAR_COST * far, 1e6))
    move = gaussian_filter1d(moves[chosen], 1.5, mode="wrap")
    return np.where(near[:, None], ring + normal * move[:, None], ring)


def _gradient_along(rgb: Any, ring: Any, normal: Any, moves: Any) -> Any:
    """How fast linear light changes along each point's normal: (n, moves)."""
    import cv2
    from scipy.ndimage import gaussian_filter

    x, y = ring[:, :1] + normal[:, :1] * moves, ring[:, 1:] + normal[:, 1:] * moves
    samples: Any = cv2.remap(
        rgb, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    light = np.stack(
        [
            gaussian_filter(SRGB_TO_LINEAR[samples[..., c]].astype(float), 2.0, mode=("wrap", "nearest"))
            for c in range(3)
        ],
        -1,
    )
    return np.linalg.norm(np.gradient(light, axis=1), axis=2)


def _least_cost_path(cost: Any) -> Any:
    """A column for each row of `cost` (n, m), neighbours at most one column apart, of least sum."""
    n = len(cost)
    total, came = cost[0].copy(), np.zeros(cost.shape, np.int8)
    for k in range(1, n):
        options = np.stack(
            [np.r_[np.inf, total[:-1]] + STEP_COST, total, np.r_[total[1:], np.inf] + STEP_COST]
        )
        came[k] = options.argmin(0) - 1
        total = options.min(0) + cost[k]
    at = np.zeros(n, int)
    at[-1] = int(total.argmin())
    for k in range(n - 1, 0, -1):
        at[k - 1] = at[k] + came[k][at[k]]
    return at
