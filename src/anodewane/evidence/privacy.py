"""What a photo's file says besides its pixels: where it was taken, which device took it; and a copy
without that, pixel for pixel the same.

A stripped copy is made by rewriting the file's containers: only segments that are needed to show the
picture are kept, and a small EXIF block with the facts that judging needs (turn, date, focal length,
size, zoom, kind of camera). The compressed picture itself isn't touched. Before a copy is handed out it
is read again: pixels and facts must be the same, and nothing of the place may be left.

Standards: JPEG ITU-T T.81 annex B, EXIF CIPA DC-008-2019, PNG ISO/IEC 15948, WebP RFC 9649, HEIF
ISO/IEC 23008-12 with ISO/IEC 14496-12 boxes.
"""

from __future__ import annotations

import io
import re
import struct
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np

from anodewane.errors import UsageError

# EXIF tags of CIPA DC-008-2019
GPS_IFD, EXIF_IFD = 0x8825, 0x8769
KEPT_MAIN = (0x010F, 0x0110, 0x0112)
"""Make, Model, Orientation: the kind of camera, not which one."""
KEPT_EXIF = (0x9003, 0x9004, 0x9011, 0xA002, 0xA003, 0xA404, 0xA405)
"""DateTimeOriginal, DateTimeDigitized, OffsetTimeOriginal, PixelXDimension, PixelYDimension,
DigitalZoomRatio, FocalLengthIn35mmFilm."""
DEVICE_TAGS = (0xA420, 0xA430, 0xA431, 0xA435, 0x927C)
"""ImageUniqueID, CameraOwnerName, BodySerialNumber, LensSerialNumber, MakerNote (which often holds
serial numbers)."""

_PLACE_WORDS = re.compile(
    rb"GPSL(?:atitude|ongitude)|LocationShown|LocationCreated|photoshop:City|\xa9xyz"
    rb"|com\.apple\.quicktime\.location",
    re.IGNORECASE,
)
_DEVICE_WORDS = re.compile(
    rb"SerialNumber|OwnerName|com\.apple\.quicktime\.content\.identifier", re.IGNORECASE
)


@dataclass(frozen=True, slots=True)
class Carried:
    """What a file says beside its pixels."""

    location: bool
    """Where the photo was taken."""
    device: bool
    """A device's number, its owner or its maker's own notes."""


def carried(data: bytes) -> Carried:
    """Look through a photo's file, pictures and films hidden behind the first one included."""
    location, device = bool(_PLACE_WORDS.search(data)), bool(_DEVICE_WORDS.search(data))
    for block in _exif_blocks(data):
        exif = _parsed(block)
        if exif is None:
            continue
        try:
            # an empty GPS block, or one with a version only, says nothing of a place
            location = location or any(tag not in (0, 29) for tag in exif.get_ifd(GPS_IFD))
            inner = exif.get_ifd(EXIF_IFD)
        except Exception:  # noqa: S112 - a broken block: what can't be read can't be told
            continue
        device = device or any(tag in inner or tag in exif for tag in DEVICE_TAGS)
    return Carried(location, device)


def _exif_blocks(data: bytes) -> list[bytes]:
    """Every EXIF block by its signature, wherever it lies, and those of PNG and WebP, which have none."""
    blocks = [
        data[m.end() : m.end() + 65536] for m in re.finditer(rb"Exif\x00\x00(?=II\*\x00|MM\x00\*)", data)
    ]
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        blocks += [body for kind, body in _png_chunks(data) if kind == b"eXIf"]
    elif data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        blocks += [body for kind, body in _riff_chunks(data) if kind == b"EXIF"]
    return blocks


def _parsed(block: bytes) -> Any:
    from PIL import Image

    exif = Image.Exif()
    try:
        exif.load(block if block.startswith(b"Exif\x00\x00") else b"Exif\x00\x00" + block)
    except Exception:  # Pillow raises whatever it meets in a broken block
        return None
    return exif


def small_exif(block: bytes | None) -> bytes:
    """An EXIF block ("Exif", two zeros, TIFF) with nothing but what judging needs; empty when there is
    nothing to keep."""
    from PIL import Image

    old = _parsed(block) if block else None
    if old is None:
        return b""
    new = Image.Exif()
    try:
        inner = old.get_ifd(EXIF_IFD)
        for tag in KEPT_MAIN:
            if tag in old:
                new[tag] = old[tag]
        kept = {tag: inner[tag] for tag in KEPT_EXIF if tag in inner}
    except Exception:
        return b""
    if kept:
        new.get_ifd(EXIF_IFD).update(kept)
    if not kept and not len(new):
        return b""
    made = new.tobytes()
    return made if made.startswith(b"Exif\x00\x00") else b"Exif\x00\x00" + made


def stripped(data: bytes, name: str) -> bytes:
    """A copy of a photo's file that says nothing of place and device, with the same pixels.

    Raises
    ------
    UsageError
        A kind of file, or a build of it, from which that can't be taken without touching the picture.
    """
    if data[:3] == b"\xff\xd8\xff":
        made = _jpeg(data, name)
    elif data[:8] == b"\x89PNG\r\n\x1a\n":
        made = _png(data)
    elif data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        made = _webp(data)
    else:
        made = _heic(data, name)
    _check(data, made, name)
    return made


def _check(data: bytes, made: bytes, name: str) -> None:
    """Read both: pixels and facts must be the same and the place gone."""
    from anodewane.stages.load import load_photo

    before, after = load_photo(data, name), load_photo(made, name)
    same = (
        before.rgb.shape == after.rgb.shape
        and np.array_equal(before.rgb, after.rgb)
        and (before.taken, before.focal_35mm, before.camera) == (after.taken, after.focal_35mm, after.camera)
    )
    left = carried(made)
    if not same or left.location or left.device:
        raise _cannot(name)


def _cannot(name: str) -> UsageError:
    return UsageError(
        f"The location can't be taken out of '{name}' without touching its picture.",
        "Pack it with its location (without --strip-location), or set the phone to keep no location and "
        "take the photo again.",
    )


# --- JPEG ----------------------------------------------------------------------------------------


def _jpeg(data: bytes, name: str) -> bytes:
    """Keep the segments that the picture needs, up to the end of the first picture. What lies behind it
    (a second picture, a film) is left out."""
    out = [b"\xff\xd8"]
    exif: bytes | None = None
    kept: list[bytes] = []
    at = 2
    while True:
        if at + 4 > len(data) or data[at] != 0xFF:
            raise _cannot(name)
        marker = data[at + 1]
        if marker == 0xFF:  # a fill byte
            at += 1
            continue
        if marker == 0xD9 or 0xD0 <= marker <= 0xD7 or marker == 0x01:
            raise _cannot(name)  # no picture before the end
        length = struct.unpack(">H", data[at + 2 : at + 4])[0]
        segment, body = data[at : at + 2 + length], data[at + 4 : at + 2 + length]
        if length < 2 or len(segment) < 2 + length:
            raise _cannot(name)
        if marker == 0xDA:
            break
        if marker == 0xE1 and body.startswith(b"Exif\x00\x00"):
            exif = exif or body
        elif marker == 0xE0 and body[:5] == b"JFIF\x00":
            # without its thumbnail, which may show more than the picture
            kept.append(b"\xff\xe0\x00\x10" + body[:12] + b"\x00\x00" if len(body) >= 14 else segment)
        elif (
            (marker == 0xE2 and body.startswith(b"ICC_PROFILE\x00"))
            or (marker == 0xEE and body.startswith(b"Adobe"))
            or not (0xE0 <= marker <= 0xEF or marker == 0xFE)
        ):
            kept.append(segment)
        at += 2 + length
    small = small_exif(exif)
    if small:
        # a JFIF header comes first where there is one
        kept.insert(
            1 if kept and kept[0][:2] == b"\xff\xe0" else 0,
            b"\xff\xe1" + struct.pack(">H", len(small) + 2) + small,
        )
    return b"".join([*out, *kept, data[at : _scan_end(data, at)]])


def _scan_end(data: bytes, at: int) -> int:
    """Index after the end-of-image marker of the picture whose first scan header is at `at`.
    Progressive pictures have tables and further scans between."""
    while True:
        found = data.find(b"\xff", at)
        if found < 0 or found + 1 >= len(data):
            return len(data)  # cut short; reading the copy tells whether it matters
        marker = data[found + 1]
        if marker == 0xD9:
            return found + 2
        if marker == 0x00 or marker == 0xFF or 0xD0 <= marker <= 0xD7:
            at = found + (1 if marker == 0xFF else 2)  # a stuffed byte, filling, a restart
            continue
        at = found + 2 + struct.unpack(">H", data[found + 2 : found + 4].ljust(2, b"\0"))[0]


# --- PNG, WebP -----------------------------------------------------------------------------------

PNG_KEPT = frozenset(
    {
        b"IHDR",
        b"PLTE",
        b"tRNS",
        b"gAMA",
        b"cHRM",
        b"sRGB",
        b"iCCP",
        b"sBIT",
        b"bKGD",
        b"pHYs",
        b"cICP",
        b"IDAT",
        b"IEND",
    }
)


def _png_chunks(data: bytes) -> list[tuple[bytes, bytes]]:
    out, at = [], 8
    while at + 12 <= len(data):
        length = struct.unpack(">I", data[at : at + 4])[0]
        out.append((data[at + 4 : at + 8], data[at + 8 : at + 8 + length]))
        at += 12 + length
        if out[-1][0] == b"IEND":
            break
    return out


def _png(data: bytes) -> bytes:
    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    chunks = _png_chunks(data)
    small = small_exif(next((b for k, b in chunks if k == b"eXIf"), None)).removeprefix(b"Exif\x00\x00")
    out = [data[:8]]
    for kind, body in chunks:
        if kind == b"IDAT" and small:
            out.append(chunk(b"eXIf", small))  # before the first picture data
            small = b""
        if kind in PNG_KEPT:
            out.append(chunk(kind, body))
    return b"".join(out)


def _riff_chunks(data: bytes) -> list[tuple[bytes, bytes]]:
    out, at = [], 12
    while at + 8 <= len(data):
        length = struct.unpack("<I", data[at + 4 : at + 8])[0]
        out.append((data[at : at + 4], data[at + 8 : at + 8 + length]))
        at += 8 + length + length % 2
    return out


def _webp(data: bytes) -> bytes:
    chunks = _riff_chunks(data)
    small = small_exif(next((b for k, b in chunks if k == b"EXIF"), None)).removeprefix(b"Exif\x00\x00")
    out = []
    for kind, body in chunks:
        if kind == b"VP8X" and len(body) >= 10:
            flags = body[0] & ~(0x04 | 0x08) | (0x08 if small else 0)  # XMP off, EXIF as kept
            out.append((kind, bytes([flags]) + body[1:]))
        elif kind in (b"VP8 ", b"VP8L", b"ALPH", b"ICCP", b"ANIM", b"ANMF"):
            out.append((kind, body))
    if small and out and out[0][0] == b"VP8X":
        out.append((b"EXIF", small))
    body = b"".join(k + struct.pack("<I", len(b)) + b + b"\0" * (len(b) % 2) for k, b in out)
    return b"RIFF" + struct.pack("<I", len(body) + 4) + b"WEBP" + body


# --- HEIC ----------------------------------------------------------------------------------------

HEIC_BOXES = frozenset({b"ftyp", b"meta", b"mdat", b"free", b"skip", b"wide"})


def _heic(data: bytes, name: str) -> bytes:
    """Overwrite every metadata item where it lies, at its own length, so that nothing else moves: EXIF
    by the small block and zeros, the rest by spaces."""
    import pi_heif

    at = 0
    while at + 8 <= len(data):
        length, kind = struct.unpack(">I4s", data[at : at + 8])
        if length == 1:
            length = struct.unpack(">Q", data[at + 8 : at + 16])[0]
        elif length == 0:
            length = len(data) - at
        if kind not in HEIC_BOXES or length < 8:
            raise _cannot(name)  # a film, or a maker's own box
        at += length
    made = bytearray(data)
    try:
        file = pi_heif.open_heif(io.BytesIO(data))
        items: list[tuple[bytes, bytes]] = []
        for image in file:
            exif = image.info.get("exif")
            if exif:
                start = exif.find(b"Exif\x00\x00")
                block = exif[start if start >= 0 else 0 :]
                small = small_exif(block)
                small = small if block.startswith(b"Exif\x00\x00") else small.removeprefix(b"Exif\x00\x00")
                items.append((block, small.ljust(len(block), b"\0")))
            if image.info.get("xmp"):
                items.append((image.info["xmp"], b" " * len(image.info["xmp"])))
            items += [
                (m["data"], b" " * len(m["data"])) for m in image.info.get("metadata") or [] if m.get("data")
            ]
    except Exception as e:
        raise _cannot(name) from e
    for old, new in dict(items).items():
        if len(new) != len(old) or len(old) < 16 or data.count(old) != 1:
            raise _cannot(name)
        at = data.index(old)
        made[at : at + len(old)] = new
    return bytes(made)
