"""What each photo brought, what the next would bring, and the thickness over the plan."""

from __future__ import annotations

import numpy as np

from anodewane.geometry.camera import project
from anodewane.geometry.rings import pieces_to_shapely
from anodewane.record import (
    NextPhoto,
    TogetherFigures,
    ViewFigures,
)
from anodewane.records import (
    Wear,
)
from anodewane.settings import Settings
from anodewane.units import Floats
from anodewane.views.advice import Candidate, candidates, silhouette_rings
from anodewane.views.fit import Look
from anodewane.views.law import (
    FACE_BIAS_SD_MM,
)
from anodewane.views.mass import MassLeft, normal_quantile
from anodewane.views.seen import MOST, Fitted


def _total(fitted: Fitted, without: int | None = None) -> Floats:
    """Information (P, P) of the fit, one photo left out if wanted: matches on its face go with it."""
    fit = fitted.fit
    total = fit.prior_information + sum(info for i, info in enumerate(fit.information) if i != without)
    partners = len(fitted.face_views) - 1
    kept = 1.0
    if without is not None and without in fitted.face_views:
        kept = 0.0 if without == 0 or partners <= 1 else (partners - 1) / partners
    out: Floats = total + kept * fit.face_information
    return out


def _sd_of(slope: Floats, information: Floats) -> float:
    return float(np.sqrt(np.maximum(slope @ np.linalg.solve(information, slope), 0.0)))


def _rest(whole: float, part: float) -> float:
    """What a one-sigma holds beside a part of it."""
    return float(np.sqrt(np.maximum(whole * whole - part * part, 0.0)))


def view_figures(fitted: Fitted, index: int, slope: Floats, mass: MassLeft, *, other: bool) -> ViewFigures:
    view, look = fitted.views[index], fitted.fit.looks[index]
    placement = fitted.found.placement
    assert placement is not None
    assert view.mask is not None
    with_it, without = _sd_of(slope, _total(fitted)), _sd_of(slope, _total(fitted, without=index))
    rest = _rest(mass.sd, with_it)
    camera = view.plane.camera
    to_camera = np.asarray(camera.position_mm[:2]) - fitted.solid.plan_base.mean(0)
    in_part = placement.sheet_from_part.inverse().along(to_camera)
    points = fitted.solid.points(fitted.fit.p)
    drawn = silhouette_rings(camera, points, fitted.solid, walls=True)
    if fitted.solid.plate:
        drawn += [
            project(camera, points[fitted.solid.curve == c])
            for c in np.flatnonzero(fitted.solid.level == fitted.solid.rim_level)
        ]
    return ViewFigures(
        name=view.photo.source.name,
        sha256=view.photo.source.sha256,
        of_other_side=other,
        tilt_deg=view.plane.tilt_deg,
        elevation_deg=view.elevation_deg,
        azimuth_deg=float(np.degrees(np.arctan2(in_part[1], in_part[0]))),
        distance_mm=float(np.linalg.norm(np.asarray(camera.position_mm) - points.mean(0))),
        residual_mm=float(fitted.fit.rms_mm[index]),
        missed_frac=float(fitted.fit.missed_frac[index]),
        moved_mm=0.0 if index == 0 else fitted.agreements[index - 1].moved_mm,
        face_used=index in fitted.face_views,
        mass_sd_without_pct=100 * float(np.hypot(without, rest)),
        information_frac=1 - (with_it / without) ** 2 if without > 0 else 0.0,
        outline_photo_px=tuple(_points(r, look) for piece in view.mask.pieces_px for r in piece),
        solid_photo_px=tuple(_points(r, look) for r in drawn),
        manual=view.outline.manual if view.outline else None,
    )


def _points(ring: Floats, look: Look) -> tuple[tuple[float, float], ...]:
    """A line of the record: a point every half millimetre of the part at most."""
    every = max(
        1,
        int(
            0.5 / look.mm_per_px / max(float(np.median(np.linalg.norm(np.diff(ring, axis=0), axis=1))), 1e-6)
        ),
    )
    return tuple((float(x), float(y)) for x, y in ring[::every])


AZIMUTHS = 8
WORTH = 0.9
"""Share of the interval's width above which no further photo is advised."""


def together_figures(
    first: Fitted,
    second: Fitted | None,
    before: Wear,
    slope: Floats,
    mass: MassLeft,
    wear: Wear,
    settings: Settings,
) -> TogetherFigures:
    step, thickness = _thickness_map(first, wear)
    rounding = float(first.fit.p[first.solid.block("round").start]) if first.solid.plate else None
    return TogetherFigures(
        mass_before_pct=before.consumed.mass_pct,
        area_before_pct=before.consumed.area_pct,
        thickness_part_mm=thickness,
        thickness_step_mm=step,
        round_mm=rounding,
        face_points=0 if first.matched is None else len(first.matched.height_mm),
        face_residual_mm=first.fit.face_rms_mm,
        next_photo=None
        if second is not None or len(first.views) >= MOST or first.found.given.weighed_g is not None
        else _next_photo(first, slope, mass, settings),
    )


def _next_photo(fitted: Fitted, slope: Floats, mass: MassLeft, settings: Settings) -> NextPhoto | None:
    """The photo that would leave least doubt, if it is worth taking."""
    placement = fitted.found.placement
    assert placement is not None
    information = _total(fitted)
    now = _sd_of(slope, information)
    rest = _rest(mass.sd, now)
    face = _face_to_come(fitted) if fitted.solid.plate and fitted.matched is None else None
    axis = fitted.solid.frame[1][:, 0]
    start = float(np.degrees(np.arctan2(axis[1], axis[0])))
    azimuths = tuple(start + 360 / AZIMUTHS * k for k in range(AZIMUTHS))
    misfit = max(float(np.median(fitted.fit.rms_mm[1:])) if len(fitted.views) > 1 else 0.4, 0.3)
    found = candidates(
        fitted.solid, fitted.fit.p, fitted.fit.looks[0], information, slope, face, azimuths, misfit
    )
    if not found:
        return None
    best = min(found, key=lambda c: c.sd)
    width_now = 200 * normal_quantile(settings.coverage) * mass.sd
    width = 200 * normal_quantile(settings.coverage) * float(np.hypot(best.sd, rest))
    if width > WORTH * width_now:
        return None
    azimuth = np.radians(best.azimuth_deg)
    toward = placement.sheet_from_part.inverse().along([np.cos(azimuth), np.sin(azimuth)])
    return NextPhoto(
        best.elevation_deg,
        float(np.degrees(np.arctan2(toward[1], toward[0]))),
        width,
        _advice(best, start, width_now, width),
    )


def _advice(best: Candidate, long_axis_deg: float, width_now: float, width: float) -> str:
    off = abs((best.azimuth_deg - long_axis_deg + 90) % 180 - 90)
    where = "facing the long side" if off > 67 else "facing an end" if off < 23 else "over a corner"
    how = (
        f"one low photo {where}, about {best.elevation_deg:.0f} degrees above the bench,"
        if best.elevation_deg < 25
        else f"one photo {where} from half-way up, about 45 degrees,"
    )
    return f"{how} would narrow the interval from {width_now:.0f} to about {width:.0f} points"


def _face_to_come(fitted: Fitted) -> Floats:
    """Information (P, P) that matching the face would bring: a height every 4 mm over half of the plan,
    as good as such matches are."""
    from shapely import contains_xy

    plan = pieces_to_shapely(tuple((r,) for r in fitted.solid.plan_rings(fitted.fit.p)[:1])).buffer(-2.5)
    x0, y0, x1, y1 = plan.bounds if not plan.is_empty else (0.0, 0.0, 0.0, 0.0)
    grid = np.stack(np.meshgrid(np.arange(x0, x1, 5.7), np.arange(y0, y1, 5.7)), axis=-1).reshape(-1, 2)
    inside = grid[contains_xy(plan, grid[:, 0], grid[:, 1])] if len(grid) else grid
    from anodewane.views.fit import FACE_CORRELATION_MM, reduced_information

    scale = 1 / (0.9 * FACE_CORRELATION_MM / 5.7)
    return reduced_information(
        scale * fitted.solid.top_slope(inside), np.full((len(inside), 1), scale), np.array([FACE_BIAS_SD_MM])
    )


def _thickness_map(fitted: Fitted, wear: Wear) -> tuple[float, tuple[tuple[float, float, float], ...]]:
    """Remaining thickness over the plan, part frame: the fitted field, what can't be seen taken off
    evenly, so that its mean is the one of the record."""
    from shapely import contains_xy

    placement = fitted.found.placement
    assert placement is not None
    plan = pieces_to_shapely(placement.plan_mm)
    x0, y0, x1, y1 = plan.bounds
    step = max(3.0, max(x1 - x0, y1 - y0) / 28)
    part = np.stack(
        np.meshgrid(np.arange(x0 + step / 2, x1, step), np.arange(y0 + step / 2, y1, step)), axis=-1
    ).reshape(-1, 2)
    part = part[contains_xy(plan, part[:, 0], part[:, 1])]
    if not len(part):
        return step, ()
    sheet = placement.sheet_from_part.apply(part)
    if fitted.solid.plate:
        z = fitted.solid.top_slope(sheet) @ fitted.fit.p
        z = np.maximum(z + wear.remaining_thickness_mm.value - z.mean(), 0.0)
    else:
        z = fitted.solid.height_at(sheet, fitted.fit.p)
    return step, tuple((float(x), float(y), float(t)) for (x, y), t in zip(part, z, strict=True))
