"""The quick look at a reduced copy of a photo, before or while the photo itself is on its way: sheet,
light, sharpness, distance, and whether the part is whole.

It is the judgement's own first stages with the judgement's own limits, on fewer pixels and without the
close look: what it finds wrong the judgement would refuse or warn of, and what it lets pass the
judgement may still refuse.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from anodewane.errors import CannotJudge

if TYPE_CHECKING:
    from anodewane.judgement.method import Method
    from anodewane.record import Reason
    from anodewane.records import CardSighting, Given, Photo, Plane


def quick_look(data: bytes, given: Given, method: Method) -> tuple[Reason, ...]:
    """What is wrong with a photo as far as a reduced copy of it shows; nothing where it looks good.

    Parameters
    ----------
    data : bytes
        A reduced copy of the photo, JPEG as the page makes it; with the photo's EXIF, for its focal length.
    given : Given
        What holds for every photo: the check line.
    method : Method

    Returns
    -------
    tuple of Reason
        The judgement's refusal ("no_sheet", "blurred", "part_cut_off", ...) or its warning "close_camera".

    Raises
    ------
    InputUnreadable, ModelError
    """
    from anodewane.refusals import finding, refusal_reason
    from anodewane.stages.card import find_card
    from anodewane.stages.decide import CLOSE_CAMERA_MM
    from anodewane.stages.load import load_photo
    from anodewane.stages.plane import locate_camera

    photo = load_photo(data, "photo")
    near: tuple[Reason, ...] = ()
    settings = method.settings
    try:
        sighting = find_card(photo, settings=settings)
        plane = locate_camera(photo, sighting, settings, method.lens, given.check_line_mm)
        if plane.distance_mm < CLOSE_CAMERA_MM:
            near = (finding("close_camera", f"{plane.distance_mm:.0f} mm from the sheet"),)
        first_look(photo, plane, sighting)
    except CannotJudge as refusal:
        if (
            refusal.code in ("no_sheet", "sheet_too_little")
            and (level := brightest(photo)) < settings.min_paper_level
        ):
            # where nothing is as light as white paper has to be, it's the dark that hides the sheet
            refusal = CannotJudge("too_dark", f"its lightest parts read {100 * level:.1f} % of full light")
        return (refusal_reason(refusal), *near)
    return near


def brightest(photo: Photo) -> float:
    """Light of a photo's lightest hundredth, 0 to 1, linear."""
    import numpy as np

    from anodewane.stages.sheet_quality import LUMINANCE
    from anodewane.units import SRGB_TO_LINEAR

    return float(np.percentile(SRGB_TO_LINEAR[np.asarray(photo.rgb)[::4, ::4]] @ LUMINANCE, 99))


def first_look(photo: Photo, plane: Plane, sighting: CardSighting) -> None:
    """See whether there is one part and whether it is whole, as the judgement's first look sees it:
    once, and once more and finer where that finds something wrong.

    Raises
    ------
    CannotJudge
        "no_part", "several_parts", "part_cut_off".
    """
    from anodewane.stages.flatten import flatten, overview_window
    from anodewane.stages.segment import (
        OVERVIEW_AGAIN_PX,
        OVERVIEW_LONG_SIDE_PX,
        NetworkSegmenter,
        choose_candidate,
    )

    layout = sighting.layout
    window = overview_window(photo, plane, layout)
    long_mm = max(window.right - window.left, window.top - window.bottom)
    for k, (long_px, segmenter) in enumerate(
        ((OVERVIEW_LONG_SIDE_PX, NetworkSegmenter(())), (OVERVIEW_AGAIN_PX, NetworkSegmenter()))
    ):
        flat = flatten(photo, plane, layout, window, long_mm / long_px)
        try:
            choose_candidate(flat, segmenter(flat), layout.name.startswith("mat"))
        except CannotJudge:
            if k:
                raise
        else:
            return
