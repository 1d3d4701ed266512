"""One lie of a part: its photos found, their outlines, the face matched, the solid fitted."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from anodewane.errors import CannotJudge
from anodewane.geometry.rings import pieces_to_shapely
from anodewane.judgement.found import Found
from anodewane.judgement.pipeline import examine
from anodewane.records import (
    ManualOutline,
    Photo,
    Placement,
    Template,
    Wear,
)
from anodewane.stages.placing.silhouette import plan_area
from anodewane.stages.plane import locate_camera
from anodewane.stages.print_scale import locate_printed
from anodewane.units import Floats
from anodewane.views.agree import agreement
from anodewane.views.casting import casting, face_region, look_at_casting
from anodewane.views.disagree import marks_moved, radius, refuse_disagreement, refuse_nearer
from anodewane.views.face import FaceHeights, face_heights
from anodewane.views.fit import Face, Look, fit_solid, look_at_part
from anodewane.views.law import (
    FACE_BIAS_SD_MM,
    height_sd,
    held_by_mass,
    hidden_mm,
    prior_of,
)
from anodewane.views.mass import normal_quantile
from anodewane.views.model import Solid, plate, rod
from anodewane.views.outline import camera_elevation_deg, outline_from_the_side
from anodewane.views.seen import FACE_FROM_DEG, Fitted, View, named
from anodewane.views.sheet import find_sheet
from anodewane.wear.open_form import central_form
from anodewane.wear.solids import new_area, new_volume, recession_near_area

MOST_TILT_DEG = 88.0
"""Any photo that shows the sheet well enough to say where the camera stood is good for a joint fit."""
FEWEST_FACE_POINTS = 8


def fitted_side(
    photos: list[Photo],
    outlines: list[ManualOutline | None],
    found: Found,
) -> Fitted:
    """Fit the photos of one lie of the part; `found` is filled with what the photo from above says alone."""
    views = _located(photos, outlines, found)
    above = views[0]
    found.photo = above.photo
    if above.as_it_is:
        found.sighting = above.sighting
    found.given = replace(found.given, outline=above.outline)
    examine(found)
    assert found.mask is not None
    assert found.placement is not None
    assert found.template is not None
    above.mask = found.mask
    template, placement = found.template, found.placement
    pieces = placement.sheet_from_part.apply_to_pieces(placement.plan_mm)
    plan = pieces_to_shapely(pieces)
    solid = _begun(pieces, template, placement)
    outline = pieces[0][0][:: max(1, len(pieces[0][0]) // 60)]
    around = np.concatenate(
        [np.c_[outline, np.full(len(outline), z)] for z in (0.0, placement.remaining_thickness_mm)]
    )
    _see_outlines(views, found, around)
    depth = recession_near_area(template, min(plan.area, new_area(template)))
    face_views, matched = _match_face(views, template, solid, plan)
    lost = max(template.thickness_mm - placement.remaining_thickness_mm, 0.0)
    setting = prior_of(solid, template, placement, depth, matched is not None)
    if solid.body is not None:
        assert found.wear is not None
        setting = held_by_mass(setting, solid.body.volume_slope / new_volume(template), _mass_sd(found.wear))
    face = (
        None
        if matched is None
        else Face(
            solid.top_slope(matched.xy_mm),
            matched.height_mm - (solid.body.top(matched.xy_mm) if solid.body is not None else 0.0),
            matched.sd_mm,
            4.0,
            FACE_BIAS_SD_MM,
        )
    )
    looks = tuple(_look(v, around, template, lost) for v in views)
    if template.form is not None:
        settled, where = central_form(template), placement.sheet_from_part
        area = plan_area(placement.plan_mm)
        looks = tuple(
            look_at_casting(k, solid, setting.start, settled, where, area, above=i == 0)
            for i, k in enumerate(looks)
        )
    agreements = tuple(agreement(look, solid, setting.start, setting.sd) for look in looks[1:])
    fit = fit_solid(solid, looks, setting.prior, setting.start, setting.bounds, face)
    refuse_disagreement(
        views, agreements, marks_moved(views, plan, solid, fit), radius(solid), lost, solid.body is not None
    )
    if matched is not None:
        refuse_nearer(views, solid, setting, fit)
    area = solid.plan_area(fit.p)
    height = float(fit.p[solid.block("height").start])
    foot = float(fit.p[solid.block("foot").start]) if solid.has("foot") else 0.0
    known = 0.0
    if solid.has("foot"):
        k = solid.block("foot").start
        # a foot is seen where it faces the camera: each further photo shows more of it
        known = float(np.clip(1 - fit.cov[k, k] * fit.prior_information[k, k], 0.0, 1.0)) * (
            1 - 0.5 ** (len(views) - 1)
        )
    walls = solid.walls_frac(fit.p) * height if solid.body is None else 0.0
    hidden, hidden_sd = hidden_mm(
        template,
        depth,
        walls,
        height,
        solid.volume(fit.p) / area,
        foot,
        known,
        lost,
        matched is not None,
    )
    return Fitted(
        tuple(views),
        found,
        solid,
        setting,
        fit,
        agreements,
        matched,
        face_views,
        hidden,
        hidden_sd,
    )


def _see_outlines(views: list[View], found: Found, around: Floats) -> None:
    """Find the part's outline in each photo that has none yet, near points (n, 3) of its solid. CannotJudge
    names the photo."""
    middle = around.mean(0)
    for view in views:
        view.elevation_deg = camera_elevation_deg(view.plane.camera, middle)
        if view.mask is not None:
            continue
        segmenter = found.method.get_segmenter()
        try:
            view.mask = outline_from_the_side(view.photo, view.plane, view.sighting.layout, around, segmenter)
        except CannotJudge as refusal:
            # there is a part, by the photo from above
            code = "photos_disagree" if refusal.code == "no_part" else refusal.code
            raise CannotJudge(code, named(view, refusal.detail)) from refusal
        if view.mask.touches_border:
            raise CannotJudge("part_cut_off", named(view, "its outline meets the edge of the picture"))


def _match_face(
    views: list[View], template: Template, solid: Solid, plan: Any
) -> tuple[tuple[int, ...], FaceHeights | None]:
    """Which photos tell the face's heights, and the heights; no photo and None where too little matches."""
    if template.solid == "rod":
        return (), None
    seen = tuple(i for i, v in enumerate(views) if i == 0 or v.elevation_deg > FACE_FROM_DEG)
    region = plan.buffer(-1.5) if solid.body is None else face_region(solid, plan)
    if len(seen) < 2 or region.is_empty:
        return (), None
    matched = face_heights(
        tuple(views[i].photo for i in seen),
        tuple(views[i].plane.camera for i in seen),
        region,
        template.thickness_mm,
    )
    return (seen, matched) if len(matched.height_mm) >= FEWEST_FACE_POINTS else ((), None)


def _begun(pieces: Any, template: Template, placement: Placement) -> Solid:
    """The solid as the photo from above has it."""
    if template.form is not None:
        settled, motion = central_form(template), placement.sheet_from_part
        return casting(pieces, settled, motion, plan_area(placement.plan_mm))
    if template.solid == "rod":
        return rod(pieces)
    return plate(pieces, template, placement.remaining_thickness_mm)


def _mass_sd(wear: Wear) -> float:
    """One-sigma of the share of the new mass that is left, as one photo has it."""
    mass = wear.consumed.mass_pct
    return (mass.high - mass.low) / 200 / normal_quantile(wear.consumed.coverage)


def _located(photos: list[Photo], outlines: list[ManualOutline | None], found: Found) -> list[View]:
    """Where each camera stood; the photo from above first."""
    settings, lens, line = found.settings, found.method.lens, found.given.check_line_mm
    lenient = replace(settings, max_tilt_deg=MOST_TILT_DEG)
    views = []
    for photo, outline in zip(photos, outlines, strict=True):
        try:
            sighting, as_it_is = find_sheet(photo, settings)
            plane = locate_printed(photo, sighting, lenient, lens, line)
            mask = outline.mask if outline else None
            views.append(View(photo, sighting, plane, mask, outline, as_it_is=as_it_is))
        except CannotJudge as refusal:
            raise CannotJudge(
                refusal.code,
                f"'{photo.source.name}': {refusal.detail}" if len(photos) > 1 else refusal.detail,
            ) from refusal
    above = min(range(len(views)), key=lambda i: views[i].plane.tilt_deg)
    if views[above].plane.tilt_deg > settings.max_tilt_deg:
        raise CannotJudge(
            "no_view_from_above",
            f"the steepest, '{views[above].photo.source.name}', is tilted "
            f"{views[above].plane.tilt_deg:.0f} degrees",
        )
    views.insert(0, views.pop(above))
    names = {v.sighting.layout.name for v in views}
    if len(names) > 1:
        raise CannotJudge("photos_disagree", f"they show different sheets: {', '.join(sorted(names))}")
    # it is one print: what the first photo says that shows its paper, the one from above first, goes for all
    told = [v.plane.printed for v in views if v.plane.printed is not None]
    printed = next((p for p in told if p.source != "assumed"), told[0])
    return [
        replace(v, plane=locate_camera(v.photo, v.sighting, lenient, lens, line, printed))
        if v.plane.printed is not printed
        else v
        for v in views
    ]


def _look(view: View, around: Floats, template: Template, lost_mm: float) -> Look:
    assert view.mask is not None
    # from the side a segmenter takes the dark wall of a hole for ground as often as not
    by_hand = view.mask.segmenter == "manual"
    contact = (0.0, 0.05) if by_hand or view.elevation_deg > 60 else CONTACT
    return look_at_part(
        view.plane,
        view.mask.pieces_px,
        view.mask.edge_sd_mm,
        around,
        by_hand or view.elevation_deg > 60,
        height_sd(template, lost_mm),
        contact,
    )


CONTACT = (0.25, 0.45)
"""Bias of a segmenter's outline where metal meets the bench, seen from the side, and its one-sigma from
photo to photo, mm: on our own renders it takes 0.3 less to 0.9 more of the shadow there
(docs/bench/bench_views.py)."""
