"""The profile of a new part against frusta, whose silhouette is the convex hull of its projected corners
(scipy's ConvexHull) and whose volume is the prismoid's closed formula."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from scipy.spatial import ConvexHull

from anodewane.geometry.camera import project
from anodewane.records import CastForm
from anodewane.testing import look_at
from anodewane.views.profile import KNEE, Contour, fit_profile, outline_under

LENGTH, WIDTH, HEIGHT, DRAFT_DEG = 110.0, 64.0, 32.0, 14.0
LEAN = HEIGHT * math.tan(math.radians(DRAFT_DEG))
WHERE = np.array([30.0, -120.0])
PLACES = [(4.0, 10.0), (45.0, 30.0), (62.0, 150.0), (70.0, 260.0), (55.0, 330.0)]
"""Tilt and azimuth of five cameras, degrees; the first looks down."""


def corners(lean=LEAN, height=HEIGHT):
    def box(inward):
        a, b = LENGTH / 2 - inward, WIDTH / 2 - inward
        return np.array([[-a, -b], [a, -b], [a, b], [-a, b]]) + WHERE

    return np.vstack([np.c_[box(0.0), np.zeros(4)], np.c_[box(lean), np.full(4, height)]])


def volume(lean=LEAN, height=HEIGHT):
    """Prismoidal formula (Simpson's rule, exact for areas that are quadratic in z)."""
    areas = [(LENGTH - 2 * u) * (WIDTH - 2 * u) for u in (0.0, lean / 2, lean)]
    return height / 6 * (areas[0] + 4 * areas[1] + areas[2])


def contour(tilt_deg, azimuth_deg, points=None):
    camera = look_at(
        (10.0, -60.0),
        distance_mm=800.0,
        tilt_deg=tilt_deg,
        azimuth_deg=azimuth_deg,
        roll_deg=20.0,
        f35=40.0,
        width=4032,
        height=3024,
        k1=0.0,
    )
    px = project(camera, corners() if points is None else points)
    ring = shapely.Polygon(px[ConvexHull(px).vertices])
    return Contour(camera, np.asarray(ring.segmentize(4.0).exterior.coords)[:-1])


def looks(points=None):
    return [contour(*place, points) for place in PLACES]


@pytest.fixture(scope="module")
def fitted():
    above, *low = looks()
    return fit_profile(above, low, HEIGHT)


def test_a_frustum_s_profile_is_found(fitted):
    np.testing.assert_allclose(fitted.section_mm[:, 1], [0, KNEE * HEIGHT, HEIGHT])
    # its edges are sharp; a radius of a millimetre or so is what 4 px a millimetre leave open
    np.testing.assert_allclose(fitted.section_mm[1:, 0], [KNEE * LEAN, LEAN], atol=0.35)
    assert fitted.edge_radius_mm < 2.0
    assert max(fitted.rms_px) < 1.0


def test_its_volume_is_the_prismoid_s(fitted):
    assert fitted.volume_mm3 == pytest.approx(volume(), rel=0.01)
    assert abs(fitted.volume_mm3 - volume()) < 2 * fitted.volume_sd_mm3
    assert 0.005 < fitted.volume_sd_mm3 / volume() < 0.04


def test_its_outline_is_the_foot_s(fitted):
    half = np.array([LENGTH / 2, WIDTH / 2])
    foot = shapely.box(*(WHERE - half), *(WHERE + half))
    got = shapely.Polygon(fitted.outline_mm)
    assert got.area == pytest.approx(foot.area, rel=0.006)
    assert got.symmetric_difference(foot).area < 0.015 * foot.area


def test_one_low_photo_is_enough_and_less_sure(fitted):
    above, *low = looks()
    one = fit_profile(above, low[1:2], HEIGHT)
    assert one.volume_mm3 == pytest.approx(volume(), rel=0.03)
    assert (one.section_sd_mm > fitted.section_sd_mm).all()


def test_a_weight_narrows_the_volume(fitted):
    above, *low = looks()
    weighed = fit_profile(above, low, HEIGHT, volume())
    assert abs(weighed.volume_mm3 - volume()) < abs(fitted.volume_mm3 - volume()) + 1e-6
    assert weighed.volume_sd_mm3 <= 0.0101 * weighed.volume_mm3


def test_a_photo_that_shows_another_part_is_left_out():
    above, *low = looks()
    wrong = contour(*PLACES[2], corners(lean=0.0, height=2.2 * HEIGHT))
    got = fit_profile(above, [low[0], wrong, *low[2:]], HEIGHT)
    assert got.rms_px[1] is None
    assert [r is not None for r in got.rms_px] == [True, False, True, True]
    assert got.volume_mm3 == pytest.approx(volume(), rel=0.012)


@pytest.mark.parametrize("draft_deg", [0.0, DRAFT_DEG])
def test_an_outline_under_walls_of_known_draft(draft_deg):
    """From aside, 200 mm from the camera's foot, a wall hides the foot or stands before it."""
    lean = HEIGHT * math.tan(math.radians(draft_deg))
    above = contour(14.0, 80.0, corners(lean))
    got = shapely.Polygon(outline_under(above, HEIGHT, CastForm(draft_deg, 0.0, 0.0)))
    assert got.area == pytest.approx(LENGTH * WIDTH, rel=0.006)
    np.testing.assert_allclose(np.array(got.centroid.coords[0]), WHERE, atol=0.4)
