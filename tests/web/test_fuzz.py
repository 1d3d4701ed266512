"""Requests by the thousand: photos that are none, and every route with anything. No answer of 500, no
traceback, nothing outside the yard."""

from __future__ import annotations

import io
import json
import random
import sys
import time
from collections import deque
from dataclasses import asdict
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from anodewane.web import judging
from anodewane.web.limits import Limits
from made.web_yard import (
    BOAT,
    HOST,
    PARTS,
    SAMPLES,
    WATCH,
    Direct,
    Page,
    application,
    make_yard,
    pair,
    running,
)

pytestmark = pytest.mark.slow

NO_RATES = Limits(paired_rate=(1e9, 1e9), stranger_rate=(1e9, 1e9), pairing_rate=(1e9, 1e9))


def malformed(n: int = 2000) -> deque[bytes]:
    """Files that aren't photos, or no longer: cut, flipped, glued, lying about themselves. Seeded."""
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


def test_two_thousand_malformed_uploads(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No answer of 500, no traceback, every one told with a remedy, nothing outside the yard."""
    book = make_yard(tmp_path)
    with running(application(book, limits=NO_RATES), book) as page:
        malformed_uploads(page, monkeypatch)


def malformed_uploads(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
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
        page.app.state.context.yard.all()
        and any(u.state == "waiting" for u in page.app.state.context.yard.all())
        and time.monotonic() - began < 120
    ):
        time.sleep(0.05)
    states = [asdict(page.app.state.context.yard.get(n)) for n in numbers]
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
        "{number:number}": str(number),
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
    mine = {"photos", "pictures", "uploads", "handed", "reports", "sessions.json", "serving.lock"}
    strange = {p for p in (here / "yard.book.yard").iterdir() if p.name not in mine}
    return strange | {
        p
        for p in here.rglob("*")
        if "yard.book.yard" not in p.parts and not p.name.endswith(("-wal", "-shm"))
    }


@pytest.fixture(scope="module")
def fuzzed(tmp_path_factory: pytest.TempPathFactory) -> Any:
    book = make_yard(tmp_path_factory.mktemp("fuzz"))
    app = application(book, limits=NO_RATES)
    with running(app, book) as made:
        made.upload(WATCH, "transom", "1" * 32)
        made.client = Direct(app, cookies=dict(made.client.cookies))
        yield made
        made.client.close()


@pytest.mark.parametrize("digits", [16, 5000])
def test_a_number_of_many_digits_is_no_page(page: Page, digits: int) -> None:
    """Python reads no more than 4300 digits into a number (sys.int_info)."""
    for method in ("GET", "POST", "HEAD", "PUT", "DELETE"):
        for tail in ("", "/correct", "/overrule", "/accept", "/overlay.jpg"):
            headers = {"origin": HOST, "x-csrf": page.csrf}
            url = f"/judgement/{'9' * digits}{tail}"
            assert page.client.request(method, url, headers=headers).status_code in (404, 405), tail
