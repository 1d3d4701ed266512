"""Fouling beside the edge: lumps of known size painted beside a disc, the package's own renderer with
shells and without; what isn't fouling stays unsaid."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from anodewane.catalog.sheets import all_layouts
from anodewane.geometry.camera import project, to_height
from anodewane.geometry.rings import rings_area
from anodewane.records import MetalMask, Template
from anodewane.settings import Settings
from anodewane.stages.fouling import FOULED_EDGE_SD_MM, fouled_places, say_fouling
from anodewane.stages.plane import locate_camera
from anodewane.stages.refine import mask_from_pixels
from made.sheet_scenes import photo_of, sighting, small_camera

CARD = all_layouts()["card"]
CAMERA = small_camera(at=(0.0, 60.0))
SIZE = (1440, 1080)
CENTRE, RADIUS = np.array([10.0, 125.0]), 30.0
METAL, GROUND, SHELL = 0.35, 0.18, 0.55


@pytest.fixture(scope="module")
def plane():
    return replace(
        locate_camera(photo_of(np.zeros(SIZE[::-1], np.float32)), sighting(CAMERA), Settings()), camera=CAMERA
    )


@pytest.fixture(scope="module")
def on_sheet():
    """Where each pixel lies, as distance from the disc's middle, direction (degrees) and sheet mm."""
    x, y = np.meshgrid(np.arange(SIZE[0]), np.arange(SIZE[1]))
    mm = to_height(CAMERA, np.stack([x, y], -1).reshape(-1, 2).astype(float), 0.0).reshape(
        SIZE[1], SIZE[0], 2
    )
    off = mm - CENTRE
    return np.hypot(off[..., 0], off[..., 1]), np.degrees(np.arctan2(off[..., 1], off[..., 0])), mm


def outline(hole_mm=0.0, segmenter="network"):
    a = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    ring = np.c_[np.cos(a), np.sin(a)]
    rings = [project(CAMERA, np.c_[CENTRE + r * ring, 0 * a]) for r in (RADIUS, hole_mm) if r > 0]
    return MetalMask((tuple(rings),), 0.15, False, segmenter, None, ())


def ground_and_disc(on_sheet):
    rho, _, _ = on_sheet
    texture = np.random.default_rng(4).normal(1, 0.06, rho.shape)
    return np.where(rho < RADIUS, METAL, GROUND * texture)


def lumps(light, on_sheet, degrees, radius_mm=2.5, shade=SHELL, out_mm=1.0):
    """Round lumps whose middles stand `out_mm` outside the disc's edge."""
    _, _, mm = on_sheet
    light = light.copy()
    for d in np.radians(degrees):
        at = CENTRE + (RADIUS + out_mm) * np.array([np.cos(d), np.sin(d)])
        light[np.hypot(mm[..., 0] - at[0], mm[..., 1] - at[1]) < radius_mm] = shade
    return light


def test_each_lump_is_found_where_it_is_and_as_long_as_it_is(plane, on_sheet):
    degrees = (20.0, 140.0, 250.0)
    found = fouled_places(
        photo_of(lumps(ground_and_disc(on_sheet), on_sheet, degrees)), plane, CARD, outline()
    )
    assert len(found) == 3
    for length, middle in found:
        # a lump of 5 mm reaches past the nearest strips along 4 to 5 mm of the edge
        assert 2.5 <= length <= 7.0
        gap = np.degrees(np.arctan2(*(middle - CENTRE)[::-1])) - np.array(degrees)
        assert np.abs((gap + 180) % 360 - 180).min() < 3.0


def test_it_is_said_with_its_length_and_the_edge_is_less_sure(plane, on_sheet):
    mask = outline()
    shot = photo_of(lumps(ground_and_disc(on_sheet), on_sheet, (20.0, 140.0)))
    said = say_fouling(shot, plane, CARD, mask)
    assert len(said.fouled_mm) == 2
    assert said.edge_sd_mm == pytest.approx(np.hypot(mask.edge_sd_mm, FOULED_EDGE_SD_MM))
    assert np.array_equal(said.pieces_px[0][0], mask.pieces_px[0][0])
    # an outline that a person drew is theirs
    drawn = outline(segmenter="manual")
    assert say_fouling(shot, plane, CARD, drawn) is drawn


def test_a_clean_part_is_left_as_it_is(plane, on_sheet):
    mask = outline()
    assert say_fouling(photo_of(ground_and_disc(on_sheet)), plane, CARD, mask) is mask


def shadow(light, on_sheet):
    rho, angle, _ = on_sheet
    return np.where((rho > RADIUS) & (rho < RADIUS + 5) & (np.abs(angle) < 100), light * 0.35, light)


def gap_in_shadow(light, on_sheet):
    """Sunlit ground between two shadows: bright beside the edge, but no brighter than the
    ground farther out."""
    _, angle, _ = on_sheet
    return np.where(np.abs(np.abs(angle) - 30) < 12, shadow(light, on_sheet), light)


def wall(light, on_sheet):
    rho, angle, _ = on_sheet
    return np.where((rho > RADIUS) & (rho < RADIUS + 4) & (np.abs(angle) < 60), METAL, light)


def boards(light, on_sheet):
    rho, _, mm = on_sheet
    return np.where((rho > RADIUS) & (mm[..., 0] % 20 < 10), light * 2.5, light)


def large_thing(light, on_sheet):
    rho, angle, _ = on_sheet
    return np.where((rho > RADIUS) & (rho < RADIUS + 40) & (np.abs(angle) < 12), SHELL, light)


@pytest.mark.parametrize("what", [shadow, gap_in_shadow, wall, boards, large_thing])
def test_what_is_not_fouling(what, plane, on_sheet):
    assert fouled_places(photo_of(what(ground_and_disc(on_sheet), on_sheet)), plane, CARD, outline()) == []


def test_small_holes_are_not_looked_into(plane, on_sheet):
    rho, angle, _ = on_sheet
    light = ground_and_disc(on_sheet)
    light[rho < 8.0] = 0.03
    light[(rho < 8.0) & (rho > 5.0) & (np.abs(angle) < 40)] = SHELL  # sunlight on its wall
    assert fouled_places(photo_of(light), plane, CARD, outline(hole_mm=8.0)) == []


def test_nothing_is_said_on_the_sheets_own_paper(plane, on_sheet):
    """A limit that the decision states: white paper is brighter than shells."""
    _, _, mm = on_sheet
    light = np.where((np.abs(mm) < np.array(CARD.size_mm) / 2).all(-1), 0.8, ground_and_disc(on_sheet))
    a = np.linspace(0, 2 * np.pi, 300, endpoint=False)
    ring = project(CAMERA, np.c_[20 * np.cos(a), 20 * np.sin(a), 0 * a])
    light[np.hypot(mm[..., 0], mm[..., 1]) < 20.0] = METAL
    light[np.hypot(mm[..., 0] - 21.0, mm[..., 1]) < 2.5] = 0.99
    assert (
        fouled_places(photo_of(light), plane, CARD, MetalMask(((ring,),), 0.15, False, "network", None, ()))
        == []
    )


# --- rendered ------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("shells", [0, 40])
def test_on_photos_of_our_own_renderer(shells, plane):
    """A part on a dark tarpaulin, its outline the renderer's exact mask (which goes without the shells)."""
    from anodewane.testing import Scene, WearPattern, erode, look_at, placement, render

    box = np.array([[-40.0, -25.0], [40.0, -25.0], [40.0, 25.0], [-40.0, 25.0]])
    part = Template("box", (box,), 14.0, "flush", "plate", "zinc", None, 1.0, (), None, True)
    camera = look_at((0, 105), distance_mm=250, tilt_deg=8, width=640, height=480)
    scene = Scene(layout="none", ground="tarp", barnacles=shells, sun_share=0.3, sun_radius_deg=8.0, seed=3)
    solid = erode(part, WearPattern(depth_mm=1.0), step_mm=1.0)
    shot = render(part, solid, camera, scene, sheet_from_part=placement(15, (0, 110)), width=640, height=480)
    mask = mask_from_pixels(np.round(255 * np.asarray(shot.mask, float)).astype(np.uint8))
    assert rings_area(mask.pieces_px[0]) > 1000
    seen = photo_of(np.zeros((2, 2), np.float32))
    found = fouled_places(replace(seen, rgb=np.asarray(shot.rgb)), replace(plane, camera=camera), CARD, mask)
    if shells:
        assert len(found) >= 3
        assert all(1.5 <= length <= 15 for length, _ in found)
    else:
        assert found == []
