"""The cut through a new part: areas against elementary formulas, a mesh's against trimesh's own section."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
import trimesh

from anodewane.catalog.mesh_template import template_from_mesh
from anodewane.catalog.section import section_of
from anodewane.catalog.shapes import SHAPES


def area(rings):
    """Even-odd area of rings."""
    total = shapely.Polygon()
    for ring in rings:
        total = total.symmetric_difference(shapely.Polygon(ring))
    return total.area


def test_a_plate_s_cut_is_a_rectangle_less_its_holes():
    part = SHAPES["plate"](length_mm=150, width_mm=75, thickness_mm=20, holes=2, hole_mm=11, hole_pitch_mm=90)
    cut = section_of(part)
    assert (cut.y_mm, cut.known) == (0.0, True)
    assert area(cut.metal) == pytest.approx((150 - 22) * 20, rel=1e-3)


def test_a_drafted_plate_s_cut_is_a_trapezium():
    part = SHAPES["plate"](
        length_mm=150, width_mm=75, thickness_mm=20, draft_deg=20.0, edge_radius_mm=0.0, crown_mm=0.0
    )
    assert area(section_of(part).metal) == pytest.approx(
        20 * (150 - 20 * math.tan(math.radians(20))), rel=2e-3
    )


def test_counterbores_and_straps_are_cut_out():
    part = SHAPES["block"](
        length_mm=100, width_mm=60, thickness_mm=40, hole_mm=9, counterbore_mm=20, counterbore_depth_mm=15
    )
    expected = 100 * 40 - 2 * (9 * 40 + 11 * 15)
    assert area(section_of(part).metal) == pytest.approx(expected, rel=1e-3)
    bar = SHAPES["strap-bar"](length_mm=200, width_mm=50, thickness_mm=30, strap_reach_mm=35)
    cut = section_of(bar)
    assert area(cut.steel) == pytest.approx(270 * 5)
    assert area(cut.metal) == pytest.approx(200 * 25)


def test_a_nut_s_cut_is_two_frusta():
    part = SHAPES["nut"](diameter_mm=60, top_mm=26, thickness_mm=40, waist_mm=54, centre_hole_mm=10)
    expected = 2 * ((30 + 27) / 2 * 22 + (27 + 13) / 2 * 18) - 10 * 40
    assert area(section_of(part).metal) == pytest.approx(expected, rel=1e-3)


def test_a_collar_s_cut_is_the_barrel_over_the_bore():
    """The mean of ``1 - s^b`` over 0 to 1 is b / (b + 1)."""
    part = SHAPES["collar"](length_mm=80, diameter_mm=70, end_diameter_mm=52, bore_mm=28, barrel=2.0, holes=0)
    mean = 26 + 9 * 2 / 3
    assert area(section_of(part).metal) == pytest.approx(80 * (mean - 14), rel=2e-3)


def test_a_mesh_s_cut_is_trimesh_s():
    mesh = trimesh.creation.annulus(10.0, 50.0, 20.0, sections=64)
    cut = section_of(template_from_mesh(mesh.export(file_type="stl"), "t.stl", "t"))
    theirs = mesh.section(plane_origin=[0, cut.y_mm + 1e-4, 0], plane_normal=[0, 1, 0])
    loops = [loop[:, [0, 2]] for loop in theirs.discrete]
    assert area(cut.metal) == pytest.approx(area(loops), rel=1e-4)


def test_an_unknown_profile_says_so():
    part = SHAPES["plate"](length_mm=150, width_mm=75, thickness_mm=20, solid="cast")
    assert not section_of(part).known
    assert np.ptp(np.vstack(section_of(part).metal), axis=0).tolist() == pytest.approx([150, 20])
