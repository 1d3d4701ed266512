"""Properties of worn solids that hold for any part: what more wear may and may not do. Their figures
against outside sources are in tests/outside."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from anodewane.catalog import shapes
from anodewane.catalog.templates import builtin_templates
from anodewane.records import Template
from anodewane.wear.solids import (
    new_area,
    new_mass_g,
    new_volume,
    plan_after,
    recession_for_area,
    rod_volume_of_plan,
    thickness_after,
    volume_after,
)
from made.solids import exposed_area, outline_after, recession_for_volume

SETTINGS = settings(max_examples=30, derandomize=True, deadline=None)
LIBRARY = {name: t for name, t in builtin_templates().items() if t.form is None}
"""Prisms and rods, whose formulas these are."""
names = st.sampled_from(sorted(LIBRARY))
ratios = st.floats(0.4, 2.0)


@SETTINGS
@given(names, st.lists(st.floats(0, 40), min_size=2, max_size=6), ratios)
def test_deeper_wear_never_leaves_more(name, depths, ratio):
    template = LIBRARY[name]
    d = np.sort(np.array(depths))
    for left in (
        plan_after(template, d),
        volume_after(template, d, ratio),
        thickness_after(template, d, ratio),
    ):
        assert left.shape == d.shape
        assert (np.diff(left) <= 1e-6 * left[0] + 1e-9).all()
        assert (left >= 0).all()


@SETTINGS
@given(names, st.floats(0, 30), ratios)
def test_an_array_of_depths_is_each_depth_alone(name, d, ratio):
    template = LIBRARY[name]
    for f in (plan_after, volume_after, thickness_after):
        rest = (ratio,) if f is not plan_after else ()
        alone = f(template, d, *rest)
        assert isinstance(alone, float)
        assert f(template, np.array([0.0, d]), *rest)[1] == alone


@pytest.mark.parametrize("name", LIBRARY)
def test_nothing_worn_is_new(name):
    template = LIBRARY[name]
    assert plan_after(template, 0.0) == pytest.approx(new_area(template), rel=1e-9)
    assert thickness_after(template, 0.0) == template.thickness_mm
    assert volume_after(template, 0.0, 1.7) == pytest.approx(new_volume(template), rel=1e-12)
    if template.solid == "plate":
        assert new_volume(template) == pytest.approx(
            new_area(template) * template.thickness_mm * template.fill_factor, rel=1e-9
        )


@pytest.mark.parametrize("name", LIBRARY)
def test_a_thin_skin_is_surface_times_depth(name):
    """dV = A dx: to first order the volume lost is the wet surface times the depth (fill factor aside)."""
    template = LIBRARY[name]
    if template.fill_factor != 1:
        template = replace(template, fill_factor=1.0)
    d = 1e-3
    assert new_volume(template) - volume_after(template, d) == pytest.approx(
        exposed_area(template) * d, rel=1e-3
    )


@SETTINGS
@given(names, st.floats(0.02, 0.98), ratios)
def test_depths_are_found_again(name, share, ratio):
    template = LIBRARY[name]
    d = recession_for_area(template, share * new_area(template))
    assert plan_after(template, d) == pytest.approx(share * new_area(template), rel=1e-4)
    d = recession_for_volume(template, share * new_volume(template), ratio)
    assert volume_after(template, d, ratio) == pytest.approx(share * new_volume(template), rel=1e-4)


def test_what_is_not_worn_has_no_depth_and_what_is_gone_the_last():
    template = LIBRARY["plate-95x95x18-1hole"]
    assert recession_for_area(template, 2 * new_area(template)) == 0
    assert recession_for_volume(template, new_volume(template)) == 0
    last = recession_for_area(template, 0.0)
    assert plan_after(template, last) == 0
    assert outline_after(template, last) == ()
    assert plan_after(template, 0.95 * last) > 0


def test_a_negative_depth_is_refused():
    with pytest.raises(ValueError, match="at least 0"):
        plan_after(LIBRARY["rod-180x25"], -1.0)


def test_turning_a_part_changes_nothing():
    rod = LIBRARY["rod-180x25"]
    t = np.radians(31)
    turned = tuple(
        r @ np.array([[np.cos(t), np.sin(t)], [-np.sin(t), np.cos(t)]]) + [300, -20] for r in rod.rings
    )
    other = Template("turned", turned, 25, "open", "rod", "zinc", None, 1.0, (), None, True)
    for d in (0.0, 2.0, 7.0):
        assert volume_after(other, d) == pytest.approx(volume_after(rod, d), rel=1e-6)
        assert plan_after(other, d) == pytest.approx(plan_after(rod, d), rel=1e-6)


def test_turned_solids_by_formula():
    """Sphere, cone and frustum: 4/3 pi r^3 and pi h / 3 (R^2 + R r + r^2), and their surfaces."""
    a = np.arange(720) * np.pi / 360
    ball = Template(
        "ball",
        (20 * np.column_stack([np.cos(a), np.sin(a)]),),
        40,
        "open",
        "rod",
        "zinc",
        None,
        1.0,
        (),
        None,
        True,
    )
    assert new_volume(ball) == pytest.approx(4 / 3 * np.pi * 8000, rel=1e-4)
    assert volume_after(ball, 5.0) == pytest.approx(4 / 3 * np.pi * 3375, rel=1e-4)
    taper = Template(
        "taper",
        (np.array([[-50, -15], [50, -9], [50, 9], [-50, 15.0]]),),
        30,
        "open",
        "rod",
        "zinc",
        None,
        1.0,
        (),
        None,
        True,
    )
    assert new_volume(taper) == pytest.approx(np.pi * 100 / 3 * (225 + 135 + 81), rel=1e-9)


def test_a_rod_s_core_does_not_waste():
    """Fill 0.75 over a rod of 40: a core of half its diameter. When the metal over it is
    gone, all is gone."""
    rod = shapes.rod(200, 40, fill_factor=0.75)
    assert new_volume(rod) == pytest.approx(np.pi / 4 * (1600 - 400) * 200, rel=1e-9)
    assert volume_after(rod, 5.0) == pytest.approx(np.pi / 4 * (900 - 400) * 190, rel=1e-9)
    assert volume_after(rod, 10.0) == pytest.approx(0, abs=1e-6)
    full = shapes.rod(200, 40, fill_factor=1.2)
    assert volume_after(full, 5.0) == pytest.approx(1.2 * np.pi / 4 * 900 * 190, rel=1e-9)


@SETTINGS
@given(st.floats(0, 10))
def test_a_rod_by_its_worn_plan(d):
    """The volume from sections of a plan is the exact one where the plan is the uniformly worn one."""
    from shapely import Polygon

    rod = LIBRARY["rod-180x25"]
    plan = Polygon(outline_after(rod, d)[0][0])
    assert rod_volume_of_plan(rod, plan) == pytest.approx(volume_after(rod, d), rel=4e-3)


def test_mass_is_as_weighed_or_by_density():
    assert new_mass_g(shapes.rod(100, 20)) == pytest.approx(np.pi / 4 * 400 * 100 * 7.14e-3, rel=1e-9)
    assert new_mass_g(shapes.rod(100, 20, new_mass_g=210)) == 210


def test_the_cost_of_a_depth_grows_with_depths_not_with_templates():
    """Not a timed test: only that a repeated call doesn't rebuild its polygon (a cache of
    the same object)."""
    from anodewane.wear import solids

    template = LIBRARY["disc-160x30-4holes"]
    assert solids._plan(template) is solids._plan(template)
