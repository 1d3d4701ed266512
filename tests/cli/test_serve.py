"""The command `serve`: its options, what it refuses before it listens, and that it stops on Ctrl-C
with what it said."""

from __future__ import annotations

import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from anodewane.book.store import new_book
from anodewane.cli import main
from anodewane.errors import ExitCode

pytest.importorskip("starlette")


def test_what_is_refused_before_it_listens(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    book = str(tmp_path / "a.book")
    assert main(["serve", book, "--port", "0"]) == ExitCode.INPUT_UNREADABLE  # there is none
    assert "season new" in capsys.readouterr().err
    assert not (tmp_path / "a.book.yard").exists()
    new_book(book).close()
    assert main(["serve", book, "--address", "192.168.1.20"]) == ExitCode.USAGE
    assert main(["serve", book, "--lan", "--address", "8.8.8.8"]) == ExitCode.USAGE
    assert "private network" in capsys.readouterr().err
    assert (
        main(["serve", book, "--lan", "--address", "192.168.255.254", "--port", "0"])
        == ExitCode.OUTPUT_NOT_WRITABLE
    )  # not this machine's
    assert main(["serve", book, "--port", "70000"]) == ExitCode.USAGE


def test_where_a_package_is_missing_it_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import sys

    book = str(tmp_path / "a.book")
    new_book(book).close()
    monkeypatch.setitem(sys.modules, "segno", None)
    assert main(["serve", book, "--port", "0"]) == ExitCode.USAGE
    assert 'pip install ".[all]"' in capsys.readouterr().err


@pytest.mark.slow
def test_it_serves_until_ctrl_c(tmp_path: Path) -> None:
    from made.web_yard import Server, make_yard

    server = Server(make_yard(tmp_path))
    try:
        with urllib.request.urlopen(server.link) as answer:
            assert b"Who are you?" in answer.read()
        refused: Any = None
        try:
            urllib.request.urlopen(
                urllib.request.Request(server.base + "/", headers={"Host": "evil.example"})
            )
        except urllib.error.HTTPError as e:
            refused = e.code
            e.close()
        assert refused == 400
    finally:
        code = server.stop()
    assert code == 0
