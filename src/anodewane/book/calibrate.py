"""How a template's own face-to-edge ratio is learnt from parts that were weighed: Bayes on a grid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from anodewane.book.entries import Fitting, Reading
from anodewane.records import Interval, Template
from anodewane.settings import Settings


@dataclass(frozen=True, slots=True)
class Weighing:
    """One worn part seen and weighed. area_left : plan area left over the new one; area_sd : its one-sigma; mass_left : mass left over the new one by the scales;
    mass_sd : its
    one-sigma."""

    area_left: float
    area_sd: float
    mass_left: float
    mass_sd: float


@dataclass(frozen=True, slots=True)
class Calibration:
    """A template's face law as its weighings leave it. n : weighings; scale : thickness lost over what the law of all templates says; scale_sd : its one-sigma;
    part_sd : one-sigma from part to part, a share of the thickness lost; half_gone_before, half_gone_after : interval of the mass consumed that a photo of a part half
    gone
    gives with the settings as they were, and with this calibration (points)."""

    template: str
    n: int
    scale: float
    scale_sd: float
    part_sd: float
    half_gone_before: Interval
    half_gone_after: Interval


def weighings_of(template: Template, readings: Sequence[Reading], fittings: Sequence[Fitting], settings: Settings) -> tuple[Weighing, ...]:
    """The weighings of one template among readings of any boats; a part that was weighed new (`Fitting.new_mass_g`) counts with that mass."""
    raise NotImplementedError


def calibrate(template: Template, weighings: Sequence[Weighing], settings: Settings) -> Calibration | None:
    """The template's calibration; None for a rod, which has no face, and without a weighing."""
    raise NotImplementedError


def calibrated_settings(settings: Settings, calibration: Calibration) -> Settings:
    """Settings with which `judge` reads photos of the calibrated template."""
    raise NotImplementedError


def seen_alone(template: Template, area_left_pct: Interval, settings: Settings) -> Interval:
    """Mass consumed as the photo alone says, points, from the plan area consumed (`consumed.area_pct` of a record, whose mass may be that of the scales)."""
    raise NotImplementedError
