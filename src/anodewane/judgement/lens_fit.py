"""Measure a phone's lens from several photos of the sheet: one focal length and one radial term for all
of them, a pose and a wandering axis for each.

Not a stage of a judgement; `anodewane camera` runs it once per phone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from anodewane.errors import CannotJudge, UsageError
from anodewane.record import LensProfile
from anodewane.records import CardSighting, Photo
from anodewane.settings import Settings
from anodewane.stages.card import find_card
from anodewane.stages.plane import View, fit_shared, focal_prior

MIN_PHOTOS = 3
MIN_FOCAL_GAIN = 0.5
"""The photos must at least halve the doubt that EXIF leaves, or they were too alike."""

MIN_K1_SD_GAIN = 0.6


@dataclass(frozen=True, slots=True)
class Shot:
    """A photo of the sheet without its pixels, so that many large ones fit in memory. size_px :
    (width, height)."""

    name: str
    sha256: str
    camera: str | None
    focal_35mm: float | None
    size_px: tuple[int, int]
    sighting: CardSighting


@dataclass(frozen=True, slots=True)
class LensReport:
    """The profile and what it does. before_px, after_px : rms of the sheet's points, per photo, with
    the stated lens and with the measured one."""

    profile: LensProfile
    focal_35mm_stated: float | None
    before_px: tuple[float, ...]
    after_px: tuple[float, ...]
    tilts_deg: tuple[float, ...]


def measure_lens(
    shots: list[Shot], settings: Settings, check_line_mm: tuple[float, float] | None = None
) -> LensReport:
    """Fit one lens to photos of the sheet, whose 100 mm lines measure `check_line_mm`.

    Raises
    ------
    UsageError
        Fewer than three photos, of different phones, lenses or sizes, or too alike to tell the lens.
    """
    remedy = (
        "Take 5 or more photos of one sheet that fills most of the frame, with one phone and one lens: "
        "straight from above, and tilted 20 to 35 degrees "
        "from all four sides."
    )
    if len(shots) < MIN_PHOTOS:
        raise UsageError(
            f"A lens takes at least {MIN_PHOTOS} photos of the sheet; {len(shots)} given.", remedy
        )
    for what, values in (
        ("phones", {s.camera for s in shots}),
        ("focal lengths (lenses or zooms)", {s.focal_35mm for s in shots}),
        ("sizes", {tuple(sorted(s.size_px)) for s in shots}),
    ):
        if len(values) > 1:
            raise UsageError(
                f"The photos are of different {what}: {', '.join(sorted(str(v) for v in values))}.", remedy
            )
    if len({s.sha256 for s in shots}) < len(shots):
        raise UsageError("A photo was given twice.", remedy)
    half_diagonal = float(np.hypot(*shots[0].size_px)) / 2
    focal, focal_sd, _ = focal_prior(shots[0].focal_35mm, settings, half_diagonal, None)
    scale = np.array(check_line_mm or (100.0, 100.0)) / 100.0
    views = [
        View(
            s.sighting.points_mm * scale,
            s.sighting.points_px,
            s.sighting.point_sd_px,
            (np.array(s.size_px) - 1) / 2,
        )
        for s in shots
    ]
    axis_sd = settings.principal_point_sd_frac * half_diagonal
    # The stated lens, for comparison: nothing of it may move.
    before = [fit_shared([v], half_diagonal, (float(np.log(focal)), 1e-4, 0.0, 1e-6), axis_sd) for v in views]
    # The profile takes the place of EXIF's focal length, so EXIF may not hold it back; k1 may be
    # anything a lens is.
    fit = fit_shared(views, half_diagonal, (float(np.log(focal)), 0.5, 0.0, 0.2), axis_sd)
    tilts = tuple(float(np.degrees(np.arccos(np.clip(-c.rotation[2, 2], -1, 1)))) for c in fit.cameras)
    focal_fit_sd, k1_sd = float(np.sqrt(fit.inner_cov[0, 0])), float(np.sqrt(fit.inner_cov[1, 1]))
    if focal_fit_sd > MIN_FOCAL_GAIN * focal_sd or k1_sd > MIN_K1_SD_GAIN * settings.lens_k1_sd:
        raise UsageError(
            "The photos are too alike to tell the lens: the focal length would be good to "
            f"{100 * focal_fit_sd:.1f} % and the lens term to {k1_sd:.4f} "
            f"(tilts {', '.join(f'{t:.0f}' for t in tilts)} degrees).",
            remedy,
        )
    profile = LensProfile(
        camera=shots[0].camera or "unknown",
        focal_half_diagonals=float(np.exp(fit.inner[0])) / half_diagonal,
        focal_sd_frac=max(focal_fit_sd, 5e-4),
        k1=float(fit.inner[1]),
        k1_sd=max(k1_sd, 1e-5),
        n_photos=len(shots),
    )
    return LensReport(profile, shots[0].focal_35mm, tuple(b.rms_px[0] for b in before), fit.rms_px, tilts)


def take_shot(photo: Photo, settings: Settings) -> Shot:
    """Find the sheet in a photo, or say which photo has none.

    Raises
    ------
    UsageError
    """
    from anodewane.refusals import refusal_reason

    try:
        sighting = find_card(photo, settings=settings)
    except CannotJudge as refusal:
        reason = refusal_reason(refusal)
        raise UsageError(
            f"'{photo.source.name}' can't be used: {reason.message}", reason.remedy or "Take it again."
        ) from refusal
    return Shot(
        photo.source.name,
        photo.source.sha256,
        photo.camera,
        photo.focal_35mm,
        (photo.rgb.shape[1], photo.rgb.shape[0]),
        sighting,
    )
