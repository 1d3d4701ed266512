"""The whole judgement on rendered photos of exactly known parts: figures, refusals as records, the
stages' order, and the outline of a new part."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely

from anodewane.catalog.templates import builtin_templates, load_template
from anodewane.errors import InputUnreadable
from anodewane.geometry.rings import oriented, rings_area
from anodewane.judgement import pipeline
from anodewane.judgement.method import Method
from anodewane.judgement.new_part import outline_of_new_part
from anodewane.judgement.pipeline import judge
from anodewane.record import Verdict
from anodewane.records import MetalMask, Template
from anodewane.refusals import REFUSALS
from anodewane.show.record_json import verdict_to_json
from anodewane.stages.load import load_photo
from anodewane.stages.placing.silhouette import silhouette_of
from anodewane.stages.refine import mask_from_pixels
from anodewane.testing import (
    EmptySegmenter,
    FixedSegmenter,
    RaisingSegmenter,
    RenderedPhoto,
    Scene,
    WearPattern,
    encode_jpeg,
    exact_sheet_photo,
    look_at,
    placement,
    render,
    waste_to,
)
from anodewane.wear.solids import new_mass_g
from made.hand_made import outlined

pytestmark = pytest.mark.slow

WIDTH, HEIGHT = 1600, 1200
UNEVEN = WearPattern(face_ratio=1.6, unevenness=0.25, rounding=0.5, skirt_mm=2.0, skirt_share=0.8, seed=3)
CASES = {
    "worn": ("plate-150x75x20-2slots", 0.62, "concrete", "replace"),
    "watch": ("triangle-120x105x22-1hole", 0.40, "plywood", "monitor"),
    "new": ("ring-90x42x18", 0.0, "tarp", "ok"),
    "rod": ("rod-180x25", 0.38, "planks", "monitor"),
}
"""Part, share of its volume gone, ground, what the verdict has to be."""


def photographed(name: str, consumed: float, ground: str) -> RenderedPhoto:
    template = load_template(name)
    reach = float(np.abs(np.asarray(template.rings[0])[:, 1]).max())
    camera = look_at(
        (0, -(20 + reach / 2)), distance_mm=520, tilt_deg=9, azimuth_deg=110, width=WIDTH, height=HEIGHT
    )
    wear = (
        waste_to(
            template,
            UNEVEN if template.solid == "plate" else replace(UNEVEN, face_ratio=1.0, skirt_mm=0.0),
            consumed,
        )
        if consumed
        else WearPattern()
    )
    scene = Scene(layout="card", ground=ground, sun_share=0.3, sun_radius_deg=8.0, seed=4)
    return render(
        template,
        wear,
        camera,
        scene,
        sheet_from_part=placement(6, (4, -(74 + 16 + reach))),
        width=WIDTH,
        height=HEIGHT,
    )


@pytest.fixture(scope="module")
def photos() -> dict[str, RenderedPhoto]:
    return {case: photographed(name, consumed, ground) for case, (name, consumed, ground, _) in CASES.items()}


def true_mask(photo: RenderedPhoto) -> MetalMask:
    return mask_from_pixels(np.round(255 * np.asarray(photo.mask)).astype(np.uint8))


def perfect(photo: RenderedPhoto) -> FixedSegmenter:
    """A segmenter that knows the answer: the silhouette as it lies in the sheet's plane."""
    return FixedSegmenter(silhouette_of(true_mask(photo), photo.camera).pieces[0])


# --- judged --------------------------------------------------------------------------------------


def check_figures(verdict: Verdict, photo: RenderedPhoto, area_points: float, mass_points: float) -> None:
    assert verdict.status == "judged", [r.message for r in verdict.reasons]
    assert verdict.consumed is not None
    assert verdict.area is not None
    solid = photo.solid
    assert verdict.area.new_mm2 == pytest.approx(solid.area_new_mm2, rel=1e-6)
    assert verdict.consumed.area_pct.value == pytest.approx(100 * solid.consumed_area, abs=area_points)
    mass = verdict.consumed.mass_pct
    assert mass.value == pytest.approx(100 * solid.consumed_volume, abs=mass_points)
    assert mass.low - 1 <= 100 * solid.consumed_volume <= mass.high + 1


@pytest.mark.parametrize("case", sorted(CASES))
def test_with_the_true_mask(photos: dict[str, RenderedPhoto], case: str) -> None:
    photo = photos[case]
    verdict = judge(load_photo(photo.jpeg(), "photo.jpg"), photo.solid.template, outlined(true_mask(photo)))
    check_figures(verdict, photo, 2.5, 10.0)
    assert verdict.verdict == CASES[case][3]
    assert verdict.scale is not None
    assert verdict.scale.layout == "card"
    assert verdict.scale.tilt_deg == pytest.approx(9.0, abs=0.3)
    assert verdict.scale.focal_source == "exif"
    assert verdict.template is not None
    assert verdict.template.name == CASES[case][0]
    assert not verdict.template.chosen
    assert verdict.provenance.segmenter == "manual"
    assert verdict.provenance.model_sha256 is None
    assert verdict.cautions


@pytest.mark.parametrize("case", sorted(CASES))
def test_with_the_network(photos: dict[str, RenderedPhoto], case: str) -> None:
    photo = photos[case]
    verdict = judge(load_photo(photo.jpeg(), "photo.jpg"), photo.solid.template)
    check_figures(verdict, photo, 4.0, 12.0)
    assert verdict.verdict == CASES[case][3]
    assert verdict.provenance.segmenter == "network"
    assert verdict.provenance.model_sha256 is not None


def test_outlines_lie_where_the_metal_is(photos: dict[str, RenderedPhoto]) -> None:
    photo = photos["worn"]
    verdict = judge(load_photo(photo.jpeg(), "photo.jpg"), photo.solid.template, outlined(true_mask(photo)))
    assert verdict.outline is not None
    assert verdict.template is not None
    assert verdict.template.outline_photo_px is not None
    seen = shapely.Polygon(verdict.outline.photo_px[0]).area
    assert seen == pytest.approx(
        float(np.sum(photo.mask)) + sum(shapely.Polygon(r).area for r in verdict.outline.photo_px[1:]),
        rel=0.002,
    )
    # the new outline, drawn, holds what is left
    new = shapely.Polygon(verdict.template.outline_photo_px[0])
    assert new.area > seen
    assert shapely.Polygon(verdict.outline.photo_px[0]).difference(new.buffer(4)).area < 0.01 * seen
    part = oriented(tuple(np.array(r) for r in verdict.outline.part_mm))
    assert verdict.area is not None
    assert rings_area(part) == pytest.approx(verdict.area.remaining_mm2, rel=1e-6)


def test_scales_and_callipers_bring_it_nearer(photos: dict[str, RenderedPhoto]) -> None:
    photo = photos["worn"]
    solid, template = photo.solid, photo.solid.template

    def judged(**given: float) -> Any:
        verdict = judge(load_photo(photo.jpeg(), "photo.jpg"), template, outlined(true_mask(photo), **given))
        assert verdict.consumed is not None
        return verdict.consumed.mass_pct

    true = 100 * solid.consumed_volume
    weighed = judged(weighed_g=new_mass_g(template) * (1 - solid.consumed_volume))
    assert weighed.value == pytest.approx(true, abs=0.5)
    measured = judged(thickness_mm=solid.mean_thickness_mm)
    assert measured.value == pytest.approx(true, abs=3.0)
    guessed = judged()
    assert weighed.high - weighed.low < guessed.high - guessed.low
    assert measured.high - measured.low < guessed.high - guessed.low


def test_without_a_template_the_librarys_is_chosen(photos: dict[str, RenderedPhoto]) -> None:
    photo = photos["watch"]
    verdict = judge(load_photo(photo.jpeg(), "photo.jpg"), None, outlined(true_mask(photo)))
    assert verdict.template is not None
    assert verdict.template.name == CASES["watch"][0]
    assert verdict.template.chosen
    assert verdict.reasons[-1].code == "template_chosen"


def test_a_record_comes_again_byte_for_byte(photos: dict[str, RenderedPhoto]) -> None:
    photo = photos["watch"]
    data = photo.jpeg()
    records = {verdict_to_json(judge(load_photo(data, "photo.jpg"), photo.solid.template)) for _ in range(2)}
    assert len(records) == 1
    assert json.loads(records.pop())["status"] == "judged"


# --- the order of stages -------------------------------------------------------------

ORDER = ["find_card", "locate_printed", "find_part", "refine", "align", "measure", "decide"]


@pytest.fixture
def called(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    calls: list[str] = []

    def watched(name: str, stage: Callable[..., Any]) -> Callable[..., Any]:
        def run(*args: Any, **more: Any) -> Any:
            calls.append(name)
            return stage(*args, **more)

        return run

    for name in ORDER:
        monkeypatch.setattr(pipeline, name, watched(name, getattr(pipeline, name)))
    return calls


def test_stages_run_in_their_order(photos: dict[str, RenderedPhoto], called: list[str]) -> None:
    photo = photos["watch"]
    judge(
        load_photo(photo.jpeg(), "photo.jpg"), photo.solid.template, method=Method(segmenter=perfect(photo))
    )
    assert called == ORDER
    called.clear()
    judge(load_photo(photo.jpeg(), "photo.jpg"), photo.solid.template, outlined(true_mask(photo)))
    assert called == [
        s for s in ORDER if s not in ("find_part", "refine")
    ]  # a handed outline is taken as it is


# --- refusals ------------------------------------------------------------------------------------


def refused(verdict: Verdict, code: str) -> Verdict:
    assert verdict.status == "cannot_judge"
    assert verdict.verdict is None
    assert verdict.reasons[0].code == code
    assert verdict.reasons[0].remedy == REFUSALS[code][1]
    assert "{" not in verdict.reasons[0].message
    # a number is never made up
    assert verdict.consumed is verdict.mass is verdict.recession_mm is verdict.area is None
    assert verdict.holes == ()
    assert verdict.budget == {}
    assert verdict.photo.sha256
    assert json.loads(verdict_to_json(verdict))["verdict"] is None
    return verdict


def test_no_sheet_ends_it_at_once(called: list[str]) -> None:
    grey = np.full((300, 400, 3), 110, np.uint8)
    verdict = judge(
        load_photo(encode_jpeg(grey, f35=26.0), "photo.jpg"), builtin_templates()["ring-90x42x18"]
    )
    refused(verdict, "no_sheet")
    assert called == ["find_card"]
    assert verdict.scale is None
    assert verdict.outline is None


def test_no_part_keeps_what_the_sheet_said(photos: dict[str, RenderedPhoto]) -> None:
    camera = look_at((0, -40), distance_mm=520, tilt_deg=9, width=WIDTH, height=HEIGHT)
    rgb, _ = exact_sheet_photo(camera, "card", [], width=WIDTH, height=HEIGHT)
    verdict = judge(
        load_photo(encode_jpeg(rgb, f35=26.0), "photo.jpg"),
        builtin_templates()["ring-90x42x18"],
        method=Method(segmenter=EmptySegmenter()),
    )
    refused(verdict, "no_part")
    assert verdict.scale is not None
    assert verdict.outline is None


def test_a_part_at_the_edge_of_the_picture_is_cut_off(photos: dict[str, RenderedPhoto]) -> None:
    photo = photos["worn"]
    mask = replace(true_mask(photo), touches_border=True)
    verdict = refused(
        judge(load_photo(photo.jpeg(), "photo.jpg"), photo.solid.template, outlined(mask)), "part_cut_off"
    )
    assert verdict.outline is not None


def test_the_wrong_template_is_refused_and_still_drawn(photos: dict[str, RenderedPhoto]) -> None:
    photo = photos["worn"]
    wrong = builtin_templates()["plate-95x95x18-1hole"]
    verdict = refused(
        judge(load_photo(photo.jpeg(), "photo.jpg"), wrong, outlined(true_mask(photo))),
        "template_does_not_fit",
    )
    assert verdict.template is not None
    assert verdict.template.outline_photo_px is not None
    assert verdict.outline is not None
    assert verdict.outline.part_mm


def test_weights_and_thicknesses_that_cannot_be(photos: dict[str, RenderedPhoto]) -> None:
    photo = photos["watch"]
    template, mask = photo.solid.template, true_mask(photo)
    refused(
        judge(load_photo(photo.jpeg(), "photo.jpg"), template, outlined(mask, weighed_g=9000.0)),
        "weight_does_not_fit",
    )
    refused(
        judge(load_photo(photo.jpeg(), "photo.jpg"), template, outlined(mask, thickness_mm=90.0)),
        "thickness_does_not_fit",
    )


def test_what_is_no_photo_or_no_refusal_is_raised(photos: dict[str, RenderedPhoto]) -> None:
    photo = photos["watch"]
    with pytest.raises(InputUnreadable):
        judge(load_photo(b"not a photo", "photo.jpg"), photo.solid.template)
    with pytest.raises(RuntimeError, match="on purpose"):
        judge(
            load_photo(photo.jpeg(), "photo.jpg"),
            photo.solid.template,
            method=Method(segmenter=RaisingSegmenter()),
        )


# --- a new part's outline ------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["plate-120x60x16-2holes", "triangle-120x105x22-1hole"])
def test_the_outline_of_a_new_part_is_its_templates(name: str) -> None:
    photo = photographed(name, 0.0, "plywood")
    template: Template = photo.solid.template
    rings = outline_of_new_part(
        load_photo(photo.jpeg(), "new.jpg"), template.thickness_mm, method=Method(segmenter=perfect(photo))
    )
    assert len(rings) == len(template.rings)
    assert rings_area(rings) == pytest.approx(rings_area(template.rings), rel=0.01)
    shape, drawn = shapely.Polygon(rings[0]), shapely.Polygon(template.rings[0])
    assert abs(shape.centroid.x) < 0.5
    assert abs(shape.centroid.y) < 0.5
    assert np.allclose(
        sorted(np.ptp(rings[0], axis=0)), sorted(np.ptp(np.asarray(template.rings[0]), axis=0)), rtol=0.02
    )
    assert shape.length == pytest.approx(drawn.length, rel=0.05)


def test_the_outline_of_a_new_rod_is_its_side_view() -> None:
    photo = photographed("rod-180x25", 0.0, "plywood")
    template = photo.solid.template
    rings = outline_of_new_part(
        load_photo(photo.jpeg(), "new.jpg"),
        template.thickness_mm,
        "rod",
        method=Method(segmenter=perfect(photo)),
    )
    assert rings_area(rings) == pytest.approx(rings_area(template.rings), rel=0.01)
