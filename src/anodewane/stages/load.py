"""Read a photo file: bytes in, upright pixels and the few facts that judging needs out.

JPEG (also with a second picture behind it, MPO), HEIC, PNG and WebP. The size in the header is held
against a limit before anything is decoded. The photo is turned upright once. Where a photo was taken
(GPS) is never read.
"""

from __future__ import annotations

import hashlib
import re
import threading
from typing import Any

import numpy as np

from anodewane.errors import InputUnreadable
from anodewane.records import Photo, Source

MAX_PIXELS = 220_000_000
"""The largest phone sensors have 200 MP; a header that says more is damaged or a trap."""

JPEG_MIN_BYTES_PER_PIXEL = 1 / 2000
"""A single-colour JPEG takes about 1/170 byte a pixel at best; a header that promises ten times as many
pixels lies, and memory for it isn't asked for."""

FOCAL_35MM_RANGE_MM = (8.0, 400.0)
"""A phone's lenses lie between about 13 and 250 mm (35 mm equivalent). EXIF writes 0 for unknown; other
values outside the range are errors."""

_REMEDY = "Give a JPEG, HEIC, PNG or WebP as the phone made it."
_COPY_AGAIN = "Copy it from the phone again, or take the photo again."
_SAVE_AS_JPEG = "Save it as JPEG, or set the phone to take JPEG or HEIC."

_OPEN_LOCK = threading.Lock()
"""Held while a header is read: Pillow's own pixel limit is a module variable, and is set aside for
that moment only."""


def load_photo(data: bytes, name: str) -> Photo:
    """Decode a photo.

    Parameters
    ----------
    data : bytes
        The file.
    name : str
        Its name; folders are dropped.

    Returns
    -------
    Photo
        rgb upright, uint8 (H, W, 3); EXIF facts; notes on what was odd.

    Raises
    ------
    InputUnreadable
        Empty, not a photo, of a kind that isn't read, too large, damaged.

    Notes
    -----
    Display P3, which phones write, is left as it is: it shares sRGB's tone curve and its primaries are
    near, and converting 12 MP takes longer than finding the sheet. Profiles with other primaries are
    converted.
    """
    name = re.split(r"[\\/]", name)[-1].encode("utf-8", "replace").decode("utf-8") or "photo"
    kind = _sniff(data, name)
    notes: list[str] = []
    image = _open(data, kind, name)
    try:
        width, height = image.size
        if width * height > MAX_PIXELS:
            raise InputUnreadable(
                f"The photo '{name}' says it has {width} x {height} pixels; more than "
                f"{MAX_PIXELS // 1_000_000} million aren't read.",
                _REMEDY,
            )
        if kind == "JPEG" and len(data) < width * height * JPEG_MIN_BYTES_PER_PIXEL:
            raise InputUnreadable(
                f"The photo '{name}' says it has {width} x {height} pixels but holds only {len(data)} bytes.",
                _COPY_AGAIN,
            )
        try:
            facts = _facts(image, notes)
            rgb = _pixels(image, data, kind, notes)
        except Exception as e:  # decoders raise whatever they like: that it can't be read is all to say
            raise InputUnreadable(
                f"The photo '{name}' is damaged or cut short ({_first_words(e)}).", _COPY_AGAIN
            ) from e
    finally:
        image.close()
    rgb = _upright(rgb, facts["orientation"])
    source = Source(name, hashlib.sha256(data).hexdigest(), len(data))
    return Photo(rgb, source, facts["taken"], facts["focal_35mm"], facts["camera"], tuple(notes))


def read_taken(data: bytes, name: str) -> str | None:
    """When the photo was taken, as `Photo.taken`; None when it doesn't say. Reads the header only.

    Raises
    ------
    InputUnreadable
        As `load_photo`, but for damage that only decoding finds.
    """
    with _open(data, _sniff(data, name), name) as image:
        taken: str | None = _facts(image, [])["taken"]
    return taken


def read_size(data: bytes, name: str) -> tuple[str, int, int]:
    """Kind ("JPEG", "HEIC", "PNG" or "WEBP"), width and height by the header, before anything is
    decoded or turned.

    Raises
    ------
    InputUnreadable
        As `load_photo`, but for damage that only decoding finds.
    """
    kind = _sniff(data, name)
    with _open(data, kind, name) as image:
        return kind, int(image.size[0]), int(image.size[1])


# --- what kind of file ---------------------------------------------------------------------------


def _sniff(data: bytes, name: str) -> str:
    """Return "JPEG", "HEIC", "PNG" or "WEBP" by the file's first bytes, whatever its name ends in."""
    if not data:
        raise InputUnreadable(f"The photo '{name}' is empty (0 bytes).", _COPY_AGAIN)
    head = data[:512]
    if head.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "WEBP"
    if head[4:8] == b"ftyp":
        brands = {
            head[8:12],
            *(head[i : i + 4] for i in range(16, min(int.from_bytes(head[:4], "big"), 512), 4)),
        }
        if brands & {b"avif", b"avis"}:
            raise InputUnreadable(f"'{name}' is an AVIF picture, which isn't read.", _SAVE_AS_JPEG)
        if brands & {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"}:
            return "HEIC"
        raise InputUnreadable(
            f"'{name}' is a video, not a photo.", "Take a photo, or save one frame of the video as JPEG."
        )
    text = head.lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if text.startswith((b"<!doctype html", b"<html")) or (b"<html" in text and text.startswith(b"<")):
        raise InputUnreadable(
            f"'{name}' is a web page, not a photo.", "Download the photo itself, not the page that shows it."
        )
    others = {
        b"%PDF": "a PDF",
        b"GIF8": "a GIF",
        b"II*\x00": "a TIFF or raw picture",
        b"MM\x00*": "a TIFF or raw picture",
        b"BM": "a BMP picture",
        b"PK\x03\x04": "a zip archive",
    }
    for magic, what in others.items():
        if head.startswith(magic):
            raise InputUnreadable(f"'{name}' is {what}, not a photo that can be read.", _SAVE_AS_JPEG)
    if head[:4] == b"\x1aE\xdf\xa3" or (head[:4] == b"RIFF" and head[8:12] == b"AVI "):
        raise InputUnreadable(
            f"'{name}' is a video, not a photo.", "Take a photo, or save one frame of the video as JPEG."
        )
    if not any(c < 9 or 13 < c < 32 for c in head):
        raise InputUnreadable(f"'{name}' is text, not a photo, whatever its name ends in.", _REMEDY)
    raise InputUnreadable(f"'{name}' isn't a photo that can be read.", _REMEDY)


def _open(data: bytes, kind: str, name: str) -> Any:
    """Read the header only. Returns a Pillow image that hasn't been decoded."""
    import io
    import warnings

    from PIL import Image

    stream = io.BytesIO(data)
    try:
        with _OPEN_LOCK, warnings.catch_warnings():
            warnings.simplefilter("ignore")  # odd EXIF blocks warn; what can't be used is left out below
            limit, Image.MAX_IMAGE_PIXELS = Image.MAX_IMAGE_PIXELS, None
            try:
                if kind == "HEIC":
                    from pi_heif import HeifImageFile

                    # The class itself: registering it would change what Pillow opens elsewhere
                    # in the process.
                    return HeifImageFile(stream)
                return Image.open(
                    stream, formats={"JPEG": ("JPEG", "MPO"), "PNG": ("PNG",), "WEBP": ("WEBP",)}[kind]
                )
            finally:
                Image.MAX_IMAGE_PIXELS = limit
    except Exception as e:
        raise InputUnreadable(
            f"The photo '{name}' is damaged or cut short ({_first_words(e)}).", _COPY_AGAIN
        ) from e


def _first_words(e: BaseException) -> str:
    text = re.sub(r"<[^>]*>", "the file", str(e)).split("\n")[0].strip(" .")
    return text[:80] or type(e).__name__


# --- pixels --------------------------------------------------------------------------------------


def _pixels(image: Any, data: bytes, kind: str, notes: list[str]) -> Any:
    """Return uint8 RGB (H, W, 3) as stored, not yet turned."""
    profile = image.info.get("icc_profile")
    rgb: Any = None
    if kind == "JPEG" and image.mode in ("RGB", "L"):
        import simplejpeg

        try:
            rgb = simplejpeg.decode_jpeg(data, colorspace="RGB")
        except ValueError as e:
            # Strict decoding refuses what others paint over; a photo that is whole apart from that is
            # still worth a look, with a warning.
            image.load()
            notes.append(f"The JPEG is damaged ({_first_words(e)}); parts of the picture may be wrong.")
    if rgb is None:
        rgb = np.array(_to_rgb(image), dtype=np.uint8)
    if profile and image.mode == "RGB":
        rgb = _to_srgb(rgb, profile, notes)
    return np.ascontiguousarray(rgb)


def _to_rgb(image: Any) -> Any:
    """A Pillow image in mode RGB: transparency over white paper, 16 bits scaled, CMYK and
    palettes resolved."""
    from PIL import Image

    if image.mode.startswith("I"):  # 16-bit grey
        image.load()
        image = Image.fromarray(
            (np.asarray(image).astype(np.int64).clip(0, 65535) / 257 + 0.5).astype(np.uint8)
        )
    if image.mode in ("RGBA", "LA", "PA", "RGBa", "La") or "transparency" in image.info:
        image = image.convert("RGBA")
        white = Image.new("RGBA", image.size, (255, 255, 255, 255))
        white.alpha_composite(image)
        image = white
    return image if image.mode == "RGB" else image.convert("RGB")


def _to_srgb(rgb: Any, profile: bytes, notes: list[str]) -> Any:
    """Convert by an ICC profile unless it is sRGB or Display P3."""
    import io

    from PIL import Image, ImageCms

    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        description = ImageCms.getProfileDescription(source).strip()
        if re.search(r"srgb|display p3|iec *61966", description, re.IGNORECASE):
            return rgb
        picture = Image.fromarray(rgb)
        ImageCms.profileToProfile(picture, source, ImageCms.createProfile("sRGB"), inPlace=True)
        return np.array(picture)
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        notes.append("The photo's colour profile can't be used; its colours are taken as sRGB.")
        return rgb


def _upright(rgb: Any, orientation: int) -> Any:
    """Apply an EXIF orientation (1 to 8) to uint8 (H, W, 3)."""
    if orientation == 1:
        return rgb
    import cv2

    if orientation == 2:
        return cv2.flip(rgb, 1)
    if orientation == 4:
        return cv2.flip(rgb, 0)
    if orientation == 5:
        return cv2.transpose(rgb)
    if orientation == 7:
        return cv2.flip(cv2.transpose(rgb), -1)
    return cv2.rotate(
        rgb, {3: cv2.ROTATE_180, 6: cv2.ROTATE_90_CLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}[orientation]
    )


# --- EXIF ----------------------------------------------------------------------------------------

_ORIENTATION, _MAKE, _MODEL, _EXIF_IFD = 0x0112, 0x010F, 0x0110, 0x8769
_TAKEN, _DIGITISED, _OFFSET, _FOCAL_35, _ZOOM, _WIDTH, _HEIGHT = (
    0x9003,
    0x9004,
    0x9011,
    0xA405,
    0xA404,
    0xA002,
    0xA003,
)
"""Tags of CIPA DC-008 (EXIF 2.32). The GPS block (0x8825) is not among them."""


def _facts(image: Any, notes: list[str]) -> dict[str, Any]:
    import warnings

    facts: dict[str, Any] = {"orientation": 1, "taken": None, "focal_35mm": None, "camera": None}
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            exif = image.getexif()
            orientation = exif.get(_ORIENTATION, 1)
            block = exif.get_ifd(_EXIF_IFD)
            make, model = _text(exif.get(_MAKE)), _text(exif.get(_MODEL))
    except Exception:  # a broken EXIF block costs its facts, not the photo
        notes.append("The photo's EXIF block can't be read; its focal length, date and turn are unknown.")
        return facts
    if orientation in range(1, 9):
        facts["orientation"] = int(orientation)
    # Pillow hands orientation over as 1 for HEIC: its pixels are turned by the decoder
    if make or model:
        facts["camera"] = (
            model
            if model and make and model.lower().startswith(make.lower())
            else " ".join(t for t in (make, model) if t)
        )
    facts["taken"] = _taken(block)
    focal = _number(block.get(_FOCAL_35))
    if focal is not None and FOCAL_35MM_RANGE_MM[0] <= focal <= FOCAL_35MM_RANGE_MM[1]:
        facts["focal_35mm"] = focal
    width, height = _number(block.get(_WIDTH)), _number(block.get(_HEIGHT))
    if facts["focal_35mm"] is not None and width and height:
        ratio, was = max(image.size) / min(image.size), max(width, height) / min(width, height)
        if abs(ratio / was - 1) > 0.02:
            facts["focal_35mm"] = None
            notes.append(
                "The photo was cropped after it was taken, so its focal length no longer holds and isn't "
                "used."
            )
    zoom = _number(block.get(_ZOOM))
    if zoom is not None and 1.05 < zoom < 100:
        notes.append(f"The photo was taken with digital zoom ({zoom:.1f}x).")
    return facts


def _text(value: Any) -> str | None:
    """A clean line of text of at most 60 characters, or None."""
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    if not isinstance(value, str):
        return None
    text = " ".join("".join(c if c.isprintable() else " " for c in value.split("\x00")[0]).split())[:60]
    return text.encode("utf-8", "replace").decode() or None


def _number(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return None
    return number if np.isfinite(number) else None


def _taken(block: Any) -> str | None:
    """EXIF's local time as ISO 8601, with its offset from UTC only where EXIF has one."""
    from datetime import datetime

    for tag in (_TAKEN, _DIGITISED):
        text = _text(block.get(tag))
        if text is None:
            continue
        try:
            # the camera's own clock, zone unknown
            moment = datetime.strptime(text[:19], "%Y:%m:%d %H:%M:%S")  # noqa: DTZ007
        except ValueError:
            continue
        offset = _text(block.get(_OFFSET)) if tag == _TAKEN else None
        return moment.isoformat() + (offset if offset and re.fullmatch(r"[+-]\d\d:\d\d", offset) else "")
    return None
