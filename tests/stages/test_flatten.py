"""Rectifying: exact pictures of the sheet through a known camera are the judge, and OpenCV's
warpPerspective where the lens bends nothing."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from anodewane.catalog.sheets import all_layouts
from anodewane.geometry.camera import plane_homography
from anodewane.records import Photo, Source
from anodewane.settings import Settings
from anodewane.stages.flatten import Window, flatten, overview_window
from anodewane.stages.plane import locate_camera
from made.sheet_scenes import HEIGHT, WIDTH, camera, photo, sighting

LAYOUT = all_layouts()["card"]


def ramp_photo():
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    rgb = np.stack([x / 16, y / 12, (x + y) / 28], axis=-1).astype(np.uint8)
    return Photo(rgb, Source("x.jpg", "0" * 64, 1), None, 26.0, None, ())


@pytest.mark.parametrize("mm_per_px", [0.3, 1.7])
def test_agrees_with_opencvs_warp(mm_per_px):
    cam = camera(12.0)
    plane = locate_camera(photo(), sighting(cam), Settings())
    shot = ramp_photo()
    window = Window(-80.0, -60.0, 100.0, 70.0)
    flat = flatten(shot, plane, LAYOUT, window, mm_per_px)
    h, w = flat.valid.shape
    to_mm = np.array([[mm_per_px, 0, flat.origin_mm[0]], [0, -mm_per_px, flat.origin_mm[1]], [0, 0, 1.0]])
    want = cv2.warpPerspective(
        shot.rgb, plane_homography(cam) @ to_mm, (w, h), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    )
    assert flat.valid.all()
    assert np.abs(flat.rgb.astype(int) - want).max() <= 2  # a smooth ramp: averaging and picking agree


def test_outside_the_photo_is_marked():
    cam = camera(0.0, distance_mm=300.0)
    plane = locate_camera(photo(), sighting(cam), Settings())
    flat = flatten(ramp_photo(), plane, LAYOUT, Window(-400, -400, 400, 400), 4.0)
    assert flat.valid.any() and not flat.valid.all() and not flat.valid[0, 0]


def test_sheet_and_print_lie_where_the_layout_says():
    cam = camera(20.0)
    plane = locate_camera(photo(), sighting(cam), Settings())
    flat = flatten(ramp_photo(), plane, LAYOUT, Window(-150, -110, 150, 110), 0.5)
    # ISO 216: A5 is 210 x 148 mm; OpenCV's filled outline takes the pixels that it runs through, so up
    # to one pixel more all round
    assert 210 * 148 <= flat.sheet.sum() * 0.25 <= 211 * 149
    col, row = np.round((LAYOUT.black_mm.mean(1) - flat.origin_mm) / [0.5, -0.5]).astype(int).T
    assert (flat.print_[row, col] == 0).all()
    assert np.all(flat.print_[flat.sheet == 0] == pytest.approx(128 / 255))


def test_the_overview_reaches_no_farther_than_asked():
    plane = locate_camera(photo(), sighting(camera(30.0, distance_mm=900.0)), Settings())
    w = overview_window(photo(), plane, LAYOUT, reach_mm=100.0)
    assert w.left >= -205.0001 and w.right <= 205.0001 and w.bottom >= -174.0001 and w.top <= 174.0001
