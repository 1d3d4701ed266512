"""A yard's list of boats, positions and parts as CSV: how a book is set up from a spreadsheet."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from anodewane.book.intake import problem_lines
from anodewane.book.names import clean_name
from anodewane.book.parts import template_by_name
from anodewane.book.store import Book
from anodewane.errors import InputUnreadable, UsageError
from anodewane.files import read_bytes

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
Marram,salt,rudder port,rudder,2 x M10 bolt,plate-150x75x20-2slots,,2026-04-18,1522,2026-04-10,2026-05-02
,,rudder starboard,rudder,2 x M10 bolt with washer,plate-150x75x20-2slots,,2026-04-18,1534,,
Sea Aster,brackish,keel aft,,1 x M12 stud,disc-160x30-4holes,aluminium,2025-05-01,,,
"""


@dataclass(frozen=True, slots=True)
class ListCounts:
    """What a list brought."""

    boats: int
    positions: int
    fittings: int
    haul_outs: int


def import_list(book: Book, file: Path, *, dry_run: bool = False) -> ListCounts:
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
            f"line{'s' if len(problems) > 1 else ''}:{problem_lines(problems)}Nothing was taken from it.",
            "Mend them and import it again.",
        )
    return ListCounts(**counts)


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
        # checked there
        book.add_boat(boat_name, row.get("water"), row.get("boat_note"))  # type: ignore[arg-type]
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
