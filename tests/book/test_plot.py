"""The picture of a boat's wear and the page round it, read back as XML and HTML."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import date

import pytest

from anodewane.book.notices import notices
from anodewane.book.outlook import MonthsLeft
from anodewane.book.plot import months_words, season_page, wear_svg
from anodewane.book.states import position_states
from anodewane.settings import BookRules, Settings
from made.book_entries import boat_of, fitting, reading, winters

S, R = Settings(), BookRules()
SVG = "{http://www.w3.org/2000/svg}"
NASTY = 'Jo\'s <b>"Tern"</b> & Co'
APRIL = date(2021, 4, 10)


def pair(name: str = NASTY):
    parts = (fitting("port", APRIL, boat=name), fitting("starboard", APRIL, boat=name))
    readings = (
        reading("port", date(2021, 10, 15), 14, boat=name),
        reading("port", date(2022, 10, 15), 36, boat=name),
        reading("starboard", date(2021, 10, 15), None, boat=name),
        reading("starboard", date(2022, 10, 15), 80, boat=name, verdict="replace", weighed_g=300.0),
    )
    return boat_of(
        parts, readings, tuple(replace(h, boat=name) for h in winters(2020, 2022)), pair="shaft", name=name
    )


def drawing(entries) -> ET.Element:
    return ET.fromstring(wear_svg(entries, position_states([entries], S, R), S))


def texts(root: ET.Element) -> list[str]:
    return [t.text or "" for t in root.iter(f"{SVG}text")]


def test_a_pair_shares_a_panel_and_is_told_apart_by_shape():
    root = drawing(pair())
    words = texts(root)
    assert words.count("limit 50 %") == 1
    assert any(w.startswith("port: ") for w in words)
    assert any(w.startswith("starboard: REPLACE") for w in words)
    # two readings, the legend's mark, the new part and the forecast of port are discs,
    # starboard's are squares
    assert len(list(root.iter(f"{SVG}circle"))) == 5
    assert len(list(root.iter(f"{SVG}polygon"))) == 4
    assert "?" in words  # couldn't be judged
    assert "w" in words  # weighed
    alone = replace(pair(), positions=tuple(replace(p, pair=None) for p in pair().positions))
    assert texts(drawing(alone)).count("limit 50 %") == 2


def test_nothing_in_it_but_black_grey_and_white():
    svg = wear_svg(pair(), position_states([pair()], S, R), S)
    for colour in re.findall(r"#([0-9a-fA-F]{6})", svg):
        assert colour[:2] == colour[2:4] == colour[4:], colour


def test_names_are_escaped():
    root = drawing(pair())
    assert NASTY in texts(root)
    title = root.find(f"{SVG}title")
    assert title is not None
    assert title.text == f"Wear by season: {NASTY}"


def test_marks_stand_at_their_values():
    """Port's discs: 0, 14 and 36 % on one scale, which the axis' own words give."""
    root = drawing(pair())
    axis = {
        t.text: float(t.get("y", "nan")) - 4
        for t in root.iter(f"{SVG}text")
        if re.fullmatch(r"\d+ %", t.text or "")
    }
    per_pct = (axis["100 %"] - axis["0 %"]) / 100
    discs = [c for c in root.iter(f"{SVG}circle") if float(c.get("cy", "0")) > axis["100 %"] - 1]
    pct = sorted((float(c.get("cy", "nan")) - axis["0 %"]) / per_pct for c in discs)
    state = position_states([pair()], S, R)[0]
    assert state.outlook is not None
    assert pct == pytest.approx([0, 14, 36, state.outlook.consumed_at_next_pct.value], abs=0.1)
    xs = [float(c.get("cx", "nan")) for c in sorted(discs, key=lambda c: -float(c.get("cy", "0")))]
    assert xs == sorted(xs)
    assert (xs[2] - xs[1]) == pytest.approx(
        (xs[1] - xs[0]) * 365 / 188, rel=0.02
    )  # 188 days from fitting to the first haul-out


def test_every_mark_is_inside_the_picture():
    root = drawing(pair())
    width, height = float(root.get("width", "0")), float(root.get("height", "0"))
    for e in root.iter():
        for name, most in (("cx", width), ("x", width), ("cy", height), ("y", height)):
            if e.get(name) is not None:
                assert 0 <= float(e.get(name, "nan")) <= most


def test_a_boat_without_anything_can_be_drawn():
    empty = boat_of((), (), ())
    assert texts(drawing(empty)) == ["Gannet"]
    bare = boat_of((fitting("port", APRIL),), (), ())
    assert any("never looked at" in w for w in texts(drawing(bare)))


def test_the_page_holds_picture_figures_warnings_and_cautions():
    entries = pair()
    states = position_states([entries], S, R)
    html = season_page([entries], states, notices([entries], states, S, R), S, made_on=date(2022, 11, 1))
    for word in (
        "<svg",
        "1 boat, 2022-11-01",
        "salt water",
        "Two parts that should wear alike",
        "qualified",
        "key out",
        "starboard",
        "(raised)",
    ):
        assert word in html
    assert "<b>" not in html
    assert "&lt;b&gt;" in html
    assert not re.findall(r"(?:src|href)=", html)


@pytest.mark.parametrize(
    ("left", "words"),
    [
        (MonthsLeft(8.43, 4.28, 21.5), "8.4 (4.3 to 22)"),
        (MonthsLeft(0.0, 0.0, 0.0), "none"),
        (MonthsLeft(None, None, None), "over 240"),
        (MonthsLeft(30.0, 12.0, None), "30 (12 to over 240)"),
    ],
)
def test_months_left_in_words(left, words):
    assert months_words(left) == words
