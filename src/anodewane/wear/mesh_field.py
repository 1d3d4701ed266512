"""How deep the nodes of a grid lie in a closed triangle mesh.

Inside or outside by counting crossings along each row of a level's section; the distance by the nearest
of points spread over the triangles, and close to the surface exactly, to that point's triangle.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from anodewane.records import MeshForm
from anodewane.units import Floats

SAMPLE_MM = 0.7
"""Spacing of the points that stand for the surface."""

MOST_SAMPLES = 400_000
NEAR_MM = 3.0
"""From where on the nearest point stands for the surface: too far by a hundredth of a millimetre at most."""

FOOT_SLACK_MM = 0.05


def mesh_depth(form: MeshForm, x: Floats, y: Floats, z: Floats, flush: bool) -> Any:
    """float32 (nx, ny, nz) depth below the mesh's surface, negative outside. A flush part's foot is left
    out: it is dry."""
    from scipy.spatial import cKDTree

    corners = np.asarray(form.vertices_mm)[form.faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(cross, axis=1) / 2
    real = area > 1e-9
    if flush:
        real &= ~((corners[:, :, 2].max(axis=1) < FOOT_SLACK_MM) & (cross[:, 2] < 0))
    corners, area = corners[real], area[real]
    points, owner = _spread(corners, area)
    grid = np.stack(np.meshgrid(x, y, z, indexing="ij"), axis=-1).reshape(-1, 3)
    away, nearest = cKDTree(points).query(grid, workers=1)
    close = away < NEAR_MM
    away[close] = _to_triangle(grid[close], corners[owner[nearest[close]]])
    inside = np.stack(
        [_filled(np.asarray(form.vertices_mm)[form.faces], x, y, level) for level in z], axis=-1
    )
    if flush:
        # the foot's own section stands for the layer under it
        under = z < 0
        inside[:, :, under] = inside[:, :, [int(np.argmax(~under))]]
    return np.where(inside.reshape(-1), away, -away).astype(np.float32).reshape(len(x), len(y), len(z))


def _spread(corners: Floats, area: Floats) -> tuple[Floats, Any]:
    """Points (n, 3) evenly over triangles (m, 3, 3), one for each `SAMPLE_MM` square at least, and whose
    they are."""
    step = max(SAMPLE_MM, float(np.sqrt(area.sum() / MOST_SAMPLES)))
    count = np.maximum(1, np.ceil(2 * area / step**2)).astype(int)
    owner = np.repeat(np.arange(len(area)), count)
    # low discrepancy in each triangle: the R2 sequence, folded at the diagonal
    k = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    u = np.mod(0.5 + k[:, None] * np.array([0.7548776662, 0.5698402910]), 1.0)
    u = np.where(u.sum(axis=1, keepdims=True) > 1, 1 - u, u)
    a, b, c = corners[owner, 0], corners[owner, 1], corners[owner, 2]
    points = a + (b - a) * u[:, :1] + (c - a) * u[:, 1:]
    return np.vstack([points, corners.reshape(-1, 3)]), np.r_[owner, np.repeat(np.arange(len(area)), 3)]


def _to_triangle(points: Floats, corners: Floats) -> Floats:
    """Distances (n,) of points (n, 3) to triangles (n, 3, 3), one each: to the plane where the foot lies in
    the triangle, else to the nearest edge."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    normal = np.cross(b - a, c - a)
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    within = np.ones(len(points), bool)
    edges = np.full(len(points), np.inf)
    for start, end in ((a, b), (b, c), (c, a)):
        edge, off = end - start, points - start
        within &= np.sum(np.cross(edge, off) * normal, axis=1) >= 0
        share = np.sum(off * edge, axis=1) / np.maximum(np.sum(edge * edge, axis=1), 1e-12)
        nearest = off - edge * np.clip(share, 0, 1)[:, None]
        edges = np.minimum(edges, np.linalg.norm(nearest, axis=1))
    out: Floats = np.where(within, np.abs(np.sum((points - a) * normal, axis=1)), edges)
    return out


def _filled(corners: Floats, x: Floats, y: Floats, level: float) -> Any:
    """bool (nx, ny): which nodes lie inside the mesh's section at a height, by crossings along x."""
    height = corners[:, :, 2] - level
    height = np.where(height == 0, 1e-9, height)
    cut = (height.max(axis=1) > 0) & (height.min(axis=1) < 0)
    triangle, height = corners[cut], height[cut]
    ends = []
    for i, j in ((0, 1), (1, 2), (2, 0)):
        a, b = height[:, i], height[:, j]
        crosses = a * b < 0
        share = np.where(crosses, a / np.where(crosses, a - b, 1.0), 0.0)[:, None]
        ends.append(
            np.where(crosses[:, None], triangle[:, i, :2] * (1 - share) + triangle[:, j, :2] * share, np.nan)
        )
    found = np.stack(ends, axis=1)  # each row has two ends and one nan
    order = np.argsort(np.isnan(found[:, :, 0]), axis=1, kind="stable")[:, :2]
    segments = np.take_along_axis(found, order[:, :, None], axis=1)
    inside = np.zeros((len(x), len(y)), bool)
    low, high = segments[:, :, 1].min(axis=1), segments[:, :, 1].max(axis=1)
    # rows a hair aside, so that none runs through the point where two segments meet
    for k, row in enumerate(y + 1.7e-7):
        met = (low <= row) & (high > row)
        if met.any():
            a, b = segments[met, 0], segments[met, 1]
            at = np.sort(a[:, 0] + (row - a[:, 1]) / (b[:, 1] - a[:, 1]) * (b[:, 0] - a[:, 0]))
            inside[:, k] = np.searchsorted(at, x) % 2 == 1
    return inside
