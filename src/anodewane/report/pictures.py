"""Pictures for a report, made from pixels only: what a file said beside them (place, device, owner)
can't come along.

A photo is read, turned upright, made small and let go before the next is read, so that memory stays
that of one photo.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from anodewane.record import Verdict, ViewFigures
from anodewane.records import Photo
from anodewane.report.drawings import BELOW_MM, OVERLAY_MAX_MM, SCALES
from anodewane.report.shapes import Flat, lay_flat
from anodewane.units import Floats

PHOTO_LONG_PX = 1000
FLAT_PX_PER_PAPER_MM = 8.5
"""About 215 dots an inch in print."""
QUALITY = 78
MARGIN_MM = 9.0
"""Ground shown round the part."""


@dataclass(frozen=True, slots=True)
class Picture:
    """A JPEG without metadata."""

    jpeg: bytes
    width_px: int
    height_px: int


@dataclass(frozen=True, slots=True)
class FlatPicture:
    """The window of the flattened photo round the part."""

    picture: Picture
    flat: Flat
    window_mm: tuple[float, float, float, float]
    """(x0, y0, x1, y1) in the flat frame, y up."""
    n: float
    """It is shown at 1:n."""


def photo_picture(photo: Photo, long_px: int = PHOTO_LONG_PX) -> Picture:
    """The photo as taken, upright, made small."""
    import cv2

    rgb = np.asarray(photo.rgb)
    scale = min(1.0, long_px / max(rgb.shape[:2]))
    size = (max(1, round(rgb.shape[1] * scale)), max(1, round(rgb.shape[0] * scale)))
    return _picture(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA) if scale < 1 else rgb)


def view_pictures(
    photos: Mapping[str, Photo], verdict: Verdict
) -> tuple[tuple[Picture | None, ...], Picture | None]:
    """Of several photos judged together: for each of the record's views its photo with the fitted solid
    drawn back into it; and the thickness map.

    photos : those that are at hand, by SHA-256. None stands where there is nothing to draw on, or to draw.
    """
    from anodewane.show.overlay_of_views import thickness_map, view_picture

    def drawn(view: ViewFigures) -> Picture | None:
        photo = photos.get(view.sha256)
        if photo is None or not view.outline_photo_px:
            return None
        points = np.vstack([np.asarray(r, float) for r in (*view.outline_photo_px, *view.solid_photo_px)])
        size = photo.rgb.shape[1::-1]
        # lines that lead away from the photo can only be somebody's change of the record
        if (
            not np.isfinite(points).all()
            or (np.ptp(points, axis=0) < 2).any()
            or (points < -np.array(size)).any()
            or (points > 2 * np.array(size)).any()
        ):
            return None
        return _picture(np.asarray(view_picture(photo, view)))

    views = tuple(map(drawn, verdict.views))
    together = verdict.together
    return views, _picture(
        np.asarray(thickness_map(verdict))
    ) if together is not None and together.thickness_part_mm else None


def flat_picture(photo: Photo, verdict: Verdict) -> FlatPicture | None:
    """The part seen from straight above with some ground round it, or None where the record doesn't say
    how the photo lies."""
    import cv2

    flat = lay_flat(verdict)
    if flat is None:
        return None
    points = np.concatenate([*flat.left, *flat.new])
    lo, hi = points.min(0) - MARGIN_MM, points.max(0) + MARGIN_MM
    fits = [
        n
        for n in SCALES
        if (hi[0] - lo[0]) / n <= OVERLAY_MAX_MM[0] and (hi[1] - lo[1]) / n <= OVERLAY_MAX_MM[1] - BELOW_MM
    ]
    if not fits:
        return None  # a part of more than eight metres: the record makes no sense
    n = fits[0]
    px_per_mm = FLAT_PX_PER_PAPER_MM / n
    width, height = (max(8, round(float(v) * px_per_mm)) for v in hi - lo)
    # flat mm -> picture pixels: pixel centres at integers, y down
    to_picture = np.array(
        [[px_per_mm, 0, -lo[0] * px_per_mm - 0.5], [0, -px_per_mm, hi[1] * px_per_mm - 0.5], [0, 0, 1.0]]
    )
    rgb, from_px = _reduced(photo.rgb, flat.flat_from_px, px_per_mm, lo, hi)
    seen = cv2.warpPerspective(
        rgb,
        to_picture @ from_px,
        (width, height),
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(255, 255, 255),
    )
    return FlatPicture(
        _picture(seen), flat, (float(lo[0]), float(lo[1]), float(lo[0] + width / px_per_mm), float(hi[1])), n
    )


def _reduced(rgb: Any, flat_from_px: Floats, px_per_mm: float, lo: Any, hi: Any) -> tuple[Any, Floats]:
    """The photo made smaller by a whole factor where it has far more pixels than the picture will:
    warping alone would skip most of them and sparkle."""
    import cv2

    from anodewane.geometry.camera import apply_homography

    middle = (lo + hi) / 2
    back: Floats = np.asarray(np.linalg.inv(flat_from_px), np.float64)
    ends = apply_homography(back, np.asarray([middle, [middle[0] + 1.0, middle[1]]], np.float64))
    photo_px_per_mm = float(np.linalg.norm(ends[1] - ends[0]))
    k = int(photo_px_per_mm / px_per_mm / 1.3)
    if k < 2:
        return np.asarray(rgb), flat_from_px
    height, width = (s // k for s in rgb.shape[:2])
    small = cv2.resize(
        np.asarray(rgb)[: height * k, : width * k], (width, height), interpolation=cv2.INTER_AREA
    )
    grow = np.array([[k, 0, 0.5 * k - 0.5], [0, k, 0.5 * k - 0.5], [0, 0, 1.0]])
    return small, flat_from_px @ grow


def _picture(rgb: Any) -> Picture:
    from PIL import Image

    buffer = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(rgb)).save(buffer, "JPEG", quality=QUALITY, optimize=True)
    return Picture(buffer.getvalue(), rgb.shape[1], rgb.shape[0])
