"""Several photos of one part, judged together. Read `judge_together` first.

``each photo: load -> card -> plane; the one from above: the whole line of
`anodewane.judgement.pipeline`; the others: outline -> all: face, fit -> agree -> hidden -> decide``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from anodewane.errors import CannotJudge, UsageError
from anodewane.judgement.found import Found
from anodewane.judgement.method import Method
from anodewane.judgement.pipeline import check_outline
from anodewane.judgement.to_record import record_of, refused
from anodewane.record import (
    Verdict,
)
from anodewane.records import (
    Given,
    ManualOutline,
    Photo,
    Template,
)
from anodewane.refusals import finding
from anodewane.settings import Settings
from anodewane.stages.decide import decide
from anodewane.views.figures import together_figures, view_figures
from anodewane.views.mass import (
    area_left,
    mass_left,
    mass_of_both,
    mass_slope,
    notes_of,
    wear_of_all,
    weighted,
    worse_holes,
)
from anodewane.views.seen import MOST as MOST
from anodewane.views.seen import Fitted
from anodewane.views.side import fitted_side
from anodewane.wear.solids import new_area

FEWEST = 2


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
        first = fitted_side(loaded[:n], by_hand[:n], found)
        second = None
        if other_side:
            assert first.found.template is not None
            if first.found.template.mount != "open":
                raise CannotJudge(
                    "other_side_is_dry", f"template '{first.found.template.name}' is a flush mount"
                )
            turned = replace(first.found.template, mirror_ok=True)
            second = fitted_side(
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


def _verdict(first: Fitted, second: Fitted | None, settings: Settings) -> Verdict:
    found = first.found
    assert found.wear is not None
    assert found.placement is not None
    assert found.mask is not None
    assert found.plane is not None
    assert found.template is not None
    before, template = found.wear, found.template
    share = mass_slope(first, template)
    share_2 = mass_slope(second, template) if second is not None else share
    mass = (
        mass_left(first, share, settings)
        if second is None
        else mass_of_both(first, share, second, share_2, settings)
    )
    area, area_sd = area_left(first, before)
    if second is not None:
        assert second.found.wear is not None
        other, other_sd = area_left(second, second.found.wear)
        apart = abs(area - other) / new_area(template)
        if apart > 0.03 + 4 * float(np.hypot(area_sd, other_sd)) / new_area(template):
            raise CannotJudge(
                "photos_disagree",
                f"seen from its other side the part has {100 * apart:.0f} % of the new area more or less",
            )
        area, area_sd = weighted(area, area_sd, other, other_sd)
        before = replace(before, holes=worse_holes(before, second.found.wear))
    wear = wear_of_all(
        before, template, mass, area, area_sd, settings, weighed=found.given.weighed_g is not None
    )
    grade, reasons = decide(wear, found.placement, found.mask, found.plane, found.photo, settings)
    if found.chosen:
        reasons = (*reasons, finding("template_chosen", template.name))
    reasons = (*reasons, *notes_of(first, second))
    found.wear = wear
    record = record_of(found, grade, reasons)
    views = tuple(view_figures(first, i, share, mass, other=False) for i in range(len(first.views)))
    if second is not None:
        views += tuple(view_figures(second, i, share_2, mass, other=True) for i in range(len(second.views)))
    return replace(
        record, views=views, together=together_figures(first, second, before, share, mass, wear, settings)
    )
