"""The outline of a part in a photo from the side, looked for where the part must be.

Seen from the side the sheet's plane is the wrong plane to look at a part in: its walls come out
stretched. So the photo itself is looked at, cut out round the place where a first photo says the part
stands, as fine as the segmenter likes it.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from anodewane.errors import CannotJudge
from anodewane.geometry.camera import project
from anodewane.records import Camera, FlatImage, MetalMask, Photo, Plane, SheetLayout, SoftMask
from anodewane.stages.refine import trace
from anodewane.stages.segment import CLOSE_SHORT_SIDE_FRAC, CLOSE_SHORT_SIDE_PX, NetworkSegmenter, Segmenter
from anodewane.units import Floats

LOOK_LONG_SIDE_PX = 448
COARSEST_MM = 0.45
MARGIN_FRAC = 0.22
MARGIN_MM = 14.0
ALL_LOOKS = ((-1.0, 4),)
"""Whatever the doubt, four looks."""

NEAR_MM = 9.0
"""How far from where the part is expected metal may lie and still be the part's."""


def outline_from_the_side(
    photo: Photo, plane: Plane, layout: SheetLayout, expected_mm: Floats, segmenter: Segmenter
) -> MetalMask:
    """Find the outline of a part that stands about where `expected_mm` (n, 3; sheet frame) says.

    Raises
    ------
    CannotJudge
        "part_cut_off", "no_part".
    """
    import cv2

    camera = plane.camera
    px = project(camera, expected_mm)
    mm_per_px = float(np.mean((expected_mm - camera.position_mm) @ camera.rotation[2])) / camera.focal_px
    low, high = px.min(0), px.max(0)
    height, width = photo.rgb.shape[:2]
    if (low < 1).any() or (high > np.array([width, height]) - 2).any():
        raise CannotJudge("part_cut_off", "its place reaches beyond the picture")
    margin = max(MARGIN_FRAC * float((high - low).max()), MARGIN_MM / mm_per_px)
    long_px = float((high - low).max() + 2 * margin)
    step = max(min(long_px * mm_per_px / LOOK_LONG_SIDE_PX, COARSEST_MM), 0.8 * mm_per_px)
    # never a sliver: the network was taught on square pictures (docs/decisions/0020-segmenter.md)
    short_px = max(CLOSE_SHORT_SIDE_FRAC * long_px, CLOSE_SHORT_SIDE_PX * step / mm_per_px)
    grow = np.maximum(margin, (short_px - (high - low)) / 2)
    a = np.maximum(np.floor(low - grow), 0).astype(int)
    b = np.minimum(np.ceil(high + grow), [width, height]).astype(int)
    scale = mm_per_px / step
    size = np.maximum(np.round((b - a) * scale).astype(int), 32)
    factor = size / (b - a)
    cut = np.ascontiguousarray(photo.rgb[a[1] : b[1], a[0] : b[0]])
    rgb: Any = cv2.resize(
        cut, (int(size[0]), int(size[1])), interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    )
    sheet, print_ = _sheet_in_photo(layout, plane, a, factor, (int(size[1]), int(size[0])))
    flat = FlatImage(rgb, np.ones(rgb.shape[:2], bool), step, np.zeros(2), sheet, print_)
    # seen from the side it is less sure of itself: all four looks
    soft = (NetworkSegmenter(ALL_LOOKS) if isinstance(segmenter, NetworkSegmenter) else segmenter)(flat)
    hull = np.zeros(rgb.shape[:2], np.uint8)
    cv2.fillConvexPoly(hull, cv2.convexHull(np.round((px - a + 0.5) * factor - 0.5).astype(np.int32)), 1)
    prob = np.where(_near(np.asarray(soft.metal_prob), hull, NEAR_MM / step), soft.metal_prob, 0.0).astype(
        np.float32
    )
    if not (prob > 0.5).any():
        raise CannotJudge("no_part", "no metal where the other photos show the part")

    def to_px(ring: Floats) -> Floats:
        # the soft mask's "mm" are steps from its first pixel, y up
        out: Floats = (ring / [step, -step] + 0.5) / factor - 0.5 + a
        return out

    return trace(photo, SoftMask(prob, step, np.zeros(2), soft.segmenter, soft.model_sha256), to_px)


def _near(prob: Any, hull: Any, reach_px: float) -> Any:
    """Pieces of metal that mostly lie within reach of where the part is expected, and their soft rims."""
    import cv2

    reach = max(1, round(reach_px))
    wide = cv2.dilate(hull, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1)))
    n, labels = cv2.connectedComponents((prob > 0.4).astype(np.uint8), connectivity=8)
    size = np.bincount(labels.ravel(), minlength=n).astype(float)
    inside = np.bincount(labels.ravel(), (wide > 0).ravel(), minlength=n)
    keep = inside > 0.6 * size
    keep[0] = False
    kept = keep[labels].astype(np.uint8)
    return cv2.dilate(kept, np.ones((7, 7), np.uint8)) > 0


def _sheet_in_photo(
    layout: SheetLayout, plane: Plane, corner_px: Any, factor: Any, shape: tuple[int, int]
) -> tuple[Any, Any]:
    """Where the sheet lies in the cut-out and what is printed there, drawn as `flatten` draws it."""
    import cv2

    scale = plane.print_scale

    def pixels(corners_mm: Any) -> Any:
        corners = np.asarray(corners_mm, float) * scale
        q = (project(plane.camera, np.c_[corners, np.zeros(len(corners))]) - corner_px + 0.5) * factor - 0.5
        return np.round(np.clip(q, -3e4, 3e4) * 16).astype(np.int32)

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
    for quads, value in ((layout.black_mm, 0), (layout.marker_corners_mm, 64)):
        for quad in quads:
            cv2.fillPoly(ink, [pixels(quad)], value, cv2.LINE_AA, 4)
    return sheet.astype(np.float32) / 255, ink.astype(np.float32) / 255


def camera_elevation_deg(camera: Camera, at_mm: Floats) -> float:
    """Angle above the bench at which a camera sees a place (3,) of the sheet frame."""
    to = np.asarray(camera.position_mm) - at_mm
    return float(np.degrees(np.arctan2(to[2], np.hypot(to[0], to[1]))))
