"""Photos on their way: in pieces, resumed, restarted, malformed by the thousand, from eight phones at
once; corrections and overrules; and nothing outside the yard."""

from __future__ import annotations

import hashlib
import json
import random
import sys
import threading
import time
import urllib.request
from collections import deque
from concurrent.futures import BrokenExecutor, Executor, Future
from dataclasses import asdict
from datetime import date
from functools import lru_cache
from http.cookiejar import CookieJar
from pathlib import Path
from typing import Any
from urllib.error import HTTPError
from urllib.parse import quote, urlencode

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from anodewane.book.store import open_book
from anodewane.catalog.templates import load_template
from anodewane.settings import Settings
from anodewane.show.record_json import verdict_from_json
from anodewane.web import guard, judging
from anodewane.web.judging import Judging
from anodewane.web.views import CHECKS, NOTICES
from anodewane.web.yard import Upload, Yard
from made.web_yard import (
    BOAT,
    HAULED,
    HOST,
    PARTS,
    SAMPLES,
    Direct,
    Here,
    Page,
    Server,
    add_keel,
    application,
    make_yard,
    pair,
    template_file,
)

WATCH = (SAMPLES / "watch.jpg").read_bytes()


def begin(page: Page, number: str, size: int, position: str = "transom") -> Any:
    return page.post("/upload", json={"id": number, "boat": BOAT, "position": position, "size": size})


def test_a_photo_in_pieces_that_come_twice_late_and_out_of_order(page: Page) -> None:
    number = "1" * 32
    assert begin(page, number, len(WATCH)).json()["received"] == 0
    first = page.put(f"/upload/{number}?offset=0", content=WATCH[:100_000]).json()
    assert first["received"] == 100_000
    assert (
        page.put(f"/upload/{number}?offset=0", content=WATCH[:100_000]).json()["received"] == 100_000
    )  # again
    assert (
        page.put(f"/upload/{number}?offset=150000", content=WATCH[150_000:]).json()["received"] == 100_000
    )  # too early
    assert (
        page.put(f"/upload/{number}?offset=100000", content=WATCH).json()["received"] == 100_000
    )  # more than announced
    assert begin(page, number, len(WATCH)).json()["received"] == 100_000  # the page was loaded again
    told = page.upload(WATCH, "transom", number)
    assert told["state"] == "done"
    assert page.put(f"/upload/{number}?offset=0", content=b"x").json()["state"] == "done"
    kept = page.book.parent / "yard.book.yard" / "photos" / f"{hashlib.sha256(WATCH).hexdigest()}.jpg"
    assert kept.read_bytes() == WATCH
    with open_book(page.book) as book:
        (j,) = book.judgements(BOAT, "transom")
        assert (j.reading.hauled_on, j.photo_name) == (HAULED, kept.name)


def test_what_is_half_sent_or_waits_outlives_the_server(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    book = make_yard(tmp_path)
    app = application(book)
    monkeypatch.setattr(Judging, "_run", lambda self: None)  # the first server never comes to judging
    with TestClient(app, base_url=HOST) as client:
        page = Page(client, book, app, pair(client, app))
        begin(page, "1" * 32, len(WATCH))
        page.put("/upload/" + "1" * 32 + "?offset=0", content=WATCH[:70_000])
        rod = (SAMPLES / "rod.jpg").read_bytes()
        begin(page, "2" * 32, len(rod), "strainer")
        assert page.put("/upload/" + "2" * 32 + "?offset=0", content=rod).json()["state"] == "waiting"
        cookies = dict(client.cookies)
    monkeypatch.undo()
    (tmp_path / "yard.book.yard" / "uploads" / "broken.json").write_text("{")
    app = application(book)
    with TestClient(app, base_url=HOST, cookies=cookies) as client:
        page = Page(client, book, app, page.csrf)
        assert page.get("/upload/" + "1" * 32).json()["received"] == 70_000
        assert page.upload(WATCH, "transom", "1" * 32)["state"] == "done"
        assert page.upload(rod, "strainer", "2" * 32)["state"] == "done"
    with open_book(book) as opened:
        assert {j.reading.position for j in opened.judgements(BOAT)} == {"transom", "strainer"}


def test_another_phone_s_upload_is_not_seen(page: Page) -> None:
    begin(page, "3" * 32, 1000)
    other = TestClient(page.app, base_url=HOST)
    them = Page(other, page.book, page.app, pair(other, page.app))
    assert them.get("/upload/" + "3" * 32).status_code == 404
    assert them.put("/upload/" + "3" * 32 + "?offset=0", content=b"x").status_code == 404
    assert begin(them, "3" * 32, 1000).json()["says"] == "Another photo has that number."
    for number in ("../../etc/passwd", "A" * 32, "3" * 31, "3" * 33, "%2e%2e%2fyard.book"):
        assert them.get(f"/upload/{number}").status_code == 404
        assert begin(them, number, 1000).status_code == 409


def test_a_photo_that_cannot_be_judged_says_what_to_do(page: Page) -> None:
    told = page.upload((SAMPLES / "refuse.jpg").read_bytes(), "transom", "4" * 32)
    assert told["state"] == "done"  # a refusal is an answer
    text = page.get(f"/judgement/{told['judgement']}").text
    assert "CANNOT JUDGE" in text
    assert "sheet" in text
    assert "Take it again" in text
    told = page.upload(b"GIF89a" + b"x" * 100, "transom", "5" * 32)
    assert (told["state"], "GIF" in told["says"]) == ("failed", True)
    assert "0 of 6 done" in page.get(f"/boat?name={BOAT}").text


def correct(page: Page, number: int, rings: Any, strokes: Any) -> Any:
    answer = page.post(f"/judgement/{number}/correct", json={"rings": rings, "strokes": strokes})
    told = answer.json()
    began = time.monotonic()
    while told.get("state") == "waiting" and time.monotonic() - began < 60:
        time.sleep(0.01)
        told = page.get(f"/upload/{told['id']}").json()
    return told


def test_a_corrected_outline_is_judged_again_and_signed(page: Page) -> None:
    """Paint follows its direction: less metal painted, more gone; the same outline handed back,
    the same figure."""
    told = page.upload(WATCH, "transom", "6" * 32)

    def record(told: Any) -> Any:
        assert told["state"] == "done", told
        number = told["judgement"]
        with open_book(page.book) as book:
            j = book.judgement(number)
            return verdict_from_json(book.record_json(j.reading.record_sha256)), j

    found, _ = record(told)
    first = told["judgement"]
    assert found.outline is not None
    rings = [np.asarray(r).tolist() for r in found.outline.photo_px]
    same, j = record(correct(page, first, rings, []))
    assert same.consumed is not None
    assert found.consumed is not None
    assert same.consumed.area_pct.value == pytest.approx(found.consumed.area_pct.value, abs=0.3)
    assert (j.judged_by, same.provenance.manual.by if same.provenance.manual else None) == ("Robin", "Robin")
    assert same.provenance.manual is not None
    assert same.provenance.manual.when
    handed = page.book.parent / "yard.book.yard" / "handed" / f"{same.provenance.manual.sha256}.json"
    assert json.loads(handed.read_text())["rings"] == rings

    ring = np.asarray(found.outline.photo_px[0])
    lo, hi = ring.min(0), ring.max(0)
    middle = ((lo + hi) / 2).tolist()
    across = {"metal": False, "radius": 30, "points": [middle, ring[0].tolist()]}
    less, _ = record(correct(page, first, rings, [across]))
    assert less.consumed is not None
    assert less.consumed.area_pct.value > found.consumed.area_pct.value + 3
    # metal painted over the true edge snaps back to it: of the points of area that the paint adds, few stay
    length = float(np.linalg.norm(np.diff(ring, axis=0), axis=1).sum())
    area = (
        abs(float(np.dot(ring[:, 0], np.roll(ring[:, 1], -1)) - np.dot(ring[:, 1], np.roll(ring[:, 0], -1))))
        / 2
    )
    for radius in (8, 12):
        hem = {"metal": True, "radius": radius, "points": [*ring.tolist(), ring[0].tolist()]}
        more, _ = record(correct(page, first, rings, [hem]))
        assert more.consumed is not None
        off = abs(more.consumed.area_pct.value - found.consumed.area_pct.value)
        assert off < 0.15 * 100 * radius * length / area, radius

    eight = [[[700, 700], [1100, 900], [900, 700], [700, 950]]]
    assert "crosses itself" in correct(page, first, eight, [])["says"]
    gone = {"metal": False, "radius": 2000, "points": [[1000, 700]]}
    assert "left" in correct(page, first, rings, [gone])["says"]
    for bad in ({}, {"rings": [], "strokes": []}, {"rings": [[[1, 2]]], "strokes": []}, {"rings": [[[1, "x"], [1, 2], [3, 4]]], "strokes": []},
                {"rings": [[[1e300, 1], [1, 2], [3, 4]]], "strokes": []}, {"rings": rings, "strokes": [{"metal": True, "radius": -1, "points": [[1, 1]]}]}):  # fmt: skip
        assert page.post(f"/judgement/{first}/correct", json=bad).status_code == 409, bad


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
    import io
    import zipfile

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


def test_a_picture_that_is_being_drawn_is_waited_for_and_a_lost_one_is_drawn_again(page: Page) -> None:
    number = page.upload(WATCH, "transom", "7" * 32)["judgement"]
    url = f"/judgement/{number}/overlay.jpg"
    first = page.get(url).content
    (file,) = (page.book.parent / "yard.book.yard" / "pictures").iterdir()
    assert file.read_bytes() == first
    file.unlink()
    assert page.get(url).content == first  # a worker that died over it, or somebody who cleared the folder
    file.unlink()
    under_way: Future[None] = Future()
    page.app.state.yonder.judging._drawing[file.stem] = under_way
    made = b"from the worker"

    def work() -> None:
        file.write_bytes(made)
        under_way.set_result(None)

    later = threading.Timer(0.2, work)
    later.start()
    assert page.get(url).content == made
    later.join()


def test_a_heic_gets_a_verdict(page: Page) -> None:
    import io

    from PIL import Image

    add_keel(page.book)
    data = (SAMPLES / "phone.heic").read_bytes()
    told = page.upload(data, "keel forward", "a" * 32)
    assert told["state"] == "done", told
    assert (
        page.book.parent / "yard.book.yard" / "photos" / f"{hashlib.sha256(data).hexdigest()}.heic"
    ).read_bytes() == data
    with open_book(page.book) as book:
        reading = book.judgement(told["judgement"]).reading
    assert (reading.status, reading.verdict) == ("judged", "ok")  # as sample_images/phone.truth.json has it
    for what in ("overlay", "photo"):  # browsers don't show HEIC
        assert (
            Image.open(io.BytesIO(page.get(f"/judgement/{told['judgement']}/{what}.jpg").content)).format
            == "JPEG"
        )


# --- the quick look ------------------------------------------------------------------------------


def spoilt(how: str, name: str = "watch.jpg") -> bytes:
    """A sample photo as a small copy of 1280 px with its EXIF, spoilt."""
    import io

    from PIL import Image, ImageDraw, ImageFilter

    image = Image.open(SAMPLES / name)
    exif = image.getexif()
    scale = verdict_of(name).scale if how in ("blurred", "no sheet", "cut") else None
    sheet = np.array(scale.sheet_photo_px) if scale else None
    if how == "blurred":  # more than `max_blur_square_frac` of a 15 mm square
        image = image.filter(
            ImageFilter.GaussianBlur(
                0.07 * 15 * float(np.linalg.norm(sheet[1] - sheet[0])) / scale.sheet_size_mm[0]
            )
        )
    elif how == "no sheet":
        ImageDraw.Draw(image).polygon([tuple(p) for p in sheet], fill=(120, 116, 110))
    elif how == "dark":
        image = image.point(lambda v: v // 20)
    elif how == "cut":
        ring = np.array(verdict_of(name).outline.photo_px[0])
        middle, away = ring.mean(0), ring.mean(0) - sheet.mean(0)
        w, h = image.size
        if abs(away[0]) > abs(away[1]):
            image = image.crop((0, 0, int(middle[0]), h) if away[0] > 0 else (int(middle[0]), 0, w, h))
        else:
            image = image.crop((0, 0, w, int(middle[1])) if away[1] > 0 else (0, int(middle[1]), w, h))
    image.thumbnail((1280, 1280))
    out = io.BytesIO()
    image.save(out, "JPEG", quality=85, exif=exif)
    return out.getvalue()


@lru_cache(maxsize=8)
def verdict_of(name: str) -> Any:
    from anodewane.judgement.pipeline import judge

    template = next((template_file(p) for p, (s, _, _) in PARTS.items() if s == name), None)
    return judge((SAMPLES / name).read_bytes(), name, load_template(str(template)), Settings())


@pytest.mark.parametrize(("how", "codes"), [("blurred", {"blurred"}), ("no sheet", {"no_sheet", "sheet_too_little"}), ("dark", {"too_dark"}),
                                            ("cut", {"part_cut_off"})])  # fmt: skip
def test_a_spoilt_photo_is_told_of_from_a_small_copy(page: Page, how: str, codes: set[str]) -> None:
    answer = page.post("/quick", content=spoilt(how))
    assert answer.status_code == 200
    found = answer.json()["found"]
    assert found[0]["code"] in codes
    assert found[0]["stop"]
    assert found[0]["head"] == CHECKS[found[0]["code"]]
    assert len(found[0]["head"]) < 50
    assert found[0]["remedy"].endswith(".")
    assert not list((page.book.parent / "yard.book.yard" / "photos").iterdir())  # nothing of it is kept


def test_a_good_photo_is_not_warned_of(page: Page) -> None:
    """Of the samples that are judged, none is stopped; what the judgement itself would say of the
    distance is told."""
    for name, _, _ in PARTS.values():
        found = page.post("/quick", content=spoilt("no", name)).json()["found"]
        assert [w["code"] for w in found if w["stop"]] == [], name
        assert {w["code"] for w in found} <= NOTICES
        if name == "watch.jpg":
            assert {w["code"] for w in found} == {r.code for r in verdict_of(name).reasons} & NOTICES


def test_the_quick_look_takes_only_what_it_can(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    import io

    from PIL import Image

    good = spoilt("no")
    for junk in (b"", b"GIF89a", good[:2000], b"\xff\xd8\xff" + b"x" * 500):
        answer = page.post("/quick", content=junk)
        assert answer.status_code == 422, junk[:10]
        assert answer.json()["remedy"]
    assert page.post("/quick", content=b"x" * 1_200_000).status_code == 413
    out = io.BytesIO()
    Image.new("RGB", (3000, 2000)).save(out, "JPEG")
    assert page.post("/quick", content=out.getvalue()).status_code == 413
    assert page.client.post("/quick", content=good, headers={"origin": HOST}).status_code == 403
    queue = page.app.state.yonder.judging
    for _ in range(judging.MAX_QUICK):
        assert queue._quick.acquire(blocking=False)
    answer = page.post("/quick", content=good)
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "5")
    queue._quick.release(judging.MAX_QUICK)
    monkeypatch.setattr(queue, "_make", Dying)
    monkeypatch.setattr(queue, "_executor", None)
    assert (
        page.post("/quick", content=good).status_code == 503
    )  # a worker that dies costs the look, nothing else


def test_a_photo_that_is_let_go_of_leaves_nothing(page: Page) -> None:
    begin(page, "b" * 32, len(WATCH))
    page.put("/upload/" + "b" * 32 + "?offset=0", content=WATCH[:100_000])
    headers = {"origin": HOST, "x-csrf": page.csrf}
    assert page.client.delete("/upload/" + "b" * 32, headers={"origin": HOST}).status_code == 403
    assert page.client.delete("/upload/" + "b" * 32, headers=headers).status_code == 200
    assert page.get("/upload/" + "b" * 32).status_code == 404
    assert page.put("/upload/" + "b" * 32 + "?offset=100000", content=WATCH[100_000:]).status_code == 404
    assert not list((page.book.parent / "yard.book.yard" / "uploads").iterdir())
    told = page.upload(WATCH, "transom", "c" * 32)
    assert (
        page.client.delete("/upload/" + "c" * 32, headers=headers).json()["judgement"] == told["judgement"]
    )  # whole: it stays


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


def test_a_photo_that_never_comes_leaves_its_position_to_do(
    page: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    begin(page, "a" * 32, len(WATCH))
    boat = f"/boat?name={BOAT}"
    assert page.get(boat).text.count("on its way") == 1
    now = time.time()
    monkeypatch.setattr("anodewane.web.views.time.time", lambda: now + 1000)
    assert page.get(boat).text.count("on its way") == 0
    assert page.get(boat).text.count("left to do") == 6


# --- the queue -----------------------------------------------------------------------------------


def waiting(owner: str, n: int) -> Upload:
    return Upload(
        f"{owner}{n:031x}", owner, BOAT, "transom", HAULED.isoformat(), "R", 1, float(n), "waiting", "x.jpg"
    )


def test_phones_take_turns_and_a_correction_goes_first(tmp_path: Path) -> None:
    """A phone with ninety photos doesn't keep one with two waiting."""
    yard = Yard(make_yard(tmp_path))
    queue = Judging(yard, Settings(), Here, 1)
    for n in range(90):
        queue.add(waiting("a", n))
    for n in range(2):
        queue.add(waiting("b", n))
    queue.add(waiting("b", 9), urgent=True)
    order = [queue._next() for _ in range(6)]
    assert [o[0] for o in order if o] == ["a", "b", "a", "b", "a", "b"]
    assert [int(o[1:], 16) for o in order if o and o[0] == "b"] == [9, 0, 1]
    assert not queue.full
    for n in range(judging.MAX_WAITING):
        queue.add(waiting("c", n))
    assert queue.full
    yard.close()


class Dying(Executor):
    """Its workers die over every photo."""

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        future.set_exception(BrokenExecutor("a worker died"))
        return future


def test_a_photo_that_kills_its_workers_is_given_up_with_a_sentence(tmp_path: Path) -> None:
    yard = Yard(make_yard(tmp_path))
    queue = Judging(yard, Settings(), Dying, 1)
    yard.put(waiting("a", 1))
    queue.start()
    began = time.monotonic()
    while (u := yard.get(waiting("a", 1).id)) and u.state == "waiting" and time.monotonic() - began < 20:
        time.sleep(0.01)
    queue.stop()
    yard.close()
    assert u is not None
    assert (u.state, "memory" in (u.says or "")) == ("failed", True)


def test_nothing_is_waited_for_when_the_server_leaves(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C ends it at once though pages wait for a verdict and for a picture: nothing that is waited
    for here ever comes."""
    book = make_yard(tmp_path)
    app = application(book)
    monkeypatch.setattr(Judging, "_run", lambda self: None)
    monkeypatch.setattr("anodewane.web.app.WAIT_S", 1e6)
    monkeypatch.setattr(judging, "DRAW_S", 1e6)
    with TestClient(app, base_url=HOST) as client:
        page = Page(client, book, app, pair(client, app))
        begin(page, "1" * 32, len(WATCH))
        page.put("/upload/" + "1" * 32 + "?offset=0", content=WATCH)
        at_work = app.state.yonder.judging
        at_work._drawing["picture"] = Future()
        leave = threading.Timer(0.2, setattr, (at_work, "leaving", True))
        leave.start()
        assert page.get("/upload/" + "1" * 32 + "?wait=1").json()["state"] == "waiting"
        at_work.await_overlay("picture")
        leave.join()


def test_a_full_queue_leaves_photos_on_their_phones(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(judging, "MAX_WAITING", 0)
    answer = begin(page, "9" * 32, len(WATCH))
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "5")


# --- fuzz ----------------------------------------------------------------------------------------


def malformed(n: int = 2000) -> deque[bytes]:
    """Files that aren't photos, or no longer: cut, flipped, glued, lying about themselves. Seeded."""
    import io

    from PIL import Image

    rng = random.Random(6)
    noise = Image.fromarray(np.random.default_rng(6).integers(0, 255, (48, 64, 3), np.uint8))
    whole = []
    for kind in ("JPEG", "PNG", "WEBP"):
        out = io.BytesIO()
        noise.save(out, kind)
        whole.append(out.getvalue())
    whole.append((SAMPLES / "phone.heic").read_bytes()[:4000])
    heads = [
        b"\xff\xd8\xff\xe0",
        b"\x89PNG\r\n\x1a\n",
        b"RIFF\x10\0\0\0WEBPVP8 ",
        b"\0\0\0\x18ftypheic",
        b"GIF89a",
        b"%PDF-1.7",
        b"PK\x03\x04",
        b"<svg onload=alert(1)>",
        b"../../x\0",
        b"MM\0*",
        b"",
    ]
    made: deque[bytes] = deque()
    for i in range(n):
        data = bytearray(rng.choice(whole))
        how = i % 5
        if how == 0:
            data = data[: rng.randrange(1, len(data))]
        elif how == 1:
            for _ in range(rng.randrange(1, 40)):
                data[rng.randrange(len(data))] = rng.randrange(256)
        elif how == 2:
            data = bytearray(rng.choice(heads) + rng.randbytes(rng.randrange(1, 300)))
        elif how == 3:
            at = rng.randrange(len(data))
            data[at:at] = rng.randbytes(rng.randrange(1, 2000))
        else:
            data = bytearray(rng.choice(heads) + bytes(data[rng.randrange(len(data)) :]) + b"\0")
        made.append(bytes(data))
    return made


def test_two_thousand_malformed_uploads(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    """No answer of 500, no traceback, every one told with a remedy, nothing outside the yard."""
    monkeypatch.setattr(guard, "PAIRED_RATE", (1e9, 1e9))
    monkeypatch.setattr("anodewane.web.yard.os.fsync", lambda _: None)  # 4 000 flushes say nothing here
    monkeypatch.setattr("anodewane.files.os.fsync", lambda _: None)
    rng = random.Random(7)
    before = outside(page)
    numbers: list[str] = []
    codes: set[int] = set()
    headers = {"origin": HOST, "x-csrf": page.csrf}

    async def send_all(client: Any) -> None:
        for i, data in enumerate(malformed()):
            number = f"{i:032x}"
            position = rng.choice(
                [
                    *PARTS,
                    *PARTS,
                    *PARTS,
                    *PARTS,
                    *PARTS,
                    "../../../etc/passwd",
                    "\0",
                    "x" * 5000,
                    "'; DROP TABLE judgements; --",
                ]
            )
            size = rng.choice([len(data)] * 40 + [0, -1, 10**30, 1.5, "9", None])
            answer = await client.post(
                "/upload",
                json={"id": number, "boat": BOAT, "position": position, "size": size},
                headers=headers,
            )
            codes.add(answer.status_code)
            if answer.status_code != 200:
                assert set(answer.json()) == {"says", "remedy"}
                continue
            answer = await client.put(
                f"/upload/{number}?offset={rng.choice(['0'] * 20 + ['1', '-1', 'x', '9' * 30])}",
                content=data,
                headers=headers,
            )
            codes.add(answer.status_code)
            if (
                answer.status_code != 200 or answer.json()["state"] == "receiving"
            ):  # a piece at a wrong place: the phone asks and begins again
                answer = await client.put(f"/upload/{number}?offset=0", content=data, headers=headers)
            assert "Traceback" not in answer.text
            if answer.status_code == 200 and answer.json()["state"] != "receiving":
                numbers.append(number)

    direct = Direct(page.app, cookies=dict(page.client.cookies))
    usual = sys.getswitchinterval()
    sys.setswitchinterval(
        0.0002
    )  # here the judging is a thread of this process: each answer would wait for it 5 ms several times
    try:
        direct.drive(send_all)
    finally:
        sys.setswitchinterval(usual)
        direct.close()
    assert codes <= {200, 409, 422, 503}
    began = time.monotonic()
    while (
        page.app.state.yonder.yard.all()
        and any(u.state == "waiting" for u in page.app.state.yonder.yard.all())
        and time.monotonic() - began < 120
    ):
        time.sleep(0.05)
    states = [asdict(page.app.state.yonder.yard.get(n)) for n in numbers]
    assert [page.get(f"/upload/{n}").json()["state"] for n in numbers[::100]] == [
        s["state"] for s in states[::100]
    ]
    assert len(states) > 1400
    assert {s["state"] for s in states} <= {"failed", "done"}
    assert all(s["says"] and s["remedy"] for s in states if s["state"] == "failed")
    assert not [s for s in states if s["state"] == "failed" and s["says"] == judging.FAULT]
    assert outside(page) == before


SOMETHING = st.one_of(
    st.text(max_size=40),
    st.sampled_from(
        [
            "../..",
            "/etc/passwd",
            "Marram",
            "transom",
            "1",
            "-1",
            "%00",
            "2026-10-04",
            "0000-99-99",
            "pdf",
            "<script>",
            "𝔐",
            "9" * 40,
        ]
    ),
)


NAMES = st.sampled_from(
    ["name", "boat", "position", "form", "day", "verdict", "year", "only", "t", "offset", "wait"]
)
KEYS = st.sampled_from(["rings", "strokes", "id", "size", "boat", "position", "metal", "radius", "points"])
PLAIN = st.recursive(
    st.none() | st.integers() | st.text(max_size=8),
    lambda x: st.lists(x, max_size=3) | st.dictionaries(KEYS, x),
    max_leaves=6,
)
FORM = st.dictionaries(
    st.sampled_from(["boat", "verdict", "why", "by", "stay", "csrf"]),
    SOMETHING | st.sampled_from(["replace", "back"]),
    max_size=4,
)
BODY = st.one_of(
    st.binary(max_size=200),
    PLAIN.map(lambda x: json.dumps(x).encode()),
    FORM.map(lambda f: urlencode({k: _utf8(v) for k, v in f.items()}).encode()),
)
METHODS = ("GET", "HEAD", "POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "PROPFIND")
OPEN = ("/in", "/in/{token}", "/static/{name}", "/favicon.ico")
"""What a stranger may ask for."""


def _utf8(text: str) -> str:
    return text.encode("utf-8", "replace").decode()


@settings(max_examples=6, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    names=st.dictionaries(NAMES, SOMETHING, max_size=4),
    path=SOMETHING,
    number=st.integers(0, 3),
    body=BODY,
    html=st.booleans(),
    headers=st.booleans(),
)
def test_every_route_with_anything(
    fuzzed: Page, names: dict[str, str], path: str, number: int, body: bytes, html: bool, headers: bool
) -> None:
    """No fault, no traceback and nothing outside the yard, whatever is asked of whichever route; the
    list is the application's own, so that a new one is in it. Every route takes every method: with a
    good session, with a session but without its token, and from a stranger."""
    accept = {"accept": "text/html" if html else "*/*"}
    query = urlencode({k: _utf8(v) for k, v in names.items()})
    before = outside(fuzzed)
    holes = {
        "{number:int}": str(number),
        "{token}": path,
        "{id}": "1" * 32 if number else path,
        "{name}": path,
        "{what}": ("overlay", "photo", path, "x")[number],
    }
    stranger = Direct(fuzzed.app)
    asked_for: set[tuple[str, str]] = set()
    for route in fuzzed.app.routes:
        url = route.path
        for hole, value in holes.items():
            url = url.replace(hole, quote(_utf8(value), safe="") or "x")
        assert "{" not in url, "a hole that nobody fills"
        for method in sorted({*route.methods, *(METHODS if headers else METHODS[2:5])}):
            content = None if method in ("GET", "HEAD") else body
            unsafe = method not in ("GET", "HEAD")
            asked_for.add((route.path, method))
            for who, more in (
                (fuzzed.client, {"origin": HOST, "x-csrf": fuzzed.csrf}),
                *(
                    (
                        (fuzzed.client, {"origin": HOST, "x-csrf": "0" * 64}),
                        (fuzzed.client, {"x-csrf": fuzzed.csrf}),
                    )
                    if unsafe
                    else ()
                ),
                (stranger, {"origin": HOST}),
            ):
                if (route.path, method, len(more)) == ("/leave", "POST", 2) and more["x-csrf"] == fuzzed.csrf:
                    continue  # it would end the session: below
                answer = who.request(
                    method,
                    f"{url}?{query}",
                    content=content,
                    headers={**accept, **more},
                    follow_redirects=False,
                )
                what = (method, url, query, body, answer.status_code, answer.text[:300])
                assert answer.status_code < 500 or answer.status_code in (503, 507), what
                assert b"Traceback" not in answer.content, what
                assert "content-security-policy" in answer.headers, what
                if who is stranger and route.path not in OPEN:
                    assert answer.status_code in (303, 401), what
                    assert answer.headers.get("location", "/in") == "/in", what
                if (
                    unsafe
                    and more.get("x-csrf") != fuzzed.csrf
                    and who is fuzzed.client
                    and route.path != "/in/{token}"
                    and b"csrf=" + fuzzed.csrf.encode() not in body
                ):
                    assert answer.status_code in (400, 403, 404, 405, 413), what
                if unsafe and "origin" not in more:
                    assert answer.status_code == 403, what
    assert {(r.path, m) for r in fuzzed.app.routes for m in r.methods} <= asked_for
    token = pair(stranger, fuzzed.app)
    assert stranger.post(
        "/leave", content=body, headers={**accept, "origin": HOST, "x-csrf": token}, follow_redirects=False
    ).status_code in (303, 400)
    stranger.close()
    assert outside(fuzzed) == before


def outside(page: Page) -> set[Path]:
    """Files that don't belong to the yard; SQLite's own two beside the book come and go."""
    here = page.book.parent
    mine = {"photos", "pictures", "uploads", "handed", "sessions.json", "serving.lock"}
    strange = {p for p in (here / "yard.book.yard").iterdir() if p.name not in mine}
    return strange | {
        p
        for p in here.rglob("*")
        if "yard.book.yard" not in p.parts and not p.name.endswith(("-wal", "-shm"))
    }


@pytest.fixture(scope="module")
def fuzzed(tmp_path_factory: pytest.TempPathFactory) -> Any:
    book = make_yard(tmp_path_factory.mktemp("fuzz"))
    app = application(book)
    patch = pytest.MonkeyPatch()
    patch.setattr(guard, "PAIRED_RATE", (1e9, 1e9))
    for rate in ("PAIRING_RATE", "STRANGER_RATE"):
        patch.setattr(guard, rate, (1e9, 1e9))
    with TestClient(app, base_url=HOST, raise_server_exceptions=True) as client:
        made = Page(client, book, app, pair(client, app))
        made.upload(WATCH, "transom", "1" * 32)
        made.client = Direct(app, cookies=dict(client.cookies))
        yield made
        made.client.close()
    patch.undo()


# --- eight phones --------------------------------------------------------------------------------


def test_eight_phones_at_once(tmp_path: Path) -> None:
    """Against the server itself, two photos a phone: no error, no photo lost or judged twice, memory of
    the serving process bounded (VmHWM, proc(5))."""
    server = Server(make_yard(tmp_path))
    opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(CookieJar()))
    faults: list[str] = []

    def call(who: Any, method: str, url: str, data: bytes | None = None, **headers: str) -> str:
        request = urllib.request.Request(
            server.base + url if url.startswith("/") else url,
            data,
            {"Origin": server.base, **headers},
            method=method,
        )
        with who.open(request, timeout=120) as answer:
            return str(answer.read().decode())

    def enter(who: Any, link: str, by: str) -> str:
        text = call(who, "POST", link, f"by={by}".encode())
        return text.split('name="csrf" content="')[1][:64]

    enter(opener, server.link, "Desk")
    links = [call(opener, "GET", "/pair").split('<p class="mono">')[1].split("</p>")[0] for _ in range(8)]
    samples = list(PARTS.items())
    copies = {sample: spoilt("no", sample) for sample, _, _ in PARTS.values()}

    def phone(n: int) -> None:
        try:
            who = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(CookieJar()))
            csrf = enter(who, links[n], f"Phone {n}")
            for k in range(2):
                position, (sample, _, _) = samples[(n + 3 * k) % 6]
                data = (SAMPLES / sample).read_bytes() + b"\0" * (
                    8 * k + n + 1
                )  # a photo of its own: what stands behind a JPEG's end isn't read
                number = f"{n:016x}{k:016x}"
                try:  # as on a slow link: a small copy goes ahead
                    if not k:
                        assert isinstance(
                            json.loads(call(who, "POST", "/quick", copies[sample], **{"X-CSRF": csrf}))[
                                "found"
                            ],
                            list,
                        )
                except HTTPError as e:
                    if e.code != 503:  # no time for it now
                        raise
                told = json.loads(
                    call(
                        who,
                        "POST",
                        "/upload",
                        json.dumps(
                            {"id": number, "boat": BOAT, "position": position, "size": len(data)}
                        ).encode(),
                        **{"X-CSRF": csrf},
                    )
                )
                while told["state"] == "receiving":
                    at = told["received"]
                    told = json.loads(
                        call(
                            who,
                            "PUT",
                            f"/upload/{number}?offset={at}",
                            data[at : at + 131072],
                            **{"X-CSRF": csrf},
                        )
                    )
                while told["state"] == "waiting":
                    time.sleep(0.2)
                    told = json.loads(call(who, "GET", f"/upload/{number}"))
                if told["state"] != "done":
                    faults.append(f"{n} {position}: {told}")
        except Exception as e:
            faults.append(f"{n}: {type(e).__name__} {e}")

    try:
        phones = [threading.Thread(target=phone, args=(n,)) for n in range(8)]
        for p in phones:
            p.start()
        for p in phones:
            p.join(timeout=180)
        status = Path(f"/proc/{server.process.pid}/status")
        if status.exists():
            peak = next(
                int(line.split()[1]) for line in status.read_text().splitlines() if line.startswith("VmHWM")
            )
            print(f"peak of the serving process: {peak} kB")
            assert peak < 500_000
    finally:
        code = server.stop()
    assert faults == []
    assert code == 0
    with open_book(server.book) as book:
        judged = book.judgements(BOAT)
        assert len(judged) == 16
        assert len({j.reading.photo_sha256 for j in judged}) == 16
    kept = list((tmp_path / "yard.book.yard" / "photos").iterdir())
    assert {hashlib.sha256(p.read_bytes()).hexdigest() for p in kept} == {
        j.reading.photo_sha256 for j in judged
    }
