"""The joint fit against exact prisms and rods (OpenCV's projection, shapely's unions) and against worn
solids of known volume; visual hulls beside it."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from anodewane.geometry.rings import oriented
from anodewane.records import Template
from anodewane.settings import Settings
from anodewane.stages.align import lay
from anodewane.stages.placing.silhouette import plan_area
from anodewane.testing import WearPattern, erode, placement
from anodewane.views.advice import candidates
from anodewane.views.agree import Agreement, agreement
from anodewane.views.fit import Look, SolidFit, fit_solid, limb_of, look_at_part, rows_of
from anodewane.views.law import Setting, height_sd, prior_of
from anodewane.views.model import Solid, plate, rod
from anodewane.wear.solids import new_area, recession_near_area
from made.exact_views import camera_over, dense, mask_of, moved, plane_of, prism_px, rod_px, template_shape
from made.exact_views import plate as plate_template
from made.silhouettes import Seen, hull_volume_mm3, look, seen_of

MOTION = placement(25.0, (10.0, -5.0))


def fit(template: Template, views: list[Seen]) -> tuple[Solid, SolidFit, tuple[Look, ...]]:
    solid, setting, looks = ready(template, views)
    return solid, fit_solid(solid, looks, setting.prior, setting.start, setting.bounds), looks


def ready(template: Template, views: list[Seen]) -> tuple[Solid, Setting, tuple[Look, ...]]:
    """As `together` makes ready, without photos."""
    placed = lay(views[0].mask, views[0].plane, template, Settings())
    pieces = placed.sheet_from_part.apply_to_pieces(placed.plan_mm)
    solid = (
        plate(pieces, template, placed.remaining_thickness_mm) if template.solid == "plate" else rod(pieces)
    )
    ring = pieces[0][0][::8]
    around = np.concatenate([np.c_[ring, np.full(len(ring), z)] for z in (0.0, template.thickness_mm)])
    lost = template.thickness_mm - placed.remaining_thickness_mm
    depth = recession_near_area(template, min(plan_area(placed.plan_mm), new_area(template)))
    setting = prior_of(solid, template, placed, depth, False)
    looks = tuple(
        look_at_part(v.plane, v.mask.pieces_px, 0.05, around, True, height_sd(template, lost)) for v in views
    )
    return solid, setting, looks


def prism_views(template: Template, height_mm: float, where: list[tuple[float, float]]) -> list[Seen]:
    shape = moved(template_shape(template), MOTION)
    out = []
    for tilt, azimuth in where:
        camera = camera_over(at=(10.0, -5.0), tilt_deg=tilt, azimuth_deg=azimuth)
        out.append(Seen(camera, plane_of(camera), mask_of(prism_px(camera, shape, height_mm))))
    return out


OUTLINE = shapely.box(-55, -28, 55, 28).buffer(-6).buffer(6)


@pytest.mark.parametrize("second", [(80.0, 115.0), (48.0, 115.0)], ids=["low", "half-way"])
def test_two_photos_find_a_prisms_height_and_keep_its_area(second: tuple[float, float]) -> None:
    template = plate_template(OUTLINE, 22.0)
    solid, found, _ = fit(template, prism_views(template, 22.0, [(10.0, 30.0), second]))
    height = float(found.p[solid.block("height").start])
    assert height == pytest.approx(22.0, abs=0.4)
    assert solid.plan_area(found.p) == pytest.approx(OUTLINE.area, rel=0.012)
    assert (
        found.rms_mm.max() < 0.5
    )  # half a millimetre low along the bench, where wall curves lie apart; 0.05 half-way up


def test_a_prism_that_lost_its_face_is_seen_from_the_side_and_not_from_above() -> None:
    """Face-only thinning shows no loss in plan at all (trade facts: it needs an edge view)."""
    template = plate_template(OUTLINE, 22.0)
    views = prism_views(template, 14.0, [(6.0, 30.0), (80.0, 115.0), (80.0, 25.0)])
    alone = lay(views[0].mask, views[0].plane, template, Settings())
    assert alone.remaining_thickness_mm > 19
    solid, found, _ = fit(template, views)
    # priors hold a face to what the outline says until photos gainsay them: two low ones have found
    # four fifths of the 8 mm, and never more than there is
    assert 13.5 < float(found.p[solid.block("height").start]) < 22.0 - 0.75 * 8.0


def test_a_rod_is_found_in_two_photos() -> None:
    ring = dense(np.array([[-50, -11], [50, -11], [50, 11], [-50, 11.0]]))
    template = Template("rod", oriented((ring,)), 24.0, "open", "rod", "zinc", None, 1.0, (), None, True)
    ends = MOTION.apply([[-50.0, 0.0], [50.0, 0.0]])
    views = []
    for tilt, azimuth in ((10.0, 40.0), (70.0, 130.0)):
        camera = camera_over(at=(10.0, -5.0), tilt_deg=tilt, azimuth_deg=azimuth)
        views.append(Seen(camera, plane_of(camera), mask_of(rod_px(camera, ends, 11.0))))
    solid, found, _ = fit(template, views)
    assert solid.volume(found.p) == pytest.approx(np.pi * 11**2 * 100, rel=0.02)
    assert found.rms_mm.max() < 0.3


# --- worn solids of known volume -----------------------------------------------------------------

WORN = [
    WearPattern(
        depth_mm=2.5,
        face_ratio=1.2,
        unevenness=0.25,
        uneven_scale_mm=40.0,
        rounding=0.6,
        skirt_mm=3.0,
        skirt_share=0.6,
        seed=3,
    ),
    WearPattern(
        depth_mm=4.0,
        face_ratio=0.9,
        unevenness=0.3,
        uneven_scale_mm=30.0,
        rounding=0.8,
        skirt_mm=2.0,
        skirt_share=0.8,
        seed=8,
    ),
]


@pytest.fixture(scope="module", params=range(len(WORN)))
def worn(request: pytest.FixtureRequest) -> tuple[Template, object, list[Seen]]:
    template = plate_template(OUTLINE, 24.0)
    solid = erode(template, WORN[request.param], step_mm=0.8)
    return (
        template,
        solid,
        [
            look(solid, MOTION, tilt, az)
            for tilt, az in ((8, 20), (48, 60), (50, 150), (45, 240), (52, 330), (80, 115))
        ],
    )


def test_the_visual_hull_is_too_large_and_the_fit_is_not(worn: tuple[Template, object, list[Seen]]) -> None:
    template, truth, views = worn
    top = float(truth.top_mm)  # type: ignore[attr-defined]
    volume = float(truth.volume_mm3)  # type: ignore[attr-defined]
    hull = hull_volume_mm3(views, ((-60, -60, 0), (80, 50, top + 3)))
    assert hull > 1.05 * volume
    solid, found, _ = fit(template, views)
    assert abs(solid.volume(found.p) - volume) < 0.6 * (hull - volume)
    assert solid.volume(found.p) < hull


def test_more_photos_know_more_and_one_more_is_reckoned_before_it_is_taken(
    worn: tuple[Template, object, list[Seen]],
) -> None:
    template, _, views = worn
    sds = []
    for use in (views[:1], views[:2], views[:6]):
        solid, found, looks = fit(template, use)
        slope = solid.gradient(solid.volume, found.p)
        sds.append(float(np.sqrt(slope @ found.cov @ slope)))
    assert sds[0] > 1.3 * sds[1] > 1.3 * sds[2]
    solid, found, looks = fit(template, views[:1])
    slope = solid.gradient(solid.volume, found.p)
    information = found.prior_information + found.information.sum(0)
    best = min(
        candidates(solid, found.p, looks[0], information, slope, None, (20.0, 110.0), 0.4), key=lambda c: c.sd
    )
    assert best.sd < 0.8 * sds[0]
    assert best.sd == pytest.approx(
        sds[1], rel=0.6
    )  # what it promises is about what the second photo brought


def test_derivatives_are_those_of_differences(worn: tuple[Template, object, list[Seen]]) -> None:
    template, _, views = worn
    solid, found, looks = fit(template, views[:2])
    limb = limb_of(looks[1], solid, solid.points(found.p), 5.0)
    by_solid, _ = rows_of(looks[1], solid, solid.points(found.p), limb)
    index = solid.block("height").start
    step = np.zeros(solid.n_parameters)
    step[index] = 0.02
    gaps = [limb_of(looks[1], solid, solid.points(found.p + s * step), 5.0) for s in (-1, 1)]
    both = (
        limb.met & gaps[0].met & gaps[1].met & (gaps[0].first == limb.first) & (gaps[1].first == limb.first)
    )
    change = (gaps[1].gap_mm - gaps[0].gap_mm)[both] / 0.04
    assert both.mean() > 0.7
    assert np.abs(change - by_solid[both[limb.met], index]).max() < 0.05


def test_a_part_that_moved_is_found_out(worn: tuple[Template, object, list[Seen]]) -> None:
    template, truth, views = worn
    gone = placement(33.0, (17.0, -9.0))
    moved = Seen(views[2].camera, views[2].plane, seen_of(truth, views[2].camera, gone))
    still, spoilt = (agreed(template, [views[0], other]) for other in (views[2], moved))
    assert still.moved_mm < 2.0
    assert still.miss_mm < 1.5
    assert spoilt.moved_mm > 4.0 or spoilt.miss_mm > 3.0 or spoilt.missed_frac > 0.25


def agreed(template: Template, views: list[Seen]) -> Agreement:
    solid, setting, looks = ready(template, views)
    return agreement(looks[1], solid, setting.start, setting.sd)
