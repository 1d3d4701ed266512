"""Photos on their way: in pieces, resumed, restarted, let go of; and nobody sees another phone's."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from anodewane.book.store import open_book
from made.web_yard import (
    BOAT,
    HAULED,
    HOST,
    SAMPLES,
    WATCH,
    Never,
    Page,
    add_keel,
    application,
    begin,
    make_yard,
    pair,
    running,
)


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


def test_what_is_half_sent_or_waits_outlives_the_server(tmp_path: Path) -> None:
    book = make_yard(tmp_path)
    app = application(book, Never)  # the first server never comes to judging
    with running(app, book) as page:
        begin(page, "1" * 32, len(WATCH))
        page.put("/upload/" + "1" * 32 + "?offset=0", content=WATCH[:70_000])
        rod = (SAMPLES / "rod.jpg").read_bytes()
        begin(page, "2" * 32, len(rod), "strainer")
        assert page.put("/upload/" + "2" * 32 + "?offset=0", content=rod).json()["state"] == "waiting"
        cookies = dict(page.client.cookies)
    (tmp_path / "yard.book.yard" / "uploads" / "broken.json").write_text("{")
    app = application(book)
    with TestClient(app, base_url=HOST, cookies=cookies) as client:
        again = Page(client, book, app, page.csrf)
        assert again.get("/upload/" + "1" * 32).json()["received"] == 70_000
        assert again.upload(WATCH, "transom", "1" * 32)["state"] == "done"
        assert again.upload(rod, "strainer", "2" * 32)["state"] == "done"
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


def test_a_photo_that_never_comes_leaves_its_position_to_do(tmp_path: Path) -> None:
    book, now = make_yard(tmp_path), [1.8e9]
    with running(application(book, clock=lambda: now[0]), book) as page:
        begin(page, "a" * 32, len(WATCH))
        boat = f"/boat?name={BOAT}"
        assert page.get(boat).text.count("on its way") == 1
        now[0] += 1000
        assert page.get(boat).text.count("on its way") == 0
        assert page.get(boat).text.count("left to do") == 6


def test_a_phone_that_goes_away_in_the_middle_of_a_request_is_no_fault(page: Page) -> None:
    """As when it opens another page while a small copy is on its way: no traceback."""
    import asyncio

    from starlette.exceptions import HTTPException
    from starlette.requests import Request

    from anodewane.web.answers import body_of

    async def gone() -> dict[str, str]:
        return {"type": "http.disconnect"}

    request = Request({"type": "http", "method": "POST", "headers": [], "app": page.app}, gone)
    with pytest.raises(HTTPException) as refused:
        asyncio.run(body_of(request))
    assert refused.value.status_code == 400
