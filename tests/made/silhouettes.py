"""Silhouettes of worn solids through known cameras, without light: the renderer's own field, slice by
slice, laid into the photo through each slice's homography.

Nothing here uses the fit's model of a solid. A visual hull by counting voxels, to compare with.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from skimage.measure import find_contours

from anodewane.geometry.camera import plane_homography, project
from anodewane.geometry.motion import Motion
from anodewane.geometry.rings import ring_area
from anodewane.records import Camera, MetalMask, Plane
from anodewane.stages.refine import mask_from_rings
from anodewane.testing import WornSolid, look_at
from made.exact_views import mask_of, plane_of

WIDTH, HEIGHT = 2016, 1512


def seen_of(
    solid: WornSolid, camera: Camera, motion: Motion, dz_mm: float = 0.25, scale: float = 0.5
) -> MetalMask:
    """The outline in photo pixels: where the least of the field along each line of sight is 0. For
    lenses without distortion."""
    assert camera.k1 == 0
    field, origin, h = np.asarray(solid.field), np.asarray(solid.origin_mm), solid.step_mm
    nx, ny, nz = field.shape
    full = np.flatnonzero(field.min(axis=(0, 1)) < 0)
    bottom, top = max(1e-3, origin[2] + (full[0] - 1) * h), origin[2] + (full[-1] + 1) * h
    low, high = origin[:2], origin[:2] + h * np.array([nx - 1, ny - 1])
    corners = motion.apply([(x, y) for x in (low[0], high[0]) for y in (low[1], high[1])])
    px = np.vstack([project(camera, np.c_[corners, np.full(4, z)]) for z in (0.0, top)])
    a, b = np.floor(px.min(0) - 4), np.ceil(px.max(0) + 4)
    w, tall = (int(v) for v in np.ceil((b - a) * scale))
    to_crop = np.array([[scale, 0, -a[0] * scale], [0, scale, -a[1] * scale], [0, 0, 1]])
    to_sheet = np.vstack([motion.matrix, [0, 0, 1]]) @ np.array([[h, 0, low[0]], [0, h, low[1]], [0, 0, 1]])
    least = np.full((tall, w), 9.0, np.float32)
    for z in np.arange(bottom, top, dz_mm):
        k = (z - origin[2]) / h
        i = int(np.clip(np.floor(k), 0, nz - 2))
        u = np.float32(k - i)
        layer = np.ascontiguousarray((field[:, :, i] * (1 - u) + field[:, :, i + 1] * u).T)
        way = to_crop @ plane_homography(camera, float(z)) @ to_sheet
        least = np.minimum(
            least,
            cv2.warpPerspective(
                layer, way, (w, tall), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=9.0
            ),
        )
    contours = find_contours(np.pad(-least, 1, constant_values=-9.0), 1e-3)
    rings = [(c[:-1, ::-1] - 1) / scale + a for c in contours if len(c) > 8]
    return mask_from_rings([r for r in rings if abs(ring_area(r)) > 40])


@dataclass(frozen=True)
class Seen:
    camera: Camera
    plane: Plane
    mask: MetalMask


def look(
    solid: WornSolid, motion: Motion, tilt_deg: float, azimuth_deg: float, distance_mm: float = 600.0
) -> Seen:
    at = (float(motion.shift[0]), float(motion.shift[1]))
    camera = look_at(
        at,
        distance_mm=distance_mm,
        tilt_deg=tilt_deg,
        azimuth_deg=azimuth_deg,
        f35=26.0,
        width=WIDTH,
        height=HEIGHT,
    )
    return Seen(camera, plane_of(camera), seen_of(solid, camera, motion))


def hull_volume_mm3(views: list[Seen], box_mm: Any, step_mm: float = 1.0) -> float:
    """Volume of all points that every photo shows inside its outline, counted on a grid over `box_mm`
    ((3,) low, (3,) high; sheet frame)."""
    import shapely

    low, high = np.asarray(box_mm, float)
    axes = [np.arange(a + step_mm / 2, b, step_mm) for a, b in zip(low, high, strict=True)]
    points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    for view in views:
        px = project(view.camera, points)
        shape = shapely.union_all([shapely.Polygon(p[0], list(p[1:])).buffer(0) for p in view.mask.pieces_px])
        shapely.prepare(shape)
        points = points[shapely.contains_xy(shape, px[:, 0], px[:, 1])]
    return float(len(points) * step_mm**3)


__all__ = ["Seen", "hull_volume_mm3", "look", "mask_of", "seen_of"]
