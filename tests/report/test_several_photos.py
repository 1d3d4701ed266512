"""A part that was judged from several photos: each with the fitted solid drawn back into it, and the
map of the thickness that is left."""

from __future__ import annotations

import hashlib
import html
import io
import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdf
import pytest
from PIL import Image

from anodewane.record import TogetherFigures, Verdict, ViewFigures
from anodewane.report.gather import Photos, Templates, gather, read_record
from anodewane.report.html import report_html
from anodewane.report.model import PartInput
from anodewane.report.pdf import report_pdf
from anodewane.show.record_json import verdict_to_json
from made.report_made import report_of
from made.report_samples import SAMPLES, Judged

SQUARE = ((400.0, 300.0), (700.0, 300.0), (700.0, 520.0), (400.0, 520.0))
CELLS = ((0.0, 0.0, 11.0), (5.0, 0.0, 9.5), (0.0, 5.0, 6.3))


def view(name: str, other: bool = False, outline: tuple[tuple[float, float], ...] = SQUARE) -> ViewFigures:
    digest = hashlib.sha256((SAMPLES / name).read_bytes()).hexdigest()
    return ViewFigures(
        name,
        digest,
        other,
        5.0,
        62.0,
        0.0,
        800.0,
        0.24,
        0.0,
        0.0,
        True,
        3.0,
        0.41,
        (outline,),
        (outline[::-1],),
    )


def together(alone: Verdict, *views: ViewFigures) -> Verdict:
    assert alone.consumed is not None
    return replace(
        alone,
        views=views,
        together=TogetherFigures(
            alone.consumed.mass_pct, alone.consumed.area_pct, CELLS, 5.0, 2.0, 40, 0.3, None
        ),
    )


def part(verdict: Verdict, folder: Path, *photos: str) -> PartInput:
    at_hand = folder / "photos"
    at_hand.mkdir()
    for name in photos:
        shutil.copy(SAMPLES / name, at_hand)
    record = folder / "transom.json"
    record.write_text(verdict_to_json(verdict), encoding="utf-8")
    return next(gather([read_record(record)], Photos([at_hand]), Templates((), ())))


@pytest.fixture
def alone(judged_samples: Judged) -> Verdict:
    return judged_samples.verdicts["watch"]


@pytest.mark.parametrize(
    ("language", "words"),
    [
        (
            "en",
            (
                "judged together",
                "from 62° above the bench",
                "Brings 41 % of what is known",
                "not shown: 1 of the photos",
                "6.3 to 11.0",
                "Other side up",
            ),
        ),
        (
            "de",
            (
                "gemeinsam beurteilt",
                "62° über der Unterlage",
                "Trägt 41 %",
                "nicht gezeigt: 1 der Fotos",
                "6,3 bis 11,0",
                "Andere Seite oben",
            ),
        ),
    ],
)
def test_photos_at_hand_are_shown_with_the_solid_and_the_map(
    alone: Verdict, tmp_path: Path, language: str, words: tuple[str, ...]
) -> None:
    gathered = part(
        together(alone, view("watch.jpg"), view("sound.jpg", other=True), view("rod.jpg")),
        tmp_path,
        "watch.jpg",
        "sound.jpg",
    )
    assert [p is not None for p in gathered.views] == [True, True, False]
    report = report_of(gathered, language=language)
    (page,) = report.parts
    assert len(page.views) == 3  # two photos and the map
    text = report_html(report).decode()
    for word in words:
        assert word in text
    for shown in page.views:
        assert f'alt="{shown.alt}"' in html.unescape(text)
    pdf = pypdf.PdfReader(io.BytesIO(report_pdf(report)))
    said = " ".join(" ".join(p.extract_text().split()) for p in pdf.pages)
    for word in words:
        assert word in said
    pictures = [i.image.size for p in pdf.pages for i in p.images if i.image is not None]
    for shown in page.views:
        assert (shown.picture.width_px, shown.picture.height_px) in pictures


def test_the_outline_is_drawn_where_the_record_has_it(alone: Verdict, tmp_path: Path) -> None:
    """Against the photo cut and enlarged alike by Pillow: only lines differ, and they lie on the
    square's sides."""
    (first, *_) = part(
        together(alone, view("watch.jpg"), view("sound.jpg")), tmp_path, "watch.jpg", "sound.jpg"
    ).views
    assert first is not None
    drawn = np.asarray(Image.open(io.BytesIO(first.jpeg)).convert("RGB"), int)
    room = 0.18 * 300
    photo = (
        Image.open(SAMPLES / "watch.jpg")
        .convert("RGB")
        .crop((int(400 - room), int(300 - room), int(np.ceil(700 + room)), int(np.ceil(520 + room))))
    )
    plain = np.asarray(photo.resize((drawn.shape[1], drawn.shape[0]), Image.Resampling.BICUBIC), int)
    changed = np.abs(drawn - plain).max(axis=2) > 60
    rows, columns = np.nonzero(changed)
    scale = drawn.shape[1] / photo.width
    for at, want in ((columns.min(), 400), (columns.max(), 700)):
        assert at / scale + int(400 - room) == pytest.approx(want, abs=5)
    for at, want in ((rows.min(), 300), (rows.max(), 520)):
        assert at / scale + int(300 - room) == pytest.approx(want, abs=5)
    assert not changed[
        drawn.shape[0] // 3 : 2 * drawn.shape[0] // 3, drawn.shape[1] // 3 : 2 * drawn.shape[1] // 3
    ].any()


def test_lines_that_lead_away_from_the_photo_are_not_followed(alone: Verdict, tmp_path: Path) -> None:
    far = tuple((x + 1e7, y) for x, y in SQUARE)
    record = together(alone, view("watch.jpg", outline=far), view("sound.jpg", outline=((3.0, 3.0),) * 4))
    assert part(record, tmp_path, "watch.jpg", "sound.jpg").views == (None, None)


def test_a_single_photo_has_no_such_pictures(alone: Verdict, tmp_path: Path) -> None:
    gathered = part(alone, tmp_path, "watch.jpg")
    assert (gathered.views, gathered.thickness_map) == ((), None)
    assert "judged together" not in report_html(report_of(gathered)).decode()
    assert json.loads(verdict_to_json(alone))["views"] == []
