"""Closed rings of points and polygons of them.

All functions are pure and vectorised. Ring orientation: `anodewane.units`.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from anodewane.units import Floats, Rings


def ring_area(ring: Floats) -> float:
    """Signed area by Green's theorem: positive when the ring (n, 2) runs anticlockwise in a y-up frame."""
    x, y = ring[:, 0], ring[:, 1]
    return 0.5 * float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))


def ring_length(ring: Floats) -> float:
    """Length of a closed ring (n, 2)."""
    return float(np.sum(np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)))


def box_sides(points: Floats) -> Floats:
    """Sides (2,) of the smallest rectangle round points (n, 2), longer first."""
    import cv2

    out: Floats = np.sort(np.array(cv2.minAreaRect(np.asarray(points, np.float32))[1], float))[::-1]
    return out


def ring_centre(ring: Floats) -> Floats:
    """Centroid (2,) of the area inside a closed ring (n, 2)."""
    from shapely import Polygon

    centre = Polygon(ring).centroid
    return np.array([centre.x, centre.y])


def rings_area(rings: Rings) -> float:
    """Area of a polygon with holes: outer ring less the others."""
    return abs(ring_area(rings[0])) - sum(abs(ring_area(r)) for r in rings[1:])


def oriented(rings: Rings) -> Rings:
    """The same polygon with its outer ring anticlockwise and its holes clockwise."""
    return tuple(r if (ring_area(r) > 0) == (i == 0) else r[::-1].copy() for i, r in enumerate(rings))


def resample_ring(ring: Floats, step: float) -> Floats:
    """Points at equal arc-length steps of about `step` along a closed ring (n, 2), starting at
    its first point."""
    closed = np.vstack([ring, ring[:1]])
    arc = np.r_[0, np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))]
    n = max(8, round(arc[-1] / step))
    at = np.arange(n) * arc[-1] / n
    return np.column_stack([np.interp(at, arc, closed[:, 0]), np.interp(at, arc, closed[:, 1])])


def ring_normals(ring: Floats, smooth: int = 1) -> Floats:
    """Unit normals (n, 2) pointing to the right of travel: out of the metal for an anticlockwise outer
    ring and a clockwise hole.

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
    """The shapely polygons in any geometry, largest first; lines and points that `make_valid`
    leaves are dropped."""
    from shapely import get_parts

    parts = (
        [g for g in get_parts(shape) if g.geom_type == "Polygon"] if shape.geom_type != "Polygon" else [shape]
    )
    for g in get_parts(shape):
        if g.geom_type in ("MultiPolygon", "GeometryCollection"):
            parts.extend(polygons_of(g))
    return sorted((p for p in parts if not p.is_empty), key=lambda p: -p.area)


def from_shapely(polygon: Any) -> Rings:
    """Rings of a shapely polygon, not closed, outer anticlockwise."""
    rings = (
        np.asarray(polygon.exterior.coords)[:-1],
        *(np.asarray(r.coords)[:-1] for r in polygon.interiors),
    )
    return oriented(tuple(np.asarray(r, float) for r in rings))
