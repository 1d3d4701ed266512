"""Photos of another part, another haul-out or another day, and clocks that are wrong: all of it is told,
and nothing is decided over anybody's head."""

from __future__ import annotations

import hashlib
import re
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from anodewane.book.store import open_book
from anodewane.catalog.sheet_label import label_of
from anodewane.settings import Settings
from anodewane.show.record_json import verdict_from_json
from anodewane.web import views
from made.web_yard import BOAT, HAULED, WATCH, Page, application, make_yard, running


def shown(page: Page, number: int) -> str:
    return str(page.get(f"/judgement/{number}").text)


@pytest.fixture
def labelled(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Every record says that its sheet's label names a place."""
    import anodewane.show.record_json as records

    real = records.verdict_from_json

    def says(boat: str, position: str) -> None:
        from dataclasses import replace

        label = label_of(boat, position)
        monkeypatch.setattr(records, "verdict_from_json", lambda data: replace(real(data), label=label))

    return says


def test_a_label_of_another_place_is_told_and_the_photo_moved_there(page: Page, labelled: Any) -> None:
    number = page.upload(WATCH, "rudder port", "1" * 32)["judgement"]
    labelled(BOAT, "Transom")
    text = shown(page, number)
    assert "The sheet says Marram, Transom." in text
    assert "You are at Marram, rudder port." in text
    assert "Accept, next" not in text  # nobody accepts past it
    answer = page.post(f"/judgement/{number}/move", follow_redirects=False)
    assert answer.headers["location"] == f"/part?boat={BOAT}&position=transom"
    with open_book(page.book) as book:
        (there,) = (j for j in _settled(page, book, "transom"))
        (here,) = book.judgements(BOAT, "rudder port")
        part = next(f for f in book.fittings(BOAT, "transom"))
    assert here.withdrawn == "moved to 'transom' of 'Marram', as the label says"
    assert there.reading.template == part.template  # judged against the part of that place
    assert there.counts


def _settled(page: Page, book: Any, position: str) -> Any:
    import time

    for _ in range(3000):
        if not any(u.state == "waiting" for u in page.app.state.context.yard.all()):
            break
        time.sleep(0.01)
    return book.judgements(BOAT, position)


def test_a_label_of_this_place_is_no_matter_however_it_is_written(page: Page, labelled: Any) -> None:
    number = page.upload(WATCH, "transom", "1" * 32)["judgement"]
    labelled("MARRAM", " Transom")
    assert "The sheet says" not in shown(page, number)


def test_a_label_of_nowhere_is_told_and_can_be_kept(page: Page, labelled: Any) -> None:
    number = page.upload(WATCH, "transom", "1" * 32)["judgement"]
    labelled("Samphire", "rudder starboard")
    text = shown(page, number)
    assert "The sheet says Samphire, rudder starboard." in text
    assert "Move it there" not in text
    page.post(f"/judgement/{number}/accept")
    assert "The sheet says" not in shown(page, number)


def test_the_same_photo_at_two_places_is_told(page: Page) -> None:
    page.upload(WATCH, "transom", "1" * 32)
    number = page.upload(WATCH, "rudder port", "2" * 32)["judgement"]
    text = shown(page, number)
    assert f"The same photo counts at transom of Marram, hauled out {HAULED}." in text
    page.post(f"/judgement/{number}/withdraw")
    with open_book(page.book) as book:
        assert book.places_of_photo(hashlib.sha256(WATCH).hexdigest()) == ((BOAT, "transom", HAULED),)


def test_a_photo_of_another_day_is_told(page: Page) -> None:
    number = page.upload(WATCH, "transom", "1" * 32)["judgement"]
    with open_book(page.book) as book:
        record = verdict_from_json(book.record_json(book.judgement(number).reading.record_sha256))
        taken = record.photo.taken
        assert taken is not None
        assert views.doubts(book, book.judgement(number), taken) == []
        (found,) = views.doubts(book, book.judgement(number), "2025-10-05T10:11:12")
    assert "2025-10-05" in found


@pytest.mark.parametrize("now", [datetime(2020, 1, 1, tzinfo=UTC), datetime(2026, 4, 1, tzinfo=UTC)])
def test_a_wrong_clock_makes_no_haul_out(tmp_path: Path, now: datetime) -> None:
    book = make_yard(tmp_path)
    with open_book(book) as opened:
        opened.launch(BOAT, date(2026, 11, 1))
    with running(application(book, clock=now.timestamp), book) as page:
        answer = page.post(
            "/haul-out", data={"boat": BOAT, "csrf": page.csrf}, headers={"accept": "text/html"}
        )
        assert answer.status_code == 409
        assert "by the laptop&#39;s clock" in answer.text
    with open_book(book) as opened:
        assert opened.haul_outs(BOAT)[-1].launched_on == date(2026, 11, 1)


def test_an_overrule_stays_with_its_photo(page: Page) -> None:
    first = page.upload(WATCH, "transom", "1" * 32)["judgement"]
    page.post(f"/judgement/{first}/overrule", data={"verdict": "ok", "why": "hole measured"})
    second = page.upload(WATCH + b"\0", "transom", "2" * 32)["judgement"]
    text = shown(page, second)
    assert "Robin overruled the photo before this one" in text
    assert "hole measured" in text
    assert "Accept" in text  # the new photo speaks for itself
    assert re.search(r'<p class="verdict (\w+)"', text)[1] != "ok"  # type: ignore[index]
    page.post(f"/judgement/{second}/overrule", data={"verdict": "ok", "why": "hole measured"})
    page.post(f"/judgement/{second}/overrule", data={"verdict": "ok", "why": "hole measured"})  # a double tap
    with open_book(page.book) as book:
        assert [o.judgement for o in book.overrules(BOAT)] == [first, second]
    assert "overruled the photo before" not in shown(page, second)


def test_the_book_s_verdict_is_the_page_s(page: Page) -> None:
    """A part that won't last is to be replaced, on the list and on its own page as on the order list."""
    number = page.upload(WATCH, "transom", "1" * 32)["judgement"]
    with open_book(page.book) as book:
        raised = views.booked(book, BOAT, Settings())
    key = ("transom", HAULED.isoformat())
    text, order = shown(page, number), page.get(f"/order?boat={BOAT}").text
    assert (key in raised) == ("By the book:" in text) == ("Won" in order and "last to the next" in order)
    if key in raised:
        assert "by the book; photo:" in page.get(f"/boat?name={BOAT}").text


def test_a_weight_or_a_thickness_is_judged_with_the_photo(page: Page) -> None:
    number = page.upload(WATCH, "transom", "1" * 32)["judgement"]
    assert "Weighed or measured" in shown(page, number)
    for bad in ({}, {"weighed_g": "a lot"}, {"weighed_g": "-3"}, {"thickness_mm": "1e9"}):
        assert page.post(f"/judgement/{number}/measured", data=bad).status_code == 422, bad
    page.post(f"/judgement/{number}/measured", data={"weighed_g": "212,5"})
    with open_book(page.book) as book:
        judged = _settled(page, book, "transom")
        last = next(j for j in judged if j.counts)
        record = verdict_from_json(book.record_json(last.reading.record_sha256))
    assert last.mass_method == "weighed"
    assert record.given is not None
    assert record.given.weighed_g == 212.5


def test_the_library_never_stands_in_for_a_part_that_nobody_noted(page: Page) -> None:
    """A position without a part asks which one sits there; nothing is guessed."""
    with open_book(page.book) as book:
        book.add_position(BOAT, "skeg")
    text = page.get(f"/part?boat={BOAT}&position=skeg").text
    assert "The book has no part here." in text
    assert "<option>plate-120x60x16-2holes</option>" in text
    plain = {"id": "1" * 32, "boat": BOAT, "position": "skeg", "size": len(WATCH)}
    answer = page.post("/upload", json=plain)
    assert (answer.status_code, answer.json()["remedy"][:15]) == (409, "Choose the part")
    assert page.post("/upload", json={**plain, "template": "no-such-part"}).status_code == 409
    assert page.post("/upload", json={**plain, "template": 7}).status_code == 422
    page.post("/upload", json={**plain, "template": "plate-120x60x16-2holes"})
    page.put(f"/upload/{'1' * 32}?offset=0", content=WATCH)
    with open_book(page.book) as book:
        (j,) = _settled(page, book, "skeg")
        record = verdict_from_json(book.record_json(j.reading.record_sha256))
    assert record.template is not None
    assert (record.template.name, record.template.chosen) == ("plate-120x60x16-2holes", False)
