"""What tests ask of worn solids beyond what the product needs: the plan after wear, the depth that leaves a
volume, the wet surface."""

from __future__ import annotations

import numpy as np
import shapely
from scipy.optimize import brentq

from anodewane.geometry.rings import from_shapely, polygons_of, resample_ring, to_shapely
from anodewane.records import Template
from anodewane.units import Rings
from anodewane.wear.solids import QUAD_SEGS, new_volume, recession_for_area, volume_after


def outline_after(template: Template, d_mm: float) -> tuple[Rings, ...]:
    """The plan outline after recession `d_mm`: polygons largest first, none when all is gone."""
    left = shapely.buffer(to_shapely(template.rings), -d_mm, quad_segs=QUAD_SEGS)
    return tuple(from_shapely(p) for p in polygons_of(left))


def recession_for_volume(template: Template, volume_mm3: float, face_ratio: float = 1.0) -> float:
    """The recession that leaves a volume of metal, mm: 0 where the volume is the new one or more."""
    if volume_mm3 >= new_volume(template):
        return 0.0
    deepest = recession_for_area(template, 0.0)
    return float(
        brentq(lambda d: volume_after(template, d, face_ratio) - volume_mm3, 0.0, deepest, xtol=1e-7)
    )


def exposed_area(template: Template) -> float:
    """Surface of the new part that water touches, mm2: front and sides of a flush plate, the back too of an
    open one, a rod all round (Pappus: its side view's boundary, turned about the long axis). Hole walls
    count."""
    plan = to_shapely(template.rings)
    if template.solid != "rod":
        return float(plan.area * (2 if template.mount == "open" else 1) + plan.length * template.thickness_mm)
    ring = resample_ring(np.asarray(template.rings[0]), 0.005)
    centred = ring - np.asarray(plan.centroid.coords[0])
    axis = np.linalg.svd(centred, full_matrices=False)[2][0]
    off_axis = np.abs(centred @ [-axis[1], axis[0]])
    edge = np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)
    return float(np.pi * np.sum(edge * (off_axis + np.roll(off_axis, -1)) / 2))
