"""Laying the template: distances and slopes against outside figures, poses and holes on exact
silhouettes, refusals, and the choice among templates."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from scipy.optimize import approx_fprime, leastsq

from anodewane.catalog.templates import builtin_templates
from anodewane.errors import CannotJudge
from anodewane.geometry.rings import from_shapely, resample_ring, ring_area, ring_normals
from anodewane.records import Template
from anodewane.settings import Settings
from anodewane.stages.align import align, choose_template, lay, rank_templates
from anodewane.stages.placing.holes import pitch_scale
from anodewane.stages.placing.poses import (
    OUT_MOST,
    OUT_SCALE_MM,
    _least_squares,
    _Misfit,
    distance_field,
    place,
)
from anodewane.stages.placing.silhouette import plan_area
from anodewane.testing import placement
from anodewane.wear.faces import expected_thickness
from anodewane.wear.solids import recession_near_area
from made.exact_views import (
    camera_over,
    mask_of,
    moved,
    plane_of,
    plate,
    prism_px,
    rod_px,
    template_shape,
    waste,
)
from made.solids import outline_after

LIBRARY = builtin_templates()
ELL = shapely.Polygon([(-60, -40), (60, -40), (60, -5), (5, -5), (-10, 40), (-60, 40)])
"""No symmetry, turned or mirrored."""


# --- the field and its slopes --------------------------------------------------------------------


@pytest.mark.parametrize(
    "name", ["plate-150x75x20-2slots", "ring-90x42x18", "teardrop-240x95x36-2holes", "rod-310x22-magnesium"]
)
def test_distances_are_shapelys(name: str) -> None:
    template = LIBRARY[name]
    shape, field = template_shape(template), distance_field(template)
    low, high = np.asarray(template.rings[0]).min(0) - 20, np.asarray(template.rings[0]).max(0) + 20
    points = np.random.default_rng(3).uniform(low, high, (3000, 2))
    at = shapely.points(points)
    true = shapely.distance(shape.boundary, at) * np.where(shapely.contains(shape, at), -1, 1)
    # a raster rounds the outline to its own pixels: up to a step (the diagonal), but on the whole
    # neither larger nor smaller than drawn
    assert np.abs(field.at(points) - true).max() < 1.05 * field.step_mm
    assert abs(np.mean(field.at(points) - true)) < 0.3 * field.step_mm
    values, slope = field.with_gradient(points)
    assert np.allclose(values, field.at(points), atol=1e-9)
    # a distance grows by one a mm, away from its ridges
    assert np.quantile(np.abs(np.linalg.norm(slope, axis=1) - 1), 0.9) < 0.08


def test_points_beyond_the_grid_are_farther_still() -> None:
    field = distance_field(LIBRARY["disc-70x16-1hole"])
    far = np.array([[80.0, 0.0], [120.0, 0.0], [300.0, 0.0]])
    assert (np.diff(field.at(far)) > 35).all()


def test_slopes_of_the_misfit_are_those_of_differences() -> None:
    template = LIBRARY["triangle-120x105x22-1hole"]
    field = distance_field(template)
    points = resample_ring(np.asarray(outline_after(template, 3.0)[0][0]), 2.0)
    pose = np.array([0.07, 2.3, -1.7])
    misfit = _Misfit(field, points[None], np.array([3.0]), 1.5)
    got = misfit.slopes(pose[None])[0]
    for which in (slice(0, len(points)), slice(len(points), None)):
        by_differences = approx_fprime(pose, lambda p, which=which: misfit(p[None])[0, which], 1e-6)
        # bilinear cells meet in edges, where either side's slope is right
        off = np.abs(got[which] - by_differences) > 1e-3 * (1 + np.abs(by_differences))
        assert off.any(axis=1).mean() < 0.02
    outside = _Misfit(field, points[None] + 500.0, np.array([3.0]), 1.5)(pose[None])[0, : len(points)]
    assert (outside == OUT_MOST).all()
    assert OUT_SCALE_MM > 0


@pytest.mark.parametrize("recession", [1.0, 4.0, 8.0])
@pytest.mark.parametrize(
    "name", ["plate-150x75x20-2slots", "disc-70x16-1hole", "triangle-120x105x22-1hole", "rod-90x32"]
)
def test_poses_settled_at_once_settle_where_scipy_settles_them_one_by_one(
    name: str, recession: float
) -> None:
    """scipy.optimize.leastsq, MINPACK's lmder, given time to end."""
    template = LIBRARY[name]
    points = resample_ring(np.asarray(outline_after(template, recession)[0][0]), 2.0)
    starts = np.array([[turn, x, y] for turn in (-0.1, 0.05) for x in (-2.0, 1.0) for y in (-1.0, 2.0)])
    misfit = _Misfit(
        distance_field(template),
        np.tile(points, (len(starts), 1, 1)),
        np.full(len(starts), recession),
        0.5 + 0.35 * recession,
    )
    got = (misfit(_least_squares(misfit, starts)) ** 2).sum(axis=1)
    one = misfit.of([0])
    want = []
    for start in starts:
        found = leastsq(
            lambda p: one(p[None])[0],
            start,
            Dfun=lambda p: one.slopes(p[None])[0],
            diag=(20.0, 1.0, 1.0),
            ftol=1e-5,
            xtol=1e-5,
        )[0]
        want.append(float((one(found[None]) ** 2).sum()))
    assert got.min() == pytest.approx(min(want), rel=2e-3, abs=0.01)
    assert np.mean(got < np.array(want) * 1.02 + 0.01) > 0.5  # the rest end in other dents, or on their way


# --- poses ---------------------------------------------------------------------------------------


def miss(pose, motion, template) -> tuple[float, float]:
    """By how much a pose misses the true motion: degrees, and mm at the part's middle."""
    want = motion.matrix
    got = pose.part_from_sheet.inverse().matrix
    turn = np.degrees(np.arctan2(got[1, 0], got[0, 0]) - np.arctan2(want[1, 0], want[0, 0]))
    centre = template_shape(template).centroid
    at = np.array([centre.x, centre.y, 1.0])
    return abs((turn + 180) % 360 - 180), float(np.linalg.norm(got @ at - want @ at))


ANGLES = (0.0, 23.0, 117.0, -141.0)
WEAR = {
    "none": (0.0, 0.0, 0.0),
    "even": (4.0, 0.0, 0.4),
    "uneven": (3.0, 0.0, 0.9),
    "one side": (1.0, 3.0, 0.3),
}
"""Recession all round, mean of what one side wastes more, roughness: mm."""


@pytest.mark.parametrize("wear", sorted(WEAR))
@pytest.mark.parametrize("holes", [(), ((-40, 20, 10), (35, -22, 10))], ids=["no holes", "holes"])
@pytest.mark.parametrize("angle", ANGLES)
def test_a_part_without_symmetry_is_found_however_it_lies(wear: str, holes, angle: float) -> None:
    template = plate(ELL, holes=holes)
    depth, more, rough = WEAR[wear]
    worn = waste(template_shape(template), depth, 70.0, more, rough, seed=4)
    motion = placement(angle, (25.0, -90.0))
    poses = place((from_shapely(moved(worn, motion)),), template, recession_near_area(template, worn.area))
    turn, shift = miss(poses[0], motion, template)
    assert not poses[0].part_from_sheet.mirrored
    assert turn < {"none": 0.3, "even": 1.0, "uneven": 1.5, "one side": 3.0}[wear]
    # without holes, wear of 6 mm on one side may be shared out between two, which no outline can tell
    # from uneven wear; it is never shared out worse
    assert shift < {"none": 0.2, "even": 0.8, "uneven": 1.2, "one side": 2.5 if holes else 3.3}[wear]


@pytest.mark.parametrize("angle", [0.0, 90.0, 215.0])
@pytest.mark.parametrize("outline", [ELL, shapely.box(-70, -35, 70, 35)], ids=["ell", "box"])
def test_a_worn_part_lies_inside_the_new_one_even_where_half_of_it_went_on_one_side(
    outline, angle: float
) -> None:
    template = plate(outline)
    worn = waste(template_shape(template), 0.5, angle, 6.0)
    pose = place(
        (from_shapely(moved(worn, placement(20.0, (5.0, 5.0)))),),
        template,
        recession_near_area(template, worn.area),
    )[0]
    at = shapely.transform(moved(worn, placement(20.0, (5.0, 5.0))), pose.part_from_sheet.apply)
    assert at.difference(template_shape(template).buffer(0.5)).area < 0.002 * at.area


def test_area_does_not_depend_on_where_the_part_is_thought_to_lie() -> None:
    template = plate(ELL, holes=((-40, 20, 10),))
    worn = waste(template_shape(template), 2.0, 70.0, 3.0)
    for pose in place((from_shapely(worn),), template, 3.0):
        assert shapely.transform(worn, pose.part_from_sheet.apply).area == pytest.approx(worn.area, rel=1e-9)


@pytest.mark.parametrize("mirror_ok", [True, False])
def test_a_mirrored_part_is_found_only_where_it_may_lie_either_face_up(mirror_ok: bool) -> None:
    template = plate(ELL, mirror_ok=mirror_ok)
    flipped = shapely.transform(waste(ELL, 3.0, rough_mm=0.4), lambda p: p * [-1.0, 1.0])
    pose = place((from_shapely(moved(flipped, placement(35.0, (10.0, 5.0)))),), template, 3.0)[0]
    assert pose.part_from_sheet.mirrored == mirror_ok
    same_way = place(
        (from_shapely(moved(waste(ELL, 3.0, rough_mm=0.4), placement(35.0, (10.0, 5.0)))),), template, 3.0
    )[0]
    assert not same_way.part_from_sheet.mirrored
    assert (pose.cost < 2 * same_way.cost) == mirror_ok


# --- the stage, on exact silhouettes -------------------------------------------------------------


def seen(
    template: Template,
    worn,
    thickness_mm: float,
    motion,
    camera=None,
    scale: float = 1.0,
    given_mm: float | None = None,
):
    """Placement of a prism with the worn plan, its thickness given, as if from a photo; `scale` is a
    sheet whose print is that much too large."""
    camera = camera or camera_over(at=(10.0, -60.0), tilt_deg=8.0, distance_mm=750.0)
    pixels = prism_px(
        camera, shapely.affinity.scale(moved(worn, motion), 1 / scale, 1 / scale, origin=(0, 0)), thickness_mm
    )
    return align(mask_of(pixels), plane_of(camera), template, Settings(), given_mm or thickness_mm)


TWO_HOLES = ((-42, 0, 11), (42, 6, 11))


def test_holes_anchor_the_part_whatever_the_outline_lost() -> None:
    template = plate(shapely.box(-70, -35, 70, 35), thickness_mm=14.0, holes=TWO_HOLES)
    motion = placement(31.0, (12.0, -70.0))
    worn = waste(template_shape(template), 1.0, 10.0, 5.0, 0.4)
    placement_ = seen(template, worn, 12.0, motion)
    assert placement_.anchored_by == "holes"
    assert not placement_.ambiguous
    assert placement_.residual_mm is not None
    assert placement_.residual_mm < 0.3
    got = placement_.sheet_from_part
    assert np.abs(got.shift - motion.shift).max() < 0.3
    assert np.abs(got.turn - motion.turn).max() < 0.01
    assert placement_.hole_pitch_scale == pytest.approx(1.0, abs=0.01)
    assert plan_area(placement_.plan_mm) == pytest.approx(worn.area, rel=0.02)


def test_heights_stay_with_their_points_when_the_part_lies_mirrored() -> None:
    template = plate(ELL, thickness_mm=18.0, mirror_ok=True)
    flipped = shapely.transform(ELL, lambda p: p * [-1.0, 1.0])
    placement_ = seen(template, flipped, 18.0, placement(10.0, (0.0, -60.0)))
    assert placement_.sheet_from_part.mirrored
    camera = camera_over(at=(10.0, -60.0), tilt_deg=8.0, distance_mm=750.0)
    foot = np.asarray(camera.position_mm[:2])
    on_sheet = placement_.sheet_from_part.apply(placement_.plan_mm[0][0])
    heights = placement_.limb_height_mm[0][0]
    normals = ring_normals(on_sheet, 3) * np.sign(ring_area(on_sheet))
    facing = np.sum((on_sheet - foot) * normals, axis=1)
    assert (
        heights[facing > 15].min() > 12.0
    )  # edges that face away from the camera's foot are seen near the top,
    assert heights[facing < -15].max() < 6.0  # those that face it near the sheet


def test_a_deep_hole_that_cannot_be_looked_through_counts_as_open() -> None:
    template = plate(shapely.box(-60, -35, 60, 35), thickness_mm=34.0, holes=((-38, 0, 10), (38, 0, 10)))
    shape = template_shape(template)
    camera = camera_over(at=(0.0, 0.0), tilt_deg=30.0, azimuth_deg=10.0, distance_mm=450.0)
    pixels = prism_px(camera, shape, 34.0)
    assert len(pixels.interiors) < 2
    placement_ = align(mask_of(pixels), plane_of(camera), template, Settings())
    assert set(placement_.hidden_rings) == set(range(1, 3)) - (
        {1, 2} if len(pixels.interiors) == 2 else set()
    )
    assert plan_area(placement_.plan_mm) == pytest.approx(shape.area, rel=0.006)
    # a hole that could be looked through and isn't there is not hidden: it is filled, or the part is another
    above = camera_over(tilt_deg=0.0, distance_mm=900.0)
    filled = prism_px(above, shapely.Polygon(shape.exterior), 34.0)
    assert align(mask_of(filled), plane_of(above), template, Settings()).hidden_rings == ()


@pytest.mark.parametrize(("scale", "refused"), [(0.97, True), (0.985, False), (1.0, False), (1.03, True)])
def test_a_sheet_off_by_3_percent_is_called_out_by_the_holes(scale: float, refused: bool) -> None:
    template = plate(shapely.box(-70, -35, 70, 35), thickness_mm=14.0, holes=TWO_HOLES)
    worn = waste(template_shape(template), 1.0)
    motion = placement(20.0, (10.0, -70.0))
    if not refused:
        placement_ = seen(template, worn, 13.0, motion, scale=scale)
        assert placement_.hole_pitch_scale == pytest.approx(1 / scale, abs=0.006)
        return
    with pytest.raises(CannotJudge) as refusal:
        seen(template, worn, 13.0, motion, scale=scale)
    assert refusal.value.code == "hole_pitch"


def test_doubt_of_the_pitch_grows_with_the_holes() -> None:
    from anodewane.stages.placing.holes import HolePair

    def pairs(growth, wall=0.0):
        return [HolePair(np.array([x, 0.0]), np.array([x, 0.0]), growth, wall) for x in (0.0, 80.0, 160.0)]

    for growth in (0.0, 5.0):
        # by simulation: hole centres move by their one-sigma
        scale, stated = pitch_scale(pairs(growth))
        assert scale == pytest.approx(1.0)
        rng, by = np.random.default_rng(0), pairs(growth)[0].centre_sd_mm
        draws = []
        for _ in range(3000):
            moved_pairs = [
                replace(p, seen_mm=p.seen_mm + np.array([rng.normal(0, by), 0.0])) for p in pairs(growth)
            ]
            draws.append(pitch_scale(moved_pairs)[0])
        assert np.std(draws) <= stated <= 1.8 * np.std(draws)
    assert (
        pitch_scale(pairs(0.0, wall=4.0))[1] > 2 * pitch_scale(pairs(0.0))[1]
    )  # a wall that may have been taken for ground


def test_the_wrong_template_is_refused() -> None:
    worn = template_shape(LIBRARY["plate-150x75x20-2slots"])
    with pytest.raises(CannotJudge) as refusal:
        seen(LIBRARY["plate-95x95x18-1hole"], worn, 18.0, placement(0.0, (0.0, -60.0)))
    assert refusal.value.code == "template_does_not_fit"


@pytest.mark.parametrize("given", [0.2, 26.0])
def test_an_impossible_thickness_is_refused(given: float) -> None:
    template = LIBRARY["plate-150x75x20-2slots"]
    with pytest.raises(CannotJudge) as refusal:
        seen(
            template,
            template_shape(template),
            20.0,
            placement(0.0, (0.0, -60.0)),
            given_mm=given,
        )
    assert refusal.value.code == "thickness_does_not_fit"


# --- thickness from recession --------------------------------------------------------------------


@pytest.mark.parametrize("mount", ["flush", "open"])
def test_thickness_falls_with_recession_and_levels_off(mount) -> None:
    settings = Settings()
    template = plate(shapely.box(-50, -30, 50, 30), thickness_mm=20.0, mount=mount)
    left, sd = (
        np.array(v)
        for v in zip(
            *(expected_thickness(template, d, settings) for d in np.linspace(0, 40, 200)), strict=True
        )
    )
    assert left[0] == 20.0
    assert (np.diff(left) <= 1e-12).all()
    most = settings.face_most_flush if mount == "flush" else settings.face_most_open
    assert left[-1] == pytest.approx(20.0 * (1 - most), rel=0.01)
    assert (np.diff(sd) >= -1e-12).all()
    assert sd[0] == pytest.approx(settings.face_floor_sd_mm)
    assert expected_thickness(template, -1.0, settings)[0] == 20.0


@pytest.mark.parametrize("share", [1.0, 0.97, 0.9, 0.7, 0.4])
def test_outline_and_thickness_settle_on_each_other(share: float) -> None:
    template = plate(shapely.box(-60, -40, 60, 40), thickness_mm=24.0)
    worn = template_shape(template).buffer(-0.25 * 80 * (1 - share))
    camera = camera_over(tilt_deg=15.0, distance_mm=450.0)
    placement_ = lay(
        mask_of(prism_px(camera, worn, 24.0 * (0.5 + 0.5 * share))), plane_of(camera), template, Settings()
    )
    from anodewane.wear.solids import recession_for_area

    recession = recession_for_area(
        template, min(plan_area(placement_.plan_mm), template_shape(template).area)
    )
    assert placement_.remaining_thickness_mm == pytest.approx(
        expected_thickness(template, recession, Settings())[0], abs=0.12
    )


# --- choosing ------------------------------------------------------------------------------------

CHOSEN = (
    "plate-150x75x20-2slots",
    "plate-260x90x32-4holes",
    "disc-110x24-2holes",
    "ring-90x42x18",
    "triangle-120x105x22-1hole",
    "wedge-140x70x40x24-2holes",
)


@pytest.mark.parametrize("name", CHOSEN)
@pytest.mark.parametrize("depth", [0.0, 3.0])
def test_the_right_template_of_the_library_is_chosen(name: str, depth: float) -> None:
    template = LIBRARY[name]
    camera = camera_over(at=(0.0, -60.0), tilt_deg=6.0, distance_mm=800.0)
    worn = moved(
        waste(template_shape(template), depth, rough_mm=0.3 if depth else 0.0), placement(15.0, (0.0, -80.0))
    )
    mask = mask_of(prism_px(camera, worn, template.thickness_mm - depth))
    assert (
        choose_template(
            rank_templates(mask, plane_of(camera), tuple(LIBRARY.values()), Settings()), Settings()
        ).name
        == name
    )


def test_a_rod_is_chosen_by_its_silhouette() -> None:
    camera = camera_over(at=(0.0, -60.0), tilt_deg=6.0, distance_mm=800.0)
    mask = mask_of(rod_px(camera, [(-88.0, -80.0), (88.0, -80.0)], 11.5))
    assert (
        choose_template(
            rank_templates(mask, plane_of(camera), tuple(LIBRARY.values()), Settings()), Settings()
        ).name
        == "rod-180x25"
    )


def test_two_that_fit_alike_are_unclear_and_none_that_fits_is_refused() -> None:
    one = plate(shapely.box(-60, -30, 60, 30), name="one")
    other = plate(shapely.box(-60.3, -30.2, 60.3, 30.2), name="other")
    camera = camera_over(tilt_deg=6.0, distance_mm=800.0)
    mask = mask_of(prism_px(camera, moved(waste(template_shape(one), 2.0), placement(0.0, (0.0, 0.0))), 18.0))
    with pytest.raises(CannotJudge) as refusal:
        choose_template(rank_templates(mask, plane_of(camera), (one, other), Settings()), Settings())
    assert refusal.value.code == "template_unclear"
    assert "'one'" in refusal.value.detail
    assert "'other'" in refusal.value.detail
    with pytest.raises(CannotJudge) as refusal:
        few = (LIBRARY["disc-70x16-1hole"], LIBRARY["rod-90x32"])
        choose_template(rank_templates(mask, plane_of(camera), few, Settings()), Settings())
    assert refusal.value.code == "template_does_not_fit"
