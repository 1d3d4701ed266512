"""What the network takes for foreign: plastic, glass, wood, cloth, hands and steel straps, neither the part's
metal nor the ground. It says when what lies by the sheet is no part at all."""

from __future__ import annotations

from typing import Any

import numpy as np

from anodewane.errors import CannotJudge
from anodewane.records import SoftMask

SEEN = 0.5
"""Probability from which a pixel counts as foreign."""

SURE = 0.9
"""Probability from which a pixel is part of a foreign thing: bare grass can look a little foreign."""

MIN_FOREIGN_MM2 = 120.0
"""Smallest foreign thing that is named where no metal is seen: smaller ones are chips, leaves and pebbles."""


def foreign_thing_mm2(soft: SoftMask) -> float:
    """Area of the largest foreign thing in a first look; 0 where nothing is foreign."""
    import cv2

    if soft.foreign_prob is None:
        return 0.0
    seen = (np.asarray(soft.foreign_prob) > SURE).astype(np.uint8)
    _, _, stats, _ = cv2.connectedComponentsWithStats(seen, connectivity=8)
    largest = int(stats[1:, cv2.CC_STAT_AREA].max(initial=0))
    return float(largest) * soft.mm_per_px**2


def refuse_if_strange(soft: SoftMask) -> None:
    """Where no metal is seen: say so if something foreign is.

    Raises
    ------
    CannotJudge
        "not_metal".
    """
    strange = foreign_thing_mm2(soft)
    if strange > MIN_FOREIGN_MM2:
        raise CannotJudge("not_metal", f"what lies there, {strange / 100:.0f} cm2, isn't metal")


def refuse_if_foreign(soft: SoftMask, part: Any) -> None:
    """Refuse where what was found is more likely something foreign: `part` (h, w), its pixels.

    Raises
    ------
    CannotJudge
        "not_metal".
    """
    if soft.foreign_prob is None:
        return
    metal_mm2 = float((np.asarray(part) & (np.asarray(soft.metal_prob) > SEEN)).sum()) * soft.mm_per_px**2
    strange = foreign_thing_mm2(soft)
    if strange > max(MIN_FOREIGN_MM2, MAX_LARGER * metal_mm2):
        raise CannotJudge("not_metal", f"what lies there, {strange / 100:.0f} cm2, isn't metal")
    within, beside = foreign_shares(soft, part)
    if within > MAX_WITHIN or beside > MAX_BESIDE:
        share = 100 * (within if within > MAX_WITHIN else beside / (1 + beside))
        raise CannotJudge("not_metal", f"{share:.0f} % of it looks like plastic, glass, wood or the like")


MAX_LARGER = 8.0
"""A foreign thing in the close look may be so many times the metal: beside it the metal is a bright spot."""

MAX_WITHIN = 0.25
"""Share of the found metal that may look foreign at the same time. 55 training photos: 0.016 at most."""

MAX_BESIDE = 2.0
"""Area of what is foreign and hangs together with the metal, in areas of the metal: a strap is less than the
part that it carries (0.86 at most of 55 training photos); a plastic thing with a bright spot is more."""


def foreign_shares(soft: SoftMask, part: Any) -> tuple[float, float]:
    """Share of the part's pixels that look foreign, and the area of foreign pixels that hang together with
    the part, in areas of the part."""
    import cv2

    foreign = np.asarray(soft.foreign_prob) > SEEN
    metal = np.asarray(part) & (np.asarray(soft.metal_prob) > SEEN)
    area = max(1, int(metal.sum()))
    joined = (metal | foreign).astype(np.uint8)
    n, labels = cv2.connectedComponents(joined, connectivity=8)
    touched = np.zeros(n, bool)
    touched[labels[metal]] = True
    touched[0] = False
    return float((metal & foreign).sum()) / area, float((touched[labels] & foreign & ~metal).sum()) / area
