"""From linear light to the file that a phone would write: lens, sensor, sRGB, JPEG with EXIF."""

from __future__ import annotations

from typing import Any

import numpy as np

from anodewane.testing.scene import PAPER_ALBEDO, Scene
from anodewane.units import Bytes


def encode_srgb(light: Any) -> Any:
    """IEC 61966-2-1: sRGB value 0 to 1 of linear light 0 to 1."""
    light = np.clip(light, 0, 1)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.power(light, 1 / 2.4) - 0.055)


def develop(light: Any, scene: Scene, rng: Any) -> Bytes:
    """Turn linear light (H, W, 3) into a photo as a phone would: vignette, blur, white balance, noise,
    all in linear light, then the sRGB curve."""
    import cv2

    height, width = light.shape[:2]
    y, x = np.ogrid[0:height, 0:width]
    r2 = ((x - (width - 1) / 2) ** 2 + (y - (height - 1) / 2) ** 2) / ((width**2 + height**2) / 4)
    light = light * ((scene.exposure / PAPER_ALBEDO) * (1 - scene.vignette * r2[..., None])).astype(
        np.float32
    )
    if scene.blur_px > 0:
        light = cv2.GaussianBlur(light, (0, 0), scene.blur_px)
    light = light * np.array(scene.white_balance, np.float32)
    if scene.noise > 0:
        light = light + rng.standard_normal(light.shape, dtype=np.float32) * np.sqrt(
            np.clip(light, 0, 1) * np.float32(scene.noise) + np.float32(1e-6)
        )
    # the curve by table: 4096 steps a unit are far finer than a byte
    table = np.round(encode_srgb(np.arange(16385) / 16384) * 255).astype(np.uint8)
    out: Bytes = table[np.round(np.clip(light, 0, 1) * 16384).astype(np.int32)]
    return out


def encode_jpeg(
    rgb: Bytes, *, f35: float | None, quality: int = 88, orientation: int = 1, seed: int = 0
) -> bytes:
    """Return JPEG bytes with the EXIF that phones write. `orientation` 2 to 8 stores the pixels so that
    a reader must turn them back."""
    import io

    from PIL import Image

    store = {
        2: Image.Transpose.FLIP_LEFT_RIGHT, 3: Image.Transpose.ROTATE_180,
        4: Image.Transpose.FLIP_TOP_BOTTOM, 5: Image.Transpose.TRANSPOSE,
        6: Image.Transpose.ROTATE_90, 7: Image.Transpose.TRANSVERSE, 8: Image.Transpose.ROTATE_270,
    }  # fmt: skip
    picture = Image.fromarray(np.asarray(rgb))
    if orientation != 1:
        picture = picture.transpose(store[orientation])
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "anodewane", "renderer", orientation
    taken = f"2026:10:{1 + seed % 28:02d} {8 + seed % 9:02d}:{seed % 60:02d}:00"
    exif[0x0132] = taken
    inner = exif.get_ifd(0x8769)
    inner[0x9003] = taken
    if f35 is not None:
        inner[0xA405], inner[0x920A] = round(f35), float(f35) / 6.5
    buffer = io.BytesIO()
    picture.save(buffer, "JPEG", quality=quality, exif=exif)
    return buffer.getvalue()
