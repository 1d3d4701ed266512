"""Cameras and homographies: from photo pixels to the sheet's plane and back.

All functions are pure and vectorised. Frames and the pixel-centre rule: `anodewane.units`.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from anodewane.records import Camera
from anodewane.units import Floats


def undistort_px(camera: Camera, points_px: Floats) -> Floats:
    """Move recorded points (n, 2) to where a lens without distortion would have put them.

    ``r_u = r_d (1 + k1 r_d^2)``, r in half diagonals about the principal point (the even-order radial
    model of Brown 1966, first term).
    """
    d = (np.asarray(points_px, float) - camera.centre_px) / camera.half_diagonal_px
    out: Floats = (
        d * (1 + camera.k1 * np.sum(d * d, axis=-1, keepdims=True)) * camera.half_diagonal_px
        + camera.centre_px
    )
    return out


def distort_px(camera: Camera, points_px: Floats) -> Floats:
    """Inverse of `undistort_px`, by fixed-point steps (converges for |k1| below 0.15 inside the frame)."""
    u = (np.asarray(points_px, float) - camera.centre_px) / camera.half_diagonal_px
    d = u.copy()
    for _ in range(10):
        d = u / (1 + camera.k1 * np.sum(d * d, axis=-1, keepdims=True))
    out: Floats = d * camera.half_diagonal_px + camera.centre_px
    return out


def project(camera: Camera, points_mm: Floats) -> Floats:
    """Photo pixels (n, 2) of points (n, 3) in the sheet frame, lens distortion included."""
    local = (np.asarray(points_mm, float) - camera.position_mm) @ camera.rotation.T
    flat = local[..., :2] / local[..., 2:] * camera.focal_px + camera.centre_px
    return distort_px(camera, flat)


def to_height(camera: Camera, points_px: Floats, height_mm: Any) -> Floats:
    """Sheet-frame x, y (n, 2) where the lines of sight of photo points (n, 2) meet the height
    `height_mm` (scalar or (n,)) above the sheet."""
    u = (undistort_px(camera, points_px) - camera.centre_px) / camera.focal_px
    ray = np.concatenate([u, np.ones((*u.shape[:-1], 1))], axis=-1) @ camera.rotation
    along = (np.asarray(height_mm, float) - camera.position_mm[2]) / ray[..., 2]
    out: Floats = camera.position_mm[:2] + ray[..., :2] * along[..., None]
    return out


def plane_homography(camera: Camera, height_mm: float = 0.0) -> Floats:
    """(3, 3) matrix from the plane at `height_mm` (x, y in sheet mm) to undistorted photo pixels."""
    k = np.array(
        [[camera.focal_px, 0, camera.centre_px[0]], [0, camera.focal_px, camera.centre_px[1]], [0, 0, 1.0]]
    )
    translation = camera.rotation @ (np.array([0, 0, height_mm]) - camera.position_mm)
    h = k @ np.column_stack([camera.rotation[:, 0], camera.rotation[:, 1], translation])
    out: Floats = h / h[2, 2]
    return out


def apply_homography(matrix: Floats, points: Floats) -> Floats:
    """Move points (n, 2) by a (3, 3) homography."""
    q = np.c_[np.asarray(points, float), np.ones(len(points))] @ np.asarray(matrix).T
    out: Floats = q[:, :2] / q[:, 2:]
    return out
