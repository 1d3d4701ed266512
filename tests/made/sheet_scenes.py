"""The sheet through a known camera: exact points, and exact pictures blurred in linear light, for the
tests of finding it and of the camera over it."""

from __future__ import annotations

import cv2
import numpy as np

from anodewane.catalog.print_sheet import sheet_picture
from anodewane.catalog.sheets import all_layouts
from anodewane.geometry.camera import plane_homography, project
from anodewane.records import Camera, CardSighting, Photo, Source

PX_PER_MM = 12.0
GROUND = 0.18  # light that an average ground sends back (a photographer's grey card)

# --- exact points at 12 MP ---

WIDTH, HEIGHT = 4032, 3024
HALF = float(np.hypot(WIDTH, HEIGHT)) / 2
PIXELS = np.zeros((HEIGHT, WIDTH, 3), np.uint8)


def photo(f35=26.0):
    return Photo(PIXELS, Source("x.jpg", "0" * 64, 1), None, f35, None, ())


def camera(tilt_deg, turn_deg=25.0, distance_mm=700.0, f35=26.0, k1=0.0, axis_px=(0.0, 0.0), at=(0.0, 0.0)):
    tilt, turn = np.radians([tilt_deg, turn_deg])
    spin = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    lean = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
    rotation = lean @ np.diag([1.0, -1.0, -1.0]) @ spin
    centre = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2]) + axis_px
    return Camera(
        rotation,
        np.array([*at, 0.0]) - distance_mm * rotation[2],
        f35 / 43.26661530556787 * 2 * HALF,
        centre,
        k1,
        HALF,
    )


def sighting(cam, name="card", noise=0.0, rng=None, print_scale=(1.0, 1.0)):
    layout = all_layouts()[name]
    seen = project(cam, np.c_[layout.saddles_mm * print_scale, np.zeros(len(layout.saddles_mm))])
    if noise:
        seen = seen + rng.normal(0, noise, seen.shape)
    return CardSighting(layout, layout.saddles_mm, seen, np.full(len(seen), 0.05), 20, np.zeros((0, 4, 2)))


# --- pictures ---


def small_camera(tilt_deg=12.0, turn_deg=20.0, distance_mm=480.0, size=(1440, 1080), f35=26.0, at=(0.0, 0.0)):
    tilt, turn = np.radians([tilt_deg, turn_deg])
    spin = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    lean = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
    rotation = lean @ np.diag([1.0, -1.0, -1.0]) @ spin
    half = np.hypot(*size) / 2
    return Camera(
        rotation,
        np.array([*at, 0.0]) - distance_mm * rotation[2],
        f35 / 43.2666 * 2 * half,
        (np.array(size) - 1) / 2,
        0.0,
        half,
    )


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
    mm_from_picture = np.array(
        [
            [1 / PX_PER_MM, 0, 0.5 / PX_PER_MM - w / 2 + shift_mm[0]],
            [0, -1 / PX_PER_MM, h / 2 - 0.5 / PX_PER_MM + shift_mm[1]],
            [0, 0, 1.0],
        ]
    )
    fine = np.array([[k, 0, (k - 1) / 2], [0, k, (k - 1) / 2], [0, 0, 1.0]])
    full = fine @ plane_homography(cam) @ mm_from_picture
    soft = linear(cv2.GaussianBlur(picture, (0, 0), 1.0))
    there = cv2.warpPerspective(np.ones_like(soft), full, (size[0] * k, size[1] * k))
    seen = cv2.warpPerspective(0.04 + 0.76 * soft, full, (size[0] * k, size[1] * k))
    there, seen = (cv2.resize(v, size, interpolation=cv2.INTER_AREA) for v in (there, seen))
    light = seen + (1 - there) * (GROUND if canvas is None else canvas)
    return cv2.GaussianBlur(light, (0, 0), blur) if blur else light
