"""A whole batch with cheap work: resume, what is judged again and what isn't, and that the result is
the same in however many goes it was made."""

from __future__ import annotations

import csv
import io
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from anodewane.batch import BatchSummary, judge_folder, plan_folder
from anodewane.batch.place import LEDGER_NAME, LocalFolder
from anodewane.catalog.templates import load_template, template_to_toml
from anodewane.errors import InputUnreadable, OutputNotWritable, UsageError
from anodewane.judgement.method import Method
from anodewane.settings import Settings
from made.batch_doubles import cheap_work, faulty_work, in_process, tree


@pytest.fixture(autouse=True)
def cheap(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("anodewane.batch.folder.WORK", cheap_work)


@pytest.fixture
def photos(tmp_path: Path) -> Path:
    contents = {
        "Kittiwake/shaft port/1.jpg": "r one",
        "Kittiwake/rudder.jpg": "o two",
        "Sea Aster/keel/3.heic": "m three",
        "Sea Aster/keel/4.jpg": "c four is longer",
        "Sea Aster/fin/5.jpg": "u five is no photo",
        "Grey Heron/fin/again.jpg": "r one",
        "IMG_0006.jpg": "r six labelled",
    }
    for name, content in contents.items():
        path = tmp_path / "photos" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(content)
    return tmp_path / "photos"


def judge(photos: Path, out: Path, before: Callable[[int], None] | None = None, **more: Any) -> BatchSummary:
    return judge_folder(photos, out, engine=in_process(before), **more)


def rows(out: Path) -> dict[str, dict[str, Any]]:
    return {
        r["path"]: r
        for r in map(json.loads, (out / "summary.jsonl").read_text(encoding="utf-8").splitlines())
    }


def test_one_row_a_photo_and_place(photos: Path, tmp_path: Path) -> None:
    summary = judge(photos, tmp_path / "out")
    assert dict(summary.counts) == {"replace": 3, "monitor": 1, "ok": 1, "cannot_judge": 1, "unreadable": 1}
    assert (
        summary.photos,
        summary.not_judged,
        summary.judged_now,
        summary.kept,
        summary.duplicates,
        summary.unplaced,
    ) == (7, 2, 6, 0, 1, 0)
    found = rows(tmp_path / "out")
    keys = {
        "path",
        "boat",
        "position",
        "photo_sha256",
        "record",
        "status",
        "verdict",
        "consumed",
        "template",
        "taken",
    }
    assert all(keys <= set(r) for r in found.values())
    again = found["Kittiwake/shaft port/1.jpg"]
    assert again["duplicate_of"] == "Grey Heron/fin/again.jpg"
    assert again["record"] == "Grey Heron/fin/again.jpg.json"
    assert (again["boat"], again["position"]) == ("Kittiwake", "shaft port")
    label = found["IMG_0006.jpg"]
    assert (label["boat"], label["position"], label["placed_by"]) == ("Label Boat", "label position", "label")
    assert found["Sea Aster/fin/5.jpg"]["record"] is None
    assert found["Sea Aster/fin/5.jpg"]["consumed"] is None
    for row in found.values():
        if row["record"]:
            assert (
                json.loads((tmp_path / "out" / row["record"]).read_bytes())["sha256"] == row["photo_sha256"]
            )
            assert (tmp_path / "out" / row["overlay"]).exists()


def test_a_label_that_contradicts_the_folder_is_told(photos: Path, tmp_path: Path) -> None:
    (photos / "IMG_0006.jpg").rename(photos / "Kittiwake" / "IMG_0006.jpg")
    summary = judge(photos, tmp_path / "out")
    assert (
        "Kittiwake/IMG_0006.jpg: boat 'Label Boat' by the label on the sheet, 'Kittiwake' by its folder; "
        "the first is taken." in summary.notes
    )


def test_a_second_run_judges_nothing_and_changes_nothing(photos: Path, tmp_path: Path) -> None:
    judge(photos, tmp_path / "out")
    before = tree(tmp_path / "out")
    summary = judge(photos, tmp_path / "out", lambda _: pytest.fail("judged again"))
    assert (summary.judged_now, summary.kept) == (0, 6)
    assert tree(tmp_path / "out") == before


@pytest.mark.parametrize("stop_at", range(1, 7))
def test_stopped_anywhere_and_run_again_it_is_the_same(stop_at: int, photos: Path, tmp_path: Path) -> None:
    def stop(number: int) -> None:
        if number == stop_at:
            raise OutputNotWritable("Stopped.", "Go on.")

    judge(photos, tmp_path / "unbroken")
    with pytest.raises(OutputNotWritable):
        judge(photos, tmp_path / "out", stop)
    summary = judge(photos, tmp_path / "out")
    assert summary.judged_now + summary.kept == 6
    assert tree(tmp_path / "out") == tree(tmp_path / "unbroken")


@pytest.mark.parametrize("share", [0.0, 0.1, 0.35, 0.5, 0.77, 0.9, 0.999])
def test_a_ledger_cut_short_anywhere_is_survived(share: float, photos: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    judge(photos, out)
    before = tree(out)
    ledger = (out / LEDGER_NAME).read_bytes()
    (out / LEDGER_NAME).write_bytes(ledger[: int(len(ledger) * share)])
    judge(photos, out)
    assert tree(out) == before
    summary = judge(photos, out, lambda _: pytest.fail("what was judged after the cut was lost"))
    assert summary.kept == 6


def test_touched_and_copied_photos_are_known_by_content(photos: Path, tmp_path: Path) -> None:
    judge(photos, tmp_path / "out")
    shutil.copytree(photos, tmp_path / "copy")  # other times, other inodes, another place
    summary = judge(tmp_path / "copy", tmp_path / "out", lambda _: pytest.fail("judged again"))
    assert summary.kept == 6


def test_a_changed_photo_is_judged_again(photos: Path, tmp_path: Path) -> None:
    judge(photos, tmp_path / "out")
    (photos / "Kittiwake/rudder.jpg").write_text("r two")
    assert judge(photos, tmp_path / "out").judged_now == 1
    assert rows(tmp_path / "out")["Kittiwake/rudder.jpg"]["verdict"] == "replace"
    (photos / "Kittiwake/rudder.jpg").write_text("u two")
    judge(photos, tmp_path / "out")
    assert not (tmp_path / "out/Kittiwake/rudder.jpg.json").exists(), "the record of another content"


def test_a_photo_moved_to_another_folder_isn_t_judged_again(photos: Path, tmp_path: Path) -> None:
    judge(photos, tmp_path / "out")
    (photos / "Sea Aster/rudder").mkdir()
    (photos / "Sea Aster/keel/4.jpg").rename(photos / "Sea Aster/rudder/4.jpg")
    summary = judge(photos, tmp_path / "out", lambda _: pytest.fail("judged again"))
    assert summary.gone == 1
    judge(photos, tmp_path / "unbroken")
    moved, unbroken = tree(tmp_path / "out"), tree(tmp_path / "unbroken")
    assert {k: v for k, v in moved.items() if "keel/4.jpg" not in k} == unbroken


def test_a_lost_output_is_made_again(photos: Path, tmp_path: Path) -> None:
    judge(photos, tmp_path / "out")
    before = tree(tmp_path / "out")
    (tmp_path / "out/Kittiwake/rudder.jpg.json").unlink()
    (tmp_path / "out/Sea Aster/keel/3.heic.overlay.jpg").write_bytes(b"cut")
    assert judge(photos, tmp_path / "out").judged_now == 2
    assert tree(tmp_path / "out") == before


@pytest.mark.parametrize(
    "change",
    [
        {"method": Method(Settings(limit_pct=40.0))},
        {"template": load_template("rod-90x32")},
        {"method": Method(segmenter="classical")},
        {"check_line_mm": (99.0, 99.0)},
    ],
    ids=["settings", "template", "segmenter", "check line"],
)
def test_what_decides_a_result_is_part_of_the_key(
    change: dict[str, Any], photos: Path, tmp_path: Path
) -> None:
    judge(photos, tmp_path / "out")
    assert judge(photos, tmp_path / "out", **change).judged_now == 6
    assert judge(photos, tmp_path / "out").judged_now == 0, "and the way back is known still"


def test_a_weight_in_the_list_touches_its_photo_only(photos: Path, tmp_path: Path) -> None:
    judge(photos, tmp_path / "out")
    (photos / "photos.csv").write_text("file,weighed_g\nKittiwake/rudder.jpg,800\n", encoding="utf-8")
    assert judge(photos, tmp_path / "out").judged_now == 1


def test_a_template_beside_the_list(photos: Path, tmp_path: Path) -> None:
    (photos / "Kittiwake/fin.toml").write_text(template_to_toml(load_template("rod-90x32")), encoding="utf-8")
    (photos / "Kittiwake/photos.csv").write_text("file,template\n.,fin.toml\n", encoding="utf-8")
    job = plan_folder(photos, tmp_path / "out")
    assert {i.name: i.template is not None for i in job.items if i.name.startswith(("Kittiwake", "Sea"))} == {
        "Kittiwake/rudder.jpg": True,
        "Kittiwake/shaft port/1.jpg": True,  # no duplicate: it is judged against another template
        "Sea Aster/fin/5.jpg": False,
        "Sea Aster/keel/3.heic": False,
        "Sea Aster/keel/4.jpg": False,
    }
    assert [t.name for t in job.templates.values()] == ["rod-90x32"]
    (photos / "Kittiwake/photos.csv").write_text("file,template\n.,missing.toml\n", encoding="utf-8")
    with pytest.raises(UsageError, match=r"missing\.toml"):
        plan_folder(photos, tmp_path / "out")


def test_only_runs_those_again_and_leaves_the_rest(photos: Path, tmp_path: Path) -> None:
    judge(photos, tmp_path / "out")
    (photos / "Kittiwake/new.jpg").write_text("o new and long")
    again: list[int] = []
    summary = judge(
        photos,
        tmp_path / "out",
        again.append,
        only=("cannot_judge", "unreadable"),
        method=Method(Settings(limit_pct=40.0)),
    )
    assert len(again) == 2
    assert dict(summary.counts) == {
        "replace": 3,
        "monitor": 1,
        "ok": 1,
        "cannot_judge": 1,
        "unreadable": 1,
        "pending": 1,
    }
    with pytest.raises(UsageError, match="no outcome 'bad'"):
        judge(photos, tmp_path / "out", only=("bad",))


def test_a_fault_is_a_row_and_tried_again(
    photos: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The real `judge_item` around a judgement that breaks."""
    from anodewane.batch import folder, work

    monkeypatch.setattr(folder, "WORK", work.judge_item)
    monkeypatch.setattr(work, "_judge", faulty_work)
    summary = judge(photos, tmp_path / "out")
    assert dict(summary.counts) == {"fault": 7}
    reason = rows(tmp_path / "out")["IMG_0006.jpg"]["reasons"][0]
    assert reason["code"] == "fault"
    assert "RuntimeError: IMG_0006.jpg" in reason["message"]
    monkeypatch.setattr(folder, "WORK", cheap_work)
    assert judge(photos, tmp_path / "out").judged_now == 6


def test_dry_run_writes_nothing(photos: Path, tmp_path: Path) -> None:
    job = plan_folder(photos, tmp_path / "out")
    assert len(job.items) == 6
    assert not (tmp_path / "out").exists()


def test_results_may_lie_inside_the_folder(photos: Path) -> None:
    judge(photos, photos / "out")
    first = tree(photos / "out")
    summary = judge(photos, photos / "out")
    assert (summary.photos, summary.judged_now) == (7, 0)
    assert summary.skipped == {"output": 1}
    assert tree(photos / "out") == first


@pytest.mark.parametrize("out", ["photos", ".", "photos/../photos"])
def test_results_never_go_where_the_photos_are(out: str, photos: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="where the photos are"):
        judge(photos, tmp_path / out)


def test_a_folder_without_photos(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputUnreadable, match="no photos"):
        judge(tmp_path / "empty", tmp_path / "out")
    with pytest.raises(InputUnreadable, match="can't be read"):
        judge(tmp_path / "missing", tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_folder_that_vanishes_midway(photos: Path, tmp_path: Path) -> None:
    """A disk that is pulled out makes no rows of unreadable photos; back again, the batch goes on."""

    def pull(number: int) -> None:
        if number == 3:
            photos.rename(tmp_path / "away")

    judge(photos, tmp_path / "unbroken")
    with pytest.raises(InputUnreadable, match="has vanished"):
        judge(photos, tmp_path / "out", pull)
    pending = [r["path"] for r in rows(tmp_path / "out").values() if r["status"] == "pending"]
    assert pending
    (tmp_path / "away").rename(photos)
    judge(photos, tmp_path / "out")
    assert tree(tmp_path / "out") == tree(tmp_path / "unbroken")


def test_an_out_that_vanishes_midway_isn_t_made_anew_elsewhere(photos: Path, tmp_path: Path) -> None:
    out = tmp_path / "disk" / "out"
    out.parent.mkdir()

    def pull(number: int) -> None:
        if number == 3:
            out.rename(tmp_path / "away")

    judge(photos, tmp_path / "unbroken")
    with pytest.raises(OutputNotWritable, match=r"vanished|can't be written"):
        judge(photos, out, pull)
    assert not out.exists()
    (tmp_path / "away").rename(out)
    judge(photos, out)
    assert tree(out) == tree(tmp_path / "unbroken")


def test_one_photo_that_can_t_be_fetched_is_a_row_and_tried_again(photos: Path, tmp_path: Path) -> None:
    def lose(number: int) -> None:
        if number == 2:
            (photos / "Sea Aster").rename(tmp_path / "aside")

    summary = judge(photos, tmp_path / "out", lose)
    assert summary.counts["unreadable"] == 3
    (tmp_path / "aside").rename(photos / "Sea Aster")
    judge(photos, tmp_path / "out")
    judge(photos, tmp_path / "unbroken")
    assert tree(tmp_path / "out") == tree(tmp_path / "unbroken")


def test_two_runs_at_once_are_refused(photos: Path, tmp_path: Path) -> None:
    out = LocalFolder(tmp_path / "out")
    out.prepare()
    with out.lock(), pytest.raises(OutputNotWritable, match="Another batch is writing"):
        judge(photos, tmp_path / "out")
    assert judge(photos, tmp_path / "out").judged_now == 6


def test_half_written_files_of_a_killed_run_are_removed(photos: Path, tmp_path: Path) -> None:
    judge(photos, tmp_path / "out")
    part = tmp_path / "out/Kittiwake/.rudder.jpg.json.0123abcd.part"
    part.write_bytes(b"half")
    judge(photos, tmp_path / "out")
    assert not part.exists()


def test_a_ledger_of_a_later_version_is_refused(photos: Path, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / LEDGER_NAME).write_text('{"ledger":99}\n')
    with pytest.raises(OutputNotWritable, match="version 99"):
        judge(photos, tmp_path / "out")


def test_csv_and_jsonl_say_the_same(photos: Path, tmp_path: Path) -> None:
    judge(photos, tmp_path / "out")
    table = list(csv.DictReader(io.StringIO((tmp_path / "out/summary.csv").read_bytes().decode("utf-8-sig"))))
    found = rows(tmp_path / "out")
    assert [r["path"] for r in table] == list(found)
    for r in table:
        assert r["verdict"] == (found[r["path"]]["verdict"] or found[r["path"]]["status"])
        assert r["photo_sha256"] == found[r["path"]]["photo_sha256"]


def test_fewer_photos_leave_no_page_behind(
    photos: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("anodewane.batch.contact_sheet.PHOTOS_A_PAGE", 2)
    judge(photos, tmp_path / "out")
    assert {p.name for p in (tmp_path / "out").glob("index*.html")} == {
        "index.html",
        "index-2.html",
        "index-3.html",
        "index-4.html",
    }
    shutil.rmtree(photos / "Sea Aster")
    judge(photos, tmp_path / "out")
    assert {p.name for p in (tmp_path / "out").glob("index*.html")} == {"index.html", "index-2.html"}
