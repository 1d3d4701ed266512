"""Photos of one boat and position judged together: what goes together, one row a part, resume, and that
nothing is told twice."""

from __future__ import annotations

import csv
import io
import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

import anodewane
from anodewane.batch import BatchSummary, judge_folder, plan_folder
from anodewane.batch.placing import set_apart_by
from anodewane.batch.work import Outcome
from anodewane.catalog.sheet_label import label_of
from anodewane.catalog.templates import load_template
from anodewane.errors import ExitCode, OutputNotWritable
from anodewane.testing import Scene, WearPattern, encode_jpeg, erode, look_at, placement, render
from made.batch_doubles import cheap_label, cheap_work, in_process, tree


@pytest.fixture
def cheap(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("anodewane.batch.folder.WORK", cheap_work)
    monkeypatch.setattr("anodewane.batch.folder.READ_LABEL", cheap_label)


CONTENTS = {
    "Kittiwake/keel/above.jpg": "r keel from above",
    "Kittiwake/keel/low.jpg": "r keel low",
    "Kittiwake/keel/side.jpg": "r keel from the side",
    "Kittiwake/rudder.jpg": "o alone",
    "Sea Aster/fin/1.jpg": "m fin from above",
    "Sea Aster/fin/2.jpg": "x of another part",
    "IMG_0006.jpg": "m one labelled Skua/prop",
    "IMG_0007.jpg": "m two labelled Skua/prop",
    "IMG_0008.jpg": "o nowhere",
}


def put(folder: Path, contents: dict[str, str]) -> Path:
    for name, content in contents.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(content)
    return folder


@pytest.fixture
def photos(tmp_path: Path) -> Path:
    return put(tmp_path / "photos", CONTENTS)


def judge(photos: Path, out: Path, before: Callable[[int], None] | None = None, **more: Any) -> BatchSummary:
    return judge_folder(photos, out, engine=in_process(before), same_part=True, **more)


def rows(out: Path) -> dict[str, dict[str, Any]]:
    return {
        r["path"]: r
        for r in map(json.loads, (out / "summary.jsonl").read_text(encoding="utf-8").splitlines())
    }


@pytest.mark.usefixtures("cheap")
def test_one_row_a_part_with_the_names_of_its_photos(photos: Path, tmp_path: Path) -> None:
    summary = judge(photos, tmp_path / "out")
    assert (summary.photos, summary.parts, summary.judged_now, summary.not_judged, summary.unplaced) == (
        9,
        5,
        5,
        1,
        1,
    )
    assert dict(summary.counts) == {"replace": 1, "monitor": 1, "ok": 2, "cannot_judge": 1}
    found = rows(tmp_path / "out")
    assert {path: tuple(r["photos"]) for path, r in found.items()} == {
        "IMG_0006.jpg": ("IMG_0006.jpg", "IMG_0007.jpg"),
        "IMG_0008.jpg": ("IMG_0008.jpg",),
        "Kittiwake/keel/above.jpg": (
            "Kittiwake/keel/above.jpg",
            "Kittiwake/keel/low.jpg",
            "Kittiwake/keel/side.jpg",
        ),
        "Kittiwake/rudder.jpg": ("Kittiwake/rudder.jpg",),
        "Sea Aster/fin/1.jpg": ("Sea Aster/fin/1.jpg", "Sea Aster/fin/2.jpg"),
    }
    skua = found["IMG_0006.jpg"]
    assert (skua["boat"], skua["position"], skua["placed_by"]) == ("Skua", "prop", "label")
    assert found["Sea Aster/fin/1.jpg"]["verdict"] is None, (
        "refused together, it isn't judged alone on the quiet"
    )
    record = json.loads((tmp_path / "out" / "Kittiwake/keel/above.jpg.json").read_bytes())
    assert [n for n, _ in record["others"]] == ["low.jpg", "side.jpg"]
    table = list(
        csv.DictReader(io.StringIO((tmp_path / "out" / "summary.csv").read_bytes().decode("utf-8-sig")))
    )
    assert [r["photos"] for r in table if r["position"] == "keel"] == [
        "Kittiwake/keel/above.jpg; Kittiwake/keel/low.jpg; Kittiwake/keel/side.jpg"
    ]
    page = (tmp_path / "out" / "index.html").read_text(encoding="utf-8")
    assert "9 photos of 5 parts" in page
    assert "3 photos together: Kittiwake/keel/above.jpg, low.jpg, side.jpg" in page


@pytest.mark.usefixtures("cheap")
def test_a_second_run_judges_nothing_and_changes_nothing(photos: Path, tmp_path: Path) -> None:
    judge(photos, tmp_path / "out")
    before = tree(tmp_path / "out")
    for folder in (photos, Path(shutil.copytree(photos, tmp_path / "copy"))):
        summary = judge(folder, tmp_path / "out", lambda _: pytest.fail("judged or read again"))
        assert (summary.judged_now, summary.kept) == (0, 5)
    judge(photos, tmp_path / "out")  # the page's heading has the folder's name
    assert tree(tmp_path / "out") == before


@pytest.mark.usefixtures("cheap")
@pytest.mark.parametrize("stop_at", [1, 4, 10, 11, 12, 13])
def test_stopped_anywhere_and_run_again_it_is_the_same(stop_at: int, photos: Path, tmp_path: Path) -> None:
    """Calls 1 to 9 read labels, 10 to 14 judge."""

    calls: list[int] = []

    def stop(number: int) -> None:
        calls.append(number)
        if len(calls) == stop_at:
            raise OutputNotWritable("Stopped.", "Go on.")

    judge(photos, tmp_path / "unbroken")
    with pytest.raises(OutputNotWritable):
        judge(photos, tmp_path / "out", stop)
    judge(photos, tmp_path / "out")
    assert tree(tmp_path / "out") == tree(tmp_path / "unbroken")


DRIVER = """
import os, signal, sys
from pathlib import Path
sys.path[:0] = [{path!r}]
import anodewane.batch.folder as folder
from made.batch_doubles import cheap_label, cheap_work, in_process
folder.WORK, folder.READ_LABEL = cheap_work, cheap_label
calls = 0
def write(self, name, data, kept=folder.LocalFolder.write):
    global calls
    calls += 1
    if calls == {at}:
        os.kill(os.getpid(), signal.SIGKILL)
    kept(self, name, data)
folder.LocalFolder.write = write
folder.judge_folder({photos!r}, {out!r}, engine=in_process(), same_part=True)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
@pytest.mark.usefixtures("cheap")
@pytest.mark.parametrize("at", [2, 6, 9])
def test_killed_between_a_part_s_outputs_and_run_again_it_is_the_same(
    at: int, photos: Path, tmp_path: Path
) -> None:
    code = DRIVER.format(
        path=str(Path(__file__).parents[1]), photos=str(photos), out=str(tmp_path / "out"), at=at
    )
    assert (
        subprocess.run([sys.executable, "-c", code], check=False, timeout=120, capture_output=True).returncode
        == -9
    )
    judge(photos, tmp_path / "out")
    judge(photos, tmp_path / "unbroken")
    assert tree(tmp_path / "out") == tree(tmp_path / "unbroken")


@pytest.mark.usefixtures("cheap")
@pytest.mark.parametrize("change", ["added", "changed", "taken away", "changed later one"])
def test_a_part_is_judged_anew_when_any_of_its_photos_changes(
    change: str, photos: Path, tmp_path: Path
) -> None:
    judge(photos, tmp_path / "out")
    keel = photos / "Kittiwake" / "keel"
    if change == "added":
        (keel / "again.jpg").write_text("r keel once more")
    elif change == "taken away":
        (keel / "side.jpg").unlink()
    else:
        (keel / ("above.jpg" if change == "changed" else "side.jpg")).write_text("r keel another shot")
    summary = judge(photos, tmp_path / "out")
    assert (summary.judged_now, summary.kept) == (1, 4)
    judge(photos, tmp_path / "unbroken")
    assert tree(tmp_path / "out") == tree(tmp_path / "unbroken")


@pytest.mark.usefixtures("cheap")
def test_together_and_alone_by_turns_leave_nothing_told_twice(photos: Path, tmp_path: Path) -> None:
    judge_folder(photos, tmp_path / "alone", engine=in_process())
    judge(photos, tmp_path / "together")
    judge_folder(photos, tmp_path / "out", engine=in_process())
    judge(photos, tmp_path / "out")
    assert tree(tmp_path / "out") == tree(tmp_path / "together")
    judge_folder(photos, tmp_path / "out", engine=in_process())
    assert {k: v for k, v in tree(tmp_path / "out").items() if not k.startswith("summary")}.keys() == {
        k for k in tree(tmp_path / "alone") if not k.startswith("summary")
    }


@pytest.mark.usefixtures("cheap")
def test_a_part_that_moved_to_another_folder_isn_t_judged_again(photos: Path, tmp_path: Path) -> None:
    judge(photos, tmp_path / "out")
    (photos / "Kittiwake" / "keel").rename(photos / "Kittiwake" / "keel aft")
    summary = judge(photos, tmp_path / "out", lambda _: pytest.fail("judged again"))
    assert (summary.judged_now, summary.kept, summary.gone) == (0, 5, 1)
    assert (
        rows(tmp_path / "out")["Kittiwake/keel aft/above.jpg"]["record"]
        == "Kittiwake/keel aft/above.jpg.json"
    )


@pytest.mark.usefixtures("cheap")
def test_copies_are_used_once_and_every_photo_is_accounted_for(photos: Path, tmp_path: Path) -> None:
    put(
        photos,
        {
            "Kittiwake/keel/low (1).jpg": "r keel low",
            "Grey Heron/fin/z.jpg": "r keel low",
            "Skua/fin/z.jpg": "r keel low",
        },
    )
    summary = judge(photos, tmp_path / "out")
    found = rows(tmp_path / "out")
    keel = found["Kittiwake/keel/above.jpg"]
    assert keel["photos"] == [f"Kittiwake/keel/{n}.jpg" for n in ("above", "low (1)", "side")]
    assert any(
        "low.jpg is the same photo as Kittiwake/keel/low (1).jpg: it is used once." in n
        for n in summary.notes
    )
    # elsewhere the same photo stands by itself: judged there once, since the part's record is of others too
    assert found["Grey Heron/fin/z.jpg"]["duplicate_of"] is None
    assert found["Skua/fin/z.jpg"]["duplicate_of"] == "Grey Heron/fin/z.jpg"
    assert (summary.photos, summary.parts, summary.duplicates) == (12, 7, 2)


@pytest.mark.usefixtures("cheap")
def test_nine_photos_or_two_weights_are_no_part(photos: Path, tmp_path: Path) -> None:
    put(photos, {f"Kittiwake/keel/more {i}.jpg": f"r more {i}" for i in range(6)})
    put(photos, {"photos.csv": "file,weighed_g\nSea Aster/fin/1.jpg,400\nSea Aster/fin/2.jpg,300\n"})
    summary = judge(photos, tmp_path / "out")
    assert summary.parts == 9 + 1 + 2 + 1 + 1
    assert any(n.startswith("Kittiwake, keel has 9 photos") for n in summary.notes)
    assert any("Sea Aster, fin: photos.csv gives its photos more than one weight" in n for n in summary.notes)


@pytest.mark.usefixtures("cheap")
def test_a_weight_of_one_photo_is_the_part_s(photos: Path, tmp_path: Path) -> None:
    put(photos, {"photos.csv": "file,weighed_g\nKittiwake/keel/side.jpg,400\n"})
    (item,) = (
        i
        for i in plan_folder(photos, tmp_path / "out", same_part=True).items
        if i.name == "Kittiwake/keel/above.jpg"
    )
    assert item.given.weighed_g == 400
    assert item.others == ("Kittiwake/keel/low.jpg", "Kittiwake/keel/side.jpg")


@pytest.mark.usefixtures("cheap")
def test_only_judges_those_parts_again(photos: Path, tmp_path: Path) -> None:
    judge(photos, tmp_path / "out")
    before = tree(tmp_path / "out")
    summary = judge(photos, tmp_path / "out", only=("cannot_judge",))
    assert (summary.judged_now, summary.kept) == (1, 4)
    assert tree(tmp_path / "out") == before


@pytest.mark.usefixtures("cheap")
def test_a_part_whose_photos_crash_is_told_once_and_tried_again(
    photos: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def dying(item: Any, config: Any) -> Outcome:
        if item.others:
            return Outcome(
                item.name,
                item.out_name,
                item.digest,
                "crashed",
                final=False,
                reasons=(("crashed", "It died.", "Again."),),
            )
        return cheap_work(item, config)

    monkeypatch.setattr("anodewane.batch.folder.WORK", dying)
    assert judge(photos, tmp_path / "out").counts["crashed"] == 3
    monkeypatch.setattr("anodewane.batch.folder.WORK", cheap_work)
    assert judge(photos, tmp_path / "out", only=("crashed",)).judged_now == 3


@pytest.mark.parametrize(
    ("name", "levels", "apart"),
    [
        ("Kittiwake/keel/1.jpg", None, ()),
        ("2026-10-14/Kittiwake/keel/1.jpg", None, ("2026-10-14",)),
        ("DCIM/100APPLE/1.jpg", None, ()),
        ("Kittiwake/keel/aft/1.jpg", None, ("aft",)),
        ("Kittiwake/keel/101CANON/1.jpg", None, ()),
        ("autumn/Kittiwake/keel/1.jpg", ("-", "boat", "position"), ("autumn",)),
    ],
)
def test_dates_and_deeper_folders_set_photos_apart(
    name: str, levels: tuple[str, ...] | None, apart: tuple[str, ...]
) -> None:
    assert set_apart_by(name, levels) == apart


# --- the real judge ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str, int]:
    """A plate from above and from the side on a labelled card, judged by the command; no folder says
    what is what. The results, what was printed, the exit code."""
    folder = tmp_path_factory.mktemp("yard")
    (folder / "photos").mkdir()
    template = load_template("plate-150x75x20-2slots")
    worn = erode(template, WearPattern(depth_mm=4.0, unevenness=0.3, seed=3), step_mm=1.8)
    for name, tilt, azimuth in (("IMG_0001", 46, 60), ("IMG_0002", 8, 100)):
        camera = look_at(
            (0, 60), distance_mm=520, tilt_deg=tilt, azimuth_deg=azimuth, width=1600, height=1200
        )
        scene = Scene(layout="card", ground="plywood", label=label_of("Sea Aster", "keel"))
        picture = render(
            template,
            worn,
            camera,
            scene,
            sheet_from_part=placement(5.0, (0.0, 130.0)),
            width=1600,
            height=1200,
        )
        (folder / "photos" / f"{name}.jpg").write_bytes(
            encode_jpeg(np.ascontiguousarray(picture.rgb), f35=26)
        )
    command = [
        sys.executable,
        "-m",
        "anodewane",
        "batch",
        str(folder / "photos"),
        "--out",
        str(folder / "out"),
        "--same-part",
        "--template",
        template.name,
    ]
    done = subprocess.run(
        [*command, "--workers", "1"], capture_output=True, text=True, check=False, timeout=300
    )
    assert "2 photos of 1 part" in done.stderr
    return folder / "out", done.stdout, done.returncode


@pytest.mark.slow
def test_the_command_puts_photos_together_by_their_labels(yard: tuple[Path, str, int]) -> None:
    out, printed, code = yard
    assert code == ExitCode.JUDGED
    totals = json.loads(printed)
    assert (totals["photos"], totals["parts"], totals["not_judged"]) == (2, 1, 0)
    keel = rows(out)["IMG_0001.jpg"]
    assert (keel["boat"], keel["position"], keel["placed_by"]) == ("Sea Aster", "keel", "label")
    assert keel["photos"] == ["IMG_0001.jpg", "IMG_0002.jpg"]
    record = anodewane.verdict_from_json((out / keel["record"]).read_bytes())
    assert record.mass is not None
    assert record.mass.method == "views"
    assert [v.name for v in record.views] == ["IMG_0002.jpg", "IMG_0001.jpg"]
    assert keel["consumed"]["mass_pct"]["value"] == pytest.approx(
        record.consumed.mass_pct.value if record.consumed else None, abs=0.01
    )
    with Image.open(out / keel["overlay"]) as picture:
        assert picture.width > 1200  # both photos side by side
    with Image.open(out / "thumbnails" / "IMG_0001.jpg.jpg") as picture:
        assert max(picture.size) == 400


def test_the_book_takes_a_part_once(yard: tuple[Path, str, int], tmp_path: Path) -> None:
    from anodewane.book.intake import find_records, place_records

    found, notes = find_records(yard[0])
    assert notes == []
    assert [(f.boat, f.position) for f in found] == [("Sea Aster", "keel")]
    with anodewane.new_book(tmp_path / "yard.book") as book:
        book.add_boat("Sea Aster")
        book.add_position("Sea Aster", "keel")
        book.haul_out("Sea Aster", date(2026, 10, 1))
        intake = place_records(book, found, date(2026, 10, 1))
        assert intake.problems == ()
        assert book.record(intake.judgements).new == 1
        assert [j.mass_method for j in book.judgements("Sea Aster")] == ["views"]
