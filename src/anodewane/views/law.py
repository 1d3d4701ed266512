"""What a fit is told beforehand, and what it can't see: priors of a worn solid, and the metal missing where neither face nor silhouettes show it.

All of it is calibrated on rendered solids of known volume (docs/decisions/0030-several-photos.md; docs/bench/fit_views_law.py fits it again).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from anodewane.records import Placement, Template
from anodewane.units import Floats
from anodewane.views.fit import Prior
from anodewane.views.model import Solid

OUTLINE_SD_MM = 1.5
FACE_BIAS_SD_MM = 0.25
"""Of heights matched on the face: windows that lie across an edge, marks that shine."""


def height_sd(template: Template, lost_mm: float) -> float:
    """One-sigma, in units of the solid's mean height, of where one photo's limb stands against the mean: mm for a plate, a share for a rod."""
    return 0.15 + 0.10 * lost_mm if template.solid == "plate" else 0.01


@dataclass(frozen=True, slots=True, eq=False)
class Setting:
    """prior, start (P,) and bounds of a fit."""

    prior: Prior
    start: Floats
    bounds: tuple[Floats, Floats]


def prior_of(solid: Solid, template: Template, placement: Placement, face_seen: bool) -> Setting:
    """Priors about what the photo from above says. Wide ones, in proportion to the thickness lost, L: where photos speak they decide."""
    n = solid.n_parameters
    start, sd = np.zeros(n), np.full(n, OUTLINE_SD_MM)
    low, high = np.full(n, -30.0), np.full(n, 60.0)
    height = solid.block("height")
    rows: list[Floats] = []
    values: list[float] = []
    new = template.thickness_mm
    lost = max(new - placement.remaining_thickness_mm, 0.0)
    if solid.plate:
        start[height.start] = new - 0.5 * lost
        sd[height.start] = 1.0 + 0.5 * lost
        sd[height.start + 1 : height.stop] = 0.2 + 0.12 * lost
        low[height.start], high[height.start] = 0.02 * new, 1.05 * new
        sd[solid.block("lean")] = sd[solid.block("rim")] = 0.1 + 0.1 * lost
        rounding = solid.block("round").start
        start[rounding], sd[rounding] = 0.1 + 0.2 * lost, 0.3 + 0.25 * lost
        low[rounding], high[rounding] = 0.0, 0.6 * new
        if solid.has("foot"):
            sd[solid.block("foot")] = 0.2 + 0.15 * lost
        # where the face itself isn't seen its mean is the rim's
        rim = solid.block("rim")
        mean = np.zeros(n)
        mean[rim] = 1 / (rim.stop - rim.start)
        rows.append(mean / (0.3 + 0.15 * lost if face_seen else 0.02))
        values.append(0.0)
    else:
        start[height.start], sd[height.start] = 1.0, 0.03 + 0.1 * lost / new
        sd[height.start + 1 : height.stop] = 0.02 + 0.08 * lost / new
        low[height.start], high[height.start] = 0.3, 2.0
        axis = solid.block("axis")
        radius = float(np.quantile(np.abs((solid.plan_base - solid.centre) @ solid.turn[:, 1]), 0.9))
        start[axis.start], sd[axis.start] = radius, 1e3
        sd[axis.start + 1] = 0.5
        rests = np.zeros(n)
        rests[axis.start], rests[height.start] = 1 / 0.3, -radius / 0.3  # it touches the bench
        rows.append(rests)
        values.append(0.0)
    own = np.diag(1 / sd)
    return Setting(Prior(np.vstack([own, *rows]), np.r_[start / sd, values]), start, (low, high))
