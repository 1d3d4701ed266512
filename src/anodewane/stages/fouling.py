"""Say where barnacles and weed stand over the metal's edge: the outline leaves them off, and the record
must not keep quiet about it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from anodewane.geometry.camera import project, to_height
from anodewane.geometry.rings import oriented, resample_ring, ring_area, ring_normals
from anodewane.geometry.sampling import linear_light
from anodewane.records import MetalMask, Photo, Plane, SheetLayout
from anodewane.units import Bools, Floats

STEP_MM = 0.5
"""Spacing of the places along the outline, and of the grid that tells metal from ground."""

BESIDE_MM = np.array([0.8, 1.2, 1.6, 2.0, 2.6])
"""Where fouling is looked for, mm outside the outline."""

GROUND_MM = np.array([5.0, 6.5, 8.0, 10.0])
"""Where bare ground is taken from, mm outside the outline."""

GROUND_REACH_MM = 15.0
"""The ground is that of so much of the outline to either side: a sunlit board between shaded ones
isn't fouling."""

GROUND_QUANTILE = 0.95
"""How bright ground gets there: at 0.88 blades of grass and bright stones were taken for shells."""

PEAK_LOG, EDGE_LOG = 0.45, 0.25
"""Natural logarithm of the light beside the metal over that of the brightest ground near by, in the
channel where it is least: what a place must reach, and where it ends (docs/decisions/0021-fouling.md)."""

MIN_RUN_MM, MAX_RUN_MM = 1.5, 20.0
"""Longer stretches are a strip of sunlit wall or a thing that lies beside the part."""

MIN_OPENING_MM2 = 1000.0
"""Holes smaller than this aren't looked into: there is no bare ground in them, and sunlight on their
walls looks like fouling."""

SHEET_MARGIN_MM = 1.0

FOULED_EDGE_SD_MM = 0.15
"""One-sigma that fouling beside the edge adds to the outline's common bias: where some of it is seen,
more lies on the edge unseen."""


def say_fouling(photo: Photo, plane: Plane, layout: SheetLayout, mask: MetalMask) -> MetalMask:
    """The same outline, with how much of its edge is fouled, and less sure of itself where any is.

    Fouling is something beside the metal that is brighter than all ground near by in every channel,
    which no shade explains, and that ends within `MAX_RUN_MM`. So dark weed isn't seen, nor is anything
    on the sheet's own white paper. Nothing is looked for in an outline that a person handed in.

    Returns
    -------
    MetalMask
        `fouled_mm` holds the length of the places, one number each; `edge_sd_mm` is wider if there are any.
    """
    if mask.segmenter == "manual":
        return mask
    places = fouled_places(photo, plane, layout, mask)
    if not places:
        return mask
    return replace(
        mask,
        edge_sd_mm=float(np.hypot(mask.edge_sd_mm, FOULED_EDGE_SD_MM)),
        fouled_mm=tuple(length for length, _ in places),
    )


def fouled_places(
    photo: Photo, plane: Plane, layout: SheetLayout, mask: MetalMask
) -> list[tuple[float, Floats]]:
    """Places of the outline with fouling beside them: length along the edge, mm, and middle (2,),
    sheet frame mm."""
    pieces = [
        oriented(tuple(resample_ring(to_height(plane.camera, ring, 0.0), STEP_MM) for ring in piece))
        for piece in mask.pieces_px
    ]
    metal = _Raster(pieces)
    half_mm = np.array(layout.size_mm) / 2 * plane.print_scale + SHEET_MARGIN_MM
    found = []
    for ring in (r for piece in pieces for r in piece):
        if ring_area(ring) < 0 and -ring_area(ring) < MIN_OPENING_MM2:
            continue
        excess = _excess(photo, plane, half_mm, metal, ring)
        for first, count in _runs(excess > EDGE_LOG):
            at = (first + np.arange(count)) % len(ring)
            if MIN_RUN_MM <= count * STEP_MM <= MAX_RUN_MM and excess[at].max() > PEAK_LOG:
                found.append((count * STEP_MM, ring[at].mean(0)))
    return found


class _Raster:
    """Which points of the sheet's plane show metal."""

    def __init__(self, pieces: list[Any]) -> None:
        import cv2

        points = np.vstack([r for piece in pieces for r in piece])
        self.low = points.min(0) - 2 * STEP_MM
        self.size = np.ceil((points.max(0) - self.low) / STEP_MM).astype(int) + 3
        self.grid = np.zeros((self.size[1], self.size[0]), np.uint8)
        for piece in pieces:
            cv2.fillPoly(self.grid, [np.round((r - self.low) / STEP_MM).astype(np.int32) for r in piece], 1)

    def __call__(self, points_mm: Floats) -> Bools:
        # its rim is ground, so what lies off it is too
        at = np.clip(np.round((points_mm - self.low) / STEP_MM).astype(np.intp), 0, self.size - 1)
        out: Bools = self.grid[at[..., 1], at[..., 0]] > 0
        return out


def _excess(photo: Photo, plane: Plane, half_mm: Floats, metal: _Raster, ring: Floats) -> Floats:
    """Light beside each point of a ring (n,) over that of the ground near by, as a logarithm, in the
    least channel; -inf where it can't be said."""
    from scipy.ndimage import gaussian_filter1d, percentile_filter

    n, near = len(ring), len(BESIDE_MM)
    points = ring[:, None] + ring_normals(ring, 4)[:, None] * np.r_[BESIDE_MM, GROUND_MM][:, None]
    px = project(
        plane.camera, np.c_[points.reshape(-1, 2), np.zeros(points.shape[0] * points.shape[1])]
    ).reshape(points.shape)
    height, width = photo.rgb.shape[:2]
    lost = metal(points) | (px < 0).any(-1) | (px > [width - 1, height - 1]).any(-1)
    light = np.asarray(linear_light(np.asarray(photo.rgb), px[..., 0], px[..., 1]), np.float32)
    ground = np.where(lost[:, near:, None], np.float32(-1), light[:, near:]).max(1)
    window = min(2 * round(GROUND_REACH_MM / STEP_MM) + 1, n // 2 * 2 - 1)
    ground = percentile_filter(ground, 100 * GROUND_QUANTILE, size=(window, 1), mode="wrap")
    beside = gaussian_filter1d(light[:, :near], 1.0, axis=0, mode="wrap")
    ratio = np.log((beside + 0.01) / (np.maximum(ground, 0)[:, None] + 0.01)).min(-1)
    ratio[
        lost[:, :near] | (np.abs(points[:, :near]) < half_mm).all(-1) | (ground.min(-1) < 0)[:, None]
    ] = -np.inf
    # at two distances at least: a single one is the blur of the edge
    out: Floats = np.sort(ratio, axis=1)[:, -2]
    return out


def _runs(on: Bools) -> list[tuple[int, int]]:
    """First index and length of each stretch of a closed ring on which `on` (n,) holds."""
    if on.all() or not on.any():
        return [(0, len(on))] if on.any() else []
    start = int(np.flatnonzero(~on)[0])
    change = np.diff(np.r_[0, np.roll(on, -start).astype(int), 0])
    first, past = np.flatnonzero(change == 1), np.flatnonzero(change == -1)
    return [((int(a) + start) % len(on), int(b - a)) for a, b in zip(first, past, strict=True)]
