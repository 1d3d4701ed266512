"""What people say to a judgement: outlines corrected by a finger, verdicts overruled, judgements
accepted; and its pictures."""

from __future__ import annotations

import hashlib
import io
import json
import threading
import time
import zipfile
from concurrent.futures import Future
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from starlette.testclient import TestClient

from anodewane.book.store import open_book
from anodewane.show.record_json import verdict_from_json
from anodewane.web.worker import overlay_task
from made.web_yard import (
    BOAT,
    HAULED,
    HOST,
    SAMPLES,
    WATCH,
    Here,
    Page,
    application,
    make_yard,
    pair,
    running,
)


def correct(page: Page, number: int, rings: Any, strokes: Any) -> Any:
    """Hand an outline in and wait for its judgement."""
    answer = page.post(f"/judgement/{number}/correct", json={"rings": rings, "strokes": strokes})
    told = answer.json()
    began = time.monotonic()
    while told.get("state") == "waiting" and time.monotonic() - began < 60:
        time.sleep(0.01)
        told = page.get(f"/upload/{told['id']}").json()
    return told


def record_of(page: Page, told: Any) -> Any:
    """The record of a finished upload, and its judgement in the book."""
    assert told["state"] == "done", told
    with open_book(page.book) as book:
        j = book.judgement(told["judgement"])
        return verdict_from_json(book.record_json(j.reading.record_sha256)), j


@pytest.fixture
def judged(page: Page) -> Any:
    """A judged photo: its number, its record, its rings."""
    told = page.upload(WATCH, "transom", "6" * 32)
    found, _ = record_of(page, told)
    assert found.outline is not None
    assert found.consumed is not None
    return told["judgement"], found, [np.asarray(r).tolist() for r in found.outline.photo_px]


def test_the_same_outline_handed_back_gives_the_same_figure_and_is_signed(page: Page, judged: Any) -> None:
    number, found, rings = judged
    same, j = record_of(page, correct(page, number, rings, []))
    assert same.consumed.area_pct.value == pytest.approx(found.consumed.area_pct.value, abs=0.3)
    manual = same.provenance.manual
    assert (j.judged_by, manual.by) == ("Robin", "Robin")
    assert manual.when
    handed = page.book.parent / "yard.book.yard" / "handed" / f"{manual.sha256}.json"
    assert json.loads(handed.read_text())["rings"] == rings


def test_metal_painted_away_is_gone(page: Page, judged: Any) -> None:
    number, found, rings = judged
    ring = np.asarray(found.outline.photo_px[0])
    middle = ((ring.min(0) + ring.max(0)) / 2).tolist()
    across = {"metal": False, "radius": 30, "points": [middle, ring[0].tolist()]}
    less, _ = record_of(page, correct(page, number, rings, [across]))
    assert less.consumed.area_pct.value > found.consumed.area_pct.value + 3


@pytest.mark.parametrize("radius", [8, 12])
def test_metal_painted_over_the_true_edge_snaps_back_to_it(page: Page, judged: Any, radius: int) -> None:
    """Of the points of area that the paint adds, few stay."""
    number, found, rings = judged
    ring = np.asarray(found.outline.photo_px[0])
    length = float(np.linalg.norm(np.diff(ring, axis=0), axis=1).sum())
    x, y = ring.T
    area = abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))) / 2
    hem = {"metal": True, "radius": radius, "points": [*ring.tolist(), ring[0].tolist()]}
    more, _ = record_of(page, correct(page, number, rings, [hem]))
    off = abs(more.consumed.area_pct.value - found.consumed.area_pct.value)
    assert off < 0.15 * 100 * radius * length / area


def test_what_is_no_outline_is_told(page: Page, judged: Any) -> None:
    number, _, rings = judged
    eight = [[[700, 700], [1100, 900], [900, 700], [700, 950]]]
    assert "crosses itself" in correct(page, number, eight, [])["says"]
    gone = {"metal": False, "radius": 2000, "points": [[1000, 700]]}
    assert "left" in correct(page, number, rings, [gone])["says"]
    ring = [[1, 2], [3, 4]]
    for bad in (
        {},
        {"rings": [], "strokes": []},
        {"rings": [[[1, 2]]], "strokes": []},
        {"rings": [[[1, "x"], *ring]], "strokes": []},
        {"rings": [[[1e300, 1], *ring]], "strokes": []},
        {"rings": rings, "strokes": [{"metal": True, "radius": -1, "points": [[1, 1]]}]},
    ):
        assert page.post(f"/judgement/{number}/correct", json=bad).status_code == 409, bad


def test_an_overrule_needs_a_reason_and_can_be_taken_back(page: Page) -> None:
    number = page.upload(WATCH, "transom", "7" * 32)["judgement"]
    assert (
        page.post(f"/judgement/{number}/overrule", data={"verdict": "replace", "why": " "}).status_code == 409
    )
    assert page.post(f"/judgement/{number}/overrule", data={"verdict": "fine", "why": "x"}).status_code == 422
    assert (
        page.post(
            f"/judgement/{number}/overrule", data={"verdict": "replace", "why": "<b>cracked</b>"}
        ).status_code
        == 200
    )
    text = page.get(f"/judgement/{number}").text
    assert "Overruled by Robin: &lt;b&gt;cracked&lt;/b&gt;" in text
    assert "plate-120x60x16" in page.get(f"/order?boat={BOAT}").text
    page.post(f"/judgement/{number}/overrule", data={"verdict": "back", "why": "looked again"})
    assert "Overruled by" not in page.get(f"/judgement/{number}").text


def test_accepting_is_written_into_the_book(page: Page) -> None:
    number = page.upload(WATCH, "transom", "7" * 32)["judgement"]
    assert "accepted" not in page.get(f"/boat?name={BOAT}").text
    answer = page.post(f"/judgement/{number}/accept", follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, f"/part?boat={BOAT}&position=bracket")
    with open_book(page.book) as book:
        (a,) = book.accepts(BOAT)
        record = book.record_json(a.record_sha256)
    assert (a.judgement, a.position, a.hauled_on, a.by) == (number, "transom", HAULED, "Robin")
    assert verdict_from_json(record).photo.sha256 == hashlib.sha256(WATCH).hexdigest()
    text = page.get(f"/judgement/{number}").text
    assert "Accepted by Robin" in text
    assert f'action="/judgement/{number}/accept"' not in text  # nothing left to accept
    assert "accepted: Robin" in page.get("/desk").text
    head, row = (line.split(",") for line in page.get("/desk.csv").text.splitlines())
    assert dict(zip(head, row, strict=True))["accepted_by"] == "Robin"
    assert ", accepted" in page.get(f"/boat?name={BOAT}").text
    with zipfile.ZipFile(io.BytesIO(page.get("/export.zip").content)) as z:
        assert b"Robin" in z.read("accepts.csv")
    # a refusal has nothing to accept; what a later photo replaced can't be accepted any more
    refused = page.upload((SAMPLES / "refuse.jpg").read_bytes(), "bracket", "8" * 32)["judgement"]
    assert page.post(f"/judgement/{refused}/accept").status_code == 409
    assert f'action="/judgement/{refused}/accept"' not in page.get(f"/judgement/{refused}").text
    page.upload(WATCH + b"\0", "transom", "9" * 32)
    assert page.post(f"/judgement/{number}/accept").status_code == 409
    assert page.post("/judgement/99/accept").status_code == 409


def test_the_desk_accepts_and_stays_where_it_is(page: Page) -> None:
    number = page.upload(WATCH, "transom", "7" * 32)["judgement"]
    with open_book(page.book) as book:
        book.launch(BOAT, date(2026, 11, 1))
    assert 'name="stay" value="1"' in page.get(f"/judgement/{number}").text
    answer = page.post(
        f"/judgement/{number}/accept", data={"stay": "1", "csrf": page.csrf}, follow_redirects=False
    )
    assert answer.headers["location"] == f"/judgement/{number}"
    other = TestClient(page.app, base_url=HOST)
    pair(other, page.app)  # by the same name: accepted already
    assert f'action="/judgement/{number}/accept"' not in other.get(f"/judgement/{number}").text


def test_a_lost_picture_is_drawn_again(page: Page) -> None:
    """A worker died over it, or somebody cleared the folder."""
    number = page.upload(WATCH, "transom", "7" * 32)["judgement"]
    url = f"/judgement/{number}/overlay.jpg"
    first = page.get(url).content
    (file,) = (page.book.parent / "yard.book.yard" / "pictures").iterdir()
    assert file.read_bytes() == first
    file.unlink()
    assert page.get(url).content == first


def test_a_picture_that_is_being_drawn_is_waited_for(tmp_path: Path) -> None:
    under_way: Future[None] = Future()

    class Slow(Here):
        """Comes to drawing later."""

        def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
            return under_way if fn is overlay_task else super().submit(fn, *args, **kwargs)

    book, made = make_yard(tmp_path), b"from the worker"
    with running(application(book, Slow), book) as page:
        told = page.upload(WATCH, "transom", "7" * 32)
        _, j = record_of(page, told)

        def work() -> None:
            folder = tmp_path / "yard.book.yard" / "pictures"
            (folder / f"{j.reading.record_sha256}.jpg").write_bytes(made)
            under_way.set_result(None)

        later = threading.Timer(0.2, work)
        later.start()
        assert page.get(f"/judgement/{told['judgement']}/overlay.jpg").content == made
        later.join()


def test_lists_reports_and_exports(page: Page) -> None:
    page.upload((SAMPLES / "rod.jpg").read_bytes(), "strainer", "8" * 32)
    assert page.get(f"/report?boat={BOAT}&form=pdf").content.startswith(b"%PDF")
    report = page.get(f"/report?boat={BOAT}")
    assert "REPLACE" in report.text.upper()
    assert "is missing" not in report.text  # it found the photo in the yard
    table = page.get("/desk.csv").text.splitlines()
    assert table[0].startswith("number,boat,position")
    assert len(table) == 2
    assert page.get("/desk?verdict=ok").text.count("<tr") == 1  # its head
    assert page.get("/export.zip").content.startswith(b"PK")
    assert not [p for p in (page.book.parent / "yard.book.yard").iterdir() if p.name.startswith("tmp")]


def test_order_list_and_report_lead_back(page: Page) -> None:
    page.upload((SAMPLES / "rod.jpg").read_bytes(), "strainer", "8" * 32)
    for url in (f"/order?boat={BOAT}", f"/report?boat={BOAT}"):
        assert f'<a href="/boat?name={BOAT}">‹ {BOAT}</a>' in page.get(url).text
    assert '<a href="/">‹ Boats</a>' in page.get("/order").text
    with open_book(page.book) as book:
        book.change_boat(BOAT, rename="A&<b>")
    assert "‹ A&amp;&lt;b&gt;</a>" in page.get("/order?boat=A%26%3Cb%3E").text


def test_a_report_is_made_once_as_long_as_nothing_changes(page: Page) -> None:
    page.upload((SAMPLES / "rod.jpg").read_bytes(), "strainer", "8" * 32)
    url, reports = f"/report?boat={BOAT}", page.book.parent / "yard.book.yard" / "reports"
    first = page.get(url).content
    (kept,) = reports.iterdir()
    kept.write_bytes(first.replace(b"</body>", b"<!-- the kept one --></body>"))
    assert b"the kept one" in page.get(url).content
    with open_book(page.book) as book:
        book.change_position(BOAT, "strainer", fixings="1 x M8 stud")
    assert b"the kept one" not in page.get(url).content
    assert len(list(reports.iterdir())) == 2
