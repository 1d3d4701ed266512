"""The solid that a fit turns, against formulas and shapely."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from anodewane.geometry.rings import from_shapely, ring_area
from anodewane.views.model import Solid, field_functions, frame_of, plate, rod
from made.exact_views import plate as plate_template


def a_plate(mount: str = "flush", holes=((-30.0, 0.0, 12.0),)) -> tuple[Solid, shapely.Polygon]:
    template = plate_template(shapely.box(-60, -30, 60, 30).buffer(-5).buffer(5), 20.0, mount, holes)
    shape = shapely.Polygon(template.rings[0], template.rings[1:])
    return plate((template.rings,), template, 20.0), shape


def with_values(solid: Solid, **values: float) -> np.ndarray:
    p = np.zeros(solid.n_parameters)
    for name, value in values.items():
        p[solid.block(name).start] = value
    return p


def test_a_straight_plate_is_area_times_height() -> None:
    solid, shape = a_plate()
    p = with_values(solid, height=20.0)
    assert solid.plan_area(p) == pytest.approx(shape.area, rel=2e-3)
    assert solid.volume(p) == pytest.approx(shape.area * 20.0, rel=2e-3)


@pytest.mark.parametrize("mount", ["flush", "open"])
def test_rounded_edges_take_what_shapely_and_summing_sections_say(mount: str) -> None:
    solid, shape = a_plate(mount)
    p = with_values(solid, height=20.0, round=4.0)
    z = (np.arange(400) + 0.5) * 20.0 / 400
    from_edge = np.minimum(20.0 - z, z) if mount == "open" else 20.0 - z
    inset = np.where(from_edge < 4.0, 4.0 - np.sqrt(np.maximum(16.0 - (4.0 - from_edge) ** 2, 0.0)), 0.0)
    summed = sum(shape.buffer(-d).area for d in inset) * 20.0 / 400
    assert solid.volume(p) == pytest.approx(summed, rel=4e-3)


def test_points_of_the_levels_lie_where_the_parameters_put_them() -> None:
    solid, _ = a_plate()
    p = with_values(solid, height=20.0, round=4.0)
    points = solid.points(p)
    top = points[solid.level[solid.curve] == solid.rim_level]
    assert top[:, 2] == pytest.approx(20.0, abs=1e-6)
    outer = top[~solid.hole[solid.curve[solid.level[solid.curve] == solid.rim_level]]]
    assert np.ptp(outer[:, 0]) == pytest.approx(112.0, abs=0.6)
    assert points[:, 2].min() == 0.0


def test_a_rod_is_a_cylinder_and_a_barrel_is_turned() -> None:
    straight = np.array([[-50, -12], [50, -12], [50, 12], [-50, 12.0]])
    solid = rod(((straight,),))
    p = with_values(solid, height=1.0, axis=12.0)
    assert solid.volume(p) == pytest.approx(np.pi * 12**2 * 100, rel=0.01)
    p[solid.block("height").start] = (
        0.8  # sections four fifths as high as wide: an ellipse's area goes with both axes
    )
    assert solid.volume(p) == pytest.approx(0.8 * np.pi * 12**2 * 100, rel=0.01)
    t = np.linspace(-1, 1, 60)
    waist = 15 * np.sqrt(1 - 0.6 * t**2)
    barrel = np.r_[np.c_[45 * t, -waist], np.c_[45 * t[::-1], waist[::-1]]]
    turned = rod(((barrel,),))
    exact = np.pi * 15**2 * 45 * 2 * (1 - 0.6 / 3)  # the integral of the squared radius
    assert turned.volume(with_values(turned, height=1.0, axis=15.0)) == pytest.approx(exact, rel=0.01)


def test_a_rods_level_curves_lie_on_its_surface() -> None:
    straight = np.array([[-50, -12], [50, -12], [50, 12], [-50, 12.0]])
    solid = rod(((straight,),))
    points = solid.points(with_values(solid, height=1.0, axis=12.0))
    reach = np.hypot(points[:, 1], points[:, 2] - 12)
    along_side = np.abs(points[:, 0]) < 45
    assert reach[along_side] == pytest.approx(12.0, abs=0.2)


def test_the_fields_functions_have_mean_nought_and_shapely_agrees_with_the_frame() -> None:
    shape = shapely.affinity.rotate(
        shapely.box(-60, -20, 60, 20).difference(shapely.Point(30, 0).buffer(12)), 33
    )
    frame = frame_of(shape)
    assert frame[0] == pytest.approx([shape.centroid.x, shape.centroid.y], abs=1e-6)
    grid = np.stack(np.meshgrid(np.arange(-70, 70, 0.7), np.arange(-70, 70, 0.7)), axis=-1).reshape(-1, 2)
    inside = grid[shapely.contains_xy(shape, grid[:, 0], grid[:, 1])]
    mean = field_functions(inside, frame).mean(0)
    assert mean[0] == 1
    assert mean[1:] == pytest.approx(0, abs=0.02)
    assert frame[2][0] == pytest.approx(np.std((inside - frame[0]) @ frame[1][:, 0]), rel=0.01)


def test_the_plan_is_the_outermost_of_a_leaning_wall() -> None:
    solid, shape = a_plate(holes=())
    p = with_values(solid, height=20.0)
    p[solid.block("lean")] = 2.0
    assert solid.plan_area(p) == pytest.approx(shape.buffer(2.0).area, rel=0.01)
    assert ring_area(from_shapely(shape)[0]) > 0
