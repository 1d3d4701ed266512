"""What overlays are drawn on and with: the window of the photo that is shown, lines on it, letters, and
the file that a picture becomes.
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
from anodewane.show.marks import RGB
from anodewane.units import Bytes, Floats, rescale_px

LONG_SIDE_PX = 1600
MIN_WIDTH_PX = 1100
"""A narrower picture is enlarged: the words need room."""

PART_SHARE = 0.6
"""Where the part spans well less of the photo than this, the picture is cut to it and a small copy of
the whole photo stands in the caption."""

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


# --- the photo's part ----------------------------------------------------------------------------


@dataclass
class Drawn:
    """Which marks were drawn: the legend names these and no others."""

    new: bool
    left: bool
    gone: bool
    worst: bool
    bar: bool


@dataclass(frozen=True)
class Window:
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


def window_of(photo: Photo, verdict: Verdict) -> Window:
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
    return Window(
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


# --- lines and letters ---------------------------------------------------------------------------

SHIFT = 4
"""Fraction bits of OpenCV's drawing coordinates: sixteenths of a pixel."""


def fixed(points: Floats) -> Any:
    return np.round(np.asarray(points) * 2**SHIFT).astype(np.int32)


def draw_line(picture: Any, ring: Floats, colour: RGB, width: float, closed: bool = True) -> None:
    import cv2

    # points that lie within a quarter of a pixel of the line between others change nothing that is
    # seen, and take most of the time
    points = cv2.approxPolyDP(fixed(ring).reshape(-1, 1, 2), 2**SHIFT / 4, closed)
    cv2.polylines(picture, [points], closed, colour, max(1, round(width)), cv2.LINE_AA, SHIFT)


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
