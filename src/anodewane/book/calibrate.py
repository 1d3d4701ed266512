"""How a template's own face-to-edge ratio is learnt from parts that were weighed: Bayes on a grid
(docs/decisions/0051-weighings.md).

A photo shows how far the outline receded, and the face law (`wear.faces.expected_thickness`) how much
thickness L that stands for; the scales say how much was truly lost. For part i of one template, truly
lost = S s_i L_i: S common to the template, ln s_i normal with one-sigma tau from part to part. Both S
and tau are unknown and both stay so to the end: what a new part of the template loses is S s L, however
well S is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from math import exp, hypot
from typing import Any

import numpy as np

from anodewane.book.entries import Fitting, Reading
from anodewane.book.rates import normal_quantile
from anodewane.record import Interval
from anodewane.records import Template
from anodewane.settings import Settings
from anodewane.units import Floats

SCALE_SD, SCALE_TAIL_SD, SCALE_TAIL_SHARE = 0.12, 0.39, 0.15
"""Prior of ln S, median 0: mostly what the spread over many templates leaves beside that from part to
part (0.23 in all, decision 0004), and with a share of 0.15 as wide as 90 % from 0.5 to 1.8 (a
face-to-edge ratio of which nothing is known)."""

PART_SD, PART_LOG_SD = 0.19, 0.3
"""Prior of tau: log-normal, this median and one-sigma of its logarithm. Most of the 0.23 is taken for
scatter from part to part until parts say otherwise."""


@dataclass(frozen=True, slots=True)
class Weighing:
    """One worn part seen and weighed. area_left : plan area left over the new one; area_sd : its
    one-sigma; mass_left : mass left over the new one by the scales; mass_sd : its one-sigma."""

    area_left: float
    area_sd: float
    mass_left: float
    mass_sd: float


@dataclass(frozen=True, slots=True)
class Calibration:
    """A template's face law as its weighings leave it.

    n : weighed parts; scale : thickness lost over what the law of all templates says; scale_sd :
    one-sigma of its logarithm; part_sd : one-sigma from part to part, a share of the thickness lost;
    half_gone_before, half_gone_after : mass consumed (points) of a part whose outline says that half is
    gone, with the interval that the face law alone leaves open, by the settings as they were and by
    this calibration.
    """

    template: str
    n: int
    scale: float
    scale_sd: float
    part_sd: float
    half_gone_before: Interval
    half_gone_after: Interval

    @property
    def predictive_sd(self) -> float:
        """One-sigma of what the next part loses in thickness, as a share of it: never less than the
        scatter from part to part."""
        return hypot(self.scale_sd, self.part_sd)


def weighings_of(
    template: Template, readings: Sequence[Reading], fittings: Sequence[Fitting], settings: Settings
) -> tuple[Weighing, ...]:
    """The weighings of one template among readings of any boats, one a part (the last), for a part
    weighed twice is still one part.

    Parameters
    ----------
    template : Template
    readings : sequence of Reading
    fittings : sequence of Fitting
        A part that was weighed new counts with that mass, and surer.
    settings : Settings
        Uses `mass_known_sd_frac`, `mass_computed_sd_frac`, `scales_sd_g`, `coverage`.
    """
    at: dict[tuple[str, str], list[Fitting]] = {}
    for f in fittings:
        if f.template == template.name:
            at.setdefault((f.boat, f.position), []).append(f)
    last: dict[tuple[str, str, object], tuple[Reading, Fitting | None]] = {}
    for r in sorted(readings, key=lambda r: r.hauled_on):
        if (
            r.template != template.name
            or r.kind != "wear"
            or r.weighed_g is None
            or r.area_pct is None
            or r.new_g is None
        ):
            continue
        part = next(
            (
                f
                for f in at.get((r.boat, r.position), ())
                if f.fitted_on < r.hauled_on and (f.removed_on is None or r.hauled_on <= f.removed_on)
            ),
            None,
        )
        last[(r.boat, r.position, part.fitted_on if part else None)] = (r, part)
    out = []
    for r, part in last.values():
        assert r.area_pct is not None
        assert r.weighed_g is not None
        assert r.new_g is not None
        area_sd = (
            (r.area_pct.high - r.area_pct.low) / 2 / normal_quantile(r.coverage or settings.coverage) / 100
        )
        if part is not None and part.new_mass_g is not None:
            new_g, of_new = part.new_mass_g, settings.scales_sd_g / part.new_mass_g
        else:
            new_g, of_new = (
                r.new_g,
                settings.mass_known_sd_frac
                if template.new_mass_g is not None
                else settings.mass_computed_sd_frac,
            )
        left = r.weighed_g / new_g
        out.append(
            Weighing(
                1 - r.area_pct.value / 100, area_sd, left, hypot(left * of_new, settings.scales_sd_g / new_g)
            )
        )
    return tuple(out)


def calibrate(template: Template, weighings: Sequence[Weighing], settings: Settings) -> Calibration | None:
    """The template's calibration; None for a rod, which has no face, and without a weighing.

    Parameters
    ----------
    template : Template
    weighings : sequence of Weighing
    settings : Settings
        Uses `face_*`; a `face_scale` that is in them already is left out of the learning, so that
        nothing is counted twice.
    """
    if template.solid == "rod" or not weighings:
        return None
    plain = replace(settings, face_scale=1.0, face_scale_sd=0.0)
    ln_scale, tau, weight = _posterior(template, weighings, plain)
    by_scale, by_tau = weight.sum(axis=1), weight.sum(axis=0)
    mean = float(by_scale @ ln_scale)
    scale_sd = float(np.sqrt(by_scale @ (ln_scale - mean) ** 2))
    part_sd = float(np.sqrt(by_tau @ tau**2))
    after = replace(settings, face_scale=exp(mean), face_scale_sd=scale_sd, face_ratio_sd=part_sd)
    return Calibration(
        template=template.name,
        n=len(weighings),
        scale=exp(mean),
        scale_sd=scale_sd,
        part_sd=part_sd,
        half_gone_before=_half_gone(template, settings),
        half_gone_after=_half_gone(template, after),
    )


def calibrated_settings(settings: Settings, calibration: Calibration) -> Settings:
    """Settings with which `judge` reads photos of the calibrated template, and of no other."""
    return replace(
        settings,
        face_scale=calibration.scale,
        face_scale_sd=calibration.scale_sd,
        face_ratio_sd=calibration.part_sd,
    )


def seen_alone(template: Template, area_pct: Interval, coverage: float, settings: Settings) -> Interval:
    """Mass consumed as the photo alone says, points, from the plan area consumed.

    A weighed part's record holds the mass that the scales gave; its area is still the photo's own.

    Parameters
    ----------
    template : Template
    area_pct : Interval
        `consumed.area_pct` of the record.
    coverage : float
        Of that interval, and of the one returned.
    settings : Settings
    """
    from anodewane.stages.wear import DRAWS, SEED
    from anodewane.wear.left import draw_thickness

    rng = np.random.default_rng(SEED)
    sd = (area_pct.high - area_pct.low) / 2 / normal_quantile(coverage) / 100
    left = 1 - area_pct.value / 100
    areas = np.maximum(left + sd * rng.standard_normal(DRAWS), 0.0)
    casting = settings.mass_casting_sd_frac * rng.standard_normal(DRAWS)
    if template.solid == "rod":
        value = _rod_left(template, left)
        masses = value * (
            np.maximum(1 + 1.9 * (areas / max(left, 1e-6) - 1), 0.0)
            * (1 + settings.rod_round_sd_frac * rng.standard_normal(DRAWS))
            + casting
        )
    else:
        t_new = template.thickness_mm
        t, t_sd = _thickness(template, left, settings)
        thick = np.clip(
            draw_thickness(t_new, t, t_sd, rng.standard_normal(DRAWS)), 0.02 * t_new, 1.02 * t_new
        )
        value = left * t / t_new
        masses = areas * thick / t_new + casting * value
    low, high = np.quantile(100 * (1 - masses), [(1 - coverage) / 2, (1 + coverage) / 2])
    gone = 100 * (1 - value)
    return Interval(gone, min(float(low), gone), max(float(high), gone))


# --- inside --------------------------------------------------------------------------------------


def _thickness(template: Template, area_left: float, settings: Settings) -> tuple[float, float]:
    """Thickness that the face law leaves where a share of the plan area is left, and its one-sigma, mm."""
    from anodewane.wear.faces import expected_thickness
    from anodewane.wear.solids import new_area, recession_near_area

    return expected_thickness(
        template, recession_near_area(template, min(area_left, 1.0) * new_area(template)), settings
    )


def _rod_left(template: Template, area_left: float) -> float:
    """Share of a rod's metal that is left where it wasted evenly all round to a share of its plan area."""
    from anodewane.wear.solids import new_area, new_volume, recession_near_area, volume_after

    return volume_after(
        template, recession_near_area(template, min(area_left, 1.0) * new_area(template))
    ) / new_volume(template)


@lru_cache(maxsize=1)
def _grid() -> tuple[Floats, Floats, Floats]:
    """ln S (281), tau (45) and the logarithm of the prior's weight (281, 45)."""
    ln_scale = np.linspace(-1.4, 1.4, 281)
    tau = np.exp(np.linspace(np.log(0.03), np.log(0.6), 45))

    def normal(sd: float) -> Any:
        return np.exp(-0.5 * (ln_scale / sd) ** 2) / sd

    of_scale = (1 - SCALE_TAIL_SHARE) * normal(SCALE_SD) + SCALE_TAIL_SHARE * normal(SCALE_TAIL_SD)
    of_tau = np.exp(-0.5 * (np.log(tau / PART_SD) / PART_LOG_SD) ** 2)
    return ln_scale, tau, np.log(of_scale)[:, None] + np.log(of_tau)[None, :]


def _posterior(
    template: Template, weighings: Sequence[Weighing], settings: Settings
) -> tuple[Floats, Floats, Floats]:
    """The grid and the weight of each cell, (281, 45), sum 1. In any order of the weighings the same."""
    ln_scale, tau, prior = _grid()
    scale = np.exp(ln_scale)[:, None]
    t_new = template.thickness_mm
    logs = []
    for w in weighings:
        lost_by_scales = t_new * (1 - w.mass_left / w.area_left)
        law = t_new - _thickness(template, w.area_left, settings)[0]
        # an outline read too large says both that less of it is gone and that what is left is thinner
        step = max(w.area_sd, 1e-3)
        by_law_mm = (
            _thickness(template, w.area_left + step, settings)[0]
            - _thickness(template, w.area_left - step, settings)[0]
        ) / (2 * step)
        per_area = t_new * w.mass_left / w.area_left**2 + scale * by_law_mm
        noise2 = (
            (t_new * w.mass_sd / w.area_left) ** 2
            + (per_area * w.area_sd) ** 2
            + settings.face_floor_sd_mm**2
        )
        variance = (scale * tau[None, :] * law) ** 2 + noise2
        logs.append(-0.5 * (lost_by_scales - scale * law) ** 2 / variance - 0.5 * np.log(variance))
    log_weight = prior + np.sum(np.sort(np.stack(logs), axis=0), axis=0)
    weight = np.exp(log_weight - log_weight.max())
    normed: Floats = weight / weight.sum()
    return ln_scale, tau, normed


def _half_gone(template: Template, settings: Settings) -> Interval:
    """Mass consumed of a part whose outline says half, and how far the face law alone may be off, points."""
    from scipy.optimize import brentq

    t_new = template.thickness_mm

    def gone(area_left: float) -> float:
        return 100 * (1 - area_left * _thickness(template, area_left, settings)[0] / t_new)

    area_left = float(brentq(lambda a: gone(a) - 50, 0.02, 1.0, xtol=1e-4))
    t, sd = _thickness(template, area_left, settings)
    lost, spread = t_new - t, normal_quantile(settings.coverage) * sd / (t_new - t)
    ends = [100 * (1 - area_left * (1 - min(lost * exp(k), t_new) / t_new)) for k in (-spread, spread)]
    return Interval(gone(area_left), *ends)
