"""Records that come into the book: a batch's output folder, or single files."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from anodewane.book.entries import HaulOut, Kind, NewJudgement
from anodewane.book.names import alike, clean_name
from anodewane.book.parts import haul_out_problem, open_haul_out, part_at
from anodewane.book.store import Book
from anodewane.errors import InputUnreadable
from anodewane.files import read_bytes, read_text

if TYPE_CHECKING:
    from anodewane.record import Verdict

MOST_LISTED = 20
"""Problems listed one by one; the rest are counted."""


@dataclass(frozen=True, slots=True)
class FoundRecord:
    """A record to be kept. where : its file, for messages; boat, position : None where nobody said;
    judged_at : when its file was written."""

    where: str
    record: bytes
    verdict: Verdict
    boat: str | None
    position: str | None
    judged_at: datetime


@dataclass(frozen=True, slots=True)
class Intake:
    """What can be kept, and what can't with the reason why. add : boats and positions that the book lacks."""

    judgements: tuple[NewJudgement, ...]
    problems: tuple[str, ...]
    add: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]


def find_records(
    path: Path, boat: str | None = None, position: str | None = None
) -> tuple[list[FoundRecord], list[str]]:
    """The records of a batch's output folder (by its summary.jsonl), or the one record in a file; and
    notes on what was passed over.

    Raises
    ------
    InputUnreadable
        No summary in the folder, or what isn't a record.
    """
    if not path.is_dir():
        return [_found(path, path.name, boat, position)], []
    summary = path / "summary.jsonl"
    if not summary.is_file():
        raise InputUnreadable(
            f"'{path.name}' isn't a batch's output: it has no summary.jsonl.",
            "Name the folder that 'anodewane batch --out' wrote, or single records.",
        )
    found, notes = [], []
    for number, text in enumerate(read_text(summary, "summary").splitlines(), start=1):
        if not text.strip():
            continue
        try:
            row = json.loads(text)
            shown, record, status, twin = (
                str(row["path"]),
                row["record"],
                row["status"],
                row.get("duplicate_of"),
            )
            place = (row.get("boat"), row.get("position"))
            if not all(v is None or isinstance(v, str) for v in (*place, record, twin)):
                raise TypeError
        except (ValueError, KeyError, TypeError) as e:
            raise InputUnreadable(
                f"Line {number} of '{summary}' isn't a row of a batch.",
                "Run the batch again with the same --out.",
            ) from e
        if status not in ("judged", "measured", "cannot_judge") or record is None:
            notes.append(f"{shown}: {status}, so there is no record of it.")
        elif twin is not None:
            notes.append(f"{shown}: the same photo as {twin}, recorded once.")
        else:
            file = path / record
            if not file.resolve().is_relative_to(path.resolve()):
                raise InputUnreadable(
                    f"Line {number} of '{summary}' names a record outside the folder.",
                    "Run the batch again with the same --out.",
                )
            found.append(_found(file, shown, boat or place[0], position or place[1]))
    return found, notes


def _found(file: Path, shown: str, boat: str | None, position: str | None) -> FoundRecord:
    from anodewane.show.record_json import verdict_from_json

    data = read_bytes(file, "record")
    try:
        verdict = verdict_from_json(data)
    except ValueError as e:
        raise InputUnreadable(
            f"'{file.name}' isn't a record.", "Give a record as 'anodewane judge' or 'batch' wrote it."
        ) from e
    return FoundRecord(
        shown, data, verdict, boat, position, datetime.fromtimestamp(file.stat().st_mtime, UTC)
    )


def place_records(
    book: Book,
    found: Iterable[FoundRecord],
    hauled_on: date | None = None,
    kind: Kind = "wear",
    *,
    new_haul_out: bool = False,
    any_date: bool = False,
) -> Intake:
    """Hold records against the book: boat, position, haul-out, the part that sat there, the photo's date,
    and whether the book has the photo at another place already.

    new_haul_out : `hauled_on` may be a day that the book lacks; any_date : photos may say another time
    than the haul-out's, as of a camera whose clock is wrong.
    """
    ready, problems, add, notes = [], [], [], []
    boats = {alike(b.name): b.name for b in book.boats()}
    positions = {(p.boat, alike(p.name)): p.name for p in book.positions()}
    for f in found:
        if f.boat is None or f.position is None:
            problems.append(f"{f.where}: no boat or position is known.")
            continue
        boat, position = clean_name(f.boat, "boat"), clean_name(f.position, "position")
        boat = boats.get(alike(boat), boat)
        position = positions.get((boat, alike(position)), position)
        day = hauled_on
        if alike(boat) in boats:
            problem = haul_out_problem(book, boat, hauled_on, new_haul_out)
            if problem is not None:
                problems.append(f"{f.where}: {problem}")
                continue
            ashore = open_haul_out(book, boat)
            day = day or (ashore.hauled_on if ashore else None)
        if day is None:
            problems.append(f"{f.where}: '{boat}' isn't ashore by the book; when was it hauled out?")
            continue
        problem = _photo_problem(book, f.verdict, boat, position, day, any_date)
        if problem is not None:
            problems.append(f"{f.where}: {problem}")
            continue
        if (boat, alike(position)) not in positions:
            add.append((boat, position))
        else:
            part = part_at(book, boat, position, day, kind)
            seen = f.verdict.template
            if part is None:
                notes.append(
                    f"{f.where}: no part is on record at '{position}' of '{boat}' before {day}; its wear "
                    "a month can't be told."
                )
            elif seen is not None and seen.name != part.template:
                problems.append(
                    f"{f.where}: judged against {seen.name}, but {part.template} sits at '{position}' of "
                    f"'{boat}'."
                )
                continue
        label = f.verdict.label
        if label is not None and (alike(label.boat), alike(label.position)) != (alike(boat), alike(position)):
            notes.append(
                f"{f.where}: taken in for '{position}' of '{boat}', but the label on its sheet says "
                f"'{label.position}' of '{label.boat}'."
            )
        ready.append(NewJudgement(boat, position, day, f.record, f.judged_at, kind))
    return Intake(tuple(ready), tuple(problems), tuple(dict.fromkeys(add)), tuple(notes))


def _photo_problem(book: Book, v: Verdict, boat: str, position: str, day: date, any_date: bool) -> str | None:
    """Why a photo can't be of a part at a haul-out; None where it can."""
    for other in book.places_of_photo(v.photo.sha256):
        if other != (boat, position, day):
            return (
                f"the book has this photo at '{other[1]}' of '{other[0]}', hauled out {other[2]}; withdraw "
                "that judgement if it belongs here."
            )
    haul_out = next((h for h in book.haul_outs(boat) if h.hauled_on == day), HaulOut(boat, day))
    if not any_date and v.photo.taken is not None:
        return date_problem(v.photo.taken, haul_out)
    return None


def date_problem(taken: str, haul_out: HaulOut) -> str | None:
    """Why a photo of that time can't be of a haul-out; None where it can, or the time can't be read. A day
    is allowed for, as cameras know no time zones."""
    try:
        on = date.fromisoformat(taken[:10])
    except ValueError:
        return None
    slack = timedelta(days=1)
    if on < haul_out.hauled_on - slack:
        return (
            f"it was taken on {on}, before '{haul_out.boat}' was hauled out on {haul_out.hauled_on}; give "
            "--any-date if the camera's clock was wrong."
        )
    if haul_out.launched_on is not None and on > haul_out.launched_on + slack:
        return (
            f"it was taken on {on}, after '{haul_out.boat}' was launched on {haul_out.launched_on}; give "
            "--any-date if the camera's clock was wrong."
        )
    return None


def add_places(book: Book, places: Iterable[tuple[str, str]]) -> None:
    """Add boats and positions that the book lacks."""
    have = {b.name for b in book.boats()}
    with book.writing():
        for boat, position in places:
            if boat not in have:
                book.add_boat(boat)
                have.add(boat)
            book.add_position(boat, position)


def problem_lines(problems: Sequence[str]) -> str:
    """Problems a line each, as many as can be read."""
    more = [f"... and {len(problems) - MOST_LISTED} more"] if len(problems) > MOST_LISTED else []
    return "".join(f"\n  {p}" for p in (*problems[:MOST_LISTED], *more)) + "\n"


def plain(value: Any) -> Any:
    """A record as plain values for JSON: dates as text."""
    from dataclasses import fields, is_dataclass

    if is_dataclass(value):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    return value
