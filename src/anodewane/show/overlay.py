"""The judgement as a picture: the photo with both outlines, and under it the verdict, the figures
and the reasons.

Made to be read on a phone, in black and white print and by the colour-blind: every mark differs in line
style and has its name in the legend, colours are those of Okabe and Ito (2008, "Color Universal
Design"), and nothing is said by colour alone. Text stands below the photo, never over the part. The
picture carries no EXIF: no place, no phone, no owner.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from anodewane.geometry.camera import apply_homography
from anodewane.record import Verdict
from anodewane.records import Photo
from anodewane.show.canvas import SHIFT, Drawn, Window, draw_line, encode_picture, fixed, font_of, window_of
from anodewane.show.caption import with_caption
from anodewane.show.marks import BLACK, ORANGE, SKY, VERMILION, WHITE
from anodewane.show.words import no_wear
from anodewane.units import Bytes, Floats


def overlay_bytes(data: bytes, name: str, verdict: Verdict, suffix: str) -> bytes:
    """Return the overlay of a photo's file as a file: `suffix` chooses the format."""
    from anodewane.stages.load import load_photo

    return encode_picture(overlay(load_photo(data, name), verdict), suffix)


def overlay(photo: Photo, verdict: Verdict, *, caption: bool = True) -> Bytes:
    """Draw a judgement.

    Parameters
    ----------
    photo : Photo
        The upright photo that was judged.
    verdict : Verdict
        Uses `outline.photo_px`, `template.outline_photo_px`, `recession_mm.worst_photo_px`,
        `scale.sheet_photo_px`, and the figures. What is missing, as in a refusal, isn't drawn.
    caption : bool
        False leaves the words to whoever shows the picture.

    Returns
    -------
    uint8 (h, w, 3)
        At most `LONG_SIDE_PX` long for the photo's part of it; the caption comes below.
    """
    view = window_of(photo, verdict)
    picture = view.picture.copy()
    new = _rings(view, verdict.template.outline_photo_px if verdict.template else None)
    left = _rings(view, verdict.outline.photo_px if verdict.outline else None)
    unit = max(1.0, max(picture.shape[:2]) / 800)  # one unit is about a third of a millimetre on a phone
    if new and left:
        _hatch(picture, new, left, unit)
    for ring in left:
        draw_line(picture, ring, BLACK, 3.0 * unit)
        draw_line(picture, ring, SKY, 1.8 * unit)
    for ring in new:  # on top: where nothing is gone the dashes run along the solid line
        _dashed(picture, ring, unit)
    worst = verdict.recession_mm.worst_photo_px if verdict.recession_mm and not no_wear(verdict) else None
    drawn = Drawn(new=bool(new), left=bool(left), gone=bool(new and left), worst=worst is not None, bar=False)
    if worst is not None:
        _mark_worst(picture, view.move(np.array([worst]))[0], unit)
    drawn.bar = _scale_bar(picture, view, verdict, unit, [*new, *left])
    return with_caption(picture, photo, verdict, view, drawn) if caption else picture


def _rings(view: Window, rings_px: Any) -> list[Floats]:
    return [view.move(np.asarray(r, float)) for r in rings_px or ()]


def _dashed(picture: Any, ring: Floats, unit: float) -> None:
    """White dashes on a dark line: shows on any ground."""
    import cv2

    draw_line(picture, ring, BLACK, 2.0 * unit)
    closed = np.vstack([ring, ring[:1]])
    arc = np.r_[0, np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))]
    period = 14.0 * unit
    n = max(3, round(arc[-1] / period))
    dashes = []
    for i in range(n):
        a, b = arc[-1] * i / n, arc[-1] * (i + 0.58) / n
        first, last = np.searchsorted(arc, a, "right"), np.searchsorted(arc, b, "left")
        at = np.concatenate([[a], arc[first:last], [b]])
        dashes.append(
            fixed(
                np.column_stack([np.interp(at, arc, closed[:, 0]), np.interp(at, arc, closed[:, 1])])
            ).reshape(-1, 1, 2)
        )
    cv2.polylines(picture, dashes, False, WHITE, max(1, round(1.1 * unit)), cv2.LINE_AA, SHIFT)


def _hatch(picture: Any, new: list[Floats], left: list[Floats], unit: float) -> None:
    """Slanted lines over what is gone: inside the new outline and outside what is left."""
    import cv2

    def mask(rings: list[Floats]) -> Any:
        m = np.zeros(picture.shape[:2], np.uint8)
        # rings that overlap count even-odd: holes stay open
        cv2.fillPoly(m, [fixed(r) for r in rings], 255, cv2.LINE_AA, SHIFT)
        return m

    gone = cv2.subtract(mask(new), mask(left))
    x0, y0, w, h = cv2.boundingRect(gone)
    gone = np.ascontiguousarray(gone[y0 : y0 + h, x0 : x0 + w])
    lines = np.zeros((h, w), np.uint8)
    step = max(6, round(9 * unit))
    # they stay where they are in the picture, whatever is cut out of it
    for x in range(-h - (x0 + y0) % step, w, step):
        cv2.line(lines, (x, h), (x + h, 0), 255, max(1, round(2.4 * unit)), cv2.LINE_AA)
    at = np.flatnonzero(gone)  # the rest of the picture stays as it is
    inside, stripes = gone.ravel()[at], np.minimum(gone, lines).ravel()[at]
    kept = ((1 - np.float32(0.22 / 255) * inside) * (1 - np.float32(1 / 255) * stripes))[:, None]
    pixels, width = picture.reshape(-1, 3), picture.shape[1]
    where = at + at // w * (width - w) + y0 * width + x0
    pixels[where] = np.round(pixels[where] * kept + np.array(ORANGE, np.float32) * (1 - kept)).astype(
        np.uint8
    )


def _mark_worst(picture: Any, at: Floats, unit: float) -> None:
    import cv2

    centre = tuple(int(v) for v in fixed(at))
    radius = 13.0 * unit
    for colour, width in ((BLACK, 5.5), (WHITE, 4.0), (VERMILION, 2.6)):
        cv2.circle(
            picture, centre, round(radius * 2**SHIFT), colour, max(1, round(width * unit)), cv2.LINE_AA, SHIFT
        )
        for angle in (45, 135, 225, 315):  # four ticks: a shape that nothing else has
            d = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
            draw_line(
                picture,
                np.array([at + d * radius, at + d * radius * 1.55]),
                colour,
                width * unit,
                closed=False,
            )


def _scale_bar(picture: Any, view: Window, verdict: Verdict, unit: float, rings: list[Floats]) -> bool:
    """A bar of 50 mm in the sheet's plane, level in the picture, in a lower corner away from the part.
    Returns whether it could be drawn."""
    import cv2

    scale = verdict.scale
    if scale is None or scale.sheet_photo_px is None or scale.sheet_size_mm is None:
        return False
    corners = np.asarray(scale.sheet_photo_px, float)
    half = np.array(scale.sheet_size_mm) / 2 * [[-1, 1], [1, 1], [1, -1], [-1, -1]]
    to_px = cv2.getPerspectiveTransform(half.astype(np.float32), corners.astype(np.float32)).astype(float)
    height, width = picture.shape[:2]

    def ground(points: Floats) -> Floats:
        return apply_homography(np.linalg.inv(to_px), view.back(points))

    def ends(start: Floats) -> Floats:
        """Picture points every 10 mm from `start` to the right."""
        a, b = ground(np.array([start, start + np.array([60.0 * unit, 0])]))
        d = (b - a) / np.linalg.norm(b - a)
        return view.move(apply_homography(to_px, a + np.arange(6)[:, None] * 10.0 * d))

    margin, base = 18.0 * unit, height - 26.0 * unit
    taken = np.concatenate(rings) if rings else np.zeros((0, 2))
    left = ends(np.array([margin, base]))
    right = left
    for _ in range(3):  # its length depends on where it lies: near things are larger
        right = ends(np.array([width - margin - max(float(right[-1, 0] - right[0, 0]), 56 * unit), base]))
    bars = [
        b
        for b in (left, right)
        if np.isfinite(b).all()
        and 20 * unit < b[-1, 0] - b[0, 0] < width - 2 * margin
        and b.min() > 0
        and b[-1, 0] < width
    ]
    if not bars:
        return False

    def room(bar: Floats) -> float:
        return float(np.min(np.linalg.norm(taken[:, None] - bar[None], axis=2))) if len(taken) else 0.0

    bar = max(bars, key=room)
    thick = 7.0 * unit
    lo, hi = bar.min(0), bar.max(0)
    wide = max(hi[0] + 12 * unit, lo[0] + 68 * unit)  # the words may be longer than the bar
    plate = picture[
        max(0, int(lo[1] - 30 * unit)) : int(hi[1] + 14 * unit), max(0, int(lo[0] - 12 * unit)) : int(wide)
    ]
    plate[:] = np.round(plate * 0.25 + 255 * 0.75).astype(np.uint8)
    for i in range(5):
        quad = np.array([bar[i], bar[i + 1], bar[i + 1] - [0, thick], bar[i] - [0, thick]])
        cv2.fillPoly(picture, [fixed(quad)], BLACK if i % 2 == 0 else WHITE, cv2.LINE_AA, SHIFT)
    outline = np.array([bar[0], bar[-1], bar[-1] - [0, thick], bar[0] - [0, thick]])
    draw_line(picture, outline, BLACK, 1.2 * unit)
    from PIL import Image, ImageDraw

    # the words' own strip of the picture: copying all of it takes longer than all the lines
    base = int(lo[1] - thick + 2 * unit)
    strip = picture[max(0, base - round(30 * unit)) : base]
    image = Image.fromarray(strip)
    at = (float(lo[0]), float(lo[1] - thick - 3 * unit) - max(0, base - round(30 * unit)))
    ImageDraw.Draw(image).text(at, "50 mm", font=font_of(round(15 * unit), True), fill=BLACK, anchor="ls")
    strip[:] = np.asarray(image)
    return True
