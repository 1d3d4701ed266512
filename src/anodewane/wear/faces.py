"""How far the faces that a photo from above can't see have sunk, from how far the outline has receded."""

from __future__ import annotations

import numpy as np

from anodewane.records import Template
from anodewane.settings import Settings

LOST_MOST_FRAC = 0.94
"""Of the new thickness, the most that the face law may take away, so that something is left to
lie on the sheet."""


def expected_thickness(template: Template, recession_mm: float, settings: Settings) -> tuple[float, float]:
    """Mean thickness that remains where the outline has receded by `recession_mm`, and its one-sigma (mm).

    ``lost = M tanh((k d - e (1 - exp(-k d / e))) / M)``: after the first tenths of a millimetre the
    faces waste k times as fast as the outline recedes; later, where a face wears through, that place
    leaves the plan instead, and the mean thickness of what is left levels off at M. k and M differ from
    part to part (`face_*` of the settings). `face_scale` multiplies all of it, as weighed parts of the
    template say (`book.calibrate`).
    """
    flush = template.mount == "flush"
    ratio, most_frac = (
        (settings.face_ratio_flush, settings.face_most_flush)
        if flush
        else (settings.face_ratio_open, settings.face_most_open)
    )
    most = most_frac * template.thickness_mm
    # the first tenths of a millimetre are as likely a rounded edge or an error of the outline as
    # wear of the face
    reach = ratio * max(recession_mm, 0.0)
    reach -= settings.face_late_mm * (1 - float(np.exp(-reach / settings.face_late_mm)))
    lost = min(
        settings.face_scale * most * float(np.tanh(reach / most)), LOST_MOST_FRAC * template.thickness_mm
    )
    sd = float(
        np.hypot(np.hypot(settings.face_ratio_sd, settings.face_scale_sd) * lost, settings.face_floor_sd_mm)
    )
    return template.thickness_mm - lost, sd
