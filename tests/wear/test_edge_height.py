"""At which height a camera sees an edge: the formulas against brute force, and whole new parts,
projected by OpenCV, back to their plan area."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import shapely

from anodewane.records import Template
from anodewane.stages.placing.silhouette import plan_area, plate_plan, rod_plan, silhouette_of
from anodewane.testing import placement
from anodewane.wear.edge_height import (
    WALL_LAWS,
    Wall,
    lower,
    round_height,
    sight_slope,
    wall_height,
    worn_wall,
)
from made.exact_views import camera_over, mask_of, moved, plane_of, plate, prism_px, rod_px

SLOPES = np.r_[-np.geomspace(2.0, 1e-3, 40), 0.0, np.geomspace(1e-3, 2.0, 40)]


# --- one point of a wall -------------------------------------------------------------------------


def test_a_straight_wall_is_seen_at_its_top_from_inside_and_at_its_foot_from_outside() -> None:
    wall = Wall(2.0, 20.0, 1e-9)
    heights = np.linspace(wall.lo_mm, wall.hi_mm, 2001)
    push = np.max(SLOPES[:, None] * heights, axis=1)  # brute force: the proudest of many heights
    away = SLOPES != 0
    assert np.allclose((wall_height(wall, SLOPES) * SLOPES)[away], push[away], atol=1e-6)
    assert np.allclose(wall_height(wall, np.array([0.3, -0.3])), [20.0, 2.0], atol=1e-6)


@pytest.mark.parametrize("wander", [0.1, 0.5, 1.5])
def test_a_wall_that_wanders_is_the_half_ellipse_that_its_hyperbola_stands_for(wander: float) -> None:
    # s(m) = m mid + sqrt((m half)^2 + c^2) - c is the support function of an ellipse: half axis `half`
    # in height, c across, its proudest point flush with the wall.
    wall = Wall(1.0, 19.0, wander)
    turn = np.linspace(-np.pi, np.pi, 40001)
    height, inset = 10.0 + 9.0 * np.sin(turn), wander * (1 - np.cos(turn))
    push = np.array([np.max(m * height - inset) for m in SLOPES])
    got = wall_height(wall, SLOPES) * SLOPES
    assert np.abs(got - push).max() < 1e-6


def test_a_rod_is_seen_where_the_tangent_touches_it() -> None:
    radius = 12.5
    turn = np.linspace(-np.pi, np.pi, 40001)
    height, across = (
        radius * (1 + np.sin(turn)),
        radius * (np.cos(turn) - 1),
    )  # a circle on the ground, its side as the wall
    push = np.array([np.max(m * height + across) for m in SLOPES])
    assert np.abs(round_height(radius, SLOPES) * SLOPES - push).max() < 1e-5


@pytest.mark.parametrize(
    "seen",
    [
        lambda m: wall_height(Wall(1.0, 20.0, 0.4), m),
        lambda m: round_height(9.0, m),
        lambda m: wall_height(worn_wall("open", 25.0, 18.0), m),
    ],
)
def test_no_jump_where_the_line_of_sight_runs_along_the_wall(seen) -> None:
    tiny = np.array([-1e-5, -2e-6, -0.9e-6, 0.0, 0.9e-6, 2e-6, 1e-5])
    heights = seen(tiny)
    assert np.abs(heights - heights[3]).max() < 0.005
    assert (np.diff(seen(SLOPES)) > -1e-9).all()  # the more it faces away, the higher it is seen


@pytest.mark.parametrize("mount", ["flush", "open"])
@pytest.mark.parametrize("new", [6.0, 16.0, 34.0])
def test_walls_by_wear(mount, new: float) -> None:
    fresh = worn_wall(mount, new, new)
    assert fresh == Wall(0.0, new, WALL_LAWS[mount].wander_mm)
    assert worn_wall(mount, new, new + 0.5) == fresh  # a casting thicker than drawn
    walls = [worn_wall(mount, new, t) for t in np.linspace(new, 0.05 * new, 60)]
    tops, feet, wander = (np.array([getattr(w, k) for w in walls]) for k in ("hi_mm", "lo_mm", "wander_mm"))
    assert (np.diff(tops) <= 1e-12).all()
    assert (np.diff(wander) > 0).all()
    assert (tops > 0).all()
    assert (feet >= 0).all()
    assert (feet <= tops / 2 + 1e-12).all()
    # the proudest places sink slower than the mean, once the edge has gone
    worn = new - np.linspace(new, 0.05 * new, 60) > 3.0
    assert (tops[worn] > np.linspace(new, 0.05 * new, 60)[worn]).all()


# --- pushes in the plane -------------------------------------------------------------------------


def test_lowering_undoes_what_the_pinhole_does() -> None:
    rng = np.random.default_rng(1)
    foot, camera_height = np.array([30.0, -80.0]), 520.0
    points, heights = rng.uniform(-100, 100, (50, 2)), rng.uniform(0, 40, 50)
    lens = np.r_[foot, camera_height]
    ray = np.c_[points, heights] - lens
    seen = (
        lens[:2] + ray[:, :2] * (-camera_height / ray[:, 2])[:, None]
    )  # where the line of sight meets z = 0
    assert np.allclose(lower(seen, heights, foot, camera_height), points, atol=1e-9)
    normals = rng.normal(size=(50, 2))
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    # slope: how far the line of sight moves across the wall for each mm that it falls
    assert np.allclose(
        sight_slope(seen, normals, foot, camera_height),
        np.sum(ray[:, :2] * normals, axis=1) / -ray[:, 2],
        atol=1e-9,
    )


def test_a_higher_part_is_seen_larger_and_taken_for_smaller() -> None:
    square = shapely.box(-50, -30, 50, 30)
    camera = camera_over(tilt_deg=10.0)
    seen = [prism_px(camera, square, h).area for h in (0.01, 5.0, 15.0, 30.0)]
    assert all(b > a for a, b in pairwise(seen))
    silhouette = silhouette_of(mask_of(prism_px(camera, square, 15.0)), camera)
    areas = [
        plan_area(plate_plan(silhouette, plate(square, h), h, Wall(0.0, h, 0.1))[0])
        for h in (0.01, 5.0, 15.0, 30.0)
    ]
    assert all(b < a for a, b in pairwise(areas))


# --- whole new parts -----------------------------------------------------------------------------

OUTLINES = {
    "box": shapely.box(-70, -35, 70, 35),
    "disc": shapely.Point(0, 0).buffer(45, quad_segs=64),
    "ell": shapely.Polygon([(-60, -40), (60, -40), (60, 0), (0, 0), (0, 40), (-60, 40)]),
}


@pytest.mark.parametrize("name", sorted(OUTLINES))
@pytest.mark.parametrize("tilt", [0.0, 12.0, 30.0])
@pytest.mark.parametrize("distance", [300.0, 600.0, 1000.0])
def test_a_new_plate_comes_back_to_its_plan_area(name: str, tilt: float, distance: float) -> None:
    shape = moved(OUTLINES[name], placement(25.0, (15.0, -35.0)))
    camera = camera_over(at=(0.0, -20.0), tilt_deg=tilt, azimuth_deg=70.0, distance_mm=distance)
    template = plate(shape, thickness_mm=22.0)
    seen = silhouette_of(mask_of(prism_px(camera, shape, 22.0)), camera)
    got = plan_area(plate_plan(seen, template, 22.0)[0])
    assert got == pytest.approx(shape.area, rel=0.005)
    unlowered = plan_area(seen.pieces)
    assert unlowered > shape.area * 1.02  # what the correction is for


@pytest.mark.parametrize("tilt", [0.0, 15.0])
def test_holes_of_a_new_plate_come_back_too(tilt: float) -> None:
    template = plate(OUTLINES["box"], thickness_mm=15.0, holes=((-40, 0, 14), (40, 0, 14)))
    shape = shapely.Polygon(template.rings[0], template.rings[1:])
    camera = camera_over(tilt_deg=tilt, distance_mm=700.0)
    plan = plate_plan(silhouette_of(mask_of(prism_px(camera, shape, 15.0)), camera), template, 15.0)[0]
    assert len(plan[0]) == 3
    for ring in plan[0][1:]:
        assert shapely.Polygon(ring).area == pytest.approx(np.pi * 49, rel=0.06)  # 0.2 mm of its radius
    assert plan_area(plan) == pytest.approx(shape.area, rel=0.005)


@pytest.mark.parametrize(("tilt", "within"), [(0.0, 0.01), (12.0, 0.01), (30.0, 0.025)])
@pytest.mark.parametrize("turn", [0.0, 40.0, 90.0])
@pytest.mark.parametrize("distance", [400.0, 900.0])
def test_a_rod_comes_back_to_its_side_view(tilt: float, within: float, turn: float, distance: float) -> None:
    # The wider bound from the side is the law's own: it takes the ends for worn ones, and these are as
    # sharp as a lathe leaves them. The sides are exact.
    radius, half = 14.0, 60.0
    along = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
    ends = np.array([20.0, -30.0]) + np.array([[-half], [half]]) * along
    camera = camera_over(at=(0.0, 0.0), tilt_deg=tilt, azimuth_deg=20.0, distance_mm=distance)
    ring = np.array([[-half, -radius], [half, -radius], [half, radius], [-half, radius]])
    template = Template("rod", (ring,), 2 * radius, "open", "rod", "zinc", None, 1.0, (), None, True)
    seen = silhouette_of(mask_of(rod_px(camera, ends, radius)), camera)
    assert plan_area(seen.pieces) > 1.04 * 4 * radius * half  # what is to be taken out: 4 to 28 %
    plan, _, got = rod_plan(seen, template)
    assert got == pytest.approx(radius, rel=within)
    assert plan_area(plan) == pytest.approx(4 * radius * half, rel=within)
    # away from the ends the width is the diameter, whatever the ends do
    middle = plan[0][0][np.abs((plan[0][0] - ends.mean(0)) @ along) < half / 2]
    across = middle @ np.array([-along[1], along[0]])
    assert across.max() - across.min() == pytest.approx(2 * radius, abs=0.15)


def test_exact_views_agree_with_the_projects_own_camera() -> None:
    from anodewane.geometry.camera import project
    from made.exact_views import seen_by_opencv

    camera = camera_over(tilt_deg=25.0, azimuth_deg=200.0)
    points = np.random.default_rng(2).uniform(-80, 80, (30, 3))
    assert np.abs(seen_by_opencv(camera, points) - project(camera, points)).max() < 1e-6
    assert plane_of(camera).tilt_deg == pytest.approx(25.0)
