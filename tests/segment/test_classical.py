"""The classical segmenter against the renderer's exact truth: right on contrasting grounds and on the
mat, refused where it can't tell."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from anodewane.catalog.templates import load_template
from anodewane.errors import CannotJudge
from anodewane.records import FlatImage, MetalMask, Photo, Source
from anodewane.segment.classical import Support, doubt, look_around, metal_prob, shrunk
from anodewane.settings import Settings
from anodewane.stages.card import find_card
from anodewane.stages.plane import locate_camera
from anodewane.stages.refine import refine
from anodewane.stages.segment import ClassicalSegmenter, find_part
from anodewane.testing import RenderedPhoto, Scene, WearPattern, look_at, placement, render

pytestmark = pytest.mark.slow

WIDTH, HEIGHT = 1280, 960
PART = "plate-150x75x20-2slots"


def photo_of(
    scene: Scene, *, shift_mm=(5.0, -135.0), target_mm=(0.0, -40.0), part: str | None = None
) -> RenderedPhoto:
    camera = look_at(target_mm, distance_mm=560, tilt_deg=7, azimuth_deg=100, width=WIDTH, height=HEIGHT)
    template = load_template(part or PART)
    return render(
        template,
        WearPattern(depth_mm=3, unevenness=0.3, seed=2),
        camera,
        scene,
        sheet_from_part=placement(8, shift_mm),
        width=WIDTH,
        height=HEIGHT,
    )


def outlined(picture: RenderedPhoto) -> MetalMask:
    photo = Photo(np.array(picture.rgb), Source("x.jpg", "0" * 64, 1), None, None, None, ())
    sighting = find_card(photo, settings=Settings())
    plane = locate_camera(photo, sighting, Settings())
    return refine(
        photo, plane, find_part(photo, plane, sighting, ClassicalSegmenter(), Settings()), Settings()
    )


def iou(mask: MetalMask, truth) -> float:
    """Overlap with the renderer's exact silhouette, in photo pixels; filled by OpenCV."""
    got = np.zeros((HEIGHT, WIDTH), np.uint8)
    cv2.fillPoly(
        got,
        [np.round(np.asarray(r) * 16).astype(np.int32) for piece in mask.pieces_px for r in piece],
        255,
        shift=4,
    )
    a, b = got > 127, np.asarray(truth) > 0.5
    return float((a & b).sum() / (a | b).sum())


SOFT = Scene(sun_share=0.25, sun_radius_deg=10.0, seed=5)


@pytest.mark.parametrize(
    ("ground", "tint"), [("turf", (1.0, 1.0, 1.0)), ("planks", (1.0, 1.0, 1.0)), ("tarp", (1.0, 1.0, 1.0))]
)
def test_beside_the_card_on_contrasting_grounds(ground, tint):
    picture = photo_of(replace(SOFT, layout="card", ground=ground, ground_tint=tint))
    assert iou(outlined(picture), picture.mask) > 0.93


def test_on_the_mat():
    """Harder than beside the card: the wall's own shadow on paper is as grey as the metal."""
    picture = photo_of(
        replace(SOFT, layout="mat-a4", ground="planks", sun_radius_deg=15.0, metal_light=0.2),
        shift_mm=(0, 0),
        target_mm=(0, 0),
    )
    assert iou(outlined(picture), picture.mask) > 0.88


@pytest.mark.parametrize("light", [1.0, 1.3])
def test_grey_metal_on_grey_concrete_is_refused_not_misjudged(light):
    picture = photo_of(
        replace(SOFT, layout="card", ground="concrete", metal_mottle=0.1, sun_share=0.1, ground_light=light)
    )
    with pytest.raises(CannotJudge) as refusal:
        outlined(picture)
    assert refusal.value.code in {"part_unclear", "no_part", "several_parts"} and any(
        c.isdigit() for c in refusal.value.detail
    )


def test_no_part_is_said():
    """The part lies far outside the photo."""
    picture = photo_of(replace(SOFT, layout="card", ground="turf"), shift_mm=(1500.0, 1500.0))
    assert not np.asarray(picture.mask).any()
    with pytest.raises(CannotJudge) as refusal:
        outlined(picture)
    assert refusal.value.code == "no_part"


# --- the pieces of it ----------------------------------------------------------------------------


def drawn(light=0.8, tint=(1.0, 0.9, 0.7)) -> FlatImage:
    """Paper on the right half under light that falls off to the left, as an exact linear ramp encoded
    by IEC 61966-2-1; green ground on the left."""
    h, w, s = 200, 300, 1.0
    x = np.arange(w) * s
    ramp = np.exp(-0.4 * (x[-1] - x) / 100)[None, :, None] * light * np.array(tint)
    linear = np.broadcast_to(ramp, (h, w, 3)).copy()
    sheet = np.zeros((h, w), np.float32)
    sheet[:, 150:] = 1
    linear[:, :150] *= np.array([0.1, 0.3, 0.1])
    srgb = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    rgb = np.round(255 * srgb).astype(np.uint8)
    return FlatImage(
        rgb,
        np.ones((h, w), bool),
        s,
        np.array([0.0, 0.0]),
        sheet,
        np.where(sheet > 0, 1.0, 0.5).astype(np.float32),
    )


def test_the_papers_light_is_measured_as_drawn():
    flat = drawn()
    around = look_around(flat)
    assert around is not None
    for x in (170.0, 230.0, 290.0):
        terms = np.array([1, x / 100, -1.0, (x / 100) ** 2, -x / 100, 1.0])
        expected = np.log(0.8 * np.array([1.0, 0.9, 0.7])) - 0.4 * (299 - x) / 100
        assert terms @ around.field == pytest.approx(expected, abs=0.03)


def test_without_paper_there_is_nothing_to_compare_with():
    flat = drawn()
    bare = FlatImage(
        flat.rgb,
        flat.valid,
        flat.mm_per_px,
        flat.origin_mm,
        np.zeros_like(flat.sheet),
        np.full_like(flat.print_, 0.5),
    )
    assert look_around(bare) is None
    assert not metal_prob(bare, None, None).any()


def test_shrinking_keeps_places():
    flat = drawn()
    small = shrunk(flat, 100)
    assert small.rgb.shape == (67, 100, 3) and small.mm_per_px == pytest.approx(3.0, rel=0.01)
    edge = float(small.origin_mm[0] + (np.argmax(small.sheet[30] > 0.5) - 0.5) * small.mm_per_px)
    assert edge == pytest.approx(149.5, abs=0.51 * small.mm_per_px)


SOUND = Support(
    swing=0.02,
    agree=0.98,
    clear_edge=1.0,
    apart=0.99,
    odd_inside=0.0,
    odd_outside=0.0,
    ink_mm=0.0,
    rim_share=0.03,
    on_sheet=0.0,
)


def test_a_sound_outline_is_believed():
    assert doubt(SOUND) is None


@pytest.mark.parametrize(
    "worse",
    [
        {"swing": 0.9},
        {"agree": 0.5},
        {"clear_edge": 0.4},
        {"apart": 0.6},
        {"odd_inside": 0.4},
        {"odd_outside": 0.4},
        {"ink_mm": 40.0},
        {"rim_share": 0.3},
    ],
)
@pytest.mark.parametrize("on_sheet", [0.0, 1.0])
def test_each_kind_of_doubt_refuses_with_figures(worse, on_sheet):
    why = doubt(replace(SOUND, on_sheet=on_sheet, **worse))
    assert why is not None and any(c.isdigit() for c in why)
