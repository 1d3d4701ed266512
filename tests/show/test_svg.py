"""Drawings as text, read back by an XML parser."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anodewane.show.marks import VERMILION
from anodewane.show.svg import Sheet

SVG = "{http://www.w3.org/2000/svg}"


def read(sheet: Sheet) -> ET.Element:
    return ET.fromstring(sheet.done("what it shows").svg)


def test_a_drawing_states_its_size_and_what_it_shows() -> None:
    root = read(Sheet(84.0, 60.5))
    assert (root.get("width"), root.get("height"), root.get("viewBox")) == ("84mm", "60.5mm", "0 0 84 60.5")
    assert (root.get("role"), root.get("aria-label")) == ("img", "what it shows")
    pixels = ET.fromstring(Sheet(520, 300, unit="").document("Wear"))
    assert pixels.get("width") == "520"
    assert pixels.findtext(f"{SVG}title") == "Wear"


@given(st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Co", "Cn"])))
def test_text_from_outside_stays_text(words: str) -> None:
    sheet = Sheet(10, 10)
    sheet.words(1, 2, words)
    sheet.add("rect", x=1, data_name=words)
    root = ET.fromstring(sheet.document(words))
    assert [e.tag for e in root] == [f"{SVG}{t}" for t in ("title", "rect", "text", "rect")]
    assert (root[2].text or "") == words
    assert root[3].get("data-name") == words.replace("\t", " ")


@given(st.floats(-1e4, 1e4))
def test_numbers_are_short_true_and_never_minus_nought(value: float) -> None:
    sheet = Sheet(10, 10)
    sheet.circle(value, 0.0, 1)
    text = read(sheet)[0].get("cx", "")
    assert abs(float(text) - value) <= 0.0005 + 1e-9
    assert text != "-0"
    assert not text.endswith((".", ".0"))


def test_holes_stay_open_and_nothing_is_drawn_of_nothing() -> None:
    sheet = Sheet(10, 10)
    sheet.path([])
    outer, hole = np.array([[0.0, 0], [9, 0], [9, 9]]), np.array([[5.0, 2], [6, 2], [6, 3]])
    sheet.path([outer, hole], fill=VERMILION, fill_rule="evenodd")
    (path,) = read(sheet)
    assert path.get("d") == "M0 0 9 0 9 9ZM5 2 6 2 6 3Z"
    assert (path.get("fill"), path.get("fill-rule")) == ("#d55e00", "evenodd")


def test_a_dimension_s_arrows_end_at_what_it_measures() -> None:
    """Tips of the filled heads, and the words above the line."""
    sheet = Sheet(100, 50, text=3.0)
    sheet.along_x(20, 80, 10, 15, "60.0")
    root = read(sheet)
    tips = [float(p.get("d", "M").split()[0][1:]) for p in root.iter(f"{SVG}path") if p.get("fill") != "none"]
    assert tips == [20.0, 80.0]
    text = root.find(f"{SVG}text")
    assert text is not None
    assert (text.text, text.get("x"), text.get("text-anchor")) == ("60.0", "50", "middle")
    assert float(text.get("y", "99")) < 10


@pytest.mark.parametrize(("width", "height"), [(-3.0, 2.0), (3.0, -2.0)])
def test_a_rectangle_is_never_of_negative_size(width: float, height: float) -> None:
    """SVG 2, 7.6: a negative width or height is an error."""
    sheet = Sheet(10, 10)
    sheet.rect(1, 1, width, height)
    assert min(float(read(sheet)[0].get(k, "-1")) for k in ("width", "height")) == 0
