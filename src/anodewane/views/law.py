"""What a fit is told beforehand, and what it can't see: priors of a worn solid, and the metal missing
where neither face nor silhouettes show it.

All of it is calibrated on rendered solids of known volume (docs/decisions/0030-several-photos.md;
docs/bench/fit_views_law.py fits it again).
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


@dataclass(frozen=True, slots=True)
class HiddenLaw:
    """Metal missing under a face where no photo shows it, as a mean thickness over the plan, mm:
    walls that stand back behind the proudest place of each, which is the one that is seen, and a
    back that wasted too.

    With d the even recession that leaves the plan's area, W the walls' area over the plan's, and T the
    face's height: wanting = m tanh((by_depth d + by_wall d W) / m), m = most T.
    """

    by_depth: float
    by_wall: float
    most: float

    def wanting_mm(self, depth_mm: float, walls_frac: float, height_mm: float) -> float:
        most = self.most * max(height_mm, 0.1)
        return float(most * np.tanh((self.by_depth * depth_mm + self.by_wall * depth_mm * walls_frac) / most))


PHOTOGRAPHED = HiddenLaw(0.55, 0.54, 0.364)
"""Flush parts: fitted on 218 path-traced parts of known volume, wanting against a straight prism
under the face."""

RENDERED_FLUSH, RENDERED_OPEN = (0.08, 0.30), (0.68, 0.0)
"""Fitted on our own renderer's solids, wanting against the fitted solid: per mm of recession, and per
mm by which the foot stands in."""

HEIGHT_OPEN_FRAC = 0.06
"""One-sigma of a face's height beside what the outline's recession says, over the new thickness: faces
may waste where outlines don't."""
FACE_UNSEEN = 0.13
"""One-sigma of the mean height of a face that only its rim tells of, over the thickness lost: hollows
in it aren't seen."""

CAST_FACE, CAST_FACE_MM = 0.25, 0.3
"""One-sigma of how far a casting's faces have sunk beside what its plan says: as a share of it, and at
least."""

CAST_UNSEEN = 0.85
"""What of the spread of a casting's mass about its plan (`wear.cast_law`) is in pits and hollows that no
silhouette shows."""

UNDERCUT, TRUST_MOST, TRUST_UNKNOWN = 0.6, 0.85, 0.5
"""A foot that stands in, undercut, says that water got under the part: its back wasted as the first
population's backs did. How far in, over the recession, it stands where that is sure; the weight of that
population then, and where the foot wasn't seen. Nobody has yet weighed and photographed real parts."""


def hidden_mm(
    template: Template,
    depth_mm: float,
    walls_frac: float,
    height_mm: float,
    fitted_mm: float,
    foot_mm: float,
    foot_known: float,
    lost_mm: float,
    face_seen: bool,
) -> tuple[float, float]:
    """Mean thickness, over the plan, that the fitted solid has too much, and its one-sigma, mm.

    depth_mm : the even recession that leaves the plan's area; walls_frac : walls' area over the plan's;
    height_mm : of the face; fitted_mm : the fitted solid's volume over its plan; foot_mm : how far a
    flush part's foot stands in, foot_known : how much of that the photos say, 0 (nothing) to 1; lost_mm
    : thickness lost, as the photo from above has it; face_seen : whether the face's own height was
    matched between photos.
    """
    if template.solid == "rod" or template.form is not None:
        return 0.0, 0.0
    unseen = 0.0 if face_seen else FACE_UNSEEN * lost_mm
    if template.mount == "open":
        wanting = RENDERED_OPEN[0] * depth_mm
        return wanting, float(np.sqrt(0.35**2 + (0.45 * wanting) ** 2 + unseen**2))
    ours = RENDERED_FLUSH[0] * depth_mm + RENDERED_FLUSH[1] * max(foot_mm, 0.0)
    theirs = PHOTOGRAPHED.wanting_mm(depth_mm, walls_frac, height_mm) - (height_mm - fitted_mm)
    seen = float(np.clip(foot_mm / (UNDERCUT * max(depth_mm, 0.3)), 0.0, 1.0)) * TRUST_MOST
    trust = foot_known * seen + (1 - foot_known) * TRUST_UNKNOWN
    wanting = trust * theirs + (1 - trust) * ours
    return wanting, float(
        np.sqrt(0.25**2 + (0.22 * max(wanting, 0.0)) ** 2 + (0.35 * (theirs - ours)) ** 2 + unseen**2)
    )


def height_sd(template: Template, lost_mm: float) -> float:
    """One-sigma, in units of the solid's mean height, of where one photo's limb stands against the
    mean: mm for a plate, a share for a rod."""
    return 0.15 + 0.10 * lost_mm if template.solid != "rod" else 0.01


@dataclass(frozen=True, slots=True, eq=False)
class Setting:
    """prior, start (P,) with its one-sigmas (P,), and bounds of a fit."""

    prior: Prior
    start: Floats
    sd: Floats
    bounds: tuple[Floats, Floats]


def prior_of(
    solid: Solid, template: Template, placement: Placement, depth_mm: float, face_seen: bool
) -> Setting:
    """Priors about what the photo from above says. Wide ones, in proportion to the thickness lost, L:
    where photos speak they decide."""
    n = solid.n_parameters
    start, sd = np.zeros(n), np.full(n, OUTLINE_SD_MM)
    low, high = np.full(n, -30.0), np.full(n, 60.0)
    height = solid.block("height")
    rows: list[Floats] = []
    values: list[float] = []
    new = template.thickness_mm
    lost = max(new - placement.remaining_thickness_mm, 0.0)
    if solid.body is not None:
        even = float(np.hypot(CAST_FACE * lost, CAST_FACE_MM))
        sd[height.start] = even
        sd[height.start + 1 : height.stop] = 0.15 + 0.1 * lost
        low[height.start], high[height.start] = -0.9 * new, 0.3 * new
    elif solid.plate:
        mean = placement.remaining_thickness_mm
        walls = solid.walls_frac(start) * mean
        above = (
            PHOTOGRAPHED.wanting_mm(depth_mm, walls, mean)
            if template.mount == "flush"
            else RENDERED_OPEN[0] * depth_mm
        )
        start[height.start] = min(mean + above, new)
        sd[height.start] = float(np.hypot(placement.thickness_sd_mm, HEIGHT_OPEN_FRAC * new))
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
        level = np.zeros(n)
        level[rim] = 1 / (rim.stop - rim.start)
        rows.append(level / (0.3 + 0.15 * lost if face_seen else 0.02))
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
    return Setting(Prior(np.vstack([own, *rows]), np.r_[start / sd, values]), start, sd, (low, high))


def held_by_mass(setting: Setting, mass_slope: Floats, sd: float) -> Setting:
    """The same with the mass known to `sd` (share of the new part), as one photo has it; mass_slope (P,)."""
    row = mass_slope / sd
    prior = Prior(np.vstack([setting.prior.rows, row]), np.r_[setting.prior.value, row @ setting.start])
    return Setting(prior, setting.start, setting.sd, setting.bounds)
