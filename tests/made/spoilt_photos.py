"""Sample photos as small copies, spoilt in one way each, and the samples' verdicts."""

from __future__ import annotations

import io
from functools import lru_cache
from typing import Any

import numpy as np
from PIL import Image, ImageDraw, ImageFilter

from anodewane.catalog.templates import load_template
from anodewane.stages.load import load_photo
from made.web_yard import PARTS, SAMPLES, template_file


def spoilt(how: str, name: str = "watch.jpg") -> bytes:
    """A sample photo as a small copy of 1280 px with its EXIF, spoilt."""
    image = Image.open(SAMPLES / name)
    exif = image.getexif()
    scale = verdict_of(name).scale if how in ("blurred", "no sheet", "cut") else None
    sheet = np.array(scale.sheet_photo_px) if scale else None
    if how == "blurred":  # more than `max_blur_square_frac` of a 15 mm square
        image = image.filter(
            ImageFilter.GaussianBlur(
                0.07 * 15 * float(np.linalg.norm(sheet[1] - sheet[0])) / scale.sheet_size_mm[0]
            )
        )
    elif how == "no sheet":
        ImageDraw.Draw(image).polygon([tuple(p) for p in sheet], fill=(120, 116, 110))
    elif how == "dark":
        image = image.point(lambda v: v // 20)
    elif how == "cut":
        ring = np.array(verdict_of(name).outline.photo_px[0])
        middle, away = ring.mean(0), ring.mean(0) - sheet.mean(0)
        w, h = image.size
        if abs(away[0]) > abs(away[1]):
            image = image.crop((0, 0, int(middle[0]), h) if away[0] > 0 else (int(middle[0]), 0, w, h))
        else:
            image = image.crop((0, 0, w, int(middle[1])) if away[1] > 0 else (0, int(middle[1]), w, h))
    image.thumbnail((1280, 1280))
    out = io.BytesIO()
    image.save(out, "JPEG", quality=85, exif=exif)
    return out.getvalue()


@lru_cache(maxsize=8)
def verdict_of(name: str) -> Any:
    """What the judgement says of a sample."""
    from anodewane.judgement.pipeline import judge

    template = next((template_file(p) for p, (s, _, _) in PARTS.items() if s == name), None)
    return judge(load_photo((SAMPLES / name).read_bytes(), name), load_template(str(template)))
