#!/usr/bin/env python3
"""A batch against one worker and against the judge alone, its memory by number of photos, and how soon
a finished one is seen to be finished.

    OMP_NUM_THREADS=1 python docs/bench/bench_batch.py rate [PHOTOS]         200 by default
    OMP_NUM_THREADS=1 python docs/bench/bench_batch.py memory [FEW MANY [LONG_SIDE]]     200 and 2000, 4032 px
    python docs/bench/bench_batch.py resume [PHOTOS]                         10 000

Photos are a sample enlarged to 12 MP with a phone's noise, made distinct by bytes behind the JPEG's
end. `rate` reads them from the disk, in rounds that take turns, so that whatever else the machine does
meets all of them; `memory` makes each when it is read, so that thousands need no disk.
"""

from __future__ import annotations

import hashlib
import os
import platform
import resource
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import Executor, Future
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from anodewane.stages.load import load_photo

ROOT = Path(__file__).resolve().parents[2]
SAMPLE, TEMPLATE = "replace.jpg", "plate-150x75x20-2slots"
SIZE = (4032, 3024)
ROUNDS = 4


def photo(long_side: int = SIZE[0]) -> bytes:
    sys.path.insert(0, str(Path(__file__).parent))
    from bench_judge import enlarged

    return enlarged(ROOT / "sample_images" / SAMPLE, (long_side, long_side * SIZE[1] // SIZE[0]))


def load() -> str:
    return " ".join(f"{v:.1f}" for v in os.getloadavg())


def processor() -> float:
    """Processor time of this process and of those that have ended under it: other programs on the
    machine matter less to it than to the clock."""
    return sum(
        r.ru_utime + r.ru_stime
        for r in (resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN))
    )


class Clock:
    """Notes when each photo was done, and how long its worker took over it."""

    def __init__(self) -> None:
        self.at: list[float] = []
        self.took: list[float] = []

    def begin(self, to_judge: int, kept: int) -> None:
        pass

    def step(self, outcome: Any) -> None:
        assert outcome.status == "judged", outcome.reasons
        self.at.append(time.perf_counter())
        self.took.append(outcome.seconds)


# --- rate ----------------------------------------------------------------------------------------


def rate(n_photos: int = 200) -> None:
    import cv2

    from anodewane.batch import judge_folder
    from anodewane.batch.place import LocalFolder
    from anodewane.batch.work import Item, RunConfig, judge_item
    from anodewane.catalog.templates import load_template
    from anodewane.judgement.method import Method
    from anodewane.judgement.pipeline import judge
    from anodewane.records import Given

    cv2.setNumThreads(1)
    template, data = load_template(TEMPLATE), photo()
    work = Path(tempfile.mkdtemp(prefix="anodewane-bench-"))
    try:
        a_round = n_photos // ROUNDS
        for i in range(ROUNDS):
            for j in range(a_round):
                path = work / f"photos {i}" / f"Boat {j % 10}" / f"position {j}" / "IMG_0001.jpg"
                path.parent.mkdir(parents=True)
                path.write_bytes(data + b"%d" % (i * a_round + j))
        walls: dict[str, list[float]] = {"1": [], "2": []}
        steady: dict[str, list[float]] = {"1": [], "2": []}
        took: dict[str, list[float]] = {"1": [], "2": []}
        busy: dict[str, list[float]] = {"1": [], "2": [], "judge": [], "serial": []}
        alone: list[float] = []
        serial: list[float] = []
        for i in range(ROUNDS):
            source, out = LocalFolder(work / f"photos {i}"), LocalFolder(work / f"serial {i}")
            out.prepare()
            (out.path / "anodewane-ledger.jsonl").touch()
            config = RunConfig(source, out, Method(), {"t": template})
            for j in range(12):
                start, cpu = time.perf_counter(), processor()
                judge(load_photo(data, "a.jpg"), template)
                alone.append(time.perf_counter() - start)
                busy["judge"].append(processor() - cpu)
                name = (
                    f"Boat {j % 10}/position {j}/IMG_0001.jpg"
                    if j < a_round
                    else "Boat 0/position 0/IMG_0001.jpg"
                )
                start, cpu = time.perf_counter(), processor()
                judge_item(Item(name, name, "t", Given(), "d"), config)
                serial.append(time.perf_counter() - start)
                busy["serial"].append(processor() - cpu)
            for workers in ("1", "2") if i % 2 else ("2", "1"):
                clock = Clock()
                start, cpu = time.perf_counter(), processor()
                judge_folder(
                    source.path,
                    work / f"out {workers} {i}",
                    template=template,
                    workers=int(workers),
                    progress=clock,
                )
                walls[workers].append(time.perf_counter() - start)
                busy[workers].append(processor() - cpu)
                steady[workers].append((clock.at[-1] - clock.at[2]) / (len(clock.at) - 3))
                took[workers] += clock.took[2:]
            print(f"round {i + 1}: load {load()}", flush=True)
    finally:
        shutil.rmtree(work)
    judge_s, both_s = statistics.median(alone[1:]), statistics.median(serial[1:])
    per = {w: sum(walls[w]) / (ROUNDS * a_round) for w in walls}
    warm = {w: statistics.mean(steady[w]) for w in steady}
    print(f"{ROUNDS * a_round} photos of 12 MP ({len(data) / 1e6:.1f} MB) in {ROUNDS} rounds")
    print(f"the judge alone                            {1000 * judge_s:7.0f} ms a photo (median)")
    print(
        f"judge, record, overlay and thumbnail       {1000 * both_s:7.0f} ms, {both_s / judge_s:.2f} times "
        "the judge; written to disk, in one process"
    )
    for w in ("1", "2"):
        print(
            f"{w} worker{'s' if w != '1' else ' '}: whole run {1000 * per[w]:6.0f} ms a photo, once "
            f"started {1000 * warm[w]:6.0f} ms; "
            f"a worker takes {1000 * statistics.median(took[w]):.0f} ms over one (median)"
        )
    cpu_judge, cpu_both = statistics.median(busy["judge"][1:]), statistics.median(busy["serial"][1:])
    cpu_batch = {w: sum(busy[w]) / (ROUNDS * a_round) for w in ("1", "2")}
    print(
        f"processor time a photo: judge {1000 * cpu_judge:.0f} ms, with record and pictures "
        f"{1000 * cpu_both:.0f} ms; "
        f"whole run by 1 worker {1000 * cpu_batch['1']:.0f} ms, by 2 {1000 * cpu_batch['2']:.0f} ms"
    )
    print(
        f"rate of 2 workers against 1: whole run {per['1'] / per['2']:.2f}, once started "
        f"{warm['1'] / warm['2']:.2f}"
    )
    print(
        "a photo in a batch of one worker, once started, against the same work in one process: "
        f"{warm['1'] / both_s:.2f}"
    )


# --- memory --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class MadePhotos:
    """A place of photos that are made when they are read."""

    count: int
    base: str
    address: str = "made photos"

    def entries(self, left_out: list[Any] | None = None) -> Iterator[Any]:  # noqa: ARG002
        from anodewane.batch.place import Entry

        for i in range(self.count):
            yield Entry(f"Boat {i % 100}/position {i}/IMG_0001.jpg", 3_000_000, None, str(i))

    def read(self, name: str) -> bytes:
        return Path(self.base).read_bytes() + name.encode()

    def is_there(self) -> bool:
        return True


def peak_mb(pid: int | str) -> float:
    """The most memory that a process has held so far."""
    try:
        text = Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
        return int(text.split("VmHWM:")[1].split()[0]) / 1024
    except (OSError, IndexError):
        return 0.0


class Memory(Clock):
    """Notes the peaks of driver and workers along the way."""

    def step(self, outcome: Any) -> None:
        super().step(outcome)
        if len(self.at) % 100 == 0:
            children = Path(f"/proc/self/task/{os.getpid()}/children").read_text(encoding="utf-8").split()
            workers = sorted((peak_mb(c) for c in children), reverse=True)
            print(
                f"  after {len(self.at):5d}: driver {peak_mb('self'):5.0f} MB, workers "
                f"{' '.join(f'{w:.0f}' for w in workers if w > 100)} MB, load {load()}",
                flush=True,
            )


def memory(few: int = 200, many: int = 2000, long_side: int = SIZE[0]) -> None:
    from anodewane.batch import judge_folder
    from anodewane.catalog.templates import load_template

    work = Path(tempfile.mkdtemp(prefix="anodewane-bench-"))
    try:
        (work / "base.jpg").write_bytes(photo(long_side))
        for count in (few, many):
            if os.fork() == 0:  # each in a process of its own: peaks only grow
                print(f"{count} photos, {long_side} px", flush=True)
                judge_folder(
                    MadePhotos(count, str(work / "base.jpg")),
                    work / f"out {count}",
                    template=load_template(TEMPLATE),
                    progress=Memory(),
                )  # type: ignore[arg-type]
                print(f"  at the end, summaries written: driver {peak_mb('self'):.0f} MB", flush=True)
                os._exit(0)
            os.wait()
    finally:
        shutil.rmtree(work)


# --- resume --------------------------------------------------------------------------------------


class InThisProcess(Executor):
    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        future.set_result(fn(*args, **kwargs))
        return future


def stand_in(item: Any, config: Any) -> Any:
    """Outcomes and outputs of the real size and shape, without judging."""
    from anodewane.batch.work import Outcome, overlay_name, record_name, thumbnail_name

    data = config.source.read(item.name)
    files = []
    for make in (record_name, overlay_name, thumbnail_name):
        path = config.out.path / make(item.out_name)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x" * 100)
        files.append((make(item.out_name), 100))
    reasons = (
        (
            "past_limit",
            "About 69 % (57 to 85 %, limit 50 %) of the metal is gone: at or past the limit.",
            "Replace the part.",
        ),
    ) * 4
    return Outcome(
        item.name, item.out_name, item.digest, "judged", True, hashlib.sha256(data).hexdigest(), item.stamp,
        len(data), "replace", 69.03, 56.91, 85.04, 0.9, 34.4,
        TEMPLATE, False, "zinc", "2026-10-04T11:03:00", None, None, reasons, tuple(files), "ab" * 32, 0.25,
    )  # fmt: skip


def resume(count: int = 10_000) -> None:
    from anodewane.batch import folder, judge_folder, plan_folder
    from anodewane.batch.execute import Engine
    from anodewane.batch.place import LocalFolder

    work = Path(tempfile.mkdtemp(prefix="anodewane-bench-"))
    try:
        for i in range(count):
            path = work / "photos" / f"Boat {i // 10}" / f"position {i % 10}" / f"IMG_{i:05d}.jpg"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(b"photo %d" % i)
        time.sleep(3)  # photos are older than a moment, as they are after a season
        folder.WORK = stand_in
        LocalFolder.append, real = _append_without_sync, LocalFolder.append  # type: ignore[method-assign]
        judge_folder(work / "photos", work / "out", engine=Engine(InThisProcess, 1))
        LocalFolder.append = real  # type: ignore[method-assign]
        decide, whole, busy = [], [], []
        for _ in range(3):
            start, cpu = time.perf_counter(), time.process_time()
            job = plan_folder(work / "photos", work / "out")
            decide.append(time.perf_counter() - start)
            busy.append(time.process_time() - cpu)
            assert (len(job.items), len(job.kept)) == (0, count)
            start = time.perf_counter()
            assert judge_folder(work / "photos", work / "out").judged_now == 0
            whole.append(time.perf_counter() - start)
        size = (work / "out/anodewane-ledger.jsonl").stat().st_size
    finally:
        shutil.rmtree(work)
    print(f"{count} finished photos, ledger of {size / 1e6:.1f} MB, load {load()}")
    print(
        f"decides that nothing is to be judged in {statistics.median(decide):.2f} s (median of 3, best "
        f"{min(decide):.2f}; processor {statistics.median(busy):.2f} s)"
    )
    print(
        f"the same with all summaries written again {statistics.median(whole):.2f} s (best {min(whole):.2f})"
    )


def _append_without_sync(self: Any, name: str, lines: Any) -> None:
    with (self.path / name).open("ab") as f:
        f.writelines(line + b"\n" for line in lines)


def main() -> None:
    print(
        f"Python {platform.python_version()}, {platform.machine()}, {os.cpu_count()} cores, "
        f"OMP_NUM_THREADS={os.environ.get('OMP_NUM_THREADS', 'not set')}, load {load()}"
    )
    numbers = [int(a) for a in sys.argv[2:]]
    what = sys.argv[1] if len(sys.argv) > 1 else "rate"
    if what == "memory":
        memory(*numbers)
    elif what == "resume":
        resume(*numbers)
    else:
        rate(*numbers)


if __name__ == "__main__":
    main()
