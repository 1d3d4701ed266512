"""A photo at half its size, made once and forgotten with the photo."""

from __future__ import annotations

import gc
import weakref

import numpy as np
import pytest
from skimage.transform import downscale_local_mean

from anodewane.geometry.pyramid import halved, halvings
from anodewane.records import Photo, Source


def photo(height: int, width: int) -> Photo:
    rgb = np.random.default_rng(0).integers(0, 256, (height, width, 3), dtype=np.uint8)
    return Photo(rgb, Source("a.jpg", "", 0), None, None, None, ())


def test_each_pixel_is_the_mean_of_four() -> None:
    """skimage.transform.downscale_local_mean."""
    seen = photo(64, 96)
    for times in (1, 2, 3):
        k = 2**times
        want = downscale_local_mean(seen.rgb, (k, k, 1))
        assert np.abs(halved(seen, times) - want).max() <= 0.5 * times + 0.01  # each halving rounds once
    assert halved(seen, 0) is seen.rgb


def test_odd_rows_and_columns_are_left_out() -> None:
    assert halved(photo(65, 99), 2).shape == (16, 24, 3)


def test_it_is_made_once_can_t_be_written_to_and_is_forgotten_with_the_photo() -> None:
    seen = photo(64, 64)
    half = halved(seen, 1)
    assert halved(seen, 1) is half
    with pytest.raises(ValueError, match="read-only"):
        half[0] = 0
    gone = weakref.ref(half)
    del seen, half
    gc.collect()
    assert gone() is None


@pytest.mark.parametrize(("factor", "times"), [(0.5, 0), (1.99, 0), (2.0, 1), (4.03, 2), (8.1, 3)])
def test_halvings(factor: float, times: int) -> None:
    assert halvings(factor) == times
