"""The page: one file that loads nothing and runs nothing, says all that the PDF says, and can be read
by everyone (axe-core in a real Chromium)."""

from __future__ import annotations

import re
import shutil
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from anodewane.report.html import report_html
from anodewane.report.model import BookSays, Cover, Earlier, Finding, Report
from anodewane.report.texts import clean
from made.hand_made import judged, refused, signed
from made.report_made import FINDING, HOSTILE, hostile_record, part_of, report_of, sample_parts
from made.report_samples import POSITIONS, SAMPLES, TEARDROP, Judged

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


@pytest.fixture(scope="module")
def sample_report(judged_samples: Judged) -> Report:
    parts = sample_parts(judged_samples.folder, POSITIONS, SAMPLES, (TEARDROP,))
    return report_of(
        *parts, cover=Cover("Autumn haul-out", "Marram", "2026-10-04", "2026-10-06"), findings=(FINDING,)
    )


@pytest.fixture(scope="module")
def sample_page(sample_report: Report) -> str:
    return report_html(sample_report).decode()


class _Reader(HTMLParser):
    """Python's own HTML parser: elements with attributes, and all text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def test_the_same_report_gives_the_same_bytes(sample_report: Report, sample_page: str) -> None:
    assert report_html(sample_report).decode() == sample_page


def test_it_loads_nothing_and_runs_nothing(sample_page: str) -> None:
    read = _Reader(sample_page)
    for tag, attributes in read.tags:
        assert tag not in ("script", "iframe", "object", "embed", "link", "form", "base", "video", "audio")
        for name, value in attributes.items():
            assert not name.startswith("on"), (tag, name)
            assert name != "style", tag
            if name in ("src", "href", "xlink:href"):
                assert str(value).startswith(("data:image/jpeg;base64,", "#")), str(value)[:80]
    assert "url(" not in sample_page
    assert "@import" not in sample_page
    policy = next(
        a["content"] for t, a in read.tags if t == "meta" and a.get("http-equiv") == "Content-Security-Policy"
    )
    assert "default-src 'none'" in str(policy)


def test_every_anchor_leads_somewhere(sample_page: str) -> None:
    ids = re.findall(r' id="([^"]+)"', sample_page)
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'href="#([^"]+)"', sample_page)) <= set(ids)


def test_it_says_what_the_pages_say(sample_report: Report, sample_page: str) -> None:
    text = " ".join("".join(_Reader(sample_page).words).split())
    for part in sample_report.parts:
        for label, value in (*part.figures, *part.more):
            assert f"{label}{value}" in text, part.position
        for reason in part.reasons:
            assert reason.message in text
    for block in sample_report.hashes:
        assert all(value in text for _, value in block.rows)
    assert "A. Surveyor finds: REPLACE." in text


@pytest.mark.parametrize("text", HOSTILE)
def test_nothing_breaks_out_of_any_field(text: str) -> None:
    v = hostile_record(text)
    part = part_of(v, text, note=text, history=(Earlier(text, "refit"),))
    page = report_html(
        report_of(part, cover=Cover(text, text, text, None), findings=(Finding(text, "ok", text, text),))
    ).decode()
    plain = report_html(
        report_of(
            part_of(
                judged(provenance=signed(judged()).provenance, budget={"a": 1.0, "edge": 0.5}),
                "x",
                note="x",
                history=(Earlier("x", "refit"),),
            ),
            cover=Cover("x", "x", "x", None),
            findings=(Finding("x", "ok", "x", "x"),),
        )
    ).decode()
    tags = [t for t, _ in _Reader(page).tags]
    # the same elements as with harmless text: nothing that was typed became an element (a name too long
    # for its heading stands under it once more)
    extra = [t for t in set(tags) if tags.count(t) != [t2 for t2, _ in _Reader(plain).tags].count(t)]
    assert not set(extra) - {"p", "li"}, extra
    assert clean(text)[:60] in "".join(_Reader(page).words)
    assert "<script" not in page


SURE = {"by": "B. Surveyor", "why": "Rings dull."}


@pytest.mark.parametrize(
    ("findings", "book", "stands", "others"),
    [
        ((), None, "monitor", None),
        ((), "replace", "replace", "By the season's book; Photo: MONITOR"),
        (("replace",), None, "replace", "The signer's finding; Photo: MONITOR"),
        (("ok",), "replace", "ok", "The signer's finding; Season's book: REPLACE; Photo: MONITOR"),
        (("ok", "replace"), None, "replace", "The signer's finding; Signer: OK; Photo: MONITOR"),
    ],
)
def test_one_verdict_stands_on_cover_page_and_counts(
    findings: tuple[Any, ...], book: Any, stands: str, others: str | None
) -> None:
    """The signer's over the book's over the photo's; what is to be done goes by it, the others stand
    beside it."""
    part = part_of(judged(verdict="monitor"), "keel", book=BookSays(book, ()) if book else None)
    report = report_of(part, findings=tuple(Finding("keel", f, **SURE) for f in findings))
    (row,), (page,) = report.glance, report.parts
    assert row.grade == page.grade == stands
    assert row.others == page.others == others
    assert row.to_do == page.to_do == report.say(f"do.{stands}")
    count = dict.fromkeys(("replace", "monitor", "ok"), 0) | {stands: 1}
    assert report.counts == report.say("cover.counts_one", n=1, **count, cannot=0)
    acted = " ".join(report.actions)
    assert ("Replace: 1. keel." in acted) == (stands == "replace")
    assert ("Watch" in acted) == (stands == "monitor")


def test_the_cover_says_who_signs_and_for_whom() -> None:
    cover = Cover(
        "Survey", "Marram", "2026-10-04", "2026-10-06", "2026-118", "A. Owner", "Tidewater", "B. Surveyor",
        "North Quay", "Ketch, 12.4 m", "Below the water line.",
    )  # fmt: skip
    report = report_of(part_of(judged()), cover=cover)
    text = "".join(_Reader(report_html(report).decode()).words)
    for word in ("2026-118", "A. Owner", "Tidewater", "North Quay", "Ketch, 12.4 m", "Below the water line."):
        assert word in text
    assert report.footer == "Marram · 2026-10-06 · No. 2026-118"
    assert dict(report.signature)["Name"] == "B. Surveyor"


def test_a_long_note_is_shown_whole() -> None:
    note = "<b>&" * 2500
    assert note in "".join(_Reader(report_html(report_of(part_of(judged(), note=note))).decode()).words)


def test_a_missing_photo_is_said_where_it_is_missed() -> None:
    page = report_html(report_of(part_of(judged()), part_of(refused(), "skeg"))).decode()
    assert page.count("is missing") >= 3
    assert "No record contradicts itself" not in page


@pytest.mark.slow
@pytest.mark.skipif(CHROMIUM is None, reason="needs Chromium (package chromium)")
@pytest.mark.parametrize(("width", "mobile"), [(390, True), (1280, False)], ids=["phone", "desktop"])
@pytest.mark.parametrize("language", ["en", "de"])
def test_axe_finds_nothing_serious(
    width: int, mobile: bool, language: str, judged_samples: Judged, tmp_path: Path
) -> None:
    """axe-core, in a real browser, at the width of a phone and of a desk; nothing is loaded and nothing
    runs off the side."""
    pytest.importorskip("playwright.sync_api")
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    from playwright.sync_api import sync_playwright

    parts = sample_parts(judged_samples.folder, {"watch": "transom", "refuse": "skeg"}, SAMPLES, ())
    changed = part_of(
        judged(verdict="ok"), "קורוזיה, ימין", note="n" * 2000, history=(Earlier("2025-10-01", "refit"),)
    )
    file = tmp_path / "r.html"
    file.write_bytes(report_html(report_of(*parts, changed, findings=(FINDING,), language=language)))
    with sync_playwright() as p:
        browser = p.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        try:
            # the page's own policy would keep the checker's script out too
            page = browser.new_context(
                viewport={"width": width, "height": 850}, is_mobile=mobile, bypass_csp=True
            ).new_page()
            asked: list[str] = []
            page.on("request", lambda r: asked.append(r.url) if not r.url.startswith("data:") else None)
            page.goto(file.as_uri())
            found: Any = axe.run(page).response["violations"]
            wide = page.evaluate("document.documentElement.scrollWidth")
        finally:
            browser.close()
    assert [
        (v["id"], v["impact"], v["nodes"][0]["html"][:200])
        for v in found
        if v["impact"] in ("serious", "critical")
    ] == []
    assert asked == [file.as_uri()]
    assert wide <= width
