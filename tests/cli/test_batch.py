"""The batch command: what it prints, where, and its exit codes. One small real run is shared; the rest
looks at its folder or judges nothing."""

from __future__ import annotations

import hashlib
import io
import json
import sys
from pathlib import Path

import pytest

from anodewane.batch.work import Outcome
from anodewane.catalog.templates import load_template
from anodewane.cli import main
from anodewane.cli._progress import ConsoleProgress, duration
from anodewane.errors import ExitCode
from anodewane.judgement.pipeline import judge
from anodewane.show.record_json import verdict_from_json, verdict_to_json
from anodewane.stages.load import load_photo
from made.batch_doubles import TEMPLATE, cheap_work, distinct, small_photo


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """photos/ and out/, judged."""
    folder = tmp_path_factory.mktemp("season")
    good = small_photo("replace.jpg")
    for name, data in {
        "Kittiwake/shaft port/IMG_0001.JPG": good,
        "Kittiwake/shaft port/IMG_0001.MOV": b"film",
        "Kittiwake/rudder.jpg": distinct(good, 1),
        'Sea Aster/<b>keel & "fin"</b>.jpg': small_photo("refuse.jpg"),
        "IMG_0009.jpg": good,
        ".DS_Store": b"x",
    }.items():
        path = folder / "photos" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    return folder


@pytest.fixture(scope="module")
def first_run(season: Path) -> tuple[int, str, str]:
    """Exit code, standard output and error of the run that judges."""
    import subprocess

    command = [
        sys.executable,
        "-m",
        "anodewane",
        "batch",
        str(season / "photos"),
        "--out",
        str(season / "out"),
        "--template",
        TEMPLATE,
        "--workers",
        "1",
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    return done.returncode, done.stdout, done.stderr


def test_one_line_of_json_and_words_on_standard_error(first_run: tuple[int, str, str]) -> None:
    code, out, err = first_run
    assert code == ExitCode.BATCH_INCOMPLETE, err
    assert out.count("\n") == 1
    totals = json.loads(out)
    assert totals["counts"] == {"replace": 3, "cannot_judge": 1}
    assert (
        totals["photos"],
        totals["not_judged"],
        totals["judged_now"],
        totals["duplicates"],
        totals["unplaced"],
    ) == (4, 1, 3, 1, 1)
    assert totals["skipped"] == {"dot_file": 1, "video_of_photo": 1}
    assert "4 photos, 3 judged now in " in err
    assert "3 replace, 1 cannot judge." in err
    assert "1 is the same photo as another" in err
    assert err.splitlines()[-1].endswith("index.html")


def test_the_record_is_the_one_that_judge_makes(first_run: tuple[int, str, str], season: Path) -> None:
    photo = season / "photos/Kittiwake/rudder.jpg"
    record = (season / "out/Kittiwake/rudder.jpg.json").read_text(encoding="utf-8")
    assert record == verdict_to_json(
        judge(load_photo(photo.read_bytes(), photo.name), load_template(TEMPLATE))
    )
    row = next(
        json.loads(r)
        for r in (season / "out/summary.jsonl").read_text(encoding="utf-8").splitlines()
        if "rudder" in r
    )
    verdict = verdict_from_json(record)
    assert verdict.consumed is not None
    assert row["consumed"]["mass_pct"]["value"] == round(verdict.consumed.mass_pct.value, 2)
    assert row["photo_sha256"] == hashlib.sha256(photo.read_bytes()).hexdigest() == verdict.photo.sha256
    assert (row["boat"], row["position"], row["template"], row["verdict"]) == (
        "Kittiwake",
        "rudder",
        TEMPLATE,
        verdict.verdict,
    )


def test_pictures_are_there_and_carry_no_exif(first_run: tuple[int, str, str], season: Path) -> None:
    from PIL import Image

    for name in ("Kittiwake/rudder.jpg.overlay.jpg", "thumbnails/Kittiwake/rudder.jpg.jpg"):
        with Image.open(season / "out" / name) as picture:
            assert not picture.getexif()
            assert max(picture.size) == 400 or name.startswith("Kittiwake")


def test_again_nothing_is_judged(
    first_run: tuple[int, str, str], season: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert (
        main(
            ["batch", str(season / "photos"), "--out", str(season / "out"), "--template", TEMPLATE, "--quiet"]
        )
        == ExitCode.BATCH_INCOMPLETE
    )
    out, err = capsys.readouterr()
    assert (json.loads(out)["judged_now"], json.loads(out)["kept"]) == (0, 3)
    assert err == ""


def test_dry_run_lists_in_sections(
    first_run: tuple[int, str, str], season: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    assert main(["batch", str(season / "photos"), "--out", str(tmp_path / "new"), "--dry-run"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert not (tmp_path / "new").exists()
    heads = [line for line in out.splitlines() if line and not line.startswith(" ")]
    assert (
        heads
        == [
            "To judge: 3",
            "Same photo as another, judged once: 1",
            (
                "Can't be placed yet: no boat or position by photos.csv or folder (a label on the sheet may "
                "still tell): 1"
            ),
            "Left out: 2",
            "To look at: 0",
        ][: len(heads)]
    )
    assert "  Kittiwake/rudder.jpg" in out
    assert (
        main(
            [
                "batch",
                str(season / "photos"),
                "--out",
                str(season / "out"),
                "--dry-run",
                "--template",
                TEMPLATE,
                "--only",
                "cannot_judge",
            ]
        )
        == 0
    )
    out = capsys.readouterr().out
    assert "To judge: 1\n" in out
    assert "Done already: 2\n" in out


def test_a_terminal_gets_no_json(
    first_run: tuple[int, str, str],
    season: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The same run once more, with nothing left to judge."""
    argv = ["batch", str(season / "photos"), "--out", str(season / "out"), "--template", TEMPLATE]
    for more, shown in (([], False), (["--json"], True)):
        monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
        main([*argv, *more])
        out, err = capsys.readouterr()
        assert ("{" in out) == shown
        assert "index.html" in err


def test_every_photo_judged_is_exit_0(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("anodewane.batch.folder.WORK", cheap_work)
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "keel.jpg").write_text("o")
    assert (
        main(
            [
                "batch",
                str(tmp_path / "photos"),
                "--out",
                str(tmp_path / "out"),
                "--workers",
                "1",
                "--folders",
                "boat",
            ]
        )
        == 0
    )
    assert json.loads(capsys.readouterr().out)["counts"] == {"ok": 1}


@pytest.mark.parametrize(
    ("more", "code", "words"),
    [
        (["--template", "nonsense"], ExitCode.USAGE, "no template 'nonsense'"),
        (["--folders", "yard/boat"], ExitCode.USAGE, "what the folders stand for"),
        (["--only", "bad"], ExitCode.USAGE, "bad"),
        (["--limit", "0"], ExitCode.USAGE, "0"),
        (["--check-line", "50"], ExitCode.USAGE, "80 to 120"),
        (["--settings", "missing.toml"], ExitCode.INPUT_UNREADABLE, "missing.toml"),
        (["--camera", "missing.toml"], ExitCode.INPUT_UNREADABLE, "missing.toml"),
    ],
)
def test_a_wrong_command_line(
    more: list[str], code: int, words: str, season: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["batch", str(season / "photos"), "--out", str(tmp_path / "out"), *more]) == code
    out, err = capsys.readouterr()
    assert out == ""
    assert words in err
    assert not (tmp_path / "out").exists()


def test_a_missing_folder_is_exit_3(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert (
        main(["batch", str(tmp_path / "missing"), "--out", str(tmp_path / "out")])
        == ExitCode.INPUT_UNREADABLE
    )
    assert "can't be read" in capsys.readouterr().err


def test_an_out_that_is_a_file_is_exit_5(
    season: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "out").write_bytes(b"")
    assert (
        main(["batch", str(season / "photos"), "--out", str(tmp_path / "out")])
        == ExitCode.OUTPUT_NOT_WRITABLE
    )
    assert capsys.readouterr().out == ""


# --- progress ------------------------------------------------------------------------------------


def outcome(verdict: str | None = "replace") -> Outcome:
    return Outcome("a.jpg", "a.jpg", "d", "judged" if verdict else "cannot_judge", True, verdict=verdict)


def test_away_from_a_terminal_a_plain_line_every_half_minute(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    now = 1000.0
    monkeypatch.setattr("anodewane.cli._progress.time.monotonic", lambda: now)
    with ConsoleProgress() as progress:
        progress.begin(100, 3)
        for i in range(20):
            now += 4.0
            progress.step(outcome("replace" if i % 2 else None))
    out, err = capsys.readouterr()
    assert out == ""
    assert err.splitlines() == [
        "3 done already, 100 to judge.",
        "8 of 100, 0.2 a second, 6 min left: 4 cannot judge, 4 replace",
        "16 of 100, 0.2 a second, 6 min left: 8 cannot judge, 8 replace",
    ]


def test_on_a_terminal_a_bar_on_standard_error(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "120")
    with ConsoleProgress() as progress:
        progress.begin(2, 0)
        progress.step(outcome())
        progress.step(outcome(None))
    assert capsys.readouterr().out == ""
    assert "2/2" in terminal.getvalue()
    assert "1 replace, 1 cannot judge" in terminal.getvalue()


@pytest.mark.parametrize(
    ("seconds", "words"), [(4.2, "4 s"), (89, "89 s"), (600, "10 min"), (11_100, "3 h 05 min")]
)
def test_durations_in_words(seconds: float, words: str) -> None:
    assert duration(seconds) == words
