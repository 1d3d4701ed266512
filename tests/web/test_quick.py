"""The quick look at a reduced copy: what it finds, what it lets pass, what it doesn't take."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from PIL import Image

from anodewane.web.limits import Limits
from anodewane.web.views import CHECKS, NOTICES
from made.spoilt_photos import spoilt, verdict_of
from made.web_yard import HOST, PARTS, Dying, Page, application, make_yard, running


@pytest.mark.parametrize(
    ("how", "codes"),
    [
        ("blurred", {"blurred"}),
        ("no sheet", {"no_sheet", "sheet_too_little"}),
        ("dark", {"too_dark"}),
        ("cut", {"part_cut_off"}),
    ],
)
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


def test_the_quick_look_takes_only_what_it_can(page: Page) -> None:
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


def test_a_phone_that_gets_no_quick_look_goes_without(tmp_path: Path) -> None:
    book = make_yard(tmp_path)
    with running(application(book, limits=Limits(quick_looks=0)), book) as page:
        answer = page.post("/quick", content=spoilt("no"))
        assert (answer.status_code, answer.headers["retry-after"]) == (503, "5")


def test_a_worker_that_dies_costs_the_quick_look_and_nothing_else(tmp_path: Path) -> None:
    book = make_yard(tmp_path)
    with running(application(book, Dying), book) as page:
        assert page.post("/quick", content=spoilt("no")).status_code == 503
        assert page.get("/").status_code == 200
