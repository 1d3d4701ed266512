"""Finding the sheet on exact renders: the sheet's picture seen through a known camera, blurred in
linear light, with noise, in sRGB."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from anodewane.catalog.sheets import all_layouts
from anodewane.errors import CannotJudge
from anodewane.geometry.camera import project
from anodewane.settings import Settings
from anodewane.stages.card import find_card
from made.sheet_scenes import GROUND, linear, photo_of, render
from made.sheet_scenes import small_camera as camera


def error_px(sighting, cam):
    want = project(cam, np.c_[sighting.points_mm, np.zeros(len(sighting.points_mm))])
    return np.linalg.norm(sighting.points_px - want, axis=1)


@pytest.mark.parametrize("name", ["card", "mat-a4", "mat-letter"])
@pytest.mark.parametrize("blur", [0.5, 1.2])
def test_every_saddle_is_found_where_the_camera_puts_it(name, blur):
    """Also the guard on pixel centres: half a pixel of offset would show tenfold."""
    cam = camera()
    sighting = find_card(photo_of(render(name, cam, blur=blur)))
    assert sighting.layout.name == name
    assert len(sighting.points_mm) == len(sighting.layout.saddles_mm)
    offset = (
        sighting.points_px - project(cam, np.c_[sighting.points_mm, np.zeros(len(sighting.points_mm))])
    ).mean(axis=0)
    assert np.abs(offset).max() < 0.03
    assert np.sqrt(np.mean(error_px(sighting, cam) ** 2)) < 0.1
    assert sighting.blur_px == pytest.approx(
        np.hypot(blur, 0.35), abs=0.2
    )  # the pixel's own width adds 1/12 px2, the render's softening a little


def test_ransac_still_finds_what_magsac_in_opencv_5_0_loses():
    """`cv2.findHomography` must give a homography for marker corners with strays among them, by the
    method that the stage uses."""
    layout = all_layouts()["card"]
    world = layout.marker_corners_mm.reshape(-1, 2)
    cam = camera()
    image = project(cam, np.c_[world, np.zeros(len(world))])
    image[::9] += 40.0
    h, keep = cv2.findHomography(world, image, cv2.RANSAC, 3.0)
    assert h is not None and not np.ravel(keep)[::9].any()
    moved = np.c_[world, np.ones(len(world))] @ h.T
    good = np.ravel(keep).astype(bool)
    assert np.abs(moved[good, :2] / moved[good, 2:] - image[good]).max() < 0.01


@pytest.mark.parametrize("turn_deg", [0, 90, 180, 270, 33])
def test_any_way_up(turn_deg):
    cam = camera(turn_deg=turn_deg, distance_mm=560)
    sighting = find_card(photo_of(render("card", cam)))
    assert error_px(sighting, cam).max() < 0.3 and len(sighting.points_mm) == len(sighting.layout.saddles_mm)


@pytest.mark.parametrize("seed", range(6))
def test_half_hidden_under_blobs(seed):
    """Random dark and light blobs over half of the sheet: what is found lies right, nothing is made
    up under a blob."""
    cam = camera(tilt_deg=8, turn_deg=5, distance_mm=430)
    light = render("card", cam)
    rng = np.random.default_rng(seed)
    layout = all_layouts()["card"]
    hidden = np.zeros(light.shape, np.uint8)
    corners = project(
        cam, np.c_[np.array([(-105, -74), (105, -74), (105, 74), (-105, 74)], float), np.zeros(4)]
    )
    sheet = cv2.fillPoly(np.zeros(light.shape, np.uint8), [corners.astype(np.int32)], 1)
    while (hidden & sheet).sum() < 0.5 * sheet.sum():
        centre = tuple(int(v) for v in rng.uniform(corners.min(0), corners.max(0)))
        cv2.ellipse(
            hidden,
            centre,
            tuple(int(v) for v in rng.uniform(30, 150, 2)),
            float(rng.uniform(0, 180)),
            0,
            360,
            1,
            -1,
        )
    light = np.where(hidden == 1, np.float32(rng.uniform(0.05, 0.6)), light)
    try:
        sighting = find_card(photo_of(light))
    except CannotJudge as refusal:
        assert refusal.code == "sheet_too_little"
        clear = project(cam, np.c_[layout.saddles_mm, np.zeros(len(layout.saddles_mm))]).astype(int)
        near = cv2.dilate(hidden, np.ones((25, 25), np.uint8))
        assert (near[clear[:, 1], clear[:, 0]] == 0).sum() < 14  # really little was left
        return
    assert error_px(sighting, cam).max() < 0.6
    at = sighting.points_px.round().astype(int)
    assert not cv2.erode(hidden, np.ones((9, 9), np.uint8))[at[:, 1], at[:, 0]].any()


def test_a_sheet_cut_by_the_frame_works_while_enough_is_seen():
    cam = camera(tilt_deg=5, turn_deg=0, distance_mm=330, at=(170.0, 0.0))
    sighting = find_card(photo_of(render("card", cam)))
    assert 8 <= len(sighting.points_mm) < len(sighting.layout.saddles_mm)
    assert error_px(sighting, cam).max() < 0.3


def test_too_little_of_it_is_refused():
    cam = camera(tilt_deg=0, turn_deg=0, distance_mm=430)
    light = render("card", cam)
    light[:, 330:] = GROUND
    light[300:] = GROUND
    with pytest.raises(CannotJudge) as caught:
        find_card(photo_of(light))
    assert caught.value.code in ("sheet_too_little", "no_sheet")


def test_no_sheet():
    rng = np.random.default_rng(3)
    texture = cv2.GaussianBlur(rng.random((1080, 1440), dtype=np.float32), (0, 0), 3)
    for light in (texture, np.full_like(texture, 0.3)):
        with pytest.raises(CannotJudge) as caught:
            find_card(photo_of(light))
        assert caught.value.code == "no_sheet"


def test_one_marker_without_its_squares_is_no_sheet():
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250)
    light = np.full((1080, 1440), 0.3, np.float32)
    for at, marker in ((300, 4), (800, 9)):
        picture = cv2.aruco.generateImageMarker(dictionary, marker, 70, borderBits=1)
        light[380:480, at : at + 100] = 0.7
        light[395:465, at + 15 : at + 85] = np.where(picture > 127, 0.7, 0.04)
    with pytest.raises(CannotJudge) as caught:
        find_card(photo_of(cv2.GaussianBlur(light, (0, 0), 0.8)))
    assert caught.value.code == "no_sheet" and "2 look-alike" in caught.value.detail


def test_two_markers_among_their_squares_are_too_little_of_a_sheet():
    light = render("card", camera(tilt_deg=0, turn_deg=0, distance_mm=430))
    corners = project(
        camera(tilt_deg=0, turn_deg=0, distance_mm=430), np.array([[-98, 68, 0], [-59, 29, 0.0]])
    )
    left, top, right, bottom = (int(v) for v in corners.ravel())
    shown = np.full_like(light, GROUND)
    shown[top:bottom, left:right] = light[top:bottom, left:right]
    with pytest.raises(CannotJudge) as caught:
        find_card(photo_of(shown))
    assert caught.value.code == "sheet_too_little"


def test_a_mirrored_sheet_is_named():
    with pytest.raises(CannotJudge) as caught:
        find_card(photo_of(render("card", camera(turn_deg=0), flip=True)))
    assert caught.value.code == "no_sheet" and "mirrored" in caught.value.detail


@pytest.mark.parametrize("second", ["card", "mat-a4"])
def test_two_sheets(second):
    cam = camera(tilt_deg=0, turn_deg=0, distance_mm=900)
    first = render("card", cam, shift_mm=(-160.0, 0.0))
    light = render(second, cam, shift_mm=(150.0, 60.0), canvas=first)
    with pytest.raises(CannotJudge) as caught:
        find_card(photo_of(light))
    assert caught.value.code == "two_sheets"


def test_stray_markers_do_no_harm():
    """Markers of the sheet's own dictionary, pasted beside it by OpenCV's drawer."""
    cam = camera(tilt_deg=0, turn_deg=0, distance_mm=560)
    light = render("card", cam)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250)
    for i, marker_id in enumerate((3, 65, 140, 249)):
        tag = cv2.copyMakeBorder(
            cv2.aruco.generateImageMarker(dictionary, marker_id, 70),
            15,
            15,
            15,
            15,
            cv2.BORDER_CONSTANT,
            value=255,
        )
        light[20:120, 100 + 300 * i : 200 + 300 * i] = linear(tag)
    sighting = find_card(photo_of(light))
    assert sighting.layout.name == "card" and error_px(sighting, cam).max() < 0.3


@pytest.mark.slow
def test_blur_dark_and_glare_are_refused_and_worse_reads_worse():
    cam = camera()
    blurs = [find_card(photo_of(render("card", cam, blur=blur))).blur_px for blur in (0.5, 0.9, 1.3)]
    assert blurs[0] < blurs[1] < blurs[2]
    light = render("card", cam, blur=0.7)
    levels = [find_card(photo_of(light, gain=g)).paper_level for g in (0.2, 0.5, 1.0)]
    assert levels == pytest.approx([0.16, 0.4, 0.8], rel=0.03)  # paper sends back 0.80 in `render`
    cases = {
        "blurred": photo_of(render("card", cam, blur=2.2)),
        "too_dark": photo_of(light, gain=0.02, noise=0.0005),
        "glare": photo_of(light, gain=3.5),
    }
    for code, photo in cases.items():
        with pytest.raises(CannotJudge) as caught:
            find_card(photo)
        assert caught.value.code == code
    assert find_card(cases["glare"], settings=Settings(max_paper_clipped_frac=1.0)).paper_clipped_frac > 0.9


def test_bright_paper_alone_is_no_glare():
    assert find_card(photo_of(render("card", camera(), blur=0.7), gain=1.5)).paper_clipped_frac > 0.9


@pytest.mark.parametrize("shape", [(1, 1), (1, 500), (20, 20), (5, 3000), (3000, 4)])
def test_a_photo_of_any_shape_is_an_answer_not_a_fault(shape):
    with pytest.raises(CannotJudge) as caught:
        find_card(photo_of(np.full(shape, 0.9, np.float32)))
    assert caught.value.code == "no_sheet"
