"""From the recession that a casting's plan shows to the metal that is left of it.

The plan shows its proudest places, the metal lost is a mean over all faces. With d the recession of the
plan and H the new height, the recession that explains the mass is

    d_mass = d (MASS_SHARE - MASS_TALL ln(H / 30 mm) - MASS_BARREL where it is half a barrel)
             + MASS_EARLY_MM tanh(d / MASS_REACH_MM)

Tall walls have more heights to be proud at; where wear begins, faces and edges have lost more than the
plan shows. Its one-sigma from part to part is MASS_SD of it, and MASS_FLOOR_MM.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from anodewane.geometry.rings import rings_area
from anodewane.records import CollarForm, Template
from anodewane.units import Floats
from anodewane.wear.contour import PlanDepth, plan_depth
from anodewane.wear.field import solid_field

MASS_SHARE, MASS_TALL, MASS_BARREL = 0.427, 0.189, 0.153
MASS_EARLY_MM, MASS_REACH_MM = 4.65, 7.73
MASS_SD, MASS_FLOOR_MM = 0.10, 0.15
"""Fitted on path-traced castings of known solid (docs/bench/fit_castings.py)."""

TABLE = 16


def mass_recession(template: Template, recession_mm: Any) -> Any:
    """The even recession that takes as much metal as a plan receded by `recession_mm` (scalar or array)
    tells of."""
    d = np.maximum(recession_mm, 0.0)
    share = MASS_SHARE - MASS_TALL * np.log(template.thickness_mm / 30.0)
    if isinstance(template.form, CollarForm):
        share -= MASS_BARREL
    return d * share + MASS_EARLY_MM * np.tanh(d / MASS_REACH_MM)


@dataclass(frozen=True, slots=True, eq=False)
class WearTable:
    """How plan area and volume go with recession, (n,) each, for one template: area_mm2 by the plan's
    recession, volume_mm3 by an even one. recession_mm is common to both; areas and volumes fall."""

    recession_mm: Floats
    area_mm2: Floats
    volume_mm3: Floats

    def plan_recession(self, area_mm2: Any) -> Any:
        """The plan's recession that leaves an area, at least 0."""
        return np.interp(-np.asarray(area_mm2), -self.area_mm2, self.recession_mm)

    def volume(self, recession_mm: Any) -> Any:
        """Volume that an even recession leaves, mm3."""
        return np.interp(recession_mm, self.recession_mm, self.volume_mm3)

    def even_recession(self, volume_mm3: Any) -> Any:
        """The even recession that leaves a volume, at least 0."""
        return np.interp(-np.asarray(volume_mm3), -self.volume_mm3, self.recession_mm)


@lru_cache(maxsize=64)
def wear_table(template: Template, step_mm: float = 0.0) -> WearTable:
    """The table of a template's solid, on a grid of `step_mm` (`solid_field`), made once."""
    field = solid_field(template, step_mm)
    deepest = float(field.depth_mm.max())
    # the soft rule reads tall walls as proud, so the plan goes on past the deepest place
    depths = 1.6 * deepest * np.linspace(0.0, 1.0, TABLE) ** 1.5
    areas = np.array([plan_depth(template, field, d, every=2).area_mm2(d) for d in depths])
    areas *= rings_area(template.rings) / areas[0]
    volumes = np.array([field.volume_mm3(d) for d in depths])
    fall = np.arange(TABLE) * 1e-6
    return WearTable(depths, areas - fall, volumes - fall)


def settled_plan(template: Template, area_mm2: float) -> tuple[PlanDepth, float]:
    """The plan's depths and its recession where the worn plan has a given area."""
    field = solid_field(template)
    recession = float(wear_table(template).plan_recession(area_mm2))
    return plan_depth(template, field, recession), recession


def cast_volume(template: Template) -> float:
    """Volume of metal of the new casting, mm3."""
    return float(wear_table(template).volume_mm3[0])
