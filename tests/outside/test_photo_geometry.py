"""Scale, tilt and height: what each does to an area, by elementary geometry, against the camera model
that takes them out."""

from __future__ import annotations

import numpy as np
import pytest

from anodewane.geometry.camera import project, to_height
from anodewane.geometry.rings import rings_area
from anodewane.records import Camera

F_PX = 3000.0


def camera(distance_mm, tilt_deg=0.0, k1=0.0):
    """A camera that looks at the sheet's centre from `distance_mm`, its axis tilted about the
    sheet's x axis."""
    t = np.radians(tilt_deg)
    forward = np.array([0, np.sin(t), -np.cos(t)])
    right = np.array([1.0, 0, 0])
    down = np.cross(forward, right)
    return Camera(
        np.stack([right, down, forward]), -distance_mm * forward, F_PX, np.array([2000.0, 1500.0]), k1, 2500.0
    )


def square(side, height):
    half = side / 2
    return np.array(
        [[-half, -half, height], [half, -half, height], [half, half, height], [-half, half, height]]
    )


def area_px(points):
    x, y = points.T
    return abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1))) / 2


@pytest.mark.parametrize(
    ("height", "distance", "printed_pct"),
    [(10, 500, 4.1), (20, 500, 8.5), (30, 500, 13.2), (30, 1000, 6.3), (30, 300, 23.5)],
)
def test_a_face_above_the_sheet_reads_too_large(height, distance, printed_pct):
    """(D / (D - h))^2 - 1, by similar triangles: read in the sheet's plane the face is too large by
    that; read at its height it is right."""
    above = camera(distance)
    seen = project(above, square(80.0, float(height)))
    in_the_sheet = rings_area((to_height(above, seen, 0.0),))
    assert 100 * (in_the_sheet / 6400 - 1) == pytest.approx(printed_pct, abs=0.051)
    assert in_the_sheet / 6400 == pytest.approx((distance / (distance - height)) ** 2, rel=1e-9)
    assert rings_area((to_height(above, seen, float(height)),)) == pytest.approx(6400, rel=1e-9)


@pytest.mark.parametrize(("tilt", "printed_pct"), [(10, 1.5), (20, 6.0), (30, 13.4)])
def test_tilt_uncorrected_shrinks_an_area(tilt, printed_pct):
    """1 - cos(tilt), the foreshortening of a small figure at the middle of the photo; taken at the
    sheet's plane nothing is left of it."""
    oblique = camera(600.0, tilt)
    seen = project(oblique, square(1.0, 0.0))
    as_if_level = area_px(seen) * (600.0 / F_PX) ** 2
    assert 100 * (1 - as_if_level) == pytest.approx(printed_pct, abs=0.051)
    assert as_if_level == pytest.approx(np.cos(np.radians(tilt)), abs=1e-5)
    assert rings_area((to_height(oblique, seen, 0.0),)) == pytest.approx(1.0, rel=1e-6)


@pytest.mark.parametrize(("print_scale", "printed_pct"), [(1.01, 2.0), (0.97, -6.0), (0.94, -12.0)])
def test_lengths_off_by_one_per_cent_are_areas_off_by_two(print_scale, printed_pct):
    """(1 + e)^2 - 1 = 2 e to first order. A sheet printed at 97 % makes every length look 3 %
    longer, and so on."""
    ring = square(80.0, 0.0)[:, :2]
    assert 100 * (rings_area((ring * print_scale,)) / rings_area((ring,)) - 1) == pytest.approx(
        printed_pct, abs=0.4
    )


@pytest.mark.parametrize("tilt", [0, 15, 35])
@pytest.mark.parametrize("k1", [0.0, 0.03, -0.03])
def test_projection_against_opencv(tilt, k1):
    """cv2.projectPoints with the same pose and no distortion; ours adds one radial term, which
    `undistort_px` must undo."""
    import cv2

    from anodewane.geometry.camera import undistort_px

    rng = np.random.default_rng(5)
    cam = camera(700.0, tilt, k1)
    points = np.column_stack([rng.uniform(-120, 120, (40, 2)), rng.uniform(0, 40, 40)])
    matrix = np.array([[F_PX, 0, 2000], [0, F_PX, 1500], [0, 0, 1.0]])
    rotation, _ = cv2.Rodrigues(np.ascontiguousarray(cam.rotation))
    theirs, _ = cv2.projectPoints(points, rotation, -cam.rotation @ cam.position_mm, matrix, None)
    ours = project(cam, points)
    np.testing.assert_allclose(undistort_px(cam, ours), theirs.reshape(-1, 2), atol=1e-5)
    assert (np.abs(ours - theirs.reshape(-1, 2)).max() < 1e-6) == (k1 == 0.0)
    np.testing.assert_allclose(to_height(cam, ours, points[:, 2]), points[:, :2], atol=1e-5)
