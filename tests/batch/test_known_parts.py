"""A batch that knows the parts from the season's book: labels are read first, each photo is judged against
the part of its place, and what can't be taken in is told before anything is judged."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from anodewane.batch.folder import judge_folder, plan_folder
from anodewane.book.parts import BookParts
from anodewane.book.store import Book, new_book
from anodewane.catalog.templates import load_template, template_digest, template_from_toml
from anodewane.errors import UsageError
from anodewane.report.request import read_batch
from made.batch_doubles import cheap_label, cheap_work, in_process

PLATE = load_template("plate-150x75x20-2slots")
OWN = replace(load_template("disc-160x30-4holes"), name="yard-disc-96")
"""A part that the library doesn't have."""


@pytest.fixture(autouse=True)
def cheap(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("anodewane.batch.folder.WORK", cheap_work)
    monkeypatch.setattr("anodewane.batch.folder.READ_LABEL", cheap_label)


@pytest.fixture
def book(tmp_path: Path):
    with new_book(tmp_path / "yard.book") as made:
        made.add_boat("Skua")
        for position, part in (("prop", OWN), ("keel", PLATE)):
            made.add_position("Skua", position)
            made.fit("Skua", position, part, date(2026, 4, 18))
        made.add_position("Skua", "skeg")
        yield made


@pytest.fixture
def photos(tmp_path: Path) -> Path:
    folder = tmp_path / "photos"
    folder.mkdir()
    (folder / "IMG_0006.jpg").write_text("m one labelled Skua/prop")
    (folder / "IMG_0007.jpg").write_text("o one labelled skua/Keel")
    return folder


def ashore(book: Book) -> BookParts:
    book.haul_out("Skua", date(2026, 10, 4))
    return BookParts(book)


def test_labelled_photos_are_judged_against_the_part_of_their_place(tmp_path, book, photos):
    parts = ashore(book)
    job = plan_folder(photos, tmp_path / "out", parts=parts)
    assert job.problems == ()
    keys = {i.name: i.template for i in job.items}
    assert keys == {"IMG_0006.jpg": template_digest(OWN), "IMG_0007.jpg": template_digest(PLATE)}
    assert not (tmp_path / "out").exists()  # a dry run writes nothing
    judge_folder(photos, tmp_path / "out", parts=parts, engine=in_process())
    rows = [json.loads(line) for line in (tmp_path / "out/summary.jsonl").read_text("utf-8").splitlines()]
    assert len(rows) == 2


def test_the_books_template_is_kept_with_the_results(tmp_path, book, photos):
    judge_folder(photos, tmp_path / "out", parts=ashore(book), engine=in_process())
    (file,) = (tmp_path / "out/templates").iterdir()
    assert template_digest(template_from_toml(file.read_text("utf-8"))) == template_digest(OWN)


def test_a_part_is_known_though_its_boat_was_never_noted_as_hauled_out(tmp_path, book, photos):
    """The likeliest slip of all: the template is right, and the slip is told before the work."""
    parts = BookParts(book)
    assert parts.template_at("Skua", "prop").name == OWN.name
    with pytest.raises(UsageError, match="isn't ashore, by the book"):
        judge_folder(photos, tmp_path / "out", parts=parts, engine=in_process())
    assert not (tmp_path / "out/summary.jsonl").exists()
    job = plan_folder(photos, tmp_path / "out", parts=parts)
    assert len(job.problems) == 2
    assert job.items == ()


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("m no label at all", "no boat or position is known"),
        ("m labelled Skua/rudder", "'rudder' of 'Skua' isn't in the book"),
        ("m labelled Skua/skeg", "the book has no part at 'skeg'"),
    ],
)
def test_the_library_never_stands_in_for_a_part(tmp_path, book, photos, content, says):
    (photos / "IMG_0008.jpg").write_text(content)
    parts = ashore(book)
    with pytest.raises(UsageError, match=says):
        judge_folder(photos, tmp_path / "out", parts=parts, engine=in_process())
    summary = judge_folder(photos, tmp_path / "out", parts=parts, engine=in_process(), skip=True)
    assert (summary.judged_now, summary.counts.get("pending")) == (2, 1)


def test_a_haul_out_is_named_and_not_made_up(tmp_path, book, photos):
    ashore(book)
    for parts, wrong in (
        (BookParts(book, date(2026, 10, 10)), True),
        (BookParts(book, date(2026, 10, 10), new_haul_out=True), False),
        (BookParts(book, date(2026, 10, 4)), False),
    ):
        problems = plan_folder(photos, tmp_path / "out", parts=parts).problems
        assert bool(problems) is wrong
        assert all("wasn't hauled out on 2026-10-10" in p for p in problems)


def test_a_list_that_names_another_part_is_told(tmp_path, book, photos):
    (photos / "photos.csv").write_text("file,template\nIMG_0006.jpg,plate-150x75x20-2slots\n")
    job = plan_folder(photos, tmp_path / "out", parts=ashore(book))
    (problem,) = job.problems
    assert "plate-150x75x20-2slots is named for it, but yard-disc-96 sits" in problem


def test_a_report_finds_the_templates_beside_the_results(tmp_path):
    from anodewane.catalog.templates import template_to_toml

    out = tmp_path / "out"
    (out / "templates").mkdir(parents=True)
    (out / "templates" / "a.toml").write_text(template_to_toml(OWN))
    (out / "templates" / "b.toml").write_text("not a template")
    (out / "summary.jsonl").write_text("")
    assert [t.name for t in read_batch(out).templates] == [OWN.name]
