"""The renderer against things it doesn't use: OpenCV's projection, shapely, and the sheet's own detector."""

from __future__ import annotations

import io
import itertools

import numpy as np
import pytest
import shapely

from anodewane.geometry.camera import project
from anodewane.records import Camera, Photo, Source, Template
from anodewane.stages.card import find_card
from anodewane.testing import Scene, WearPattern, exact_sheet_photo, look_at, placement, render

pytestmark = pytest.mark.slow

PLAIN = {"blur_px": 0.0, "noise": 0.0, "vignette": 0.0}
BOX = np.array([[-60.0, -25.0], [60.0, -25.0], [60.0, 25.0], [-60.0, 25.0]])


def plate(thickness_mm: float = 24.0, *holes: np.ndarray, mount: str = "flush") -> Template:
    return Template("plate", (BOX, *holes), thickness_mm, mount, "plate", "zinc", None, 1.0, (), None, True)


def opencv_projection(camera: Camera, points_mm: np.ndarray) -> np.ndarray:
    """OpenCV's own pinhole, without lens term."""
    import cv2

    k = np.array(
        [[camera.focal_px, 0, camera.centre_px[0]], [0, camera.focal_px, camera.centre_px[1]], [0, 0, 1]]
    )
    rotation = np.asarray(camera.rotation)
    out, _ = cv2.projectPoints(
        points_mm.reshape(-1, 1, 3), cv2.Rodrigues(rotation)[0], -rotation @ camera.position_mm, k, None
    )
    return np.asarray(out).reshape(-1, 2)


@pytest.mark.parametrize(("tilt_deg", "roll_deg"), [(0.0, 20.0), (25.0, -75.0)])
def test_silhouette_of_a_new_plate_is_the_projected_box(tilt_deg: float, roll_deg: float) -> None:
    camera = look_at(
        (60, 20),
        distance_mm=520,
        tilt_deg=tilt_deg,
        azimuth_deg=40,
        roll_deg=roll_deg,
        width=1008,
        height=756,
    )
    motion = placement(30, (130, 90))
    photo = render(
        plate(), WearPattern(), camera, Scene(**PLAIN), sheet_from_part=motion, width=1008, height=756
    )
    flat = motion.apply(BOX)
    corners = np.concatenate([np.c_[flat, np.full(4, z)] for z in (0.0, 24.0)])
    hull = shapely.MultiPoint(opencv_projection(camera, corners)).convex_hull
    # trilinear interpolation bevels an edge by a fraction of the half-millimetre grid: 0.15 % of
    # this area at most
    assert float(photo.mask.sum()) == pytest.approx(hull.area, rel=0.0015)
    rows, columns = np.nonzero(photo.mask > 0.5)
    far = shapely.distance(hull, shapely.points(np.c_[columns, rows]))
    assert far.max() < 0.5
    centre = (
        np.array([(photo.mask * np.arange(1008)).sum(), (photo.mask * np.arange(756)[:, None]).sum()])
        / photo.mask.sum()
    )
    assert centre == pytest.approx(np.array(hull.centroid.coords[0]), abs=0.05)


def test_hole_is_dark_in_the_mask_where_the_ground_shows_through() -> None:
    angle = np.linspace(0, 2 * np.pi, 96, endpoint=False)
    hole = np.c_[10 * np.cos(angle), 10 * np.sin(angle)]
    camera = look_at((0, 0), distance_mm=400, width=1008, height=756)
    photo = render(
        plate(20.0, hole),
        WearPattern(),
        camera,
        Scene(layout="none", **PLAIN),
        sheet_from_part=placement(0, (0, 0)),
        width=1008,
        height=756,
    )
    # from straight above its middle the lower rim looks smaller than the upper one, so the ground shows
    # through the lower one
    seen = shapely.MultiPoint(opencv_projection(camera, np.c_[hole, np.zeros(len(hole))])).convex_hull.area
    window = photo.mask[378 - 30 : 378 + 30, 504 - 30 : 504 + 30]
    assert float((1 - window).sum()) == pytest.approx(seen, rel=0.01)


@pytest.mark.parametrize("layout", ["card", "mat-a4", "mat-letter"])
def test_saddle_points_stand_where_the_camera_puts_them(layout: str) -> None:
    camera = look_at((0, 0), distance_mm=420, tilt_deg=20, azimuth_deg=-50, roll_deg=15, k1=0.012)
    photo, _ = exact_sheet_photo(camera, layout, [])
    sighting = find_card(Photo(photo, Source("x.jpg", "0" * 64, 1), None, 26.0, None, ()))
    assert sighting.layout.name == layout
    off = sighting.points_px - project(camera, np.c_[sighting.points_mm, np.zeros(len(sighting.points_mm))])
    assert np.abs(off.mean(axis=0)).max() < 0.01
    assert np.sqrt((off**2).mean()) < 0.04


def test_flat_shapes_have_their_area() -> None:
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    disc = np.c_[20 * np.cos(angle), 5 + 20 * np.sin(angle)]
    camera = look_at((0, 0), distance_mm=500, tilt_deg=12, azimuth_deg=100)
    _, mask = exact_sheet_photo(camera, "card", [disc])
    outline = project(camera, np.c_[disc, np.zeros(len(disc))])
    assert float(mask.sum()) == pytest.approx(shapely.Polygon(outline).area, rel=5e-4)


def test_more_wear_shows_less_metal_and_same_seed_the_same_photo() -> None:
    camera = look_at((60, 20), distance_mm=520, tilt_deg=10, width=504, height=378)
    areas = []
    for depth in (0.0, 2.0, 4.0, 6.0):
        pattern = WearPattern(depth, unevenness=0.3, rounding=0.5, skirt_mm=2.0, pit_mm=0.5, seed=4)
        photo = render(
            plate(),
            pattern,
            camera,
            Scene(seed=1),
            sheet_from_part=placement(0, (130, 40)),
            width=504,
            height=378,
        )
        areas.append((float(photo.mask.sum()), photo.truth["consumed_area"], photo.truth["consumed_volume"]))
    assert all(b[0] < a[0] and b[1] > a[1] and b[2] > a[2] for a, b in itertools.pairwise(areas))
    again = render(
        plate(),
        pattern,
        camera,
        Scene(seed=1),
        sheet_from_part=placement(0, (130, 40)),
        width=504,
        height=378,
    )
    assert np.array_equal(again.rgb, photo.rgb)
    assert np.array_equal(again.mask, photo.mask)


def test_shadow_falls_away_from_the_sun() -> None:
    camera = look_at((0, 0), distance_mm=500, width=504, height=378)
    scene = Scene(
        layout="none",
        ground="concrete",
        sun_azimuth_deg=0,
        sun_height_deg=35,
        sun_share=0.8,
        sun_radius_deg=0.5,
        **PLAIN,
    )
    photo = render(
        plate(30.0),
        WearPattern(),
        camera,
        scene,
        sheet_from_part=placement(90, (0, 0)),
        width=504,
        height=378,
    )

    # the sun stands in sheet +x
    def brightness(x_mm: float) -> float:
        c, r = np.round(project(camera, np.array([[x_mm, 0.0, 0.0]]))[0]).astype(int)
        return float(photo.rgb[r - 4 : r + 5, c - 4 : c + 5].mean())

    assert brightness(-40) < 0.7 * brightness(
        60
    )  # 30 mm high under 35 degrees: the shadow reaches 43 mm beyond the edge at 25
    assert brightness(-90) > 0.85 * brightness(60)


def test_all_orientations_load_upright() -> None:
    from PIL import Image, ImageOps

    camera = look_at((0, 0), distance_mm=700, width=504, height=378)
    photo = render(
        plate(), WearPattern(), camera, Scene(), sheet_from_part=placement(0, (0, 110)), width=504, height=378
    )
    upright = photo.rgb.astype(float)
    for orientation in range(1, 9):
        with Image.open(io.BytesIO(photo.jpeg(orientation))) as picture:
            assert picture.getexif()[0x0112] == orientation
            turned = np.asarray(ImageOps.exif_transpose(picture), float)
        assert np.abs(turned - upright).mean() < 3.0


def test_what_cannot_be_drawn_says_so() -> None:
    with pytest.raises(ValueError, match="half a diagonal"):
        render(
            plate(),
            WearPattern(),
            look_at((0, 0), distance_mm=500),
            Scene(),
            sheet_from_part=placement(0, (0, 0)),
            width=100,
            height=75,
        )
    with pytest.raises(ValueError, match="nothing is left"):
        render(
            plate(),
            WearPattern(40.0),
            look_at((0, 0), distance_mm=500),
            Scene(),
            sheet_from_part=placement(0, (0, 0)),
        )
    with pytest.raises(ValueError, match="ground: expected one of"):
        camera = look_at((0, 0), distance_mm=500, width=200, height=150)
        render(
            plate(),
            WearPattern(),
            camera,
            Scene(ground="moon"),
            sheet_from_part=placement(0, (0, 0)),
            width=200,
            height=150,
        )
