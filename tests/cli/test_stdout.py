"""Standard output carries the answer and nothing else, whoever else prints: Python, a C library, a
child that inherits the descriptor."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

POLLUTER = """
import ctypes, os, subprocess, sys
from anodewane.cli._stdout import answer_only
with answer_only() as answer:
    print("python before")
    ctypes.CDLL(None).puts(b"c library, buffered")
    os.write(1, b"descriptor 1\\n")
    subprocess.run(["echo", "child"], check=True)
    sys.stdout.write("no line feed")
    answer('{"a": "\\u00e9"}\\n')
    print("python after")
    ctypes.CDLL(None).puts(b"c library, late")
print("outside again")
"""


@pytest.mark.skipif(sys.platform == "win32", reason="uses puts and echo")
def test_only_the_answer_reaches_standard_output() -> None:
    done = subprocess.run([sys.executable, "-c", POLLUTER], check=True, capture_output=True)
    assert done.stdout.decode() == '{"a": "é"}\noutside again\n'
    for polluter in (
        "python before",
        "c library, buffered",
        "descriptor 1",
        "child",
        "no line feed",
        "python after",
        "c library, late",
    ):
        assert polluter in done.stderr.decode()


def test_under_a_test_runner_too(capsys: pytest.CaptureFixture[str]) -> None:
    from anodewane.cli._stdout import answer_only

    with answer_only() as answer:
        print("noise")
        answer("the answer\n")
    print("after")
    out, err = capsys.readouterr()
    assert out == "the answer\nafter\n"
    assert err == "noise\n"


def test_the_stream_comes_back_after_an_error(capsys: pytest.CaptureFixture[str]) -> None:
    from anodewane.cli._stdout import answer_only

    before = sys.stdout
    with pytest.raises(RuntimeError), answer_only():
        raise RuntimeError
    assert sys.stdout is before


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_a_full_standard_output_is_exit_5() -> None:
    code = """
import sys
import click
import anodewane.cli.doctor
from anodewane.cli import main
from anodewane.cli._stdout import answer_only

@click.command()
def answers():
    with answer_only() as answer:
        answer("x")

anodewane.cli.doctor.doctor = answers
sys.exit(main(["doctor"]))
"""
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run([sys.executable, "-c", code], stdout=full, stderr=subprocess.PIPE, check=False)
    assert done.returncode == 5
    assert "Standard output can't be written: No space left on device." in done.stderr.decode()
