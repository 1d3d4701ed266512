"""A batch that is killed, starved of disk, interrupted or robbed of a worker, for real: run again, the
result equals that of an unbroken run, byte for byte.

Real processes through the command. The ledger holds times and is left out of the comparison, as is the lock.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from anodewane.batch.place import LEDGER_NAME
from anodewane.errors import ExitCode
from made.batch_doubles import TEMPLATE, distinct, small_photo, tree

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals and limits"),
]

N_PHOTOS = 6
PATIENCE_S = 120.0


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Photos that are judged, one that can't be judged, one that can't be read."""
    folder = tmp_path_factory.mktemp("season") / "photos"
    good, refused = small_photo("replace.jpg"), small_photo("refuse.jpg")
    for i in range(N_PHOTOS - 2):
        path = folder / f"Boat {i % 3}" / f"position {i}" / f"IMG_{i:04d}.jpg"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(distinct(good, i))
    (folder / "Boat 1" / "refused.jpg").write_bytes(refused)
    (folder / "Boat 2" / "broken.jpg").write_bytes(good[:4000])
    return folder


def command(photos: Path, out: Path, *more: str) -> list[str]:
    return [
        sys.executable,
        "-m",
        "anodewane",
        "batch",
        str(photos),
        "--out",
        str(out),
        "--template",
        TEMPLATE,
        "--workers",
        "2",
        *more,
    ]


def finish(photos: Path, out: Path, **more: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command(photos, out), capture_output=True, text=True, timeout=PATIENCE_S, check=False, **more
    )


@pytest.fixture(scope="module")
def unbroken(photos: Path) -> dict[str, bytes]:
    """What a run without trouble leaves."""
    out = photos.parent / "unbroken"
    done = finish(photos, out)
    assert done.returncode == ExitCode.BATCH_INCOMPLETE, done.stderr
    totals = json.loads(done.stdout)
    assert totals["counts"] == {"replace": N_PHOTOS - 2, "cannot_judge": 1, "unreadable": 1}
    found = tree(out)
    assert len(found) == 3 * (N_PHOTOS - 1) + 4
    return found


def outcomes(out: Path) -> int:
    """Photos in the ledger."""
    try:
        return (out / LEDGER_NAME).read_bytes().count(b'"status"')
    except FileNotFoundError:
        return 0


def wait_for(condition: Callable[[], bool], process: subprocess.Popen[Any] | None = None) -> None:
    until = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < until, "waited too long"
        assert process is None or process.poll() is None, "it ended before"
        time.sleep(0.005)


def workers(pid: int) -> list[int]:
    """The driver's children that judge (multiprocessing has a helper of its own)."""
    try:
        children = [int(p) for p in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
        return [c for c in children if b"spawn_main" in Path(f"/proc/{c}/cmdline").read_bytes()]
    except (FileNotFoundError, ProcessLookupError):
        return []


def is_alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


@pytest.fixture
def started(photos: Path, tmp_path: Path) -> Iterator[Callable[..., subprocess.Popen[str]]]:
    """Start a batch in a process group of its own; whatever is left of it is ended after the test."""
    running: list[subprocess.Popen[str]] = []

    def start(**more: Any) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            command(photos, tmp_path / "out"),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
            **more,
        )
        running.append(process)
        return process

    yield start
    for process in running:
        if process.poll() is None:
            process.kill()
        process.communicate()


linux = pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="finds the workers by /proc")


@linux
def test_the_driver_killed_at_several_moments(
    started: Callable[..., subprocess.Popen[str]], photos: Path, tmp_path: Path, unbroken: dict[str, bytes]
) -> None:
    """While the workers start, after the first photos, before the last; the lock goes and the workers
    go with the driver."""
    out = tmp_path / "out"
    for moment in ("workers start", 2, N_PHOTOS - 1):
        process = started()
        ready: Callable[[], bool] = (
            (lambda pid=process.pid: bool(workers(pid)))
            if isinstance(moment, str)
            else (lambda least=moment: outcomes(out) >= least)
        )
        wait_for(ready)
        orphans = workers(process.pid)
        process.send_signal(signal.SIGKILL)
        process.wait(PATIENCE_S)
        wait_for(lambda: not any(map(is_alive, orphans)))  # noqa: B023 - used at once
    kept = outcomes(out)
    assert kept >= N_PHOTOS - 1
    done = finish(photos, out)
    assert done.returncode == ExitCode.BATCH_INCOMPLETE, done.stderr
    assert json.loads(done.stdout)["judged_now"] <= 1
    assert tree(out) == unbroken


@linux
def test_a_worker_killed_costs_nothing(
    started: Callable[..., subprocess.Popen[str]], tmp_path: Path, unbroken: dict[str, bytes]
) -> None:
    process = started()
    wait_for(lambda: outcomes(tmp_path / "out") >= 1, process)
    os.kill(workers(process.pid)[0], signal.SIGKILL)
    out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == ExitCode.BATCH_INCOMPLETE, err
    assert json.loads(out)["counts"] == {"replace": N_PHOTOS - 2, "cannot_judge": 1, "unreadable": 1}
    assert tree(tmp_path / "out") == unbroken


def test_ctrl_c_keeps_what_is_done(
    started: Callable[..., subprocess.Popen[str]], photos: Path, tmp_path: Path, unbroken: dict[str, bytes]
) -> None:
    """The terminal sends it to every process of the group; what is finished can be looked at at once."""
    process = started()
    wait_for(lambda: outcomes(tmp_path / "out") >= 1, process)
    os.killpg(process.pid, signal.SIGINT)
    out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == ExitCode.INTERRUPTED, err
    assert out == ""
    assert "What is judged is kept and summed up; the same command goes on from there.\n" in err
    assert err.splitlines()[-1] == "Interrupted."
    assert "Traceback" not in err
    rows = [
        json.loads(line) for line in (tmp_path / "out/summary.jsonl").read_text(encoding="utf-8").splitlines()
    ]
    assert len(rows) == N_PHOTOS
    done = sum(r["status"] != "pending" for r in rows)
    assert 1 <= done == outcomes(tmp_path / "out")
    assert finish(photos, tmp_path / "out").returncode == ExitCode.BATCH_INCOMPLETE
    assert tree(tmp_path / "out") == unbroken


def limit_files() -> None:
    import resource

    resource.setrlimit(resource.RLIMIT_FSIZE, (40_000, 40_000))


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path | None]:
    """A disk of 500 kB, which the results don't fit on; None where none can be mounted."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = (
        subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=500k", "tmpfs", str(disk)], capture_output=True, check=False
        )
        if os.geteuid() == 0
        else None
    )
    if mounted is None or mounted.returncode:
        yield None
        return
    yield disk
    subprocess.run(["umount", str(disk)], check=True)


def test_a_full_disk(
    photos: Path, tmp_path: Path, small_disk: Path | None, unbroken: dict[str, bytes]
) -> None:
    """Exit code 5 with a sentence and nothing half written; with room again the batch goes on. Where no
    small disk can be had, no file may grow beyond 40 kB instead."""
    out = (small_disk or tmp_path) / "out"
    full = finish(photos, out) if small_disk else finish(photos, out, preexec_fn=limit_files)
    assert full.returncode == ExitCode.OUTPUT_NOT_WRITABLE, full.stderr
    assert ("No space left" if small_disk else "can't be written") in full.stderr
    assert "Traceback" not in full.stderr
    assert all(
        unbroken[name] == data
        for name, data in tree(out).items()
        if not name.startswith(("summary", "index"))
    )
    if small_disk:
        subprocess.run(["mount", "-o", "remount,size=50m", str(small_disk)], check=True)
    done = finish(photos, out)
    assert done.returncode == ExitCode.BATCH_INCOMPLETE, done.stderr
    assert tree(out) == unbroken


def test_a_second_run_at_once_is_refused(
    started: Callable[..., subprocess.Popen[str]], photos: Path, tmp_path: Path, unbroken: dict[str, bytes]
) -> None:
    process = started()
    wait_for(lambda: outcomes(tmp_path / "out") >= 1, process)
    done = finish(photos, tmp_path / "out")
    assert done.returncode == ExitCode.OUTPUT_NOT_WRITABLE
    assert "Another batch is writing" in done.stderr
    process.communicate(timeout=PATIENCE_S)
    assert process.returncode == ExitCode.BATCH_INCOMPLETE
    assert tree(tmp_path / "out") == unbroken
