"""Books made by hand, for tests of what is done with them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from anodewane.book.entries import NewJudgement
from anodewane.book.store import Book, new_book
from anodewane.catalog.templates import load_template, template_digest
from anodewane.record import Consumed, Interval, MassFigures, Verdict
from anodewane.records import Template
from anodewane.show.record_json import verdict_to_json
from made.hand_made import judged

PLATE = "plate-150x75x20-2slots"
HAULED = date(2026, 10, 4)


def plate() -> Template:
    return load_template(PLATE)


def seen(
    gone: float = 40.0, *, wide: float = 10.0, verdict: str = "monitor", photo: str = "a", **changes: Any
) -> Verdict:
    """The record of a worn plate."""
    part = plate()
    made = judged()
    assert made.template is not None
    return replace(
        made,
        verdict=verdict,
        consumed=Consumed(
            Interval(gone / 2, gone / 2 - 2, gone / 2 + 2), Interval(gone, gone - wide, gone + wide), 0.9
        ),
        mass=MassFigures(
            1530.0,
            Interval(1530 * (1 - gone / 100), 1400 * (1 - gone / 100), 1600 * (1 - gone / 100)),
            "recession",
        ),
        template=replace(made.template, name=part.name, sha256=template_digest(part)),
        photo=replace(made.photo, sha256=photo * 64, name=f"{photo}.jpg", taken="2026-10-05T10:11:12"),
        **changes,
    )


def new(
    verdict: Verdict,
    position: str = "rudder port",
    *,
    boat: str = "Marram",
    at: int = 12,
    hauled: date = HAULED,
    **more: Any,
) -> NewJudgement:
    """That record for a part, judged at an hour."""
    return NewJudgement(
        boat,
        position,
        hauled,
        verdict_to_json(verdict).encode(),
        datetime(2026, 10, 5, at, tzinfo=UTC),
        **more,
    )


def marram(path: Path) -> Book:
    """A boat with a pair of plates after its first season."""
    book = new_book(path)
    book.add_boat("Marram", "salt")
    for side in ("port", "starboard"):
        book.add_position("Marram", f"rudder {side}", "rudder", "2 x M10 bolt with washer")
    book.haul_out("Marram", date(2026, 4, 10), date(2026, 5, 2))
    for side in ("port", "starboard"):
        book.fit("Marram", f"rudder {side}", plate(), date(2026, 4, 18))
    book.haul_out("Marram", HAULED)
    return book
