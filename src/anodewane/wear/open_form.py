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
from anodewane.records import CastForm, CollarForm, Template
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
KEPT = 7
"""Of them two round-backed, where such a form holds as much."""
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
    backs = [
        f for f in _round_backed(template, told) if form.edge_radius_mm is None and form.draft_deg is None
    ]
    plain = KEPT - len(backs)
    if told is None:
        forms = _drawn(form, template.thickness_mm, DRAWN)
        order = np.argsort([_volume(template, f) for f in forms], kind="stable")
        kept = [forms[int(order[int((k + 0.5) / plain * DRAWN)])] for k in range(plain)]
    else:
        shares = 1 + VOLUME_SD_FRAC * np.array(
            [NormalDist().inv_cdf((k + 0.5) / plain) for k in range(plain)]
        )
        drawn = _drawn(form, template.thickness_mm, plain)
        # volumes and forms in no common order
        kept = [
            _holding(template, f, told * v) for f, v in zip(drawn, np.roll(shares, plain // 2), strict=True)
        ]
    new = replace(template, fill_factor=1.0)
    # a casting that hangs free wastes at its foot too, one that lies on a split face doesn't: half of each
    dry = replace(new, mount="flush")
    out = [replace(dry if k % 2 else new, form=f) for k, f in enumerate(kept)]
    out += [replace(dry, form=f) for f in backs]
    out.sort(key=lambda t: _volume(t, t.form))  # type: ignore[arg-type]
    barrels = _half_barrels(template, told)
    share = BARREL_WEIGHT if barrels else 0.0
    likely = [LikelyForm(t, (1 - share) / len(out)) for t in out]
    return (*likely, *(LikelyForm(t, share / len(barrels)) for t in barrels))


BARREL_WEIGHT = 0.8
"""How likely an open part that is as high as half its width is half a barrel on its split face. Common
practice."""


def _half_barrels(template: Template, told: float | None) -> list[Template]:
    """Half barrels that fit the outline of an open part as high as half its width: their bores by the
    weight, else from a quarter to half of the diameter."""
    ring = np.asarray(template.rings[0])
    low, high = ring.min(0), ring.max(0)
    length, width = high - low
    height = template.thickness_mm
    square = np.abs(low + high).max() < 2.0
    if template.mount != "open" or not square or abs(width / 2 / height - 1) > 0.08:
        return []
    ends = np.abs(ring[np.abs(np.abs(ring[:, 0]) - length / 2) < 0.02 * length, 1])
    end = 2 * float(ends.max()) if len(ends) else width
    out = []
    for barrel, bore in ((2.2, 0.3), (2.6, 0.4), (3.0, 0.48)):
        form = CollarForm(float(length), float(width), min(end, float(width)), barrel, bore * float(width))
        new = replace(template, solid="collar", form=form, fill_factor=1.0)
        if told is not None:
            gross = cast_volume(replace(new, form=replace(form, bore_mm=0.0)))
            area = 2 * max(gross - told, 0.0) / (np.pi * length)
            form = replace(form, bore_mm=min(2 * float(np.sqrt(area)), 0.9 * min(end, float(width))))
            new = replace(new, form=form)
        out.append(new)
    return out


def _round_backed(template: Template, told: float | None) -> list[CastForm]:
    """Forms whose wall and top are one quarter of an ellipse over the inward distance: domes, barrels and
    the like."""
    from scipy.optimize import brentq

    height = template.thickness_mm
    reach = float(_columns(template)[0].max())
    t = np.linspace(0.0, np.pi / 2, 20)

    def back(run: float) -> CastForm:
        return CastForm(
            edge_radius_mm=0.0, section_mm=np.column_stack([run * (1 - np.cos(t)), height * np.sin(t)])
        )

    least, most = 0.1 * reach, 1.5 * reach
    if told is None:
        return [back(0.35 * reach), back(0.9 * reach)]

    def excess(run: float) -> float:
        return _volume(template, back(run)) - told

    if excess(least) <= 0 or excess(most) >= 0:
        return []
    run = float(brentq(excess, least, most, xtol=0.05))
    return [back(0.93 * run), back(1.07 * run)]


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

    def with_it(value: float) -> CastForm:
        changed: dict[str, Any] = {name: value}
        return replace(form, **changed)

    def excess(value: float) -> float:
        return _volume(template, with_it(value)) - volume_mm3

    if excess(0.0) <= 0:
        return with_it(0.0)
    if excess(most) >= 0:
        return with_it(most)
    return with_it(float(brentq(excess, 0.0, most, xtol=0.02)))


def central_form(template: Template) -> Template:
    """The template itself, or where its form is open the one in the middle of its likely forms."""
    forms = likely_forms(template)
    most = max(f.weight for f in forms)
    best = [f for f in forms if f.weight > most - 1e-9]
    return best[len(best) // 2].template


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
    held = [
        _volume(f.template, f.template.form)
        if isinstance(f.template.form, CastForm)
        else cast_volume(f.template)
        for f in likely_forms(template)
    ]
    return float(np.average(held, weights=[f.weight for f in likely_forms(template)]))
