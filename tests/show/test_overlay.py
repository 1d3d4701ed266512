"""The overlay: what was measured can be seen in it, and nothing else leaks out of it."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from anodewane.errors import UsageError
from anodewane.record import Interval, MassFigures, Outline, Reason, Verdict
from anodewane.records import Photo, Source
from anodewane.show.canvas import LONG_SIDE_PX, check_picture_name, encode_picture
from anodewane.show.marks import BLACK, ORANGE, SKY, VERMILION, WHITE
from anodewane.show.overlay import overlay
from anodewane.show.words import text_summary
from made.hand_made import judged, refused, ring


def photo(width: int = 1200, height: int = 900) -> Photo:
    """A plain grey photo."""
    return Photo(
        np.full((height, width, 3), 120, np.uint8), Source("x.jpg", "0" * 64, 1), None, None, None, ()
    )


def share(picture: np.ndarray, colour: tuple[int, int, int], tolerance: int = 12) -> float:
    return float(np.mean(np.all(np.abs(picture.astype(int) - colour) <= tolerance, axis=2)))


def test_the_photo_s_part_keeps_its_proportions_and_the_words_come_below() -> None:
    picture = overlay(photo(), judged())
    assert picture.shape[1] == 1200
    assert picture.shape[0] > 900
    assert picture.dtype == np.uint8
    assert np.array_equal(picture[5, 5], [120, 120, 120])  # no mark in the corner: the photo is seen as it is
    assert picture[900:].mean() > 200  # the band is paper


def test_a_large_photo_is_reduced_and_a_small_one_enlarged() -> None:
    assert overlay(photo(4000, 3000), refused()).shape[1] == LONG_SIDE_PX
    assert overlay(photo(640, 480), refused()).shape[1] >= 1100
    assert overlay(photo(3000, 4000), refused()).shape[1] == 1200


def test_both_outlines_lie_where_the_record_says() -> None:
    """At the topmost point of each ring, in picture pixels (the photo isn't scaled here)."""
    picture = overlay(photo(), judged(recession_mm=None))
    assert np.abs(picture[450 - 240, 600].astype(int) - SKY).max() < 30
    column = picture[450 - 300 - 4 : 450 - 300 + 5, 560:640].reshape(-1, 3).astype(int)
    assert (np.abs(column - BLACK).max(1) < 40).any()  # dashes: dark and white in turn
    assert (np.abs(column - WHITE).max(1) < 40).any()


def test_what_is_gone_is_hatched_and_what_is_left_is_not() -> None:
    picture = overlay(photo(), judged(recession_mm=None))
    gone = picture[450 - 290 : 450 - 250, 580:620]
    left = picture[430:470, 580:620]
    assert share(gone, ORANGE, 60) > 0.2
    assert np.array_equal(np.unique(left), [120])


def test_the_worst_place_is_marked_where_the_record_says() -> None:
    with_mark = overlay(
        photo(), judged(outline=Outline((ring(radius=240),), (ring(radius=24, centre=(0.0, 0.0)),)))
    )
    without = overlay(photo(), judged(recession_mm=None))
    changed = np.argwhere(np.any(with_mark[:900] != without[:900], axis=2))
    assert share(with_mark[:900], VERMILION) > 0
    assert changed.mean(0)[::-1] == pytest.approx([800, 630], abs=3)


def test_the_scale_bar_is_50_mm_in_the_sheet_s_plane() -> None:
    """The sheet's 210 mm span 360 px here, square on: 50 mm are 85.7 px."""
    with_bar = overlay(photo(), judged())
    without = overlay(photo(), judged(scale=None))
    band = np.argwhere(np.any(with_bar[:900] != without[:900], axis=2))
    rows = range(int(band[:, 0].min()), int(band[:, 0].max()) + 1)
    longest = max(
        np.ptp(np.flatnonzero(np.all(with_bar[r] < 60, axis=1)))
        if np.all(with_bar[r] < 60, axis=1).any()
        else 0
        for r in rows
    )
    assert longest == pytest.approx(50 * 360 / 210, abs=3)


def test_a_small_part_is_shown_close_with_the_whole_photo_beside_the_words() -> None:
    small = judged(
        outline=Outline((ring(radius=60, centre=(2000.0, 1500.0)),), (ring(radius=24, centre=(0.0, 0.0)),)),
        template=judged().template.__class__(
            **{**_fields(judged().template), "outline_photo_px": (ring(radius=75, centre=(2000.0, 1500.0)),)}
        ),
        scale=None,
    )
    big = photo(4000, 3000)
    marked = np.array(big.rgb)
    marked[:40] = (10, 200, 10)  # a stripe along the top: only the small copy of the whole photo can show it
    picture = overlay(Photo(marked, big.source, None, None, None, ()), small)
    shown_rows = np.flatnonzero(
        np.any(np.all(np.abs(picture.astype(int) - (10, 200, 10)) < 40, axis=2), axis=1)
    )
    assert len(shown_rows) > 0
    assert shown_rows.min() > 700


def _fields(record: object) -> dict[str, object]:
    return {name: getattr(record, name) for name in record.__dataclass_fields__}  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    "verdict",
    [
        refused(),
        judged(template=None),
        judged(outline=None),
        judged(consumed=None, mass=None, recession_mm=None),
    ],
)
def test_whatever_is_missing_isn_t_drawn(verdict: Verdict) -> None:
    assert overlay(photo(), verdict).shape[1] == 1200


@pytest.mark.parametrize(
    ("suffix", "kind"), [(".png", "PNG"), (".JPG", "JPEG"), (".jpeg", "JPEG"), (".webp", "WEBP")]
)
def test_the_file_carries_no_metadata(suffix: str, kind: str) -> None:
    data = encode_picture(overlay(photo(), judged()), suffix)
    with Image.open(io.BytesIO(data)) as image:
        assert image.format == kind
        assert not image.getexif()
        assert set(image.info) <= {
            "jfif",
            "jfif_version",
            "jfif_unit",
            "jfif_density",
            "loop",
            "background",
            "timestamp",
            "duration",
        }
    assert b"Exif" not in data


def test_another_format_is_refused() -> None:
    with pytest.raises(UsageError, match="names no picture format"):
        check_picture_name(Path("x.gif"))


def test_the_same_judgement_gives_the_same_bytes() -> None:
    assert encode_picture(overlay(photo(), judged()), ".png") == encode_picture(
        overlay(photo(), judged()), ".png"
    )


def test_the_words_say_verdict_figures_interval_reasons_and_remedies() -> None:
    text = text_summary(judged())
    for words in (
        "REPLACE",
        "62 %",
        "55 to 70 %",
        "limit 50 %",
        "35 %",
        "area is not mass",
        "304 g",
        "Replace the part.",
        "Ñandú 3.jpg",
    ):
        assert words in text
    assert "CANNOT JUDGE" in text_summary(refused())
    quiet = text_summary(
        judged(
            verdict="ok", reasons=(Reason("no_measurable_wear", "No measurable wear.", "Look for paint."),)
        )
    )
    assert "no measurable wear" in quiet
    assert " g left" not in quiet
    assert "Lay the printed sheet flat" in text_summary(refused())
    assert "weighed" in text_summary(
        judged(mass=MassFigures(800.0, Interval(304.0, 304.0, 304.0), "weighed"))
    )
