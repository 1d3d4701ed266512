"""The order list: who needs a part, who can't be told, the counts, the CSV and the page."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from datetime import date
from html.parser import HTMLParser

import pytest

from anodewane.book.entries import Position
from anodewane.book.orders import COLUMNS, OrderList, order_csv, order_list, order_page
from anodewane.book.states import position_states
from anodewane.settings import BookRules, Settings
from made.book_entries import boat_of, fitting, reading, winters

S, R = Settings(), BookRules()
OCTOBER, APRIL = date(2021, 10, 15), date(2021, 4, 10)
NASTY = 'Jo\'s <b>"Tern"</b> & Co'


@pytest.fixture
def boat():
    names = ("worn", "fast", "open", "sound", "unread", "new", "weird")
    parts = tuple(fitting(n, APRIL, boat=NASTY) for n in names)
    readings = (
        reading("worn", OCTOBER, 62, verdict="replace", reasons=("past_limit", "fixing_lost"), boat=NASTY),
        reading("fast", OCTOBER, 31, verdict="monitor", reasons=("watch",), boat=NASTY),
        reading("open", OCTOBER, 12, verdict="replace", reasons=("fixing_lost", "hole_grown"), boat=NASTY),
        reading("sound", OCTOBER, 8, 3, boat=NASTY),
        reading("unread", OCTOBER, None, boat=NASTY, reasons=("blurred",)),
        reading("weird", OCTOBER, 20, 3, verdict="replace", boat=NASTY),
    )
    haul_outs = tuple(replace(h, boat=NASTY) for h in winters(2020, 2021))
    made = boat_of(parts, readings, haul_outs, name=NASTY, fixings="2 x M10 <bolt>")
    return replace(made, positions=(*made.positions, Position(NASTY, "bare")))


@pytest.fixture
def orders(boat) -> OrderList:
    return order_list(position_states([boat], S, R))


def test_parts_are_ordered_for_what_is_known_and_nothing_else(orders):
    assert [(i.position, i.why) for i in orders.lines] == [
        ("worn", ("past_limit", "fixing_lost")),
        ("fast", ("wont_last",)),
        ("open", ("fixing_lost",)),
        ("weird", ("verdict",)),
    ]
    assert [i.fixing_lost for i in orders.lines] == [True, False, True, False]
    assert [(u.position, u.why) for u in orders.unsettled] == [
        ("unread", "cannot_judge"),
        ("new", "never_judged"),
        ("bare", "nothing_fitted"),
    ]


def test_counts_by_template_and_fixings(orders):
    assert [(c.what, c.alloy, c.count) for c in orders.parts] == [("plate-150x75x20-2slots", "zinc", 4)]
    assert [(c.what, c.count) for c in orders.fixings] == [("2 x M10 <bolt>", 4)]
    assert sum(c.count for c in orders.parts) == len(orders.lines)


def test_the_csv_is_read_back_by_the_standard_library(orders):
    rows = list(csv.DictReader(io.StringIO(order_csv(orders))))
    assert tuple(rows[0]) == COLUMNS
    assert [(r["order"], r["boat"], r["position"]) for r in rows] == [
        *(("1", NASTY, i.position) for i in orders.lines),
        *(("0", NASTY, u.position) for u in orders.unsettled),
    ]
    assert rows[0]["consumed_pct"] == "62.0"
    assert rows[-1]["template"] == ""  # unknown is empty
    assert order_csv(orders).count("\r\n") == len(rows) + 1


def test_a_name_can_t_become_a_formula(orders):
    line = replace(orders.lines[0], boat="=HYPERLINK(1)", fixings="@SUM(A1)")
    row = next(csv.DictReader(io.StringIO(order_csv(replace(orders, lines=(line,))))))
    assert (row["boat"], row["fixings"]) == ("'=HYPERLINK(1)", "'@SUM(A1)")


class Page(HTMLParser):
    """Texts, open tags and everything that a page would fetch."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.text, self.open, self.fetched, self.tags = "", [], [], []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.fetched += [v for k, v in attrs if k in ("src", "href", "data", "srcset")]
        if tag not in ("meta", "br", "rect", "path", "circle", "polygon"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text += data


def test_the_page_stands_alone_and_escapes_names(orders):
    html = order_page(orders, made_on=date(2021, 11, 1))
    page = Page(html)
    assert page.open == []
    assert page.fetched == []
    assert "script" not in page.tags
    assert "b" not in page.tags
    assert "url(" not in html
    assert "@import" not in html
    assert NASTY in page.text
    assert "2 x M10 <bolt>" in page.text
    assert "4 parts for 1 boat, 2021-11-01" in page.text
    for word in (
        "Won't last to the next haul-out",
        "no photo of it since it was fitted",
        "two-person lift",
        "afloat",
        "key out",
        "qualified",
    ):
        assert word in page.text


def test_an_empty_list_says_so():
    assert "Nothing to buy" in order_page(order_list(()))
    assert order_csv(order_list(())).splitlines() == [",".join(COLUMNS)]


def test_a_part_to_be_replaced_is_told_although_none_is_on_record(orders):
    """A first season: the photos are there, the parts were never entered. What was judged against is
    shown and not ordered."""
    from types import SimpleNamespace

    last = SimpleNamespace(
        template="plate-150x75x20-2slots",
        hauled_on=date(2021, 11, 1),
        reasons=("past_limit",),
        consumed_pct=None,
    )
    state = SimpleNamespace(
        boat=SimpleNamespace(name="Marram"),
        position=SimpleNamespace(name="rudder", fixings=None),
        fitting=None,
        last=last,
        verdict="replace",
        reasons=(),
    )
    found = order_list([state])
    assert not found.lines
    assert [(u.position, u.template, u.why) for u in found.unsettled] == [
        ("rudder", "plate-150x75x20-2slots", "replace_unknown_part")
    ]
    assert "Nothing to buy" not in order_page(found)
    assert "to be replaced" in order_page(found)
