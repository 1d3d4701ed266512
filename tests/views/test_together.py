"""Several photos through the whole line: rendered photos with exact truth and true masks, and
what is refused."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from PIL import Image

import anodewane
from anodewane.cli import main
from anodewane.errors import ExitCode, UsageError
from anodewane.judgement.pipeline import judge
from anodewane.record import Verdict
from anodewane.records import Given, ManualOutline, MetalMask, Photo, Template
from anodewane.settings import Settings
from anodewane.stages.load import load_photo
from anodewane.stages.plane import locate_camera
from anodewane.stages.refine import mask_from_pixels
from anodewane.testing import RenderedPhoto, Scene, WearPattern, WornSolid, erode, look_at, placement, render
from anodewane.views.face import face_heights, face_motions
from anodewane.views.sheet import find_sheet
from anodewane.views.together import judge_together
from anodewane.wear.solids import new_mass_g
from made.exact_views import plate as plate_template
from made.hand_made import outlined
from made.sheet_scenes import photo_of, small_camera
from made.sheet_scenes import render as render_sheet

pytestmark = pytest.mark.slow

WIDTH, HEIGHT = 1440, 1080
MOTION = placement(20.0, (-5.0, -118.0))
PART = plate_template(shapely.box(-45, -26, 45, 26).buffer(-6).buffer(6), 22.0, holes=((0.0, 0.0, 11.0),))
SCENE = Scene(ground="concrete", metal_mottle=0.35, mottle_scale_mm=9.0, bump=0.15, exposure=0.8, seed=4)
WEAR = WearPattern(
    depth_mm=2.6,
    face_ratio=1.3,
    unevenness=0.25,
    uneven_scale_mm=35.0,
    rounding=0.5,
    skirt_mm=3.0,
    skirt_share=0.7,
    pit_mm=0.5,
    seed=5,
)


def taken(
    solid: WornSolid, tilt_deg: float, azimuth_deg: float, motion=MOTION, distance_mm: float = 430.0
) -> RenderedPhoto:
    camera = look_at(
        (-2.0, -62.0),
        distance_mm=distance_mm,
        tilt_deg=tilt_deg,
        azimuth_deg=azimuth_deg,
        f35=26.0,
        width=WIDTH,
        height=HEIGHT,
    )
    return render(PART, solid, camera, SCENE, sheet_from_part=motion, width=WIDTH, height=HEIGHT)


def mask(photo: RenderedPhoto) -> MetalMask:
    return mask_from_pixels(np.round(np.asarray(photo.mask) * 255).astype(np.uint8))


def loaded(photos: list[RenderedPhoto]) -> list[Photo]:
    return [load_photo(p.jpeg(), f"{i}.jpg") for i, p in enumerate(photos)]


def outlines(photos: list[RenderedPhoto]) -> list[ManualOutline | None]:
    return [outlined(mask(p)).outline for p in photos]


@pytest.fixture(scope="module")
def worn() -> WornSolid:
    return erode(PART, WEAR, step_mm=0.7)


@pytest.fixture(scope="module")
def photos(worn: WornSolid) -> list[RenderedPhoto]:
    return [taken(worn, 7, 250), taken(worn, 46, 200), taken(worn, 50, 300)]


def judged(photos: list[RenderedPhoto], template: Template = PART, **more) -> Verdict:
    return judge_together(loaded(photos), template, outlines=outlines(photos), **more)


@pytest.fixture(scope="module")
def verdict(photos: list[RenderedPhoto]) -> Verdict:
    return judged(photos)


def test_mass_is_nearer_and_surer_than_from_above_alone(verdict: Verdict, worn: WornSolid) -> None:
    assert verdict.status == "judged"
    assert verdict.consumed is not None
    assert verdict.together is not None
    truth = 100 * worn.consumed_volume
    mass, before = verdict.consumed.mass_pct, verdict.together.mass_before_pct
    assert abs(mass.value - truth) < 6.0
    assert mass.low <= truth <= mass.high
    assert mass.high - mass.low < 0.75 * (before.high - before.low)
    assert abs(verdict.consumed.area_pct.value - 100 * worn.consumed_area) < 2.5


def test_the_record_says_what_each_photo_brought(verdict: Verdict, photos: list[RenderedPhoto]) -> None:
    assert [v.name for v in verdict.views] == ["0.jpg", "1.jpg", "2.jpg"]
    assert verdict.mass is not None
    assert verdict.mass.method == "views"
    for view, photo in zip(verdict.views, photos, strict=True):
        assert view.tilt_deg == pytest.approx(photo.truth["tilt_deg"], abs=0.5)
        assert 0 <= view.information_frac <= 1
        assert view.mass_sd_without_pct > 0
        assert view.residual_mm < 1.0
        assert all(v.face_used for v in verdict.views)
        to = np.asarray(photo.camera.position_mm)[:2] - MOTION.shift
        if (
            view.tilt_deg > 30
        ):  # the azimuth is told in the part's own frame: the camera's side less the part's turn
            expected = np.degrees(np.arctan2(to[1], to[0])) - 20.0
            turned = (view.azimuth_deg - expected + 180) % 360 - 180
            assert (
                min(abs(turned), abs(abs(turned) - 180)) < 4
            )  # without marks on its outline the part may as well lie turned by half a turn
    assert verdict.together is not None
    field = np.array(verdict.together.thickness_part_mm)
    assert verdict.remaining_thickness_mm is not None
    assert field[:, 2].mean() == pytest.approx(verdict.remaining_thickness_mm.value, abs=0.3)
    again = anodewane.verdict_from_json(anodewane.verdict_to_json(verdict))
    assert again.together is not None
    assert len(again.views) == 3


def test_the_order_of_the_photos_doesnt_matter(photos: list[RenderedPhoto], verdict: Verdict) -> None:
    turned = judged([photos[2], photos[0], photos[1]])
    assert turned.consumed is not None
    assert verdict.consumed is not None
    assert turned.photo.sha256 == verdict.photo.sha256
    assert turned.consumed.mass_pct.value == pytest.approx(verdict.consumed.mass_pct.value, abs=0.6)


def top_at(worn: WornSolid, xy_mm: np.ndarray) -> np.ndarray:
    """True height of the face at places of the sheet frame."""
    back = MOTION.inverse().apply(xy_mm)
    field, origin, h = np.asarray(worn.field), np.asarray(worn.origin_mm), worn.step_mm
    i, j = (
        np.clip(np.round((back[:, k] - origin[k]) / h).astype(int), 0, field.shape[k] - 1) for k in (0, 1)
    )
    metal = field[i, j] < 0
    return origin[2] + h * (field.shape[2] - 1 - np.argmax(metal[:, ::-1], axis=1))


def test_the_face_is_measured_between_photos(photos: list[RenderedPhoto], worn: WornSolid) -> None:
    plan = shapely.Polygon(MOTION.apply(worn.plan_mm[0][0]), [MOTION.apply(r) for r in worn.plan_mm[0][1:]])
    loaded = [anodewane.stages.load.load_photo(p.jpeg(), "x.jpg") for p in photos]
    found = face_heights(tuple(loaded), tuple(p.camera for p in photos), plan.buffer(-2.0), PART.thickness_mm)
    assert len(found.height_mm) > 30
    top = top_at(worn, found.xy_mm)
    assert np.median(np.abs(found.height_mm - top)) < 0.5


def test_another_part_and_one_that_moved_are_refused(photos: list[RenderedPhoto], worn: WornSolid) -> None:
    shifted = taken(worn, 46, 200, motion=placement(28.0, (3.0, -112.0)))
    other = taken(
        erode(
            PART,
            WearPattern(depth_mm=5.0, unevenness=0.4, uneven_scale_mm=25.0, one_sided=0.8, seed=9),
            step_mm=0.9,
        ),
        46,
        200,
    )
    for stranger in (shifted, other):
        refused = judged([photos[0], stranger])
        assert refused.status == "cannot_judge"
        assert refused.reasons[0].code == "photos_disagree"
        assert refused.reasons[0].remedy
        assert "1.jpg" in refused.reasons[0].message


def test_marks_tell_by_how_much_a_part_moved(photos: list[RenderedPhoto], worn: WornSolid) -> None:
    """Against the motion that it was rendered with: turned by 4 degrees and shifted by 3 mm across the
    line of sight."""
    camera = photos[1].camera
    middle = MOTION.shift
    sight = np.asarray(camera.position_mm)[:2] - middle
    across = np.array([-sight[1], sight[0]]) / np.linalg.norm(sight)
    moved = taken(worn, 46, 200, motion=placement(24.0, tuple(middle + 3.0 * across)))
    plan = shapely.Polygon(MOTION.apply(worn.plan_mm[0][0]))
    loaded = [anodewane.stages.load.load_photo(p.jpeg(), "x.jpg") for p in (photos[0], photos[1], moved)]
    lay, went = face_motions(
        tuple(loaded),
        (photos[0].camera, camera, moved.camera),
        plan.buffer(-2.0),
        lambda xy: top_at(worn, xy),
    )
    assert lay.marks > 30
    assert lay.match > 0.5
    assert abs(lay.across_mm) < 0.6
    assert abs(lay.turned_deg) < 1.0
    assert lay.likeness > 0.35 > went.likeness
    assert went.turned_deg == pytest.approx(4.0, abs=1.0)
    assert went.across_mm == pytest.approx(3.0, abs=0.8)


def test_a_weight_gives_one_interval_from_one_photo_and_from_several(photos: list[RenderedPhoto]) -> None:
    grams = 0.6 * new_mass_g(PART)
    alone = judge(loaded(photos[:1])[0], PART, outlined(mask(photos[0]), weighed_g=grams))
    several = judged(photos[:2], given=Given(weighed_g=grams))
    assert alone.consumed is not None
    assert several.consumed is not None
    assert several.consumed.mass_pct == alone.consumed.mass_pct
    assert several.mass == alone.mass
    assert several.given is not None
    assert several.given.weighed_g == grams


def test_without_a_photo_from_above_there_is_no_judgement(photos: list[RenderedPhoto]) -> None:
    refused = judged(photos[1:])
    assert refused.reasons[0].code == "no_view_from_above"


def test_a_flush_part_has_no_other_side(photos: list[RenderedPhoto]) -> None:
    files = loaded(photos[:2])
    refused = judge_together(files[:1], PART, other_side=files[1:], outlines=outlines(photos[:2]))
    assert refused.reasons[0].code == "other_side_is_dry"


def turned_over(solid: WornSolid) -> WornSolid:
    """The same metal lying on its other face: turned about the x axis and let down until it touches."""
    field, h = np.asarray(solid.field)[:, ::-1, ::-1], solid.step_mm
    low = field.min(axis=(0, 1))
    k = int(np.flatnonzero(low < 0)[0])
    lowest = h * (k - low[k] / (low[k] - low[k - 1]))
    origin = np.array([solid.origin_mm[0], -(solid.origin_mm[1] + (field.shape[1] - 1) * h), -lowest])
    return replace(solid, field=np.ascontiguousarray(field), origin_mm=origin)


def test_both_faces_of_an_open_mount_together() -> None:
    template = replace(PART, mount="open")
    worn = erode(template, replace(WEAR, depth_mm=2.0, face_ratio=1.6, skirt_mm=0.0), step_mm=1.1)
    up = [taken(worn, 7, 250), taken(worn, 48, 200)]
    down = [taken(turned_over(worn), 7, 250), taken(turned_over(worn), 48, 300)]
    files = loaded([*up, *down])
    verdict = judge_together(files[:2], template, other_side=files[2:], outlines=outlines([*up, *down]))
    assert verdict.status == "judged"
    assert verdict.consumed is not None
    truth = 100 * worn.consumed_volume
    assert abs(verdict.consumed.mass_pct.value - truth) < 6.0
    assert verdict.consumed.mass_pct.low <= truth <= verdict.consumed.mass_pct.high
    assert [v.of_other_side for v in verdict.views] == [False, False, True, True]
    assert "both_sides" in [r.code for r in verdict.reasons]
    assert len(verdict.holes) == 1


@pytest.mark.parametrize("count", [1, 9])
def test_two_to_eight_photos(photos: list[RenderedPhoto], count: int) -> None:
    with pytest.raises(UsageError, match=f"{count} photos"):
        judge_together(loaded(photos[:1]) * count, PART)


def test_the_same_photo_twice_is_a_slip(photos: list[RenderedPhoto]) -> None:
    data = photos[0].jpeg()
    with pytest.raises(UsageError, match="same photo"):
        judge_together([load_photo(data, "a.jpg"), load_photo(data, "b.jpg")], PART)


# --- through the command -------------------------------------------------------------------------


def test_the_command_judges_and_draws(
    photos: list[RenderedPhoto], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from anodewane.catalog.templates import template_to_toml

    (tmp_path / "part.toml").write_text(template_to_toml(PART))
    argv = ["judge"]
    masks = []
    for i, photo in enumerate(photos[:2]):
        (tmp_path / f"{i}.jpg").write_bytes(photo.jpeg())
        Image.fromarray(np.round(np.asarray(photo.mask) * 255).astype(np.uint8)).save(tmp_path / f"{i}.png")
        argv.append(str(tmp_path / f"{i}.jpg"))
        masks += ["--mask", str(tmp_path / f"{i}.png")]
    code = main(
        [
            *argv,
            "--same-part",
            "--template",
            str(tmp_path / "part.toml"),
            *masks,
            "--overlay",
            str(tmp_path / "o.png"),
            "--out",
            str(tmp_path / "r.json"),
        ]
    )
    assert code == ExitCode.JUDGED
    record = anodewane.verdict_from_json(capsys.readouterr().out)
    assert len(record.views) == 2
    with Image.open(tmp_path / "o.png") as picture:
        assert picture.width > 1200
        colours = set(
            picture.convert("RGB").resize((400, 400), Image.Resampling.NEAREST).get_flattened_data()
        )
    assert len(colours) > 500
    assert main([*argv, "--template", str(tmp_path / "part.toml")]) == ExitCode.USAGE
    assert "--same-part" in capsys.readouterr().err


# --- low along the bench -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "tilt"), [("card", 77.0), ("card", 81.0), ("mat-a4", 80.0), ("mat-a4", 83.0)]
)
def test_the_sheet_is_found_in_a_photo_taken_low(name: str, tilt: float) -> None:
    """7 to 13 degrees above the bench, 6 megapixels: pose against the camera that the picture was made by."""
    size = (2816, 2112)
    camera = small_camera(tilt, 60.0, 420.0, size=size)
    photo = photo_of(render_sheet(name, camera, size=size))
    lenient = Settings(max_tilt_deg=89.0)
    plane = locate_camera(photo, find_sheet(photo, lenient)[0], lenient)
    assert plane.tilt_deg == pytest.approx(tilt, abs=0.2)
    assert np.asarray(plane.camera.position_mm) == pytest.approx(np.asarray(camera.position_mm), abs=2.0)
