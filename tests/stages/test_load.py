"""Photos as phones make them, and files that aren't photos. Small pictures made here; Pillow's own
`exif_transpose` says which way is up."""

from __future__ import annotations

import io
import struct
import zlib

import numpy as np
import pytest
from PIL import Image, ImageCms, ImageOps

from anodewane.errors import InputUnreadable
from anodewane.stages.load import load_photo

RNG = np.random.default_rng(5)


def scene(width=96, height=64):
    """An asymmetric picture: a smooth ramp with a dark block near one corner."""
    y, x = np.mgrid[0:height, 0:width]
    rgb = np.stack([40 + 2 * x, 30 + 2.5 * y, 200 - x - y], axis=-1)
    rgb[4:20, 6:40] = (20, 30, 60)
    return Image.fromarray(rgb.clip(0, 255).astype(np.uint8))


def exif_with(orientation=None, **tags):
    exif = Image.Exif()
    if orientation:
        exif[0x0112] = orientation
    block = exif.get_ifd(0x8769)
    for name, value in tags.items():
        tag = {
            "focal": 0xA405,
            "taken": 0x9003,
            "offset": 0x9011,
            "zoom": 0xA404,
            "width": 0xA002,
            "height": 0xA003,
        }.get(name)
        if tag:
            block[tag] = value
        else:
            exif[{"make": 0x010F, "model": 0x0110}[name]] = value
    return exif


def save(image, kind, **options):
    if kind == "HEIF":
        pytest.importorskip("pillow_heif").register_heif_opener()
        options.setdefault("quality", 90)
        if "exif" in options:
            options["exif"] = options[
                "exif"
            ].tobytes()  # bytes, so that the encoder writes the turn as HEIF stores it too (irot, imir)
    out = io.BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize(
    ("kind", "options"), [("JPEG", {"quality": 95}), ("PNG", {}), ("WEBP", {"lossless": True}), ("HEIF", {})]
)
def test_every_orientation_is_applied_once(kind, options, orientation):
    data = save(scene(), kind, exif=exif_with(orientation), **options)
    got = load_photo(data, "a").rgb
    original = scene()
    original.getexif()[0x0112] = orientation
    want = np.asarray(
        ImageOps.exif_transpose(original)
    )  # Pillow's own turn of the picture before it was written
    assert got.shape == want.shape
    assert np.abs(got.astype(int) - want).mean() < 6  # lossy kinds; another turn is off by 60 and more
    with Image.open(io.BytesIO(data)) as again:
        np.testing.assert_allclose(
            got.astype(int),
            np.asarray(ImageOps.exif_transpose(again).convert("RGB")),
            atol=2 if kind == "HEIF" else 0,
        )


def test_all_turns_differ_so_that_the_test_above_can_fail():
    turned = []
    for orientation in range(1, 9):
        picture = scene(64, 64)
        picture.getexif()[0x0112] = orientation
        turned.append(np.asarray(ImageOps.exif_transpose(picture)).astype(int))
    assert all(np.abs(a - b).mean() > 20 for i, a in enumerate(turned) for b in turned[:i])


@pytest.mark.parametrize("mode", ["L", "CMYK", "RGB"])
def test_jpeg_of_any_colour_model_matches_pillow(mode):
    data = save(scene().convert(mode), "JPEG", quality=95)
    np.testing.assert_array_equal(
        load_photo(data, "a").rgb, np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))
    )


def test_png_palette_transparency_and_sixteen_bits():
    np.testing.assert_allclose(
        load_photo(save(scene().quantize(64), "PNG"), "a").rgb,
        np.asarray(scene().quantize(64).convert("RGB")),
        atol=0,
    )
    clear = scene().convert("RGBA")
    clear.putalpha(0)
    assert np.all(load_photo(save(clear, "PNG"), "a").rgb == 255)  # nothing there: the white it lies on
    clear.putalpha(128)
    np.testing.assert_allclose(
        load_photo(save(clear, "WEBP", lossless=True), "a").rgb,
        (np.asarray(scene()) * 128.0 + 255.0 * 127) / 255,
        atol=1.5,
    )
    deep = (np.linspace(0, 65535, 96 * 64).reshape(64, 96)).astype(np.uint16)
    np.testing.assert_allclose(
        load_photo(save(Image.fromarray(deep), "PNG"), "a").rgb[..., 0], deep / 257, atol=1
    )


def test_a_picture_of_several_frames_gives_the_first():
    out = io.BytesIO()
    scene().save(out, "MPO", save_all=True, append_images=[Image.new("RGB", (96, 64), "red")], quality=95)
    got = load_photo(out.getvalue(), "a").rgb
    assert np.abs(got.astype(int) - np.asarray(scene())).mean() < 3
    out = io.BytesIO()
    scene().save(out, "WEBP", save_all=True, append_images=[Image.new("RGB", (96, 64), "red")], lossless=True)
    np.testing.assert_array_equal(load_photo(out.getvalue(), "a").rgb, np.asarray(scene()))


def test_a_short_film_behind_the_jpeg_does_no_harm():
    data = save(scene(), "JPEG", quality=95)
    np.testing.assert_array_equal(
        load_photo(data + b"\0\0\0\x18ftypmp42" + bytes(500), "a").rgb, load_photo(data, "a").rgb
    )


def test_facts_from_exif():
    exif = exif_with(
        make="Maker\x00", model="Phone 1", focal=26, taken="2026:10:03 09:15:00", offset="+02:00"
    )
    photo = load_photo(save(scene(), "JPEG", exif=exif), "folder/böåt.jpg")
    assert (photo.focal_35mm, photo.camera, photo.taken) == (
        26.0,
        "Maker Phone 1",
        "2026-10-03T09:15:00+02:00",
    )
    assert photo.source.name == "böåt.jpg" and len(photo.source.sha256) == 64 and photo.notes == ()


@pytest.mark.parametrize("focal", [0, 1, 3000, 65535])
def test_an_absurd_focal_length_is_unknown(focal):
    assert load_photo(save(scene(), "JPEG", exif=exif_with(focal=focal)), "a").focal_35mm is None


@pytest.mark.parametrize(
    "taken", ["0000:00:00 00:00:00", "    :  :     :  :  ", "yesterday", "2026:13:40 09:00:00"]
)
def test_an_unset_clock_is_unknown(taken):
    assert load_photo(save(scene(), "JPEG", exif=exif_with(taken=taken)), "a").taken is None


def test_a_cropped_photo_loses_its_focal_length_and_says_so():
    photo = load_photo(save(scene(), "JPEG", exif=exif_with(focal=26, width=4000, height=2000)), "a")
    assert photo.focal_35mm is None and any("cropped" in n for n in photo.notes)
    photo = load_photo(
        save(scene(), "JPEG", exif=exif_with(focal=26, width=640, height=960)), "a"
    )  # made smaller, and written turned
    assert photo.focal_35mm == 26 and photo.notes == ()


def test_digital_zoom_is_noted():
    assert any("zoom" in n for n in load_photo(save(scene(), "JPEG", exif=exif_with(zoom=2.0)), "a").notes)


def test_no_exif_and_broken_exif_are_no_error():
    photo = load_photo(save(scene(), "PNG"), "a")
    assert photo.focal_35mm is photo.taken is photo.camera is None
    broken = load_photo(save(scene(), "JPEG", exif=b"Exif\x00\x00MM\x00*\xff\xff\xff\xffnonsense"), "a")
    assert broken.focal_35mm is None and broken.rgb.shape == (64, 96, 3)


def test_where_it_was_taken_is_never_kept():
    exif = exif_with(model="P")
    exif[0x8825] = {1: "N", 2: (58.0, 12.0, 0.0), 3: "E", 4: (10.0, 12.0, 0.0)}
    photo = load_photo(save(scene(), "JPEG", exif=exif), "a")
    text = repr((photo.source, photo.taken, photo.focal_35mm, photo.camera, photo.notes))
    assert "58" not in text.replace(photo.source.sha256, "") and photo.camera == "P"


def test_srgb_profile_changes_nothing_and_another_gamma_is_converted():
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    plain = load_photo(save(scene(), "PNG"), "a").rgb
    np.testing.assert_array_equal(load_photo(save(scene(), "PNG", icc_profile=srgb), "a").rgb, plain)
    photo = load_photo(save(scene(), "PNG", icc_profile=b"no profile at all"), "a")
    np.testing.assert_array_equal(photo.rgb, plain)
    assert any("profile" in n for n in photo.notes)


@pytest.mark.parametrize("nonsense", ["fffffffffffe", "ffd90000000000000000", "00ff00ff00ff00"])
def test_a_jpeg_damaged_inside_is_read_with_a_note_or_refused_but_never_silently(nonsense):
    body = bytearray(
        save(Image.fromarray(RNG.integers(0, 255, (200, 300, 3), dtype=np.uint8)), "JPEG", quality=90)
    )
    middle = len(body) // 2
    body[middle : middle + len(nonsense) // 2] = bytes.fromhex(nonsense)
    try:
        photo = load_photo(bytes(body), "a")
    except InputUnreadable:
        return
    assert any("damaged" in n for n in photo.notes)


def png_that_says(width, height):
    def chunk(kind, body):
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
        + chunk(b"IDAT", zlib.compress(bytes(1000)))
        + chunk(b"IEND", b"")
    )


def jpeg_that_says(width, height):
    data = bytearray(save(scene(), "JPEG"))
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", height, width)
    return bytes(data)


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "empty"),
        (save(scene(), "JPEG")[:700], "damaged"),
        (save(scene(), "PNG")[:-200], "damaged"),
        (save(scene(), "WEBP")[:80], "damaged"),
        (b"\xff\xd8\xff", "damaged"),
        (b"\x89PNG\r\n\x1a\n", "damaged"),
        (b"RIFF\x00\x00\x00\x00WEBPVP8 ", "damaged"),
        (b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic", "damaged"),
        (b"This is a note about a boat.\n", "text"),
        (b"<!DOCTYPE html><html><body>Sign in</body></html>", "web page"),
        (b"\x00\x00\x00\x18ftypmp42\x00\x00\x00\x00isommp42" + bytes(64), "video"),
        (b"\x00\x00\x00\x14ftypqt  \x00\x00\x00\x00qt  " + bytes(64), "video"),
        (b"\x00\x00\x00\x1cftypavif\x00\x00\x00\x00avifmif1" + bytes(64), "AVIF"),
        (b"%PDF-1.7\n", "PDF"),
        (b"GIF89a" + bytes(20), "GIF"),
        (b"II*\x00" + bytes(20), "raw"),
        (bytes(range(256)), "isn't a photo"),
        (png_that_says(30_000, 30_000), "30000 x 30000"),
        (jpeg_that_says(30_000, 30_000), "30000 x 30000"),
        (jpeg_that_says(14_000, 14_000), "14000 x 14000"),
    ],
    ids=lambda v: v if isinstance(v, str) else None,
)
def test_what_is_no_photo_is_refused_in_one_sentence(data, says):
    with pytest.raises(InputUnreadable) as caught:
        load_photo(data, "förtöjning.jpg")
    e = caught.value
    assert says in e.message and "förtöjning.jpg" in e.message and "\n" not in str(e)
    assert e.message.endswith(".") and e.remedy.endswith(".")


def test_pillows_own_limit_is_left_as_it_was():
    before = Image.MAX_IMAGE_PIXELS
    load_photo(save(scene(), "PNG"), "a")
    with pytest.raises(InputUnreadable):
        load_photo(png_that_says(30_000, 30_000), "a")
    assert before == Image.MAX_IMAGE_PIXELS


def test_a_photo_of_a_hundred_megapixels_is_not_taken_for_a_bomb():
    data = save(Image.new("L", (12_000, 8_400), 128), "JPEG", quality=50)
    assert load_photo(data, "a").rgb.shape == (8_400, 12_000, 3)
