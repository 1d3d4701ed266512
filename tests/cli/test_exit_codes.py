"""The command as a process of its own: what the shell sees when it is interrupted, when nobody reads,
and when it is run twice."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from anodewane.errors import EXIT_MEANINGS, ExitCode

SAMPLES = Path(__file__).parents[2] / "sample_images"
COMMAND = [sys.executable, "-m", "anodewane"]
posix = pytest.mark.skipif(sys.platform == "win32", reason="signals and pipes of POSIX")


def test_the_numbers_are_a_promise() -> None:
    """Other programs rely on them: design table of the stable interface."""
    assert {c.name: int(c) for c in ExitCode} == {
        "JUDGED": 0,
        "USAGE": 2,
        "INPUT_UNREADABLE": 3,
        "CANNOT_JUDGE": 4,
        "OUTPUT_NOT_WRITABLE": 5,
        "MODEL": 6,
        "BATCH_INCOMPLETE": 7,
        "EVIDENCE_DIFFERS": 8,
        "UNEXPECTED": 15,
        "INTERRUPTED": 130,
    }
    assert set(EXIT_MEANINGS) == set(ExitCode)


@pytest.mark.parametrize(
    ("argv", "code"),
    [
        (["--version"], 0),
        (["--help"], 0),
        ([], 2),
        (["nonsense"], 2),
        (["judge"], 2),
        (["judge", "/no/such/photo.jpg"], 3),
    ],
)
def test_plain_cases(argv: list[str], code: int) -> None:
    done = subprocess.run([*COMMAND, *argv], capture_output=True, check=False)
    assert done.returncode == code
    assert b"Traceback" not in done.stderr
    assert bool(done.stdout) == (code == 0)


@pytest.mark.slow
@posix
def test_ctrl_c_is_130_without_a_traceback() -> None:
    """It waits for a photo on standard input when the signal comes."""
    with subprocess.Popen(
        [*COMMAND, "judge", "-"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdin is not None
        process.stdin.write(bytes(1 << 20))  # more than a pipe holds: when all is written, it is reading
        process.stdin.flush()
        time.sleep(1.0)  # and now it waits
        process.send_signal(signal.SIGINT)
        process.wait(timeout=60)
        assert process.stdout is not None and process.stderr is not None
        out, err = process.stdout.read(), process.stderr.read()
    assert process.returncode == ExitCode.INTERRUPTED
    assert out == b""
    assert b"Interrupted." in err
    assert b"Traceback" not in err


@posix
def test_nobody_reading_is_5_without_a_traceback() -> None:
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run(
        [*COMMAND, "judge", str(SAMPLES / "refuse.jpg")], stdout=write, stderr=subprocess.PIPE, check=False
    )
    os.close(write)
    assert done.returncode == ExitCode.OUTPUT_NOT_WRITABLE
    assert b"Traceback" not in done.stderr
    assert b"Exception ignored" not in done.stderr


@pytest.mark.slow
def test_the_same_photo_gives_the_same_record_in_another_process(tmp_path: Path) -> None:
    """Byte for byte, whatever the hash seed: a record can be checked by judging again."""
    outputs = []
    for seed in ("1", "2"):
        overlay = tmp_path / f"{seed}.png"
        argv = [
            *COMMAND,
            "judge",
            str(SAMPLES / "replace.jpg"),
            "--template",
            "plate-150x75x20-2slots",
            "--overlay",
            str(overlay),
        ]
        done = subprocess.run(
            argv, capture_output=True, check=True, env={**os.environ, "PYTHONHASHSEED": seed}
        )
        outputs.append((done.stdout, overlay.read_bytes()))
    assert outputs[0] == outputs[1]


@pytest.mark.slow
def test_the_photo_s_bytes_from_standard_input_give_the_same_judgement() -> None:
    import json

    data = (SAMPLES / "replace.jpg").read_bytes()
    argv = [*COMMAND, "judge", "--template", "plate-150x75x20-2slots"]
    by_name = json.loads(
        subprocess.run([*argv, str(SAMPLES / "replace.jpg")], capture_output=True, check=True).stdout
    )
    by_pipe = json.loads(subprocess.run([*argv, "-"], input=data, capture_output=True, check=True).stdout)
    assert by_pipe["photo"].pop("name") == "standard input"
    by_name["photo"].pop("name")
    assert by_name == by_pipe
