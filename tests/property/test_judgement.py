"""What must hold of any judgement, whatever the part: more metal removed never reads as less consumed,
and turning, mirroring or scaling the photo changes nothing.

True masks of exact solids are handed in, so that only the geometry and the wear model answer. Photos
are small for speed.
"""

from __future__ import annotations

import io
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from PIL import Image

from anodewane.catalog.templates import builtin_templates
from anodewane.geometry.motion import Motion
from anodewane.judgement.pipeline import judge
from anodewane.record import Verdict
from anodewane.records import Camera, Template
from anodewane.stages.load import load_photo
from anodewane.stages.refine import mask_from_pixels
from anodewane.testing import (
    WearPattern,
    exact_sheet_photo,
    look_at,
    mirrored,
    placement,
    silhouette,
    waste_to,
)
from made.hand_made import outlined

pytestmark = pytest.mark.slow

WIDTH, HEIGHT = 1008, 756
PARTS = ("plate-150x75x20-2slots", "ring-90x42x18", "triangle-120x105x22-1hole", "rod-180x25")
UNEVEN = WearPattern(face_ratio=1.2, unevenness=0.2, rounding=0.5, skirt_share=0.8, seed=5)
LEVEL_POINTS = 0.4
"""Percentage points by which two looks at the same part may differ: the reading noise of a mask of this
size, well inside any stated interval."""


def camera_over(template: Template) -> tuple[Camera, Any]:
    reach = float(np.abs(np.asarray(template.rings[0])[:, 1]).max())
    motion = placement(5.0, (4.0, -(74 + 14 + reach)))
    return look_at(
        (0, -(20 + reach / 2)),
        distance_mm=620,
        tilt_deg=12,
        azimuth_deg=35,
        roll_deg=70,
        f35=35,
        width=WIDTH,
        height=HEIGHT,
    ), motion


def reading(rgb: Any, mask: Any, template: Template) -> Verdict:
    buffer = io.BytesIO()
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = 35
    Image.fromarray(np.ascontiguousarray(rgb)).save(buffer, "PNG", exif=exif)
    verdict = judge(
        load_photo(buffer.getvalue(), "photo.png"), template, outlined(mask_from_pixels(as_bytes(mask)))
    )
    assert verdict.status == "judged", [r.message for r in verdict.reasons]
    return verdict


def as_bytes(mask: Any) -> Any:
    return np.round(np.clip(mask, 0, 1) * 255).astype(np.uint8)


def figures(verdict: Verdict) -> tuple[float, float]:
    assert verdict.consumed is not None
    return verdict.consumed.area_pct.value, verdict.consumed.mass_pct.value


@pytest.mark.parametrize("name", PARTS)
def test_more_metal_removed_never_reads_as_less_consumed(name: str) -> None:
    template = builtin_templates()[name]
    camera, motion = camera_over(template)
    rgb, _ = exact_sheet_photo(camera, "card", [], width=WIDTH, height=HEIGHT)
    seen, true = [], []
    for consumed in (0.1, 0.3, 0.55, 0.8):
        solid = waste_to(template, UNEVEN, consumed)
        seen.append(figures(reading(rgb, silhouette(solid, camera, motion, WIDTH, HEIGHT), template)))
        true.append((100 * solid.consumed_area, 100 * solid.consumed_volume))
    assert all(b[0] > a[0] and b[1] > a[1] for a, b in pairwise(true))
    assert all(b[0] > a[0] for a, b in pairwise(seen)), seen
    assert all(b[1] > a[1] for a, b in pairwise(seen)), seen


@pytest.fixture(scope="module")
def looked_at() -> tuple[Any, Any, Template]:
    template = builtin_templates()["plate-150x75x20-2slots"]
    camera, motion = camera_over(template)
    rgb, _ = exact_sheet_photo(camera, "card", [], width=WIDTH, height=HEIGHT)
    solid = waste_to(template, replace(UNEVEN, one_sided=0.4, one_sided_deg=70.0), 0.45)
    return rgb, silhouette(solid, camera, motion, WIDTH, HEIGHT), template


def same(one: Verdict, other: Verdict) -> None:
    assert np.abs(np.subtract(figures(one), figures(other))).max() < LEVEL_POINTS, (
        figures(one),
        figures(other),
    )
    assert one.verdict == other.verdict


@pytest.mark.parametrize("quarter_turns", [1, 2, 3])
def test_turning_the_photo_changes_nothing(looked_at: tuple[Any, Any, Template], quarter_turns: int) -> None:
    rgb, mask, template = looked_at
    same(
        reading(rgb, mask, template),
        reading(np.rot90(rgb, quarter_turns), np.rot90(mask, quarter_turns), template),
    )


@pytest.mark.parametrize("factor", [0.6, 1.6])
def test_scaling_the_photo_changes_only_the_uncertainty(
    looked_at: tuple[Any, Any, Template], factor: float
) -> None:
    import cv2

    rgb, mask, template = looked_at
    size = (round(WIDTH * factor), round(HEIGHT * factor))
    how = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    same(
        reading(rgb, mask, template),
        reading(
            cv2.resize(rgb, size, interpolation=how), cv2.resize(mask, size, interpolation=how), template
        ),
    )


def test_the_mirrored_part_reads_alike_where_it_may_lie_either_way_up() -> None:
    # a scalene part, so that the mirror image is another shape
    ring = np.array([[-60.0, -30.0], [60.0, -30.0], [60.0, 5.0], [-25.0, 35.0], [-60.0, 35.0]])
    template = Template("scalene", (ring,), 18.0, "open", "plate", "zinc", None, 1.0, (), None, True)
    camera, motion = camera_over(template)
    solid = waste_to(template, UNEVEN, 0.4)
    mask = silhouette(solid, camera, motion, WIDTH, HEIGHT)
    one = reading(exact_sheet_photo(camera, "card", [], width=WIDTH, height=HEIGHT)[0], mask, template)
    # the camera's own mirror image in the sheet's x axis sees the mirrored part in the mirrored mask,
    # but a sheet that still reads
    flip_photo, flip_sheet = np.diag([-1.0, 1.0, 1.0]), np.diag([1.0, -1.0, 1.0])
    rotation = flip_photo @ np.asarray(camera.rotation) @ flip_sheet
    facing = Camera(
        rotation,
        flip_sheet @ np.asarray(camera.position_mm),
        camera.focal_px,
        camera.centre_px,
        camera.k1,
        camera.half_diagonal_px,
    )
    flip = Motion(np.diag([1.0, -1.0]), np.zeros(2))
    turned = flip.compose(motion).compose(flip)
    flipped = silhouette(mirrored(solid), facing, turned, WIDTH, HEIGHT)
    assert np.abs(flipped - mask[:, ::-1]).mean() < 1e-4
    rgb, _ = exact_sheet_photo(facing, "card", [], width=WIDTH, height=HEIGHT)
    same(one, reading(rgb, flipped, template))


def test_a_mirrored_photo_is_never_measured(looked_at: tuple[Any, Any, Template]) -> None:
    rgb, mask, template = looked_at
    buffer = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(rgb[:, ::-1])).save(buffer, "PNG")
    verdict = judge(
        load_photo(buffer.getvalue(), "photo.png"),
        template,
        outlined(mask_from_pixels(as_bytes(mask[:, ::-1]))),
    )
    assert verdict.status == "cannot_judge"
    assert verdict.reasons[0].code in ("no_sheet", "sheet_too_little")
