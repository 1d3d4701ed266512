"""A batch on a real Dask cluster on this machine: scheduler and workers as processes of their own,
photos and results on moto's S3 server, workers and driver killed."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("distributed", reason="the extra 'cluster' isn't installed")
pytest.importorskip("obstore", reason="the extra 'cluster' isn't installed")
pytest.importorskip("moto", reason="moto isn't installed")

from anodewane.batch import judge_folder
from anodewane.batch.engines import dask_engine
from anodewane.batch.storage import place_of, places_of
from anodewane.batch.work import Item, Outcome, RunConfig, judge_item
from anodewane.catalog.templates import load_template
from anodewane.cli import main
from anodewane.errors import ExitCode, UsageError
from made.batch_doubles import TEMPLATE, cheap_work, deadly_work, distinct, in_process, small_photo, tree
from made.cluster_doubles import Bucket, Cluster, make_bucket, s3_server, slow_work

pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings(
        "ignore::DeprecationWarning",
        "ignore::ResourceWarning",
        "ignore::UserWarning",
        "ignore::FutureWarning",
    ),
]


@pytest.fixture(scope="module")
def server() -> Iterator[dict[str, str]]:
    with s3_server() as env, pytest.MonkeyPatch.context() as patch:
        for name, value in env.items():
            patch.setenv(name, value)
        yield env


@pytest.fixture(scope="module")
def cluster(server: dict[str, str], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    made = Cluster(tmp_path_factory.mktemp("cluster"), 2)
    try:
        yield made
    finally:
        made.stop()


@pytest.fixture
def bucket(server: dict[str, str], request: pytest.FixtureRequest) -> Bucket:
    return make_bucket(server, "b-" + str(abs(hash(request.node.nodeid)))[:12])


def fill(bucket: Bucket, folder: Path, photos: dict[str, bytes]) -> None:
    """The same photos in the bucket and in a folder."""
    for name, data in photos.items():
        bucket.put(f"photos/{name}", data)
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)


def cheap_photos(count: int) -> dict[str, bytes]:
    return {
        f"Kittiwake {i % 7}/position {i}.jpg": (b"r", b"m", b"o", b"c")[i % 4] + b" photo %d" % i
        for i in range(count)
    }


def test_judged_by_the_cluster_equals_judged_here_byte_for_byte_though_a_worker_is_killed(
    cluster: Cluster, bucket: Bucket, tmp_path: Path
) -> None:
    """Real photos and the real judge; the driver never sees a photo."""
    photo = small_photo(side=700)
    photos = {f"Kittiwake/position {i}.jpg": distinct(photo, i) for i in range(4)} | {
        "Skua/keel.jpg": b"no photo"
    }
    fill(bucket, tmp_path / "photos", photos)
    template = load_template(TEMPLATE)
    source, out = places_of(f"s3://{bucket.name}/photos", f"s3://{bucket.name}/out")
    done: list[str] = []

    class KillOne:
        def begin(self, to_judge: int, kept: int) -> None:
            assert (to_judge, kept) == (5, 0)

        def step(self, outcome: Outcome) -> None:
            done.append(outcome.name)
            if len(done) == 2:
                cluster.kill(0)

    summary = judge_folder(
        source, out, template=template, engine=dask_engine(cluster.address, source, out), progress=KillOne()
    )
    assert sorted(done) == sorted(photos)
    assert dict(summary.counts) == {"replace": 4, "unreadable": 1}
    local = judge_folder(tmp_path / "photos", tmp_path / "out", template=template, engine=in_process())
    assert local.counts == summary.counts
    assert bucket.tree("out/") == tree(tmp_path / "out")


DRIVER = """
import sys
sys.path[:0] = {path!r}
import anodewane.batch.folder as folder
from anodewane.batch.engines import dask_engine
from anodewane.batch.storage import BucketFolder
from made.batch_doubles import cheap_work
from made.cluster_doubles import slow_work
from anodewane.batch import storage
folder.WORK = {work}
storage.FLUSH_S = 0.4
source, out = BucketFolder({source!r}), BucketFolder({out!r}, lease_s=1.5)

class Tell:
    def begin(self, to_judge, kept):
        print("begin", to_judge, kept, flush=True)
    def step(self, outcome):
        print("step", flush=True)

folder.judge_folder(source, out, engine=dask_engine({address!r}, source, out), progress=Tell())
print("end", flush=True)
"""


def driver(cluster: Cluster, bucket: Bucket, work: str) -> subprocess.Popen[str]:
    path = [str(Path(__file__).parents[1])]
    code = DRIVER.format(
        path=path,
        work=work,
        source=f"s3://{bucket.name}/photos",
        out=f"s3://{bucket.name}/out",
        address=cluster.address,
    )
    return subprocess.Popen(
        [sys.executable, "-c", code],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "DASK_LOGGING__DISTRIBUTED": "error"},
    )


def test_a_killed_driver_is_gone_on_with_and_the_result_is_the_same(
    cluster: Cluster, bucket: Bucket, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("anodewane.batch.folder.WORK", cheap_work)
    fill(bucket, tmp_path / "photos", cheap_photos(60))
    first = driver(cluster, bucket, "slow_work")
    assert first.stdout is not None
    began = None
    stopper = threading.Timer(120, first.kill)
    stopper.start()
    for n, line in enumerate(first.stdout):
        if n == 0:
            assert line.split() == ["begin", "60", "0"]
        began = began or time.monotonic()
        if n >= 10 and time.monotonic() - began > 1.2:  # the ledger has been written to at least once
            break
    stopper.cancel()
    assert n >= 10
    first.send_signal(signal.SIGKILL)
    first.wait()
    second = driver(cluster, bucket, "cheap_work")
    out, _ = second.communicate(timeout=180)
    begin = out.splitlines()[0].split()
    assert begin[0] == "begin"
    assert int(begin[1]) + int(begin[2]) == 60
    assert 5 <= int(begin[2]) < 60
    assert out.splitlines()[-1] == "end"
    judge_folder(tmp_path / "photos", tmp_path / "out", engine=in_process())
    assert bucket.tree("out/") == tree(tmp_path / "out")


def test_a_photo_that_kills_every_worker_is_told_and_the_others_are_judged(
    server: dict[str, str], bucket: Bucket, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Workers are started anew as they die, as Dask's nanny does."""
    monkeypatch.setattr("anodewane.batch.folder.WORK", deadly_work)
    photos = cheap_photos(12) | {"Skua/deadly.jpg": b"r deadly"}
    fill(bucket, tmp_path / "photos", photos)
    cluster = Cluster(tmp_path, 2, DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES="1")
    ended = threading.Event()

    def replace_the_dead() -> None:
        known = 0
        while not ended.wait(0.05):
            dead = sum(w.poll() is not None for w in cluster.workers)
            for _ in range(dead - known):
                cluster.add_worker()
            known = dead

    nanny = threading.Thread(target=replace_the_dead)
    nanny.start()
    try:
        source, out = places_of(f"s3://{bucket.name}/photos", f"s3://{bucket.name}/out")
        summary = judge_folder(source, out, engine=dask_engine(cluster.address, source, out))
    finally:
        ended.set()
        nanny.join()
        cluster.stop()
    assert dict(summary.counts) == {"replace": 3, "monitor": 3, "ok": 3, "cannot_judge": 3, "crashed": 1}


def test_a_lost_scheduler_ends_the_run_with_a_remedy_and_nothing_lost(
    server: dict[str, str], bucket: Bucket, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("anodewane.batch.folder.WORK", slow_work)
    fill(bucket, tmp_path / "photos", cheap_photos(120))
    cluster = Cluster(tmp_path, 1)

    class Stop:
        steps = 0

        def begin(self, to_judge: int, kept: int) -> None:
            return

        def step(self, outcome: Outcome) -> None:
            self.steps += 1
            if self.steps == 10:
                cluster.scheduler.kill()

    try:
        source, out = places_of(f"s3://{bucket.name}/photos", f"s3://{bucket.name}/out")
        with pytest.raises(UsageError, match="was lost") as caught:
            judge_folder(source, out, engine=dask_engine(cluster.address, source, out), progress=Stop())
        assert "goes on where it stopped" in caught.value.remedy
    finally:
        cluster.stop()
    monkeypatch.setattr("anodewane.batch.folder.WORK", cheap_work)
    summary = judge_folder(source, out, engine=in_process())
    assert summary.kept >= 10
    assert summary.photos == summary.kept + summary.judged_now == 120


def test_the_command_judges_a_bucket_on_a_cluster(
    cluster: Cluster, bucket: Bucket, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("anodewane.batch.folder.WORK", cheap_work)
    for name, data in cheap_photos(8).items():
        bucket.put(f"photos/{name}", data)
    arguments = [
        "batch",
        f"s3://{bucket.name}/photos",
        "--out",
        f"s3://{bucket.name}/out",
        "--engine",
        "dask",
        "--address",
        cluster.address,
    ]
    assert main(arguments) == ExitCode.BATCH_INCOMPLETE
    out, err = capfd.readouterr()
    totals = json.loads(out)
    assert totals["counts"] == {"replace": 2, "monitor": 2, "ok": 2, "cannot_judge": 2}
    assert totals["out"] == f"s3://{bucket.name}/out"
    assert f"s3://{bucket.name}/out/index.html" in err


def test_folders_that_all_machines_share_need_no_bucket(
    cluster: Cluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("anodewane.batch.folder.WORK", cheap_work)
    for name, data in cheap_photos(8).items():
        (tmp_path / "photos" / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "photos" / name).write_bytes(data)
    monkeypatch.chdir(tmp_path)
    assert (
        main(["batch", "photos", "--out", "out", "--quiet", "--engine", "dask", "--address", cluster.address])
        == ExitCode.BATCH_INCOMPLETE
    )
    judge_folder(tmp_path / "photos", tmp_path / "here", engine=in_process())
    assert tree(tmp_path / "out") == tree(tmp_path / "here")


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["--engine", "dask"], "no address"),
        (["--address", "tcp://127.0.0.1:1"], "no cluster"),
        (["--engine", "dask", "--address", "tcp://127.0.0.1:1", "--workers", "2"], "own workers"),
    ],
)
def test_options_that_do_not_go_together_are_refused(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], arguments: list[str], word: str
) -> None:
    (tmp_path / "photos").mkdir()
    assert (
        main(["batch", str(tmp_path / "photos"), "--out", str(tmp_path / "out"), *arguments])
        == ExitCode.USAGE
    )
    assert word in capfd.readouterr().err


def test_a_scheduler_that_does_not_answer_and_one_without_workers_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, server: dict[str, str]
) -> None:
    monkeypatch.setattr("anodewane.batch.engines.CONNECT_S", 1)
    with pytest.raises(UsageError, match="No Dask scheduler answers"):
        dask_engine("tcp://127.0.0.1:1")
    with pytest.raises(UsageError, match="No Dask scheduler answers"):
        dask_engine("nonsense://x")
    cluster = Cluster(tmp_path, 0)
    try:
        with pytest.raises(UsageError, match="has no workers"):
            dask_engine(cluster.address)
    finally:
        cluster.stop()


def test_workers_that_do_not_reach_the_photos_or_differ_are_told_before_the_work(
    cluster: Cluster, bucket: Bucket, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    with pytest.raises(UsageError, match="doesn't reach the photos"):
        dask_engine(cluster.address, place_of(f"s3://{bucket.name}/none"))
    monkeypatch.setattr("anodewane.version.own_version", lambda: "9.9.9")
    with pytest.raises(UsageError, match=r"other versions: anodewane .* 9\.9\.9 here"):
        dask_engine(cluster.address)


def test_what_travels_is_small(tmp_path: Path) -> None:
    """A task is the photo's name and the run's configuration: a few kilobytes, and no photo."""
    import cloudpickle

    from anodewane.judgement.method import Method
    from anodewane.records import Given

    template = load_template(TEMPLATE)
    config: Any = RunConfig(
        place_of("s3://bucket/photos"),
        place_of("s3://bucket/out"),
        Method(),
        {"t": template},
    )  # type: ignore[arg-type]
    item = Item("Kittiwake/keel.jpg", "Kittiwake/keel.jpg", "t", Given(), "d" * 32)
    assert len(cloudpickle.dumps((judge_item, item, config))) < 20_000
