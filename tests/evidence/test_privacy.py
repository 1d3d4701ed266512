"""Place and device: told when a file carries them, out of every picture that is made, and taken out of
copies without touching a pixel."""

from __future__ import annotations

import io
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from anodewane.errors import UsageError
from anodewane.evidence.privacy import Carried, carried, stripped
from anodewane.report.html import report_html
from anodewane.report.pdf import report_pdf
from anodewane.report.pictures import flat_picture, photo_picture
from anodewane.show.overlay import overlay_bytes
from anodewane.stages.load import load_photo
from made.photos_with_place import FORMATS, OWNER, SERIAL, with_place
from made.report_made import report_of, sample_parts
from made.report_samples import SAMPLES, Judged

needs_exiftool = pytest.mark.skipif(
    shutil.which("exiftool") is None, reason="needs exiftool (package libimage-exiftool-perl)"
)


@pytest.mark.parametrize("kind", FORMATS)
def test_a_stripped_copy_has_the_same_pixels_and_no_place(kind: str) -> None:
    data = with_place(kind)
    assert carried(data) == Carried(location=True, device=True)
    copy = stripped(data, f"x.{kind}")
    assert carried(copy) == Carried(location=False, device=False)
    before, after = load_photo(data, "x"), load_photo(copy, "x")
    assert np.array_equal(before.rgb, after.rgb)
    assert (before.taken, before.focal_35mm, before.camera) == (after.taken, after.focal_35mm, after.camera)
    assert before.taken == "2026-10-04T11:03:00"
    for word in (SERIAL, OWNER, b"GPSLatitude"):
        assert word in data
        assert word not in copy


@pytest.mark.parametrize("kind", FORMATS)
def test_pillow_decodes_both_alike(kind: str) -> None:
    """By a decoder that isn't ours, from the file's own compressed data."""
    import pillow_heif

    pillow_heif.register_heif_opener()
    data = with_place(kind)
    a, b = (np.asarray(Image.open(io.BytesIO(d)).convert("RGB")) for d in (data, stripped(data, "x")))
    assert np.array_equal(a, b)


@needs_exiftool
@pytest.mark.parametrize("kind", FORMATS)
def test_exiftool_finds_no_place_either(kind: str, tmp_path: Path) -> None:
    file = tmp_path / f"x.{kind.split('-')[0]}"
    for data, there in ((with_place(kind), True), (stripped(with_place(kind), "x"), False)):
        file.write_bytes(data)
        said = subprocess.run(
            ["exiftool", "-a", "-G1", "-ee", "-s", str(file)], capture_output=True, check=True
        ).stdout.decode("utf-8", "replace")
        assert ("GPSLatitude" in said) == there
        assert ("Serial" in said) == there
        assert "Orientation" in said or kind.startswith("heic")


def test_the_scan_of_a_jpeg_is_byte_for_byte_the_same() -> None:
    data = with_place("jpg")
    copy = stripped(data, "x.jpg")
    scan = data[data.index(b"\xff\xda") :]
    assert copy.endswith(scan)


def test_what_lies_behind_the_picture_is_left_out() -> None:
    """A second picture, or the film of a moving photo, has a place of its own."""
    data = with_place("jpg") + with_place("jpg-progressive")
    assert len(stripped(data, "x.jpg")) < len(with_place("jpg"))


def test_a_file_without_a_place_is_said_to_have_none() -> None:
    for name in ("replace.jpg", "phone.heic"):
        assert not carried((SAMPLES / name).read_bytes()).location


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\xff\xd8\xff",
        b"\xff\xd8\xff\xe1\xff\xff",
        b"\xff\xd8\xff\xe0\x00\x02\xff\xd9",
        b"II*\x00",
        b"\x00\x00\x00\x18ftypheic" + b"\0" * 40,
    ],
)
def test_a_broken_file_is_refused_in_one_sentence(data: bytes) -> None:
    from anodewane.errors import AnodewaneError

    carried(data)
    with pytest.raises(AnodewaneError):
        stripped(data, "x.jpg")


def test_a_heic_with_a_film_in_it_is_refused_with_a_remedy() -> None:
    data = with_place("heic") + b"\x00\x00\x00\x10moovGPSdata"
    with pytest.raises(UsageError, match="without --strip-location"):
        stripped(data, "x.heic")


def metadata_of(jpeg: bytes) -> dict[str, Any]:
    with Image.open(io.BytesIO(jpeg)) as image:
        return {
            k: v
            for k, v in image.info.items()
            if k not in ("jfif", "jfif_version", "jfif_unit", "jfif_density", "progression", "progressive")
        } | dict(image.getexif())


def test_pictures_that_are_made_carry_nothing(judged_samples: Judged) -> None:
    verdict = judged_samples.verdicts["watch"]
    data = with_place("jpg", SAMPLES / "watch.jpg")
    assert carried(data).location
    photo = load_photo(data, "watch.jpg")
    flat = flat_picture(photo, verdict)
    assert flat is not None
    for jpeg in (
        photo_picture(photo).jpeg,
        flat.picture.jpeg,
        overlay_bytes(data, "watch.jpg", verdict, ".jpg"),
    ):
        assert metadata_of(jpeg) == {}
        assert carried(jpeg) == Carried(location=False, device=False)


def test_reports_carry_nothing(judged_samples: Judged, tmp_path: Path) -> None:
    """The photo's file has a place and a serial number; page and PDF have neither, not even compressed."""
    from dataclasses import replace
    from hashlib import sha256

    from anodewane.show.record_json import verdict_to_json

    data = with_place("jpg", SAMPLES / "watch.jpg")
    (tmp_path / "watch.jpg").write_bytes(data)
    verdict = judged_samples.verdicts["watch"]
    verdict = replace(
        verdict, photo=replace(verdict.photo, sha256=sha256(data).hexdigest(), taken="2026-10-04T11:03:00")
    )
    (tmp_path / "w.json").write_text(verdict_to_json(verdict), encoding="utf-8")
    parts = sample_parts(tmp_path, {"w": "transom"}, tmp_path, ())
    assert parts[0].photo is not None
    report = report_of(*parts)
    import pypdf

    reader = pypdf.PdfReader(io.BytesIO(report_pdf(report)))
    streams = [
        o.get_data()
        for o in (
            reader.get_object(i)
            for i in range(1, len(reader.xref_objStm) + max(len(x) for x in reader.xref.values()))
        )
        if hasattr(o, "get_data")
    ]
    for content in (report_html(report), *streams):
        assert SERIAL not in content
        assert b"GPS" not in content
        assert OWNER not in content
