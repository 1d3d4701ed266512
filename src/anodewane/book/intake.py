"""What comes into the book from outside: a batch's output folder, single records, and a yard's list of
boats and positions as CSV."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from anodewane.book.entries import Fitting, HaulOut, Kind, NewJudgement
from anodewane.book.names import clean_name
from anodewane.book.store import Book
from anodewane.errors import InputUnreadable, UsageError
from anodewane.files import read_bytes, read_text

if TYPE_CHECKING:
    from anodewane.record import Verdict
    from anodewane.records import Template
    from anodewane.settings import Settings

MOST_TOLD = 20
"""Problems told one by one; the rest are counted."""

# --- which part ----------------------------------------------------------------------------------


def open_haul_out(book: Book, boat: str) -> HaulOut | None:
    """The haul-out that a boat stands ashore for, by the book; None while it lies in the water."""
    outs = book.haul_outs(boat)
    return outs[-1] if outs and outs[-1].launched_on is None else None


def part_at(book: Book, boat: str, position: str, hauled_on: date, kind: Kind = "wear") -> Fitting | None:
    """The part that a photo of a haul-out shows: the worn one that came out, or (kind "refit") the new
    one fitted then. None where none is on record."""
    outs = [h for h in book.haul_outs(boat) if h.hauled_on > hauled_on]
    until = outs[0].hauled_on if outs else date.max
    found = None
    for f in book.fittings(boat, position):
        if kind == "wear":
            if f.fitted_on < hauled_on and (f.removed_on is None or f.removed_on >= hauled_on):
                found = f
        elif hauled_on <= f.fitted_on < until:
            found = f
    return found


def settings_for(book: Book, template: str, settings: Settings) -> Settings:
    """Settings by which photos of a template's parts are read: with the calibration that the book keeps
    of it, where it keeps one."""
    from anodewane.book.calibrate import calibrated_settings

    kept = book.calibration(template)
    return settings if kept is None else calibrated_settings(settings, kept)


@dataclass(frozen=True, slots=True)
class PhotoPlace:
    """Where a photo belongs in a book. template : of the part that sits there by the book, None where
    none is on record."""

    book: Book
    boat: str
    position: str
    hauled_on: date
    template: Template | None

    def keep(self, record: bytes, settings: Settings) -> None:
        """Keep the photo's record there, judged now."""
        self.book.record(
            [NewJudgement(self.boat, self.position, self.hauled_on, record, datetime.now(UTC))], settings
        )


def photo_place(
    book: Book, boat: str, position: str, hauled_on: date | None, named: Template | None = None
) -> PhotoPlace:
    """Where a photo belongs. named : the template that the user named, which mustn't contradict the book.

    Raises
    ------
    UsageError
        No such boat or position, the boat isn't ashore and no date was given, the part is of another
        template, or nobody knows which.
    """
    from anodewane.catalog.templates import template_digest

    place = book.position(boat, position)
    ashore = open_haul_out(book, place.boat)
    day = hauled_on or (ashore.hauled_on if ashore else None)
    if day is None:
        raise UsageError(
            f"'{place.boat}' isn't ashore, by the book.",
            "Give --hauled with the date, or note it with 'anodewane season haul-out'.",
        )
    part = part_at(book, place.boat, place.name, day)
    if part is None and named is None:
        raise UsageError(
            f"The book has no part at '{place.name}' of '{place.boat}' before {day}.",
            "Give --template, or note the part with 'anodewane season fit'.",
        )
    template = book.template(part.template) if part else None
    if template is not None and named is not None and template_digest(named) != template_digest(template):
        raise UsageError(
            f"The book has a part of template '{template.name}' at '{place.name}' of '{place.boat}', not "
            f"'{named.name}'.",
            "Leave --template out, or correct the fitting.",
        )
    return PhotoPlace(book, place.boat, place.name, day, template)


class BookParts:
    """Which part sits where, as a batch asks it: read from the book once. hauled_on : None takes the
    haul-out that each boat stands ashore for."""

    def __init__(self, book: Book, hauled_on: date | None = None) -> None:
        self._templates: dict[tuple[str, str], str] = {}
        made: dict[str, Template] = {}
        days = {
            b.name: hauled_on or (h.hauled_on if (h := open_haul_out(book, b.name)) else None)
            for b in book.boats()
        }
        for p in book.positions():
            day = days[p.boat]
            part = part_at(book, p.boat, p.name, day) if day is not None else None
            if part is not None:
                self._templates[p.boat, p.name] = part.template
                if part.template not in made:
                    made[part.template] = book.template(part.template)
        self._made = made
        self._calibrations = {name: book.calibration(name) for name in made}

    def template_at(self, boat: str, position: str) -> Template | None:
        """The template of the part that sits there; None where the book doesn't know."""
        name = self._templates.get((clean_name(boat, "boat"), clean_name(position, "position")))
        return self._made[name] if name is not None else None

    def settings_for(self, template: str, settings: Settings) -> Settings:
        """Settings by which photos of a template's parts are read."""
        from anodewane.book.calibrate import calibrated_settings

        kept = self._calibrations.get(template)
        return settings if kept is None else calibrated_settings(settings, kept)


# --- records -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Found:
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
) -> tuple[list[Found], list[str]]:
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
        if status not in ("judged", "cannot_judge") or record is None:
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


def _found(file: Path, shown: str, boat: str | None, position: str | None) -> Found:
    from anodewane.show.record_json import verdict_from_json

    data = read_bytes(file, "record")
    try:
        verdict = verdict_from_json(data)
    except ValueError as e:
        raise InputUnreadable(
            f"'{file.name}' isn't a record.", "Give a record as 'anodewane judge' or 'batch' wrote it."
        ) from e
    return Found(shown, data, verdict, boat, position, datetime.fromtimestamp(file.stat().st_mtime, UTC))


def place_records(
    book: Book, found: Iterable[Found], hauled_on: date | None = None, kind: Kind = "wear"
) -> Intake:
    """Hold records against the book: boat, position, haul-out and the part that sat there."""
    ready, problems, add, notes = [], [], [], []
    boats = {b.name for b in book.boats()}
    positions = {(p.boat, p.name) for p in book.positions()}
    for f in found:
        if f.boat is None or f.position is None:
            problems.append(f"{f.where}: no boat or position is known.")
            continue
        boat, position = clean_name(f.boat, "boat"), clean_name(f.position, "position")
        day = hauled_on
        if boat in boats and day is None:
            ashore = open_haul_out(book, boat)
            day = ashore.hauled_on if ashore else None
        if day is None:
            problems.append(f"{f.where}: '{boat}' isn't ashore by the book; when was it hauled out?")
            continue
        if (boat, position) not in positions:
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
        ready.append(NewJudgement(boat, position, day, f.record, f.judged_at, kind))
    return Intake(tuple(ready), tuple(problems), tuple(dict.fromkeys(add)), tuple(notes))


def add_places(book: Book, places: Iterable[tuple[str, str]]) -> None:
    """Add boats and positions that the book lacks."""
    have = {b.name for b in book.boats()}
    with book.writing():
        for boat, position in places:
            if boat not in have:
                book.add_boat(boat)
                have.add(boat)
            book.add_position(boat, position)


def told(problems: Sequence[str]) -> str:
    """Problems a line each, as many as can be read."""
    more = [f"... and {len(problems) - MOST_TOLD} more"] if len(problems) > MOST_TOLD else []
    return "".join(f"\n  {p}" for p in (*problems[:MOST_TOLD], *more)) + "\n"


# --- a yard's list -------------------------------------------------------------------------------

COLUMNS = (
    "boat",
    "water",
    "boat_note",
    "position",
    "pair",
    "fixings",
    "template",
    "alloy",
    "fitted_on",
    "new_mass_g",
    "hauled_on",
    "launched_on",
)
_SAME = {
    "note": "boat_note",
    "fitted": "fitted_on",
    "new_mass": "new_mass_g",
    "new_mass_(g)": "new_mass_g",
    "hauled": "hauled_on",
    "launched": "launched_on",
    "part": "template",
}

EXAMPLE = """boat,water,position,pair,fixings,template,alloy,fitted_on,new_mass_g,hauled_on,launched_on
Marram,salt,rudder port,rudder,2 x M10 bolt with washer,plate-150x75x20-2slots,,2026-04-18,1522,2026-04-10,2026-05-02
,,rudder starboard,rudder,2 x M10 bolt with washer,plate-150x75x20-2slots,,2026-04-18,1534,,
Sea Aster,brackish,keel aft,,1 x M12 stud,disc-160x30-4holes,aluminium,2025-05-01,,,
"""


@dataclass(frozen=True, slots=True)
class Listed:
    """What a list brought."""

    boats: int
    positions: int
    fittings: int
    haul_outs: int


def import_list(book: Book, file: Path, *, dry_run: bool = False) -> Listed:
    """Set up boats, positions, parts and haul-outs from a CSV, a line a position: all of it or, with
    every wrong line told, nothing.

    Commas, semicolons or tabs; UTF-8, or UTF-16 as spreadsheets save "Unicode text". An empty
    boat means the one above. Boats and positions that the book has are left as they are, and must
    not be contradicted.

    Raises
    ------
    UsageError
        What is wrong, line by line.
    InputUnreadable
        No text, or no such file.
    """
    rows = _list_rows(file)
    counts = {"boats": 0, "positions": 0, "fittings": 0, "haul_outs": 0}
    problems: list[str] = []
    boat: str | None = None

    class _Undo(Exception):  # noqa: N818 - no error: a way out of the transaction
        pass

    try:
        with book.writing():
            for number, row in rows:
                boat = row.get("boat") or boat
                if boat is None:
                    problems.append(f"line {number}: there is no boat, and none above.")
                    continue
                try:
                    _add_listed(book, boat, row, counts, file.parent)
                except (UsageError, InputUnreadable) as e:
                    problems.append(f"line {number}: {e.message} {e.remedy}")
            if problems or dry_run:
                raise _Undo
    except _Undo:
        pass
    if problems:
        raise UsageError(
            f"'{file.name}' has {len(problems)} wrong "
            f"line{'s' if len(problems) > 1 else ''}:{told(problems)}Nothing was taken from it.",
            "Mend them and import it again.",
        )
    return Listed(**counts)


def _list_rows(file: Path) -> list[tuple[int, dict[str, str]]]:
    data = read_bytes(file, "list")
    try:
        text = data.decode("utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    except UnicodeDecodeError as e:
        raise InputUnreadable(
            f"The list '{file.name}' isn't text in UTF-8.", "Save it as 'CSV UTF-8' in the spreadsheet."
        ) from e
    head = text.split("\n", 1)[0]
    delimiter = max(",;\t", key=head.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    try:
        names = [_SAME.get(k, k) for k in ("_".join(h.strip().lower().split()) for h in next(reader, []))]
        unknown = [n for n in names if n and n not in COLUMNS]
        if "boat" not in names or unknown:
            wrong = f"a column '{unknown[0]}'" if unknown else "no column 'boat'"
            raise UsageError(
                f"The list '{file.name}' has {wrong}.",
                f"Known columns: {', '.join(COLUMNS)}. 'anodewane season import-list --example' prints a "
                "list to start from.",
            )
        if len({n for n in names if n}) < sum(bool(n) for n in names):
            raise UsageError(f"The list '{file.name}' has a column twice.", "Take one of them out.")
        rows = [
            (reader.line_num, {n: c.strip() for n, c in zip(names, cells, strict=False) if n and c.strip()})
            for cells in reader
            if any(c.strip() for c in cells)
        ]
    except csv.Error as e:
        raise InputUnreadable(
            f"The list '{file.name}' isn't CSV: {e}.", "Save it as 'CSV UTF-8' in the spreadsheet."
        ) from e
    return rows


def _add_listed(
    book: Book, boat_name: str, row: dict[str, str], counts: dict[str, int], folder: Path
) -> None:
    boat_name = clean_name(boat_name, "boat")
    days = {k: parse_day(row[k], k) for k in ("fitted_on", "hauled_on", "launched_on") if k in row}
    mass = _number(row["new_mass_g"]) if "new_mass_g" in row else None
    have = book.boat(boat_name) if book.has_boat(boat_name) else None
    if have is None:
        book.add_boat(boat_name, row.get("water"), row.get("boat_note"))  # type: ignore[arg-type]  # checked there
        counts["boats"] += 1
    elif "water" in row and row["water"] != have.water:
        if have.water is not None:
            raise UsageError(
                f"'{boat_name}' lies in {have.water} water, by the book, and not in {row['water']}.",
                "Correct one of them.",
            )
        book.change_boat(boat_name, water=row["water"])  # type: ignore[arg-type]  # checked there
    if "hauled_on" in days:
        if all(h.hauled_on != days["hauled_on"] for h in book.haul_outs(boat_name)):
            counts["haul_outs"] += 1
        book.haul_out(boat_name, days["hauled_on"], days.get("launched_on"))
    elif "launched_on" in days:
        book.launch(boat_name, days["launched_on"])
    if "position" not in row:
        extra = [k for k in ("pair", "fixings", "template", "alloy", "fitted_on", "new_mass_g") if k in row]
        if extra:
            raise UsageError(f"There is a {extra[0]} but no position.", "Name the position.")
        return
    name = clean_name(row["position"], "position")
    place = next((p for p in book.positions(boat_name) if p.name == name), None)
    if place is None:
        place = book.add_position(boat_name, name, row.get("pair"), row.get("fixings"))
        counts["positions"] += 1
    else:
        for key, value in (("pair", place.pair), ("fixings", place.fixings)):
            if key in row and row[key] != value:
                raise UsageError(
                    f"'{name}' of '{boat_name}' has {key} {value!r} in the book and {row[key]!r} here.",
                    "Correct one of them.",
                )
    if "template" not in row:
        if "fitted_on" in row or mass is not None or "alloy" in row:
            raise UsageError(
                f"A part is told of at '{name}' of '{boat_name}' but no template.", "Name its template."
            )
        return
    if "fitted_on" not in days:
        raise UsageError(
            f"'{name}' of '{boat_name}' has a template but no fitted_on.",
            "Say when the part was fitted; leave the template out where nobody knows.",
        )
    part = template_by_name(book, row["template"], folder)
    fitting = next((f for f in book.fittings(boat_name, name) if f.fitted_on == days["fitted_on"]), None)
    if fitting is None:
        book.fit(boat_name, name, part, days["fitted_on"], alloy=_alloy(row.get("alloy")), new_mass_g=mass)
        counts["fittings"] += 1
    elif fitting.template != part.name:
        raise UsageError(
            f"{fitting.template} was fitted at '{name}' of '{boat_name}' on {days['fitted_on']}, by the "
            "book.",
            "Correct one of them.",
        )


def template_by_name(book: Book, name: str, folder: Path | None = None) -> Template:
    """A template that the book keeps, else one of the library or a file, sought in `folder` first."""
    from anodewane.catalog.templates import load_template

    if folder is not None and name.lower().endswith(".toml") and (folder / name).is_file():
        return load_template(str(folder / name))
    return book.template(name) if name in book.template_names() else load_template(name)


def parse_day(text: str, what: str) -> date:
    """A calendar date, YYYY-MM-DD and nothing else: 4/5/26 is two different days in two countries.

    Raises
    ------
    UsageError
    """
    try:
        if len(text) != 10 or text[4] != "-":
            raise ValueError
        return date.fromisoformat(text)
    except ValueError as e:
        raise UsageError(
            f"The {what} '{text[:40]}' isn't a date such as 2026-04-18.", "Write year, month and day so."
        ) from e


def _number(text: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError as e:
        raise UsageError(
            f"The new_mass_g '{text[:40]}' isn't a mass in grams.", "Write a number such as 1522."
        ) from e


def _alloy(text: str | None) -> str | None:
    if text is not None and text not in ("zinc", "aluminium", "magnesium"):
        raise UsageError(
            f"'{text[:40]}' isn't an alloy that is known.", "Write zinc, aluminium or magnesium."
        )
    return text


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


# --- new parts as fitted -------------------------------------------------------------------------


def refit_template(book: Book, boat: str, position: str, hauled_on: date) -> tuple[str, Fitting | None]:
    """Which template a part fitted after a haul-out should be of: the new one's on record, else of the
    one that sat there; and the fitting on record.

    Raises
    ------
    UsageError
        Nothing was ever fitted there.
    """
    place = book.position(boat, position)
    new = part_at(book, place.boat, place.name, hauled_on, "refit")
    old = part_at(book, place.boat, place.name, hauled_on)
    if new is None and old is None:
        raise UsageError(
            f"The book has no part at '{place.name}' of '{place.boat}' around {hauled_on}.",
            "Note the new one with 'anodewane season fit' first.",
        )
    return (new or old).template, new  # type: ignore[union-attr]  # one of them is there


def refit(
    book: Book,
    found: Iterable[Found],
    hauled_on: date | None,
    fitted_on: date | None,
    settings: Settings,
    new_mass_g: float | None = None,
) -> list[dict[str, Any]]:
    """Check photos of new parts, keep them as the baseline, and note a part that passes as fitted on
    `fitted_on` where the book doesn't have it.

    A photo that shows another part is kept out of the baseline: it would be taken for what the next
    season begins from.

    Raises
    ------
    UsageError
        A photo has no place, or nothing says what should sit there; nothing is then kept.
    """
    from anodewane.book.refit import check_refit

    out = []
    with book.writing():
        for f in found:
            if f.boat is None or f.position is None:
                raise UsageError(
                    f"'{f.where}' has no boat or position.",
                    "Give --boat and --position, or name them for the batch.",
                )
            place = book.position(f.boat, f.position)
            ashore = open_haul_out(book, place.boat)
            day = hauled_on or (ashore.hauled_on if ashore else None)
            if day is None:
                raise UsageError(f"'{place.boat}' isn't ashore, by the book.", "Give --hauled with the date.")
            name, new = refit_template(book, place.boat, place.name, day)
            if new is None and fitted_on is None:
                raise UsageError(
                    f"The book doesn't have the new part at '{place.name}' of '{place.boat}'.",
                    "Give --on with the day on which it was fitted.",
                )
            old = part_at(book, place.boat, place.name, day)
            template = book.template(name)
            check = check_refit(f.verdict, template, settings, old.alloy if old else None, new_mass_g)
            if check.passed is not False:
                if new is None and check.passed and fitted_on is not None:
                    book.fit(place.boat, place.name, template, fitted_on, new_mass_g=new_mass_g)
                if new is not None or check.passed:
                    book.record(
                        [NewJudgement(place.boat, place.name, day, f.record, f.judged_at, "refit")], settings
                    )
            out.append(
                {
                    "boat": place.boat,
                    "position": place.name,
                    "photo": f.where,
                    "template": name,
                    **plain(check),
                }
            )
    return out
