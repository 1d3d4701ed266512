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
    assert main(["card", name, "--out", str(path), "--dpi", "100", "--label", "Tern, keel"]) == ExitCode.JUDGED
    with Image.open(path) as picture:
        assert picture.size[0] in (1100, 1169)  # 11 in and 297 mm at 100 dpi


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["--out", "x.jpg"], ExitCode.USAGE),
        (["--out", "x.pdf", "--dpi", "300"], ExitCode.USAGE),
        (["--out", "x.png", "--dpi", "5"], ExitCode.USAGE),
        (["--label", "y" * 41], ExitCode.USAGE),
        (["poster"], ExitCode.USAGE),
        (["--out", "nowhere/x.pdf"], ExitCode.OUTPUT_NOT_WRITABLE),
    ],
)
def test_what_cannot_be_written_is_said_in_one_sentence(tmp_path, monkeypatch, capsys, arguments, code):
    monkeypatch.chdir(tmp_path)
    assert main(["card", *arguments]) == code
    assert "Traceback" not in capsys.readouterr().err
    assert list(Path(tmp_path).iterdir()) == []
