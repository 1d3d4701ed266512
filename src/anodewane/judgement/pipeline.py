"""The judgement, stage by stage. Read this first.

``load -> card -> plane, paper, print_scale -> label -> flatten, segment (overview and close-up) ->
refine -> fouling -> align -> wear -> decide``. A readable photo always gets a `Verdict`: a stage that
can't go on raises `CannotJudge`, and the record then holds the refusal beside whatever was measured
before it. Exceptions are for a bad model and a mask that isn't of this photo.
"""

from __future__ import annotations

from anodewane.catalog.templates import builtin_templates
from anodewane.errors import CannotJudge, UsageError
from anodewane.judgement.found import Found
from anodewane.judgement.method import Method
from anodewane.judgement.to_record import record_of, refused
from anodewane.record import Grade, Reason, Verdict
from anodewane.records import Given, ManualOutline, MetalMask, Photo, Placement, Template
from anodewane.refusals import finding
from anodewane.stages.align import align, choose_template, rank_templates
from anodewane.stages.card import find_card
from anodewane.stages.decide import decide
from anodewane.stages.fouling import say_fouling
from anodewane.stages.label import read_label
from anodewane.stages.placing.which import answer_of, is_confirmed
from anodewane.stages.print_scale import locate_printed
from anodewane.stages.refine import refine
from anodewane.stages.segment import find_part
from anodewane.stages.wear import measure


def judge(
    photo: Photo,
    template: Template | None = None,
    given: Given | None = None,
    method: Method | None = None,
) -> Verdict:
    """Judge one photo.

    Parameters
    ----------
    photo : Photo
        From `load_photo(data, name)`: JPEG, HEIC, PNG or WebP.
    template : Template, optional
        The new part; None takes the best fit of the built-in library.
    given : Given, optional
        What a person knows of this part and photo: a weight, a thickness, what the check line measures,
        the outline. None: nothing was measured.
    method : Method, optional
        How it is judged: settings, segmenter, lens, face laws of the season's book. None: the defaults.

    Returns
    -------
    Verdict
        Judged, or "cannot_judge" with reasons and remedies.

    Raises
    ------
    ModelError
        The network's model file is missing or altered.
    UsageError
        The outline was painted over a picture of another size.
    """
    found = Found(photo, given or Given(), method or Method(), template)
    check_outline(found.given.outline, photo)
    try:
        grade, reasons = examine(found)
    except CannotJudge as refusal:
        return refused(found, refusal)
    return record_of(found, grade, reasons)


def check_outline(outline: ManualOutline | None, photo: Photo) -> None:
    """Refuse a mask of another size than the photo. UsageError."""
    height, width = photo.rgb.shape[:2]
    if outline is not None and outline.size_px not in (None, (width, height)):
        raise UsageError(
            f"The mask has {outline.size_px[0]} x {outline.size_px[1]} pixels, "
            f"the upright photo {width} x {height}.",
            "Paint the mask over the photo itself, turned upright.",
        )


def examine(found: Found) -> tuple[Grade, tuple[Reason, ...]]:
    """Carry a loaded photo through the stages, leaving in `found` what each of them found; the grade
    and its reasons.

    Raises
    ------
    CannotJudge
        `found` then holds what was found before.
    """
    photo, given, settings = found.photo, found.given, found.settings
    found.sighting = found.sighting or find_card(photo, settings=settings)
    found.plane = locate_printed(photo, found.sighting, settings, found.method.lens, given.check_line_mm)
    found.label = read_label(photo, found.plane, found.sighting.layout)
    found.mask = find_metal(found)
    if found.mask.touches_border:
        raise CannotJudge("part_cut_off", "its outline meets the edge of the picture")
    placement = found.placement = _chosen(found) if found.template is None else _aligned(found)
    found.wear = measure(placement, found.mask, found.plane, settings, given)
    grade, reasons = decide(found.wear, placement, found.mask, found.plane, photo, settings)
    return grade, (*reasons, finding("template_chosen", placement.template.name)) if found.chosen else reasons


def _chosen(found: Found) -> Placement:
    """The template of the library that explains the part best, laid on it, where holes or edges bear it out.

    Raises
    ------
    CannotJudge
        Among others "part_unknown"; `found.may_be` then names what may fit.
    """
    assert found.mask is not None
    assert found.plane is not None
    found.chosen = True
    library = tuple(builtin_templates().values())
    ranked = rank_templates(found.mask, found.plane, library, found.settings)
    found.may_be = tuple(t.name for score, t in ranked if score < ranked[0][0] + MAY_BE_MARGIN)[:MAY_BE_MOST]
    template = choose_template(ranked, found.settings)
    placement = align(found.mask, found.plane, template, found.settings, found.given.thickness_mm)
    if not is_confirmed(placement, answer_of(placement)):
        raise CannotJudge("part_unknown", f"'{template.name}' comes nearest")
    found.template = template
    return placement


MAY_BE_MARGIN, MAY_BE_MOST = 1.0, 5
"""Templates that explain a part worse than the best by less than this (mean log-likelihood a point) may be
it too; how many are named."""


def _aligned(found: Found) -> Placement:
    """The named template laid on the part; where it can't be, the refusal says which comes nearest."""
    assert found.mask is not None
    assert found.plane is not None
    assert found.template is not None
    try:
        return align(found.mask, found.plane, found.template, found.settings, found.given.thickness_mm)
    except CannotJudge as refusal:
        if refusal.code != "template_does_not_fit":
            raise
        prisms = tuple(t for t in builtin_templates().values() if t.form is None)
        ranked = rank_templates(found.mask, found.plane, prisms, found.settings)
        if not ranked or ranked[0][0] > found.settings.template_max_score:
            raise
        nearest = f"{refusal.detail}; of the library '{ranked[0][1].name}' comes nearest"
        raise CannotJudge(refusal.code, nearest) from refusal


def find_metal(found: Found) -> MetalMask:
    """The remaining metal: as a person outlined it, or found in overview and close-up and refined at
    full size."""
    assert found.plane is not None
    assert found.sighting is not None
    if found.given.outline is not None:
        found.segmenter = found.given.outline.mask.segmenter
        return found.given.outline.mask
    segmenter = found.method.get_segmenter()
    found.segmenter, found.model_sha256 = segmenter.name, segmenter.model_sha256
    soft = find_part(found.photo, found.plane, found.sighting, segmenter, found.settings)
    refined = refine(found.photo, found.plane, soft, found.settings)
    return say_fouling(found.photo, found.plane, found.sighting.layout, refined)
