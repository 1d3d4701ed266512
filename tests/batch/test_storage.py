"""Object storage as a place, against moto's S3 server, seen through boto3 as well: names, appending,
the lease, and a whole batch equal to the one in folders."""

from __future__ import annotations

import pickle
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("obstore", reason="the extra 'cloud' isn't installed")
pytest.importorskip("moto", reason="moto isn't installed")

from anodewane.batch import judge_folder
from anodewane.batch import storage as storage_module
from anodewane.batch.place import LEDGER_NAME, LOCK_NAME, LeftOut
from anodewane.batch.storage import BucketFolder, place_of, places_of
from anodewane.errors import InputUnreadable, OutputNotWritable, UsageError
from made.batch_doubles import cheap_work, in_process, tree
from made.cluster_doubles import Bucket, make_bucket, s3_server

pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning")

PHOTOS = {
    "Kittiwake/shaft port/1.jpg": "r one",
    "Kittiwake/rudder #2, 50%~.jpg": "o two",
    "Sea Aster/Kjøl ä/3.heic": "m three",
    "Sea Aster/keel/4.jpg": "c four is longer",
    "Sea Aster/fin/5.jpg": "u five is no photo",
    "Grey Heron/fin/again.jpg": "r one",
    "notes.txt": "not a photo",
}


@pytest.fixture(scope="module")
def server() -> Iterator[dict[str, str]]:
    with s3_server() as env, pytest.MonkeyPatch.context() as patch:
        for name, value in env.items():
            patch.setenv(name, value)
        yield env


@pytest.fixture
def bucket(server: dict[str, str], request: pytest.FixtureRequest) -> Bucket:
    return make_bucket(server, "b-" + str(abs(hash(request.node.nodeid)))[:12])


@pytest.fixture
def cheap(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("anodewane.batch.folder.WORK", cheap_work)
    monkeypatch.setattr(storage_module, "FLUSH_S", 0.2)


def place(bucket: Bucket, folder: str, **more: Any) -> BucketFolder:
    return BucketFolder(f"s3://{bucket.name}/{folder}", **more)


def test_what_is_written_is_what_another_client_reads(bucket: Bucket) -> None:
    there = place(bucket, "out")
    there.prepare()
    names = ["a b.jpg.json", "å ä#1%~ [x] {y}.jpg", "x/~y+&?.jpg", "deep/er/q\"'<>|.jpg", "a%20b.jpg"]
    for name in names:
        there.write(name, name.encode())
    assert sorted(bucket.keys()) == sorted(f"out/{n}" for n in names)
    assert {n: bucket.get(f"out/{n}") for n in names} == {n: n.encode() for n in names}
    assert sorted(e.name for e in there.entries()) == sorted(names)
    assert [there.read(n) for n in names] == [n.encode() for n in names]
    there.remove(names[0])
    there.remove("never there")
    assert f"out/{names[0]}" not in set(bucket.keys())
    assert pickle.loads(pickle.dumps(there)) == there
    assert b"test" not in pickle.dumps(there)  # no credentials travel


def test_equal_contents_are_alike_and_a_change_shows(bucket: Bucket) -> None:
    for name, data in {"p/1.jpg": b"same", "p/2.jpg": b"same", "p/3.jpg": b"else"}.items():
        bucket.put(name, data)
    entries = {e.name: e for e in place(bucket, "p").entries()}
    assert entries["1.jpg"].likeness == entries["2.jpg"].likeness != entries["3.jpg"].likeness
    bucket.put("p/1.jpg", b"diff")
    assert {e.name: e.stamp for e in place(bucket, "p").entries()}["1.jpg"] != entries["1.jpg"].stamp


def test_results_and_markers_of_folders_are_no_input(bucket: Bucket) -> None:
    for name in (
        "p/1.jpg",
        "p/out/1.jpg.overlay.jpg",
        f"p/old/{LEDGER_NAME}/000000000000.jsonl",
        "p/old/2.jpg.overlay.jpg",
    ):
        bucket.put(name, b"x")
    bucket.put("p/empty/", b"")
    source, _ = places_of(f"s3://{bucket.name}/p/", f"s3://{bucket.name}/p/out")
    left_out: list[LeftOut] = []
    assert isinstance(source, BucketFolder)
    assert [e.name for e in source.entries(left_out)] == ["1.jpg"]
    assert [(o.name, o.kind) for o in left_out] == [("old/", "output"), ("out/", "output")]


def test_lines_come_back_whole_and_in_order_from_many_pieces(bucket: Bucket) -> None:
    there = place(bucket, "out")
    assert list(there.lines("log")) == []
    there.append("log", [b"line 0", b"and 0"])
    assert there.next_piece("log") == 1
    for i in range(1, 150):
        there.put_piece("log", i, b"line %d\nand %d\n" % (i, i))
    assert list(there.lines("log")) == [line for i in range(150) for line in (b"line %d" % i, b"and %d" % i)]


def test_lines_are_gathered_and_put_in_time_and_at_the_end(
    bucket: Bucket, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(storage_module, "FLUSH_S", 0.3)
    there = place(bucket, "out")
    with there.lock():
        there.append(LEDGER_NAME, [b"first"])
        assert list(there.lines(LEDGER_NAME)) == [b"first"]  # marks the place at once
        for i in range(20):
            there.append(LEDGER_NAME, [b"%d" % i])
        assert len(bucket.keys(f"out/{LEDGER_NAME}/")) == 1
        deadline = time.monotonic() + 60
        while len(list(there.lines(LEDGER_NAME))) < 21 and time.monotonic() < deadline:
            time.sleep(0.05)
        assert len(bucket.keys(f"out/{LEDGER_NAME}/")) == 2
        there.append(LEDGER_NAME, [b"last"])
    assert list(there.lines(LEDGER_NAME))[-1] == b"last"
    assert f"out/{LOCK_NAME}" not in set(bucket.keys())


def test_a_place_that_is_held_is_refused_while_its_holder_lives(bucket: Bucket) -> None:
    there = place(bucket, "out", lease_s=1.5)
    with there.lock():
        began = time.monotonic()
        with pytest.raises(OutputNotWritable, match="Another batch is writing"), there.lock():
            pass
        assert time.monotonic() - began < 60


def test_a_lock_whose_holder_was_killed_is_taken_over_after_its_lease(bucket: Bucket) -> None:
    bucket.put(f"out/{LOCK_NAME}", b"its holder is gone")
    there = place(bucket, "out", lease_s=1.0)
    with there.lock():
        assert b"held_by" in bucket.get(f"out/{LOCK_NAME}")
    assert bucket.keys() == []


def test_a_holder_that_lost_its_lock_writes_nothing_more(bucket: Bucket) -> None:
    there = place(bucket, "out", lease_s=0.6)
    with pytest.raises(OutputNotWritable, match="Another batch is writing"), there.lock():
        there.append(LEDGER_NAME, [b"mine"])
        bucket.put(f"out/{LOCK_NAME}", b"another took it")
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            there.write("record.json", b"mine")
            time.sleep(0.05)
    assert bucket.get(f"out/{LOCK_NAME}") == b"another took it"


def test_a_piece_of_the_ledger_is_never_overwritten(bucket: Bucket) -> None:
    there = place(bucket, "out")
    with pytest.raises(OutputNotWritable, match="Another batch is writing"), there.lock():
        there.append(LEDGER_NAME, [b"first"])
        bucket.put(f"out/{LEDGER_NAME}/000000000001.jsonl", b"somebody else's\n")
        there.append(LEDGER_NAME, [b"mine"])
    assert list(there.lines(LEDGER_NAME)) == [b"first", b"somebody else's"]


@pytest.mark.parametrize(
    ("url", "word"),
    [("http://example.org/x", "can't lie at"), ("ftp://x/y", "can't lie at"), ("s3://", "can't be used")],
)
def test_an_address_that_cannot_be_used_is_refused(server: dict[str, str], url: str, word: str) -> None:
    with pytest.raises(UsageError) as caught:
        place_of(url)
    assert word in caught.value.message
    assert caught.value.remedy


def test_folders_stay_folders(server: dict[str, str]) -> None:
    assert place_of("photos/2026") == Path("photos/2026")
    assert place_of("file:///tmp/x") == Path("/tmp/x")
    assert place_of("C:/photos") == Path("C:/photos")


def test_results_may_not_go_where_the_photos_are(server: dict[str, str]) -> None:
    for source, out in (
        ("s3://bucket/a", "s3://bucket/a/"),
        ("s3://bucket/a/b", "s3://bucket/a"),
        ("s3://bucket/a", "s3://bucket"),
    ):
        with pytest.raises(UsageError, match="where the photos are"):
            places_of(source, out)
    places_of("s3://bucket/a", "s3://bucket/ab")


def test_what_is_not_there_is_said_in_one_sentence(bucket: Bucket) -> None:
    with pytest.raises(InputUnreadable) as caught:
        place(bucket, "p").read("none.jpg")
    assert "none.jpg" in caught.value.message
    assert "\n" not in caught.value.message
    assert not place(bucket, "p").is_there()
    gone = BucketFolder("s3://there-is-none/p")
    with pytest.raises(InputUnreadable):
        list(gone.entries())
    with pytest.raises(OutputNotWritable):
        gone.prepare()
    bucket.put("bad//name.jpg", b"x")
    with pytest.raises(InputUnreadable, match="name in"):
        list(place(bucket, "bad").entries())


def test_a_batch_on_storage_equals_one_in_folders_and_resumes(
    bucket: Bucket, tmp_path: Path, cheap: None
) -> None:
    for name, data in PHOTOS.items():
        bucket.put(f"photos/{name}", data.encode())
        path = tmp_path / "photos" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(data)
    local = judge_folder(tmp_path / "photos", tmp_path / "out", engine=in_process())
    source, out = places_of(f"s3://{bucket.name}/photos", f"s3://{bucket.name}/out")
    summary = judge_folder(source, out, engine=in_process())
    assert (summary.counts, summary.judged_now, summary.duplicates) == (
        local.counts,
        local.judged_now,
        local.duplicates,
    )
    assert bucket.tree("out/") == tree(tmp_path / "out")
    again = judge_folder(
        source, out, engine=in_process(before=lambda n: pytest.fail("nothing is to be judged"))
    )
    assert (again.judged_now, again.kept) == (0, summary.judged_now)
    bucket.put("photos/Kittiwake/rudder #2, 50%~.jpg", b"r changed")
    assert judge_folder(source, out, engine=in_process()).judged_now == 1


def test_photos_in_a_bucket_may_have_results_in_a_folder(bucket: Bucket, tmp_path: Path, cheap: None) -> None:
    for name, data in PHOTOS.items():
        bucket.put(f"photos/{name}", data.encode())
    source, out = places_of(f"s3://{bucket.name}/photos", str(tmp_path / "out"))
    assert judge_folder(source, out, engine=in_process()).photos == 6
    assert (tmp_path / "out" / "summary.csv").exists()


def test_a_run_that_breaks_off_is_gone_on_with(bucket: Bucket, tmp_path: Path, cheap: None) -> None:
    for name, data in PHOTOS.items():
        bucket.put(f"photos/{name}", data.encode())
        (tmp_path / "photos" / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "photos" / name).write_text(data)
    judge_folder(tmp_path / "photos", tmp_path / "out", engine=in_process())
    source, out = places_of(f"s3://{bucket.name}/photos", f"s3://{bucket.name}/out")

    def stop(n: int) -> None:
        if n == 4:
            raise OutputNotWritable("The network is gone.", "Wait.")

    with pytest.raises(OutputNotWritable):
        judge_folder(source, out, engine=in_process(before=stop))
    summary = judge_folder(source, out, engine=in_process())
    assert summary.judged_now + summary.kept == 5
    assert summary.kept >= 2
    assert bucket.tree("out/") == tree(tmp_path / "out")
