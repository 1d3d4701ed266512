"""Castings through placing and wear: new ones read as new whatever their walls, worn ones as what is left of
them. Silhouettes are exact: convex hulls of a frustum's corners as OpenCV projects them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely

from anodewane.geometry.motion import Motion
from anodewane.records import CastForm, Given, Insert, Template, Wear
from anodewane.settings import Settings
from anodewane.stages.align import align
from anodewane.stages.decide import decide
from anodewane.stages.load import Photo
from anodewane.stages.wear import measure
from anodewane.wear.solids import new_mass_g, new_volume
from made.exact_views import camera_over, mask_of, plane_of, seen_by_opencv

HALF = np.array([65.0, 30.0])
HEIGHT = 26.0
DRAFT_DEG = 16.0
RING = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1.0]]) * HALF
LAID = Motion.of(0.4, (12.0, -9.0))


def casting(**changes: Any) -> Template:
    form = changes.pop("form", CastForm(DRAFT_DEG, 0.0, 0.0))
    new = Template("cast", (RING,), HEIGHT, "flush", "cast", "zinc", None, 1.0, (), None, False, form)
    return replace(new, **changes)


def frustum_px(camera: Any, worn_mm: float) -> Any:
    """The worn frustum's silhouette: planes moved in along their normals by `worn_mm`."""
    lean = np.tan(np.radians(DRAFT_DEG))
    inset = worn_mm * np.hypot(1, lean)
    corners = []
    for z in (0.0, HEIGHT - worn_mm):
        half = HALF - inset - z * lean
        flat = LAID.apply(np.array([[-1, -1], [1, -1], [1, 1], [-1, 1.0]]) * half)
        corners.append(np.c_[flat, np.full(4, z)])
    seen = seen_by_opencv(camera, np.concatenate(corners))
    return shapely.convex_hull(shapely.multipoints(seen))


def read(
    template: Template, worn_mm: float, tilt_deg: float = 20.0, given: Given | None = None
) -> tuple[Any, Wear]:
    camera = camera_over(tilt_deg=tilt_deg)
    mask, plane = mask_of(frustum_px(camera, worn_mm)), plane_of(camera)
    placement = align(mask, plane, template, Settings())
    return (placement, mask, plane), measure(placement, mask, plane, Settings(), given)


@pytest.mark.parametrize("tilt", [2.0, 20.0, 35.0])
def test_a_new_casting_reads_as_new(tilt: float) -> None:
    _, wear = read(casting(), 0.0, tilt)
    assert wear.consumed.area_pct.value == pytest.approx(0.0, abs=0.6)
    assert wear.consumed.mass_pct.value == pytest.approx(0.0, abs=1.2)
    assert wear.consumed.mass_pct.low <= 0.0 <= wear.consumed.mass_pct.high


def test_as_a_prism_it_would_not() -> None:
    prism = replace(casting(), solid="plate", form=None)
    _, wear = read(prism, 0.0)
    assert wear.consumed.mass_pct.value > 8.0


@pytest.mark.parametrize("depth", [2.0, 5.0])
def test_the_area_of_a_worn_casting_is_that_of_its_foot(
    depth: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    # this one is worn evenly, without wander and with its foot as the rest
    monkeypatch.setattr("anodewane.wear.contour.WANDER", 0.0)
    monkeypatch.setattr("anodewane.wear.contour.FOOT_MORE", 0.0)
    from anodewane.wear.cast_law import wear_table

    wear_table.cache_clear()
    inset = depth * np.hypot(1, np.tan(np.radians(DRAFT_DEG)))
    left = float(np.prod(2 * (HALF - inset)))
    try:
        _, wear = read(casting(), depth)
    finally:
        wear_table.cache_clear()
    assert wear.area.remaining_mm2 == pytest.approx(left, rel=0.012)


def test_an_unknown_form_is_in_doubt_and_says_so() -> None:
    (placement, mask, plane), wear = read(casting(form=CastForm()), 4.0)
    assert wear.budget["profile"] > 0.5
    _, known = read(casting(), 4.0)
    assert "profile" not in known.budget
    span, narrow = wear.consumed.mass_pct, known.consumed.mass_pct
    assert span.high - span.low > narrow.high - narrow.low
    weighed = casting(form=CastForm(), new_mass_g=new_mass_g(casting()))
    _, told = read(weighed, 4.0)
    assert told.budget["profile"] < wear.budget["profile"]
    photo = Photo(np.zeros((4, 4, 3), np.uint8), None, None, None, None, ())  # type: ignore[arg-type]
    codes = {r.code for r in decide(wear, placement, mask, plane, photo, Settings())[1]}
    assert "form_unknown" in codes


def test_what_the_scales_say_is_left_has_their_doubt_alone() -> None:
    """The same weighing with a photo as without: +- 1.645 sigma of the scales at 90 %."""
    template = casting()
    grams = 0.6 * new_mass_g(template)
    _, wear = read(template, 4.0, given=Given(weighed_g=grams))
    left = wear.mass.remaining_g
    assert left.value == pytest.approx(grams)
    assert (left.high - left.low) / 2 == pytest.approx(1.645 * Settings().scales_sd_g, rel=0.05)
    assert wear.consumed.mass_pct.value == pytest.approx(40.0)


def test_steel_is_no_metal_that_remains() -> None:
    strap = Insert((RING * [1.4, 0.3],), 2.0, 7.0)
    with_strap = casting(inserts=(strap,))
    assert new_volume(with_strap) < new_volume(casting())
