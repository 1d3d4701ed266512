"""The record of what the stages found: what `pipeline.judge` returns."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from anodewane.catalog.templates import template_digest
from anodewane.errors import CannotJudge
from anodewane.geometry.camera import project, to_height
from anodewane.geometry.rings import box_sides, ring_area, ring_centre
from anodewane.judgement.found import Found
from anodewane.judgement.provenance import make_provenance
from anodewane.record import (
    SCHEMA_VERSION,
    GivenFigures,
    Grade,
    Interval,
    MeasuredFigures,
    Outline,
    PhotoFigures,
    PrintFigures,
    Reason,
    RecessionFigures,
    ScaleFigures,
    TemplateFigures,
    Verdict,
)
from anodewane.records import CardSighting, Given, Placement, Plane, PrintScale
from anodewane.refusals import finding, refusal_reason
from anodewane.stages.align import lay
from anodewane.stages.decide import limits_of
from anodewane.units import Floats

CAUTIONS = (
    "Isolate the engine and take the key out before working by a propeller.",
    (
        "Anode dust is harmful and fines of aluminium and magnesium burn: work wet, with mask, gloves and "
        "eye protection."
    ),
    (
        "A photo can't replace a reference-cell survey: stray current and bonding faults go to a qualified "
        "corrosion or marine electrical technician; "
        "local codes and class rules first."
    ),
)
"""Printed with every record (usual cautions of the trade)."""


def refused(found: Found, refusal: CannotJudge) -> Verdict:
    """The record of a photo that can't be judged, with what was found before."""
    notes = tuple(finding("file_note", note) for note in found.photo.notes)
    return record_of(found, None, (refusal_reason(refusal), *notes))


def record_of(found: Found, grade: Grade | None, reasons: tuple[Reason, ...]) -> Verdict:
    """The record of what was found; without a grade, of a refusal."""
    photo, wear, settings = found.photo, found.wear, found.settings
    height, width = photo.rgb.shape[:2]
    placement = found.placement
    if (
        placement is None
        and found.mask is not None
        and found.plane is not None
        and found.template is not None
    ):
        # a refused fit is still worth drawing: the reader sees what doesn't fit
        try:
            placement = lay(found.mask, found.plane, found.template, settings, found.given.thickness_mm)
        except (CannotJudge, ValueError):
            placement = None
    measured = None if grade or not found.chosen else _measured(found)
    return Verdict(
        schema_version=SCHEMA_VERSION,
        status="judged" if grade else "cannot_judge" if measured is None else "measured",
        verdict=grade,
        reasons=tuple(reasons),
        limits=limits_of(settings),
        consumed=wear.consumed if wear and grade else None,
        area=wear.area if wear and grade else None,
        mass=wear.mass if wear and grade else None,
        recession_mm=_worst_in_photo(wear.recession_mm, placement, found.plane)
        if wear and grade and placement and found.plane
        else None,
        remaining_thickness_mm=wear.remaining_thickness_mm if wear and grade else None,
        holes=wear.holes if wear and grade else (),
        pieces_lost=wear.pieces_lost if wear and grade else None,
        outline=_outline(found, placement),
        scale=_scale(found.plane, found.sighting, settings.coverage)
        if found.plane and found.sighting
        else None,
        template=_template(found, placement) if found.template else None,
        given=given_figures(found.given),
        settings=settings.changed(),
        lens=found.method.lens,
        measured=measured,
        label=found.label,
        photo=PhotoFigures(photo.source.name, photo.source.sha256, width, height, photo.taken),
        budget=wear.budget if wear and grade else {},
        cautions=CAUTIONS,
        provenance=make_provenance(
            settings.digest(),
            found.segmenter,
            found.model_sha256,
            found.given.outline.manual if found.given.outline else None,
        ),
    )


def given_figures(given: Given) -> GivenFigures:
    """What was given, as the record repeats it."""
    return GivenFigures(
        given.weighed_g,
        given.thickness_mm,
        given.check_line_mm,
        given.outline.manual if given.outline else None,
    )


HEIGHT_MM, HIGHEST_MM = 12.0, 40.0
"""Heights above the sheet at which an unknown part's edge may be seen: most worn parts, and the tallest."""


def _measured(found: Found) -> MeasuredFigures | None:
    """Size, area and holes of the part as the camera sees it, whatever it is; None without an outline."""
    if found.mask is None or found.plane is None:
        return None
    camera, pieces = found.plane.camera, found.mask.pieces_px

    def at(figure: Callable[[float], float]) -> Interval:
        value, flat, tall = (figure(h) for h in (HEIGHT_MM, 0.0, HIGHEST_MM))
        return Interval(value, min(tall, value), max(flat, value))

    def sides(height: float) -> Floats:
        return box_sides(np.vstack([to_height(camera, p[0], height) for p in pieces]))

    def area(height: float) -> float:
        rings = ((r, i) for p in pieces for i, r in enumerate(p))
        areas = (abs(ring_area(to_height(camera, r, height))) * (-1 if i else 1) for r, i in rings)
        return float(sum(areas))

    holes = [r for p in pieces for r in p[1:]]
    areas = sorted((abs(ring_area(to_height(camera, r, HEIGHT_MM))) for r in holes), reverse=True)

    def pitch(height: float) -> float:
        centres = np.array([ring_centre(to_height(camera, r, height)) for r in holes])
        return float(np.linalg.norm(centres[:, None] - centres[None], axis=2).max())

    return MeasuredFigures(
        length_mm=at(lambda h: float(sides(h)[0])),
        width_mm=at(lambda h: float(sides(h)[1])),
        area_mm2=at(area),
        hole_diameters_mm=tuple(float(2 * np.sqrt(a / np.pi)) for a in areas),
        hole_pitch_mm=at(pitch) if len(holes) > 1 else None,
        height_mm=HEIGHT_MM,
        highest_mm=HIGHEST_MM,
        may_be=found.may_be,
    )


def _points(ring: Any) -> tuple[tuple[float, float], ...]:
    return tuple(map(tuple, np.asarray(ring, float).tolist()))


def _outline(found: Found, placement: Placement | None) -> Outline | None:
    if found.mask is None:
        return None
    rings = [r for piece in found.mask.pieces_px for r in piece]
    part = [r for piece in placement.plan_mm for r in piece] if placement else []
    return Outline(tuple(_points(r) for r in rings), tuple(_points(r) for r in part))


def _printed(printed: PrintScale, coverage: float) -> PrintFigures:
    low, high = printed.bounds(coverage)
    return PrintFigures(
        x_pct=100 * printed.x,
        y_pct=100 * printed.y,
        low_pct=100 * low,
        high_pct=100 * high,
        source=printed.source,
        paper=printed.paper,
        cause=printed.cause,
    )


def _scale(plane: Plane, sighting: CardSighting, coverage: float) -> ScaleFigures:
    size = np.array(sighting.layout.size_mm) * plane.print_scale
    corners = np.array([(-1, 1), (1, 1), (1, -1), (-1, -1)]) * size / 2
    seen = project(plane.camera, np.c_[corners, np.zeros(4)])
    return ScaleFigures(
        layout=sighting.layout.name,
        tilt_deg=plane.tilt_deg,
        distance_mm=plane.distance_mm,
        residual_px=plane.residual_px,
        n_points=plane.n_points,
        sd_pct=100 * plane.length_sd_frac,
        check_line_mm=(100 * float(plane.print_scale[0]), 100 * float(plane.print_scale[1])),
        focal_source=plane.focal_source,
        sheet_photo_px=_points(seen),
        sheet_size_mm=(float(size[0]), float(size[1])),
        printed=_printed(plane.printed, coverage) if plane.printed else None,
    )


def _template(found: Found, placement: Placement | None) -> TemplateFigures:
    template = found.template
    assert template is not None
    figures = TemplateFigures(
        name=template.name,
        mount=template.mount,
        solid=template.solid,
        alloy=template.alloy,
        thickness_mm=template.thickness_mm,
        sha256=template_digest(template),
        chosen=found.chosen,
        angle_deg=None,
        mirrored=None,
        anchored_by=None,
        outline_photo_px=None,
    )
    if placement is None or found.plane is None:
        return figures
    motion = placement.sheet_from_part
    # the record's angle is that of a turn before the mirroring, a motion's of one after it
    angle = float(np.degrees(motion.angle_rad)) * (-1 if motion.mirrored else 1)
    return replace(
        figures,
        angle_deg=angle,
        mirrored=motion.mirrored,
        anchored_by=placement.anchored_by + (", ambiguous" if placement.ambiguous else ""),
        outline_photo_px=_new_outline_px(placement, found.plane),
    )


def _worst_in_photo(recession: RecessionFigures, placement: Placement, plane: Plane) -> RecessionFigures:
    """The worst place as the photo shows it: the worn edge nearest to it, at the height at which the
    camera saw it."""
    if recession.worst_part_mm is None:
        return recession
    worn = np.vstack([r for piece in placement.plan_mm for r in piece])
    heights = np.concatenate([h for piece in placement.limb_height_mm for h in piece])
    nearest = int(np.argmin(np.linalg.norm(worn - np.asarray(recession.worst_part_mm), axis=1)))
    on_sheet = placement.sheet_from_part.apply(worn[nearest])
    x, y = project(plane.camera, np.array([[*on_sheet, heights[nearest]]]))[0]
    return replace(recession, worst_photo_px=(float(x), float(y)))


def _new_outline_px(placement: Placement, plane: Plane) -> tuple[tuple[tuple[float, float], ...], ...]:
    """The new outline drawn in the photo, each point at the height at which the camera saw the nearest
    worn edge, so that the two coincide where nothing is gone."""
    from scipy.ndimage import gaussian_filter1d
    from scipy.spatial import cKDTree

    from anodewane.geometry.rings import from_shapely, polygons_of, resample_ring, to_shapely

    worn = np.vstack([r for piece in placement.plan_mm for r in piece])
    heights = np.concatenate([h for piece in placement.limb_height_mm for h in piece])
    tree = cKDTree(worn)
    out = []
    for ring in placement.template.rings:
        points = resample_ring(np.asarray(ring), 1.5)
        seen_at = gaussian_filter1d(heights[tree.query(points)[1]], 1.5, mode="wrap")
        on_sheet = placement.sheet_from_part.apply(points)
        seen = project(plane.camera, np.c_[on_sheet, seen_at])
        # where the edge changes from the top to the foot of a wall, as in a deep hole, the line
        # would cross itself
        clear = polygons_of(to_shapely((seen,)))
        out.append(_points(from_shapely(clear[0])[0] if clear else seen))
    return tuple(out)
