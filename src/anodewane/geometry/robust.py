"""One-sigmas that a few wild values don't move (Hampel 1974: the median absolute deviation)."""

from __future__ import annotations

from typing import Any

import numpy as np

MAD_TO_SD = 1.482602218505602
"""One-sigma of a normal distribution over the median of its absolute values, 1 / ppf(3/4)."""

MEDIAN_DISTANCE_TO_SD = 0.8493218002880191
"""One-sigma of each coordinate over the median distance of a normal cloud in the plane (Rayleigh),
1 / sqrt(2 ln 2)."""


def residual_sd(residuals: Any) -> float:
    """One-sigma of residuals about zero; they need not have their own median taken out."""
    return MAD_TO_SD * float(np.median(np.abs(residuals)))


def coordinate_sd(distances: Any) -> float:
    """One-sigma of each coordinate, from the distances of points in the plane to where they should be."""
    return MEDIAN_DISTANCE_TO_SD * float(np.median(distances))
