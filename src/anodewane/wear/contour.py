"""From a casting's silhouette to how deep it has wasted, point by point, and to its plan outline.

A line of sight that grazes the part touches the worn solid where the metal along it lay deepest when it was
new. So the recession at a point of the silhouette is the greatest depth along its line of sight:

    d(q) = max over z of depth(x(q, z)) / foot(z)

Nothing is fitted: walls of any lean, crowns, counterbores and holes come out of the solid's own field. Two
things are known of worn surfaces beside their mean (docs/decisions/0070-castings.md):

* a flush part's foot wastes faster, for water gets under its edge: foot(z) = 1 + FOOT_MORE exp(-z /
FOOT_MM);
* a worn surface wanders. Where many heights of a wall compete for the silhouette the proudest is seen, and
  that stands out from the mean. So the maximum is a soft one, of temperature t = WANDER d:

    d(q) = t log( sum over z of exp(depth / t) dz / WANDER_MM )

A new part has t = 0 and the plain maximum. The plan is read by the same rule along plumb lines: what is
proud to a camera from above is proud in the plan too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from anodewane.records import CollarForm, Template
from anodewane.units import Floats, Floats32
from anodewane.wear.field import SolidField, share_inside

FOOT_MORE, FOOT_MM = 1.48, 1.04
WANDER, WANDER_MM = 0.22, 2.7
"""Fitted on path-traced castings of known solid (docs/bench/fit_castings.py)."""

STEP_MM = 0.75
"""Along a line of sight, in height."""

LOW_WAY = 1.3
"""Millimetres of sight per millimetre of height from which a camera is low: then it is along the sight, not
over the height, that places compete."""
STEP_LOW_MM = 1.1
"""Along a low line of sight, at most."""

PUSH_MOST_MM = 6.0
ROUNDS = 4


@dataclass(frozen=True, slots=True, eq=False)
class Contour:
    """What a silhouette's points say, all (n,) or (n, 2), part frame: recession_mm, the height at which
    each is seen, and its place there."""

    recession_mm: Floats
    height_mm: Floats
    place_mm: Floats


@dataclass(frozen=True, slots=True, eq=False)
class PlanDepth:
    """The recession that takes the last metal over each place: values (nx, ny) and its gradient (nx, ny,
    2)."""

    values: Floats32
    slope: Floats32
    origin_mm: Floats
    step_mm: float

    def at(self, places_mm: Floats) -> tuple[Floats, Floats]:
        """Values (n,) and gradients (n, 2) at places (n, 2), by bilinear interpolation."""
        import cv2

        q = ((places_mm - self.origin_mm[:2]) / self.step_mm).astype(np.float32)
        edge = cv2.BORDER_REPLICATE
        args = (q[:, None, 1], q[:, None, 0], cv2.INTER_LINEAR)
        value = cv2.remap(self.values, *args, borderMode=edge)[:, 0]
        slope = cv2.remap(self.slope, *args, borderMode=edge)[:, 0]
        return value.astype(float), slope.astype(float)

    def area_mm2(self, recession_mm: float) -> float:
        """Plan area that an even recession leaves."""
        return share_inside(self.values - np.float32(recession_mm), self.step_mm) * self.step_mm**2

    def recession_mm(self, area_mm2: float) -> float:
        """The recession that leaves a plan area, at least 0."""
        from scipy.optimize import brentq

        deepest = float(self.values.max())
        if self.area_mm2(0.0) <= area_mm2 or deepest <= 0:
            return 0.0
        return float(brentq(lambda d: self.area_mm2(d) - area_mm2, 0.0, deepest + self.step_mm, xtol=0.005))


def foot_rate(template: Template, z_mm: Any) -> Any:
    """How much faster than the rest a flush part's foot wastes, at heights above it."""
    if template.mount != "flush" or isinstance(template.form, CollarForm):
        return np.ones_like(np.asarray(z_mm, np.float32))
    return (1 + FOOT_MORE * np.exp(-np.asarray(z_mm, np.float32) / FOOT_MM)).astype(np.float32)


def plan_depth(template: Template, field: SolidField, recession_mm: float, every: int = 1) -> PlanDepth:
    """The plan of a solid that has wasted by about `recession_mm`, by the soft rule; of the plan's nodes
    `every` other each way."""
    h = field.step_mm
    depth = field.depth_mm[::every, ::every, 1:]
    z = h * (np.arange(depth.shape[2]) + 0.5)
    if field.dry_mm is not None:
        depth = np.where(field.dry_mm[::every, ::every, 1:] > -0.3 * h, depth, np.float32(-1e3))
    if template.mount == "flush":
        # metal down to the foot itself, which lies half a step below the lowest nodes
        depth = np.concatenate([(field.depth_mm[::every, ::every, :1] + depth[:, :, :1]) / 2, depth], axis=2)
        z = np.r_[0.0, z]
    values = _soft_most(depth / foot_rate(template, z), recession_mm, h)
    slope = np.stack(np.gradient(values, every * h), axis=-1).astype(np.float32)
    return PlanDepth(np.ascontiguousarray(values), slope, field.origin_mm, every * h)


def read_contour(
    template: Template,
    field: SolidField,
    seen_mm: Floats,
    foot_mm: Floats,
    camera_height_mm: float,
    recession_mm: float,
) -> Contour:
    """What silhouette points (n, 2), seen in the plane of the foot, say of a part wasted by about
    `recession_mm`.

    Lines of sight end where they meet steel.
    """
    # the lower the camera, the longer the way through a millimetre of height
    way = float(np.median(np.hypot(1.0, np.linalg.norm(seen_mm - foot_mm, axis=1) / camera_height_mm)))
    step = min(STEP_MM, STEP_LOW_MM / way)
    z = np.arange(0.0, template.thickness_mm + step, step)
    xy = foot_mm + (seen_mm[:, None, :] - foot_mm) * (1 - z / camera_height_mm)[None, :, None]
    places = np.concatenate([xy, np.broadcast_to(z[None, :, None], (*xy.shape[:2], 1))], axis=2)
    at = _Trilinear(field, places)
    depth = at(field.depth_mm)
    if field.dry_mm is not None:
        depth = np.where(at(field.dry_mm) > -0.3 * field.step_mm, depth, np.float32(-1e3))
    if field.steel_mm is not None:
        met = at(field.steel_mm) > 0
        below = np.flip(np.cumsum(np.flip(met, axis=1), axis=1), axis=1) > 0
        depth = np.where(below, np.float32(-1e3), depth)
    depth = depth / foot_rate(template, z)
    most = np.argmax(depth, axis=1)
    rows = np.arange(len(seen_mm))
    return Contour(
        _soft_most(depth, recession_mm, step * max(1.0, way / LOW_WAY)).astype(float), z[most], xy[rows, most]
    )


def to_plan(plan: PlanDepth, contour: Contour) -> Floats:
    """Plan outline (n, 2) of the points: from where each was seen along the plan's slope to where its
    recession is."""
    places = contour.place_mm.copy()
    for _ in range(ROUNDS):
        value, slope = plan.at(places)
        steep = np.maximum(np.sum(slope**2, axis=1), 0.15)
        step = slope * ((contour.recession_mm - value) / steep)[:, None]
        length = np.linalg.norm(step, axis=1, keepdims=True)
        places += step * np.minimum(1.0, PUSH_MOST_MM / np.maximum(length, 1e-9))
    return places


def _soft_most(depth: Any, recession_mm: float, step_mm: float) -> Any:
    """Soft maximum over the last axis, float32."""
    most = depth.max(axis=-1)
    temperature = np.float32(WANDER * max(recession_mm, 0.0))
    if temperature < 1e-3:
        return most
    weight = np.exp((depth - most[..., None]) / temperature).sum(axis=-1)
    return most + temperature * np.log(weight * np.float32(step_mm / WANDER_MM))


class _Trilinear:
    """Values of arrays on a field's grid at places (..., 3), the cells found once."""

    def __init__(self, field: SolidField, places_mm: Floats) -> None:
        shape = np.array(field.depth_mm.shape)
        q = np.clip((places_mm - field.origin_mm) / field.step_mm, 0.0, shape - 1.001)
        cell = q.astype(np.int32)
        part = (q - cell).astype(np.float32)
        self.first = (cell[..., 0] * shape[1] + cell[..., 1]) * shape[2] + cell[..., 2]
        self.strides = (int(shape[1] * shape[2]), int(shape[2]), 1)
        self.part = part

    def __call__(self, values: Any) -> Any:
        flat = values.ravel()
        u, v, w = (self.part[..., k] for k in range(3))
        sx, sy, sz = self.strides
        i = self.first

        def along(base: Any) -> Any:
            low = flat[base]
            return low + (flat[base + sz] - low) * w

        near = along(i) * (1 - v) + along(i + sy) * v
        far = along(i + sx) * (1 - v) + along(i + sx + sy) * v
        return near * (1 - u) + far * u
