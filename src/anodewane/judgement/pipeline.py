"""The judgement, stage by stage. Read this first.

``load -> card -> plane -> label -> flatten, segment (two looks) -> refine -> fouling -> align -> wear
-> decide``. A readable photo always gets a `Verdict`: a stage that can't go on raises `CannotJudge`,
and the record then holds the refusal beside whatever was measured before it. Exceptions are for
unreadable input and a bad model.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from anodewane.catalog.lens import LensProfile
from anodewane.catalog.templates import builtin_templates, template_digest
from anodewane.errors import CannotJudge
from anodewane.geometry.camera import project
from anodewane.geometry.rings import oriented
from anodewane.judgement.provenance import make_provenance
from anodewane.judgement.trace import NoTrace, Trace
from anodewane.record import (
    SCHEMA_VERSION,
    Grade,
    Label,
    Outline,
    PhotoFigures,
    Reason,
    RecessionFigures,
    ScaleFigures,
    TemplateFigures,
    Verdict,
)
from anodewane.records import CardSighting, MetalMask, Photo, Placement, Plane, Template, Wear
from anodewane.refusals import finding, refusal_reason
from anodewane.settings import Settings
from anodewane.stages.align import align, choose_template, lay
from anodewane.stages.card import find_card
from anodewane.stages.decide import decide, limits_of
from anodewane.stages.fouling import say_fouling
from anodewane.stages.label import read_label
from anodewane.stages.load import load_photo
from anodewane.stages.plane import locate_camera
from anodewane.stages.refine import refine
from anodewane.stages.segment import Segmenter, find_part, get_segmenter
from anodewane.stages.wear import measure
from anodewane.units import Rings

CAUTIONS = (
    "Isolate the engine and take the key out before working by a propeller.",
    "Anode dust is harmful and fines of aluminium and magnesium burn: work wet, with mask, gloves and eye protection.",
    (
        "A photo can't replace a reference-cell survey: stray current and bonding faults go to a qualified corrosion or marine electrical technician; "
        "local codes and class rules first."
    ),
)
"""Printed with every record (usual cautions of the trade)."""


@dataclass(slots=True)
class Found:
    """What the stages have found so far; a refusal leaves the later fields empty."""

    photo: Photo
    sighting: CardSighting | None = None
    plane: Plane | None = None
    label: Label | None = None
    mask: MetalMask | None = None
    template: Template | None = None
    chosen: bool = False
    placement: Placement | None = None
    wear: Wear | None = None
    segmenter: str | None = None
    model_sha256: str | None = None
    reasons: list[Any] = field(default_factory=list)


def judge(
    data: bytes,
    name: str,
    template: Template | None,
    settings: Settings,
    *,
    segmenter: Segmenter | None = None,
    mask: MetalMask | None = None,
    profile: LensProfile | None = None,
    trace: Trace | None = None,
) -> Verdict:
    """Judge one photo.

    Parameters
    ----------
    data : bytes
        The file as it is: JPEG, HEIC, PNG or WebP.
    name : str
        Its name, for the record.
    template : Template or None
        The new part; None takes the best fit of the built-in library.
    settings : Settings
    segmenter : Segmenter, optional
        Who tells metal from the rest; the trained network when None.
    mask : MetalMask, optional
        The remaining metal as a person outlined it, in place of a segmenter.
    profile : LensProfile, optional
        The phone's lens as `anodewane camera` measured it.
    trace : Trace, optional
        Takes a picture of each stage.

    Returns
    -------
    Verdict
        Judged, or "cannot_judge" with reasons and remedies.

    Raises
    ------
    InputUnreadable
        The file isn't a photo that can be read.
    ModelError
        The network's model file is missing or altered.
    """
    return judge_photo(
        load_photo(data, name),
        template,
        settings,
        segmenter=segmenter,
        mask=mask,
        profile=profile,
        trace=trace,
    )


def judge_photo(
    photo: Photo,
    template: Template | None,
    settings: Settings,
    *,
    segmenter: Segmenter | None = None,
    mask: MetalMask | None = None,
    profile: LensProfile | None = None,
    trace: Trace | None = None,
) -> Verdict:
    """As `judge`, of a photo that is loaded already: whoever draws it too decodes it once."""
    found = Found(photo, template=template)
    try:
        grade, reasons = examine(
            found, settings, segmenter=segmenter, mask=mask, profile=profile, trace=trace
        )
    except CannotJudge as refusal:
        return refused(found, settings, refusal)
    return record_of(found, settings, grade, reasons)


def examine(
    found: Found,
    settings: Settings,
    *,
    segmenter: Segmenter | None = None,
    mask: MetalMask | None = None,
    profile: LensProfile | None = None,
    trace: Trace | None = None,
) -> tuple[Grade, tuple[Reason, ...]]:
    """Carry a loaded photo through the stages, leaving in `found` what each of them found; the grade
    and its reasons.

    Raises
    ------
    CannotJudge
        `found` then holds what was found before.
    """
    found.sighting = found.sighting or find_card(found.photo, settings=settings)
    found.plane = locate_camera(found.photo, found.sighting, settings, profile)
    found.label = read_label(found.photo, found.plane, found.sighting.layout)
    found.mask = _metal(found, settings, segmenter, mask, trace or NoTrace())
    if found.mask.touches_border:
        raise CannotJudge("part_cut_off", "its outline meets the edge of the picture")
    if found.template is None:
        found.chosen = True
        found.template = choose_template(
            found.mask, found.plane, tuple(builtin_templates().values()), settings
        )
    found.placement = align(found.mask, found.plane, found.template, settings)
    found.wear = measure(found.placement, found.mask, found.plane, settings)
    grade, reasons = decide(found.wear, found.placement, found.mask, found.plane, found.photo, settings)
    return grade, (*reasons, finding("template_chosen", found.template.name)) if found.chosen else reasons


def refused(found: Found, settings: Settings, refusal: CannotJudge) -> Verdict:
    """The record of a photo that can't be judged, with what was found before."""
    notes = tuple(finding("file_note", note) for note in found.photo.notes)
    return record_of(found, settings, None, (refusal_reason(refusal), *notes))


def _metal(
    found: Found, settings: Settings, segmenter: Segmenter | None, mask: MetalMask | None, trace: Trace
) -> MetalMask:
    """The remaining metal: handed in, or found in two looks and refined at full size."""
    assert found.plane is not None
    assert found.sighting is not None
    if mask is not None:
        found.segmenter = mask.segmenter
        return mask
    segmenter = segmenter or get_segmenter("network")
    found.segmenter, found.model_sha256 = segmenter.name, segmenter.model_sha256
    soft = find_part(found.photo, found.plane, found.sighting, segmenter, settings)
    trace.picture("metal", soft.metal_prob)
    return say_fouling(
        found.photo, found.plane, found.sighting.layout, refine(found.photo, found.plane, soft, settings)
    )


def outline_of_new_part(
    data: bytes,
    name: str,
    thickness_mm: float,
    settings: Settings,
    solid: str = "plate",
    segmenter: Segmenter | None = None,
) -> Rings:
    """Plan outline of a new part photographed on the sheet, in its own mm: centred, its long side along
    x, holes clockwise.

    Parameters
    ----------
    thickness_mm : float
        The part's height above the sheet: a new wall stands straight, so this is all that the height
        correction needs. A rod's diameter.
    solid : {"plate", "rod"}

    Raises
    ------
    InputUnreadable, ModelError
    CannotJudge
        As `judge` would refuse the photo.
    """
    from anodewane.geometry.camera import to_height
    from anodewane.geometry.rings import polygons_of, rings_area, to_shapely
    from anodewane.stages.placing.silhouette import long_axis, plate_plan, rod_plan, silhouette_of
    from anodewane.wear.edge_height import Wall

    found = Found(load_photo(data, name))
    found.sighting = find_card(found.photo, settings=settings)
    found.plane = locate_camera(found.photo, found.sighting, settings)
    found.mask = _metal(found, settings, segmenter, None, NoTrace())
    if found.mask.touches_border:
        raise CannotJudge("part_cut_off", "its outline meets the edge of the picture")
    if (
        len([p for p in found.mask.pieces_px if rings_area(p) > 0.03 * rings_area(found.mask.pieces_px[0])])
        > 1
    ):
        raise CannotJudge("several_parts", f"{len(found.mask.pieces_px)} pieces")
    seen = silhouette_of(found.mask, found.plane.camera)
    rough = tuple(to_height(found.plane.camera, r, thickness_mm / 2) for r in found.mask.pieces_px[0])
    stand_in = Template(
        "new part",
        oriented(rough),
        thickness_mm,
        "flush",
        "rod" if solid == "rod" else "plate",
        "zinc",
        None,
        1.0,
        (),
        None,
        False,
    )
    plan = (
        rod_plan(seen, stand_in)[0][0]
        if solid == "rod"
        else plate_plan(seen, stand_in, thickness_mm, Wall(0.0, thickness_mm, 0.1))[0][0]
    )
    polygon = polygons_of(to_shapely(plan))[0]
    axis = long_axis(plan[0])
    turn = np.column_stack([axis, [-axis[1], axis[0]]])
    centre = np.array([polygon.centroid.x, polygon.centroid.y])
    return oriented(tuple((np.asarray(r) - centre) @ turn for r in plan))


# --- the record ----------------------------------------------------------------------------------


def record_of(found: Found, settings: Settings, grade: Grade | None, reasons: tuple[Reason, ...]) -> Verdict:
    """The record of what was found; without a grade, of a refusal."""
    photo, wear = found.photo, found.wear
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
            placement = lay(found.mask, found.plane, found.template, settings)
        except (CannotJudge, ValueError):
            placement = None
    return Verdict(
        schema_version=SCHEMA_VERSION,
        status="judged" if grade else "cannot_judge",
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
        scale=_scale(found.plane, found.sighting) if found.plane and found.sighting else None,
        template=_template(found, placement) if found.template else None,
        label=found.label,
        photo=PhotoFigures(photo.source.name, photo.source.sha256, width, height, photo.taken),
        budget=wear.budget if wear and grade else {},
        cautions=CAUTIONS,
        provenance=make_provenance(settings.digest(), found.segmenter, found.model_sha256),
    )


def _points(ring: Any) -> tuple[tuple[float, float], ...]:
    return tuple(map(tuple, np.asarray(ring, float).tolist()))


def _outline(found: Found, placement: Placement | None) -> Outline | None:
    if found.mask is None:
        return None
    rings = [r for piece in found.mask.pieces_px for r in piece]
    part = [r for piece in placement.plan_mm for r in piece] if placement else []
    return Outline(tuple(_points(r) for r in rings), tuple(_points(r) for r in part))


def _scale(plane: Plane, sighting: CardSighting) -> ScaleFigures:
    size = np.array(sighting.layout.size_mm) * np.array(plane.check_line_mm) / 100.0
    corners = np.array([(-1, 1), (1, 1), (1, -1), (-1, -1)]) * size / 2
    seen = project(plane.camera, np.c_[corners, np.zeros(4)])
    return ScaleFigures(
        layout=sighting.layout.name,
        tilt_deg=plane.tilt_deg,
        distance_mm=plane.distance_mm,
        residual_px=plane.residual_px,
        n_points=plane.n_points,
        sd_pct=100 * plane.scale_sd_frac,
        check_line_mm=plane.check_line_mm,
        focal_source=plane.focal_source,
        sheet_photo_px=_points(seen),
        sheet_size_mm=(float(size[0]), float(size[1])),
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
        anchored_by=placement.anchored_by,
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
