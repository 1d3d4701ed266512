"""The report command: records, batches and the book in, files out; what is missing is said, what is
wrong is refused in one sentence."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from anodewane.cli import main
from anodewane.errors import ExitCode
from anodewane.show.record_json import verdict_to_json
from made.hand_made import judged, refused
from made.report_samples import POSITIONS, SAMPLES, TEARDROP, Judged
from made.report_samples import judged_samples as judged_samples


@pytest.fixture
def records(tmp_path: Path) -> Path:
    folder = tmp_path / "records"
    folder.mkdir()
    (folder / "port.json").write_text(verdict_to_json(judged(label=None)), encoding="utf-8")
    (folder / "skeg.json").write_text(verdict_to_json(refused(label=None)), encoding="utf-8")
    return folder


def run(capsys: pytest.CaptureFixture[str], *argv: object) -> tuple[int, str, str]:
    code = main([str(a) for a in argv])
    out, err = capsys.readouterr()
    return code, out, err


def test_a_pdf_and_a_page(records: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(
        capsys,
        "report",
        records / "port.json",
        records / "skeg.json",
        "--out",
        tmp_path / "r.pdf",
        "--out",
        tmp_path / "r.html",
        "--boat",
        "Marram",
    )
    assert code == ExitCode.JUDGED, err
    said = json.loads(out)
    assert said["positions"] == 2
    assert said["counts"] == {"replace": 1, "monitor": 0, "ok": 0, "cannot_judge": 1}
    assert (tmp_path / "r.pdf").read_bytes()[:5] == b"%PDF-"
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "1. port" in page
    assert "Marram" in page
    assert "is missing" in err  # the photos aren't there, and nobody has to look for that


def test_the_same_input_gives_the_same_bytes(
    judged_samples: Judged, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made = []
    for name in ("one", "two"):
        args = [
            "report",
            *(judged_samples.folder / f"{n}.json" for n in ("watch", "refuse")),
            "--photos",
            SAMPLES,
        ]
        assert (
            run(capsys, *args, "--out", tmp_path / f"{name}.pdf", "--out", tmp_path / f"{name}.html")[0] == 0
        )
        made.append((tmp_path / f"{name}.pdf").read_bytes() + (tmp_path / f"{name}.html").read_bytes())
    assert made[0] == made[1]


def test_positions_findings_and_notes(
    records: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = run(
        capsys, "report", records / "port.json", records / "skeg.json", "--out", tmp_path / "r.html",
        "--position", "port=rudder = port", "--finding", "rudder = port=ok", "--finding", "skeg=replace",
        "--by", "A. Surveyor", "--why", "sound", "--why", "loose",
        "--note", "rudder = port=paint on it", "--dated", "2026-10-06", "--language", "de",
    )  # fmt: skip
    assert code == 0, err
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "1. rudder = port" in page
    assert "Befund von A. Surveyor: IN ORDNUNG." in page
    assert "Befund des Programms: ERSETZEN." in page
    assert "Befund von A. Surveyor: ERSETZEN." in page
    assert "paint on it" in page
    assert "2026-10-06" in page
    assert json.loads(out)["counts"]["replace"] == 1  # the tool's own verdict isn't overwritten


@pytest.mark.parametrize(
    ("more", "code", "words"),
    [
        (["--finding", "port=scrap", "--by", "A", "--why", "x"], ExitCode.USAGE, "not 'scrap'"),
        (["--finding", "keel=ok", "--by", "A", "--why", "x"], ExitCode.USAGE, "names no position"),
        (["--finding", "port=ok"], ExitCode.USAGE, "0 --by"),
        (["--finding", "port=ok", "--by", " ", "--why", "x"], ExitCode.USAGE, "lacks who"),
        (["--by", "A"], ExitCode.USAGE, "belong to a finding"),
        (["--position", "keel=x"], ExitCode.USAGE, "names no record"),
        (["--position", "port=skeg"], ExitCode.USAGE, "Two records are at the position"),
        (["--dated", "6.10.2026"], ExitCode.USAGE, "isn't a date"),
        (["--haul-out", "2026-10-06"], ExitCode.USAGE, "belongs to a book"),
        (["--template", "absent.toml"], ExitCode.INPUT_UNREADABLE, "absent.toml"),
    ],
)
def test_what_is_wrong_is_refused_in_one_sentence(
    more: list[str],
    code: ExitCode,
    words: str,
    records: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    got, _, err = run(
        capsys, "report", records / "port.json", records / "skeg.json", "--out", tmp_path / "r.pdf", *more
    )
    assert got == code
    assert words in err
    assert "Traceback" not in err
    assert not (tmp_path / "r.pdf").exists()


@pytest.mark.parametrize(
    "content",
    [b"", b"{}", b"not json", b'{"schema_version": "9.0"}', b"\xff\xfe", b"[" * 100_000, b"%PDF-1.7"],
)
def test_a_record_that_can_t_be_read_stops_the_report(
    content: bytes, records: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A report leaves no record out quietly."""
    (records / "bad.json").write_bytes(content)
    code, _, err = run(
        capsys, "report", records / "port.json", records / "bad.json", "--out", tmp_path / "r.pdf"
    )
    assert code == ExitCode.INPUT_UNREADABLE
    assert "bad.json" in err


def test_boat_and_position_come_from_the_sheet_s_label(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from anodewane.record import Label

    (tmp_path / "IMG_7.json").write_text(
        verdict_to_json(judged(label=Label("Sea Aster", "keel, aft"))), encoding="utf-8"
    )
    assert run(capsys, "report", tmp_path / "IMG_7.json", "--out", tmp_path / "r.html")[0] == 0
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "1. keel, aft" in page
    assert "Sea Aster" in page


def test_outputs_are_named_as_what_they_are_and_never_take_an_input_s_place(
    records: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(capsys, "report", records / "port.json", "--out", tmp_path / "r.doc")[0] == ExitCode.USAGE
    assert (
        run(capsys, "report", records / "port.json", "--out", tmp_path / "no" / "r.pdf")[0]
        == ExitCode.OUTPUT_NOT_WRITABLE
    )
    assert (
        run(
            capsys, "report", records / "port.json", "--out", tmp_path / "r.pdf", "--out", tmp_path / "r.pdf"
        )[0]
        == ExitCode.USAGE
    )
    assert run(capsys, "report", "--out", tmp_path / "r.pdf")[0] == ExitCode.USAGE


def test_a_photo_is_found_by_its_content_under_another_name(
    judged_samples: Judged, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "deep" / "er").mkdir(parents=True)
    (tmp_path / "deep" / "er" / "IMG_1.JPG").write_bytes((SAMPLES / "watch.jpg").read_bytes())
    code, out, _ = run(
        capsys,
        "report",
        judged_samples.folder / "watch.json",
        "--photos",
        tmp_path,
        "--out",
        tmp_path / "r.html",
    )
    assert code == 0
    assert json.loads(out)["look_at"] == []


def test_another_photo_of_that_name_isn_t_shown(
    judged_samples: Judged, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "watch.jpg").write_bytes((SAMPLES / "sound.jpg").read_bytes())
    (tmp_path / "w.json").write_bytes((judged_samples.folder / "watch.json").read_bytes())
    code, out, err = run(capsys, "report", tmp_path / "w.json", "--out", tmp_path / "r.html")
    assert code == 0
    assert "isn't the photo that was judged" in err
    assert "data:image/jpeg" not in (tmp_path / "r.html").read_text(encoding="utf-8")
    assert json.loads(out)["look_at"]


def test_a_record_can_t_make_a_report_read_elsewhere(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    secret = tmp_path / "secret.jpg"
    secret.write_bytes((SAMPLES / "sound.jpg").read_bytes())
    (tmp_path / "in").mkdir()
    v = judged()
    for name in ("../secret.jpg", str(secret), "..\\secret.jpg"):
        (tmp_path / "in" / "r.json").write_text(
            verdict_to_json(replace(v, photo=replace(v.photo, name=name))), encoding="utf-8"
        )
        _, _, err = run(capsys, "report", tmp_path / "in" / "r.json", "--out", tmp_path / "r.html")
        assert "is missing" in err


def make_batch(folder: Path, rows: list[dict[str, object]], records: dict[str, str]) -> Path:
    """What `anodewane batch` leaves: a summary and the records that it names."""
    folder.mkdir()
    for name, text in records.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    (folder / "summary.jsonl").write_text("".join(json.dumps(r) + "\n" for r in rows), encoding="utf-8")
    return folder


ROW = {
    "path": "Marram/port.jpg",
    "boat": "Marram",
    "position": "rudder, port",
    "record": "Marram/port.jpg.json",
    "status": "judged",
    "photo_sha256": None,
}


def test_a_batch_is_reported_boat_by_boat_and_nothing_is_left_out_quietly(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = [
        ROW,
        {**ROW, "path": "Marram/odd.jpg", "position": None, "record": None, "status": "unreadable"},
        {**ROW, "path": "Sea Aster/keel.jpg", "boat": "Sea Aster", "position": "keel", "record": "keel.json"},
    ]
    batch = make_batch(
        tmp_path / "out",
        rows,
        {"Marram/port.jpg.json": verdict_to_json(judged()), "keel.json": verdict_to_json(refused())},
    )
    code, out, err = run(capsys, "report", batch, "--out", tmp_path / "all.html")
    assert code == 0
    assert json.loads(out)["positions"] == 2
    assert "Marram, rudder, port" in (tmp_path / "all.html").read_text(encoding="utf-8")
    assert "Marram/odd.jpg (unreadable)" in err
    code, out, _ = run(capsys, "report", batch, "--boat", "marram", "--out", tmp_path / "one.html")
    assert json.loads(out)["positions"] == 1
    assert "1. rudder, port" in (tmp_path / "one.html").read_text(encoding="utf-8")
    assert (
        run(capsys, "report", batch, "--boat", "Nobody", "--out", tmp_path / "no.html")[0] == ExitCode.USAGE
    )
    assert run(capsys, "report", tmp_path, "--out", tmp_path / "no.html")[0] == ExitCode.USAGE


def test_several_photos_of_one_position_are_told_apart(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = [{**ROW, "record": f"{k}.json"} for k in range(3)]
    photos = [replace(judged().photo, name=name) for name in ("a.jpg", "b.jpg", "b.jpg")]
    batch = make_batch(
        tmp_path / "out", rows, {f"{k}.json": verdict_to_json(judged(photo=p)) for k, p in enumerate(photos)}
    )
    assert run(capsys, "report", batch, "--out", tmp_path / "r.html")[0] == 0
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    for position in ("rudder, port, a.jpg", "rudder, port, b.jpg<", "rudder, port, b.jpg (2)"):
        assert position in page


@pytest.mark.parametrize("name", ["../secret.json", "/etc/passwd", "a/../../secret.json", "..\\x.json"])
def test_a_batch_can_t_name_a_record_outside_its_folder(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "secret.json").write_text(verdict_to_json(judged()), encoding="utf-8")
    batch = make_batch(tmp_path / "out", [{**ROW, "record": name}], {})
    code, _, err = run(capsys, "report", batch, "--out", tmp_path / "r.html")
    assert code == ExitCode.INPUT_UNREADABLE
    assert "outside its folder" in err or "no record" in err


@pytest.mark.slow
def test_a_real_batch(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What the batch really writes today, not what a test thinks that it does."""
    from anodewane.batch.folder import judge_folder

    (tmp_path / "in" / "Marram").mkdir(parents=True)
    (tmp_path / "in" / "Marram" / "skeg.jpg").write_bytes((SAMPLES / "refuse.jpg").read_bytes())
    (tmp_path / "in" / "Marram" / "transom.jpg").write_bytes((SAMPLES / "watch.jpg").read_bytes())
    judge_folder(tmp_path / "in", tmp_path / "out", workers=1)
    code, out, err = run(
        capsys, "report", tmp_path / "out", "--photos", tmp_path / "in", "--out", tmp_path / "r.html"
    )
    assert code == 0, err
    assert json.loads(out)["look_at"] == []
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "transom" in page
    assert "skeg" in page


def test_a_haul_out_of_the_book(
    judged_samples: Judged, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two haul-outs: the second's report has the first as history, the person's overrule beside the
    photo's verdict, and what the book warns of."""
    from datetime import UTC, date, datetime

    from anodewane.book.entries import NewJudgement
    from anodewane.book.store import new_book
    from anodewane.catalog.templates import builtin_templates

    file = tmp_path / "season.db"
    with new_book(file) as book:
        book.add_boat("Marram", "salt")
        for position, template in (
            ("transom", "plate-120x60x16-2holes"),
            ("skeg", "plate-120x60x16-2holes"),
            ("keel", "plate-120x60x16-2holes"),
        ):
            book.add_position("Marram", position)
            book.keep_template(builtin_templates()[template])
            book.fit("Marram", position, builtin_templates()[template], date(2025, 4, 10))
        for day in (date(2025, 10, 4), date(2026, 10, 4)):
            book.haul_out("Marram", day)
            made = [
                NewJudgement(
                    "Marram",
                    p,
                    day,
                    (judged_samples.folder / f"{n}.json").read_bytes(),
                    datetime(2026, 10, 5, tzinfo=UTC),
                )
                for p, n in (("transom", "watch"), ("skeg", "refuse"))
            ]
            book.record(made if day.year == 2026 else made[:1])
            if day.year == 2025:
                book.launch("Marram", day.replace(month=11))
        book.weigh("Marram", "transom", date(2026, 10, 4), 190.0)
        book.overrule("Marram", "transom", date(2026, 10, 4), "replace", "dull when tapped", "M. Example")
    before = file.read_bytes()
    code, out, err = run(
        capsys,
        "report",
        "--book",
        file,
        "--boat",
        "marram",
        "--photos",
        SAMPLES,
        "--out",
        tmp_path / "r.html",
    )
    assert code == 0, err
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert json.loads(out)["positions"] == 2
    assert "M. Example finds: REPLACE." in page
    assert "dull when tapped" in page
    assert "2025-10-04" in page
    assert "weighed: 190 g left" in page
    assert "new part fitted" in page
    assert "From the season" in page
    assert any("keel" in line for line in json.loads(out)["look_at"])
    assert file.read_bytes() == before
    code, out, _ = run(
        capsys,
        "report",
        "--book",
        file,
        "--boat",
        "Marram",
        "--haul-out",
        "2025-10-04",
        "--photos",
        SAMPLES,
        "--out",
        tmp_path / "old.html",
    )
    assert code == 0
    assert json.loads(out)["positions"] == 1
    assert "From the season" not in (tmp_path / "old.html").read_text(encoding="utf-8")
    for more in (
        ["--boat", "Nobody"],
        [],
        ["--boat", "Marram", "--haul-out", "2020-01-01"],
        ["--boat", "Marram", file],
    ):
        assert (
            run(capsys, "report", "--book", file, *more, "--out", tmp_path / "no.html")[0] == ExitCode.USAGE
        )
    with sqlite3.connect(tmp_path / "other.db") as db:
        db.execute("CREATE TABLE x (y)")
    db.close()
    assert (
        run(capsys, "report", "--book", tmp_path / "other.db", "--boat", "x", "--out", tmp_path / "no.html")[
            0
        ]
        == ExitCode.INPUT_UNREADABLE
    )


def test_every_sample_has_a_position_in_these_tests() -> None:
    assert set(POSITIONS) <= {p.stem for p in SAMPLES.glob("*.jpg")}
    assert TEARDROP.exists()
