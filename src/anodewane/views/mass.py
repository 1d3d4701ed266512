"""From the fitted solid to the metal that is left, and to the figures of the record."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from anodewane.record import (
    AreaFigures,
    Consumed,
    HoleFinding,
    Interval,
    MassFigures,
    Reason,
)
from anodewane.records import (
    Template,
    Wear,
)
from anodewane.refusals import finding
from anodewane.settings import Settings
from anodewane.units import Floats
from anodewane.views.law import (
    CAST_UNSEEN,
)
from anodewane.views.seen import FACE_FROM_DEG, Fitted
from anodewane.wear.solids import new_area, new_mass_g, new_volume


def normal_quantile(coverage: float) -> float:
    from scipy.special import ndtri

    return float(ndtri((1 + coverage) / 2))


@dataclass(frozen=True, slots=True)
class MassLeft:
    """Share of the new mass that is left and its one-sigma by cause."""

    value: float
    causes: dict[str, float]

    @property
    def sd(self) -> float:
        return float(np.sqrt(sum(v * v for v in self.causes.values())))


def _gross(template: Template) -> float:
    """Volume of the new part's outline times its thickness, or of its revolved outline, mm3: what the
    level curves of a new solid hold."""
    if template.form is not None:
        return new_volume(template)
    if template.solid == "plate":
        return new_area(template) * template.thickness_mm
    from anodewane.wear.solids import volume_after

    return float(volume_after(replace(template, fill_factor=1.0), 0.0))


def _figure(fitted: Fitted, template: Template) -> Any:
    """The share of the new mass that is left, as a function of the solid's parameters."""
    solid, gross, wanting = fitted.solid, _gross(template), fitted.hidden_mm
    if solid.body is not None:
        # what the photo from above says by itself, and by how much the fitted solid holds more or less
        # than that
        assert fitted.found.wear is not None
        alone = 1 - fitted.found.wear.consumed.mass_pct.value / 100
        return lambda p: alone + (solid.volume(p) - solid.body.volume_mm3) / gross
    if template.solid == "rod" and template.fill_factor < 1:
        # what a core or bore takes up doesn't waste: it is missing from new and worn alike
        missing = (1 - template.fill_factor) * gross
        length = float(np.ptp((solid.plan_base - solid.centre) @ solid.turn[:, 0]))
        new_length = float(max(np.ptp(np.asarray(template.rings[0]), axis=0)))
        return lambda p: (solid.volume(p) - missing * length / new_length) / (gross - missing)
    return lambda p: (solid.volume(p) - solid.plan_area(p) * wanting) / gross


def mass_slope(fitted: Fitted, template: Template) -> Floats:
    return fitted.solid.gradient(_figure(fitted, template), fitted.fit.p)


def mass_left(fitted: Fitted, slope: Floats, settings: Settings) -> MassLeft:
    template, plane = fitted.found.template, fitted.found.plane
    assert template is not None
    assert plane is not None
    value = max(_figure(fitted, template)(fitted.fit.p), 0.0)
    area = fitted.solid.plan_area(fitted.fit.p)
    causes = {
        "fit": float(np.sqrt(np.maximum(slope @ fitted.fit.cov @ slope, 0.0))),
        "unseen": fitted.hidden_sd_mm * area / _gross(template),
        "print_scale": 3 * plane.length_sd_frac * value,
        "casting": settings.mass_casting_sd_frac * value,
    }
    if template.form is not None:
        assert fitted.found.wear is not None
        alone = fitted.found.wear.budget
        causes["unseen"] = CAST_UNSEEN * alone.get("thickness", 0.0) / 100
        if "profile" in alone:
            causes["profile"] = alone["profile"] / 100
    if template.solid == "rod":
        # several photos see the section's width from as many sides: what is left are hollows between them
        causes["round_section"] = ROUND_SEEN * settings.rod_round_sd_frac * value
    if fitted.found.given.thickness_mm is not None and template.solid == "plate":
        # a calliper's mean thickness is one more reading of the same figure
        given = fitted.found.given.thickness_mm * area / _gross(template)
        given_sd = 0.3 * area / _gross(template)
        unknown = float(np.hypot(causes.pop("fit"), causes.pop("unseen")))
        value, causes["thickness"] = weighted(value, unknown, given, given_sd)
    return MassLeft(value, causes)


ROUND_SEEN = 0.5
"""Of the doubt whether a rod's section is round, how much several photos leave: with all of it the
errors of 20 pairs of photos of rendered rods were half as wide as their intervals
(docs/decisions/0030-several-photos.md)."""


def weighted(a: float, a_sd: float, b: float, b_sd: float) -> tuple[float, float]:
    """Mean of two readings by their precision, and its one-sigma."""
    w = b_sd**2 / (a_sd**2 + b_sd**2)
    return w * a + (1 - w) * b, a_sd * b_sd / float(np.hypot(a_sd, b_sd))


def mass_of_both(
    first: Fitted, slope: Floats, second: Fitted, slope_2: Floats, settings: Settings
) -> MassLeft:
    """Both faces seen: heights above the bench, lying on the one face and on the other, add up to
    thickness and overall height."""
    template = first.found.template
    assert template is not None
    alone = mass_left(first, slope, settings)
    if template.solid != "plate":
        other = mass_left(second, slope_2, settings)
        value, _ = weighted(alone.value, alone.sd, other.value, other.sd)
        return MassLeft(value, alone.causes)
    shared = {k: v for k, v in alone.causes.items() if k in ("print_scale", "casting")}
    value = 0.0
    variance = 0.0
    tops = [_overall_mm(side) for side in (first, second)]
    gross = _gross(template)
    areas, means, sds = [], [], []
    for side in (first, second):
        solid, p = side.solid, side.fit.p
        height = solid.block("height").start
        areas.append(solid.plan_area(p))
        means.append(float(p[height]))
        sds.append(float(np.sqrt(side.fit.cov[height, height])))
    overall = float(np.mean(tops))
    overall_sd = float(np.hypot(0.3, (tops[0] - tops[1]) / 2))
    thickness = means[0] + means[1] - overall
    area = float(np.mean(areas))
    # edges: what the first side's solid loses to rounding and lean
    edges = float(
        np.mean(
            [s.solid.volume(s.fit.p) / a - m for s, a, m in zip((first, second), areas, means, strict=True)]
        )
    )
    value = max(area * (thickness + edges) / gross, 0.0)
    variance = (float(np.sqrt(sds[0] ** 2 + sds[1] ** 2 + overall_sd**2)) * area / gross) ** 2
    both = float(np.sqrt(variance))
    joined, joined_sd = weighted(
        value,
        both,
        alone.value,
        float(np.hypot(alone.causes.get("fit", 0.0), alone.causes.get("unseen", 0.0))),
    )
    return MassLeft(joined, {"fit": joined_sd, **shared})


def _overall_mm(side: Fitted) -> float:
    """Height of the proudest places of a face above the bench: the part lies on the proudest of the other."""
    if side.matched is not None:
        return float(np.quantile(side.matched.height_mm, 0.97))
    points = side.solid.points(side.fit.p)
    return float(points[:, 2].max())


AREA_SHARE = 0.4
"""Of the fitted solid in the area: photos from the side say little of it, and a segmenter's outlines
there are less sure than the one from above."""


def area_left(fitted: Fitted, before: Wear) -> tuple[float, float]:
    """Plan area and its one-sigma, mm2: that of the photo from above, whose edge is where the metal
    ends as seen from there, and the fitted solid's."""
    new = before.area.new_mm2
    alone, alone_sd = (
        before.area.remaining_mm2,
        (before.consumed.area_pct.high - before.consumed.area_pct.low)
        / 2
        / normal_quantile(before.consumed.coverage)
        * new
        / 100,
    )
    slope = fitted.solid.gradient(fitted.solid.plan_area, fitted.fit.p)
    joint, joint_sd = fitted.solid.plan_area(fitted.fit.p), float(np.sqrt(slope @ fitted.fit.cov @ slope))
    share = AREA_SHARE
    value = share * joint + (1 - share) * alone
    return value, float(np.hypot((1 - share) * alone_sd, share * np.hypot(joint_sd, 0.6 * alone_sd)))


def wear_of_all(
    before: Wear,
    template: Template,
    mass: MassLeft,
    area_mm2: float,
    area_sd_mm2: float,
    settings: Settings,
    *,
    weighed: bool,
) -> Wear:
    """What the photo from above found, with the figures of all photos in place of its own."""
    z = normal_quantile(settings.coverage)
    new = new_area(template)
    area = Interval(
        100 * (1 - area_mm2 / new),
        100 * (1 - (area_mm2 + z * area_sd_mm2) / new),
        100 * (1 - (area_mm2 - z * area_sd_mm2) / new),
    )
    if weighed:
        consumed = Consumed(area, before.consumed.mass_pct, settings.coverage)
        return replace(before, consumed=consumed, area=AreaFigures(new, area_mm2))
    gone = Interval(
        100 * (1 - mass.value),
        100 * (1 - mass.value - z * mass.sd),
        min(100 * (1 - mass.value + z * mass.sd), 100.0),
    )
    full = new_mass_g(template)
    left = Interval(
        full * mass.value, full * max(mass.value - z * mass.sd, 0.0), full * (mass.value + z * mass.sd)
    )
    new_height = new_volume(template) / new if template.form is not None else template.thickness_mm
    per_area = new_height * new / max(area_mm2, 1e-6)
    mean = mass.value * per_area
    spread = (
        z
        * float(np.sqrt(sum(v * v for k, v in mass.causes.items() if k in ("fit", "unseen", "thickness"))))
        * per_area
    )
    thickness = (
        Interval(mean, max(mean - spread, 0.0), mean + spread)
        if template.solid != "rod"
        else before.remaining_thickness_mm
    )
    deepest = max(before.recession_mm.p95, new_height - thickness.value)
    return replace(
        before,
        consumed=Consumed(area, gone, settings.coverage),
        area=AreaFigures(new, area_mm2),
        mass=MassFigures(full, left, "views"),
        remaining_thickness_mm=thickness,
        core_shows=(bool(template.inserts) and before.core_shows)
        or (template.core_depth_mm is not None and deepest >= template.core_depth_mm),
        no_measurable_wear=gone.value < settings.no_wear_below_pct,
        budget={cause: 100 * v for cause, v in mass.causes.items()},
    )


def worse_holes(a: Wear, b: Wear) -> tuple[HoleFinding, ...]:
    """Each fixing hole as the side says that shows it more worn: the template joins the two by its holes."""
    rank = {"not_seen": 0, "sound": 1, "grown": 2, "lost": 3}
    return tuple(
        max((h, k), key=lambda x: (rank[x.state], x.growth_mm or 0.0))
        for h, k in zip(a.holes, b.holes, strict=True)
    )


def notes_of(first: Fitted, second: Fitted | None) -> tuple[Reason, ...]:
    out = []
    if first.solid.plate and first.matched is None and len(first.views) > 1:
        low = all(v.elevation_deg <= FACE_FROM_DEG for v in first.views[1:])
        out.append(
            finding(
                "face_not_matched",
                "the other photos are taken too low to see it"
                if low
                else "too few marks agree between the photos",
            )
        )
    if second is not None:
        out.append(finding("both_sides", f"{len(first.views)} and {len(second.views)} photos"))
    return tuple(out)
