"""The sheet in a photo taken low along the bench: so foreshortened that its markers are slivers. The photo is stretched upright until they are squares again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from anodewane.errors import CannotJudge
from anodewane.records import CardSighting, Photo
from anodewane.settings import Settings
from anodewane.stages.card import find_card

STRETCHES = (2.5, 4.5, 7.5)
"""How much taller than wide the photo is made, one after the other: for 24, 13 and 8 degrees above the bench."""
STRETCHED_BLUR = 3.0
"""An upright blur is stretched too: how much more of it is let pass than in a photo from above."""


def find_sheet(photo: Photo, settings: Settings) -> CardSighting:
    """Find the sheet, stretching the photo upright where it can't be found as it is.

    Raises
    ------
    CannotJudge
        As `find_card` says of the photo as it is.
    """
    try:
        return find_card(photo, settings=settings)
    except CannotJudge as refusal:
        if refusal.code not in ("no_sheet", "sheet_too_little", "blurred"):
            raise
        for stretch in STRETCHES:
            found = _stretched(photo, settings, stretch)
            if found is not None:
                return found
        raise


def _stretched(photo: Photo, settings: Settings, stretch: float) -> CardSighting | None:
    import cv2

    h, w = photo.rgb.shape[:2]
    across, up = float(stretch**-0.5), float(stretch**0.5)
    size = (round(w * across), round(h * up))
    taller = cv2.resize(np.asarray(photo.rgb), size, interpolation=cv2.INTER_CUBIC)
    lenient = replace(settings, max_blur_square_frac=STRETCHED_BLUR * settings.max_blur_square_frac)
    try:
        seen = find_card(replace(photo, rgb=np.ascontiguousarray(taller)), settings=lenient)
    except CannotJudge:
        return None
    scale = np.array([w / size[0], h / size[1]])
    return replace(
        seen,
        points_px=(np.asarray(seen.points_px) + 0.5) * scale - 0.5,
        point_sd_px=np.asarray(seen.point_sd_px) * float(np.sqrt(stretch)),
        rejected_px=(np.asarray(seen.rejected_px) + 0.5) * scale - 0.5,
    )
