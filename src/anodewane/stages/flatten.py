"""Rectify a window of the sheet's plane: every later look at the picture is in millimetres."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from anodewane.geometry.camera import project, to_height
from anodewane.geometry.pyramid import halved, halvings
from anodewane.records import FlatImage, Photo, Plane, SheetLayout

FINEST_PX = 1.7
"""Photo pixels to a flat one from which the photo is halved first, so that what lies between the
sampled points isn't lost."""


@dataclass(frozen=True, slots=True)
class Window:
    """A rectangle of the sheet's plane, sheet frame mm."""

    left: float
    bottom: float
    right: float
    top: float


def overview_window(photo: Photo, plane: Plane, layout: SheetLayout, reach_mm: float = 330.0) -> Window:
    """The part of the sheet's plane that the photo shows, no farther than `reach_mm` beyond the
    sheet's edges."""
    height, width = photo.rgb.shape[:2]
    edge = np.linspace(0, 1, 12)
    along, zero = np.r_[edge, edge, 0 * edge, 0 * edge + 1], np.r_[0 * edge, 0 * edge + 1, edge, edge]
    frame = np.c_[along * width, zero * height] - 0.5
    ground = to_height(plane.camera, frame, 0.0)
    half_w, half_h = layout.size_mm[0] / 2 + reach_mm, layout.size_mm[1] / 2 + reach_mm
    lo = np.maximum(ground.min(0), [-half_w, -half_h])
    hi = np.minimum(ground.max(0), [half_w, half_h])
    return Window(float(lo[0]), float(lo[1]), float(hi[0]), float(hi[1]))


def flatten(photo: Photo, plane: Plane, layout: SheetLayout, window: Window, mm_per_px: float) -> FlatImage:
    """See a window of the sheet's plane from straight above.

    Returns
    -------
    FlatImage
        h, w = window over `mm_per_px`, rounded up. Pixels are averaged, not picked, where the photo is
        finer than the flat image.
    """
    import cv2

    # a hair less, so that a side of whole pixels isn't rounded up
    w = max(8, int(np.ceil((window.right - window.left) / mm_per_px - 1e-6)))
    h = max(8, int(np.ceil((window.top - window.bottom) / mm_per_px - 1e-6)))
    origin = np.array([window.left + mm_per_px / 2, window.top - mm_per_px / 2])
    # The map is smooth: computed on every 16th point and interpolated it is exact to a hundredth of a
    # pixel, and 200 times cheaper.
    step = 16
    gx, gy = np.arange(0, w + step, step), np.arange(0, h + step, step)
    mesh = np.stack(np.meshgrid(gx, gy), axis=-1).reshape(-1, 2)
    points = np.c_[origin + mesh * [mm_per_px, -mm_per_px], np.zeros(len(mesh))]
    coarse = project(plane.camera, points).reshape(len(gy), len(gx), 2).astype(np.float32)
    # a coarse cell (i, j) holds the map at pixel (16 j, 16 i): remap reads between them
    ys, xs = np.mgrid[0:h, 0:w].astype(np.float32) / step
    maps = cv2.remap(coarse, xs, ys, cv2.INTER_LINEAR)
    valid = (
        (maps[..., 0] >= 0)
        & (maps[..., 1] >= 0)
        & (maps[..., 0] <= photo.rgb.shape[1] - 1)
        & (maps[..., 1] <= photo.rgb.shape[0] - 1)
    )
    # halve the photo until one flat pixel spans about one photo pixel, so that remap doesn't alias
    spacing = float(np.median(np.linalg.norm(np.diff(coarse, axis=1), axis=2))) / step
    times = min(halvings(2 * spacing / FINEST_PX), min(photo.rgb.shape[:2]).bit_length() - 1)
    if times:
        maps = ((maps + 0.5) / 2**times - 0.5).astype(np.float32)
    source = halved(photo, times)
    remap: Any = cv2.remap  # its stub has no overload for one map of two channels
    rgb = remap(source, maps, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=(0, 0, 0))
    sheet, print_ = _expected_sheet(layout, plane, origin, mm_per_px, (h, w))
    return FlatImage(rgb, valid, mm_per_px, origin, sheet, print_)


def _expected_sheet(
    layout: SheetLayout, plane: Plane, origin: Any, mm_per_px: float, shape: tuple[int, int]
) -> tuple[Any, Any]:
    """Draw where the sheet lies and what is printed there, antialiased."""
    import cv2

    scale = plane.print_scale

    def pixels(corners_mm: Any) -> Any:
        q = (np.asarray(corners_mm) * scale - origin) / [mm_per_px, -mm_per_px]
        return np.round(q * 16).astype(np.int32)

    half_w, half_h = np.array(layout.size_mm) / 2
    sheet = np.zeros(shape, np.uint8)
    cv2.fillPoly(
        sheet,
        [pixels([(-half_w, half_h), (half_w, half_h), (half_w, -half_h), (-half_w, -half_h)])],
        255,
        cv2.LINE_AA,
        4,
    )
    ink = np.full(shape, 128, np.uint8)
    ink[sheet > 0] = 255
    for quad in layout.black_mm:
        cv2.fillPoly(ink, [pixels(quad)], 0, cv2.LINE_AA, 4)
    for quad in layout.marker_corners_mm:
        cv2.fillPoly(ink, [pixels(quad)], 64, cv2.LINE_AA, 4)  # a marker is dark with some light cells
    return sheet.astype(np.float32) / 255, ink.astype(np.float32) / 255
