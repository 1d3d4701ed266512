"""The judge command: what it hands to the pipeline, where its outputs go, what they survive. The
pipeline is a double here; tests/faults runs the real one."""

from __future__ import annotations

import hashlib
import io
import json
import sys
import types
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from anodewane.cli import main
from anodewane.errors import ExitCode, ModelError
from anodewane.judgement.method import Method
from anodewane.record import Verdict
from anodewane.records import Given, Photo, Template
from anodewane.show.record_json import verdict_to_json
from made.hand_made import judged, refused


def jpeg(width: int = 1200, height: int = 900) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(np.full((height, width, 3), 120, np.uint8)).save(buffer, "JPEG")
    return buffer.getvalue()


class Double:
    """Stands in for the pipeline: remembers what it was given, answers or raises as told."""

    def __init__(self) -> None:
        self.asked: dict[str, Any] = {}
        self.answer: Verdict | BaseException | Callable[[], Verdict] = judged()

    def judge(self, photo: Photo, template: Template | None, given: Given, method: Method) -> Verdict:
        self.asked = {"photo": photo, "template": template, "given": given, "method": method}
        print("the pipeline prints something")
        if isinstance(self.answer, BaseException):
            raise self.answer
        return self.answer() if callable(self.answer) else self.answer


@pytest.fixture
def pipeline(monkeypatch: pytest.MonkeyPatch) -> Double:
    double = Double()
    module = types.ModuleType("anodewane.judgement.pipeline")
    module.judge = double.judge  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "anodewane.judgement.pipeline", module)
    return double


@pytest.fixture
def photo(tmp_path: Path) -> Path:
    path = tmp_path / "Ñandú ⚓ фото.jpg"
    path.write_bytes(jpeg())
    return path


def test_the_record_alone_is_on_standard_output(
    pipeline: Double, photo: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["judge", str(photo)]) == ExitCode.JUDGED
    out, err = capsys.readouterr()
    assert out == verdict_to_json(judged())
    assert "the pipeline prints something" in err
    assert pipeline.asked["photo"].source.name == photo.name
    assert pipeline.asked["photo"].source.sha256 == hashlib.sha256(photo.read_bytes()).hexdigest()
    assert pipeline.asked["template"] is None
    assert pipeline.asked["method"] == Method()


def test_a_refusal_is_a_record_and_exit_4(
    pipeline: Double, photo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pipeline.answer = refused()
    assert (
        main(["judge", str(photo), "--out", str(tmp_path / "r.json"), "--overlay", str(tmp_path / "o.png")])
        == ExitCode.CANNOT_JUDGE
    )
    assert json.loads(capsys.readouterr().out)["reasons"][0]["code"] == "no_sheet"
    assert json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))["status"] == "cannot_judge"
    assert (tmp_path / "o.png").stat().st_size > 1000


def test_outputs_are_written_and_hold_the_same_record(
    pipeline: Double, photo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert (
        main(["judge", str(photo), "--out", str(tmp_path / "r.json"), "--overlay", str(tmp_path / "o.jpg")])
        == 0
    )
    assert (tmp_path / "r.json").read_text(encoding="utf-8") == capsys.readouterr().out
    with Image.open(tmp_path / "o.jpg") as picture:
        assert picture.format == "JPEG"
        assert not picture.getexif()


def test_text_is_for_people(pipeline: Double, photo: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["judge", str(photo), "--text"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("REPLACE")
    assert "{" not in out


def test_a_terminal_gets_the_few_lines_and_a_pipe_the_record(
    pipeline: Double, photo: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for stream in (sys.stdout, sys.stderr):
        monkeypatch.setattr(stream, "isatty", lambda: True)
    assert main(["judge", str(photo)]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("REPLACE")
    assert "{" not in out
    assert "REPLACE" not in err, "once is enough"
    for stream in (sys.stdout, sys.stderr):
        monkeypatch.setattr(stream, "isatty", lambda: True)
    assert main(["judge", str(photo), "--json"]) == 0
    out, err = capsys.readouterr()
    assert json.loads(out)["verdict"] == "replace"
    assert "REPLACE" not in err
    assert main(["judge", str(photo), "--json", "--text"]) == ExitCode.USAGE


def test_a_summary_goes_to_a_terminal_and_to_nothing_else(
    pipeline: Double, photo: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    main(["judge", str(photo)])
    assert "REPLACE" not in capsys.readouterr().err
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    main(["judge", str(photo)])
    assert "REPLACE" in capsys.readouterr().err


def test_the_photo_may_come_from_standard_input(
    pipeline: Double, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", types.SimpleNamespace(buffer=io.BytesIO(jpeg())))
    assert main(["judge", "-"]) == 0
    assert pipeline.asked["photo"].source.sha256 == hashlib.sha256(jpeg()).hexdigest()
    assert pipeline.asked["photo"].source.name == "standard input"


def test_options_become_given_and_method(pipeline: Double, photo: Path, tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_text('limit_pct = 75\nbasis = "moorings"\n', encoding="utf-8")
    assert (
        main(
            [
                "judge",
                str(photo),
                "--settings",
                str(tmp_path / "s.toml"),
                "--check-line",
                "97.2,98",
                "--weighed",
                "310",
                "--thickness",
                "14.5",
            ]
        )
        == 0
    )
    s, given = pipeline.asked["method"].settings, pipeline.asked["given"]
    assert (s.limit_pct, s.basis) == (75, "moorings")
    assert (given.weighed_g, given.thickness_mm, given.check_line_mm) == (310, 14.5, (97.2, 98))
    assert main(["judge", str(photo), "--limit", "25", "--check-line", "99"]) == 0
    s, given = pipeline.asked["method"].settings, pipeline.asked["given"]
    assert (s.limit_pct, s.basis, s.monitor_from_pct) == (25, "set on the command line", 25)
    assert (given.weighed_g, given.thickness_mm, given.check_line_mm) == (None, None, (99, 99))


@pytest.mark.parametrize(
    ("argv", "words"),
    [
        (["--check-line", "9.7"], "80 to 120 mm"),
        (["--check-line", "97,98,99"], "80 to 120 mm"),
        (["--check-line", "x"], "isn't one or two lengths"),
        (["--check-line", "nan"], "80 to 120 mm"),
        (["--weighed", "0"], "0"),
        (["--limit", "0"], "0"),
        (["--segmenter", "magic"], "magic"),
        (["--nonsense"], "--nonsense"),
        (["--overlay", "x.gif"], "no picture format"),
        (["--mask", "m.png", "--outline", "o.svg"], "Both a mask and an outline"),
        (["--by", "M. Example"], "belong to a mask or an outline"),
        (["--template", "no-such-template"], "no-such-template"),
    ],
    ids=lambda v: " ".join(v) if isinstance(v, list) else "",
)
def test_a_wrong_command_line_is_exit_2_in_a_sentence(
    argv: list[str], words: str, pipeline: Double, photo: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["judge", str(photo), *argv]) == ExitCode.USAGE
    out, err = capsys.readouterr()
    assert out == ""
    assert words in err
    assert "Traceback" not in err


def test_a_broken_settings_file_is_exit_2(
    pipeline: Double, photo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for text, words in (
        ("limit_pct = ", "isn't valid TOML"),
        ("limit = 3", "unknown key 'limit'"),
        ('limit_pct = "half"', "'limit_pct'"),
        (
            "weighed_g = 212.0",
            "'weighed_g': the weight of one part, and no setting. Take it out and give --weighed",
        ),
        ("check_line_x_mm = 99.8", "'check_line_x_mm': what one printed sheet measures, and no setting."),
        ("thickness_given_mm = 14.5", "the thickness of one part, and no setting."),
    ):
        (tmp_path / "s.toml").write_text(text, encoding="utf-8")
        assert main(["judge", str(photo), "--settings", str(tmp_path / "s.toml")]) == ExitCode.USAGE
        assert words in capsys.readouterr().err


def test_an_output_never_takes_the_place_of_an_input_or_of_another(
    pipeline: Double, photo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = photo.read_bytes()
    assert main(["judge", str(photo), "--overlay", str(photo)]) == ExitCode.USAGE
    assert (
        main(
            [
                "judge",
                str(photo),
                "--out",
                str(tmp_path / "a.png"),
                "--overlay",
                str(tmp_path / "." / "a.png"),
            ]
        )
        == ExitCode.USAGE
    )
    assert "named twice" in capsys.readouterr().err
    assert photo.read_bytes() == before
    assert pipeline.asked == {}


def test_what_can_t_be_written_is_found_before_the_judging(
    pipeline: Double, photo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for option, target in (
        ("--out", tmp_path / "no" / "r.json"),
        ("--overlay", tmp_path / "no" / "o.png"),
        ("--out", tmp_path),
    ):
        assert main(["judge", str(photo), option, str(target)]) == ExitCode.OUTPUT_NOT_WRITABLE
        out, err = capsys.readouterr()
        assert out == ""
        assert err.startswith("anodewane: ")
    assert pipeline.asked == {}
    assert [p.name for p in tmp_path.iterdir()] == [photo.name]


def test_what_was_found_isn_t_lost_when_a_write_fails_after_all(
    pipeline: Double,
    photo: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The disk fills while the photo is judged: the record is still on standard output, the old
    file still there."""
    (tmp_path / "r.json").write_text("old", encoding="utf-8")

    def full(_fd: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    assert main(["judge", str(photo), "--out", str(tmp_path / "r.json")]) == ExitCode.OUTPUT_NOT_WRITABLE
    out, err = capsys.readouterr()
    assert json.loads(out)["status"] == "judged"
    assert "No space left on device" in err
    assert (tmp_path / "r.json").read_text(encoding="utf-8") == "old"


def test_a_missing_photo_is_exit_3(
    pipeline: Double, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["judge", str(tmp_path / "none.jpg")]) == ExitCode.INPUT_UNREADABLE
    assert "There is no photo" in capsys.readouterr().err
    assert main(["judge", str(tmp_path)]) == ExitCode.INPUT_UNREADABLE


def test_a_missing_model_is_exit_6(pipeline: Double, photo: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pipeline.answer = ModelError("The model is missing.", "Install again.")
    assert main(["judge", str(photo)]) == ExitCode.MODEL
    assert capsys.readouterr().err.endswith("anodewane: The model is missing. Install again.\n")


def test_the_unexpected_is_exit_15_in_a_sentence_and_a_traceback_on_demand(
    pipeline: Double, photo: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pipeline.answer = RuntimeError("boom")
    assert main(["judge", str(photo)]) == ExitCode.UNEXPECTED
    out, err = capsys.readouterr()
    assert out == ""
    assert "An unexpected fault: RuntimeError: boom. Please report it" in err
    assert "Traceback" not in err
    assert main(["--debug", "judge", str(photo)]) == ExitCode.UNEXPECTED
    assert "Traceback" in capsys.readouterr().err


def test_ctrl_c_is_exit_130(pipeline: Double, photo: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pipeline.answer = KeyboardInterrupt()
    assert main(["judge", str(photo)]) == ExitCode.INTERRUPTED
    out, err = capsys.readouterr()
    assert out == ""
    assert "Interrupted." in err


def test_a_handed_mask_is_used_and_signed(pipeline: Double, photo: Path, tmp_path: Path) -> None:
    mask = np.zeros((900, 1200), np.uint8)
    mask[200:600, 300:900] = 255
    Image.fromarray(mask).save(tmp_path / "m.png")
    assert (
        main(
            [
                "judge",
                str(photo),
                "--mask",
                str(tmp_path / "m.png"),
                "--by",
                "M. Example",
                "--when",
                "yesterday",
            ]
        )
        == 0
    )
    outline = pipeline.asked["given"].outline
    assert outline.mask.segmenter == "manual"
    assert (outline.manual.by, outline.manual.when) == ("M. Example", "yesterday")
    assert outline.manual.sha256 == hashlib.sha256((tmp_path / "m.png").read_bytes()).hexdigest()


def test_a_mask_of_another_size_is_refused(
    photo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Image.fromarray(np.full((90, 120), 255, np.uint8)).save(tmp_path / "m.png")
    assert main(["judge", str(photo), "--mask", str(tmp_path / "m.png")]) == ExitCode.USAGE
    assert "The mask has 120 x 90 pixels, the upright photo 1200 x 900." in capsys.readouterr().err


def test_a_record_with_nan_never_leaves(
    pipeline: Double, photo: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scale = judged().scale
    assert scale is not None
    pipeline.answer = judged(scale=replace(scale, tilt_deg=float("nan")))
    assert main(["judge", str(photo)]) == ExitCode.UNEXPECTED
    assert capsys.readouterr().out == ""
