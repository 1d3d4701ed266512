"""The judgement as a picture: the photo with both outlines, and under it the verdict, the figures
and the reasons.

Made to be read on a phone, in black and white print and by the colour-blind: every mark differs in line
style and has its name in the legend, colours are those of Okabe and Ito (2008, "Color Universal
Design"), and nothing is said by colour alone. Text stands below the photo, never over the part. The
picture carries no EXIF: no place, no phone, no owner.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from anodewane.errors import UsageError
from anodewane.record import Verdict
from anodewane.records import Photo
from anodewane.show.words import GRADE_WORDS, gone, no_wear, percent, span
from anodewane.units import Bytes, Floats, rescale_px

LONG_SIDE_PX = 1600
MIN_WIDTH_PX = 1100
"""A narrower picture is enlarged: the words need room."""

PART_SHARE = 0.6
"""Where the part spans well less of the photo than this, the picture is cut to it and a small copy of
the whole photo stands in the caption."""

# Okabe and Ito 2008, sRGB
BLACK, WHITE = (0, 0, 0), (255, 255, 255)
ORANGE, SKY, GREEN, YELLOW, VERMILION = (
    (230, 159, 0),
    (86, 180, 233),
    (0, 158, 115),
    (240, 228, 66),
    (213, 94, 0),
)
INK, QUIET, RULE = (24, 24, 24), (92, 92, 92), (205, 205, 205)

GRADE_COLOURS = {"replace": VERMILION, "monitor": YELLOW, "ok": GREEN}
SUFFIXES = {".png": "PNG", ".jpg": "JPEG", ".jpeg": "JPEG", ".webp": "WEBP"}


def check_picture_name(path: Path) -> None:
    """Find out before the work starts that the picture's format is known.

    Raises
    ------
    UsageError
    """
    if path.suffix.lower() not in SUFFIXES:
        raise UsageError(
            f"'{path.name}' names no picture format that is known.",
            f"End it with one of {', '.join(SUFFIXES)}.",
        )


def encode_picture(rgb: Bytes, suffix: str) -> bytes:
    """Return a picture as the bytes of a PNG, JPEG or WebP file without any metadata."""
    from PIL import Image

    buffer = io.BytesIO()
    options: dict[str, Any] = {
        "PNG": {"compress_level": 6},
        "JPEG": {"quality": 90, "subsampling": 0},
        "WEBP": {"quality": 90},
    }[SUFFIXES[suffix.lower()]]
    Image.fromarray(np.asarray(rgb)).save(buffer, SUFFIXES[suffix.lower()], **options)
    return buffer.getvalue()


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
    view = _view(photo, verdict)
    picture = view.picture.copy()
    new = _rings(view, verdict.template.outline_photo_px if verdict.template else None)
    left = _rings(view, verdict.outline.photo_px if verdict.outline else None)
    unit = max(1.0, max(picture.shape[:2]) / 800)  # one unit is about a third of a millimetre on a phone
    if new and left:
        _hatch(picture, new, left, unit)
    for ring in left:
        _line(picture, ring, BLACK, 3.0 * unit)
        _line(picture, ring, SKY, 1.8 * unit)
    for ring in new:  # on top: where nothing is gone the dashes run along the solid line
        _dashed(picture, ring, unit)
    worst = verdict.recession_mm.worst_photo_px if verdict.recession_mm and not no_wear(verdict) else None
    marks = _Marks(
        new=bool(new), left=bool(left), gone=bool(new and left), worst=worst is not None, bar=False
    )
    if worst is not None:
        _mark_worst(picture, view.move(np.array([worst]))[0], unit)
    marks.bar = _scale_bar(picture, view, verdict, unit, [*new, *left])
    return _with_caption(picture, photo, verdict, view, marks) if caption else picture


# --- the photo's part ----------------------------------------------------------------------------


@dataclass
class _Marks:
    """Which marks were drawn: the legend names these and no others."""

    new: bool
    left: bool
    gone: bool
    worst: bool
    bar: bool


@dataclass(frozen=True)
class _View:
    """The window of the photo that is shown: its corner in photo pixels, and picture pixels
    per photo pixel."""

    picture: Bytes
    corner: Floats
    scale: float
    whole: bool
    window: tuple[int, int, int, int]

    def move(self, points_px: Floats) -> Floats:
        """Photo pixels to picture pixels."""
        return rescale_px(np.asarray(points_px, float) - self.corner, self.scale)

    def back(self, points: Floats) -> Floats:
        """Picture pixels to photo pixels."""
        return rescale_px(np.asarray(points, float), 1 / self.scale) + self.corner


def _view(photo: Photo, verdict: Verdict) -> _View:
    import cv2

    height, width = photo.rgb.shape[:2]
    x0, y0, x1, y1 = 0, 0, width, height
    rings = [
        np.asarray(r, float)
        for r in (
            *((verdict.template and verdict.template.outline_photo_px) or ()),
            *((verdict.outline and verdict.outline.photo_px) or ()),
        )
    ]
    if rings and verdict.status == "judged":
        points = np.concatenate(rings)
        lo, hi = points.min(0), points.max(0)
        side = float(max((hi - lo) / [width, height]))
        share = max(0.25, side / PART_SHARE)
        if share < 0.85:
            # keep the photo's proportions, the part in the middle of the cut and the cut inside the photo
            w, h = round(width * share), round(height * share)
            cx, cy = (lo + hi) / 2
            x0 = int(np.clip(cx - w / 2, 0, width - w))
            y0 = int(np.clip(cy - h / 2, 0, height - h))
            x1, y1 = x0 + w, y0 + h
    cut = np.asarray(photo.rgb)[y0:y1, x0:x1]
    scale = LONG_SIDE_PX / max(cut.shape[:2])
    if scale > 1:
        scale = max(1.0, min(scale, MIN_WIDTH_PX / cut.shape[1]))
    size = (max(1, round(cut.shape[1] * scale)), max(1, round(cut.shape[0] * scale)))
    # once whole pixels are averaged, less than halving is left, and between two neighbours a line does
    # as well as an area, in a fifth of the time
    picture: Any = cv2.resize(
        _averaged(cut, scale), size, interpolation=cv2.INTER_LINEAR if scale < 1 else cv2.INTER_CUBIC
    )
    return _View(
        picture, np.array([x0, y0], float), scale, (x1 - x0, y1 - y0) == (width, height), (x0, y0, x1, y1)
    )


def _averaged(cut: Any, scale: float) -> Any:
    """A picture that is to be reduced a lot, reduced by a whole number first, by averaging."""
    import cv2

    whole = int(1 / scale)
    if whole < 2:
        return cut
    height, width = cut.shape[0] // whole, cut.shape[1] // whole
    return cv2.resize(cut[: height * whole, : width * whole], (width, height), interpolation=cv2.INTER_AREA)


def _rings(view: _View, rings_px: Any) -> list[Floats]:
    return [view.move(np.asarray(r, float)) for r in rings_px or ()]


SHIFT = 4
"""Fraction bits of OpenCV's drawing coordinates: sixteenths of a pixel."""


def _fixed(points: Floats) -> Any:
    return np.round(np.asarray(points) * 2**SHIFT).astype(np.int32)


def _line(
    picture: Any, ring: Floats, colour: tuple[int, int, int], width: float, closed: bool = True
) -> None:
    import cv2

    # points that lie within a quarter of a pixel of the line between others change nothing that is
    # seen, and take most of the time
    points = cv2.approxPolyDP(_fixed(ring).reshape(-1, 1, 2), 2**SHIFT / 4, closed)
    cv2.polylines(picture, [points], closed, colour, max(1, round(width)), cv2.LINE_AA, SHIFT)


def _dashed(picture: Any, ring: Floats, unit: float) -> None:
    """White dashes on a dark line: shows on any ground."""
    import cv2

    _line(picture, ring, BLACK, 2.0 * unit)
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
            _fixed(
                np.column_stack([np.interp(at, arc, closed[:, 0]), np.interp(at, arc, closed[:, 1])])
            ).reshape(-1, 1, 2)
        )
    cv2.polylines(picture, dashes, False, WHITE, max(1, round(1.1 * unit)), cv2.LINE_AA, SHIFT)


def _hatch(picture: Any, new: list[Floats], left: list[Floats], unit: float) -> None:
    """Slanted lines over what is gone: inside the new outline and outside what is left."""
    import cv2

    def mask(rings: list[Floats]) -> Any:
        m = np.zeros(picture.shape[:2], np.uint8)
        cv2.fillPoly(
            m, [_fixed(r) for r in rings], 255, cv2.LINE_AA, SHIFT
        )  # rings that overlap count even-odd: holes stay open
        return m

    gone = cv2.subtract(mask(new), mask(left))
    x0, y0, w, h = cv2.boundingRect(gone)
    gone = np.ascontiguousarray(gone[y0 : y0 + h, x0 : x0 + w])
    lines = np.zeros((h, w), np.uint8)
    step = max(6, round(9 * unit))
    for x in range(
        -h - (x0 + y0) % step, w, step
    ):  # they stay where they are in the picture, whatever is cut out of it
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

    centre = tuple(int(v) for v in _fixed(at))
    radius = 13.0 * unit
    for colour, width in ((BLACK, 5.5), (WHITE, 4.0), (VERMILION, 2.6)):
        cv2.circle(
            picture, centre, round(radius * 2**SHIFT), colour, max(1, round(width * unit)), cv2.LINE_AA, SHIFT
        )
        for angle in (45, 135, 225, 315):  # four ticks: a shape that nothing else has
            d = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
            _line(
                picture,
                np.array([at + d * radius, at + d * radius * 1.55]),
                colour,
                width * unit,
                closed=False,
            )


def _scale_bar(picture: Any, view: _View, verdict: Verdict, unit: float, rings: list[Floats]) -> bool:
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
        return _homography(np.linalg.inv(to_px), view.back(points))

    def ends(start: Floats) -> Floats:
        """Picture points every 10 mm from `start` to the right."""
        a, b = ground(np.array([start, start + np.array([60.0 * unit, 0])]))
        d = (b - a) / np.linalg.norm(b - a)
        return view.move(_homography(to_px, a + np.arange(6)[:, None] * 10.0 * d))

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
        cv2.fillPoly(picture, [_fixed(quad)], BLACK if i % 2 == 0 else WHITE, cv2.LINE_AA, SHIFT)
    outline = np.array([bar[0], bar[-1], bar[-1] - [0, thick], bar[0] - [0, thick]])
    _line(picture, outline, BLACK, 1.2 * unit)
    from PIL import Image, ImageDraw

    base = int(
        lo[1] - thick + 2 * unit
    )  # the words' own strip of the picture: copying all of it takes longer than all the lines
    strip = picture[max(0, base - round(30 * unit)) : base]
    image = Image.fromarray(strip)
    at = (float(lo[0]), float(lo[1] - thick - 3 * unit) - max(0, base - round(30 * unit)))
    ImageDraw.Draw(image).text(at, "50 mm", font=font_of(round(15 * unit), True), fill=BLACK, anchor="ls")
    strip[:] = np.asarray(image)
    return True


def _homography(matrix: Floats, points: Floats) -> Floats:
    from anodewane.geometry.camera import apply_homography

    return apply_homography(matrix, points)


# --- the caption ---------------------------------------------------------------------------------


@lru_cache(maxsize=16)
def font_of(size: int, bold: bool = False) -> Any:
    from PIL import ImageFont

    return ImageFont.truetype(
        str(Path(__file__).parents[1] / "fonts" / ("DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf")), size
    )


def wrap_words(text: str, font: Any, width: float) -> list[str]:
    lines: list[str] = []
    for word in text.split():
        if lines and font.getlength(f"{lines[-1]} {word}") <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


def _with_caption(picture: Any, photo: Photo, verdict: Verdict, view: _View, marks: _Marks) -> Bytes:
    """Put the band of words under the picture."""
    from PIL import Image, ImageDraw

    width = picture.shape[1]
    em = width / 46  # body text: about 11 points on a phone held upright
    band = Image.new("RGB", (width, round(em * 90)), WHITE)
    draw = ImageDraw.Draw(band)
    pad = em
    y = pad * 0.9
    y = _legend(draw, marks, verdict, pad, y, em, width)
    room = width - 2 * pad
    if not view.whole:
        room -= _thumbnail(band, photo, view, em, y) + pad
    y = _headline(draw, verdict, pad, y, em, room)
    if verdict.consumed is not None and verdict.status == "judged":
        y = _gauge(draw, verdict, pad, y, em, room)
    body, bold, small = font_of(round(em)), font_of(round(em), True), font_of(round(em * 0.72))
    if not view.whole:
        y = max(y, pad * 0.9 + em * 2.0 + _thumbnail_height(photo, em) + em * 1.4)
    room = width - 2 * pad
    for reason in verdict.reasons:
        for i, line in enumerate(wrap_words(reason.message, bold, room - em)):
            if i == 0:
                draw.ellipse((pad, y + em * 0.42, pad + em * 0.4, y + em * 0.82), fill=INK)
            draw.text((pad + em, y), line, font=bold, fill=INK)
            y += em * 1.32
        if reason.remedy:
            for line in wrap_words(reason.remedy, body, room - em):
                draw.text((pad + em, y), line, font=body, fill=INK)
                y += em * 1.32
        y += em * 0.35
    if verdict.cautions:
        careful = font_of(round(em * 0.8))
        for line in wrap_words("Cautions. " + " ".join(verdict.cautions), careful, room):
            draw.text((pad, y), line, font=careful, fill=INK)
            y += em * 1.1
    y += em * 0.3
    draw.line((pad, y, width - pad, y), fill=RULE, width=max(1, round(em / 16)))
    y += em * 0.35
    for line in wrap_words(_footnote(verdict), small, room):
        draw.text((pad, y), line, font=small, fill=QUIET)
        y += em * 0.98
    band = band.crop((0, 0, width, min(band.height, round(y + em * 0.6))))
    return np.vstack([picture, np.asarray(band)])


def _legend(draw: Any, marks: _Marks, verdict: Verdict, x: float, y: float, em: float, width: float) -> float:
    """One sample and one name for each mark that was drawn."""
    worst = f"worst place, {verdict.recession_mm.max:.1f} mm" if verdict.recession_mm else ""
    font = font_of(round(em * 0.86))
    left, middle = x, y + em * 0.55
    names = [
        (marks.new, "new outline"),
        (marks.left, "what is left"),
        (marks.gone, "gone"),
        (marks.worst, worst),
    ]
    for drawn, name in names:
        if not drawn:
            continue
        sample = em * 1.4 if name == worst else em * 2.6
        need = sample + em * 0.5 + font.getlength(name) + em * 1.3
        if x + need > width and x > left:
            x, y, middle = left, y + em * 1.4, middle + em * 1.4
        if name == "new outline":
            draw.line((x, middle, x + sample, middle), fill=BLACK, width=round(em * 0.36))
            for i in range(3):
                draw.line(
                    (x + sample * (i + 0.12) / 3, middle, x + sample * (i + 0.7) / 3, middle),
                    fill=WHITE,
                    width=round(em * 0.2),
                )
        elif name == "what is left":
            draw.line((x, middle, x + sample, middle), fill=BLACK, width=round(em * 0.42))
            draw.line((x, middle, x + sample, middle), fill=SKY, width=round(em * 0.24))
        elif name == "gone":
            box = (x, middle - em * 0.45, x + sample, middle + em * 0.45)
            draw.rectangle(box, fill=(250, 235, 205))
            for i in range(4):
                a = x + sample * (i + 0.05) / 4
                draw.line((a, box[3], a + em * 0.55, box[1]), fill=ORANGE, width=round(em * 0.2))
            draw.rectangle(box, outline=QUIET)
        else:
            r, c = em * 0.4, x + sample / 2
            for colour, w in ((BLACK, 0.3), (VERMILION, 0.18)):
                draw.ellipse((c - r, middle - r, c + r, middle + r), outline=colour, width=round(em * w))
                for dx, dy in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
                    draw.line(
                        (
                            c + dx * r * 0.75,
                            middle + dy * r * 0.75,
                            c + dx * r * 1.25,
                            middle + dy * r * 1.25,
                        ),
                        fill=colour,
                        width=round(em * w),
                    )
        draw.text((x + sample + em * 0.5, middle), name, font=font, fill=INK, anchor="lm")
        x += need
    return y + em * 1.75 if any(d for d, _ in names) else y


def _thumbnail_height(photo: Photo, em: float) -> float:
    height, width = photo.rgb.shape[:2]
    return em * 9 * min(1.0, height / width) if height <= width else em * 9


def _thumbnail(band: Any, photo: Photo, view: _View, em: float, y: float) -> float:
    """The whole photo, small, with the window that is shown above marked in it. Returns its width."""
    from PIL import Image, ImageDraw

    height, width = photo.rgb.shape[:2]
    scale = em * 9 / max(height, width)
    stride = max(1, int(0.4 / scale))
    small = Image.fromarray(np.ascontiguousarray(np.asarray(photo.rgb)[::stride, ::stride])).resize(
        (round(width * scale), round(height * scale)), Image.Resampling.BOX
    )
    d = ImageDraw.Draw(small)
    box = [round(v * scale) for v in view.window]
    d.rectangle(box, outline=BLACK, width=max(3, round(em / 5)))
    d.rectangle([box[0] + 1, box[1] + 1, box[2] - 1, box[3] - 1], outline=WHITE, width=max(1, round(em / 10)))
    left = round(band.width - em - small.width)
    band.paste(small, (left, round(y)))
    ImageDraw.Draw(band).text(
        (left, y + small.height + em * 0.15), "the whole photo", font=font_of(round(em * 0.72)), fill=QUIET
    )
    return float(small.width)


def _headline(draw: Any, verdict: Verdict, x: float, y: float, em: float, room: float) -> float:
    """The verdict in a block, with a sign of its own shape, and the main figure beside it."""
    grade = verdict.verdict if verdict.status == "judged" else None
    word = GRADE_WORDS[grade] if grade else "CANNOT JUDGE"
    colour = GRADE_COLOURS[grade] if grade else (60, 60, 60)
    ink = WHITE if colour in (VERMILION, GREEN, (60, 60, 60)) else BLACK
    font = font_of(round(em * 1.75), True)
    tall = em * 2.7
    block = em * 3.1 + font.getlength(word)
    draw.rounded_rectangle(
        (x, y, x + block, y + tall),
        radius=em * 0.35,
        fill=colour,
        outline=BLACK,
        width=max(1, round(em / 12)),
    )
    _sign(draw, grade, x + em * 1.25, y + tall / 2, em * 0.72, ink)
    draw.text((x + em * 2.4, y + tall / 2), word, font=font, fill=ink, anchor="lm")
    if verdict.consumed is not None and grade:
        mass = verdict.consumed.mass_pct
        big, small = font_of(round(em * 1.3), True), font_of(round(em * 0.9))
        first = gone(verdict)[0].upper() + gone(verdict)[1:]
        second = f"{span(mass)}{' of the metal gone,' if no_wear(verdict) else ''} with {verdict.consumed.coverage * 100:.0f} % confidence"
        if block + em + max(big.getlength(first), small.getlength(second)) <= room:
            draw.text((x + block + em, y + em * 0.05), first, font=big, fill=INK)
            draw.text((x + block + em, y + em * 1.62), second, font=small, fill=INK)
        else:
            y += tall + em * 0.3
            draw.text((x, y), first, font=big, fill=INK)
            draw.text((x, y + em * 1.6), second, font=small, fill=INK)
    return y + tall + em * 0.7


def _sign(draw: Any, grade: str | None, cx: float, cy: float, r: float, ink: tuple[int, int, int]) -> None:
    """A cross for replace, a half-filled disc for monitor, a tick for ok, a question mark for a refusal."""
    w = max(2, round(r * 0.42))
    if grade == "replace":
        draw.line((cx - r * 0.8, cy - r * 0.8, cx + r * 0.8, cy + r * 0.8), fill=ink, width=w)
        draw.line((cx - r * 0.8, cy + r * 0.8, cx + r * 0.8, cy - r * 0.8), fill=ink, width=w)
    elif grade == "monitor":
        draw.ellipse((cx - r, cy - r, cx + r, cy + r), outline=ink, width=max(2, round(r * 0.25)))
        draw.pieslice((cx - r, cy - r, cx + r, cy + r), 90, 270, fill=ink)
    elif grade == "ok":
        draw.line(
            (cx - r * 0.9, cy, cx - r * 0.25, cy + r * 0.7, cx + r * 0.95, cy - r * 0.75),
            fill=ink,
            width=w,
            joint="curve",
        )
    else:
        draw.text((cx, cy), "?", font=font_of(round(r * 2.4), True), fill=ink, anchor="mm")


def _gauge(draw: Any, verdict: Verdict, x: float, y: float, em: float, room: float) -> float:
    """A line from 0 to 100 % of the metal: the interval as a bar, the value as a needle, the
    limit as a gate."""
    assert verdict.consumed is not None
    mass, limit = verdict.consumed.mass_pct, verdict.limits.limit_pct
    left, right = x + em * 0.4, x + min(room, em * 40) - em * 0.8
    font, top = font_of(round(em * 0.78)), y + em * 0.2
    tall = em * 0.9

    def at(pct: float) -> float:
        return left + (right - left) * float(np.clip(pct, 0, 100)) / 100

    draw.rectangle((left, top, right, top + tall), fill=(238, 238, 238), outline=QUIET)
    draw.rectangle((at(mass.low), top + tall * 0.2, at(mass.high), top + tall * 0.8), fill=SKY, outline=BLACK)
    needle = at(mass.value)
    draw.polygon(
        (needle - em * 0.3, top - em * 0.3, needle + em * 0.3, top - em * 0.3, needle, top + tall * 0.3),
        fill=BLACK,
    )
    draw.line((needle, top, needle, top + tall), fill=BLACK, width=max(2, round(em / 7)))
    gate = at(limit)
    for k in range(5):
        draw.line(
            (gate, top - em * 0.25 + k * em * 0.3, gate, top - em * 0.1 + k * em * 0.3),
            fill=BLACK,
            width=max(2, round(em / 7)),
        )
    base = top + tall + em * 0.2
    draw.text((left, base), "0 %", font=font, fill=QUIET, anchor="la")
    draw.text((right, base), "100 % of the metal gone", font=font, fill=QUIET, anchor="ra")
    draw.text((gate, base), f"limit {limit:.0f} %", font=font, fill=INK, anchor="ma")
    return base + em * 1.5


def _footnote(verdict: Verdict) -> str:
    """Where the figures come from, for whoever has to check them."""
    bits = []
    if verdict.consumed is not None and verdict.status == "judged":
        area = verdict.consumed.area_pct
        bits.append(f"Outline area gone: {percent(area)} ({span(area)}); area is not mass.")
    if verdict.recession_mm is not None and not no_wear(verdict):
        bits.append(
            f"Edge worn back {verdict.recession_mm.mean:.1f} mm on average, {verdict.recession_mm.max:.1f} mm at most."
        )
    if verdict.mass is not None and not no_wear(verdict):
        bits.append(f"{verdict.mass.remaining_g.value:.0f} g of {verdict.mass.new_g:.0f} g left.")
    if verdict.template is not None:
        bits.append(
            f"Template {verdict.template.name}, {verdict.template.alloy}, {verdict.template.mount} mount."
        )
    if verdict.scale is not None:
        bits.append(
            f"Sheet {verdict.scale.layout}, camera {verdict.scale.distance_mm:.0f} mm away, tilted {verdict.scale.tilt_deg:.0f}°."
        )
    bits.append(f"Limit {verdict.limits.limit_pct:.0f} %: {verdict.limits.basis}.")
    taken = f", taken {verdict.photo.taken.replace('T', ' ')}" if verdict.photo.taken else ""
    bits.append(
        f"Photo {verdict.photo.name}{taken}, SHA-256 {verdict.photo.sha256[:16]}. anodewane {verdict.provenance.anodewane}."
    )
    return " ".join(bits)
