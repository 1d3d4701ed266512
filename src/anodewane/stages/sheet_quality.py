"""How sharp and how bright a sheet is in a photo: the spread of its printed edges, the light of its paper
and of its ink."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np

from anodewane.geometry.camera import apply_homography
from anodewane.geometry.sampling import bilinear
from anodewane.records import SheetLayout
from anodewane.units import SRGB_TO_LINEAR, Floats

CLIPPED_LEVEL = 253
"""sRGB byte from which all three channels count as clipped; JPEG moves a clipped 255 by a level or two."""

LUMINANCE = np.array([0.2126, 0.7152, 0.0722])
"""IEC 61966-2-1."""


def linear_grey(rgb: Any) -> Any:
    """Light-linear grey, float32 (h, w), 0 to 1, of a small piece of the photo."""
    import cv2

    return cv2.LUT(cv2.cvtColor(np.ascontiguousarray(rgb), cv2.COLOR_RGB2GRAY), SRGB_TO_LINEAR)


@lru_cache(maxsize=8)
def _neighbours(key: bytes, square_mm: float) -> Any:
    """Pairs (E, 2) of saddles that are the ends of one square's side; first those along x."""
    saddles = np.frombuffer(key).reshape(-1, 2)
    gap = saddles[None] - saddles[:, None]
    along_x = np.argwhere((np.abs(gap[..., 0] - square_mm) < 1e-6) & (np.abs(gap[..., 1]) < 1e-6))
    along_y = np.argwhere((np.abs(gap[..., 1] - square_mm) < 1e-6) & (np.abs(gap[..., 0]) < 1e-6))
    return along_x, along_y


def square_side_px(layout: SheetLayout, saddles_px: Floats, ok: Any) -> Any:
    """Sides of squares (n,) between clear saddles, px."""
    pairs = np.concatenate(_neighbours(np.asarray(layout.saddles_mm).tobytes(), layout.square_mm))
    pairs = pairs[ok[pairs].all(axis=1)]
    if len(pairs) == 0:
        span_px, span_mm = (
            float(np.linalg.norm(np.ptp(p[ok], axis=0))) for p in (saddles_px, layout.saddles_mm)
        )
        return np.array([span_px / max(span_mm, 1e-9) * layout.square_mm])
    return np.linalg.norm(saddles_px[pairs[:, 1]] - saddles_px[pairs[:, 0]], axis=1)


def edge_sigma_px(rgb: Any, layout: SheetLayout, saddles_px: Floats, ok: Any) -> float | None:
    """One-sigma spread of the sheet's black-to-white edges, px: the median along the direction in which
    they are softer. None where no side of a square is clear.

    From 25 to 75 % of the step in linear light is 1.349 sigma of a Gaussian blur. The interpolation's
    own spread (variance 1/6 px2) is taken out.
    """
    medians = []
    for pairs in _neighbours(np.asarray(layout.saddles_mm).tobytes(), layout.square_mm):
        good = pairs[ok[pairs].all(axis=1)]
        good = good[np.linspace(0, len(good) - 1, min(6, len(good))).astype(int)] if len(good) else good
        sigmas = [s for a, b in good if (s := _one_edge_sigma(rgb, saddles_px[a], saddles_px[b])) is not None]
        if sigmas:
            medians.append(float(np.median(sigmas)))
    return max(medians) if medians else None


def _one_edge_sigma(rgb: Any, a: Floats, b: Floats) -> float | None:
    side = float(np.linalg.norm(b - a))
    along = (b - a) / side
    normal = np.array([-along[1], along[0]])
    offsets = np.arange(-0.25 * side, 0.25 * side + 0.1, 0.2)
    starts = a + along * side * np.linspace(0.3, 0.7, 9)[:, None]
    points = starts[:, None] + normal * offsets[:, None]
    lo = np.floor(points.reshape(-1, 2).min(0) - 2).astype(int)
    hi = np.ceil(points.reshape(-1, 2).max(0) + 3).astype(int)
    if (lo < 0).any() or hi[0] > rgb.shape[1] or hi[1] > rgb.shape[0]:
        return None
    here = points.reshape(9, -1, 2) - lo
    profile = bilinear(linear_grey(rgb[lo[1] : hi[1], lo[0] : hi[0]]), here[..., 0], here[..., 1]).mean(
        axis=0
    )
    if profile[offsets < 0].mean() > profile[offsets > 0].mean():
        profile = profile[::-1]  # black first
    black = float(np.median(profile[offsets < -0.15 * side]))
    near = (offsets > 0) & (offsets < 0.13 * side)  # beyond lies the marker
    if not near.any():
        return None
    top = int(np.flatnonzero(near)[np.argmax(profile[near])])
    white = float(profile[top])
    if white < 1.5 * black + 0.004:
        return None
    rise = (profile[: top + 1] - black) / (white - black)
    crossings = []
    for level in (0.25, 0.75):
        above = np.flatnonzero(rise >= level)
        i = int(above[0])
        if i == 0:
            return None
        crossings.append(
            offsets[i - 1] + (level - rise[i - 1]) / (rise[i] - rise[i - 1]) * (offsets[i] - offsets[i - 1])
        )
    return float(np.sqrt(max(((crossings[1] - crossings[0]) / 1.349) ** 2 - 1 / 6, 0.04)))


def paper_light(rgb: Any, layout: SheetLayout, px_from_mm: Any) -> tuple[float | None, float | None]:
    """Light of the white margin round the squares (0 to 1, linear) and the share of it that is clipped.
    None where no margin is seen."""
    half = np.array(layout.size_mm) / 2
    board = np.abs(layout.black_mm).reshape(-1, 2).max(axis=0)
    ring = (half + board) / 2
    xs, ys = (np.linspace(-r, r, max(8, int(2 * r / 6))) for r in ring)
    points = np.concatenate(
        [
            np.c_[xs, 0 * xs + ring[1]],
            np.c_[xs, 0 * xs - ring[1]],
            np.c_[0 * ys + ring[0], ys],
            np.c_[0 * ys - ring[0], ys],
        ]
    )
    q = np.round(apply_homography(px_from_mm, points)).astype(int)
    q = q[(q[:, 0] >= 0) & (q[:, 1] >= 0) & (q[:, 0] < rgb.shape[1]) & (q[:, 1] < rgb.shape[0])]
    if len(q) < 8:
        return None, None
    seen = rgb[q[:, 1], q[:, 0]]
    light = SRGB_TO_LINEAR[seen] @ LUMINANCE
    paper = light > 0.5 * np.percentile(light, 90)  # what lies across the margin, and hard shadow, is darker
    return float(np.median(light[paper])), float(np.mean((seen[paper] >= CLIPPED_LEVEL).all(axis=1)))


def ink_light(rgb: Any, layout: SheetLayout, px_from_mm: Any) -> float:
    """Light of the black squares' middles, 0 to 1, linear; a quarter of the way up from the darkest,
    since a part may cover some."""
    q = np.round(apply_homography(px_from_mm, layout.black_mm.mean(axis=1))).astype(int)
    q = q[(q[:, 0] >= 0) & (q[:, 1] >= 0) & (q[:, 0] < rgb.shape[1]) & (q[:, 1] < rgb.shape[0])]
    if len(q) == 0:
        return 0.0
    return float(np.percentile(SRGB_TO_LINEAR[rgb[q[:, 1], q[:, 0]]] @ LUMINANCE, 25))
