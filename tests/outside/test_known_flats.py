"""Flat things of known size on a rendered sheet, measured from the picture alone: sheet, camera and
outline together.

The rectangle is a bank card, ISO/IEC 7810:2019 size ID-1, 85.60 x 53.98 mm (from memory); the disc's
area is pi r^2. Corner radii of the card are left out.
"""

from __future__ import annotations

import numpy as np
import pytest

from anodewane.geometry.camera import to_height
from anodewane.geometry.rings import rings_area
from anodewane.records import Photo, Source
from anodewane.settings import Settings
from anodewane.stages.card import find_card
from anodewane.stages.plane import locate_camera
from anodewane.stages.refine import mask_from_pixels
from anodewane.testing import exact_sheet_photo, look_at

pytestmark = pytest.mark.slow

ID1_MM = np.array([85.60, 53.98])
DISC_RADIUS_MM = 22.5
F35_MM = 26.0


def outlines() -> dict[str, tuple[np.ndarray, float]]:
    """Ring in the sheet frame, beside the card, and true area, mm2."""
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    turn = np.radians(23)
    rotation = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * ID1_MM / 2
    return {
        "id1": (corners @ rotation + [20, 125], float(np.prod(ID1_MM))),
        "disc": (
            np.c_[np.cos(angle), np.sin(angle)] * DISC_RADIUS_MM + [-30, 115],
            float(np.pi * DISC_RADIUS_MM**2),
        ),
    }


@pytest.mark.parametrize("tilt_deg", [0.0, 12.0, 25.0])
@pytest.mark.parametrize("name", ["id1", "disc"])
@pytest.mark.parametrize("k1", [0.0, 0.012])
def test_area_of_a_known_flat_thing(name: str, tilt_deg: float, k1: float) -> None:
    import cv2

    ring, true_mm2 = outlines()[name]
    camera = look_at(
        (0, 60), distance_mm=600, tilt_deg=tilt_deg, azimuth_deg=70, roll_deg=10, f35=F35_MM, k1=k1
    )
    rgb, mask = exact_sheet_photo(camera, "card", [ring])
    photo = Photo(rgb, Source("flat.jpg", "0" * 64, 1), None, F35_MM, None, ())
    plane = locate_camera(photo, find_card(photo), Settings())
    outline = tuple(
        to_height(plane.camera, r, 0.0)
        for r in mask_from_pixels((mask * 255).round().astype(np.uint8)).pieces_px[0]
    )
    assert rings_area(outline) == pytest.approx(true_mm2, rel=0.005)
    if name == "id1":
        sides = sorted(cv2.minAreaRect(outline[0].astype(np.float32))[1], reverse=True)
        assert sides == pytest.approx(ID1_MM.tolist(), rel=0.005)
