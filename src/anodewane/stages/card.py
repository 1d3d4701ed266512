"""Find the printed sheet: markers on a reduced copy say which sheet and where, saddle points at full size say it to a few hundredths of a pixel."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import numpy as np

from anodewane.catalog.sheets import DICTIONARY, all_layouts
from anodewane.errors import CannotJudge
from anodewane.records import CardSighting, Photo, SheetLayout
from anodewane.units import Floats, rescale_px

DETECT_LONG_SIDES_PX = (1000, 1600, 2600, 4200)
"""Longest sides of the copies that are searched in turn, until enough markers are read. The last doubles a small photo."""

ENOUGH_MARKERS = 8
MIN_MARKERS = 3
MIN_SADDLES = 8
SADDLE_SD_PX = 0.05
"""One-sigma of a saddle at best; the residual of the fit raises it (docs/decisions/0001-sheet-pattern.md)."""


@lru_cache(maxsize=1)
def _detector() -> Any:
    import cv2

    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    parameters.errorCorrectionRate = 0.3  # the default lets background texture through
    parameters.minMarkerPerimeterRate = 0.015
    parameters.adaptiveThreshWinSizeMin = 5
    parameters.adaptiveThreshWinSizeMax = 45
    parameters.adaptiveThreshWinSizeStep = 20
    return cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY)), parameters)


def _detect(grey: Any, long_side_px: int) -> tuple[Any, Any, Any]:
    """Return marker corners (M, 4, 2) in full-size pixels, ids (M,), rejected quads (Q, 4, 2)."""
    import cv2

    scale = long_side_px / max(grey.shape)
    if scale > 2:
        scale = 2.0
    small = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC)
    corners, ids, rejected = _detector().detectMarkers(small)

    def back(quads: Any) -> Any:
        return rescale_px(np.array([np.reshape(q, (4, 2)) for q in quads], float).reshape(-1, 4, 2), 1 / scale)

    return back(corners), np.ravel(ids).astype(int) if ids is not None else np.zeros(0, int), back(rejected)


def _homography(from_points: Floats, to_points: Floats, threshold: float) -> tuple[Any, Any]:
    import cv2

    h, keep = cv2.findHomography(np.asarray(from_points, np.float64), np.asarray(to_points, np.float64), cv2.RANSAC, threshold)
    return h, (None if keep is None else np.ravel(keep).astype(bool))


def _apply(h: Any, points: Floats) -> Any:
    q = np.c_[points, np.ones(len(points))] @ np.asarray(h).T
    return q[:, :2] / q[:, 2:]


def find_card(photo: Photo, layouts: Mapping[str, SheetLayout] | None = None) -> CardSighting:
    """Find the sheet in a photo.

    Parameters
    ----------
    photo : Photo
    layouts : mapping of name to SheetLayout, default every layout of `anodewane.catalog.sheets`

    Returns
    -------
    CardSighting
        Sheet points in sheet mm and photo px (pixel centres at integers), with one-sigma.

    Raises
    ------
    CannotJudge
        "no_sheet", "two_sheets", "sheet_too_little".

    Notes
    -----
    Saddles are placed by `cv2.cornerSubPix` on light-linear grey: blur acts on light, not on the sRGB value, and a mid-level edge in sRGB
    moves into the dark side by up to 0.6 px.
    """
    import cv2

    layouts = all_layouts() if layouts is None else layouts
    grey = cv2.cvtColor(np.asarray(photo.rgb), cv2.COLOR_RGB2GRAY)
    best: tuple[Any, Any, Any] = (np.zeros((0, 4, 2)), np.zeros(0, int), np.zeros((0, 4, 2)))
    for long_side in DETECT_LONG_SIDES_PX:
        if long_side > 2.05 * max(grey.shape):
            break
        seen = _detect(grey, long_side)
        if len(seen[1]) >= len(best[1]):
            best = seen
        if _largest_share(best[1], layouts) >= ENOUGH_MARKERS:
            break
    corners_px, ids, rejected_px = best
    counts = {name: int(np.isin(ids, lay.marker_ids).sum()) for name, lay in layouts.items()}
    present = [name for name, n in counts.items() if n >= MIN_MARKERS]
    if not present:
        if max(counts.values()) == 0:
            raise CannotJudge("no_sheet", f"0 markers read, {len(rejected_px)} look-alikes rejected")
        raise CannotJudge("sheet_too_little", f"{max(counts.values())} marker(s) read, at least {MIN_MARKERS} needed")
    if len(present) > 1:
        raise CannotJudge("two_sheets", f"{' and '.join(sorted(present))} are both in the photo")
    layout = layouts[present[0]]
    mine = np.isin(ids, layout.marker_ids)
    index = ids[mine] - layout.marker_ids[0]
    if len(np.unique(index)) < 0.75 * len(index):
        raise CannotJudge("two_sheets", f"two {layout.name} sheets are in the photo")
    world = layout.marker_corners_mm[index].reshape(-1, 2)
    image = corners_px[mine].reshape(-1, 2)
    side_px = float(np.median(np.linalg.norm(np.diff(corners_px[mine], axis=1), axis=2)))
    px_from_mm, keep = _homography(world, image, max(2.0, 0.08 * side_px))
    if px_from_mm is None or keep.reshape(-1, 4).all(axis=1).sum() < MIN_MARKERS:
        raise CannotJudge("sheet_too_little", "the markers that were read don't lie on one flat sheet")
    kept_markers = keep.reshape(-1, 4).all(axis=1)
    n_markers = int(kept_markers.sum())
    duplicates = len(index) - len(np.unique(index))
    if duplicates and (~kept_markers).sum() >= MIN_MARKERS:
        raise CannotJudge("two_sheets", f"two {layout.name} sheets are in the photo")
    saddles_px, saddle_ok = _refine_saddles(photo.rgb, layout, px_from_mm, world[keep], image[keep])
    if saddle_ok.sum() < MIN_SADDLES:
        raise CannotJudge("sheet_too_little", f"{int(saddle_ok.sum())} of {len(saddle_ok)} square corners are clear, at least {MIN_SADDLES} needed")
    n = int(saddle_ok.sum())
    return CardSighting(layout, layout.saddles_mm[saddle_ok], saddles_px[saddle_ok], np.full(n, SADDLE_SD_PX), n_markers, rejected_px)


def _largest_share(ids: Any, layouts: Mapping[str, SheetLayout]) -> int:
    return max(int(np.isin(ids, lay.marker_ids).sum()) for lay in layouts.values())


def _refine_saddles(rgb: Any, layout: SheetLayout, px_from_mm: Any, world: Floats, image: Floats) -> tuple[Any, Any]:
    """Return saddles (S, 2) px and which of them are clear. A saddle is clear where its four squares are dark and light as printed and the refined point agrees with its neighbours."""
    import cv2

    height, width = rgb.shape[:2]
    guess = _apply(px_from_mm, layout.saddles_mm)
    # marker corners near a saddle carry the lens's local bend: correct the guess by the mean error of the nearest ones
    error = image - _apply(px_from_mm, world)
    distance = np.linalg.norm(layout.saddles_mm[:, None] - world[None], axis=2)
    weight = np.exp(-((distance / (1.5 * layout.square_mm)) ** 2)) + 1e-12
    guess = guess + np.where(weight.sum(1, keepdims=True) > 0.05, weight @ error / weight.sum(1, keepdims=True), 0.0)
    step = layout.square_mm
    axes = np.stack([_apply(px_from_mm, layout.saddles_mm + [0.3 * step, 0]), _apply(px_from_mm, layout.saddles_mm + [0, 0.3 * step])])
    reach = np.min(np.linalg.norm(axes - _apply(px_from_mm, layout.saddles_mm), axis=2), axis=0)
    inside = np.all((guess > reach[:, None]) & (guess < np.array([width, height]) - 1 - reach[:, None]), axis=1) & (reach > 2.0)
    ok = np.zeros(len(guess), bool)
    found = guess.copy()
    if not inside.any():
        return found, ok
    lo = np.floor(guess[inside].min(0) - reach[inside].max() - 3).astype(int).clip(0)
    hi = np.ceil(guess[inside].max(0) + reach[inside].max() + 4).astype(int)
    patch = rgb[lo[1] : hi[1], lo[0] : hi[0]]
    linear = cv2.LUT(cv2.cvtColor(patch, cv2.COLOR_RGB2GRAY), _SRGB_TO_LINEAR)
    for i in np.flatnonzero(inside):
        half = int(np.clip(reach[i] * 0.5, 2, 11))
        point = np.array([[guess[i] - lo]], np.float32)
        # two passes: the first walks there, the second settles with the smaller window
        cv2.cornerSubPix(linear, point, (half, half), (-1, -1), (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 40, 0.002))
        q = point.reshape(2).astype(float)
        if np.linalg.norm(q + lo - guess[i]) > max(1.5, 0.6 * reach[i]):
            continue
        found[i] = q + lo
        ok[i] = _looks_printed(linear, q, axes[:, i] - _apply(px_from_mm, layout.saddles_mm[i : i + 1])[0], int(layout.saddle_phase[i]))
    if ok.sum() >= 4:
        # A cubic lens bends a flat sheet by a few pixels at most; a saddle off by more than its neighbours' bend is a hidden or false one.
        h, keep = _homography(layout.saddles_mm[ok], found[ok], 3.0)
        if h is not None:
            residual = np.linalg.norm(found - _apply(h, layout.saddles_mm), axis=1)
            ok &= residual < max(4.0, 4.0 * float(np.median(residual[ok])))
    return found, ok


def _looks_printed(linear: Any, centre: Floats, axes: Floats, phase: int) -> bool:
    """Whether the four squares about a saddle are dark and light as printed. axes (2, 2): 0.3 squares along sheet x and y, in pixels."""
    import cv2

    u, v = axes * 0.3  # 0.09 of a square: inside the white border about a marker
    signs = [(1, 1), (-1, 1), (-1, -1), (1, -1)]
    points = np.array([centre + a * u + b * v for a, b in signs], np.float32)
    values = cv2.remap(linear, points[:, 0][None], points[:, 1][None], cv2.INTER_LINEAR).ravel()
    dark = values[[0, 2]] if phase > 0 else values[[1, 3]]
    light = values[[1, 3]] if phase > 0 else values[[0, 2]]
    return bool(light.min() > 1.6 * dark.max() + 0.004 and light.max() < 3.5 * light.min() + 0.02)


def _linear_table() -> Any:
    v = np.arange(256) / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


_SRGB_TO_LINEAR = _linear_table()
"""IEC 61966-2-1: light (0 to 1) of an sRGB byte."""
