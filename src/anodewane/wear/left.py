"""How much metal is left of a placed part, as draws: one way for each kind of solid, one set of errors
for all.

The draws are a Monte Carlo over the error budget (JCGM 101). The same draw of an error moves area and
mass together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from anodewane.records import Placement, Template
from anodewane.settings import Settings
from anodewane.units import Floats
from anodewane.wear.cast_law import MASS_FLOOR_MM, MASS_SD, mass_recession, wear_table
from anodewane.wear.faces import expected_thickness
from anodewane.wear.open_form import central_form
from anodewane.wear.solids import new_area, new_volume, recession_near_area, rod_volume_of_plan

AREA_CAUSES = ("camera", "edge", "limb")
SCALE_STEPS = 17
"""Print scales between which the faces' loss is taken straight."""

FORM_MORE = 1.4
"""By how much the doubt of an unknown form exceeds the spread of the few that stand for it."""

ROD_POWER = 1.9
"""A section's area goes with the square of its width; the ends go with the length."""


@dataclass(frozen=True, slots=True)
class AreaBudget:
    """What the plan area is in doubt by."""

    scale_ratio: Floats
    """(n,) draws of true over read lengths: how large the sheet was printed."""
    camera: float
    """One-sigma of the plan area, as a share of the new area."""
    edge: float
    """The same, by where the edge of the metal lies."""
    limb: float
    """The same, by the height at which the edge is seen."""
    per_mm_thickness: float
    """How the area moves with thickness, share of the new area per mm."""


@dataclass(frozen=True, slots=True, eq=False)
class MetalLeft:
    """Shares of the new part that are left: area and mass, values and draws (n,); the thickness that
    remains, mm, as draws; causes: one-sigma of the mass by cause, share of the new one."""

    area: float
    area_draws: Floats
    mass: float
    mass_draws: Floats
    thickness_mm: float
    thickness_draws: Floats
    causes: dict[str, float]


def metal_left(
    placement: Placement,
    worn: Any,
    area_mm2: float,
    budget: AreaBudget,
    normal: dict[str, Floats],
    settings: Settings,
    calliper_mm: float | None = None,
) -> MetalLeft:
    """Metal left of a placed part.

    Parameters
    ----------
    placement : Placement
    worn : shapely geometry
        Its plan.
    area_mm2 : float
        Of the plan.
    budget : AreaBudget
    normal : dict of (n,)
        Standard normal draws by cause.
    settings : Settings
    calliper_mm : float, optional
        Mean thickness of what is left, as measured.
    """
    template = placement.template
    share = area_mm2 / new_area(template)
    errors = {"print_scale": share * (budget.scale_ratio**2 - 1)}
    errors |= {cause: normal[cause] * getattr(budget, cause) for cause in AREA_CAUSES}
    if template.solid == "rod":
        return _rod(template, worn, share, placement.remaining_thickness_mm, errors, normal, settings)
    if template.form is not None:
        return _casting(placement, share, errors, normal, settings, calliper_mm)
    return _plate(placement, share, errors, budget, normal, settings, calliper_mm)


def _rod(
    template: Template,
    worn: Any,
    share: float,
    thickness_mm: float,
    errors: dict[str, Floats],
    normal: dict[str, Floats],
    settings: Settings,
) -> MetalLeft:
    value = rod_volume_of_plan(template, worn) / new_volume(template)
    area = np.maximum(share + sum(errors.values()), 0.0)
    widths = ROD_POWER * (area / max(share, 1e-6) - 1)
    round_section = normal["shape"] * settings.rod_round_sd_frac
    casting = normal["casting"] * settings.mass_casting_sd_frac
    mass = value * np.maximum(1 + widths, 0.0) * (1 + round_section) + casting * value
    causes = {c: float(np.std(e)) * ROD_POWER * value / max(share, 1e-6) for c, e in errors.items()}
    causes |= {
        "thickness": 0.0,
        "casting": settings.mass_casting_sd_frac * value,
        "round_section": settings.rod_round_sd_frac * value,
    }
    return MetalLeft(share, area, value, mass, thickness_mm, thickness_mm * (area / max(share, 1e-6)), causes)


def _plate(
    placement: Placement,
    share: float,
    errors: dict[str, Floats],
    budget: AreaBudget,
    normal: dict[str, Floats],
    settings: Settings,
    calliper_mm: float | None,
) -> MetalLeft:
    t_new, t, sd = (
        placement.template.thickness_mm,
        placement.remaining_thickness_mm,
        placement.thickness_sd_mm,
    )
    area_thickness = -budget.per_mm_thickness * sd * normal["thickness"]
    area = np.maximum(share + sum(errors.values()) + area_thickness, 0.0)
    faces = np.ones(1)
    if calliper_mm is None:
        faces = _faces_by_scale(placement.template, share, budget.scale_ratio, settings)
    thickness = draw_thickness(t_new, t, sd, normal["thickness"]) * faces
    thickness = np.clip(thickness, 0.02 * t_new, 1.02 * t_new)
    value = share * t / t_new
    casting = normal["casting"] * settings.mass_casting_sd_frac
    causes = {c: float(np.std(e)) * t / t_new for c, e in errors.items()}
    causes["print_scale"] = float(np.std((share + errors["print_scale"]) * faces)) * t / t_new
    causes["thickness"] = float(np.std(area_thickness * t / t_new + share * thickness / faces / t_new))
    causes["casting"] = settings.mass_casting_sd_frac * value
    return MetalLeft(share, area, value, area * thickness / t_new + casting * value, t, thickness, causes)


def _faces_by_scale(template: Template, share: float, ratio: Floats, settings: Settings) -> Floats:
    """What the remaining thickness is multiplied by (n,) where true lengths are `ratio` (n,) times those
    read: a plan read too large hides recession, and with it what the faces have lost."""
    low, high = float(ratio.min()), float(ratio.max())
    at = np.linspace(low, high, SCALE_STEPS)
    area = share * new_area(template) * np.append(at, 1.0) ** 2
    new = new_area(template)
    left = [
        expected_thickness(template, recession_near_area(template, min(a, new)), settings)[0] for a in area
    ]
    factors: Floats = np.interp(ratio, at, np.array(left[:-1]) / left[-1])
    return factors


def _casting(
    placement: Placement,
    share: float,
    errors: dict[str, Floats],
    normal: dict[str, Floats],
    settings: Settings,
    calliper_mm: float | None,
) -> MetalLeft:
    """Area to recession to the metal left, by the solid's own table; the law's spread stands for what
    faces waste beside the edge. Where the form is in doubt each draw takes one that may be."""
    template = central_form(placement.template)
    table, new = wear_table(template), new_area(template)
    full = float(table.volume(0.0))

    def left(area_share: Any, spread: Any = 0.0) -> Any:
        even = mass_recession(template, table.plan_recession(np.asarray(area_share) * new))
        even = np.maximum(even + spread * np.hypot(MASS_SD * even, MASS_FLOOR_MM), 0.0)
        return table.volume(even) / full

    area = np.maximum(share + sum(errors.values()), 0.0)
    value = float(left(share))
    faces = normal["thickness"]
    mass = left(area, faces)
    scatter = normal["casting"] * settings.mass_casting_sd_frac * value
    causes = {c: float(np.std(left(share + e))) for c, e in errors.items()}
    causes["thickness"] = float(np.std(left(share, faces)))
    causes["casting"] = settings.mass_casting_sd_frac * value
    t_new = full / new  # mean thickness when new
    if calliper_mm is not None:
        given = calliper_mm + 0.3 * faces
        value = share * calliper_mm / t_new
        mass = area * given / t_new
        causes |= {c: float(np.std(e)) * calliper_mm / t_new for c, e in errors.items()}
        causes["thickness"] = 0.3 * share / t_new
    elif placement.forms:
        weight = np.array([f.weight for f in placement.forms])
        of_area = np.array([f.area_share for f in placement.forms])
        of_mass = np.array([f.mass_share for f in placement.forms])
        which = np.searchsorted(np.cumsum(weight) / weight.sum(), _uniform(normal["form"]))
        which = np.minimum(which, len(weight) - 1)
        mean = float(np.average(of_mass, weights=weight))
        area = np.maximum(area + (of_area - share)[which], 0.0)
        mass = mass + (mean - value) + FORM_MORE * (of_mass - mean)[which]
        value = mean
        share = float(np.average(of_area, weights=weight))
        causes["profile"] = FORM_MORE * float(np.sqrt(np.average((of_mass - mean) ** 2, weights=weight)))
    mass = np.maximum(mass + scatter, 0.0)
    thickness = mass * t_new / np.maximum(area, 1e-6)
    return MetalLeft(share, area, value, mass, value * t_new / max(share, 1e-6), thickness, causes)


def _uniform(normal: Floats) -> Any:
    """Uniform draws from standard normal ones."""
    from scipy.special import ndtr

    return ndtr(normal)


def draw_thickness(new_mm: float, now_mm: float, sd_mm: float, normal: Floats) -> Floats:
    """Thickness that remains: the loss is log-normal where it is large against its spread, so that it
    can't be negative; a new part may be thicker than drawn."""
    lost = max(new_mm - now_mm, 0.0)
    if lost < 2.5 * sd_mm:
        return now_mm - sd_mm * normal
    sigma = float(np.sqrt(np.log1p((sd_mm / lost) ** 2)))
    return new_mm - lost * np.exp(sigma * normal)
