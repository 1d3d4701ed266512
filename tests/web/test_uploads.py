"""Photos on their way: in pieces, resumed, restarted, malformed by the thousand, from eight phones at once; corrections and overrules; and nothing outside the yard."""

from __future__ import annotations

import hashlib
import json
import random
import threading
import time
import urllib.request
from collections import deque
from concurrent.futures import BrokenExecutor, Executor, Future
from http.cookiejar import CookieJar
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from anodewane.book.store import open_book
from anodewane.record_json import verdict_from_json
from anodewane.settings import Settings
from anodewane.web import guard, judging
from anodewane.web.judging import Judging
from anodewane.web.yard import Upload, Yard
from web_yard import BOAT, HAULED, HOST, PARTS, SAMPLES, Here, Page, Server, application, make_yard, pair

WATCH = (SAMPLES / "watch.jpg").read_bytes()


def begin(page: Page, number: str, size: int, position: str = "transom") -> Any:
    return page.post("/upload", json={"id": number, "boat": BOAT, "position": position, "size": size})


def test_a_photo_in_pieces_that_come_twice_late_and_out_of_order(page: Page) -> None:
    number = "1" * 32
    assert begin(page, number, len(WATCH)).json()["received"] == 0
    first = page.put(f"/upload/{number}?offset=0", content=WATCH[:100_000]).json()
    assert first["received"] == 100_000
    assert page.put(f"/upload/{number}?offset=0", content=WATCH[:100_000]).json()["received"] == 100_000  # again
    assert page.put(f"/upload/{number}?offset=150000", content=WATCH[150_000:]).json()["received"] == 100_000  # too early
    assert page.put(f"/upload/{number}?offset=100000", content=WATCH).json()["received"] == 100_000  # more than announced
    assert begin(page, number, len(WATCH)).json()["received"] == 100_000  # the page was loaded again
    told = page.upload(WATCH, "transom", number)
    assert told["state"] == "done"
    assert page.put(f"/upload/{number}?offset=0", content=b"x").json()["state"] == "done"
    kept = page.book.parent / "yard.book.yard" / "photos" / f"{hashlib.sha256(WATCH).hexdigest()}.jpg"
    assert kept.read_bytes() == WATCH
    with open_book(page.book) as book:
        (j,) = book.judgements(BOAT, "transom")
        assert (j.reading.hauled_on, j.photo_name) == (HAULED, kept.name)


def test_what_is_half_sent_or_waits_outlives_the_server(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
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
    """Paint follows its direction: less metal painted, more gone; the same outline handed back, the same figure."""
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
    area = abs(float(np.dot(ring[:, 0], np.roll(ring[:, 1], -1)) - np.dot(ring[:, 1], np.roll(ring[:, 0], -1)))) / 2
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
    assert page.post(f"/judgement/{number}/overrule", data={"verdict": "replace", "why": " "}).status_code == 409
    assert page.post(f"/judgement/{number}/overrule", data={"verdict": "fine", "why": "x"}).status_code == 422
    assert page.post(f"/judgement/{number}/overrule", data={"verdict": "replace", "why": "<b>cracked</b>"}).status_code == 200
    text = page.get(f"/judgement/{number}").text
    assert "Overruled by Robin: &lt;b&gt;cracked&lt;/b&gt;" in text
    assert "plate-120x60x16" in page.get(f"/order?boat={BOAT}").text
    page.post(f"/judgement/{number}/overrule", data={"verdict": "back", "why": "looked again"})
    assert "Overruled by" not in page.get(f"/judgement/{number}").text


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


def test_a_photo_that_never_comes_leaves_its_position_to_do(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    begin(page, "a" * 32, len(WATCH))
    boat = f"/boat?name={BOAT}"
    assert page.get(boat).text.count("on its way") == 1
    now = time.time()
    monkeypatch.setattr("anodewane.web.views.time.time", lambda: now + 1000)
    assert page.get(boat).text.count("on its way") == 0
    assert page.get(boat).text.count("left to do") == 6


# --- the queue ---------------------------------------------------------------------------------------------------------------------------


def waiting(owner: str, n: int) -> Upload:
    return Upload(f"{owner}{n:031x}", owner, BOAT, "transom", HAULED.isoformat(), "R", 1, float(n), "waiting", "x.jpg")


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


def test_a_full_queue_leaves_photos_on_their_phones(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(judging, "MAX_WAITING", 0)
    answer = begin(page, "9" * 32, len(WATCH))
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "5")


# --- fuzz --------------------------------------------------------------------------------------------------------------------------------


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
    before = {p for p in page.book.parent.rglob("*") if "yard.book.yard" not in p.parts and "-" not in p.name}
    numbers = []
    codes: set[int] = set()
    for i, data in enumerate(malformed()):
        number = f"{i:032x}"
        position = rng.choice([*PARTS, *PARTS, *PARTS, *PARTS, *PARTS, "../../../etc/passwd", "\0", "x" * 5000, "'; DROP TABLE judgements; --"])
        size = rng.choice([len(data)] * 40 + [0, -1, 10**30, 1.5, "9", None])
        answer = page.post("/upload", json={"id": number, "boat": BOAT, "position": position, "size": size})
        codes.add(answer.status_code)
        if answer.status_code != 200:
            assert set(answer.json()) == {"says", "remedy"}
            continue
        answer = page.put(f"/upload/{number}?offset={rng.choice(['0'] * 20 + ['1', '-1', 'x', '9' * 30])}", content=data)
        codes.add(answer.status_code)
        if answer.status_code != 200 or answer.json()["state"] == "receiving":  # a piece at a wrong place: the phone asks and begins again
            answer = page.put(f"/upload/{number}?offset=0", content=data)
        assert "Traceback" not in answer.text
        if answer.status_code == 200 and answer.json()["state"] != "receiving":
            numbers.append(number)
    assert codes <= {200, 409, 422, 503}
    began = time.monotonic()
    while page.app.state.yonder.yard.all() and any(u.state == "waiting" for u in page.app.state.yonder.yard.all()) and time.monotonic() - began < 120:
        time.sleep(0.05)
    states = [page.get(f"/upload/{n}").json() for n in numbers]
    assert len(states) > 1400
    assert {s["state"] for s in states} <= {"failed", "done"}
    assert all(s["says"] and s["remedy"] for s in states if s["state"] == "failed")
    assert not [s for s in states if s["state"] == "failed" and s["says"] == judging.FAULT]
    after = {p for p in page.book.parent.rglob("*") if "yard.book.yard" not in p.parts and "-" not in p.name}
    assert after == before
    assert {p.name for p in (page.book.parent / "yard.book.yard").iterdir()} <= {"photos", "pictures", "uploads", "handed", "sessions.json", "serving.lock"}


SOMETHING = st.one_of(
    st.text(max_size=40), st.sampled_from(["../..", "/etc/passwd", "Marram", "transom", "1", "-1", "%00", "2026-10-04", "0000-99-99", "pdf", "<script>", "𝔐", "9" * 40])
)


NAMES = st.sampled_from(["name", "boat", "position", "form", "day", "verdict", "year", "only", "t", "offset"])
KEYS = st.sampled_from(["rings", "strokes", "id", "size", "boat", "position"])
PLAIN = st.recursive(st.none() | st.integers() | st.text(max_size=8), lambda x: st.lists(x, max_size=3) | st.dictionaries(KEYS, x), max_leaves=6)
METHODS = ["GET", "GET", "GET", "HEAD", "POST", "PUT", "DELETE", "PATCH", "OPTIONS"]


@settings(max_examples=300, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    route=st.integers(0, 1000),
    names=st.dictionaries(NAMES, SOMETHING, max_size=4),
    path=SOMETHING,
    body=st.one_of(st.binary(max_size=200), PLAIN.map(lambda x: json.dumps(x).encode())),
    method=st.sampled_from(METHODS),
    html=st.booleans(),
)
def test_every_route_with_anything(fuzzed: Page, route: int, names: dict[str, str], path: str, body: bytes, method: str, html: bool) -> None:
    """No fault and no traceback, whatever is asked of whichever route."""
    from urllib.parse import quote, urlencode

    routes = [r.path for r in fuzzed.app.routes]
    asked = routes[route % len(routes)]
    if asked == "/leave" and method == "POST":
        return
    for hole, value in (("{number:int}", "1" if len(path) % 3 else str(len(path))), ("{token}", path), ("{id}", path), ("{name}", path), ("{what}", "overlay")):
        asked = asked.replace(hole, quote(value, safe="") or "x")
    query = urlencode({k: v.encode("utf-8", "replace").decode() for k, v in names.items()})
    headers = {"origin": HOST, "x-csrf": fuzzed.csrf, "accept": "text/html" if html else "*/*"}
    answer = fuzzed.client.request(method, f"{asked}?{query}", content=body if method not in ("GET", "HEAD") else None, headers=headers, follow_redirects=False)
    assert answer.status_code < 500 or answer.status_code in (503, 507), (method, asked, query, body, answer.text[:300])
    assert b"Traceback" not in answer.content
    assert "content-security-policy" in answer.headers


@pytest.fixture(scope="module")
def fuzzed(tmp_path_factory: pytest.TempPathFactory) -> Any:
    book = make_yard(tmp_path_factory.mktemp("fuzz"))
    app = application(book)
    patch = pytest.MonkeyPatch()
    patch.setattr(guard, "PAIRED_RATE", (1e9, 1e9))
    patch.setattr(guard, "PAIRING_RATE", (1e9, 1e9))
    with TestClient(app, base_url=HOST, raise_server_exceptions=True) as client:
        made = Page(client, book, app, pair(client, app))
        made.upload(WATCH, "transom", "1" * 32)
        yield made
    patch.undo()


# --- eight phones ------------------------------------------------------------------------------------------------------------------------


def test_eight_phones_at_once(tmp_path: Path) -> None:
    """Against the server itself, two photos a phone: no error, no photo lost or judged twice, memory of the serving process bounded (VmHWM, proc(5))."""
    server = Server(make_yard(tmp_path))
    opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(CookieJar()))
    faults: list[str] = []

    def call(who: Any, method: str, url: str, data: bytes | None = None, **headers: str) -> str:
        request = urllib.request.Request(server.base + url if url.startswith("/") else url, data, {"Origin": server.base, **headers}, method=method)
        with who.open(request, timeout=120) as answer:
            return str(answer.read().decode())

    def enter(who: Any, link: str, by: str) -> str:
        text = call(who, "POST", link, f"by={by}".encode())
        return text.split('name="csrf" content="')[1][:64]

    enter(opener, server.link, "Desk")
    links = [call(opener, "GET", "/pair").split('<p class="mono">')[1].split("</p>")[0] for _ in range(8)]
    samples = list(PARTS.items())

    def phone(n: int) -> None:
        try:
            who = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(CookieJar()))
            csrf = enter(who, links[n], f"Phone {n}")
            for k in range(2):
                position, (sample, _, _) = samples[(n + 3 * k) % 6]
                data = (SAMPLES / sample).read_bytes() + b"\0" * (8 * k + n + 1)  # a photo of its own: what stands behind a JPEG's end isn't read
                number = f"{n:016x}{k:016x}"
                told = json.loads(
                    call(who, "POST", "/upload", json.dumps({"id": number, "boat": BOAT, "position": position, "size": len(data)}).encode(), **{"X-CSRF": csrf})
                )
                while told["state"] == "receiving":
                    at = told["received"]
                    told = json.loads(call(who, "PUT", f"/upload/{number}?offset={at}", data[at : at + 131072], **{"X-CSRF": csrf}))
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
            peak = next(int(line.split()[1]) for line in status.read_text().splitlines() if line.startswith("VmHWM"))
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
    assert {hashlib.sha256(p.read_bytes()).hexdigest() for p in kept} == {j.reading.photo_sha256 for j in judged}
