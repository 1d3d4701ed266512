"""A photo at a half, a quarter ... of its size, made once and shared by all that look at it from afar:
the sheet's finder, the segmenter's looks, the picture."""

from __future__ import annotations

from typing import Any
from weakref import WeakKeyDictionary

from anodewane.records import Photo
from anodewane.units import Bytes

_HALVES: WeakKeyDictionary[Photo, list[Bytes]] = WeakKeyDictionary()
"""Of each photo in memory, what has been made; forgotten with it."""


def halved(photo: Photo, times: int) -> Bytes:
    """Return the photo's pixels, uint8 (H // 2^times, W // 2^times, 3), each the mean of 2 x 2 of the
    next larger: the last odd row and column are left out."""
    import cv2

    known = _HALVES.setdefault(photo, [photo.rgb])
    while len(known) <= times:
        larger = known[-1]
        height, width = larger.shape[0] // 2, larger.shape[1] // 2
        smaller: Any = cv2.resize(
            larger[: 2 * height, : 2 * width], (width, height), interpolation=cv2.INTER_AREA
        )
        smaller.flags.writeable = False
        known.append(smaller)
    return known[times]


def halvings(factor: float) -> int:
    """How often a picture may be halved on the way to one that is smaller by `factor`, and never become
    smaller than it."""
    times = 0
    while factor >= 2 ** (times + 1):
        times += 1
    return times
