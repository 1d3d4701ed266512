"""The contact sheet: every photo of a batch small, with its verdict in words, on pages that need
nothing but a browser and work from a folder.

Verdicts are told by word and by the shape of sign and frame first, by colour second, so that a
black-and-white print says the same. Filtering is done by style rules alone: there is no script,
and none may run.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any
from urllib.parse import quote

from anodewane.batch.plan import SKIP_WORDS, Skipped
from anodewane.batch.rows import Row
from anodewane.record import Interval
from anodewane.show.figures import percent_and_span
from anodewane.show.marks import MARKS

PHOTOS_A_PAGE = 400

SAID_ALREADY = frozenset(
    ("past_limit", "sound", "template_chosen", "print_scale_unmeasured", "pose_ambiguous")
)
"""Reasons that word, figure and template line say, or that are the same on every card; the
record has them all."""

WORST_FIRST = (
    "replace",
    "cannot_judge",
    "unreadable",
    "crashed",
    "fault",
    "measured",
    "monitor",
    "ok",
    "pending",
)
"""The order of cards within a boat: what asks for work comes first."""


def contact_sheet(
    rows: Sequence[Row], skipped: Sequence[Skipped], notes: Sequence[str], cautions: Sequence[str], title: str
) -> Iterator[tuple[str, bytes]]:
    """Yield (name, HTML) of each page: index.html, index-2.html and so on; by boat, unknown ones last,
    the worst first."""
    from anodewane.show.html import stand_alone

    ordered = sorted(rows, key=_order)
    pages = [ordered[i : i + PHOTOS_A_PAGE] for i in range(0, len(ordered), PHOTOS_A_PAGE)] or [[]]
    for number, page in enumerate(pages, start=1):
        last = number == len(pages)
        html = stand_alone(
            "batch",
            "contact_sheet.html",
            "contact_sheet.css",
            pictures="*",
            title=title,
            photos=sum(len(r.photos) for r in rows),
            parts=len(rows),
            totals=_counts(rows),
            here=_counts(page),
            shown=len(page),
            boats=[_boat(name, list(group)) for name, group in groupby(page, key=lambda r: r.boat)],
            number=number,
            pages=[page_name(n) for n in range(1, len(pages) + 1)],
            notes=notes if last else (),
            skipped=[(s.shown, SKIP_WORDS[s.reason], s.detail) for s in skipped] if last else (),
            cautions=cautions,
        )
        yield page_name(number), html.encode()


def page_name(number: int) -> str:
    """File name of a page, counted from 1."""
    return "index.html" if number == 1 else f"index-{number}.html"


def _order(row: Row) -> tuple[Any, ...]:
    return (
        row.boat is None,
        (row.boat or "").casefold(),
        row.boat or "",
        WORST_FIRST.index(row.grade),
        -(row.consumed_pct or 0.0),
        row.position is None,
        (row.position or "").casefold(),
        row.path,
    )


def _counts(rows: Sequence[Row]) -> list[tuple[str, int]]:
    """How many there are of each grade that there is."""
    counts = [(grade, sum(r.grade == grade for r in rows)) for grade in MARKS]
    return [(grade, n) for grade, n in counts if n]


def _boat(name: str | None, rows: Sequence[Row]) -> dict[str, Any]:
    return {"name": name or "Boat not known", "counts": _counts(rows), "cards": [_card(r) for r in rows]}


def _card(row: Row) -> dict[str, Any]:
    """What a card says, as text."""
    told = [(m, r) for c, m, r in row.reasons if c not in SAID_ALREADY]
    reasons = []
    for i, (message, remedy) in enumerate(told):
        # one remedy for several reasons is said once, behind the last
        again = remedy in [r for _, r in told[i + 1 :]]
        reasons.append(f"{message} {remedy}" if remedy and not again else message)
    photos = row.path
    if len(row.photos) > 1:
        folder = row.path[: row.path.rfind("/") + 1]
        others = (p.removeprefix(folder) for p in row.photos[1:])
        photos = f"{len(row.photos)} photos together: {', '.join((row.path, *others))}"
    return {
        "grade": row.grade,
        "mark": MARKS[row.grade],
        "position": row.position or "position not known",
        "path": row.path,
        "photos": photos,
        "thumbnail": _link(row.thumbnail),
        "overlay": _link(row.overlay),
        "record": _link(row.record),
        "gone": _gone(row),
        "reasons": reasons,
        "template": row.template,
        "template_chosen": row.template_chosen,
        "duplicate_of": row.duplicate_of,
        "contradictions": row.contradictions,
        "taken": row.taken.replace("T", " ") if row.taken else None,
    }


def _gone(row: Row) -> str | None:
    """The metal gone with its interval; of no measurable wear the reason's own sentence says it."""
    value, low, high = row.consumed_pct, row.consumed_low_pct, row.consumed_high_pct
    if value is None or low is None or high is None or any(r[0] == "no_measurable_wear" for r in row.reasons):
        return None
    return percent_and_span(Interval(value, low, high))


def _link(name: str | None) -> str | None:
    """A relative address; ":" and the like can't turn it into one of another kind."""
    return quote(name, safe="/") if name else None
