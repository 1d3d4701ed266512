"""`anodewane card`: files as asked, and one sentence where that can't be."""

from __future__ import annotations

from pathlib import Path

import pytest

from anodewane.cli import main
from anodewane.errors import ExitCode


def test_the_default_is_a_pdf_of_the_card(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["card"]) == ExitCode.JUDGED
    assert (tmp_path / "card.pdf").read_bytes().startswith(b"%PDF-")
    out, err = capsys.readouterr()
    assert out == "" and "100 %" in err


@pytest.mark.parametrize("name", ["mat-a4", "mat-letter"])
def test_a_png_at_a_chosen_resolution_into_a_non_ascii_name(tmp_path, name):
    from PIL import Image

    path = tmp_path / "mått åäö.png"
    assert (
        main(["card", name, "--out", str(path), "--dpi", "100", "--label", "Tern", "keel"]) == ExitCode.JUDGED
    )
    with Image.open(path) as picture:
        assert picture.size[0] in (1100, 1169)  # 11 in and 297 mm at 100 dpi


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["--out", "x.jpg"], ExitCode.USAGE),
        (["--out", "x.pdf", "--dpi", "300"], ExitCode.USAGE),
        (["--out", "x.png", "--dpi", "5"], ExitCode.USAGE),
        (["--label", "Tern", "y" * 50], ExitCode.USAGE),
        (["--label", "Tern", ""], ExitCode.USAGE),
        (["--label", "Tern"], ExitCode.USAGE),
        (["--out", "x.png", "--label", "Tern", "keel", "--label", "Tern", "skeg"], ExitCode.USAGE),
        (["--labels", "none.csv"], ExitCode.INPUT_UNREADABLE),
        (["poster"], ExitCode.USAGE),
        (["--out", "nowhere/x.pdf"], ExitCode.OUTPUT_NOT_WRITABLE),
    ],
)
def test_what_cannot_be_written_is_said_in_one_sentence(tmp_path, monkeypatch, capsys, arguments, code):
    monkeypatch.chdir(tmp_path)
    assert main(["card", *arguments]) == code
    assert "Traceback" not in capsys.readouterr().err
    assert list(Path(tmp_path).iterdir()) == []


def test_labels_of_the_line_and_of_a_list_get_a_page_each(tmp_path, capsys):
    from pypdf import PdfReader

    rows = tmp_path / "labels.csv"
    rows.write_text("boat,position\nMarram,keel\nMarram,skeg\nMarram,keel\n", encoding="utf-8-sig")
    path = tmp_path / "labels.pdf"
    assert (
        main(["card", "--label", "Sea Aster", "port quarter", "--labels", str(rows), "--out", str(path)])
        == ExitCode.JUDGED
    )
    pages = [p.extract_text() for p in PdfReader(path).pages]
    assert ["Sea Aster" in pages[0], "skeg" in pages[2], "port quarter" in pages[0]] == [True, True, True]
    assert len(pages) == 3
    assert "3 pages" in capsys.readouterr().err


def test_a_list_with_a_bad_row_says_which_and_writes_nothing(tmp_path, capsys):
    rows = tmp_path / "labels.csv"
    rows.write_text("boat,position\nMarram,keel\nMarram,\n", encoding="utf-8")
    assert (
        main(["card", "--labels", str(rows), "--out", str(tmp_path / "x.pdf")]) == ExitCode.INPUT_UNREADABLE
    )
    assert "Line 3" in capsys.readouterr().err
    assert not (tmp_path / "x.pdf").exists()
