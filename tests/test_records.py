"""Records check every field at birth, and keep what they were given from being changed under them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from anodewane.record import AreaFigures, Consumed, Interval, MassFigures, RecessionFigures
from anodewane.records import Given, Photo, Source, Wear
from made.exact_views import placed, plate

PLACEMENT = placed(plate(shapely.box(-50, -30, 50, 30)), shapely.box(-45, -25, 45, 25), 15.0)[0]


def wear(thickness: Interval) -> Wear:
    some = Interval(5.0, 4.0, 6.0)
    return Wear(
        consumed=Consumed(some, some, 0.9),
        area=AreaFigures(6000.0, 4500.0),
        mass=MassFigures(800.0, some, "recession"),
        recession_mm=RecessionFigures(3.0, 5.0, 7.0, None, False, 0.4, None),
        holes=(),
        pieces_lost=0,
        core_shows=False,
        no_measurable_wear=False,
        remaining_thickness_mm=thickness,
        budget={},
    )


def test_what_is_measured_lies_inside_its_interval() -> None:
    wear(Interval(5.0, 5.0, 5.0))
    for wrong in (Interval(5.0, 9.0, 1.0), Interval(5.0, 6.0, 7.0), Interval(float("nan"), 1.0, 2.0)):
        with pytest.raises(ValueError, match="remaining_thickness_mm: expected low, value and high"):
            wear(wrong)


def test_a_photo_leaves_the_caller_s_array_as_it_is() -> None:
    pixels = np.zeros((4, 6, 3), np.uint8)
    photo = Photo(pixels, Source("a.jpg", "0" * 64, 1), None, None, None, ())
    assert pixels.flags.writeable
    with pytest.raises(ValueError, match="read-only"):
        photo.rgb[0, 0, 0] = 1


def test_heights_of_a_placement_are_checked_and_read_only() -> None:
    heights = [[np.array(h) for h in piece] for piece in PLACEMENT.limb_height_mm]
    made = replace(PLACEMENT, limb_height_mm=heights)
    heights[0][0][0] = 1e9
    assert made.limb_height_mm[0][0][0] < 1e3, "it is a copy"
    with pytest.raises(ValueError, match="read-only"):
        made.limb_height_mm[0][0][0] = 1.0
    with pytest.raises(ValueError, match=r"limb_height_mm\[0\]\[0\]: expected shape"):
        replace(PLACEMENT, limb_height_mm=((np.zeros(3),),))
    with pytest.raises(ValueError, match="expected heights for each ring"):
        replace(PLACEMENT, limb_height_mm=())


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"weighed_g": 0.0}, "weighed_g: expected a number above 0"),
        ({"thickness_mm": float("nan")}, "thickness_mm: expected a number above 0"),
        ({"check_line_mm": (79.0, 100.0)}, "check_line_mm: expected lengths from 80 to 120 mm"),
    ],
)
def test_what_is_given_can_be_measured(given: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        Given(**given)  # type: ignore[arg-type]
