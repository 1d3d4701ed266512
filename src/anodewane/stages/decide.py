"""Hold what was measured against the limit, and say why. Mechanical faults (a fixing lost, a core
showing, a piece gone) need no percentage."""

from __future__ import annotations

from anodewane.record import Grade, Limits, Reason
from anodewane.records import MetalMask, Photo, Placement, Plane, Wear
from anodewane.refusals import finding
from anodewane.settings import Settings
from anodewane.show.figures import percent, span

FORM_TOLD_PCT = 1.0
"""Points of mass from which an unknown form's doubt is told."""

CLOSE_CAMERA_MM = 450.0

PITCH_WARN_FRAC = 0.015
"""Hole pitch off by more than this and 1.8 sigma is told; far more is refused
(`settings.hole_pitch_max_frac`)."""


def decide(
    wear: Wear, placement: Placement, mask: MetalMask, plane: Plane, photo: Photo, settings: Settings
) -> tuple[Grade, tuple[Reason, ...]]:
    """Return the grade and its reasons, the deciding ones first.

    Notes
    -----
    `replace`: mass consumed at or past the limit, a fixing lost, the core showing or a piece gone. `ok`:
    the interval's upper end below the limit and the value below `monitor_from_pct`. Else `monitor`:
    between the two, or the limit inside the interval.
    """
    mass = wear.consumed.mass_pct
    gone = f"{percent(mass)} of the mass gone, {span(mass)}"
    limit = f"limit {percent(settings.limit_pct)}"
    faults, notes = _mechanical(wear), _notes(wear, placement, mask, plane, photo, settings)
    if mass.value >= settings.limit_pct:
        return "replace", (
            finding("past_limit", f"{percent(mass)} ({span(mass)}, {limit})"),
            *faults,
            *notes,
        )
    could_be = (
        (finding("could_be_past_limit", f"{gone}, {limit}"),) if mass.high >= settings.limit_pct else ()
    )
    if faults:
        return "replace", (*faults, *could_be, *notes)
    if could_be:
        return "monitor", (*could_be, *notes)
    if mass.value >= settings.monitor_from_pct:
        return "monitor", (finding("watch", f"{gone}, {limit}"), *notes)
    first = (
        finding("no_measurable_wear", gone)
        if wear.no_measurable_wear
        else finding("sound", f"{gone}, {limit}")
    )
    return "ok", (first, *notes)


def _mechanical(wear: Wear) -> tuple[Reason, ...]:
    reasons = []
    for hole in wear.holes:
        if hole.state == "lost":
            what = (
                "is open to the edge or gone"
                if hole.diameter_mm is None
                else f"measures {hole.diameter_mm:.1f} mm under a {hole.washer_mm:.0f} mm washer"
            )
            detail = f"hole {hole.index + 1} {what}"
            reasons.append(finding("fixing_lost", detail))
    if wear.core_shows:
        reasons.append(finding("core_shows", f"recession {wear.recession_mm.p95:.1f} mm"))
    if wear.pieces_lost:
        reasons.append(
            finding("piece_lost", "1 place" if wear.pieces_lost == 1 else f"{wear.pieces_lost} places")
        )
    return tuple(reasons)


def _notes(
    wear: Wear, placement: Placement, mask: MetalMask, plane: Plane, photo: Photo, settings: Settings
) -> tuple[Reason, ...]:
    grown = [h for h in wear.holes if h.state == "grown" and h.growth_mm is not None]
    reasons = [
        finding("hole_grown", f"hole {h.index + 1} by {h.growth_mm:.1f} mm to {h.diameter_mm:.1f} mm")
        for h in grown
    ]
    if wear.recession_mm.one_sided:
        reasons.append(finding("one_sided", f"{wear.recession_mm.side_mm:.1f} mm more than on the other"))
    if wear.consumed.area_pct.high < 0:
        reasons.append(finding("larger_than_new", f"by {-wear.consumed.area_pct.value:.1f} % of its area"))
    scale, scale_sd = placement.hole_pitch_scale, placement.hole_pitch_scale_sd
    if scale is not None and scale_sd is not None and abs(scale - 1) > max(PITCH_WARN_FRAC, 1.8 * scale_sd):
        reasons.append(
            finding(
                "hole_pitch_doubt",
                f"{100 * scale:.1f} % of the template's pitch, give or take {100 * scale_sd:.1f} %",
            )
        )
    reasons.extend(_print_scale(plane, settings))
    reasons.extend(_form_unknown(wear, placement))
    if plane.distance_mm < CLOSE_CAMERA_MM:
        reasons.append(finding("close_camera", f"{plane.distance_mm:.0f} mm from the sheet"))
    if placement.ambiguous:
        reasons.append(finding("pose_ambiguous", "which end is worse isn't certain"))
    if placement.filled_mm2 > 0:
        reasons.append(finding("gap_filled", f"{placement.filled_mm2:.0f} mm²"))
    if mask.fouled_mm:
        places = len(mask.fouled_mm)
        reasons.append(
            finding(
                "growth_bridged",
                f"along about {sum(mask.fouled_mm):.0f} mm of the edge, {places} "
                f"place{'s' if places > 1 else ''}",
            )
        )
    if mask.segmenter == "manual":
        reasons.append(finding("manual_outline", f"{len(mask.pieces_px[0][0])} points"))
    reasons.extend(finding("file_note", note) for note in (*mask.notes, *photo.notes))
    return tuple(reasons)


def _form_unknown(wear: Wear, placement: Placement) -> list[Reason]:
    """That a casting's form isn't known, and what would tell it, where its doubt counts."""
    points = wear.budget.get("profile", 0.0)
    if placement.template.profile_known or points < FORM_TOLD_PCT:
        return []
    weighed = placement.template.new_mass_g is not None
    return [
        finding("form_unknown_though_weighed" if weighed else "form_unknown", f"{points:.0f} points of doubt")
    ]


def _print_scale(plane: Plane, settings: Settings) -> list[Reason]:
    """What there is to say of how large the sheet was printed."""
    printed = plane.printed
    if printed is None:
        if plane.check_line_mm is not None:
            return []
        sd = 2 * settings.print_scale_sd_frac
        return [
            finding("print_scale_unmeasured", f"taken for {100 * (1 - sd):.0f} to {100 * (1 + sd):.0f} %")
        ]
    if printed.source == "assumed":
        low, high = printed.bounds(settings.coverage)
        return [
            finding("print_scale_unmeasured", f"it may be {100 * low:.0f} to {100 * high:.0f} % of its size")
        ]
    if printed.contradiction:
        line = 50 * (printed.x + printed.y)
        return [finding("check_line_doubt", f"100 mm measure {line:.1f} mm, but {printed.contradiction}")]
    if printed.cause:
        scale = 50 * (printed.x + printed.y)
        of = f"{scale:.1f} %, give or take {100 * printed.sd_frac:.1f} %: {printed.cause}"
        return [finding("printed_off_scale", of)]
    return []


def limits_of(settings: Settings) -> Limits:
    """The limit that verdicts are held against, with its basis."""
    return Limits(settings.limit_pct, settings.monitor_from_pct, settings.basis)
