"""Shapes from measures, against shapely's own figures and elementary formulas."""

from __future__ import annotations

import inspect
import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from anodewane.catalog import shapes
from anodewane.catalog.shapes import (
    CHORD_MM,
    PARAMETER_TEXT,
    SHAPES,
    circle,
    rounded_polygon,
    slot,
    swollen_polygon,
)
from anodewane.errors import UsageError
from anodewane.geometry.rings import ring_area, rings_area

SETTINGS = settings(max_examples=30, derandomize=True, deadline=None)
lengths = st.floats(1.0, 400.0)


def polygon(template):
    return shapely.Polygon(template.rings[0], template.rings[1:])


@SETTINGS
@given(lengths)
def test_a_circle_has_its_exact_area_and_keeps_within_the_chord_error(diameter):
    ring = circle((3.0, -2.0), diameter)
    assert ring_area(ring) == pytest.approx(math.pi / 4 * diameter**2, rel=1e-12)
    middles = (ring + np.roll(ring, -1, axis=0)) / 2
    for points in (ring, middles):
        off = np.linalg.norm(points - [3.0, -2.0], axis=1) - diameter / 2
        assert np.abs(off).max() <= CHORD_MM


@pytest.mark.slow
@SETTINGS
@given(st.floats(20.0, 400.0), st.floats(20.0, 400.0), st.just(0.0) | st.floats(1e-3, 9.9))
def test_rounded_corners_are_a_shapely_opening(length, width, radius):
    """Shrinking by the radius and growing again rounds a rectangle's corners: shapely's mitred and
    round offsets."""
    corners = np.array([[-length, -width], [length, -width], [length, width], [-length, width]]) / 2
    ours = shapely.Polygon(rounded_polygon(corners, radius))
    theirs = shapely.box(-length / 2, -width / 2, length / 2, width / 2)
    if radius > 0:
        theirs = theirs.buffer(-radius, join_style="mitre").buffer(radius, quad_segs=200)
    assert ours.is_valid
    assert ours.exterior.is_ccw
    assert ours.symmetric_difference(theirs).area <= ours.length * CHORD_MM
    assert ours.hausdorff_distance(theirs) <= CHORD_MM + 1e-6


def test_a_swollen_triangle_is_shapely_s_buffer():
    triangle = np.array([[0.0, 0.0], [60.0, 0.0], [20.0, 45.0]])
    ours, theirs = (
        shapely.Polygon(swollen_polygon(triangle, 7.0)),
        shapely.Polygon(triangle).buffer(7.0, quad_segs=200),
    )
    assert ours.hausdorff_distance(theirs) <= CHORD_MM + 1e-3


def test_a_slot_is_a_line_with_breadth():
    ours, theirs = (
        shapely.Polygon(slot((4.0, 5.0), 30.0, 11.0)),
        shapely.LineString([(-5.5, 5), (13.5, 5)]).buffer(5.5, quad_segs=200),
    )
    assert ours.hausdorff_distance(theirs) <= CHORD_MM + 1e-3


@pytest.mark.parametrize(
    ("template", "area", "size"),
    [
        (shapes.rectangular_plate(150, 80, 20, corner_mm=0), 150 * 80, (150, 80)),
        (
            shapes.rectangular_plate(150, 80, 20, corner_mm=10, holes=2, hole_mm=12),
            150 * 80 - (4 - math.pi) * 100 - 2 * math.pi * 36,
            (150, 80),
        ),
        (
            shapes.rectangular_plate(150, 80, 20, corner_mm=0, slots=2, slot_length_mm=30, slot_width_mm=10),
            150 * 80 - 2 * (200 + math.pi * 25),
            (150, 80),
        ),
        (
            shapes.disc(120, 25, centre_hole_mm=14, holes=3, hole_mm=8),
            math.pi * (3600 - 49 - 3 * 16),
            (120, 120),
        ),
        (shapes.ring(140, 80, 15), math.pi * (4900 - 1600), (140, 140)),
        (shapes.triangle(100, 90, 20, corner_mm=0, holes=0), 4500, (100, 90)),
        (shapes.wedge(140, 70, 40, 24, corner_mm=0, holes=0), 140 * 55, (140, 70)),
        (shapes.bar(200, 40, 30), 160 * 40 + math.pi * 400, (200, 40)),
        (shapes.rod(180, 25), 180 * 25, (180, 25)),
        # half a ring less the strip of half the gap along its two faces, by shapely below
        (shapes.half_collar(100, 50, 60, gap_mm=0, corner_mm=0), math.pi / 2 * (2500 - 625), (100, 50)),
    ],
    ids=lambda v: v.name if hasattr(v, "name") else "",
)
def test_areas_and_sizes_by_formula(template, area, size):
    assert rings_area(template.rings) == pytest.approx(area, rel=1.5e-3)
    assert np.ptp(template.rings[0], axis=0) == pytest.approx(size, abs=2 * CHORD_MM)
    assert polygon(template).is_valid


def test_a_teardrop_is_the_hull_of_two_circles():
    template = shapes.teardrop(130, 65, 26, tail_mm=16, holes=0)
    hull = shapely.union(
        shapely.Point(-65 + 32.5, 0).buffer(32.5, quad_segs=300),
        shapely.Point(65 - 8, 0).buffer(8, quad_segs=300),
    ).convex_hull
    assert polygon(template).hausdorff_distance(hull) <= CHORD_MM + 1e-3


def test_a_half_collar_is_half_a_ring():
    template = shapes.half_collar(100, 50, 60, gap_mm=6, corner_mm=0)
    ring = (
        shapely.Point(0, 0)
        .buffer(50, quad_segs=300)
        .difference(shapely.Point(0, 0).buffer(25, quad_segs=300))
    )
    half = ring.intersection(shapely.box(-60, 3, 60, 60))
    assert polygon(template).area == pytest.approx(half.area, rel=1e-3)
    assert template.thickness_mm == 60
    rounded = shapes.half_collar(100, 50, 60, gap_mm=6, corner_mm=4)
    assert 0 < polygon(template).area - polygon(rounded).area < 4 * (4 - math.pi) * 16


def test_a_thinning_wedge_has_the_fill_factor_of_its_solid():
    """Width and height both fall evenly: the volume by scipy's quadrature over the length."""
    from scipy.integrate import quad

    template = shapes.wedge(140, 70, 40, 24, thin_end_mm=14, corner_mm=0, holes=0)
    volume = quad(lambda x: (70 - 30 * x / 140) * (24 - 10 * x / 140), 0, 140)[0]
    assert template.fill_factor * rings_area(template.rings) * 24 == pytest.approx(volume, rel=1e-9)


def test_holes_keep_their_nominal_diameter_and_washer():
    template = shapes.disc(120, 25, holes=4, hole_mm=10.5, washer_mm=24)
    assert [h.diameter_mm for h in template.fixing_holes] == [10.5] * 4
    assert {h.washer_mm for h in template.fixing_holes} == {24.0}
    slotted = shapes.rectangular_plate(150, 75, 20, slots=1, slot_length_mm=28, slot_width_mm=11)
    assert slotted.fixing_holes[0].diameter_mm == pytest.approx(11, abs=1e-3)
    assert shapes.ring(140, 80, 15).fixing_holes == ()


def test_rings_run_as_the_frames_say():
    for template in (
        shapes.disc(120, 25, holes=4),
        shapes.teardrop(130, 65, 26),
        shapes.half_collar(90, 40, 50),
    ):
        assert ring_area(template.rings[0]) > 0
        assert all(ring_area(r) < 0 for r in template.rings[1:])


def test_open_parts_may_lie_either_way_and_rods_are_open():
    assert shapes.rod(100, 20).mount == "open"
    assert shapes.rod(100, 20).mirror_ok
    assert not shapes.bar(200, 40, 30).mirror_ok
    assert shapes.bar(200, 40, 30, mount="open").mirror_ok
    assert not shapes.bar(200, 40, 30, mount="open", mirror_ok=False).mirror_ok


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: shapes.rectangular_plate(0, 80, 20), "length is 0 mm"),
        (lambda: shapes.rectangular_plate(float("nan"), 80, 20), "length is nan"),
        (lambda: shapes.rectangular_plate(150, 80, 0), "thickness of 0 mm"),
        (lambda: shapes.rectangular_plate(150, 80, 20, corner_mm=41), "too round"),
        (lambda: shapes.rectangular_plate(150, 80, 20, holes=1, hole_mm=80), "touches the edge"),
        (lambda: shapes.rectangular_plate(150, 80, 20, holes=2, hole_pitch_mm=10), "Holes 1 and 2"),
        (lambda: shapes.rectangular_plate(150, 80, 20, holes=2, hole_pitch_mm=300), "outside the outline"),
        (lambda: shapes.rectangular_plate(150, 80, 20, slots=1, slot_length_mm=9), "isn't longer than wide"),
        (lambda: shapes.disc(3, 2), "which no such part is"),
        (lambda: shapes.disc(2500, 20), "which no such part is"),
        (lambda: shapes.ring(80, 90, 15), "touches the edge|outside the outline|crosses"),
        (lambda: shapes.triangle(100, 90, 20, holes=2), "2 holes"),
        (lambda: shapes.triangle(100, 90, 20, corner_mm=60), "too round"),
        (lambda: shapes.teardrop(60, 65, 26), "no tail"),
        (lambda: shapes.half_collar(50, 60, 40), "can't be"),
        (lambda: shapes.half_collar(60, 50, 40, corner_mm=6), "too round"),
        (lambda: shapes.rod(100, 20, mount="flush"), "wastes all round"),
        (lambda: shapes.disc(100, 20, centre_hole_mm=12, washer_mm=10), "washer of hole 1"),
        (lambda: shapes.disc(100, 20, core_depth_mm=25), "core 25 mm deep"),
        (lambda: shapes.disc(100, 20, new_mass_g=1.1), "weigh 1.1 g"),
        (lambda: shapes.disc(100, 20, fill_factor=0), "fill factor"),
        (lambda: shapes.disc(100, 20, alloy="lead"), "'lead'"),
    ],
)
def test_what_cannot_be_made_is_said_in_one_sentence(make, words):
    with pytest.raises(UsageError, match=words) as caught:
        make()
    assert caught.value.message.endswith(".")
    assert caught.value.remedy.endswith(".")


def test_every_parameter_has_its_words():
    """The command line takes its options and their help from the makers."""
    used = {
        name
        for maker in SHAPES.values()
        for name, p in inspect.signature(maker).parameters.items()
        if p.kind is not inspect.Parameter.VAR_KEYWORD
    }
    assert used == set(PARAMETER_TEXT)
    assert all(inspect.getdoc(maker) for maker in SHAPES.values())
