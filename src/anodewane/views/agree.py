"""Whether photos show one part, lying as it lay: what moved, was turned over or is another part doesn't
fit the plan that the photo from above shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from anodewane.geometry.robust import residual_sd
from anodewane.units import Floats
from anodewane.views.fit import CORRELATION_MM, Look, limb_of, pinhole_slope, rows_of
from anodewane.views.model import Solid

MOTION_SD_MM = 4.0
"""What motion is expected before looking, so that one along a low line of sight, which hardly shows,
isn't made up from an outline's small misfits."""
REACHES_MM = (12.0, 10.0, 8.0, 6.0, 6.0)


@dataclass(frozen=True, slots=True)
class Agreement:
    """How one photo agrees with the one from above. miss_mm : distance from the limb within which three
    quarters of its outline lie, points without a limb counted at the reach; missed_frac : share of
    those; moved_mm, moved_sd_mm : the motion on the bench that brings the solid onto the outline,
    turning included, at the plan's rms radius."""

    miss_mm: float
    missed_frac: float
    moved_mm: float
    moved_sd_mm: float


def agreement(look: Look, solid: Solid, start: Floats, sd: Floats) -> Agreement:
    """Bring the solid onto one photo's outline by a motion on the bench, its plan staying what the
    photo from above shows.

    Only what that photo can't see may change with it: height, edges and foot. (A joint fit would bend
    the plan and the walls to suit a part that moved.)

    Parameters
    ----------
    look, solid
    start, sd : (P,)
        The solid before any other photo, and how far its parameters are known.
    """
    free = np.concatenate(
        [np.arange(b.start, b.stop) for b in solid.blocks if b.name in ("height", "round", "foot", "axis")]
    )
    middle = solid.plan_base.mean(0)
    radius = float(np.sqrt(np.mean(np.sum((solid.plan_base - middle) ** 2, axis=1))))
    n_own = len(look.own_sd)
    p, motion = start.copy(), np.zeros(3)
    own_sd = look.own_sd + np.r_[0.1, np.zeros(n_own - 1)]
    inverse = np.diag(np.r_[np.full(3, MOTION_SD_MM), sd[free], own_sd] ** -2.0)
    own = look.own_mean
    before = inverse @ np.r_[np.zeros(3 + len(free)), own]
    spread, normal = 1.5, inverse
    for reach in REACHES_MM:
        points = _moved(solid.points(p), motion, middle, radius)
        limb = limb_of(look, solid, points, reach)
        at = np.flatnonzero(limb.met)
        if len(at) < 12:
            return Agreement(reach, 1.0, reach, reach)
        u = limb.along[at][:, None]
        x = points[limb.first[at]] * (1 - u) + points[limb.second[at]] * u
        push = np.einsum("na,nab->nb", limb.way[at] * look.mm_per_px, pinhole_slope(look.camera, x))
        turned = (x[:, :2] - middle) @ np.array([[0.0, 1.0], [-1.0, 0.0]]) / radius
        by_solid, by_own = rows_of(look, solid, points, limb)
        columns = np.column_stack(
            [push[:, :2], np.sum(push[:, :2] * turned, axis=1), by_solid[:, free], by_own]
        )
        gap = limb.gap_mm[at]
        weight = 1 / (1 + (gap / (2.5 * spread)) ** 2)
        scale = weight / (spread**2 * max(1.0, CORRELATION_MM / look.step_mm))
        normal = columns.T @ (scale[:, None] * columns) + inverse
        now = np.r_[motion, (p - start)[free], own]
        gap = gap + by_own @ own
        step = np.linalg.solve(normal, columns.T @ (scale * (columns @ now - gap)) + before)
        change = np.clip(step - now, -6.0, 6.0)
        motion = motion + change[:3]
        p[free] = p[free] + change[3:-n_own]
        own = own + change[-n_own:]
        left = gap + columns @ change
        spread = float(np.clip(residual_sd(left), 0.25, spread))
    points = _moved(solid.points(p), motion * 0.0, middle, radius)
    limb = limb_of(look, solid, points, REACHES_MM[-1])
    outer = ~look.hole
    gap_all = np.where(limb.met, limb.gap_mm, REACHES_MM[-1])
    gap_all[limb.met] += rows_of(look, solid, points, limb)[1] @ own
    sd_motion = float(np.sqrt(np.trace(np.linalg.inv(normal)[:3, :3])))
    return Agreement(
        float(np.quantile(np.abs(gap_all[outer]), 0.75)),
        float(1 - limb.met[outer].mean()),
        float(np.linalg.norm(motion)),
        sd_motion,
    )


def _moved(points: Floats, motion: Floats, middle: Floats, radius: float) -> Floats:
    angle = motion[2] / radius
    c, s = np.cos(angle), np.sin(angle)
    out = points.copy()
    out[:, :2] = (points[:, :2] - middle) @ np.array([[c, s], [-s, c]]) + middle + motion[:2]
    return out
