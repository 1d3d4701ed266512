"""A haul-out of the season's book as a report's source: records byte for byte as judged, earlier looks,
weighings, overrules, and what the book warns of."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

from anodewane.book.entries import BoatEntries, Reading
from anodewane.book.plot import PRINTED_TEXT_PX, wear_drawing
from anodewane.book.states import PositionState, position_states
from anodewane.book.store import Book, open_book
from anodewane.errors import UsageError
from anodewane.record import Reason
from anodewane.records import Template
from anodewane.report.gather import RecordFile, parse_record
from anodewane.report.model import BookSays, Earlier, EarlierPhoto, Finding
from anodewane.report.request import Sources
from anodewane.settings import BookRules, Settings


def read_haul_out(file: Path, boat: str, hauled: str | None = None) -> Sources:
    """Read what a haul-out of a boat says of its parts.

    Parameters
    ----------
    hauled : str, optional
        Day of the haul-out, ISO 8601; the last one with a judgement by default.

    Raises
    ------
    InputUnreadable
        The book or a record in it can't be read.
    UsageError
        No such boat, or no judgement of that haul-out.
    """
    with open_book(file, read_only=True) as book:
        entries = book.entries(boat)[0]
        name = entries.boat.name
        days = sorted({r.hauled_on for r in entries.readings if r.kind == "wear"})
        if not days:
            raise UsageError(
                f"The book holds no judgement of '{name}'.",
                "Take photos into it with 'anodewane season record'.",
            )
        day = days[-1] if hauled is None else date.fromisoformat(hauled)
        if day not in days:
            raise UsageError(
                f"The book holds no judgement of '{name}' hauled out on {day}.",
                f"It has some of {', '.join(d.isoformat() for d in days[-8:])}.",
            )
        now = [r for r in entries.readings if r.hauled_on == day and r.kind == "wear"]
        # what the book foresees is reckoned from its latest entries, so it belongs to the last haul-out only
        states = position_states([entries], Settings(), BookRules())
        says = _says(entries, states) if day == days[-1] else {}
        records = []
        order = {p.name: i for i, p in enumerate(entries.positions)}
        for r in sorted(now, key=lambda r: (order.get(r.position, len(order)), r.position)):
            data = book.record_json(r.record_sha256)
            shown = f"{r.position}.json"
            records.append(
                RecordFile(
                    shown,
                    data,
                    parse_record(data, shown),
                    r.position,
                    history=_history(book, entries, r),
                    book=says.get(r.position),
                    before=_photo_before(book, entries, r),
                )
            )
        seen = {r.position for r in now}
        left_out = tuple(p.name for p in entries.positions if p.name not in seen)
        overrules = {o.position: o for o in book.overrules(name) if o.hauled_on == day and o.stands}
        findings = tuple(
            Finding(o.position, o.verdict, o.by, o.why, o.at[:10])
            for o in overrules.values()
            if o.verdict is not None and o.position in seen
        )
        return Sources(
            tuple(records),
            (file.parent,),
            left_out,
            name,
            day.isoformat(),
            findings,
            _templates(book),
            wear_drawing(entries, states, Settings(), PRINTED_TEXT_PX),
        )


def _templates(book: Book) -> tuple[Template, ...]:
    return tuple(book.template(n) for n in book.template_names())


def _history(book: Book, entries: BoatEntries, now: Reading) -> tuple[Earlier, ...]:
    """What was seen and done at a position before and at this haul-out, oldest first; this haul-out's
    own look is the page itself."""
    out = [
        Earlier(f.fitted_on.isoformat(), "refit")
        for f in entries.fittings
        if f.position == now.position and f.fitted_on < now.hauled_on
    ]
    looks = [
        r
        for r in entries.readings
        if r.position == now.position and r.kind == "wear" and r.hauled_on < now.hauled_on
    ]
    out += [
        Earlier(
            r.hauled_on.isoformat(),
            "judged" if r.status == "judged" else "cannot_judge",
            r.verdict,
            r.consumed_pct,
        )
        for r in looks
    ]
    weights = [
        w
        for w in book.weighings(entries.boat.name)
        if w.position == now.position and w.hauled_on <= now.hauled_on
    ]
    out += [Earlier(w.hauled_on.isoformat(), "weighed", mass_g=w.mass_g) for w in weights]
    return tuple(sorted(out, key=lambda e: (e.date, e.kind)))


def _photo_before(book: Book, entries: BoatEntries, now: Reading) -> EarlierPhoto | None:
    """The photo of the position at the haul-out before."""
    looks = [
        r
        for r in entries.readings
        if r.position == now.position and r.kind == "wear" and r.hauled_on < now.hauled_on
    ]
    if not looks:
        return None
    last = max(looks, key=lambda r: r.hauled_on)
    if last.photo_sha256 == now.photo_sha256:
        return None
    photo = parse_record(book.record_json(last.record_sha256), f"{now.position}.json").photo
    return EarlierPhoto(last.hauled_on.isoformat(), photo.name, photo.sha256)


def _says(entries: BoatEntries, states: Sequence[PositionState]) -> dict[str, BookSays]:
    """The book's own verdict and warnings by position; warnings about the whole boat stand at each."""
    from anodewane.book.notices import notices

    warned = notices([entries], states, Settings(), BookRules())
    out = {}
    for s in states:
        reasons: Sequence[Reason] = (
            *s.reasons,
            *(n.reason for n in warned if s.position.name in n.positions or not n.positions),
        )
        raised = s.verdict if s.verdict != s.photo_verdict else None
        if reasons or raised:
            out[s.position.name] = BookSays(raised, tuple(reasons))
    return out
