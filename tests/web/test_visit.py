"""The whole visit in a real Chromium, as a phone over a slow link and as a desk: one server, one
browser, six positions, a correction, an overrule, a lost connection, a server that is killed and
started again while a photo is on its way; axe-core over every page."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from anodewane.book.store import open_book
from made.web_yard import BOAT, HAULED, PARTS, SAMPLES, Server, add_keel, make_yard

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
SHOTS = os.environ.get("ANODEWANE_SHOTS")
"""A folder: pictures of the pages are left there to be looked at."""

PIECE = re.compile(r"/upload/[0-9a-f]{32}\?offset=")
"""A piece of a photo on its way."""

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="needs Chromium (package chromium)"),
]


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    book = make_yard(tmp_path_factory.mktemp("yard"))
    served = Server(book)
    try:
        yield served
    finally:
        code = served.stop()
    assert code == 0
    # nothing but what the yard keeps lies beside the book, and no piece is left over
    assert {p.name for p in book.parent.iterdir()} <= {
        "yard.book",
        "yard.book.yard",
        "yard.book-wal",
        "yard.book-shm",
    }
    assert not list((book.parent / "yard.book.yard").rglob("*.part"))


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    sync = pytest.importorskip("playwright.sync_api")
    sync.expect.set_options(timeout=60_000)
    with sync.sync_playwright() as p:
        made = p.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield made
        made.close()


def shot(page: Any, name: str, whole: bool = True) -> None:
    if SHOTS:
        page.screenshot(path=str(Path(SHOTS) / f"{name}.png"), full_page=whole)


def enter(page: Any, link: str, by: str) -> None:
    page.goto(link)
    page.get_by_label("Who are you?").fill(by)
    page.get_by_role("button", name="Pair").click()
    page.get_by_role("heading", name="Boats").wait_for()


def axe(page: Any, wide: int) -> None:
    """No serious finding of axe-core, and nothing runs off the side."""
    checker = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    found = checker.run(page).response["violations"]
    assert [
        (page.url, v["id"], v["nodes"][0]["html"][:200])
        for v in found
        if v["impact"] in ("serious", "critical")
    ] == []
    assert page.evaluate("document.documentElement.scrollWidth") <= wide
    small = page.evaluate(
        """[...document.querySelectorAll('a, button, select, textarea, summary, label.button,'
            + ' input:not([type=hidden]):not([type=file]):not([type=radio])')]
        .filter(e => e.offsetParent && !e.closest('p:not(.links) > a:not(.button), figure a')
            && !e.matches('a:has(img), p > a:not(.button)'))
        .map(e => [e.outerHTML.slice(0, 80), e.getBoundingClientRect()])
        .filter(([, r]) => r.height < 47.5 || r.width < 47.5).map(([h]) => h)"""
    )
    assert small == [], "targets smaller than 48 px"


@dataclass
class Phone:
    """A phone in the yard: its page, and its network and fingers by the browser's own protocol."""

    page: Any
    link: Any
    faults: list[str]

    def network(self, offline: bool = False, kilobytes: int = 400) -> None:
        rate = kilobytes * 1024
        self.link.send(
            "Network.emulateNetworkConditions",
            {"offline": offline, "latency": 60, "downloadThroughput": 4 * rate, "uploadThroughput": rate},
        )

    def touch(self, kind: str, *points: dict[str, float]) -> None:
        self.link.send("Input.dispatchTouchEvent", {"type": f"touch{kind}", "touchPoints": list(points)})

    def drag(self, points: list[tuple[float, float]]) -> None:
        """One finger along some points."""
        for kind, (x, y) in zip(["Start", *["Move"] * (len(points) - 1)], points, strict=True):
            self.touch(kind, {"x": x, "y": y, "id": 0})
        self.touch("End")

    def take(self, position: str) -> None:
        """Take the photo of a position whose page is open."""
        from playwright.sync_api import expect

        expect(self.page.get_by_role("heading", level=1)).to_have_text(position)
        self.page.locator("input[capture]").first.set_input_files(SAMPLES / PARTS[position][0])

    def judged(self, position: str, word: str) -> None:
        """Wait for its verdict."""
        from playwright.sync_api import expect

        self.page.wait_for_url("**/judgement/*", timeout=60_000)
        expect(self.page.get_by_role("heading", level=1)).to_have_text(position)
        expect(self.page.locator(".verdict")).to_contain_text(word)

    def accept(self, following: str) -> None:
        """Accept, and go on to the next position."""
        self.page.get_by_role("button", name=f"Accept, next: {following}").tap()

    def open(self, server: Server, position: str) -> None:
        """A position's page."""
        self.page.goto(f"{server.base}/part?boat={BOAT}&position={position}")


@pytest.fixture
def own_server(tmp_path: Path) -> Iterator[Server]:
    """A server of its own, with nothing photographed yet."""
    served = Server(make_yard(tmp_path))
    yield served
    assert served.stop() == 0


@contextmanager
def phone_of(server: Server, browser: Any) -> Iterator[Phone]:
    """A paired phone. The checker's own script needs the policy out of its way; another test drives the
    pages under the policy."""
    context = browser.new_context(
        viewport={"width": 390, "height": 844},
        is_mobile=True,
        has_touch=True,
        device_scale_factor=2,
        bypass_csp=True,
    )
    page = context.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda e: faults.append(str(e)))
    enter(page, server.link, "Robin")
    link = context.new_cdp_session(page)
    link.send("Network.enable")
    phone = Phone(page, link, faults)
    phone.network()
    yield phone
    assert faults == []
    context.close()


def test_the_visit_of_one_boat(server: Server, browser: Any) -> None:
    """The whole way: every position photographed, looked at and accepted, through a lost connection and a
    killed laptop; one outline corrected, one verdict overruled; nothing lost, nothing judged twice."""
    with phone_of(server, browser) as phone:
        _begin(phone)
        _lose_the_connection(phone)
        _kill_the_laptop(phone, server)
        phone.accept("rudder starboard")
        phone.take("rudder starboard")
        phone.judged("rudder starboard", "REPLACE")
        phone.accept("strainer")
        phone.take("strainer")
        phone.judged("strainer", "REPLACE")
        phone.accept("transom")
        phone.take("transom")
        phone.judged("transom", "REPLACE")  # it won't last, by the book
        paint_away(phone)
        _overrule(phone)
        _look_back(phone, server)
    _the_book_has_it_all(server)


def _begin(phone: Phone) -> None:
    from playwright.sync_api import expect

    page = phone.page
    axe(page, 390)
    shot(page, "boats")
    page.get_by_role("link", name=BOAT).click()
    expect(page.locator("main")).to_contain_text("0 of 6 done")
    axe(page, 390)
    shot(page, "boat-before")
    page.get_by_role("link", name="Next: bracket").click()
    axe(page, 390)
    shot(page, "part")
    phone.take("bracket")
    phone.judged("bracket", "OK")
    axe(page, 390)
    shot(page, "verdict-ok")


def _lose_the_connection(phone: Phone) -> None:
    """While a photo is taken: it waits on the phone, and goes by itself."""
    from playwright.sync_api import expect

    page = phone.page
    phone.accept("keel aft")
    expect(page.get_by_role("heading", level=1)).to_have_text("keel aft")
    page.wait_for_load_state("networkidle")
    phone.network(offline=True)
    phone.take("keel aft")
    expect(page.locator("#queue")).to_contain_text("No connection", timeout=20_000)
    shot(page, "no-connection", whole=False)
    assert _left_on_phone(page) == 1
    phone.network()
    phone.judged("keel aft", "OK")


def _kill_the_laptop(phone: Phone, server: Server) -> None:
    """The connection breaks in the middle of a photo, the server is killed and started again, the page is
    loaded again: the photo goes on from where it was."""
    from playwright.sync_api import expect

    page = phone.page
    phone.accept("rudder port")
    pieces = {"let through": 1}

    def through(route: Any) -> None:
        pieces["let through"] -= 1
        if pieces["let through"] < 0:
            route.abort("connectionfailed")
        else:
            route.continue_()

    page.route(PIECE, through)
    phone.take("rudder port")
    expect(page.locator("#queue")).to_contain_text("No connection", timeout=20_000)
    parts = list((server.book.parent / "yard.book.yard" / "uploads").glob("*.part"))
    assert [p.stat().st_size for p in parts] == [128 * 1024]
    server.kill()
    server.start()
    page.unroute(PIECE)
    page.reload()
    phone.judged("rudder port", "REPLACE")
    shot(page, "verdict-replace")


def paint_away(phone: Phone) -> None:
    """Paint some metal away and judge again: more is gone."""
    from playwright.sync_api import expect

    page = phone.page
    before, was = page.url, _gone(page)
    page.get_by_role("link", name="Correct the outline").tap()
    expect(page.get_by_role("button", name="Undo")).to_be_disabled()
    page.wait_for_load_state("networkidle")
    box = page.locator("canvas").bounding_box()
    page.get_by_role("button", name="Not metal").click()
    x, y = box["x"] + box["width"] * 0.35, box["y"] + box["height"] * 0.5
    phone.drag([(x, y + step * box["height"] * 0.03) for step in range(5)])
    expect(page.get_by_role("button", name="Undo")).to_be_enabled()
    page.wait_for_load_state("networkidle")
    shot(page, "correct")
    axe(page, 390)
    page.get_by_role("button", name="Judge again").click()
    page.wait_for_url(
        lambda url: re.search(r"/judgement/\d+$", url) is not None and url != before, timeout=60_000
    )
    expect(page.locator("main")).to_contain_text("Outline by Robin")
    assert _gone(page) > was + 5
    shot(page, "corrected")


def _overrule(phone: Phone) -> None:
    from playwright.sync_api import expect

    page = phone.page
    page.get_by_text("Overrule the verdict").tap()
    page.get_by_label("◐ Monitor").check()
    page.get_by_label("Why").fill("The paint there is metal.")
    axe(page, 390)
    page.get_by_role("button", name="Overrule").tap()
    expect(page.locator("main")).to_contain_text("Overruled by Robin")
    expect(page.locator(".verdict")).to_contain_text("MONITOR")


def _look_back(phone: Phone, server: Server) -> None:
    from playwright.sync_api import expect

    page = phone.page
    page.get_by_role("link", name=f"To {BOAT}").tap()  # overruled: signed already
    expect(page.locator("main")).to_contain_text("6 of 6 done")
    shot(page, "boat-after")
    axe(page, 390)
    page.get_by_role("link", name="Side by side").tap()
    expect(page.locator("main")).to_contain_text("Pair: rudder")
    page.wait_for_load_state("networkidle")
    shot(page, "compare")
    axe(page, 390)
    page.goto(f"{server.base}/desk")  # at hand on the phone too: the table scrolls in itself
    axe(page, 390)
    assert page.evaluate("indexedDB.databases().then((d) => d.length)") == 1
    assert _left_on_phone(page) == 0


def _the_book_has_it_all(server: Server) -> None:
    with open_book(server.book) as book:
        have = {j.reading.position: j for j in book.judgements(BOAT, hauled_on=HAULED) if j.counts}
        assert set(have) == set(PARTS)
        assert have["transom"].judged_by == "Robin"
        assert [(a.position, a.by) for a in book.accepts(BOAT)] == [
            (p, "Robin") for p in ("bracket", "keel aft", "rudder port", "rudder starboard", "strainer")
        ]
        assert {a.judgement for a in book.accepts(BOAT)} == {have[p].id for p in have if p != "transom"}
        assert [(o.position, o.verdict, o.by) for o in book.overrules(BOAT)] == [
            ("transom", "monitor", "Robin")
        ]
        assert len(book.judgements(BOAT)) == 7  # no photo was judged twice
    folder = server.book.parent / "yard.book.yard"
    assert not list((folder / "uploads").glob("*.part"))
    kept = {p.stem for p in (folder / "photos").iterdir()}
    assert kept == {hashlib.sha256((SAMPLES / f).read_bytes()).hexdigest() for f, _, _ in PARTS.values()}


def test_two_fingers_look_closer_and_one_drags_the_edge(own_server: Server, browser: Any) -> None:
    from playwright.sync_api import expect

    with phone_of(own_server, browser) as phone:
        page = phone.page
        phone.open(own_server, "transom")
        phone.take("transom")
        phone.judged("transom", "REPLACE")
        page.get_by_role("button", name="Closer").tap()
        assert "scale(1.6)" in page.locator(".zoom img").get_attribute("style")
        phone.touch("Start", *_fingers(page, ".zoom", 40))
        phone.touch("Move", *_fingers(page, ".zoom", 80))
        phone.touch("End")
        grown = re.search(r"scale\(([\d.]+)\)", page.locator(".zoom img").get_attribute("style"))
        assert grown
        assert float(grown[1]) > 2.5

        page.get_by_role("link", name="Correct the outline").tap()
        undo = page.get_by_role("button", name="Undo")
        expect(undo).to_be_disabled()
        page.wait_for_load_state("networkidle")
        box = page.locator("canvas").bounding_box()
        ring = page.evaluate("rings[0].map((p) => [p[0] * scale + left, p[1] * scale + top_])")
        x, y = box["x"] + ring[0][0] + 3, box["y"] + ring[0][1] + 3  # inside the border of 3 px
        phone.drag([(x, y), (x + 30, y + 30)])
        moved = page.evaluate("rings[0].map((p) => [p[0] * scale + left, p[1] * scale + top_])")
        assert abs(moved[0][0] - ring[0][0] - 30) + abs(moved[0][1] - ring[0][1] - 30) < 1
        assert max(abs(b[0] - a[0]) for a, b in zip(ring, moved, strict=True)) <= 30.1
        assert sum(a != b for a, b in zip(ring, moved, strict=True)) < len(ring)  # the far side stays
        # after a touch that was made by hand the browser takes the next tap for the end of its gesture
        undo.click()
        expect(undo).to_be_disabled()


def test_a_phone_that_was_sent_away_tells_of_its_photos(own_server: Server, browser: Any) -> None:
    """Signing out asks first; a page before pairing says how many photos wait on this phone."""
    from playwright.sync_api import expect

    with phone_of(own_server, browser) as phone:
        page = phone.page
        phone.open(own_server, "strainer")
        page.route(PIECE, lambda route: route.abort("connectionfailed"))
        phone.take("strainer")
        expect(page.locator("#queue")).to_contain_text("No connection", timeout=20_000)
        page.goto(own_server.base)
        for answer in ("dismiss", "accept"):
            with page.expect_event("dialog") as asked:
                page.get_by_role("button", name="Sign out Robin").tap()
            assert asked.value.message.startswith("1 photo is still on this phone and not sent.")
            getattr(asked.value, answer)()
        expect(page.locator("#waiting")).to_contain_text("1 photo is still on this phone")
        axe(page, 390)


def test_a_spoilt_photo_is_told_of_before_it_is_there_and_replaced(own_server: Server, browser: Any) -> None:
    """A small copy goes ahead; the next photo takes its place."""
    from playwright.sync_api import expect

    with phone_of(own_server, browser) as phone:
        page = phone.page
        phone.open(own_server, "strainer")
        page.route(PIECE, lambda route: route.abort("connectionfailed"))
        page.locator("input[capture]").first.set_input_files(
            {"name": "IMG_1.jpg", "mimeType": "image/jpeg", "buffer": blurred(PARTS["strainer"][0])}
        )
        warned = page.locator(".warned")
        expect(warned).to_contain_text("Blurred", timeout=20_000)
        expect(warned).to_contain_text("Hold still")
        expect(page.get_by_text("Take it again")).to_be_visible()
        axe(page, 390)
        shot(page, "warned")
        assert _left_on_phone(page) == 1
        page.unroute(PIECE)
        phone.take("strainer")
        expect(warned).to_be_hidden()
        phone.judged("strainer", "REPLACE")
    assert not list((own_server.book.parent / "yard.book.yard" / "uploads").glob("*.part"))


@pytest.mark.parametrize(("wide", "high"), [(180, 370), (320, 568), (740, 360), (390, 844)])
def test_accept_never_covers_what_it_asks_about(
    own_server: Server, browser: Any, wide: int, high: int
) -> None:
    """At 200 per cent and on its side a phone has few lines: the bar takes a third of them at most, and
    sticks only where it takes less (WCAG 2.2, 2.4.11 and 1.4.10)."""
    context = browser.new_context(viewport={"width": wide, "height": high})
    page = context.new_page()
    enter(page, own_server.link, "Robin")
    page.goto(f"{own_server.base}/part?boat={BOAT}&position=transom")
    page.locator("input[capture]").first.set_input_files(SAMPLES / PARTS["transom"][0])
    page.wait_for_url("**/judgement/*", timeout=60_000)
    bar = page.locator(".go")
    assert (bar.evaluate("e => getComputedStyle(e).position") == "sticky") is (high >= 600)
    box = page.locator(".verdict").bounding_box()
    over = bar.bounding_box()
    assert box["y"] + box["height"] <= over["y"] or over["y"] + over["height"] <= box["y"]
    if high >= 600:
        assert over["height"] <= high / 4
    context.close()


def blurred(sample: str) -> bytes:
    """A sample photo out of focus."""
    import io

    from PIL import Image, ImageFilter

    out = io.BytesIO()
    Image.open(SAMPLES / sample).filter(ImageFilter.GaussianBlur(4)).save(out, "JPEG", quality=95)
    return out.getvalue()


def _gone(page: Any) -> float:
    return float(page.locator(".gone b").inner_text().split()[0])


def _fingers(page: Any, where: str, apart: float) -> list[dict[str, float]]:
    page.locator(where).scroll_into_view_if_needed()
    box = page.locator(where).bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    return [{"x": x - apart, "y": y, "id": 0}, {"x": x + apart, "y": y, "id": 1}]


def _left_on_phone(page: Any) -> int:
    return page.evaluate(  # type: ignore[no-any-return]
        "new Promise((yes) => { const a = indexedDB.open('anodewane'); a.onsuccess = () => {"
        " const g = a.result.transaction('photos').objectStore('photos').getAll();"
        " g.onsuccess = () => yes(g.result.length); }; })"
    )


def test_the_desk(server: Server, browser: Any) -> None:
    """After the visit: the table, its filter, the seasons, under the policy as served; nothing is
    fetched from elsewhere and the policy stops nothing."""
    from playwright.sync_api import expect

    server.stop()
    server.start()
    desk = browser.new_context(viewport={"width": 1280, "height": 850})
    page = desk.new_page()
    asked: list[str] = []
    said: list[str] = []
    page.on("request", lambda r: asked.append(r.url))
    page.on("console", lambda m: said.append(m.text) if m.type == "error" else None)
    enter(page, server.link, "Sam")
    page.get_by_role("link", name="Desk").click()
    expect(page.locator("caption")).to_have_text("6 judgements")
    shot(page, "desk")
    page.get_by_label("Verdict").select_option("replace")
    page.get_by_role("button", name="Filter").click()
    expect(page.locator("caption")).to_have_text("3 judgements")  # the fourth is overruled
    page.get_by_label("Boat").select_option(BOAT)
    page.get_by_role("button", name="Filter").click()
    page.get_by_role("link", name="Compare seasons").click()
    expect(page.locator("main")).to_contain_text(str(HAULED))
    shot(page, "seasons")
    page.goto(f"{server.base}/pair")
    expect(page.locator("img.qr")).to_be_visible()
    shot(page, "pair")
    page.goto(f"{server.base}/order?boat={BOAT}")
    expect(page.locator("body")).to_contain_text("To buy")
    assert (
        page.evaluate("getComputedStyle(document.body).color") == "rgb(24, 24, 24)"
    )  # its own style is let through
    page.goto(f"{server.base}/boat?name=nobody")
    expect(page.get_by_role("heading", level=1)).to_contain_text("no boat")
    shot(page, "error")
    assert all(u.startswith(server.base) for u in asked)
    assert [s for s in said if "404" not in s] == []
    desk.close()

    # axe needs the policy out of its way
    free = browser.new_context(viewport={"width": 1280, "height": 850}, bypass_csp=True, storage_state=None)
    page = free.new_page()
    server.stop()
    server.start()
    enter(page, server.link, "Sam")
    for url in ("/desk", f"/desk/seasons?boat={BOAT}", "/pair", f"/compare?boat={BOAT}", "/judgement/7"):
        page.goto(server.base + url)
        axe(page, 1280)
    free.close()


def test_a_phone_that_is_not_paired_sees_nothing(server: Server, browser: Any) -> None:
    stranger = browser.new_context()
    page = stranger.new_page()
    page.goto(f"{server.base}/boat?name={BOAT}")
    assert page.url == f"{server.base}/in"
    assert BOAT not in page.content()
    shot(page, "stranger")
    stranger.close()


def test_a_spoilt_photo_is_judged_all_the_same_and_a_heic_is_taken(server: Server, browser: Any) -> None:
    """Under the policy as served, on another boat: whoever insists gets the judgement of a photo that
    was warned of; a HEIC, which Chromium can't decode, goes too."""
    from playwright.sync_api import expect

    server.stop()
    server.start()
    boat = "Samphire"
    with open_book(server.book) as book:
        book.add_boat(boat, "salt")
        book.haul_out(boat, HAULED)
    add_keel(server.book, boat)
    phone = browser.new_context(viewport={"width": 390, "height": 844}, is_mobile=True, has_touch=True)
    page = phone.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda e: faults.append(str(e)))
    enter(page, server.link, "Robin")
    page.goto(f"{server.base}/part?boat={boat}&position=keel forward")
    page.wait_for_load_state("networkidle")
    page.route(PIECE, lambda route: route.abort("connectionfailed"))  # a photo that takes long to send
    page.locator("input[capture]").first.set_input_files(SAMPLES / "refuse.jpg")
    expect(page.locator(".warned")).to_contain_text("heet", timeout=30_000)
    anyway = page.locator(".anyway")
    expect(anyway).to_have_text(re.compile("Judge it all the same|See its verdict"))
    assert "/part" in page.url  # nothing runs off under a finger
    page.unroute(PIECE)
    anyway.tap()
    page.wait_for_url("**/judgement/*", timeout=60_000)
    expect(page.locator(".verdict")).to_contain_text("CANNOT JUDGE")
    shot(page, "refused")
    page.locator("input[capture]").first.set_input_files(SAMPLES / "phone.heic")
    expect(page.locator(".verdict")).to_contain_text("OK", timeout=60_000)
    expect(page.locator(".zoom img")).to_have_js_property("complete", True, timeout=60_000)
    assert page.locator(".zoom img").evaluate("(img) => img.naturalWidth") > 1000
    page.get_by_role("button", name="Accept, all done").tap()
    expect(page.locator("main")).to_contain_text("1 of 1 done")
    expect(page.locator("main")).to_contain_text("accepted")
    assert faults == []
    phone.close()


def test_a_photo_that_is_not_taken_now_is_kept_and_goes_later(server: Server, browser: Any) -> None:
    """The boat goes back into the water under an open page; next season the phone still has the photo,
    and last season's stands beside it."""
    from playwright.sync_api import expect

    server.stop()
    server.start()
    phone = browser.new_context(viewport={"width": 390, "height": 844}, is_mobile=True, has_touch=True)
    page = phone.new_page()
    enter(page, server.link, "Robin")
    page.goto(f"{server.base}/part?boat={BOAT}&position=transom")
    with open_book(server.book) as book:
        book.launch(BOAT, date(2026, 11, 1))
    page.locator("input[capture]").first.set_input_files(SAMPLES / "watch.jpg")
    expect(page.locator("#queue")).to_contain_text("isn't ashore")
    expect(page.locator("#queue")).to_contain_text("kept on this phone")
    shot(page, "held", whole=False)
    with open_book(server.book) as book:
        book.haul_out(BOAT, date(2027, 10, 1))
    page.reload()
    page.wait_for_url("**/judgement/*", timeout=60_000)
    expect(page.locator("main")).to_contain_text(f"Before: {HAULED}")
    page.goto(f"{server.base}/compare?boat={BOAT}")
    assert page.locator("img.photo").count() == 7  # six of the last season, one of this
    page.wait_for_load_state("networkidle")
    shot(page, "compare-seasons")
    page.goto(f"{server.base}/desk/seasons?boat={BOAT}")
    expect(page.locator("thead")).to_contain_text("2027-10-01")
    phone.close()
