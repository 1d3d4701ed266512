"""The paper's edges in exact pictures: a sheet printed at a known scale somewhere on paper of a known
size."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from anodewane.catalog.print_sheet import sheet_picture
from anodewane.catalog.sheets import all_layouts
from anodewane.errors import CannotJudge
from anodewane.geometry.camera import to_height
from anodewane.settings import Settings
from anodewane.stages.card import find_card
from anodewane.stages.paper import find_paper_edges
from anodewane.stages.plane import locate_camera
from anodewane.stages.print_scale import tell_print_scale
from made.sheet_scenes import PX_PER_MM, linear, photo_of, small_camera

A5 = (210.0, 148.0)  # ISO 216:2007, table 1
A4 = (297.0, 210.0)  # the same
LETTER = (279.4, 215.9)  # 11 x 8.5 inches: ANSI/ASME Y14.1, size A
SIZE = (1000, 750)


def scene(
    name="card",
    paper=A5,
    scale=1.0,
    shift=(0.0, 0.0),
    ground=0.18,
    bars=(),
    turn_deg=0.0,
    camera=None,
    fine=2,
):
    """Light (h, w): the pattern at `scale`, its centre at `shift` mm from the paper's; bars : (left,
    bottom, right, top, light) mm lie on it, in the paper's frame."""
    camera = camera or small_camera(distance_mm=620.0, size=SIZE)
    picture = linear(cv2.GaussianBlur(sheet_picture(name, PX_PER_MM), (0, 0), 1.0))
    w, h = all_layouts()[name].size_mm
    y, x = np.mgrid[0 : SIZE[1] * fine, 0 : SIZE[0] * fine]
    at = to_height(camera, (np.c_[x.ravel(), y.ravel()] + 0.5) / fine - 0.5, 0.0).reshape(*x.shape, 2)
    turn = np.radians(turn_deg)
    back = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    pattern = ((at - shift) @ back / scale).astype(np.float32)
    ink = cv2.remap(
        picture,
        (pattern[..., 0] + w / 2) * PX_PER_MM - 0.5,
        (h / 2 - pattern[..., 1]) * PX_PER_MM - 0.5,
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=1.0,
    )
    there = (np.abs(at[..., 0]) < paper[0] / 2) & (np.abs(at[..., 1]) < paper[1] / 2)
    light = np.where(there, 0.04 + 0.76 * ink, ground).astype(np.float32)
    for left, bottom, right, top, value in bars:
        x, y = at[..., 0], at[..., 1]
        light[(x > left) & (x < right) & (y > bottom) & (y < top)] = value
    return cv2.GaussianBlur(cv2.resize(light, SIZE, interpolation=cv2.INTER_AREA), (0, 0), 0.8)


def edges_of(light, name="card"):
    photo = photo_of(light)
    sighting = find_card(photo)
    assert sighting.layout.name == name
    return find_paper_edges(photo, locate_camera(photo, sighting, Settings()), sighting.layout)


def told(light, name="card"):
    return tell_print_scale(edges_of(light, name), all_layouts()[name], 0.003)


@pytest.mark.parametrize("scale", [0.94, 0.97, 1.0, 1.03])
def test_all_edges_of_a5_are_placed_to_a_fifth_of_a_millimetre(scale):
    edges = {e.side: e for e in edges_of(scene(scale=scale, shift=(1.2, -0.8)))}
    want = {"left": 106.2, "right": 103.8, "bottom": 73.2, "top": 74.8}
    assert {s: e.offset_mm for s, e in edges.items()} == {
        s: pytest.approx(mm / scale, abs=0.2) for s, mm in want.items()
    }


def test_a_page_fed_askew_still_measures_its_paper():
    edges = {e.side: e for e in edges_of(scene(turn_deg=0.4))}
    assert edges["left"].offset_mm + edges["right"].offset_mm == pytest.approx(210.0, abs=0.3)
    assert all(abs(abs(e.slope) - np.radians(0.4)) < 0.002 for e in edges.values())


@pytest.mark.parametrize(
    ("name", "paper", "scale", "distance", "cause"),
    [
        ("card", A5, 0.97, 620.0, "shrunk to the printable area"),
        ("card", A5, 1.0, 620.0, None),
        ("card", A4, 1.0, 760.0, None),
        ("mat-a4", A4, 1.03, 760.0, "enlarged to print without a border"),
        # A4 on Letter fits by its long side: 279.4 / 297
        ("mat-a4", LETTER, 0.9407, 760.0, "a sheet made for A4 was fitted to US Letter"),
        # Letter on A4 by its short side: 210 / 215.9
        ("mat-letter", A4, 0.9727, 760.0, "a sheet made for US Letter was fitted to A4"),
    ],
)
def test_the_scale_is_told_within_four_parts_in_a_thousand(name, paper, scale, distance, cause):
    found = told(
        scene(name, paper, scale, (0.7, 0.5), camera=small_camera(distance_mm=distance, size=SIZE)), name
    )
    assert found.source == "paper"
    assert (found.x, found.y) == (pytest.approx(scale, abs=0.004), pytest.approx(scale, abs=0.004))
    assert found.cause == cause


def test_a_ground_as_white_as_the_paper_shows_no_edges():
    joints = [(105 + 9, -200, 105 + 10.5, 200, 0.2), (-200, 74 + 6, 200, 74 + 7, 0.2)]
    assert edges_of(scene(ground=0.79, bars=joints)) == ()


def test_a_bar_lying_along_an_edge_does_not_pass_for_it():
    # over seven tenths of the right-hand edge, its inner side parallel to it and 2.5 mm inside
    found = told(scene(scale=0.97, bars=[(102.5, -80, 125, 25, 0.35)]))
    assert found.source == "paper"
    assert found.x == pytest.approx(0.97, abs=0.004)


def test_a_part_over_three_edges_leaves_the_scale_to_the_others():
    bars = [(80, -90, 160, 90, 0.3), (-140, 60, 140, 120, 0.25)]
    photo = photo_of(scene(bars=bars))
    try:
        sighting = find_card(photo)
    except CannotJudge:
        pytest.fail("the sheet itself is seen well enough")
    edges = find_paper_edges(photo, locate_camera(photo, sighting, Settings()), sighting.layout)
    assert {e.side for e in edges} == {"left", "bottom"}
    assert tell_print_scale(edges, sighting.layout, 0.003).source == "assumed"
