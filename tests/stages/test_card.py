"""Finding the sheet on exact renders: the sheet's picture seen through a known camera, blurred in linear light, with noise, in sRGB."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from anodewane.catalog.print_sheet import sheet_picture
from anodewane.catalog.sheets import all_layouts
from anodewane.errors import CannotJudge
from anodewane.geometry import plane_homography, project
from anodewane.records import Camera, Photo, Source
from anodewane.settings import Settings
from anodewane.stages.card import find_card

PX_PER_MM = 12.0
GROUND = 0.18  # grey card: light that an average ground sends back


def camera(tilt_deg=12.0, turn_deg=20.0, distance_mm=480.0, size=(1440, 1080), f35=26.0, at=(0.0, 0.0)):
    tilt, turn = np.radians([tilt_deg, turn_deg])
    spin = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    lean = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
    rotation = lean @ np.diag([1.0, -1.0, -1.0]) @ spin
    half = np.hypot(*size) / 2
    return Camera(rotation, np.array([*at, 0.0]) - distance_mm * rotation[2], f35 / 43.2666 * 2 * half, (np.array(size) - 1) / 2, 0.0, half)


def linear(v):
    v = np.asarray(v, np.float32) / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


def photo_of(light, gain=1.0, noise=0.002, seed=0):
    light = light * gain + np.random.default_rng(seed).normal(0, 1, light.shape).astype(np.float32) * noise
    x = np.clip(light, 0, 1)
    coded = np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
    rgb = np.repeat((255 * coded + 0.5).astype(np.uint8)[..., None], 3, axis=2)
    return Photo(rgb, Source("x.jpg", "0" * 64, 1), None, 26.0, None, ())


def render(name, cam, size=(1440, 1080), blur=0.8, canvas=None, shift_mm=(0.0, 0.0), flip=False):
    """Light (h, w) of a sheet lying at `shift_mm` on a grey ground, three samples a pixel each way."""
    layout, k = all_layouts()[name], 3
    picture = sheet_picture(name, PX_PER_MM)
    if flip:
        picture = picture[:, ::-1]
    w, h = layout.size_mm
    mm_from_picture = np.array([[1 / PX_PER_MM, 0, 0.5 / PX_PER_MM - w / 2 + shift_mm[0]], [0, -1 / PX_PER_MM, h / 2 - 0.5 / PX_PER_MM + shift_mm[1]], [0, 0, 1.0]])
    fine = np.array([[k, 0, (k - 1) / 2], [0, k, (k - 1) / 2], [0, 0, 1.0]])
    full = fine @ plane_homography(cam) @ mm_from_picture
    soft = linear(cv2.GaussianBlur(picture, (0, 0), 1.0))
    there = cv2.warpPerspective(np.ones_like(soft), full, (size[0] * k, size[1] * k))
    seen = cv2.warpPerspective(0.04 + 0.76 * soft, full, (size[0] * k, size[1] * k))
    there, seen = (cv2.resize(v, size, interpolation=cv2.INTER_AREA) for v in (there, seen))
    light = seen + (1 - there) * (GROUND if canvas is None else canvas)
    return cv2.GaussianBlur(light, (0, 0), blur) if blur else light


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
    offset = (sighting.points_px - project(cam, np.c_[sighting.points_mm, np.zeros(len(sighting.points_mm))])).mean(axis=0)
    assert np.abs(offset).max() < 0.03
    assert np.sqrt(np.mean(error_px(sighting, cam) ** 2)) < 0.1
    assert sighting.blur_px == pytest.approx(np.hypot(blur, 0.35), abs=0.2)  # the pixel's own width adds 1/12 px2, the render's softening a little


def test_ransac_still_finds_what_magsac_in_opencv_5_0_loses():
    """`cv2.findHomography` must give a homography for marker corners with strays among them, by the method that the stage uses."""
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
    """Random dark and light blobs over half of the sheet: what is found lies right, nothing is made up under a blob."""
    cam = camera(tilt_deg=8, turn_deg=5, distance_mm=430)
    light = render("card", cam)
    rng = np.random.default_rng(seed)
    layout = all_layouts()["card"]
    hidden = np.zeros(light.shape, np.uint8)
    corners = project(cam, np.c_[np.array([(-105, -74), (105, -74), (105, 74), (-105, 74)], float), np.zeros(4)])
    sheet = cv2.fillPoly(np.zeros(light.shape, np.uint8), [corners.astype(np.int32)], 1)
    while (hidden & sheet).sum() < 0.5 * sheet.sum():
        centre = tuple(int(v) for v in rng.uniform(corners.min(0), corners.max(0)))
        cv2.ellipse(hidden, centre, tuple(int(v) for v in rng.uniform(30, 150, 2)), float(rng.uniform(0, 180)), 0, 360, 1, -1)
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
        tag = cv2.copyMakeBorder(cv2.aruco.generateImageMarker(dictionary, marker_id, 70), 15, 15, 15, 15, cv2.BORDER_CONSTANT, value=255)
        light[20:120, 100 + 300 * i : 200 + 300 * i] = linear(tag)
    sighting = find_card(photo_of(light))
    assert sighting.layout.name == "card" and error_px(sighting, cam).max() < 0.3


def test_blur_dark_and_glare_are_refused_and_worse_reads_worse():
    cam = camera()
    blurs = [find_card(photo_of(render("card", cam, blur=blur))).blur_px for blur in (0.5, 0.9, 1.3)]
    assert blurs[0] < blurs[1] < blurs[2]
    light = render("card", cam, blur=0.7)
    levels = [find_card(photo_of(light, gain=g)).paper_level for g in (0.2, 0.5, 1.0)]
    assert levels == pytest.approx([0.16, 0.4, 0.8], rel=0.03)  # paper sends back 0.80 in `render`
    cases = {"blurred": photo_of(render("card", cam, blur=2.2)), "too_dark": photo_of(light, gain=0.02, noise=0.0005), "glare": photo_of(light, gain=3.5)}
    for code, photo in cases.items():
        with pytest.raises(CannotJudge) as caught:
            find_card(photo)
        assert caught.value.code == code
    assert find_card(cases["glare"], settings=Settings(max_paper_clipped_frac=1.0)).paper_clipped_frac > 0.9


def test_bright_paper_alone_is_no_glare():
    assert find_card(photo_of(render("card", camera(), blur=0.7), gain=1.5)).paper_clipped_frac > 0.9
