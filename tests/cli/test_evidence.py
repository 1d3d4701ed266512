"""The evidence commands from end to end: packed, checked, judged again, stamped and signed, with
their exit codes."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from anodewane.cli import main
from anodewane.errors import ExitCode
from made.report_samples import SAMPLES, Judged
from made.report_samples import judged_samples as judged_samples
from made.stamping_service import StampingService


def run(capsys: pytest.CaptureFixture[str], *argv: object) -> tuple[int, Any, str]:
    code = main([str(a) for a in argv])
    out, err = capsys.readouterr()
    return code, json.loads(out) if out else None, err


@pytest.fixture(scope="module")
def packed(judged_samples: Judged, tmp_path_factory: pytest.TempPathFactory) -> Path:
    bag = tmp_path_factory.mktemp("cli") / "bag"
    assert (
        main(
            [
                "evidence",
                "pack",
                str(judged_samples.folder / "watch.json"),
                str(judged_samples.folder / "refuse.json"),
                "--photos",
                str(SAMPLES),
                "--out",
                str(bag),
            ]
        )
        == 0
    )
    return bag


@pytest.fixture
def bag(packed: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(packed, tmp_path / "bag"))


def test_a_whole_bag(bag: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, said, err = run(capsys, "evidence", "check", bag)
    assert code == ExitCode.JUDGED
    assert said["whole"]
    assert said["positions"] == ["watch", "refuse"]
    assert said["seal"] in err
    code, said, err = run(capsys, "evidence", "recheck", bag)
    assert code == ExitCode.JUDGED
    assert all(p["same"] for p in said["parts"])
    assert "watch: the same (monitor)." in err


def test_the_words_claim_no_more_than_is_known(bag: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a proof nobody vouches for the manifests; with the seal somebody does."""
    _, said, err = run(capsys, "evidence", "check", bag)
    assert "as it was packed" not in err
    assert "says nothing of who made them" in err
    assert said["vouched"] is None
    assert all(m["same"] for m in said["made_again"])
    code, said, err = run(capsys, "evidence", "check", bag, "--seal", said["seal"].upper())
    assert code == ExitCode.JUDGED
    assert "as it was packed, by the seal given" in err
    code, said, err = run(capsys, "evidence", "check", bag, "--seal", "0" * 64)
    assert code == ExitCode.EVIDENCE_DIFFERS
    assert not said["whole"]
    assert "as it was packed" not in err
    assert "isn't the bag that was packed" in err


def test_on_a_terminal_there_are_lines_and_no_json(
    bag: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    assert main(["evidence", "check", str(bag)]) == 0
    out, err = capsys.readouterr()
    assert "agrees with its own manifests" in out
    assert "{" not in out + err
    assert main(["evidence", "check", str(bag), "--json"]) == 0
    out, err = capsys.readouterr()
    assert json.loads(out)["whole"]
    assert "agrees" in err


def test_a_changed_bag_is_told_and_not_judged(bag: Path, capsys: pytest.CaptureFixture[str]) -> None:
    original = next((bag / "data" / "originals").glob("001-*"))
    original.write_bytes(original.read_bytes() + b"x")
    (bag / "data" / "a\x1b[31m").write_text("x")
    code, said, err = run(capsys, "evidence", "check", bag)
    assert code == ExitCode.EVIDENCE_DIFFERS
    assert not said["whole"]
    assert {(f["kind"], f["file"]) for f in said["faults"]} >= {
        ("changed", f"data/originals/{original.name}"),
        ("extra", "data/a[U+001B][31m"),
    }
    assert "\x1b" not in err
    code, said, err = run(capsys, "evidence", "recheck", bag)
    assert code == ExitCode.EVIDENCE_DIFFERS
    assert said["parts"] is None
    assert "would prove nothing" in err
    assert run(capsys, "evidence", "stamp", bag, "--request")[0] == ExitCode.USAGE


def test_a_bag_of_a_haul_out_holds_the_photo_before_and_is_made_again(
    judged_samples: Judged, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The report from a book shows last season's photo and the wear by season; both come out of the bag
    again, byte for byte."""
    from datetime import UTC, date, datetime

    from anodewane.book.entries import NewJudgement
    from anodewane.book.store import new_book
    from anodewane.catalog.templates import builtin_templates

    part = builtin_templates()["plate-120x60x16-2holes"]
    with new_book(tmp_path / "season.db") as book:
        book.add_boat("Marram", "salt")
        book.add_position("Marram", "transom")
        book.keep_template(part)
        book.fit("Marram", "transom", part, date(2025, 4, 10))
        for day, name in ((date(2025, 10, 4), "watch"), (date(2026, 10, 4), "refuse")):
            book.haul_out("Marram", day)
            record = (judged_samples.folder / f"{name}.json").read_bytes()
            book.record([NewJudgement("Marram", "transom", day, record, datetime(2026, 10, 5, tzinfo=UTC))])
            if day.year == 2025:
                book.launch("Marram", date(2025, 11, 1))
    asked = ("--book", tmp_path / "season.db", "--boat", "Marram", "--photos", SAMPLES)
    code, said, err = run(capsys, "evidence", "pack", *asked, "--out", tmp_path / "bag")
    assert code == 0, err
    page = (tmp_path / "bag/data/report/report.html").read_text(encoding="utf-8")
    assert "The photo of 2025-10-04" in page
    assert "Wear by season: Marram" in page
    earlier = next((tmp_path / "bag/data/originals").glob("*earlier*"))
    assert earlier.read_bytes() == (SAMPLES / "watch.jpg").read_bytes()
    code, said, err = run(capsys, "evidence", "check", tmp_path / "bag")
    assert code == 0, err
    assert [m["same"] for m in said["made_again"]] == [True, True, True]


def test_a_bag_isn_t_packed_over_another(
    bag: Path, judged_samples: Judged, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, err = run(
        capsys, "evidence", "pack", judged_samples.folder / "watch.json", "--photos", SAMPLES, "--out", bag
    )
    assert code == ExitCode.OUTPUT_NOT_WRITABLE
    assert "already" in err


def test_no_bag(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for command in (["check"], ["recheck"], ["stamp", "--request"], ["sign", "--key", "k"]):
        code, said, err = run(capsys, "evidence", command[0], tmp_path, *command[1:])
        assert code == ExitCode.INPUT_UNREADABLE, command
        assert said is None
        assert "isn't a bag" in err


@pytest.mark.skipif(
    shutil.which("openssl") is None or shutil.which("ssh-keygen") is None,
    reason="needs openssl and ssh-keygen",
)
def test_stamped_and_signed(bag: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("rfc3161_client")
    code, said, err = run(capsys, "evidence", "stamp", bag, "--request")
    assert code == 0
    assert "application/timestamp-query" in err
    service = StampingService(tmp_path / "tsa")
    answer = service.answer(Path(said["request"]), tmp_path / "a.tsr")
    code, said, _ = run(capsys, "evidence", "stamp", bag, "--response", answer, "--root", service.root)
    assert code == 0
    assert said["stamp"]["trusted"]
    subprocess.run(
        ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "", "-f", str(tmp_path / "key")], check=True
    )
    assert run(capsys, "evidence", "sign", bag, "--key", tmp_path / "key")[0] == 0
    (tmp_path / "signers").write_text(f"yard {(tmp_path / 'key.pub').read_text()}")
    code, said, err = run(
        capsys, "evidence", "check", bag, "--signers", tmp_path / "signers", "--root", service.root
    )
    assert code == 0, err
    assert [s["signer"] for s in said["signatures"]] == ["yard"]
    assert said["stamp"]["trusted"]
    code, _, err = run(capsys, "evidence", "check", bag)
    assert code == 0
    assert "nobody vouched for" in err
    stranger = StampingService(tmp_path / "other", "Someone else")
    assert run(capsys, "evidence", "check", bag, "--root", stranger.root)[0] == ExitCode.EVIDENCE_DIFFERS
    (tmp_path / "signers").write_text("")
    assert (
        run(capsys, "evidence", "check", bag, "--signers", tmp_path / "signers")[0]
        == ExitCode.EVIDENCE_DIFFERS
    )


def test_a_proof_that_is_asked_for_and_isn_t_there_doesn_t_hold(
    bag: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "signers").write_text("")
    code, said, err = run(capsys, "evidence", "check", bag, "--signers", tmp_path / "signers")
    assert code == ExitCode.EVIDENCE_DIFFERS
    assert said["faults"] == []
    assert "isn't signed" in err


@pytest.mark.parametrize("argv", [["stamp"], ["stamp", "--request", "--response", "x"], ["sign"], ["pack"]])
def test_wrong_use(argv: list[str], bag: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = run(capsys, "evidence", argv[0], bag, *argv[1:])
    assert code == ExitCode.USAGE
    assert "Traceback" not in err
