"""Markers of the printed sheet: found and read on a reduced copy of the photo, soft ones too."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np

from anodewane.catalog.sheets import DICTIONARY
from anodewane.geometry.camera import apply_homography
from anodewane.geometry.pyramid import halved, halvings
from anodewane.geometry.sampling import bilinear
from anodewane.records import Photo
from anodewane.units import SRGB_TO_LINEAR, rescale_px

LARGEST_ENLARGEMENT = 2.0
MIN_MARKER_SIDE_PX = 10
"""Of the searched copy: seven cells of a marker need about 1.5 px each to be read."""

SOFT_BLUR_CELLS = 0.4
SOFT_LIKENESS = 0.8
"""Correlation over 25 cells: the best of 1000 patterns reaches about 0.65 on noise."""

ENOUGH_MARKERS = 8


@lru_cache(maxsize=16)
def _detector(windows: tuple[int, int, int], min_perimeter_rate: float, ids: tuple[int, ...]) -> Any:
    """Of these ids of the dictionary only, numbered from 0: OpenCV holds every quad against all that
    it's given, which takes most of the search's time."""
    import cv2

    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    parameters.errorCorrectionRate = 0.3  # the default lets background texture through
    parameters.minMarkerPerimeterRate = min_perimeter_rate
    (
        parameters.adaptiveThreshWinSizeMin,
        parameters.adaptiveThreshWinSizeMax,
        parameters.adaptiveThreshWinSizeStep,
    ) = windows
    # Small markers are blurred across their cells: sample more finely and only in the middle of a cell.
    parameters.perspectiveRemovePixelPerCell = 8
    parameters.perspectiveRemoveIgnoredMarginPerCell = 0.25
    whole = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))
    ours = cv2.aruco.Dictionary(
        np.ascontiguousarray(whole.bytesList[list(ids)]), whole.markerSize, whole.maxCorrectionBits
    )
    return cv2.aruco.ArucoDetector(ours, parameters)


def detect_markers(
    photo: Photo, ids: tuple[int, ...], long_side_px: int, windows: tuple[int, int, int] = (5, 45, 20)
) -> tuple[Any, Any, Any]:
    """Look for markers of these ids. Returns their corners (M, 4, 2) in full-size pixels, ids (M,),
    rejected quads (Q, 4, 2)."""
    import cv2

    # Halving is several times faster than any other reduction, and grey is made of what is left.
    times = halvings(max(photo.rgb.shape) / long_side_px)
    whole = 2**times
    small = cv2.cvtColor(halved(photo, times), cv2.COLOR_RGB2GRAY)
    rest = min(long_side_px / max(small.shape), LARGEST_ENLARGEMENT)
    if 0.95 < rest <= 1.0:
        rest = 1.0
    else:
        small = cv2.resize(
            small, None, fx=rest, fy=rest, interpolation=cv2.INTER_AREA if rest < 1 else cv2.INTER_CUBIC
        )
    scale = rest / whole
    corners, which, rejected = _detector(
        windows, 4 * MIN_MARKER_SIDE_PX / max(small.shape), ids
    ).detectMarkers(small)
    quads = [
        np.array([np.reshape(q, (4, 2)) for q in group], float).reshape(-1, 4, 2)
        for group in (corners, rejected)
    ]
    read = np.array(ids)[np.ravel(which)] if which is not None else np.zeros(0, int)
    if len(read) < ENOUGH_MARKERS and len(quads[1]):
        soft, these, turned = _soft_read(small, quads[1])
        read = np.r_[read, soft]
        quads = [np.concatenate([quads[0], turned]), np.delete(quads[1], these, axis=0)]
    return rescale_px(quads[0], 1 / scale), read, rescale_px(quads[1], 1 / scale)


@lru_cache(maxsize=1)
def soft_patterns() -> tuple[Any, Any]:
    """Every id of the dictionary as 25 inner cells, a little blurred over its border, zero mean and
    unit length: (4 x ids, 25), and the ids."""
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))
    n = dictionary.markerSize
    rows, ids = [], []
    for marker_id in range(len(dictionary.bytesList)):
        picture = cv2.aruco.generateImageMarker(dictionary, marker_id, 8 * (n + 2), borderBits=1).astype(
            np.float32
        )
        blurred = cv2.GaussianBlur(
            cv2.copyMakeBorder(picture, 16, 16, 16, 16, cv2.BORDER_CONSTANT, value=255),
            (0, 0),
            8 * SOFT_BLUR_CELLS,
        )[16:-16, 16:-16]
        cells = blurred[8:-8, 8:-8].reshape(n, 8, n, 8)[:, 2:6, :, 2:6].mean(axis=(1, 3))
        for turn in range(4):
            flat = np.rot90(cells, turn).ravel() - cells.mean()
            rows.append(flat / np.linalg.norm(flat))
            ids.append((marker_id, turn))
    return np.array(rows, np.float32), np.array(ids)


def cell_places(n: int) -> tuple[Any, Any]:
    """A marker of n x n cells and its border, in cells from its first corner: its corners (4, 2), and
    three places a cell each way ((3 n)^2, 2)."""
    at = (np.arange(n)[:, None] + np.array([0.3, 0.5, 0.7])[None]).ravel() + 1
    return np.array([[0, 0], [n + 2, 0], [n + 2, n + 2], [0, n + 2]], np.float32), np.stack(
        np.meshgrid(at, at), axis=-1
    ).reshape(-1, 2)


def _soft_read(grey: Any, quads: Any) -> tuple[Any, Any, Any]:
    """Read markers whose cells run into one another: by correlation in linear light, not cell by cell.

    Returns ids (K,), which of `quads` they are (K,), and their corners (K, 4, 2) turned so that the
    first is the marker's own top left. A single quad may be read wrongly this way; only markers that
    lie together on one flat sheet are used.
    """
    import cv2

    patterns, names = soft_patterns()
    n = round(np.sqrt(patterns.shape[1]))
    frame, grid = cell_places(n)
    points = np.concatenate(
        [
            apply_homography(
                np.asarray(cv2.getPerspectiveTransform(frame, q.astype(np.float32)), float), grid
            )
            for q in quads
        ]
    )
    cells = (
        bilinear(cv2.LUT(grey, SRGB_TO_LINEAR), points[:, 0], points[:, 1])
        .reshape(len(quads), n, 3, n, 3)
        .mean(axis=(2, 4))
        .reshape(len(quads), -1)
    )
    cells = cells - cells.mean(axis=1, keepdims=True)
    length = np.linalg.norm(cells, axis=1)
    likeness = cells @ patterns.T / np.maximum(length, 1e-6)[:, None]
    best = np.argmax(likeness, axis=1)
    sure = np.flatnonzero((likeness[np.arange(len(quads)), best] > SOFT_LIKENESS) & (length > 1e-3))
    ids, turns = names[best[sure]].T
    # a pattern turned anticlockwise by k quarters has its own first corner k places back along the quad
    turned = np.array([np.roll(quads[i], k, axis=0) for i, k in zip(sure, turns, strict=True)]).reshape(
        -1, 4, 2
    )
    return ids, sure, turned
