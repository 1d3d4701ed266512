"""Placing the edge: discs and rectangles of exact size, blurred in linear light, are the judge; shapely
judges the handed outlines."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest
from shapely import Polygon

from anodewane.errors import CannotJudge, UsageError
from anodewane.geometry.camera import project, to_height
from anodewane.geometry.rings import rings_area
from anodewane.records import Photo, SoftMask, Source
from anodewane.settings import Settings
from anodewane.stages.plane import locate_camera
from anodewane.stages.refine import EDGE_SD_MM, METAL_LEVEL, mask_from_pixels, mask_from_rings, refine
from made.sheet_scenes import camera, sighting
from made.sheet_scenes import photo as blank_photo

W, H = 4032, 3024


def scene(light_in, light_out, radius_mm=30.0, hole_mm=8.0, blur_px=1.2, tilt=15.0):
    """A flat ring on the sheet's plane: 64 lines of sight a pixel say what is metal, blurred in linear
    light, stored as sRGB (IEC 61966-2-1)."""
    cam = camera(tilt)
    a = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    outer = project(cam, np.c_[np.cos(a), np.sin(a), 0 * a] * radius_mm)
    lo, hi = np.floor(outer.min(0)).astype(int) - 40, np.ceil(outer.max(0)).astype(int) + 40
    cover = np.zeros((hi - lo)[::-1])
    x, y = np.meshgrid(np.arange(lo[0], hi[0]), np.arange(lo[1], hi[1]))
    part = (np.arange(8) + 0.5) / 8 - 0.5
    for dx in part:
        for dy in part:
            rho = np.hypot(*to_height(cam, np.stack([x + dx, y + dy], -1).reshape(-1, 2), 0.0).T)
            cover += ((rho < radius_mm) & (rho > hole_mm)).reshape(cover.shape) / 64
    light = cv2.GaussianBlur(light_out + (light_in - light_out) * cover, (0, 0), blur_px)
    srgb = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    rgb = np.full((H, W, 3), 128, np.uint8)
    rgb[lo[1] : hi[1], lo[0] : hi[0]] = np.round(255 * srgb)[..., None]
    shot = Photo(rgb, Source("x.jpg", "0" * 64, 1), None, 26.0, None, ())
    return shot, locate_camera(blank_photo(), sighting(cam), Settings())


def soft_ring(radius_mm=30.0, hole_mm=8.0, s=0.25, ramp=1.2, half=40.0):
    n = round(2 * half / s)
    c = (np.arange(n) + 0.5) * s - half
    x, y = np.meshgrid(c, -c)
    rho = np.hypot(x, y)
    d = np.maximum(rho - radius_mm, hole_mm - rho) / s
    prob = 1 / (1 + np.exp(np.clip(d * 4 / ramp, -30, 30)))
    return SoftMask(prob.astype(np.float32), s, np.array([-half + s / 2, half - s / 2]), "test", None)


def radii(mask, plane):
    out, hole = (np.hypot(*to_height(plane.camera, r, 0.0).T) for r in mask.pieces_px[0])
    return float(out.mean()), float(hole.mean())


@pytest.mark.parametrize(("inside", "outside"), [(0.7, 0.1), (0.1, 0.7), (0.35, 0.2)])
def test_a_blurred_ring_is_found_to_a_few_hundredths_of_a_millimetre(inside, outside):
    shot, plane = scene(inside, outside)
    off = soft_ring(30.06, 7.94)  # the segmenter is 0.06 mm too generous
    found = radii(refine(shot, plane, off, Settings()), plane)
    assert found[0] == pytest.approx(30.0, abs=0.03) and found[1] == pytest.approx(8.0, abs=0.03)


def test_in_linear_light_the_edge_does_not_move_with_contrast():
    shot, plane = scene(0.9, 0.02, blur_px=2.0)
    other, _ = scene(0.02, 0.9, blur_px=2.0)
    bright, dark = (radii(refine(s, plane, soft_ring(), Settings()), plane)[0] for s in (shot, other))
    assert abs(bright - dark) < 0.02


def test_without_an_edge_in_the_light_the_segmenters_contour_stays():
    shot, plane = scene(0.3, 0.3)
    out, hole = radii(refine(shot, plane, soft_ring(29.0, 9.0, ramp=0.5), Settings()), plane)
    # the ring is made with its 0.5 at 29 and 9 mm; the level that is traced lies outside it by what the
    # ramp (0.5 mm from 0 to 1) makes of the difference
    outside = 0.5 * (0.5 - METAL_LEVEL)
    assert outside < 0.11
    assert out == pytest.approx(29.0 + outside, abs=0.05) and hole == pytest.approx(9.0 - outside, abs=0.05)


def test_doubt_grows_with_poor_contrast_and_with_a_broad_ramp():
    clear, plane = scene(0.7, 0.1)
    same, _ = scene(0.3, 0.3)
    sd = [
        refine(s, plane, soft_ring(ramp=r), Settings()).edge_sd_mm
        for s, r in ((clear, 1.0), (same, 1.0), (same, 6.0))
    ]
    assert EDGE_SD_MM <= sd[0] < sd[1] < sd[2]


def test_specks_and_pinholes_are_dropped_and_holes_kept():
    shot, plane = scene(0.7, 0.1)
    soft = soft_ring()
    prob = soft.metal_prob.copy()
    prob[4:8, 4:8] = 1.0  # 1 mm2 island
    prob[150:153, 90:93] = 0.0  # 0.6 mm2 pinhole in the ring
    mask = refine(shot, plane, SoftMask(prob, soft.mm_per_px, soft.origin_mm, "test", None), Settings())
    assert len(mask.pieces_px) == 1 and len(mask.pieces_px[0]) == 2 and not mask.touches_border


def test_nothing_left_is_no_part():
    shot, plane = scene(0.7, 0.1)
    soft = soft_ring()
    with pytest.raises(CannotJudge, match="no_part"):
        refine(
            shot,
            plane,
            SoftMask(soft.metal_prob * 0.2, soft.mm_per_px, soft.origin_mm, "test", None),
            Settings(),
        )


def test_a_handed_mask_keeps_area_holes_and_half_pixels():
    big = np.zeros((400 * 8, 500 * 8), np.uint8)
    outer = np.array([[100.25, 80.5], [400.75, 90.0], [380.0, 300.25], [120.0, 310.5]])
    hole = np.array([[200.0, 150.0], [260.0, 150.0], [260.0, 210.0], [200.0, 210.0]])
    cv2.fillPoly(
        big,
        [
            np.round((outer + 0.5) * 8 - 0.5).astype(np.int32),
            np.round((hole + 0.5) * 8 - 0.5).astype(np.int32),
        ],
        255,
    )
    mask = mask_from_pixels(cv2.resize(big, (500, 400), interpolation=cv2.INTER_AREA))
    want = Polygon(outer, [hole])
    assert mask.segmenter == "manual" and len(mask.pieces_px[0]) == 2
    assert rings_area(mask.pieces_px[0]) == pytest.approx(want.area, rel=2e-3)
    assert Polygon(mask.pieces_px[0][0]).centroid.distance(Polygon(outer).centroid) < 0.1


def test_handed_rings_nest_by_depth_whatever_way_they_run():
    def square(c, r):
        return [(c - r, c - r), (c + r, c - r), (c + r, c + r), (c - r, c + r)]

    mask = mask_from_rings(
        [square(50, 10), square(50, 40)[::-1], square(50, 4), square(200, 5) + square(200, 5)[:1]]
    )
    areas = [rings_area(p) for p in mask.pieces_px]
    assert areas == [pytest.approx(80**2 - 20**2), pytest.approx(100), pytest.approx(64)]


@pytest.mark.parametrize("rings", [[], [[(0, 0), (1, 1)]], [[(0, 0), (10, 10), (10, 0), (0, 10)]]])
def test_a_useless_outline_is_said(rings):
    with pytest.raises(UsageError):
        mask_from_rings(rings)


@pytest.mark.parametrize("mask", [np.zeros((10, 10), np.uint8), np.zeros((10, 10, 3), np.uint8)])
def test_a_useless_mask_is_said(mask):
    with pytest.raises(UsageError):
        mask_from_pixels(mask)


def test_an_outline_that_runs_along_the_frame_is_cut_by_it() -> None:
    from anodewane.stages.refine import _touches

    shape = (1500, 2000, 3)

    def box(left: float, top: float, right: float, bottom: float) -> Any:
        along = np.arange(0, 1, 0.002)[:, None]
        corners = np.array([(left, top), (right, top), (right, bottom), (left, bottom)], float)
        sides = zip(corners, np.roll(corners, -1, axis=0), strict=True)
        return np.vstack([a + (b - a) * along for a, b in sides])

    assert not _touches(box(400, 300, 900, 800), shape)
    assert _touches(box(400, 300, 1999, 800), shape)
    # closed two pixels inside, along a whole side
    assert _touches(box(400, 300, 1997, 800), shape)
    # a whole part may lie near the frame
    assert not _touches(box(400, 300, 1990, 800), shape)
