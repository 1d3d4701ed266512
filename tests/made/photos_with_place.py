"""Photos that say where they were taken and by which device, in every kind of file that is read."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
from PIL import Image

FORMATS = ("jpg", "jpg-progressive", "jpg-restarts", "png", "webp", "webp-lossless", "heic")
SERIAL, OWNER = b"SN-4711-0815", b"Invented Owner"
XMP = (
    b'<?xpacket begin="" id="W5M0MpCehiHzreSzNTczkc9d"?><x:xmpmeta xmlns:x="adobe:ns:meta/">'
    b'<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
    b'<rdf:Description xmlns:exif="http://ns.adobe.com/exif/1.0/" '
    b'exif:GPSLatitude="54,20.0N" exif:GPSLongitude="10,8.0E"/></rdf:RDF></x:xmpmeta>'
    b'<?xpacket end="w"?>'
)


def place_exif(width: int, height: int) -> Image.Exif:
    """EXIF of an invented phone in an invented harbour."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Invented", "Phone 3", 6
    exif.get_ifd(0x8769).update(
        {
            0x9003: "2026:10:04 11:03:00",
            0xA405: 27,
            0xA002: width,
            0xA003: height,
            0xA430: OWNER.decode(),
            0xA431: SERIAL.decode(),
            0x927C: b"maker's own notes",
        }
    )
    exif.get_ifd(0x8825).update({1: "N", 2: (54.0, 20.0, 1.0), 3: "E", 4: (10.0, 8.0, 0.0)})
    return exif


def with_place(kind: str, of: Path | None = None) -> bytes:
    """A file of that kind; `of` another photo (its pixels are encoded again)."""
    if of is not None:
        image = Image.open(of).convert("RGB")
    else:
        noise = np.random.default_rng(5).random((75, 100, 3))
        image = Image.fromarray((np.repeat(np.repeat(noise, 4, 0), 4, 1) * 255).astype(np.uint8))
    exif = place_exif(*image.size)
    if of is not None:
        exif[0x0112] = 1
    out = io.BytesIO()
    if kind == "heic":
        import pillow_heif

        pillow_heif.from_pillow(image).save(out, exif=exif.tobytes(), xmp=XMP, quality=70)
    elif kind.startswith("jpg"):
        more = {
            "jpg": {},
            "jpg-progressive": {"progressive": True},
            "jpg-restarts": {"restart_marker_blocks": 3},
        }[kind]
        image.save(out, "JPEG", quality=80, exif=exif.tobytes(), xmp=XMP, comment=OWNER, **more)
    elif kind == "png":
        from PIL.PngImagePlugin import PngInfo

        info = PngInfo()
        info.add_itxt("XML:com.adobe.xmp", XMP.decode())
        image.save(out, "PNG", exif=exif.tobytes(), pnginfo=info)
    else:
        image.save(out, "WEBP", exif=exif.tobytes(), xmp=XMP, lossless=kind.endswith("lossless"), quality=80)
    return out.getvalue()
