"""Several photos of one part, judged together. Read `judge_together` first.

``each photo: load -> card -> plane; the one from above: the whole line of
`anodewane.judgement.pipeline`; the others: outline -> all: face, fit -> agree -> hidden -> decide``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from anodewane.errors import CannotJudge, UsageError
from anodewane.geometry.camera import project
from anodewane.geometry.rings import pieces_to_shapely
from anodewane.judgement.found import Found
from anodewane.judgement.method import Method
from anodewane.judgement.pipeline import check_outline, examine
from anodewane.judgement.to_record import record_of, refused
from anodewane.record import (
    AreaFigures,
    Consumed,
    HoleFinding,
    Interval,
    MassFigures,
    NextPhoto,
    Reason,
    TogetherFigures,
    Verdict,
    ViewFigures,
)
from anodewane.records import (
    CardSighting,
    Given,
    ManualOutline,
    MetalMask,
    Photo,
    Placement,
    Plane,
    Template,
    Wear,
)
from anodewane.refusals import finding
from anodewane.settings import Settings
from anodewane.stages.decide import decide
from anodewane.stages.placing.silhouette import plan_area
from anodewane.stages.plane import locate_camera
from anodewane.stages.print_scale import locate_printed
from anodewane.units import Floats
from anodewane.views.advice import Candidate, candidates, silhouette_rings
from anodewane.views.agree import Agreement, agreement
from anodewane.views.casting import casting, face_region, look_at_casting
from anodewane.views.face import FaceHeights, FaceMotion, face_heights, face_motions
from anodewane.views.fit import Face, Look, SolidFit, fit_solid, look_at_part
from anodewane.views.law import (
    CAST_UNSEEN,
    FACE_BIAS_SD_MM,
    Setting,
    height_sd,
    held_by_mass,
    hidden_mm,
    prior_of,
)
from anodewane.views.model import Solid, plate, rod
from anodewane.views.outline import camera_elevation_deg, outline_from_the_side
from anodewane.views.sheet import find_sheet
from anodewane.wear.open_form import central_form
from anodewane.wear.solids import new_area, new_mass_g, new_volume, recession_near_area

FEWEST, MOST = 2, 8
MOST_TILT_DEG = 88.0
"""Any photo that shows the sheet well enough to say where the camera stood is good for a joint fit."""
FACE_FROM_DEG = 27.0
"""Elevation above the bench from which a photo shows the face well enough to be matched."""
FEWEST_FACE_POINTS = 8


@dataclass(slots=True)
class View:
    """One photo on its way through. mask is None until it is found; as_it_is : whether the sheet was
    found in the photo as it is."""

    photo: Photo
    sighting: CardSighting
    plane: Plane
    mask: MetalMask | None
    outline: ManualOutline | None = None
    elevation_deg: float = 90.0
    as_it_is: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """One side of a part as its photos show it. views[0] is the one from above; found : what it says
    alone; matched : heights of the face, face_views : the photos that they were matched between;
    hidden_mm, hidden_sd_mm : mean thickness over the plan that the solid has too much
    (`law.hidden_mm`)."""

    views: tuple[View, ...]
    found: Found
    solid: Solid
    setting: Setting
    fit: SolidFit
    agreements: tuple[Agreement, ...]
    matched: FaceHeights | None
    face_views: tuple[int, ...]
    hidden_mm: float
    hidden_sd_mm: float


def judge_together(
    photos: Sequence[Photo],
    template: Template | None = None,
    given: Given | None = None,
    method: Method | None = None,
    *,
    other_side: Sequence[Photo] = (),
    outlines: Sequence[ManualOutline | None] | None = None,
) -> Verdict:
    """Judge one part from several photos of it, lying untouched by (or on) the same sheet.

    Parameters
    ----------
    photos : sequence of Photo
        Two to eight, one of them from above, in any order.
    template : Template, optional
        The new part; None takes the best fit of the built-in library to the photo from above.
    given : Given, optional
        As `judge` has it, but for the outline.
    method : Method, optional
        As `judge` has it.
    other_side : sequence of Photo
        Photos of the same part turned over, for an open mount.
    outlines : sequence of ManualOutline or None, optional
        Outlines by hand, one for each photo, those of the other side behind.

    Returns
    -------
    Verdict
        The record of the photo from above, with the figures of all: `views` and `together` say what
        each brought. Or "cannot_judge" with reasons and remedies.

    Raises
    ------
    ModelError
    UsageError
        Too few or too many photos, or one of them twice; or an outline that isn't of its photo.
    """
    _check_count(photos, other_side, outlines)
    loaded = [*photos, *other_side]
    by_hand: list[ManualOutline | None] = list(outlines) if outlines is not None else [None] * len(loaded)
    for photo, outline in zip(loaded, by_hand, strict=True):
        check_outline(outline, photo)
    _refuse_twins(loaded)
    given, method = given or Given(), method or Method()
    if given.outline is not None:
        raise UsageError("One outline was given for several photos.", "Give one for each photo.")
    if not all(by_hand):
        method = replace(method, segmenter=method.get_segmenter())
    found = Found(loaded[0], given, method, template)
    n = len(photos)
    try:
        first = _side(loaded[:n], by_hand[:n], found)
        second = None
        if other_side:
            assert first.found.template is not None
            if first.found.template.mount != "open":
                raise CannotJudge(
                    "other_side_is_dry", f"template '{first.found.template.name}' is a flush mount"
                )
            turned = replace(first.found.template, mirror_ok=True)
            second = _side(
                loaded[n:], by_hand[n:], Found(loaded[n], given, method, turned, first.found.chosen)
            )
        return _verdict(first, second, found.settings)
    except CannotJudge as refusal:
        return refused(found, refusal)


def _check_count(photos: Sequence[Any], other_side: Sequence[Any], outlines: Sequence[Any] | None) -> None:
    count = len(photos) + len(other_side)
    if len(photos) < 1 or not FEWEST <= count <= MOST:
        raise UsageError(
            f"{count} photos of one part were given.",
            f"Give {FEWEST} to {MOST}: one from above and one or more from the side.",
        )
    if outlines is not None and len(outlines) != count:
        raise UsageError(
            f"{len(outlines)} masks were given for {count} photos.", "Give one for each photo, or none."
        )


def _refuse_twins(photos: list[Photo]) -> None:
    seen: dict[str, str] = {}
    for photo in photos:
        twin = seen.setdefault(photo.source.sha256, photo.source.name)
        if photo is not photos[0] and twin is not photo.source.name:
            raise UsageError(
                f"'{photo.source.name}' and '{twin}' are the same photo.", "Give each photo once."
            )


# --- one side ------------------------------------------------------------------------------------


def _side(
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
    middle = around.mean(0)
    for view in views:
        view.elevation_deg = camera_elevation_deg(view.plane.camera, middle)
        if view.mask is None:
            segmenter = found.method.get_segmenter()
            try:
                view.mask = outline_from_the_side(
                    view.photo, view.plane, view.sighting.layout, around, segmenter
                )
            except CannotJudge as refusal:
                code = (
                    "photos_disagree" if refusal.code == "no_part" else refusal.code
                )  # there is one, by the photo from above
                raise CannotJudge(code, _named(view, refusal.detail)) from refusal
            if view.mask.touches_border:
                raise CannotJudge("part_cut_off", _named(view, "its outline meets the edge of the picture"))
    depth = recession_near_area(template, min(plan.area, new_area(template)))
    face_views = (
        tuple(i for i, v in enumerate(views) if i == 0 or v.elevation_deg > FACE_FROM_DEG)
        if template.solid != "rod"
        else ()
    )
    region = plan.buffer(-1.5) if solid.body is None else face_region(solid, plan)
    matched = None
    if len(face_views) > 1 and not region.is_empty:
        matched = face_heights(
            tuple(views[i].photo for i in face_views),
            tuple(views[i].plane.camera for i in face_views),
            region,
            template.thickness_mm,
        )
        if len(matched.height_mm) < FEWEST_FACE_POINTS:
            matched = None
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
    _refuse_disagreement(
        views, agreements, _marks_moved(views, plan, solid, fit), _radius(solid), lost, solid.body is not None
    )
    if matched is not None:
        _refuse_nearer(views, solid, setting, fit)
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
        face_views if matched is not None else (),
        hidden,
        hidden_sd,
    )


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
    return (mass.high - mass.low) / 200 / _z(wear.consumed.coverage)


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


def _named(view: View, text: str) -> str:
    return f"'{view.photo.source.name}': {text}"


MISS_MM, MISS_PER_LOST = 2.2, 0.16
MISSED_MOST = 0.25
MOVED_MM, MOVED_PER_LOST, MOVED_SIGMAS = 2.5, 0.18, 3.3
"""Bounds of disagreement, mm, wider the more is worn: 58 rendered parts that lay still stay within them
but for 2 to 8 (seen half-way up, or low), of 58 that moved by 5 to 12 mm 56 are found from half-way up
and 37 from a low photo alone, and every one of 58 that is another part
(docs/decisions/0030-several-photos.md)."""
FACE_UNLIKE, FACE_MARKS = 0.35, 30
"""Median correlation of windows of a face's marks under which they are another part's, and windows it
takes to say so."""
AGREES = 0.6
"""Of the bounds of disagreement, within which an outline speaks for a casting whose marks don't."""
FACE_ALIKE = 0.5
"""Correlation of a whole face's marks, best laid on one another, from which on where they lie is to be
relied on; an uneven face has less, though it lay still."""
FACE_MOVED_MM, FACE_ALONG_MM = 1.6, 2.5
"""How far the marks of a part that lay still may seem to have moved, at the plan's rms radius: turned
and across the line of sight, and along it, as a height feigns."""
LOOSER = 1.7
"""Where the marks say that it lay still, so much wider are the outline's bounds: then it is the solid
that doesn't suit the part, as where water got under it."""


def _radius(solid: Solid) -> float:
    """Rms distance of the plan's outline from its middle, mm."""
    middle = solid.plan_base.mean(0)
    return float(np.sqrt(np.mean(np.sum((solid.plan_base - middle) ** 2, axis=1))))


def _marks_moved(views: list[View], plan: Any, solid: Solid, fit: SolidFit) -> dict[int, FaceMotion]:
    """By photo, how the marks on the part lie in it against the photo from above, wherever both show
    enough of them."""
    seen = [i for i, v in enumerate(views) if i == 0 or v.elevation_deg > FACE_FROM_DEG]
    if len(seen) < 2:
        return {}
    if solid.body is not None:
        inner, body = face_region(solid, plan), solid.body

        def height(xy: Floats) -> Floats:
            top: Floats = body.top(xy) + solid.top_slope(xy) @ fit.p
            return top

    elif solid.plate:
        inner = plan.buffer(-2.0)

        def height(xy: Floats) -> Floats:
            return solid.top_slope(xy) @ fit.p
    else:
        radius = float(fit.p[solid.block("axis").start])
        inner = plan.buffer(-ROD_BESIDE * radius)

        def height(xy: Floats) -> Floats:
            return radius + solid.height_at(xy, fit.p) / 2

    if inner.is_empty:
        return {}
    motions = face_motions(
        tuple(views[i].photo for i in seen), tuple(views[i].plane.camera for i in seen), inner, height
    )
    return {i: m for i, m in zip(seen[1:], motions, strict=True) if m.marks >= FACE_MARKS}


ROD_BESIDE = 0.35
"""Share of a rod's radius at its sides where it falls away too steeply to compare marks."""


def _refuse_disagreement(
    views: list[View],
    agreements: tuple[Agreement, ...],
    marks: dict[int, FaceMotion],
    radius_mm: float,
    lost_mm: float,
    cast: bool,
) -> None:
    first = views[0].photo.source.name
    for i, (view, a) in enumerate(zip(views[1:], agreements, strict=True), start=1):
        looser = 1.0
        if (face := marks.get(i)) is not None:
            sure = face.match > FACE_ALIKE
            moved = float(np.hypot(face.across_mm, np.radians(face.turned_deg) * radius_mm))
            displaced = moved > FACE_MOVED_MM or abs(face.along_mm) > FACE_ALONG_MM
            if sure and displaced:
                raise CannotJudge(
                    "photos_disagree",
                    _named(
                        view,
                        f"by its marks the part has moved by {max(moved, abs(face.along_mm)):.0f} mm since "
                        f"'{first}'",
                    ),
                )
            # glare and flash change a casting's face between photos: it takes a doubtful outline as well
            fits = cast and a.miss_mm < AGREES * (MISS_MM + MISS_PER_LOST * lost_mm)
            fits = fits and a.moved_mm < AGREES * (MOVED_MM + MOVED_PER_LOST * lost_mm)
            if face.likeness < FACE_UNLIKE - 0.1 * sure and not fits:
                raise CannotJudge(
                    "photos_disagree", _named(view, f"the marks on its face aren't those of '{first}'")
                )
            looser = LOOSER if sure and not displaced else 1.0
        if a.moved_mm > looser * max(MOVED_MM + MOVED_PER_LOST * lost_mm, MOVED_SIGMAS * a.moved_sd_mm):
            raise CannotJudge(
                "photos_disagree",
                _named(view, f"the part seems to have moved by {a.moved_mm:.0f} mm since '{first}'"),
            )
        if a.miss_mm > looser * (MISS_MM + MISS_PER_LOST * lost_mm) or a.missed_frac > MISSED_MOST:
            raise CannotJudge(
                "photos_disagree",
                _named(
                    view, f"its outline misses the part that '{first}' shows by {a.miss_mm:.0f} mm and more"
                ),
            )


TOO_LOW_SIGMAS, BELOW_SIGMAS = 3.0, 2.0


def _refuse_nearer(views: list[View], solid: Solid, setting: Setting, fit: SolidFit) -> None:
    """Marks of a part that came nearer to the camera along its line of sight look like those of a lower
    face. Then its outline reaches below where it stands."""
    height = solid.block("height").start
    if (setting.start[height] - fit.p[height]) / setting.sd[height] < TOO_LOW_SIGMAS:
        return
    skirt = 0.0
    if solid.has("foot"):
        foot = solid.block("foot")
        skirt = float(-(fit.p[foot] / setting.sd[foot]).mean())
    for view, look, own in zip(views[1:], fit.looks[1:], fit.own[1:], strict=True):
        below = float((own[2] - look.contact_mm) / look.contact_sd_mm)
        if max(below, skirt) > BELOW_SIGMAS:
            raise CannotJudge(
                "photos_disagree",
                _named(view, f"the part seems to have come nearer since '{views[0].photo.source.name}'"),
            )


# --- the record ----------------------------------------------------------------------------------


def _z(coverage: float) -> float:
    from scipy.special import ndtri

    return float(ndtri((1 + coverage) / 2))


@dataclass(frozen=True, slots=True)
class _Mass:
    """Share of the new mass that is left and its one-sigma by cause."""

    value: float
    causes: dict[str, float]

    @property
    def sd(self) -> float:
        return float(np.sqrt(sum(v * v for v in self.causes.values())))


def _verdict(first: Fitted, second: Fitted | None, settings: Settings) -> Verdict:
    found = first.found
    assert found.wear is not None
    assert found.placement is not None
    assert found.mask is not None
    assert found.plane is not None
    assert found.template is not None
    before, template = found.wear, found.template
    share = _mass_slope(first, template)
    share_2 = _mass_slope(second, template) if second is not None else share
    mass = (
        _mass_left(first, share, settings)
        if second is None
        else _mass_of_both(first, share, second, share_2, settings)
    )
    area, area_sd = _area_left(first, before)
    if second is not None:
        assert second.found.wear is not None
        other, other_sd = _area_left(second, second.found.wear)
        apart = abs(area - other) / new_area(template)
        if apart > 0.03 + 4 * float(np.hypot(area_sd, other_sd)) / new_area(template):
            raise CannotJudge(
                "photos_disagree",
                f"seen from its other side the part has {100 * apart:.0f} % of the new area more or less",
            )
        area, area_sd = _weighted(area, area_sd, other, other_sd)
        before = replace(before, holes=_worse_holes(before, second.found.wear))
    wear = _wear(before, template, mass, area, area_sd, settings, weighed=found.given.weighed_g is not None)
    grade, reasons = decide(wear, found.placement, found.mask, found.plane, found.photo, settings)
    if found.chosen:
        reasons = (*reasons, finding("template_chosen", template.name))
    reasons = (*reasons, *_notes(first, second))
    found.wear = wear
    record = record_of(found, grade, reasons)
    views = tuple(_view_figures(first, i, share, mass, other=False) for i in range(len(first.views)))
    if second is not None:
        views += tuple(_view_figures(second, i, share_2, mass, other=True) for i in range(len(second.views)))
    return replace(
        record, views=views, together=_together(first, second, before, share, mass, wear, settings)
    )


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


def _mass_slope(fitted: Fitted, template: Template) -> Floats:
    return fitted.solid.gradient(_figure(fitted, template), fitted.fit.p)


def _mass_left(fitted: Fitted, slope: Floats, settings: Settings) -> _Mass:
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
        value, causes["thickness"] = _weighted(value, unknown, given, given_sd)
    return _Mass(value, causes)


ROUND_SEEN = 0.5
"""Of the doubt whether a rod's section is round, how much several photos leave: with all of it the
errors of 20 pairs of photos of rendered rods were half as wide as their intervals
(docs/decisions/0030-several-photos.md)."""


def _weighted(a: float, a_sd: float, b: float, b_sd: float) -> tuple[float, float]:
    """Mean of two readings by their precision, and its one-sigma."""
    w = b_sd**2 / (a_sd**2 + b_sd**2)
    return w * a + (1 - w) * b, a_sd * b_sd / float(np.hypot(a_sd, b_sd))


def _mass_of_both(first: Fitted, slope: Floats, second: Fitted, slope_2: Floats, settings: Settings) -> _Mass:
    """Both faces seen: heights above the bench, lying on the one face and on the other, add up to
    thickness and overall height."""
    template = first.found.template
    assert template is not None
    alone = _mass_left(first, slope, settings)
    if template.solid != "plate":
        other = _mass_left(second, slope_2, settings)
        value, _ = _weighted(alone.value, alone.sd, other.value, other.sd)
        return _Mass(value, alone.causes)
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
    joined, joined_sd = _weighted(
        value,
        both,
        alone.value,
        float(np.hypot(alone.causes.get("fit", 0.0), alone.causes.get("unseen", 0.0))),
    )
    return _Mass(joined, {"fit": joined_sd, **shared})


def _overall_mm(side: Fitted) -> float:
    """Height of the proudest places of a face above the bench: the part lies on the proudest of the other."""
    if side.matched is not None:
        return float(np.quantile(side.matched.height_mm, 0.97))
    points = side.solid.points(side.fit.p)
    return float(points[:, 2].max())


AREA_SHARE = 0.4
"""Of the fitted solid in the area: photos from the side say little of it, and a segmenter's outlines
there are less sure than the one from above."""


def _area_left(fitted: Fitted, before: Wear) -> tuple[float, float]:
    """Plan area and its one-sigma, mm2: that of the photo from above, whose edge is where the metal
    ends as seen from there, and the fitted solid's."""
    new = before.area.new_mm2
    alone, alone_sd = (
        before.area.remaining_mm2,
        (before.consumed.area_pct.high - before.consumed.area_pct.low)
        / 2
        / _z(before.consumed.coverage)
        * new
        / 100,
    )
    slope = fitted.solid.gradient(fitted.solid.plan_area, fitted.fit.p)
    joint, joint_sd = fitted.solid.plan_area(fitted.fit.p), float(np.sqrt(slope @ fitted.fit.cov @ slope))
    share = AREA_SHARE
    value = share * joint + (1 - share) * alone
    return value, float(np.hypot((1 - share) * alone_sd, share * np.hypot(joint_sd, 0.6 * alone_sd)))


def _wear(
    before: Wear,
    template: Template,
    mass: _Mass,
    area_mm2: float,
    area_sd_mm2: float,
    settings: Settings,
    *,
    weighed: bool,
) -> Wear:
    """What the photo from above found, with the figures of all photos in place of its own."""
    z = _z(settings.coverage)
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


def _worse_holes(a: Wear, b: Wear) -> tuple[HoleFinding, ...]:
    """Each fixing hole as the side says that shows it more worn: the template joins the two by its holes."""
    rank = {"not_seen": 0, "sound": 1, "grown": 2, "lost": 3}
    return tuple(
        max((h, k), key=lambda x: (rank[x.state], x.growth_mm or 0.0))
        for h, k in zip(a.holes, b.holes, strict=True)
    )


def _notes(first: Fitted, second: Fitted | None) -> tuple[Reason, ...]:
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


# --- what each photo brought ---------------------------------------------------------------------


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


def _view_figures(fitted: Fitted, index: int, slope: Floats, mass: _Mass, *, other: bool) -> ViewFigures:
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


def _together(
    first: Fitted,
    second: Fitted | None,
    before: Wear,
    slope: Floats,
    mass: _Mass,
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


def _next_photo(fitted: Fitted, slope: Floats, mass: _Mass, settings: Settings) -> NextPhoto | None:
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
    width_now = 200 * _z(settings.coverage) * mass.sd
    width = 200 * _z(settings.coverage) * float(np.hypot(best.sd, rest))
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
