"""What drawings have in common: closed rings at true size become a template."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, TypedDict, Unpack

import numpy as np

from anodewane.catalog.form_keys import form_from_measures
from anodewane.catalog.outlines import circle, largest_first
from anodewane.catalog.template_check import Fixing, checked_template, hole_diameter
from anodewane.errors import UsageError
from anodewane.record import Alloy, Mount, Solid
from anodewane.records import Template
from anodewane.units import Floats

MAX_RINGS = 200
FIXING_MM = (3.0, 40.0)
"""Diameters that a bolt or strap goes through; other holes are bores or windows."""

DRAWN_ROUND_MM = 0.005
"""A drawn ring is a circle when its points lie this near to one, rms: drawing programs approximate
circles by curves to 0.03 % of the radius."""


class DrawingOptions(TypedDict, total=False):
    """What a drawing doesn't say of the part; see `anodewane.records.Template`.

    fixings : "auto" takes every hole of 3 to 40 mm for a fixing hole, "none" none; washer_mm,
    counterbore_mm, counterbore_depth_mm : of all of them alike; draft_deg, edge_radius_mm, crown_mm,
    section : of a casting, see `anodewane.catalog.form_keys`.
    """

    mount: Mount
    solid: Solid
    alloy: Alloy
    new_mass_g: float | None
    fill_factor: float
    washer_mm: float | None
    counterbore_mm: float | None
    counterbore_depth_mm: float | None
    draft_deg: float | None
    edge_radius_mm: float | None
    crown_mm: float | None
    section: str | None
    core_depth_mm: float | None
    mirror_ok: bool | None
    fixings: str


def template_from_drawn_rings(
    rings_mm: Sequence[Floats], name: str, thickness_mm: float, **options: Unpack[DrawingOptions]
) -> Template:
    """Make a template from closed rings (n, 2) in mm, y up: the largest is the outline, the others its
    holes; the middle of its box becomes the origin.

    A ring drawn twice (a fill and a stroke, two layers) counts once.

    Raises
    ------
    UsageError
        No ring, several parts, or a part that can't be.
    """
    if not rings_mm:
        raise UsageError(
            "The drawing has no closed line.", "Draw the part's outline and holes as closed lines."
        )
    if len(rings_mm) > MAX_RINGS:
        raise UsageError(
            f"The drawing has {len(rings_mm)} closed lines.", "Keep the part's outline and holes alone."
        )
    rings = largest_first(_without_doubles([np.asarray(r, float) for r in rings_mm]))
    low, high = rings[0].min(axis=0), rings[0].max(axis=0)
    rings = [r - (low + high) / 2 for r in rings]
    rest: dict[str, Any] = dict(options)
    fixings = rest.pop("fixings", "auto")
    hole = [rest.pop(k, None) for k in ("washer_mm", "counterbore_mm", "counterbore_depth_mm")]
    solid = rest.pop("solid", "plate")
    form = form_from_measures(name, solid, rest)
    found = []
    for i, ring in enumerate(rings[1:], start=1):
        if fixings == "auto" and len(ring) > 2 and FIXING_MM[0] <= hole_diameter(ring) <= FIXING_MM[1]:
            found.append(Fixing(i, *hole))
    return checked_template(
        name=name,
        rings=rings,
        thickness_mm=thickness_mm,
        fixings=found,
        solid=solid if form is None else "cast",
        form=form,
        **rest,
    )


def fit_circle(ring: Floats) -> tuple[Floats, float, float]:
    """Centre (2,), radius and rms distance of a ring's points from the circle that fits them best, mm.

    Algebraic least squares of ``x^2 + y^2 + a x + b y + c = 0`` (Kasa 1976), good for whole circles;
    points are weighted by the length of line they stand for.
    """
    weight = (
        np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)
        + np.linalg.norm(ring - np.roll(ring, 1, axis=0), axis=1)
    ) / 2
    w = np.sqrt(weight / weight.sum())
    middle = ring.mean(axis=0)
    x, y = (ring - middle).T
    solution = np.linalg.lstsq(
        np.column_stack([x, y, np.ones_like(x)]) * w[:, None], -(x * x + y * y) * w, rcond=None
    )[0]
    centre = -solution[:2] / 2
    radius = float(np.sqrt(max(centre @ centre - solution[2], 0.0)))
    off = np.hypot(x - centre[0], y - centre[1]) - radius
    return middle + centre, radius, float(np.sqrt(np.sum((w * off) ** 2)))


def turns_evenly(ring: Floats, centre: Floats) -> bool:
    """Whether the points go all round: no gap of a quarter turn, as four corners of a square would leave."""
    angle = np.sort(np.arctan2(*(ring - centre).T[::-1]))
    gaps = np.diff(np.r_[angle, angle[0] + 2 * np.pi])
    return bool(gaps.max() < np.pi / 4)


def rounded(ring: Floats) -> Floats:
    """A circle of exact area where the points of a drawn ring lie on one: sampling took 0.3 % of the
    area of a small hole, and that would be its diameter."""
    if len(ring) < 8:
        return ring
    centre, radius, rms = fit_circle(ring)
    return circle(centre, 2 * radius) if rms < DRAWN_ROUND_MM and turns_evenly(ring, centre) else ring


def _without_doubles(rings: list[Floats]) -> list[Floats]:
    kept: list[Floats] = []
    boxes: list[Floats] = []
    for ring in rings:
        box = np.r_[ring.min(axis=0), ring.max(axis=0), ring.mean(axis=0)]
        if not any(
            len(ring) == len(k) and np.abs(box - b).max() < 1e-3 for k, b in zip(kept, boxes, strict=True)
        ):
            kept.append(ring)
            boxes.append(box)
    return kept
