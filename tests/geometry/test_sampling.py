"""Sampling between pixels, held to scipy; the top of a parabola, to numpy's polynomial; robust spreads, to
scipy and to draws of a known sigma."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import map_coordinates
from scipy.stats import median_abs_deviation, rayleigh

from anodewane.geometry.rings import ring_centre
from anodewane.geometry.robust import MEDIAN_DISTANCE_TO_SD, coordinate_sd, residual_sd
from anodewane.geometry.sampling import bilinear, linear_light, parabola_top
from anodewane.units import SRGB_TO_LINEAR

RNG = np.random.default_rng(4)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_bilinear_is_scipys_linear_spline(dtype: type) -> None:
    image = RNG.random((13, 29)).astype(dtype)
    x, y = RNG.uniform(0, 27.9, (4, 50)), RNG.uniform(0, 11.9, (4, 50))
    got = bilinear(image, x, y)
    assert got.dtype == dtype
    assert got.shape == x.shape
    assert np.abs(got - map_coordinates(image.astype(float), [y, x], order=1)).max() < 1e-5


def test_beyond_the_frame_stands_the_edge() -> None:
    image = RNG.random((5, 7))
    got = bilinear(image, np.array([-3.0, 99.0, 2.0]), np.array([0.0, 4.0, -8.0]))
    assert got == pytest.approx([image[0, 0], image[4, 6], image[0, 2]], abs=2e-3)


def test_light_is_mixed_as_light_and_not_as_bytes() -> None:
    rgb = np.zeros((4, 4, 3), np.uint8)
    rgb[:, 2:] = 255
    got = linear_light(rgb, np.array([1.5]), np.array([1.0]))
    assert got[0] == pytest.approx([0.5, 0.5, 0.5])
    assert SRGB_TO_LINEAR[128] == pytest.approx(0.2159, abs=1e-4)  # what the bytes' mean would have said
    photo = RNG.integers(0, 256, (9, 11, 3), dtype=np.uint8)
    x, y = RNG.uniform(0, 9.9, 40), RNG.uniform(0, 7.9, 40)
    want = [map_coordinates(SRGB_TO_LINEAR[photo[..., k]].astype(float), [y, x], order=1) for k in range(3)]
    assert np.abs(linear_light(photo, x, y) - np.transpose(want)).max() < 1e-5


def test_a_parabola_is_topped_where_its_derivative_is_zero() -> None:
    for values in RNG.uniform(0, 1, (200, 3)):
        a, b, c = values[0], 1.0 + values[1], values[2]
        top = np.roots(np.polyder(np.polyfit([-1, 0, 1], [a, b, c], 2)))[0]
        assert parabola_top(a, b, c) == pytest.approx(top)


def test_what_has_no_top_stays_where_it_is() -> None:
    assert not parabola_top(1.0, 1.0, 1.0)
    assert parabola_top(1.0, 0.0, 1.0) == 0.0
    assert parabola_top(0.0, 1.0, 1.9) == pytest.approx(0.5)  # the top lies farther off than the neighbour
    assert parabola_top(0.0, 1.0, 1.9, most=1.0) == 1.0


def test_robust_spreads_are_scipys_and_hold_against_wild_values() -> None:
    x = RNG.normal(0, 2.5, 100_001)
    assert residual_sd(x) == pytest.approx(
        median_abs_deviation(x, center=lambda *_, **__: 0.0, scale="normal")
    )
    assert pytest.approx(1 / rayleigh.median()) == MEDIAN_DISTANCE_TO_SD
    cloud = np.linalg.norm(RNG.normal(0, 2.5, (100_001, 2)), axis=1)
    assert coordinate_sd(cloud) == pytest.approx(2.5, rel=0.01)
    x[:10_000] = 1e6
    assert residual_sd(x) == pytest.approx(2.5, rel=0.2)


def test_a_rings_centre_is_its_areas() -> None:
    half_disc = np.array([(np.cos(t), np.sin(t)) for t in np.linspace(0, np.pi, 4001)]) * 30 + [5, 7]
    # a half disc's centroid lies 4 r / 3 pi above its diameter
    assert ring_centre(half_disc) == pytest.approx([5.0, 7 + 4 * 30 / (3 * np.pi)], abs=1e-4)
    assert ring_centre(half_disc[::-1]) == pytest.approx(ring_centre(half_disc))
