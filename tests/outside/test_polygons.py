"""Polygon areas, offsets and distances against shapely (GEOS) and, for offsets, against scipy's
distance transform of a fine raster."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import distance_transform_edt

from anodewane.geometry.rings import (
    from_shapely,
    oriented,
    resample_ring,
    ring_area,
    ring_normals,
    rings_area,
    to_shapely,
)
from anodewane.records import Template
from anodewane.wear.solids import plan_after
from made.solids import outline_after

SETTINGS = settings(max_examples=25, derandomize=True, deadline=None)
seeds = st.integers(0, 10_000)


def star(seed, points=60, size=60.0):
    """A ring without crossings, as uneven as worn metal: radii vary smoothly with the angle."""
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, points))
    radius = size * (
        1 + sum(rng.uniform(-0.2, 0.2) * np.cos(k * angle + rng.uniform(0, 6)) / k for k in range(1, 6))
    )
    return np.column_stack([radius * np.cos(angle), 0.6 * radius * np.sin(angle)])


def holed(seed):
    hole = 6 * np.column_stack([np.cos(np.arange(40) * np.pi / 20), np.sin(np.arange(40) * np.pi / 20)])
    return oriented((star(seed), hole))


@SETTINGS
@given(seeds)
def test_areas_and_orientation(seed):
    rings = holed(seed)
    theirs = shapely.Polygon(rings[0], rings[1:])
    if not theirs.is_valid:
        return
    assert rings_area(rings) == pytest.approx(theirs.area, rel=1e-12)
    assert ring_area(rings[0]) > 0 > ring_area(rings[1])
    assert shapely.LinearRing(rings[0]).is_ccw
    assert not shapely.LinearRing(rings[1]).is_ccw
    assert rings_area(from_shapely(to_shapely(rings))) == pytest.approx(theirs.area, rel=1e-12)


@SETTINGS
@given(seeds, st.floats(0.3, 5.0))
def test_resampled_points_lie_on_the_ring_at_even_steps(seed, step):
    ring = star(seed)
    points = resample_ring(ring, step)
    line = shapely.LinearRing(ring)
    assert shapely.distance(shapely.points(points), line).max() < 1e-9
    along = np.array([line.project(shapely.Point(p)) for p in points[1:]])
    np.testing.assert_allclose(np.diff(along), line.length / len(points), rtol=1e-6)


@SETTINGS
@given(seeds)
def test_normals_point_out_of_the_metal(seed):
    rings = holed(seed)
    body = shapely.Polygon(rings[0], rings[1:])
    if not body.is_valid:
        return
    for ring in rings:
        fine = resample_ring(ring, 0.5)
        out = shapely.contains_xy(body, fine + 0.01 * ring_normals(fine))
        within = shapely.contains_xy(body, fine - 0.01 * ring_normals(fine))
        assert out.mean() < 0.02, "at a sharp corner a normal may graze the edge"
        assert within.mean() > 0.98


@SETTINGS
@given(seeds, st.floats(0.2, 12.0))
def test_a_worn_outline_lies_everywhere_at_its_depth(seed, depth):
    """Every point of the worn outline is at the distance d from the new one, by shapely's distance, to
    1 % of d: GEOS leaves out bends of the input that are smaller than that (BufferParameters, simplify
    factor 0.01), and chords of rounded corners lie 0.12 % nearer."""
    rings = holed(seed)
    body = shapely.Polygon(rings[0], rings[1:])
    if not body.is_valid:
        return
    template = Template("star", rings, 20.0, "flush", "plate", "zinc", None, 1.0, (), None, False)
    left = outline_after(template, depth)
    for polygon in left:
        for ring in polygon:
            distance = shapely.distance(shapely.points(resample_ring(ring, 0.4)), body.boundary)
            assert distance.max() <= depth * 1.01 + 1e-6
            assert distance.min() >= depth * (1 - 0.0113) - 1e-6
            assert distance.mean() == pytest.approx(depth, rel=2e-3)
    assert sum(rings_area(p) for p in left) == pytest.approx(plan_after(template, depth), rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("depth", [1.5, 4.0, 9.0])
def test_an_offset_against_a_raster(seed, depth):
    """Recession is what lies within d of the water: counted on a raster of 0.1 mm by scipy's exact
    Euclidean distance transform."""
    rings = holed(seed)
    template = Template("star", rings, 20.0, "flush", "plate", "zinc", None, 1.0, (), None, False)
    step = 0.1
    low, high = rings[0].min(axis=0) - 1, rings[0].max(axis=0) + 1
    x, y = np.meshgrid(np.arange(low[0], high[0], step), np.arange(low[1], high[1], step))
    inside = shapely.contains_xy(shapely.Polygon(rings[0], rings[1:]), x, y)
    counted = (distance_transform_edt(inside) - 0.5 > depth / step).sum() * step**2
    assert plan_after(template, depth) == pytest.approx(counted, rel=0.004)
