"""The contact sheet: words before colours, no script, and no file name that becomes markup."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser
from urllib.parse import unquote, urlparse

import pytest

from anodewane.batch.contact_sheet import WORST_FIRST, contact_sheet
from anodewane.batch.plan import Skipped
from anodewane.batch.rows import STATUSES, Row
from anodewane.show.marks import MARKS
from made.batch_doubles import ROW


class Page(HTMLParser):
    """Tags, links and text as a browser's parser finds them."""

    def __init__(self, html: bytes) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(html.decode())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data

    def links(self) -> list[str]:
        return [v for _, a in self.tags for k, v in a.items() if k in ("href", "src") and v is not None]


def page(rows: list[Row], skipped: tuple[Skipped, ...] = (), notes: tuple[str, ...] = ()) -> Page:
    ((name, html),) = contact_sheet(rows, skipped, notes, ["Mind the dust."], "Anodes of test")
    assert name == "index.html"
    return Page(html)


HOSTILE = [
    "<script>alert(1)</script>.jpg",
    '"><img src=x onerror=alert(1)>.jpg',
    "javascript:alert(1).jpg",
    "a&b<c>'d\".jpg",
    "//host/x.jpg",
    "http:x.jpg",
    "#?%41.jpg",
]


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_stay_text(name: str) -> None:
    row = replace(
        ROW, path=name, boat=name, position=name, record=f"b/{name}.json", overlay=f"b/{name}.overlay.jpg",
        thumbnail=f"thumbnails/{name}.jpg", contradictions=(name,),
        duplicate_of=name, template=name, taken=name, reasons=((name, name, name),),
    )  # fmt: skip
    found = page([row], (Skipped(name, "dot_file", name),), (name,))
    assert not {"script", "iframe", "object"} & {t for t, _ in found.tags}
    assert sum(t == "img" for t, _ in found.tags) == 1
    assert not any(k.startswith("on") for _, a in found.tags for k in a)
    assert name in found.text
    for link in found.links():
        parts = urlparse(link)
        assert (parts.scheme, parts.netloc, parts.query, parts.fragment) == ("", "", "", "")
    assert {unquote(link) for link in found.links()} == {row.record, row.overlay, row.thumbnail}


def test_a_record_in_the_top_folder_can_t_be_taken_for_another_scheme() -> None:
    found = page([replace(ROW, record="javascript:alert(1).jpg.json")])
    assert all(urlparse(link).scheme == "" for link in found.links())


def test_nothing_is_fetched_and_no_script_may_run() -> None:
    found = page([ROW])
    assert any(
        a.get("http-equiv") == "Content-Security-Policy" and "script-src 'none'" in str(a.get("content"))
        for _, a in found.tags
    )
    assert not any(t in ("link", "script") for t, _ in found.tags)


def test_every_status_has_a_word_and_a_sign() -> None:
    grades = ["replace", "monitor", "ok", *(s for s in STATUSES if s != "judged")]
    assert set(grades) <= set(MARKS) == set(WORST_FIRST)
    rows = [
        replace(
            ROW,
            status="judged" if g in ("replace", "monitor", "ok") else g,
            verdict=g if g in ("replace", "monitor", "ok") else None,
        )
        for g in grades
    ]
    found = page(rows)
    for grade in grades:
        assert MARKS[grade].word in found.text
        assert MARKS[grade].sign in found.text
    assert {a["id"] for t, a in found.tags if t == "input"} == {"only-all", *(f"only-{g}" for g in grades)}


def test_a_replace_says_so_with_its_figure_and_what_else_is_wrong() -> None:
    lost = ("fixing_lost", "A fixing no longer holds.", "Replace the part whatever the percentage.")
    text = page([replace(ROW, reasons=(*ROW.reasons, lost), consumed_low_pct=55.0)]).text
    assert "62 % (55 to 70) gone" in text
    assert "A fixing no longer holds." in text
    assert "Mind the dust." in text


def test_many_photos_go_on_several_pages(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("anodewane.batch.contact_sheet.PHOTOS_A_PAGE", 10)
    rows = [replace(ROW, path=f"{i:03d}.jpg", boat=f"boat {i // 7}") for i in range(35)]
    pages = [(n, Page(h)) for n, h in contact_sheet(rows, (), (), [], "t")]
    assert [n for n, _ in pages] == ["index.html", "index-2.html", "index-3.html", "index-4.html"]
    assert sum(t == "article" for _, p in pages for t, _ in p.tags) == 35
    assert "35 photos" in pages[0][1].text


def test_what_asks_for_work_comes_first_in_each_boat() -> None:
    rows = [
        replace(ROW, path="a", boat="Tern", verdict="ok", consumed_pct=4.0),
        replace(ROW, path="b", boat="Tern", verdict="replace", consumed_pct=62.0),
        replace(ROW, path="c", boat="Tern", verdict=None, status="cannot_judge", consumed_pct=None),
        replace(ROW, path="d", boat="Tern", verdict="replace", consumed_pct=88.0),
        replace(ROW, path="e", boat="Avocet", verdict="monitor", consumed_pct=40.0),
        replace(ROW, path="f", boat=None, verdict="replace", consumed_pct=99.0),
    ]
    cards = [a["class"].split()[1] for t, a in page(rows).tags if t == "article" and a["class"]]
    assert cards == ["monitor", "replace", "replace", "cannot_judge", "ok", "replace"]
    text = page(rows).text
    assert text.index("88 %") < text.index("62 %")


def test_a_share_below_nothing_is_never_minus_nought() -> None:
    text = page([replace(ROW, consumed_pct=3.5, consumed_low_pct=-0.4, consumed_high_pct=8.49)]).text
    assert "4 % (0 to 8) gone" in text
