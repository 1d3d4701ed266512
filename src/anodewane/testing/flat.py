"""Flat shapes of known area on a sheet: the check of the geometry alone, without a solid."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from anodewane.record import Label
from anodewane.records import Camera
from anodewane.testing.develop import encode_srgb
from anodewane.testing.picture import BLOCK_PX, expand_map, ground_map
from anodewane.testing.scene import INK_SHARE, PAPER_ALBEDO, RASTER_PX_PER_MM, printed_sheet, sheet_raster
from anodewane.units import Bytes, Floats, Floats32

_SUB = 4


def exact_sheet_photo(
    camera: Camera,
    layout: str,
    shapes_mm: Sequence[Floats],
    *,
    height_mm: float = 0.0,
    width: int = 2016,
    height: int = 1512,
    print_scale: float = 1.0,
    shape_light: float = 0.25,
    ground_light: float = 0.35,
    exposure: float = 0.85,
    label: Label | None = None,
) -> tuple[Bytes, Floats32]:
    """Draw a sheet and flat dark shapes as an ideal camera sees them: no noise, no shadow, one even light.

    Parameters
    ----------
    camera : Camera
    layout : "card", "mat-a4" or "mat-letter"
    shapes_mm : rings (n, 2) in the sheet frame
    height_mm : how high above the sheet the shapes float
    width, height : pixels of the photo
    print_scale : what the sheet's 100 mm line measures, over 100 mm
    shape_light, ground_light : what shapes and ground send back; exposure : the value of white paper, linear
    label : printed on the sheet, in words and as a code, with everything else that the real print has;
        None leaves squares and markers alone

    Returns
    -------
    rgb : uint8 (H, W, 3)
    mask : float32 (H, W)
        Share of each pixel inside the shapes, 16 points a pixel.
    """
    import cv2
    import shapely

    light, size = sheet_raster(layout) if label is None else printed_sheet(layout, label)
    half = np.array(size) / 2 * print_scale
    union = shapely.union_all([shapely.Polygon(r) for r in shapes_mm])
    shapely.prepare(union)
    coarse, raised = ground_map(camera, width, height), ground_map(camera, width, height, height_mm)
    value, mask = np.empty((height, width), np.float32), np.empty((height, width), np.float32)
    blocks, step = coarse.shape[0] - 2, 8
    for block in range(0, blocks, step):
        rows = slice(block * BLOCK_PX, min(height, (block + step) * BLOCK_PX))
        n = rows.stop - rows.start

        def fine(of: Any, block: int = block, n: int = n) -> Any:
            return expand_map(of, block, min(step, blocks - block), _SUB)[: n * _SUB, : width * _SUB]

        ground = fine(coarse)
        u = (ground[..., 0] + np.float32(half[0])) * np.float32(RASTER_PX_PER_MM / print_scale) - np.float32(
            0.5
        )
        v = (np.float32(half[1]) - ground[..., 1]) * np.float32(RASTER_PX_PER_MM / print_scale) - np.float32(
            0.5
        )
        ink = cv2.remap(light, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        # the paper keeps its size, whatever is printed on it
        on_sheet = (np.abs(ground[..., 0]) <= size[0] / 2) & (np.abs(ground[..., 1]) <= size[1] / 2)
        seen: Any = np.where(
            on_sheet,
            np.float32(PAPER_ALBEDO) * (np.float32(INK_SHARE) + np.float32(1 - INK_SHARE) * ink),
            np.float32(ground_light),
        )
        inside = np.zeros(seen.shape, bool)
        if not union.is_empty:
            at = ground if height_mm == 0 else fine(raised)
            left, bottom, right, top = union.bounds
            near = (at[..., 0] >= left) & (at[..., 0] <= right) & (at[..., 1] >= bottom) & (at[..., 1] <= top)
            if near.any():
                inside[near] = shapely.contains_xy(union, at[near].astype(float))
        seen[inside] = shape_light
        value[rows] = cv2.resize(seen, (width, n), interpolation=cv2.INTER_AREA)
        mask[rows] = cv2.resize(inside.astype(np.float32), (width, n), interpolation=cv2.INTER_AREA)
    grey = np.round(encode_srgb(value * exposure / PAPER_ALBEDO) * 255).astype(np.uint8)
    return np.repeat(grey[..., None], 3, axis=2), mask
