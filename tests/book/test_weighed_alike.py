"""A weight says the same however it is given: with the photo, or noted in the book afterwards."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from anodewane.book.entries import NewJudgement
from anodewane.book.store import new_book
from anodewane.catalog.templates import load_template
from anodewane.judgement.method import Method
from anodewane.judgement.pipeline import judge
from anodewane.records import Given
from anodewane.show.record_json import verdict_to_json
from anodewane.stages.load import load_photo

SAMPLES = Path(__file__).parents[2] / "sample_images"
HAULED = date(2026, 10, 4)


@pytest.mark.parametrize("grams", [150.0, 212.0])
def test_one_weight_gives_one_interval(tmp_path: Path, grams: float) -> None:
    part = load_template(str(SAMPLES / "templates" / "plate-120x60x16-2holes.toml"))
    photo = load_photo((SAMPLES / "watch.jpg").read_bytes(), "watch.jpg")
    with_photo = judge(photo, part, Given(weighed_g=grams), Method())
    alone = judge(photo, part, Given(), Method())
    assert with_photo.consumed is not None
    assert with_photo.mass is not None
    with new_book(tmp_path / "yard.book") as book:
        book.add_boat("Marram")
        book.add_position("Marram", "transom")
        book.fit("Marram", "transom", part, date(2026, 4, 18))
        book.haul_out("Marram", HAULED)
        record = verdict_to_json(alone).encode()
        book.record([NewJudgement("Marram", "transom", HAULED, record, datetime(2026, 10, 5, tzinfo=UTC))])
        book.weigh("Marram", "transom", HAULED, grams)
        (r,) = book.readings()
    assert r.consumed_pct is not None
    assert r.remaining_g is not None
    # the judgement draws its interval (JCGM 101, 4000 draws), the book computes it
    for got, want, within in (
        (r.consumed_pct, with_photo.consumed.mass_pct, 0.4),
        (r.remaining_g, with_photo.mass.remaining_g, 0.4),
    ):
        for end in ("value", "low", "high"):
            assert getattr(got, end) == pytest.approx(getattr(want, end), abs=within), end
