#!/usr/bin/env python3
"""What a batch on a cluster costs beside the judging itself: the scheduler a task, listing, the ledger,
the driver's memory; and the rate of real judging.

    OMP_NUM_THREADS=1 python docs/bench/bench_cluster.py [overhead] [storage] [memory] [judge]

Everything runs on this machine: scheduler and workers as processes of their own, moto's S3 server in
another; so network and store are loopback and moto, not a cloud's. `overhead` compares Dask with Ray
where that is installed, and with this machine's processes.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import Executor, Future
from contextlib import contextmanager
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2] / "tests"))


def nothing(item: Any, config: Any) -> Any:  # noqa: ARG001 - as work is called
    """A task without work; gives back an outcome as the judge does."""
    from anodewane.batch.work import Outcome

    return Outcome(
        item.name,
        item.out_name,
        item.digest,
        "judged",
        final=True,
        verdict="ok",
        consumed_pct=12.0,
        consumed_low_pct=5.0,
        consumed_high_pct=20.0,
        coverage=0.9,
    )


@contextmanager
def cluster(workers: int) -> Iterator[Any]:
    from made.cluster_doubles import Cluster

    with tempfile.TemporaryDirectory() as folder:
        os.environ["PYTHONPATH"] = str(Path(__file__).parent)
        made = Cluster(Path(folder), workers)
        try:
            yield made
        finally:
            made.stop()


def items(count: int) -> Iterator[Any]:
    from anodewane.batch.work import Item
    from anodewane.records import Given

    for i in range(count):
        yield Item(f"Kittiwake/position {i}.jpg", f"Kittiwake/position {i}.jpg", "t", Given(), "d" * 32)


def config_of() -> Any:
    from anodewane.batch.storage import BucketFolder
    from anodewane.batch.work import RunConfig
    from anodewane.catalog.templates import load_template
    from anodewane.judgement.method import Method

    return RunConfig(
        BucketFolder("s3://bucket/photos"),
        BucketFolder("s3://bucket/out"),
        Method(),
        {"t": load_template("plate-150x75x20-2slots")},
    )


class RayExecutor(Executor):
    """Ray as an executor, for comparison only."""

    def __init__(self) -> None:
        import ray

        self._remote = ray.remote(max_retries=3)(nothing)

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:  # noqa: ARG002
        return self._remote.remote(*args).future()  # type: ignore[no-any-return]

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:  # noqa: ARG002
        return


def overhead() -> None:
    import pickle

    from anodewane.batch.engines import dask_engine
    from anodewane.batch.execute import Engine, local_engine, run

    work = sys.modules.get("bench_cluster", sys.modules[__name__]).nothing
    config = config_of()
    print(f"a task as it travels: {len(pickle.dumps((work, next(items(1)), config)))} bytes")
    figures: dict[str, float] = {}

    def timed(name: str, engine: Any, count: int) -> None:
        run(items(50), work, config, engine, lambda _: None)
        start = time.perf_counter()
        run(items(count), work, config, engine, lambda _: None)
        figures[name] = 1000 * (time.perf_counter() - start) / count
        print(f"{name}: {figures[name]:.2f} ms a task that does nothing", flush=True)

    timed("processes here", local_engine(2), 2000)
    with cluster(2) as c:
        engine = dask_engine(c.address)
        first = engine.make_executor()
        kept = Engine(lambda: _Kept(first), engine.workers, engine.window, engine.killed)
        before, here = _processor_s(c.scheduler.pid), time.process_time()
        timed("Dask", kept, 2000)
        spent, ours = (
            1000 * (now - was) / 2050
            for now, was in ((_processor_s(c.scheduler.pid), before), (time.process_time(), here))
        )
        print(
            f"of the processor: the scheduler {spent:.2f} ms a task, the driver {ours:.2f} ms: "
            f"{1000 / max(spent, ours):.0f} tasks a second at most",
            flush=True,
        )
        first.shutdown()
    try:
        import ray
    except ImportError:
        print("Ray isn't installed")
    else:
        start = time.perf_counter()
        ray.init(
            num_cpus=2,
            include_dashboard=False,
            logging_level="error",
            log_to_driver=False,
            runtime_env={"env_vars": {"PYTHONPATH": str(Path(__file__).parent)}},
        )
        print(f"Ray: {time.perf_counter() - start:.1f} s to start")
        timed("Ray", Engine(RayExecutor, 2, 256), 2000)
        ray.shutdown()
    print(
        "; ".join(
            f"{name} {ms / figures['processes here']:.1f} times processes here"
            for name, ms in figures.items()
        )
    )


def _processor_s(pid: int) -> float:
    """Processor time that a process has had (Linux: proc(5), fields 14 and 15 of stat)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


class _Kept(Executor):
    """An executor that outlives its run, so that connecting isn't timed."""

    def __init__(self, inner: Executor) -> None:
        self._inner = inner

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        return self._inner.submit(fn, *args, **kwargs)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:  # noqa: ARG002
        return


@contextmanager
def store() -> Iterator[Any]:
    """moto's server in a process of its own, so that it doesn't share our interpreter."""
    from made.cluster_doubles import make_bucket

    process = subprocess.Popen(
        [sys.executable, "-m", "moto.server", "-p", "5599"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    env = {
        "AWS_ACCESS_KEY_ID": "test",
        "AWS_SECRET_ACCESS_KEY": "test",
        "AWS_REGION": "us-east-1",
        "AWS_ENDPOINT_URL": "http://127.0.0.1:5599",
        "AWS_ALLOW_HTTP": "true",
    }
    os.environ.update(env)
    try:
        for _ in range(100):
            try:
                yield make_bucket(env, "bench-bucket")
                break
            except Exception as e:
                if "Could not connect" not in str(e):
                    raise
                time.sleep(0.2)
    finally:
        process.kill()
        process.wait()


def storage() -> None:
    from anodewane.batch.ledger import Ledger
    from anodewane.batch.place import LEDGER_NAME
    from anodewane.batch.storage import BucketFolder

    with store() as bucket:
        photos, out = BucketFolder("s3://bench-bucket/photos"), BucketFolder("s3://bench-bucket/out")
        count = 3000
        start = time.perf_counter()
        for i in range(count):
            photos.write(f"Kittiwake {i % 50}/{i}.jpg", b"x%d" % i)
        put = time.perf_counter() - start
        start = time.perf_counter()
        listed = sum(1 for _ in photos.entries())
        listing = time.perf_counter() - start
        print(
            f"moto: put {1000 * put / count:.1f} ms an object; {listed} listed in {listing:.2f} s, "
            f"{1e6 / listed * listing:.0f} s a million, {1e6 / 1000:.0f} requests"
        )
        outcomes = [nothing(i, None) for i in items(20000)]
        with out.lock():
            ledger = Ledger.read(out)
            start = time.perf_counter()
            for outcome in outcomes:
                ledger.append(outcome)
        wrote = time.perf_counter() - start
        pieces = len(bucket.keys(f"out/{LEDGER_NAME}/"))
        start = time.perf_counter()
        again = Ledger.read(out)
        read = time.perf_counter() - start
        assert len(list(again.names())) == 20000
        print(
            f"ledger of 20000: written in {wrote:.2f} s in {pieces} pieces ({20000 / wrote:.0f} a second), "
            f"read in {read:.2f} s"
        )
        start = time.perf_counter()
        for i in range(200):
            out.put_piece("small.jsonl", i, b"x\n")
        print(f"one put a photo instead: {1000 * (time.perf_counter() - start) / 200:.1f} ms each")


def memory() -> None:
    """The driver's memory, plan, ledger and rows of so many photos; each in a process of its own."""
    for count in (10_000, 40_000):
        here = str(Path(__file__).parent)
        code = f"import sys; sys.path.insert(0, {here!r}); import bench_cluster; bench_cluster._plan({count})"
        print(
            subprocess.run(
                [sys.executable, "-c", code], check=True, capture_output=True, text=True
            ).stdout.strip(),
            flush=True,
        )


def _plan(count: int) -> None:
    from anodewane.batch.folder import judge_folder
    from anodewane.batch.place import Entry, LocalFolder

    class Listed(LocalFolder):
        def entries(self, left_out: Any = None) -> Iterator[Entry]:  # noqa: ARG002 argument
            for i in range(count):
                yield Entry(f"Kittiwake {i % 997}/position {i}.jpg", 3_000_000 + i, f"stamp {i}", f"{i}")

        def is_there(self) -> bool:
            return True

    import anodewane.batch.folder as folder
    from anodewane.batch.execute import Engine
    from made.batch_doubles import InProcess

    folder.WORK = nothing
    with tempfile.TemporaryDirectory() as out:
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        start = time.perf_counter()
        real, folder.Ledger.append = folder.Ledger.append, _without_disk  # the disk has its own figures
        judge_folder(Listed(Path(out)), LocalFolder(Path(out) / "results"), engine=Engine(InProcess, 1, 256))
        folder.Ledger.append = real
        grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    print(
        f"driver, {count} photos: {grown / 1024:.0f} MB more than at the start, {1024 * grown / count:.0f} "
        f"bytes a photo, {time.perf_counter() - start:.1f} s in all"
    )


def _without_disk(self: Any, outcome: Any, likeness: str | None = None) -> None:
    from anodewane.batch.work import outcome_to_plain

    plain = outcome_to_plain(outcome)
    plain["likeness"] = likeness
    json.dumps(plain)
    self._keep(plain)


def judge() -> None:
    """Real photos through store, scheduler and workers, by one worker and by two, and in processes here."""
    from anodewane.batch import judge_folder
    from anodewane.batch.engines import dask_engine
    from anodewane.batch.execute import local_engine
    from anodewane.batch.storage import places_of
    from anodewane.catalog.templates import load_template
    from made.batch_doubles import SAMPLES, TEMPLATE, distinct

    photo = (SAMPLES / "replace.jpg").read_bytes()
    template, count = load_template(TEMPLATE), 24
    with store() as bucket, tempfile.TemporaryDirectory() as folder:
        for i in range(count):
            bucket.put(f"photos/Kittiwake/{i}.jpg", distinct(photo, i))
        rates: dict[str, float] = {}

        def timed(name: str, engine: Any) -> None:
            source, out = places_of("s3://bench-bucket/photos", f"s3://bench-bucket/{name.replace(' ', '-')}")
            start = time.perf_counter()
            judge_folder(source, out, template=template, engine=engine)
            rates[name] = count / (time.perf_counter() - start)
            print(f"{name}: {rates[name]:.2f} photos a second", flush=True)

        from anodewane.batch.execute import Engine
        from made.batch_doubles import InProcess

        for name, data in {"3": photo, "12": _larger(photo)}.items():
            for i in range(8):
                bucket.put(f"of {name} MP/Kittiwake/{i}.jpg", distinct(data, i))
            source, out = places_of(f"s3://bench-bucket/of {name} MP", f"s3://bench-bucket/judged {name} MP")
            judge_folder(source, out, template=template, engine=Engine(InProcess, 1))  # loads the libraries
            start = time.process_time()
            judge_folder(
                source,
                out,
                template=template,
                engine=Engine(InProcess, 1),
                only=("replace", "monitor", "ok", "cannot_judge"),
            )
            spent = (time.process_time() - start) / 8
            print(
                f"one core, {name} MP: {spent:.3f} s of the processor a photo, store, overlay and "
                f"summaries included: {3600 / spent:.0f} an hour",
                flush=True,
            )
        for workers in (1, 2):
            with cluster(workers) as c:
                engine = dask_engine(c.address)
                source, out = places_of("s3://bench-bucket/photos", f"s3://bench-bucket/warm{workers}")
                judge_folder(
                    source, out, template=template, engine=engine
                )  # every worker has loaded its libraries
                timed(f"Dask {workers}", dask_engine(c.address))
        timed("processes 2", local_engine(2))
        print(
            f"two workers against one: {rates['Dask 2'] / rates['Dask 1']:.2f}; Dask against processes "
            f"here, start included: {rates['Dask 2'] / rates['processes 2']:.2f}"
        )
        del folder


def _larger(photo: bytes) -> bytes:
    """The same photo with four times the pixels."""
    import io

    from PIL import Image

    with Image.open(io.BytesIO(photo)) as image:
        exif = image.getexif().tobytes()
        out = io.BytesIO()
        image.resize((2 * image.width, 2 * image.height), Image.Resampling.BICUBIC).save(
            out, "JPEG", quality=90, exif=exif
        )
    return out.getvalue()


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent))
    import bench_cluster  # tasks travel by their module's name

    for part in sys.argv[1:] or ["overhead", "storage", "memory", "judge"]:
        getattr(bench_cluster, part)()
