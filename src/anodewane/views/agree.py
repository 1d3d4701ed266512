"""Whether photos show one part, lying as it lay: what moved, was turned over or is another part doesn't fit the solid that the others make."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from anodewane.units import Floats
from anodewane.views.fit import CORRELATION_MM, Limb, Look, pinhole_slope, rows_of
from anodewane.views.model import Solid

MOTION_SD_MM = 3.0
"""What motion is expected before looking, so that one along a low line of sight, which hardly shows, isn't made up from an outline's small misfits."""


@dataclass(frozen=True, slots=True)
class Agreement:
    """How one photo agrees with the solid. miss_mm : distance from the limb within which three quarters of its outline lie, points without a limb counted at
    `reach_mm`; moved_mm, moved_sd_mm : the
    motion on the bench that would bring the solid onto the outline, turning included, at the plan's rms radius."""

    miss_mm: float
    missed_frac: float
    moved_mm: float
    moved_sd_mm: float


def agreement(look: Look, solid: Solid, p: Floats, own: Floats, limb: Limb, reach_mm: float) -> Agreement:
    """Compare one photo's outline with the fitted solid.

    Parameters
    ----------
    look, solid
    p : (P,)
    own : as the fit left this photo's bias, height and camera
    limb : as `limb_of` meets it
    reach_mm : how far it looked
    """
    outer = ~look.hole
    points = solid.points(p)
    gap = np.where(limb.met, limb.gap_mm, reach_mm)
    gap[limb.met] += rows_of(look, solid, points, limb)[1] @ own
    miss = float(np.quantile(np.abs(gap[outer]), 0.75))
    missed = float(1 - limb.met[outer].mean())
    at = np.flatnonzero(limb.met)
    if len(at) < 12:
        return Agreement(miss, missed, reach_mm, reach_mm)
    u = limb.along[at][:, None]
    x = points[limb.first[at]] * (1 - u) + points[limb.second[at]] * u
    push = np.einsum("na,nab->nb", limb.way[at] * look.mm_per_px, pinhole_slope(look.camera, x))
    middle = solid.plan_base.mean(0)
    radius = float(np.sqrt(np.mean(np.sum((solid.plan_base - middle) ** 2, axis=1))))
    turned = (x[:, :2] - middle) @ np.array([[0.0, 1.0], [-1.0, 0.0]]) / radius
    columns = np.column_stack([push[:, :2], np.sum(push[:, :2] * turned, axis=1), np.ones(len(at))])
    g = gap[at]
    weight = np.ones(len(at))
    prior = np.diag([*np.full(3, 1 / MOTION_SD_MM**2), 1 / 0.3**2])
    step = np.zeros(4)
    spread = 1.0
    for _ in range(4):
        scale = weight / (spread**2 * max(1.0, CORRELATION_MM / look.step_mm))
        normal = columns.T @ (scale[:, None] * columns) + prior
        step = -np.linalg.solve(normal, columns.T @ (scale * g))
        left = g + columns @ step
        spread = max(1.4826 * float(np.median(np.abs(left))), 0.15)
        weight = 1 / (1 + (left / (2.5 * spread)) ** 2)
    sd = float(np.sqrt(np.trace(np.linalg.inv(normal)[:3, :3])))
    return Agreement(miss, missed, float(np.linalg.norm(step[:3])), sd)
