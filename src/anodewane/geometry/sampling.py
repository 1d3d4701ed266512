"""Values between a grid's points: bilinear sampling, in light and in plain numbers, and the top of a
parabola through three of them. Pixel centres at integers (`anodewane.units`)."""

from __future__ import annotations

from typing import Any

import numpy as np

from anodewane.units import SRGB_TO_LINEAR


def cells(x: Any, y: Any, width: int, height: int) -> tuple[Any, Any, Any, Any]:
    """Column and row of the upper left corner of the cell that each point lies in, and how far across
    and down it lies (0 to 1). Points beyond the grid are brought to its edge."""
    x, y = np.clip(x, 0, width - 1.001), np.clip(y, 0, height - 1.001)
    column, row = x.astype(np.intp), y.astype(np.intp)
    return column, row, x - column, y - row


def mixed(corners: tuple[Any, Any, Any, Any], across: Any, down: Any) -> Any:
    """Bilinear mean of the values at a cell's corners: upper left, upper right, lower left, lower right."""
    a, b, c, d = corners
    return (a * (1 - across) + b * across) * (1 - down) + (c * (1 - across) + d * across) * down


def bilinear(image: Any, x: Any, y: Any) -> Any:
    """Values of a floating-point image (H, W) at points x, y (any shape), those beyond the frame at its
    edge; in the image's own precision."""
    h, w = image.shape
    column, row, across, down = cells(x, y, w, h)
    flat, at = image.reshape(-1), row * w + column
    corners = (flat.take(at), flat.take(at + 1), flat.take(at + w), flat.take(at + w + 1))
    return mixed(corners, across.astype(image.dtype), down.astype(image.dtype))


def linear_light(rgb: Any, x: Any, y: Any) -> Any:
    """Linear light (..., 3), float32, of an sRGB picture (H, W, 3) at points x, y (any shape).

    Interpolates between linear pixels, not between sRGB values: half of a white pixel and half of a
    black one send back half the light, which is not what their bytes' mean says.
    """
    h, w = rgb.shape[:2]
    column, row, across, down = cells(x, y, w, h)
    flat, at = rgb.reshape(-1, 3), row * w + column
    a, b, c, d = (SRGB_TO_LINEAR.take(flat.take(k, axis=0)) for k in (at, at + 1, at + w, at + w + 1))
    return mixed((a, b, c, d), across[..., None].astype(np.float32), down[..., None].astype(np.float32))


def parabola_top(before: Any, at: Any, after: Any, least_bend: float = 1e-9, most: float = 0.5) -> Any:
    """Where the parabola through three values a step apart is highest, in steps from the middle one and
    no farther than `most`; 0 where it bends less than `least_bend` and has no top worth the name."""
    bend = 2 * at - before - after
    off = np.where(bend > least_bend, (after - before) / (2 * np.maximum(bend, least_bend)), 0.0)
    return np.clip(off, -most, most)
