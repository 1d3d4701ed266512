"""The same record shows the same figure and the same verdict on every surface: rounded once, and nought
never with a sign."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pytest

from anodewane.batch.contact_sheet import contact_sheet
from anodewane.book.listing import percent_words
from anodewane.book.notices import notices
from anodewane.book.orders import order_list, order_page
from anodewane.book.plot import season_page
from anodewane.book.states import position_states
from anodewane.record import Consumed, Interval, Verdict
from anodewane.records import Photo, Source
from anodewane.report.html import report_html
from anodewane.settings import BookRules, Settings
from anodewane.show.marks import MARKS
from anodewane.show.overlay import overlay
from anodewane.show.record_json import verdict_from_json, verdict_to_json
from anodewane.show.words import text_summary
from made.batch_doubles import ROW
from made.book_entries import boat_of, fitting, reading, winters
from made.hand_made import judged
from made.report_made import part_of, report_of

SHARES = [
    Interval(39.4966, 29.4951, 53.5),  # kept as 39.5, 29.5 and 53.5
    Interval(3.2, -0.4, 8.4951),
    Interval(61.5, 54.5, 70.5),
]
TOLD = [("40", "30", "54"), ("3", "0", "9"), ("62", "55", "71")]


def verdict_of(share: Interval) -> Verdict:
    grade = "replace" if share.value >= 50 else "monitor" if share.value >= 30 else "ok"
    return judged(verdict=grade, consumed=Consumed(replace(share, low=share.low), share, 0.9))


def caption_of(verdict: Verdict, monkeypatch: pytest.MonkeyPatch) -> str:
    """The words that an overlay draws."""
    from PIL import ImageDraw

    drawn: list[str] = []
    text = ImageDraw.ImageDraw.text

    def keep(self: Any, at: Any, words: str, *more: Any, **given: Any) -> None:
        drawn.append(words)
        text(self, at, words, *more, **given)

    monkeypatch.setattr(ImageDraw.ImageDraw, "text", keep)
    grey = np.full((900, 1200, 3), 120, np.uint8)
    overlay(Photo(grey, Source("x.jpg", "0" * 64, 1), None, None, None, ()), verdict)
    return " ".join(drawn)


def page_of(verdict: Verdict) -> str:
    return re.sub(r"<[^>]+>", "", report_html(report_of(part_of(verdict))).decode())


def card_of(verdict: Verdict) -> str:
    assert verdict.consumed is not None
    mass = verdict.consumed.mass_pct
    row = replace(
        ROW,
        verdict=verdict.verdict,
        consumed_pct=mass.value,
        consumed_low_pct=mass.low,
        consumed_high_pct=mass.high,
    )
    ((_, html),) = contact_sheet([row], (), (), [], "t")
    return re.sub(r"<[^>]+>", "", html.decode())


def season_of(verdict: Verdict) -> tuple[str, str]:
    """The season's page and the order list of a part whose photo says this."""
    assert verdict.consumed is not None
    part = fitting("keel", date(2021, 4, 10))
    seen = replace(
        reading("keel", date(2022, 10, 15), 50, verdict=verdict.verdict),
        consumed_pct=verdict.consumed.mass_pct,
        seen_pct=verdict.consumed.mass_pct,
    )
    entries = boat_of((part,), (seen,), winters(2020, 2022))
    states = position_states([entries], Settings(), BookRules())
    pages = (
        season_page([entries], states, notices([entries], states, Settings(), BookRules()), Settings()),
        order_page(order_list(states)),
    )
    return pages[0], pages[1]


@pytest.mark.parametrize(
    ("share", "told"), list(zip(SHARES, TOLD, strict=True)), ids=["half", "nought", "worn"]
)
def test_a_share_is_told_alike_everywhere(
    share: Interval, told: tuple[str, str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    live = verdict_of(share)
    read = verdict_from_json(verdict_to_json(live))
    assert read.consumed is not None
    value, low, high = told
    for verdict in (live, read):
        words = text_summary(verdict)
        assert f"{value} % of the metal is gone" in words
        assert f"{low} to {high} %" in words
        drawn = caption_of(verdict, monkeypatch)
        assert f"{value} % of the metal is gone" in drawn
        assert f"{low} to {high} %" in drawn
    mass = read.consumed.mass_pct
    assert f"{value} % ({low} to {high} %)" in page_of(read)
    assert f"{value} % ({low} to {high}) gone" in card_of(read)
    assert (
        percent_words({"value": mass.value, "low": mass.low, "high": mass.high})
        == f"{value} ({low} to {high})"
    )
    assert f"{value} % ({low} to {high})" in season_of(read)[0]


@pytest.mark.parametrize("share", SHARES, ids=["half", "nought", "worn"])
def test_nought_has_no_sign_anywhere(share: Interval, monkeypatch: pytest.MonkeyPatch) -> None:
    verdict = verdict_from_json(verdict_to_json(verdict_of(replace(share, low=-0.4))))
    everywhere = [
        text_summary(verdict),
        caption_of(verdict, monkeypatch),
        page_of(verdict),
        card_of(verdict),
        *season_of(verdict),
    ]
    for text in everywhere:
        assert not re.search(
            r"[-\u2212]0(?![.,\d])", re.sub(r"\d{4}-\d\d-\d\d|[\w.-]+\.(?:jpg|json)", "", text)
        )


@pytest.mark.parametrize("grade", ["replace", "monitor", "ok"])
def test_a_verdict_has_one_word(grade: str, monkeypatch: pytest.MonkeyPatch) -> None:
    verdict = judged(verdict=grade)
    word = MARKS[grade].word
    assert text_summary(verdict).startswith(word)
    for text in (caption_of(verdict, monkeypatch), page_of(verdict), card_of(verdict)):
        assert word in text
    assert MARKS[grade].sign in card_of(verdict)


def test_the_page_in_the_yard_has_the_same_colours() -> None:
    """Its style sheet is a file of its own: letters for wet hands."""
    from importlib.resources import files

    from anodewane.show.marks import css

    style = files("anodewane.web").joinpath("static", "page.css").read_text("utf-8")
    for grade, name in (
        ("replace", "replace"),
        ("monitor", "monitor"),
        ("ok", "ok"),
        ("cannot_judge", "refused"),
    ):
        found = re.search(rf"\.{name} {{ background: (#\w+); color: (#\w+); }}", style)
        assert found is not None
        ground, ink = ("#" + "".join(c * 2 for c in h[1:]) if len(h) == 4 else h for h in found.groups())
        assert (ground, ink) == (css(MARKS[grade].ground), css(MARKS[grade].ink))


def test_the_legend_names_what_is_drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn = caption_of(judged(), monkeypatch)
    for name in ("new outline", "what is left", "gone", "worst place, 11.0 mm"):
        assert name in drawn
    assert "worst place" not in caption_of(judged(recession_mm=None), monkeypatch)
