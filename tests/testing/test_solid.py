"""The worn solid against formulas and shapely."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from anodewane.geometry.rings import from_shapely, to_shapely
from anodewane.records import Template
from anodewane.testing import WearPattern, erode
from anodewane.testing.solid import new_volume_mm3, wave_noise

HOLED = (
    shapely.box(-75, -30, 75, 30)
    .difference(shapely.Point(40, 0).buffer(6, 64))
    .difference(shapely.Point(-40, 0).buffer(6, 64))
)


def part(shape: shapely.Polygon, thickness_mm: float, mount: str = "flush", solid: str = "plate") -> Template:
    return Template(
        "part", from_shapely(shape), thickness_mm, mount, solid, "zinc", None, 1.0, (), None, True
    )  # type: ignore[arg-type]


@pytest.mark.parametrize("mount", ["flush", "open"])
@pytest.mark.parametrize("depth_mm", [0.0, 3.3, 7.7])
def test_even_wear_of_a_plate_is_shapelys_inward_offset(mount: str, depth_mm: float) -> None:
    solid = erode(part(HOLED, 24.3, mount), WearPattern(depth_mm, face_ratio=1.2))
    worn = HOLED.buffer(-depth_mm, join_style="mitre", quad_segs=64)
    high = 24.3 - 1.2 * depth_mm * (1 if mount == "flush" else 2)
    assert solid.area_mm2 == pytest.approx(worn.area, rel=2e-4)
    assert solid.volume_mm3 == pytest.approx(worn.area * high, rel=1e-3)
    assert solid.top_mm == pytest.approx(high, abs=0.02)
    assert solid.drop_mm == pytest.approx(0 if mount == "flush" else 1.2 * depth_mm, abs=0.02)
    plan = to_shapely(solid.plan_mm[0])
    assert plan.symmetric_difference(worn).area < 5e-4 * worn.area
    assert len(solid.plan_mm[0]) == 3


@pytest.mark.parametrize(
    ("diameter_mm", "length_mm", "depth_mm"), [(38.0, 82.0, 0.0), (38.0, 82.0, 5.1), (25.0, 120.0, 3.3)]
)
@pytest.mark.parametrize("turned", [False, True])
def test_even_wear_of_a_rod_is_a_smaller_cylinder(
    diameter_mm: float, length_mm: float, depth_mm: float, turned: bool
) -> None:
    a, b = (diameter_mm, length_mm) if turned else (length_mm, diameter_mm)
    template = part(shapely.box(-a / 2, -b / 2, a / 2, b / 2), diameter_mm, "open", "rod")
    assert new_volume_mm3(template) == pytest.approx(np.pi / 4 * diameter_mm**2 * length_mm, rel=1e-9)
    solid = erode(template, WearPattern(depth_mm))
    d, long = diameter_mm - 2 * depth_mm, length_mm - 2 * depth_mm
    assert solid.area_mm2 == pytest.approx(d * long, rel=3e-4)
    assert solid.volume_mm3 == pytest.approx(np.pi / 4 * d * d * long, rel=1e-3)
    assert solid.top_mm == pytest.approx(d, abs=0.03)  # it sank to the ground


def test_a_cone_by_its_formula() -> None:
    # solid of revolution of a trapezium: a frustum, V = pi h (R^2 + R r + r^2) / 3
    template = part(shapely.Polygon([(-50, -20), (50, -10), (50, 10), (-50, 20)]), 40.0, "open", "rod")
    frustum = np.pi * 100 * (20**2 + 20 * 10 + 10**2) / 3
    assert new_volume_mm3(template) == pytest.approx(frustum, rel=1e-9)
    assert erode(template, WearPattern()).volume_mm3 == pytest.approx(frustum, rel=2e-3)


@pytest.mark.slow
def test_uneven_wear_agrees_with_counting_on_a_finer_grid() -> None:
    """Brute force: the share of points below zero, the field interpolated by SciPy on a grid five
    times as fine."""
    from scipy.ndimage import map_coordinates

    template = part(shapely.box(-30, -20, 30, 20).difference(shapely.Point(5, 0).buffer(5, 32)), 16.0, "open")
    solid = erode(template, WearPattern(3.0, unevenness=0.4, pit_mm=0.8, rounding=0.8, one_sided=0.4, seed=3))
    k = 5
    axes = [(np.arange((n - 1) * k) + 0.5) / k for n in solid.field.shape]
    count, plan = 0, np.zeros((len(axes[0]), len(axes[1])), bool)
    for z in axes[2]:
        points = np.meshgrid(axes[0], axes[1], [z], indexing="ij")
        metal = (map_coordinates(solid.field, points, order=1) < 0)[..., 0]
        count += int(metal.sum())
        plan |= metal
    cell = solid.step_mm / k
    # shares of the new part, as the figures are quoted: 0.15 points
    assert solid.volume_mm3 / solid.volume_new_mm3 == pytest.approx(
        count * cell**3 / solid.volume_new_mm3, abs=1.5e-3
    )
    assert solid.area_mm2 / solid.area_new_mm2 == pytest.approx(
        plan.sum() * cell**2 / solid.area_new_mm2, abs=1.5e-3
    )


def test_a_break_takes_its_share_and_a_severed_piece_falls_off() -> None:
    whole = shapely.box(-60, -20, 60, 20)
    broken = erode(part(whole, 15.0), WearPattern(broken=((0.0, 0.2),)))
    assert broken.consumed_area == pytest.approx(0.2, abs=0.01)
    assert broken.consumed_volume == pytest.approx(0.2, abs=0.01)
    assert broken.plan_mm[0][0][:, 0].max() == pytest.approx(
        36, abs=3.0
    )  # 0.2 of 120 mm off the right-hand end
    dumbbell = (
        shapely.box(-60, -20, -5, 20).union(shapely.box(10, -20, 60, 20)).union(shapely.box(-10, -4, 15, 4))
    )
    worn = erode(part(dumbbell, 15.0), WearPattern(4.5))
    assert worn.lost_fragments == 1
    assert len(worn.plan_mm) == 1
    kept = max(dumbbell.buffer(-4.5, quad_segs=64).geoms, key=lambda g: g.area)
    assert worn.area_mm2 == pytest.approx(kept.area, rel=0.002)


def test_one_sided_wear_wastes_the_named_side() -> None:
    solid = erode(
        part(shapely.box(-60, -30, 60, 30), 20.0), WearPattern(5.0, one_sided=1.0, one_sided_deg=0.0)
    )
    ring = solid.plan_mm[0][0]
    assert 60 - ring[:, 0].max() == pytest.approx(
        9.1, abs=1.0
    )  # d (1 + u) with u = x / 60 gives 60 - x = 10 - 5 (60 - x) / 60
    assert ring[:, 0].min() + 60 < 0.3


def test_the_foot_of_a_flush_part_is_sheltered_and_fronts_waste_by_their_ratio() -> None:
    plain = erode(part(shapely.box(-60, -30, 60, 30), 20.0), WearPattern(5.0, face_ratio=1.4))
    footed = erode(
        part(shapely.box(-60, -30, 60, 30), 20.0),
        WearPattern(5.0, face_ratio=1.4, skirt_mm=4.0, skirt_share=0.2),
    )
    assert footed.area_mm2 > plain.area_mm2
    assert footed.top_mm == pytest.approx(20 - 7.0, abs=0.02)
    rounded = erode(part(shapely.box(-60, -30, 60, 30), 20.0), WearPattern(5.0, face_ratio=1.4, rounding=1.0))
    assert rounded.area_mm2 == pytest.approx(
        shapely.box(-55, -25, 55, 25).buffer(-5).buffer(5, quad_segs=64).area, rel=1e-3
    )
    assert rounded.volume_mm3 < plain.volume_mm3


def test_noise_is_smooth_and_of_unit_spread() -> None:
    x = np.arange(0, 200, 2.0)
    field = wave_noise((x, x, np.array([0.0])), 20.0, 5)
    assert float(field.mean()) == pytest.approx(0, abs=0.15)
    assert float(field.std()) == pytest.approx(1, abs=0.2)
    assert np.array_equal(field, wave_noise((x, x, np.array([0.0])), 20.0, 5))
