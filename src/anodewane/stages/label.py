"""Read the QR code on the sheet: which boat and position the photo belongs to.

Where the code lies is known to a fraction of a module once the camera is, so nothing is searched for:
every module is sampled in its middle, blur is taken out on that grid, and OpenCV decodes the clean code
that is drawn from it. A code that lies anywhere else, beside the part or askew on the sheet, doesn't
come into the samples. Reed-Solomon mends up to about one code word in seven, as under weed or a corner
of the part; what it can't mend, or the label's own checksum doesn't bear out, is no label.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np

from anodewane.catalog.sheet_label import CAPACITY_BYTES, QUIET_MODULES, is_foreign, parse
from anodewane.catalog.sheets import DESIGNS
from anodewane.geometry.camera import project
from anodewane.record import Label
from anodewane.records import Photo, Plane, SheetLayout
from anodewane.units import SRGB_TO_LINEAR

MIN_LIKENESS = 0.3
"""Correlation of the samples with the marks that every code has. Measured: codes that could be read
0.47 or more, blank paper and handwriting under 0.15."""

SHARPEN = ((0.55, 0.01), (0.0, 1.0), (0.4, 0.01), (0.7, 0.01))
"""Spread of the blur that is taken out, in modules, and noise over signal; tried in turn. The first
reads nearly all (docs/decisions/0045-label.md)."""

FINE_MODULE_PX = 3.0
"""Modules larger than this in the photo are averaged over nine points; smaller ones have no
more than that."""


def read_label(photo: Photo, plane: Plane, layout: SheetLayout) -> Label | None:
    """Return the label printed on the sheet, or None where there is none or it can't be read beyond doubt.

    A refused photo may still have a label; a hidden or blurred one is None, never a guess.
    """
    place = _place(photo, plane, layout)
    if place is None:
        return None
    looks = {n: _likeness(_samples(*place, n, 1)) for n in CAPACITY_BYTES}
    n = max(looks, key=lambda k: looks[k])
    if looks[n] < MIN_LIKENESS:
        return None
    _, corners_px = place
    size_px = float(np.linalg.norm(corners_px - np.roll(corners_px, 1, axis=0), axis=1).min()) / (
        n + 2 * QUIET_MODULES
    )
    light = _samples(*place, n, 1 if size_px < FINE_MODULE_PX else 5)
    for spread, noise in SHARPEN:
        payload = _decode(_black(_sharpened(light, spread, noise)))
        label = parse(payload)
        if label is not None or is_foreign(payload):
            return label
    return None


def _place(photo: Photo, plane: Plane, layout: SheetLayout) -> tuple[Any, Any] | None:
    """The label's place cut out of the photo, light float32 (h, w), and its corners in it, px (4, 2),
    from the upper left clockwise as printed.

    None where the frame cuts it.
    """
    import cv2

    x, y, side = DESIGNS[layout.name].label_mm
    scale = plane.print_scale
    corners = np.array([[x, y + side], [x + side, y + side], [x + side, y], [x, y]]) * scale
    corners_px = project(plane.camera, np.c_[corners, np.zeros(4)])
    low, high = (
        np.floor(corners_px.min(axis=0) - 3).astype(int),
        np.ceil(corners_px.max(axis=0) + 4).astype(int),
    )
    height, width = photo.rgb.shape[:2]
    if (low < 0).any() or high[0] > width or high[1] > height:
        return None
    grey = cv2.cvtColor(
        np.ascontiguousarray(photo.rgb[low[1] : high[1], low[0] : high[0]]), cv2.COLOR_RGB2GRAY
    )
    return cv2.LUT(grey, SRGB_TO_LINEAR), corners_px - low


def _samples(crop: Any, corners_px: Any, n: int, fineness: int) -> Any:
    """Light of each module of a code of `n` modules over the white about it, quiet zone included (N,
    N): of its middle, or a mean over its middle three fifths each way.

    Four corners do for the map: over 35 mm a phone's lens bends a line by a few hundredths of a pixel.
    """
    import cv2

    total = n + 2 * QUIET_MODULES
    size = total * fineness
    frame = np.array([[0, 0], [size, 0], [size, size], [0, size]], np.float32) - np.float32(0.5)
    to_crop = cv2.getPerspectiveTransform(frame, corners_px.astype(np.float32))
    seen = cv2.warpPerspective(
        crop,
        to_crop,
        (size, size),
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    if fineness > 1:
        edge = fineness // 5
        seen = seen.reshape(total, fineness, total, fineness)[
            :, edge : fineness - edge, :, edge : fineness - edge
        ].mean(axis=(1, 3))
    return seen / _white(seen)


def _likeness(light: Any) -> float:
    """How like a code the samples (N, N) look, -1 to 1: correlation with the marks that every code of
    this size has."""
    q = QUIET_MODULES
    marks = _marks(len(light) - 2 * q)
    known = marks != 0
    a, b = marks[known].astype(float), -light[q:-q, q:-q][known].astype(float)
    a, b = a - a.mean(), b - b.mean()
    length = float(np.linalg.norm(b))
    return float(a @ b) / (float(np.linalg.norm(a)) * length) if length > 1e-6 else -1.0


def _white(light: Any) -> Any:
    """What white paper sends back at each module (N, N): a plane through the quiet zone, so that a
    slope in the light does no harm."""
    total = len(light)
    ring = np.zeros((total, total), bool)
    ring[1:-1, 1:-1] = True
    ring[QUIET_MODULES - 1 : 1 - QUIET_MODULES, QUIET_MODULES - 1 : 1 - QUIET_MODULES] = False
    y, x = np.mgrid[0:total, 0:total] / total
    terms = np.stack([np.ones_like(x), x, y], axis=-1)
    solved = np.linalg.lstsq(terms[ring], light[ring], rcond=None)[0]
    return np.maximum(terms @ solved, 1e-3)


@lru_cache(maxsize=8)
def _marks(n: int) -> Any:
    """The marks that every code of `n` modules has (ISO/IEC 18004:2015, 6.3.3 to 6.3.5): 1 black, -1
    white, 0 where the data are."""
    finder = np.full((8, 8), -1)
    finder[:7, :7], finder[1:6, 1:6], finder[2:5, 2:5] = 1, -1, 1
    marks = np.zeros((n, n), int)
    marks[:8, :8], marks[:8, n - 8 :], marks[n - 8 :, :8] = finder, finder[:, ::-1], finder[::-1]
    timing = np.where(np.arange(8, n - 8) % 2 == 0, 1, -1)
    marks[6, 8 : n - 8] = marks[8 : n - 8, 6] = timing
    marks.flags.writeable = False
    return marks


def _sharpened(light: Any, spread: float, noise: float) -> Any:
    """Take a Gaussian blur of `spread` modules out of (N, N) samples by Wiener's filter; a spread of
    0 leaves them."""
    if spread == 0.0:
        return light
    total = len(light)
    mirrored = np.pad(light, ((0, total), (0, total)), mode="symmetric")
    passed = np.exp(-2 * (np.pi * spread * np.fft.fftfreq(2 * total)) ** 2)
    passed = passed[:, None] * passed
    return np.fft.ifft2(np.fft.fft2(mirrored) * passed / (passed**2 + noise)).real[:total, :total]


def _black(light: Any) -> Any:
    """Which modules are black, (n, n): darker than halfway between the marks that must be black and
    those that must be white."""
    code = light[QUIET_MODULES:-QUIET_MODULES, QUIET_MODULES:-QUIET_MODULES]
    marks = _marks(len(code))
    return code < (np.median(code[marks == 1]) + np.median(code[marks == -1])) / 2


def _decode(black: Any) -> bytes:
    """The bytes of a code, empty where it can't be mended."""
    import cv2

    n, q, k = len(black), QUIET_MODULES, 4
    picture: Any = np.kron(np.where(np.pad(black, q), 0, 255).astype(np.uint8), np.ones((k, k), np.uint8))
    corners: Any = np.array([[[0, 0], [n, 0], [n, n], [0, n]]], np.float32) * k + np.float32(q * k - 0.5)
    try:
        # OpenCV itself looks for nothing: it's handed the corners
        payload = cv2.QRCodeDetector().decodeBytes(picture, corners)[0]
    except cv2.error:  # its own checks, on a code that isn't one
        return b""
    return bytes(payload)
