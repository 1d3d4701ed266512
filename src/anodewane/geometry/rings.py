"""Cameras, homographies and polygons: the geometry that several stages share.

All functions are pure and vectorised. Frames, ring orientation and the pixel-centre rule: `anodewane.units`.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from anodewane.records import Camera
from anodewane.units import Floats, Rings

# --- camera --------------------------------------------------------------------------------------------------------------------------


def undistort_px(camera: Camera, points_px: Floats) -> Floats:
    """Move recorded points (n, 2) to where a lens without distortion would have put them.

    ``r_u = r_d (1 + k1 r_d^2)``, r in half diagonals about the principal point (the even-order radial model of Brown 1966, first term).
    """
    d = (np.asarray(points_px, float) - camera.centre_px) / camera.half_diagonal_px
    out: Floats = d * (1 + camera.k1 * np.sum(d * d, axis=-1, keepdims=True)) * camera.half_diagonal_px + camera.centre_px
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
    """Sheet-frame x, y (n, 2) where the lines of sight of photo points (n, 2) meet the height `height_mm` (scalar or (n,)) above the sheet."""
    u = (undistort_px(camera, points_px) - camera.centre_px) / camera.focal_px
    ray = np.concatenate([u, np.ones((*u.shape[:-1], 1))], axis=-1) @ camera.rotation
    along = (np.asarray(height_mm, float) - camera.position_mm[2]) / ray[..., 2]
    out: Floats = camera.position_mm[:2] + ray[..., :2] * along[..., None]
    return out


def plane_homography(camera: Camera, height_mm: float = 0.0) -> Floats:
    """(3, 3) matrix from the plane at `height_mm` (x, y in sheet mm) to undistorted photo pixels."""
    k = np.array([[camera.focal_px, 0, camera.centre_px[0]], [0, camera.focal_px, camera.centre_px[1]], [0, 0, 1.0]])
    translation = camera.rotation @ (np.array([0, 0, height_mm]) - camera.position_mm)
    h = k @ np.column_stack([camera.rotation[:, 0], camera.rotation[:, 1], translation])
    out: Floats = h / h[2, 2]
    return out


def apply_homography(matrix: Floats, points: Floats) -> Floats:
    """Move points (n, 2) by a (3, 3) homography."""
    q = np.c_[np.asarray(points, float), np.ones(len(points))] @ np.asarray(matrix).T
    out: Floats = q[:, :2] / q[:, 2:]
    return out


# --- polygons ------------------------------------------------------------------------------------------------------------------------


def ring_area(ring: Floats) -> float:
    """Signed area by Green's theorem: positive when the ring (n, 2) runs anticlockwise in a y-up frame."""
    x, y = ring[:, 0], ring[:, 1]
    return 0.5 * float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))


def ring_length(ring: Floats) -> float:
    """Length of a closed ring (n, 2)."""
    return float(np.sum(np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)))


def rings_area(rings: Rings) -> float:
    """Area of a polygon with holes: outer ring less the others."""
    return abs(ring_area(rings[0])) - sum(abs(ring_area(r)) for r in rings[1:])


def oriented(rings: Rings) -> Rings:
    """The same polygon with its outer ring anticlockwise and its holes clockwise."""
    return tuple(r if (ring_area(r) > 0) == (i == 0) else r[::-1].copy() for i, r in enumerate(rings))


def resample_ring(ring: Floats, step: float) -> Floats:
    """Points at equal arc-length steps of about `step` along a closed ring (n, 2), starting at its first point."""
    closed = np.vstack([ring, ring[:1]])
    arc = np.r_[0, np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))]
    n = max(8, round(arc[-1] / step))
    at = np.arange(n) * arc[-1] / n
    return np.column_stack([np.interp(at, arc, closed[:, 0]), np.interp(at, arc, closed[:, 1])])


def ring_normals(ring: Floats, smooth: int = 1) -> Floats:
    """Unit normals (n, 2) pointing to the right of travel: out of the metal for an anticlockwise outer ring and a clockwise hole.

    `smooth` is how many points on each side the tangent spans.
    """
    tangent = np.roll(ring, -smooth, axis=0) - np.roll(ring, smooth, axis=0)
    length = np.linalg.norm(tangent, axis=1, keepdims=True)
    tangent = tangent / np.where(length > 0, length, 1.0)
    return np.column_stack([tangent[:, 1], -tangent[:, 0]])


def to_shapely(rings: Rings) -> Any:
    """A valid shapely polygon (or multipolygon, where a ring crosses itself) of the rings."""
    from shapely import Polygon, make_valid

    shape = Polygon(rings[0], list(rings[1:]))
    # by structure shells stay shells and holes holes; by linework, the default, it takes ten times as long
    return shape if shape.is_valid else make_valid(shape, method="structure", keep_collapsed=False)


def pieces_to_shapely(pieces: tuple[Rings, ...]) -> Any:
    """One valid shapely geometry of several polygons; where pieces overlap they are joined."""
    from shapely import MultiPolygon

    return MultiPolygon([p for piece in pieces for p in polygons_of(to_shapely(piece))]).buffer(0)


def polygons_of(shape: Any) -> list[Any]:
    """The shapely polygons in any geometry, largest first; lines and points that `make_valid` leaves are dropped."""
    from shapely import get_parts

    parts = [g for g in get_parts(shape) if g.geom_type == "Polygon"] if shape.geom_type != "Polygon" else [shape]
    for g in get_parts(shape):
        if g.geom_type in ("MultiPolygon", "GeometryCollection"):
            parts.extend(polygons_of(g))
    return sorted((p for p in parts if not p.is_empty), key=lambda p: -p.area)


def from_shapely(polygon: Any) -> Rings:
    """Rings of a shapely polygon, not closed, outer anticlockwise."""
    rings = (np.asarray(polygon.exterior.coords)[:-1], *(np.asarray(r.coords)[:-1] for r in polygon.interiors))
    return oriented(tuple(np.asarray(r, float) for r in rings))
