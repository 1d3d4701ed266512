"""Castings known by outline and height alone: the forms that they may have, and how likely each is.

Draft 0 to 25 degrees, edges 0 to 5 mm and a crown of up to half the height are taken as equally likely;
what the template states stays as stated. A new part's weight tells its volume, and so narrows them to
those that hold as much.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from statistics import NormalDist
from typing import Any

import numpy as np

from anodewane.geometry.rings import to_shapely
from anodewane.records import CastForm, Template
from anodewane.units import Floats
from anodewane.wear.cast_law import cast_volume
from anodewane.wear.field import inside_mm
from anodewane.wear.forms import cast_curve
from anodewane.wear.metals import METALS

DRAFT_DEG, EDGE_MM, CROWN_FRAC = (0.0, 25.0), (0.0, 5.0), (0.0, 0.5)
DRAFT_MOST_DEG = 40.0
"""To which draft a weight may lead."""
CROWNED = 0.6
"""How many castings have a crown at all. Common practice."""

DRAWN = 256
KEPT = 6
VOLUME_SD_FRAC = 0.02
"""One-sigma of how well a drawn form's volume stands for a casting of that weight: casting and alloy."""

PLAN_STEP_MM = 1.5


@dataclass(frozen=True, slots=True)
class LikelyForm:
    """A template with its form settled, and how likely it is, of a sum of 1."""

    template: Template
    weight: float


@lru_cache(maxsize=32)
def likely_forms(template: Template) -> tuple[LikelyForm, ...]:
    """Forms that stand for all that the template allows, evenly over the volume they hold; one alone
    where it is known."""
    form = template.form
    if not isinstance(form, CastForm) or form.known:
        return (LikelyForm(template, 1.0),)
    told = told_volume(template)
    if told is None:
        forms = _drawn(form, template.thickness_mm, DRAWN)
        order = np.argsort([_volume(template, f) for f in forms], kind="stable")
        kept = [forms[int(order[int((k + 0.5) / KEPT * DRAWN)])] for k in range(KEPT)]
    else:
        shares = 1 + VOLUME_SD_FRAC * np.array([NormalDist().inv_cdf((k + 0.5) / KEPT) for k in range(KEPT)])
        drawn = _drawn(form, template.thickness_mm, KEPT)
        # volumes and forms in no common order
        kept = [
            _holding(template, f, told * v) for f, v in zip(drawn, np.roll(shares, KEPT // 2), strict=True)
        ]
        kept.sort(key=lambda f: f.draft_deg or 0.0)
    return tuple(LikelyForm(replace(template, form=f, fill_factor=1.0), 1 / KEPT) for f in kept)


def _holding(template: Template, form: CastForm, volume_mm3: float) -> CastForm:
    """A form with its first open measure moved until it holds a volume, or as near as that measure's
    range lets it."""
    from scipy.optimize import brentq

    stated = template.form
    assert isinstance(stated, CastForm)
    name, most = next(
        (n, m)
        for n, m in (
            ("draft_deg", DRAFT_MOST_DEG),
            ("crown_mm", CROWN_FRAC[1] * template.thickness_mm),
            ("edge_radius_mm", EDGE_MM[1]),
        )
        if getattr(stated, n) is None
    )

    def excess(value: float) -> float:
        return _volume(template, replace(form, **{name: value})) - volume_mm3

    if excess(0.0) <= 0:
        return replace(form, **{name: 0.0})
    if excess(most) >= 0:
        return replace(form, **{name: most})
    return replace(form, **{name: float(brentq(excess, 0.0, most, xtol=0.02))})


def central_form(template: Template) -> Template:
    """The template itself, or where its form is open the one in the middle of its likely forms."""
    forms = likely_forms(template)
    return forms[len(forms) // 2].template


def told_volume(template: Template) -> float | None:
    """Volume of the new part's metal that weight or fill factor tell of, mm3; None where neither does."""
    if template.new_mass_g is not None:
        return 1000.0 * template.new_mass_g / METALS[template.alloy].density_g_cm3
    if template.fill_factor != 1.0:
        from anodewane.geometry.rings import rings_area

        return template.fill_factor * rings_area(template.rings) * template.thickness_mm
    return None


def _drawn(form: CastForm, height_mm: float, count: int) -> list[CastForm]:
    """Forms spread evenly over what is open (Halton's sequence, bases 2, 3, 5, 7)."""
    k = np.arange(1, count + 1)
    a, b, c, d = (_halton(k, base) for base in (2, 3, 5, 7))
    draft = DRAFT_DEG[0] + (DRAFT_DEG[1] - DRAFT_DEG[0]) * a
    edge = EDGE_MM[0] + (EDGE_MM[1] - EDGE_MM[0]) * b
    crown = np.where(d < CROWNED, height_mm * (CROWN_FRAC[0] + (CROWN_FRAC[1] - CROWN_FRAC[0]) * c), 0.0)
    return [
        replace(
            form,
            draft_deg=form.draft_deg if form.draft_deg is not None else float(x),
            edge_radius_mm=form.edge_radius_mm if form.edge_radius_mm is not None else float(y),
            crown_mm=form.crown_mm if form.crown_mm is not None else float(z),
        )
        for x, y, z in zip(draft, edge, crown, strict=True)
    ]


def _halton(k: Any, base: int) -> Floats:
    out, share, left = np.zeros(len(k)), 1.0, k.copy()
    while left.any():
        share /= base
        out += share * (left % base)
        left = left // base
    return out


@lru_cache(maxsize=32)
def _columns(template: Template) -> tuple[Floats, Floats, float]:
    """Inward distance of the plan's places, how much of each column is left below a counterbore, and a
    column's area."""
    rings = template.rings
    low, high = np.min(rings[0], axis=0), np.max(rings[0], axis=0)
    x, y = (np.arange(low[i] + PLAN_STEP_MM / 2, high[i], PLAN_STEP_MM) for i in (0, 1))
    inward = inside_mm(to_shapely(rings[:1]), x, y)
    metal = np.clip(0.5 + inside_mm(to_shapely(rings), x, y) / PLAN_STEP_MM, 0.0, 1.0)
    floor = np.full(inward.shape, np.inf)
    for hole in template.fixing_holes:
        if hole.counterbore_mm is not None and hole.counterbore_depth_mm is not None:
            centre = np.asarray(to_shapely((rings[hole.ring],)).centroid.coords[0])
            sunk = np.hypot(x[:, None] - centre[0], y[None, :] - centre[1]) < hole.counterbore_mm / 2
            floor[sunk] = np.minimum(floor[sunk], template.thickness_mm - hole.counterbore_depth_mm)
    kept = metal > 0
    return inward[kept], np.stack([metal[kept], floor[kept]]), PLAN_STEP_MM**2


def _volume(template: Template, form: CastForm) -> float:
    """Volume under a form's surface, edges rounded by what a fillet leaves out of a square corner, mm3."""
    inward, (metal, floor), column = _columns(template)
    curve = cast_curve(template.thickness_mm, form)
    height = np.interp(inward, curve[:, 0], curve[:, 1])
    steel = sum(
        (i.to_mm - i.from_mm) * to_shapely(i.rings).intersection(to_shapely(template.rings)).area
        for i in template.inserts
    )
    # a convex edge of angle a, rounded by r, loses r^2 (tan(h) - h) along it, 2 h the turn of the surface
    # there
    half = np.radians(90 - (form.draft_deg or 0.0)) / 2
    rim = to_shapely(template.rings[:1]).length
    edge = (form.edge_radius_mm or 0.0) ** 2 * (np.tan(half) - half) * rim
    return float(np.sum(metal * np.minimum(height, floor)) * column - steel - edge)


def new_cast_volume(template: Template) -> float:
    """Volume of metal of the new casting, mm3: of its solid, or where its form is open as weight or fill
    factor tell it, else the mean of its likely forms."""
    if template.profile_known:
        return cast_volume(template)
    told = told_volume(template)
    if told is not None:
        return told
    likely = [f.template for f in likely_forms(template)]
    return float(np.mean([_volume(t, t.form) for t in likely]))  # type: ignore[arg-type]
