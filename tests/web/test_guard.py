"""Who may come in, and what every answer carries. The rules are those of RFC 6454 (Origin), RFC 6265bis
(cookies), CSP level 3, and OWASP's sheet on cross-site requests."""

from __future__ import annotations

import io
import json
import re
import struct
import zlib
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from anodewane.errors import OutputNotWritable, UsageError
from anodewane.web import guard
from anodewane.web.limits import LIMITS
from anodewane.web.run import bound, lan_address
from made.photos_with_place import OWNER, SERIAL, with_place
from made.web_yard import BOAT, HOST, SAMPLES, Page, application, make_yard, pair, running

ROUTES = [
    *(
        "/",
        "/pair",
        "/pair.svg?t=x",
        "/boat?name=Marram",
        "/part?boat=Marram&position=transom",
        "/compare?boat=Marram",
        "/judgement/1",
        "/judgement/1/overlay.jpg",
    ),
    *(
        "/judgement/1/correct",
        "/order",
        "/report?boat=Marram",
        "/desk",
        "/desk.csv",
        "/desk/seasons?boat=Marram",
        "/export.zip",
        f"/upload/{'0' * 32}",
        "/docs",
    ),
]


def test_a_stranger_gets_nothing(page: Page) -> None:
    stranger = TestClient(page.app, base_url=HOST)
    for url in ROUTES:
        assert stranger.get(url).status_code == 401, url
        answer = stranger.get(url, headers={"accept": "text/html"}, follow_redirects=False)
        assert (answer.status_code, answer.headers["location"]) == (303, "/in"), url
    for url in ("/upload", "/haul-out", "/judgement/1/overrule", "/judgement/1/correct", "/leave"):
        assert stranger.post(url, headers={"origin": HOST}).status_code == 401, url


def test_a_link_pairs_once_and_looking_does_not_use_it_up(page: Page) -> None:
    sessions = page.app.state.context.sessions
    token = sessions.new_link()
    phone, thief = TestClient(page.app, base_url=HOST), TestClient(page.app, base_url=HOST)
    for _ in range(3):
        assert phone.get(f"/in/{token}").status_code == 200
    assert phone.post(f"/in/{token}", data={"by": " \n "}, headers={"origin": HOST}).status_code == 422
    made = phone.post(f"/in/{token}", data={"by": "Robin"}, headers={"origin": HOST}, follow_redirects=False)
    assert made.status_code == 303
    cookie = made.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert "path=/" in cookie
    assert thief.post(f"/in/{token}", data={"by": "Thief"}, headers={"origin": HOST}).status_code == 403
    assert thief.get("/").status_code == 401


def test_links_and_sessions_end(tmp_path: Path) -> None:
    book, now = make_yard(tmp_path), [1.8e9]
    app = application(book, clock=lambda: now[0])
    with running(app, book) as page:
        late = app.state.context.sessions.new_link()
        stranger = TestClient(app, base_url=HOST)
        now[0] += LIMITS.pairing_s + 1
        answer = stranger.post(f"/in/{late}", data={"by": "Late"}, headers={"origin": HOST})
        assert answer.status_code == 403
        assert page.get("/").status_code == 200
        now[0] += LIMITS.session_s
        assert page.get("/").status_code == 401  # the day is over


def test_the_token_is_not_on_the_disk_and_a_session_outlives_the_server(tmp_path: Path) -> None:
    book = make_yard(tmp_path)
    app = application(book)
    with TestClient(app, base_url=HOST) as client:
        pair(client, app)
        token = client.cookies[guard.COOKIE]
    files = [f for f in (tmp_path / "yard.book.yard").rglob("*") if f.is_file()]
    assert files
    assert not any(token.encode() in f.read_bytes() for f in files)
    again = application(book)
    with TestClient(again, base_url=HOST, cookies={guard.COOKIE: token}) as client:
        assert client.get("/").status_code == 200
    third = application(book)
    with TestClient(third, base_url=HOST, cookies={guard.COOKIE: token + "x"}) as client:
        assert client.get("/").status_code == 401


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {},
        {"origin": HOST + ".evil.example"},
        {"origin": "https://127.0.0.1:1"},
        {"origin": "http://[::bad"},
    ],
    ids=["other", "null", "none", "longer", "port", "broken"],
)
def test_what_comes_from_another_page_is_refused(page: Page, headers: dict[str, str]) -> None:
    form = {"verdict": "ok", "why": "x", "csrf": page.csrf}
    for url in ("/judgement/1/overrule", "/haul-out", "/leave"):
        assert page.client.post(url, data=form, headers=headers).status_code == 403, url
    assert page.client.post("/upload", json={}, headers={**headers, "x-csrf": page.csrf}).status_code == 403


def test_what_lacks_the_session_s_token_is_refused(page: Page) -> None:
    for token in (None, "", "0" * 64, page.csrf[:-1], "é"):
        form = {"verdict": "ok", "why": "x", **({"csrf": token} if token is not None else {})}
        for url in ("/judgement/1/overrule", "/haul-out", "/leave"):
            assert page.client.post(url, data=form, headers={"origin": HOST}).status_code == 403, (url, token)
    for url in ("/upload", "/judgement/1/correct"):
        assert page.client.post(url, json={}, headers={"origin": HOST}).status_code == 403
    assert (
        page.client.put(f"/upload/{'0' * 32}?offset=0", content=b"x", headers={"origin": HOST}).status_code
        == 403
    )


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "192.168.1.20", ""])
def test_another_host_name_is_refused(page: Page, host: str) -> None:
    """A foreign name that is made to point here (DNS rebinding) gets nothing."""
    assert page.client.get("/", headers={"host": host}).status_code == 400


def test_every_answer_carries_the_policy(page: Page) -> None:
    for url in (*ROUTES, "/static/queue.js", "/static/../app.py", "/in", "/nothing"):
        answer = page.get(url)
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy, url
        assert "unsafe" not in policy, url
        assert "*" not in policy, url
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "same-origin"
        assert "server" not in answer.headers
    assert page.get("/").headers["cache-control"] == "no-store"


def test_names_from_the_book_are_text(page: Page) -> None:
    text = page.get("/").text
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in text


def test_guessing_is_slowed_down(page: Page) -> None:
    stranger = TestClient(page.app, base_url=HOST, client=("192.0.2.7", 5000))
    codes = [
        stranger.post(f"/in/{i}", data={"by": "x"}, headers={"origin": HOST}).status_code for i in range(14)
    ]
    assert codes[0] == 403
    assert codes[-1] == 429
    assert stranger.post("/in/x", data={"by": "x"}, headers={"origin": HOST}).headers["retry-after"] == "5"
    assert page.get("/").status_code == 200  # others aren't slowed


def test_large_bodies_are_refused(page: Page) -> None:
    assert page.post("/upload", content=b"x" * 2_100_000).status_code == 413

    def chunks() -> Any:
        for _ in range(30):
            yield b"x" * 100_000

    assert page.post("/upload", content=chunks()).status_code == 413
    assert page.post("/haul-out", content=b"boat=" + b"x" * 30_000).status_code == 413
    told = page.post(
        "/upload", json={"id": "a" * 32, "boat": BOAT, "position": "transom", "size": 61_000_000}
    )
    assert told.status_code == 409
    assert "million" in told.json()["says"]


def test_too_many_pixels_are_refused_before_they_are_decoded(page: Page) -> None:
    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    # a PNG of 20 000 x 20 000 by its header (W3C PNG, 11.2.2), of a few hundred bytes
    png = (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">IIBBBBB", 20_000, 20_000, 8, 2, 0, 0, 0))
        + chunk(b"IDAT", zlib.compress(b"\0" * 1000))
        + chunk(b"IEND", b"")
    )
    told = page.upload(png, "transom", "b" * 32)
    assert told["state"] == "failed"
    assert "20000 x 20000" in told["says"]
    assert not list((page.book.parent / "yard.book.yard" / "photos").iterdir())


def test_where_a_photo_was_taken_is_kept_with_it_and_never_shown(page: Page) -> None:
    data = with_place("jpg", SAMPLES / "watch.jpg")
    assert all(word in data for word in (OWNER, SERIAL, b"GPSLatitude"))
    told = page.upload(data, "transom", "c" * 32)
    assert told["state"] == "done"
    (kept,) = (page.book.parent / "yard.book.yard" / "photos").iterdir()
    assert kept.read_bytes() == data
    from PIL import Image

    for what in ("overlay", "photo"):
        served = page.get(f"/judgement/{told['judgement']}/{what}.jpg").content
        assert not any(word in served for word in (OWNER, SERIAL, b"GPS", b"Exif", b"http://ns.adobe.com"))
        assert not Image.open(io.BytesIO(served)).getexif()
    assert "GPS" not in page.get(f"/judgement/{told['judgement']}").text


def test_the_folder_is_private_and_one_server_has_it(page: Page) -> None:
    folder = page.book.parent / "yard.book.yard"
    assert folder.stat().st_mode & 0o077 == 0
    assert (folder / "sessions.json").stat().st_mode & 0o077 == 0
    assert list(json.loads((folder / "sessions.json").read_text())) != [page.client.cookies[guard.COOKIE]]
    with pytest.raises(UsageError, match="already"):
        application(page.book)


def test_addresses() -> None:
    assert lan_address("192.168.1.20") == "192.168.1.20"  # RFC 1918
    for bad in ("8.8.8.8", "127.0.0.1", "0.0.0.0", "yard.example", "::1"):
        with pytest.raises(UsageError):
            lan_address(bad)
    first = bound("127.0.0.1", 0)
    try:
        with pytest.raises(OutputNotWritable, match="can't be had"):
            bound("127.0.0.1", first.getsockname()[1])
    finally:
        first.close()


def test_the_threat_model_names_tests_that_exist() -> None:
    here = Path(__file__).parent
    named = set(
        re.findall(
            r"`(test_\w+)`", (here.parents[1] / "docs" / "threat-model.md").read_text(encoding="utf-8")
        )
    )
    there = set(
        re.findall(
            r"^def (test_\w+)", "".join(f.read_text(encoding="utf-8") for f in here.glob("test_*.py")), re.M
        )
    )
    assert len(named) > 15
    assert named <= there
