"""When photos don't show one part that lay still: what is refused, by outlines and by marks."""

from __future__ import annotations

from typing import Any

import numpy as np

from anodewane.errors import CannotJudge
from anodewane.units import Floats
from anodewane.views.agree import Agreement
from anodewane.views.casting import face_region
from anodewane.views.face import FaceMotion, face_motions
from anodewane.views.fit import SolidFit
from anodewane.views.law import (
    Setting,
)
from anodewane.views.model import Solid
from anodewane.views.seen import FACE_FROM_DEG, View, named

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


def radius(solid: Solid) -> float:
    """Rms distance of the plan's outline from its middle, mm."""
    middle = solid.plan_base.mean(0)
    return float(np.sqrt(np.mean(np.sum((solid.plan_base - middle) ** 2, axis=1))))


def marks_moved(views: list[View], plan: Any, solid: Solid, fit: SolidFit) -> dict[int, FaceMotion]:
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


def refuse_disagreement(
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
                    named(
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
                    "photos_disagree", named(view, f"the marks on its face aren't those of '{first}'")
                )
            looser = LOOSER if sure and not displaced else 1.0
        if a.moved_mm > looser * max(MOVED_MM + MOVED_PER_LOST * lost_mm, MOVED_SIGMAS * a.moved_sd_mm):
            raise CannotJudge(
                "photos_disagree",
                named(view, f"the part seems to have moved by {a.moved_mm:.0f} mm since '{first}'"),
            )
        if a.miss_mm > looser * (MISS_MM + MISS_PER_LOST * lost_mm) or a.missed_frac > MISSED_MOST:
            raise CannotJudge(
                "photos_disagree",
                named(
                    view, f"its outline misses the part that '{first}' shows by {a.miss_mm:.0f} mm and more"
                ),
            )


TOO_LOW_SIGMAS, BELOW_SIGMAS = 3.0, 2.0


def refuse_nearer(views: list[View], solid: Solid, setting: Setting, fit: SolidFit) -> None:
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
                named(view, f"the part seems to have come nearer since '{views[0].photo.source.name}'"),
            )
