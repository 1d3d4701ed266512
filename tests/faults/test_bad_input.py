"""Bad input through the command: each its exit code, one sentence and a remedy, and no traceback. One
rendered photo is spoilt in many ways."""

from __future__ import annotations

import io
import json
import struct
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from anodewane.catalog.templates import load_template
from anodewane.cli import main
from anodewane.errors import ExitCode
from anodewane.refusals import REFUSALS
from anodewane.testing import Scene, WearPattern, encode_jpeg, look_at, placement, render

pytestmark = pytest.mark.slow

TEMPLATE = "plate-150x75x20-2slots"
WIDTH, HEIGHT = 1600, 1200


@pytest.fixture(scope="module")
def rgb() -> Any:
    """The part lies below the upside-down card, in the middle of the photo."""
    camera = look_at((0, 60), distance_mm=560, tilt_deg=8, azimuth_deg=100, width=WIDTH, height=HEIGHT)
    scene = Scene(layout="card", ground="plywood")
    return render(
        load_template(TEMPLATE),
        WearPattern(depth_mm=4.0),
        camera,
        scene,
        sheet_from_part=placement(5, (0, 130)),
        width=WIDTH,
        height=HEIGHT,
    ).rgb


@pytest.fixture(scope="module")
def truth_px() -> dict[str, tuple[int, int, int, int]]:
    """Boxes of sheet and part in the rendered photo: left, top, right, bottom."""
    return {"sheet": (560, 280, 1080, 680), "part": (590, 640, 960, 850)}


def run(
    data: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str], *more: str, name: str = "photo.jpg"
) -> tuple[int, str, str]:
    path = tmp_path / name
    path.write_bytes(data)
    code = main(["judge", str(path), "--template", TEMPLATE, *more])
    out, err = capsys.readouterr()
    assert "Traceback" not in err
    return code, out, err


def refusal(data: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str], *more: str) -> dict[str, Any]:
    """The first reason of a photo that can't be judged."""
    code, out, _ = run(data, tmp_path, capsys, *more)
    record = json.loads(out)
    assert code == ExitCode.CANNOT_JUDGE, record["reasons"]
    assert record["status"] == "cannot_judge"
    assert record["verdict"] is None
    assert record["consumed"] is None
    reason: dict[str, Any] = record["reasons"][0]
    assert reason["remedy"] == REFUSALS[reason["code"]][1]
    return reason


def jpeg(rgb: Any) -> bytes:
    return encode_jpeg(np.ascontiguousarray(rgb), f35=26)


def ground(rgb: Any, box: tuple[int, int, int, int]) -> Any:
    """A piece of bare ground of a box's size, from the photo's lower left."""
    left, top, right, bottom = box
    return rgb[HEIGHT - (bottom - top) :, : right - left]


def test_the_unspoilt_photo_is_judged(rgb: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """So that the tests below fail for their own reason."""
    code, out, _ = run(jpeg(rgb), tmp_path, capsys)
    record = json.loads(out)
    assert code == ExitCode.JUDGED, record["reasons"]
    assert record["status"] == "judged"


# --- what can't be read: exit 3 ------------------------------------------------------------------


def png_header(width: int, height: int) -> bytes:
    """A PNG that says how large it is and holds next to nothing."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
        + chunk(b"IDAT", zlib.compress(b"\0" * 64))
        + chunk(b"IEND", b"")
    )


def jpeg_header(width: int, height: int) -> bytes:
    """A small JPEG whose frame header is made to lie about its size."""
    buffer = io.BytesIO()
    Image.new("RGB", (16, 16)).save(buffer, "JPEG")
    data = bytearray(buffer.getvalue())
    at = data.index(b"\xff\xc0") + 5
    data[at : at + 4] = struct.pack(">HH", height, width)
    return bytes(data)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty (0 bytes)"),
        (b"this is not a photo at all, but text that ends in .jpg\n" * 20, "is text, not a photo"),
        (png_header(30_000, 30_000), "30000 x 30000"),
        (jpeg_header(30_000, 30_000), "30000 x 30000"),
        (b"\xff\xd8\xff\xe0" + bytes(range(256)) * 8, "photo"),
        (b"\x00" * 4000, "photo"),
    ],
    ids=[
        "zero bytes",
        "text as JPEG",
        "PNG of 30 000 x 30 000",
        "JPEG of 30 000 x 30 000",
        "garbage after a JPEG's start",
        "zeros",
    ],
)
def test_what_is_no_photo_is_exit_3(
    data: bytes, words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = run(data, tmp_path, capsys)
    assert code == ExitCode.INPUT_UNREADABLE
    assert out == ""
    assert words in err
    assert err.startswith("anodewane: ")
    assert err.count("\n") == 1


@pytest.mark.parametrize("share", [0.02, 0.5, 0.98])
def test_a_truncated_photo_is_exit_3(
    share: float, rgb: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = jpeg(rgb)
    code, out, err = run(data[: int(len(data) * share)], tmp_path, capsys)
    assert code == ExitCode.INPUT_UNREADABLE
    assert out == ""
    assert "damaged or cut short" in err


# --- what can't be judged: exit 4 ----------------------------------------------------------------


def test_no_sheet(
    rgb: Any, truth_px: dict[str, Any], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spoilt = rgb.copy()
    left, top, right, bottom = truth_px["sheet"]
    spoilt[top:bottom, left:right] = ground(rgb, truth_px["sheet"])
    assert refusal(jpeg(spoilt), tmp_path, capsys)["code"] == "no_sheet"


def test_two_sheets(
    rgb: Any, truth_px: dict[str, Any], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spoilt = rgb.copy()
    left, top, right, bottom = truth_px["sheet"]
    spoilt[top:bottom, 20 : 20 + right - left] = rgb[top:bottom, left:right]
    assert refusal(jpeg(spoilt), tmp_path, capsys)["code"] == "two_sheets"


def test_a_sheet_that_the_frame_cuts_down_to_a_corner(
    rgb: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert refusal(jpeg(rgb[560:]), tmp_path, capsys)["code"] in ("sheet_too_little", "no_sheet")


def test_a_part_that_the_frame_cuts(rgb: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    reason = refusal(jpeg(rgb[:, 700:]), tmp_path, capsys)
    assert reason["code"] == "part_cut_off"
    assert "Step back" in reason["remedy"]


@pytest.mark.parametrize("ground", ["tarp", "concrete", "plywood", "grass"])
def test_no_part(ground: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The part lies far outside the photo: marks on the card itself are not it, whatever the ground."""
    camera = look_at((0, 60), distance_mm=560, tilt_deg=8, azimuth_deg=100, width=WIDTH, height=HEIGHT)
    scene = Scene(layout="card", ground=ground)
    bare = render(
        load_template(TEMPLATE),
        WearPattern(depth_mm=4.0),
        camera,
        scene,
        sheet_from_part=placement(5, (0, 1500)),
        width=WIDTH,
        height=HEIGHT,
    )
    assert refusal(jpeg(bare.rgb), tmp_path, capsys)["code"] == "no_part"


def test_a_blurred_photo(rgb: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import cv2

    assert refusal(jpeg(cv2.GaussianBlur(rgb, (0, 0), 9)), tmp_path, capsys)["code"] in (
        "blurred",
        "no_sheet",
        "sheet_too_little",
    )


def test_another_template(rgb: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "photo.jpg"
    path.write_bytes(jpeg(rgb))
    code = main(["judge", str(path), "--template", "plate-120x60x16-2holes"])
    record = json.loads(capsys.readouterr().out)
    assert code == ExitCode.CANNOT_JUDGE
    assert record["reasons"][0]["code"] in ("template_does_not_fit", "hole_pitch")


def test_a_weight_that_no_such_part_can_have(
    rgb: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert refusal(jpeg(rgb), tmp_path, capsys, "--weighed", "99000")["code"] == "weight_does_not_fit"
    assert refusal(jpeg(rgb), tmp_path, capsys, "--thickness", "90")["code"] == "thickness_does_not_fit"


# --- the command line and the outputs ------------------------------------------------------------


@pytest.mark.parametrize("given", ["no-such-template", "missing.toml"])
def test_a_missing_template_is_exit_2_or_3(
    given: str, rgb: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "photo.jpg").write_bytes(jpeg(rgb))
    code = main(["judge", str(tmp_path / "photo.jpg"), "--template", given])
    out, err = capsys.readouterr()
    assert code in (ExitCode.USAGE, ExitCode.INPUT_UNREADABLE)
    assert out == ""
    assert given in err


def test_an_unwritable_output_is_exit_5(rgb: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for option in ("--out", "--overlay"):
        code, out, err = run(jpeg(rgb), tmp_path, capsys, option, str(tmp_path / "missing" / "x.png"))
        assert code == ExitCode.OUTPUT_NOT_WRITABLE
        assert out == ""
        assert "There is no folder" in err


def test_an_altered_model_is_exit_6(
    rgb: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from anodewane.segment import model_file as weights

    real = weights.model_folder()
    for name in (weights.MODEL_FILE, weights.LOCK_FILE):
        (tmp_path / name).write_bytes((real / name).read_bytes())
    with (tmp_path / weights.MODEL_FILE).open("r+b") as f:
        f.seek(100)
        f.write(b"\x00\x01")
    monkeypatch.setattr(weights, "model_folder", lambda: tmp_path)
    weights.shared_session.cache_clear()
    try:
        code, out, err = run(jpeg(rgb), tmp_path, capsys)
        assert code == ExitCode.MODEL
        assert out == ""
        assert "model is altered" in err
        (tmp_path / weights.MODEL_FILE).unlink()
        code, _, err = run(jpeg(rgb), tmp_path, capsys)
        assert code == ExitCode.MODEL
        assert "is missing from" in err
    finally:
        weights.shared_session.cache_clear()


def test_names_may_hold_anything(rgb: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(
        jpeg(rgb),
        tmp_path,
        capsys,
        "--overlay",
        str(tmp_path / "bild – Ñ ⚓.png"),
        name="Фото №3 'a' \"b\" ⚓.jpg",
    )
    assert code in (ExitCode.JUDGED, ExitCode.CANNOT_JUDGE)
    assert json.loads(out)["photo"]["name"] == "Фото №3 'a' \"b\" ⚓.jpg"
    assert (tmp_path / "bild – Ñ ⚓.png").exists()
