"""One photo's work on real photos: record, pictures and row, and the label that the sheet carries."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from anodewane.batch.ledger import Ledger
from anodewane.batch.place import LEDGER_NAME, LocalFolder
from anodewane.batch.plan import make_plan
from anodewane.batch.rows import make_row
from anodewane.batch.work import Item, RunConfig, judge_item
from anodewane.catalog.sheet_label import label_of
from anodewane.catalog.templates import load_template
from anodewane.errors import OutputNotWritable
from anodewane.judgement.method import Method
from anodewane.records import Given
from anodewane.show.record_json import verdict_from_json
from anodewane.testing import Scene, WearPattern, encode_jpeg, look_at, placement, render
from made.batch_doubles import TEMPLATE, small_photo


@pytest.fixture
def config(tmp_path: Path) -> RunConfig:
    (tmp_path / "photos").mkdir()
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / LEDGER_NAME).touch()
    return RunConfig(
        LocalFolder(tmp_path / "photos"),
        LocalFolder(tmp_path / "out"),
        Method(),
        {"t": load_template(TEMPLATE)},
    )


def item(name: str, **more: float | None) -> Item:
    return Item(name, name, "t", Given(**more), "digest", "stamp")


@pytest.mark.slow
def test_a_label_on_the_sheet_places_the_photo(config: RunConfig, tmp_path: Path) -> None:
    """Rendered with the label's print on the card; the folder says another boat, and that is told."""
    camera = look_at((0, 60), distance_mm=560, tilt_deg=8, azimuth_deg=100, width=2000, height=1500)
    scene = Scene(layout="card", ground="plywood", label=label_of("Sea Aster", "port quarter"))
    picture = render(
        load_template(TEMPLATE),
        WearPattern(depth_mm=4.0),
        camera,
        scene,
        sheet_from_part=placement(5, (0, 130)),
        width=2000,
        height=1500,
    )
    (tmp_path / "photos" / "Kittiwake").mkdir()
    (tmp_path / "photos" / "Kittiwake" / "IMG_0001.jpg").write_bytes(
        encode_jpeg(np.ascontiguousarray(picture.rgb), f35=26)
    )
    outcome = judge_item(item("Kittiwake/IMG_0001.jpg"), config)
    assert outcome.status == "judged", outcome.reasons
    (photo,) = make_plan(config.source, Ledger.read(config.out)).photos
    row = make_row(photo, outcome, None)
    assert (row.boat, row.position, row.placed_by) == ("Sea Aster", "port quarter", "label")
    assert row.contradictions == ("boat 'Sea Aster' by the label on the sheet, 'Kittiwake' by its folder",)


def test_a_weight_of_the_list_reaches_the_judge(config: RunConfig, tmp_path: Path) -> None:
    (tmp_path / "photos" / "a.jpg").write_bytes(small_photo())
    judge_item(item("a.jpg", weighed_g=500.0), config)
    verdict = verdict_from_json((tmp_path / "out" / "a.jpg.json").read_bytes())
    assert verdict.mass is not None
    assert verdict.mass.method == "weighed"
    assert verdict.mass.remaining_g.value == pytest.approx(500.0, abs=0.5)


def test_no_photo_is_a_final_row_and_a_missing_one_isn_t(config: RunConfig, tmp_path: Path) -> None:
    (tmp_path / "photos" / "text.jpg").write_text("no photo at all, but text\n" * 9)
    text, missing = judge_item(item("text.jpg"), config), judge_item(item("missing.jpg"), config)
    assert (text.status, text.final, text.files) == ("unreadable", True, ())
    assert (missing.status, missing.final, missing.photo_sha256) == ("unreadable", False, None)
    assert "is text, not a photo" in text.reasons[0][1]


def test_output_that_can_t_be_written_is_no_row(config: RunConfig, tmp_path: Path) -> None:
    (tmp_path / "photos" / "a.jpg").write_bytes(small_photo("refuse.jpg"))
    (tmp_path / "out" / "thumbnails").write_bytes(b"a file in the folder's place")
    with pytest.raises(OutputNotWritable):
        judge_item(item("a.jpg"), config)
