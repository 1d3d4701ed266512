"""The camera over the sheet, on exact projections with known noise: OpenCV's homography, and Monte
Carlo coverage, are the judges."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from anodewane.catalog.sheets import all_layouts
from anodewane.errors import CannotJudge
from anodewane.geometry.camera import apply_homography, project, to_height
from anodewane.record import LensProfile
from anodewane.records import CardSighting
from anodewane.settings import Settings
from anodewane.stages.plane import _Prior as Prior
from anodewane.stages.plane import _residual as residual_of
from anodewane.stages.plane import _rotation_vector_cov as rotation_vector_cov
from anodewane.stages.plane import _State as State
from anodewane.stages.plane import camera_draws, fit_view, locate_camera
from made.sheet_scenes import HALF, HEIGHT, WIDTH, camera, photo, sighting


@pytest.mark.parametrize("name", ["card", "mat-a4"])
@pytest.mark.parametrize("tilt", [0.0, 8.0, 30.0])
def test_exact_points_give_the_camera_back(name, tilt):
    cam = camera(tilt)
    plane = locate_camera(photo(), sighting(cam, name), Settings())
    np.testing.assert_allclose(plane.camera.position_mm, cam.position_mm, atol=0.05)
    assert plane.tilt_deg == pytest.approx(tilt, abs=0.01) and plane.residual_px < 1e-3
    assert plane.distance_mm == pytest.approx(700.0, abs=0.05) and plane.focal_source == "exif"


def test_the_homography_is_opencvs():
    """Without lens distortion, `cv2.findHomography` of the same noisy points, least squares, maps
    the sheet alike."""
    rng = np.random.default_rng(2)
    seen = sighting(camera(20.0), "mat-a4", 0.1, rng)
    ours = locate_camera(photo(), seen, Settings(lens_k1_sd=1e-6, principal_point_sd_frac=1e-6)).px_from_mm
    theirs, _ = cv2.findHomography(seen.points_mm, seen.points_px, 0)
    field = np.array([(x, y) for x in (-120, 0, 120) for y in (-80, 0, 80)], float)
    assert np.abs(apply_homography(ours, field) - apply_homography(theirs, field)).max() < 0.15


def test_derivatives_are_those_of_finite_differences():
    cam = camera(22.0, k1=0.02, axis_px=(12.0, -7.0))
    seen = sighting(cam)
    world3 = np.c_[seen.points_mm, np.zeros(len(seen.points_mm))]
    centre = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])
    prior = Prior(np.log(cam.focal_px) + 0.01, 0.02, 0.0, 0.01, 15.0)
    state = State(
        cam.rotation,
        np.array([20.0, -30.0, np.log(cam.focal_px / 700.0)]),
        np.array([np.log(cam.focal_px), 0.015, 10.0, -5.0]),
    )
    sd = seen.point_sd_px
    _, jac, _ = residual_of(state, world3, seen.points_px, sd, centre, HALF, prior)
    for i in range(10):
        h = 1e-5
        step = np.zeros(10)
        step[i] = h
        high = residual_of(state.moved(step), world3, seen.points_px, sd, centre, HALF, prior)[0]
        low = residual_of(state.moved(-step), world3, seen.points_px, sd, centre, HALF, prior)[0]
        np.testing.assert_allclose(
            jac[:, i], (high - low) / (2 * h), rtol=2e-4, atol=1e-3 * np.abs(jac[:, i]).max()
        )


def test_a_small_rotation_becomes_a_change_of_the_rotation_vector():
    """Against OpenCV's own Rodrigues, at the half turn that a phone above a sheet makes."""
    cam = camera(13.0, turn_deg=40.0)
    seen = sighting(cam, noise=0.05, rng=np.random.default_rng(1))
    fit = fit_view(
        seen.points_mm,
        seen.points_px,
        seen.point_sd_px,
        cam.centre_px,
        HALF,
        Prior(float(np.log(cam.focal_px)), 0.02, 0.0, 0.01, 15.0),
    )
    base = np.ravel(cv2.Rodrigues(np.asarray(fit.camera.rotation))[0])
    turn = np.zeros((3, 3))
    for i in range(3):
        w = np.zeros(3)
        w[i] = 1e-6
        moved = np.ravel(cv2.Rodrigues(cv2.Rodrigues(w)[0] @ fit.camera.rotation)[0])
        if moved @ base < 0:  # the same turn about the opposite axis, past half a turn
            moved -= 2 * np.pi * moved / np.linalg.norm(moved)
        turn[:, i] = (moved - base) / 1e-6
    np.testing.assert_allclose(
        rotation_vector_cov(fit)[:3, :3], turn @ fit.cov[:3, :3] @ turn.T, rtol=1e-3, atol=1e-14
    )


@pytest.mark.slow
@pytest.mark.parametrize(("name", "tilt"), [("card", 5.0), ("card", 25.0), ("mat-a4", 12.0)])
def test_stated_uncertainty_covers_the_truth(name, tilt):
    """Monte Carlo over noise, focal length, lens term and wandering axis as their priors say: nine in
    ten of the errors within 1.645 sigma.

    The bounds are wider than counting alone asks (95 % of 200 trials fall in 0.855 to 0.945) since
    saddle noise is overstated on purpose, by half, and on a mat's middle the fit's own doubt of 0.015 %
    is all but nothing.
    """
    rng = np.random.default_rng(7)
    settings = Settings()
    height, scale, n = [], [], 200
    on = (
        np.zeros((1, 2))
        if name.startswith("mat")
        else np.array([(165.0, 0.0), (-165.0, 0.0), (0.0, 134.0), (0.0, -134.0)])
    )
    corners = np.array([(-10, -10), (10, -10), (10, 10), (-10, 10)], float)
    for _ in range(n):
        focal = 26.0 * np.exp(rng.normal(0, np.hypot(settings.focal_exif_sd_frac, 0.29 / 26)))
        cam = camera(
            tilt,
            rng.uniform(0, 360),
            rng.uniform(400, 900),
            focal,
            rng.normal(0, settings.lens_k1_sd),
            rng.normal(0, settings.principal_point_sd_frac * HALF, 2),
        )
        plane = locate_camera(photo(), sighting(cam, name, 0.06, rng), settings)
        draws = np.array([c.position_mm[2] for c in camera_draws(plane, 60, rng)])
        height.append((plane.camera.position_mm[2] - cam.position_mm[2]) / draws.std())
        spot = on[rng.integers(len(on))]
        ours = to_height(plane.camera, project(cam, np.c_[spot + corners, np.zeros(4)]), 0.0)
        x, y = ours.T
        area = 0.5 * (x @ np.roll(y, -1) - y @ np.roll(x, -1))
        fit_sd = np.sqrt(plane.scale_sd_frac**2 - settings.print_scale_sd_frac**2)
        scale.append((np.sqrt(area / 400.0) - 1) / fit_sd)
    for z in (np.array(height), np.array(scale)):
        assert 0.84 <= np.mean(np.abs(z) < 1.645) <= 1.0
        assert 0.3 < np.sqrt(np.mean(z**2)) < 1.2
        assert abs(z.mean()) < 0.35


def test_doubt_grows_with_noise_and_distance_and_falls_with_a_profile():
    def height_sd(noise, distance, profile=None):
        plane = locate_camera(
            photo(),
            sighting(camera(10, distance_mm=distance), "card", noise, np.random.default_rng(0)),
            Settings(),
            profile,
        )
        return np.sqrt(plane.parameters_cov[5, 5])

    profile = LensProfile("M P", 26.0 / 43.26661530556787 * 2, 0.002, 0.0, 0.001, 8)
    assert height_sd(0.05, 400) < height_sd(0.05, 800)
    assert height_sd(0.05, 600) <= height_sd(0.4, 600)
    assert height_sd(0.05, 600, profile) < 0.5 * height_sd(0.05, 600)


def test_a_sheet_printed_at_97_percent_comes_back_with_its_check_line():
    cam = camera(12.0)
    seen = sighting(cam, "card", print_scale=(0.97, 0.97))
    wrong = locate_camera(photo(), seen, Settings())
    right = locate_camera(photo(), seen, Settings(), check_line_mm=(97.0, 97.0))
    assert right.distance_mm == pytest.approx(700, abs=0.1) and wrong.distance_mm == pytest.approx(
        700 / 0.97, rel=1e-3
    )
    assert right.check_line_mm == (97.0, 97.0)
    square = project(cam, np.array([(0, 0, 0), (50, 0, 0), (50, 50, 0), (0, 50, 0.0)]))
    side = np.linalg.norm(np.diff(to_height(right.camera, square, 0.0), axis=0), axis=1)
    np.testing.assert_allclose(side, 50.0, atol=0.01)
    assert right.scale_sd_frac < wrong.scale_sd_frac


def test_a_sheet_stretched_one_way_is_corrected_by_both_lines():
    cam = camera(12.0)
    plane = locate_camera(
        photo(),
        sighting(cam, print_scale=(0.98, 1.01)),
        Settings(),
        check_line_mm=(98.0, 101.0),
    )
    assert plane.residual_px < 1e-3 and plane.distance_mm == pytest.approx(700, abs=0.1)


@pytest.mark.parametrize("k1", [-0.03, 0.03])
def test_lens_distortion_is_taken_out_as_far_as_the_sheet_shows_it(k1):
    cam = camera(10.0, k1=k1, distance_mm=420)
    seen = sighting(cam, "mat-a4", 0.05, np.random.default_rng(3))
    plane = locate_camera(photo(), seen, Settings())
    assert plane.camera.k1 == pytest.approx(k1, abs=0.004) and plane.residual_px < 0.1
    known = locate_camera(
        photo(), seen, Settings(), LensProfile("M P", cam.focal_px / HALF, 0.002, k1, 0.0005, 8)
    )
    assert known.camera.k1 == pytest.approx(k1, abs=0.001) and known.focal_source == "profile"


def test_digital_zoom_that_exif_does_not_tell_of_is_seen_when_tilted():
    rng = np.random.default_rng(5)
    cam = camera(28.0, f35=52.0, distance_mm=900)
    plane = locate_camera(photo(26.0), sighting(cam, "mat-a4", 0.06, rng), Settings())
    assert plane.focal_source == "sheet"
    sd = np.sqrt(plane.parameters_cov[6, 6])  # of the logarithm
    assert 0.001 < sd < 0.03 and abs(np.log(plane.camera.focal_px / cam.focal_px)) < 2.5 * sd
    assert abs(np.log(plane.camera.focal_px / (cam.focal_px / 2))) > 3 * sd


def test_honest_exif_is_kept_when_tilted():
    rng = np.random.default_rng(6)
    for _ in range(25):
        cam = camera(
            28.0, rng.uniform(0, 360), f35=26.0 * np.exp(rng.normal(0, 0.025)), k1=rng.normal(0, 0.01)
        )
        assert locate_camera(photo(26.0), sighting(cam, "card", 0.08, rng), Settings()).focal_source == "exif"


def test_without_exif_a_tilted_sheet_tells_the_focal_length_and_a_flat_one_does_not():
    rng = np.random.default_rng(8)
    tilted = locate_camera(photo(None), sighting(camera(30.0, f35=35.0), "mat-a4", 0.05, rng), Settings())
    assert tilted.focal_source == "sheet" and tilted.camera.focal_px == pytest.approx(
        camera(0, f35=35.0).focal_px, rel=0.08
    )
    flat = locate_camera(photo(None), sighting(camera(0.0, f35=35.0), "card", 0.05, rng), Settings())
    assert flat.focal_source == "assumed"
    assert np.sqrt(flat.parameters_cov[5, 5]) > 0.1 * flat.distance_mm


def test_too_oblique_and_not_flat_are_refused():
    with pytest.raises(CannotJudge) as caught:
        locate_camera(photo(), sighting(camera(55.0)), Settings())
    assert caught.value.code == "too_oblique"
    cam = camera(10.0)
    layout = all_layouts()["card"]
    bent = np.c_[layout.saddles_mm, 12.0 * np.sin(layout.saddles_mm[:, 0] / 30)]
    seen = CardSighting(
        layout, layout.saddles_mm, project(cam, bent), np.full(len(bent), 0.05), 20, np.zeros((0, 4, 2))
    )
    with pytest.raises(CannotJudge) as caught:
        locate_camera(photo(), seen, Settings())
    assert caught.value.code == "sheet_not_flat"
