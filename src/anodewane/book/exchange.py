"""The whole book as plain CSV in a zip, and back: to keep, to hand on, to read with anything.

In the zip: ``manifest.json`` (format, version of the tables, columns, rows and SHA-256 of each file),
one CSV a table (RFC 4180, UTF-8, a header row), and the records as ``records/SHA256.json``, byte for
byte. The same book gives the same bytes, for nothing in it tells when it was written.

Cells. Nothing in a cell means unknown (NULL); the book keeps no empty text, so nothing is lost. Text
that a spreadsheet would take for a formula (it begins with ``= + - @``, a tab or a carriage return) and
text that begins with an apostrophe get one apostrophe in front; on the way in, one apostrophe is taken
off. Numbers are never text and get none: -0.4 is a number, and no formula. Numbers are written so that
the same bits come back.

The way in takes only what the way out wrote: each file is held to its SHA-256, its columns and the
tables' own rules, in a new book that appears when all of it is in.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
import re
import sqlite3
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

from anodewane.book.file import APPLICATION_ID, TABLES, VERSION, made_beside, make_empty
from anodewane.book.store import Book, open_book
from anodewane.errors import InputUnreadable, OutputNotWritable

FORMAT = "anodewane book"
RISKY = ("=", "+", "-", "@", "\t", "\r", "'")

MAX_RECORD_BYTES = 20_000_000
MAX_TABLE_BYTES = 2_000_000_000
MAX_RATIO = 200
"""Bytes unpacked over bytes packed, of the whole zip, where it is large: a book's is about 4."""
FREE_BYTES = 50_000_000
"""So much may unpack from any zip."""

_RECORD_NAME = re.compile(r"records/([0-9a-f]{64})\.json")
_STAMP = (1980, 1, 1, 0, 0, 0)

_CSV_TABLES = tuple(t for t in TABLES if t != "records")


def export_book(book: Book, out: Path) -> int:
    """Write the whole book as a zip; return the number of rows in it. The file appears whole or not at
    all, and takes the place of nothing.

    Raises
    ------
    OutputNotWritable
    """
    manifest: dict[str, Any] = {"format": FORMAT, "schema_version": VERSION, "tables": {}, "records": 0}
    rows = 0
    with made_beside(out) as made:
        try:
            with zipfile.ZipFile(made, "x", zipfile.ZIP_DEFLATED, compresslevel=6) as z, book.reading():
                for table in _CSV_TABLES:
                    columns, text, count = _table_csv(book, table)
                    data = text.encode()
                    _write(z, f"{table}.csv", data)
                    manifest["tables"][table] = {
                        "columns": columns,
                        "rows": count,
                        "sha256": hashlib.sha256(data).hexdigest(),
                    }
                    rows += count
                for sha256, record in book.rows("records"):
                    _write(z, f"records/{sha256}.json", record.encode())
                    manifest["records"] += 1
                _write(z, "manifest.json", (json.dumps(manifest, indent=2) + "\n").encode())
        except OSError as e:
            raise OutputNotWritable(
                f"'{out}' can't be written: {e.strerror or e}.",
                "Write elsewhere, free some space, or change the folder's permissions.",
            ) from e
    return rows + int(manifest["records"])


def import_book(zip_file: Path, path: Path) -> Book:
    """Make a new book from a zip that `export_book` wrote, of this version of the tables or an older
    one, and open it.

    Raises
    ------
    InputUnreadable
        The zip isn't a whole, unaltered export.
    OutputNotWritable
        There is something named `path` already, or it can't be written.
    """
    bad = _bad(zip_file)
    try:
        with zipfile.ZipFile(zip_file) as z, made_beside(path) as made:
            manifest = _manifest(z, bad)
            make_empty(made, manifest["schema_version"])
            with closing(sqlite3.connect(made, isolation_level=None)) as db:
                _fill(db, z, manifest, bad)
    except FileNotFoundError as e:
        raise InputUnreadable(f"There is no export '{zip_file}'.", "Check the name and the folder.") from e
    except (
        zipfile.BadZipFile,
        zipfile.LargeZipFile,
        EOFError,
        NotImplementedError,
        RuntimeError,
        UnicodeDecodeError,
        zlib.error,
    ) as e:
        raise bad(f"it isn't a whole zip file ({e})") from e
    except IsADirectoryError as e:
        raise bad("it is a folder") from e
    except sqlite3.DatabaseError as e:
        raise OutputNotWritable(
            f"The book '{path.name}' can't be written: {e}.", "Free some space, or write elsewhere."
        ) from e
    return open_book(path)


def _bad(zip_file: Path) -> Callable[[str], InputUnreadable]:
    def bad(why: str) -> InputUnreadable:
        return InputUnreadable(
            f"'{zip_file.name}' can't be taken in as a book: {why}.",
            "Give the zip as 'anodewane season export' wrote it; nothing was made of this one.",
        )

    return bad


# --- out -----------------------------------------------------------------------------------------


def _write(z: zipfile.ZipFile, name: str, data: bytes) -> None:
    info = zipfile.ZipInfo(name, _STAMP)
    info.external_attr = 0o644 << 16
    info.create_system = 3
    z.writestr(info, data, zipfile.ZIP_DEFLATED, 6)


def _table_csv(book: Book, table: str) -> tuple[list[str], str, int]:
    columns = book.columns(table)
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(columns)
    count = 0
    for row in book.rows(table):
        writer.writerow([cell(v) for v in row])
        count += 1
    return columns, out.getvalue(), count


def cell(value: Any) -> str:
    """A value as it stands in a CSV: nothing for None, `repr` for a number (its bits come back), text
    made safe for spreadsheets."""
    if value is None:
        return ""
    if isinstance(value, str):
        return f"'{value}" if value.startswith(RISKY) else value
    return repr(value)


# --- in ------------------------------------------------------------------------------------------


def _manifest(z: zipfile.ZipFile, bad: Callable[[str], InputUnreadable]) -> dict[str, Any]:
    """The manifest, once the zip holds exactly what it says and nothing that unpacks to too much.
    Nothing is ever written under a name from the zip."""
    infos = z.infolist()
    names = [i.filename for i in infos]
    if len(set(names)) < len(names):
        raise bad("a file is in it twice")
    for i in infos:
        if i.filename not in (
            "manifest.json",
            *(f"{t}.csv" for t in _CSV_TABLES),
        ) and not _RECORD_NAME.fullmatch(i.filename):
            raise bad(f"there is a file {i.filename[:80]!r} in it, which no export holds")
        if i.flag_bits & 1:
            raise bad("it is encrypted")
        if i.file_size > (MAX_TABLE_BYTES if i.filename.endswith(".csv") else MAX_RECORD_BYTES):
            raise bad(f"{i.filename} unpacks to {i.file_size / 1e6:.0f} MB")
    packed, unpacked = sum(i.compress_size for i in infos), sum(i.file_size for i in infos)
    if unpacked > FREE_BYTES and unpacked > MAX_RATIO * max(packed, 1):
        raise bad(f"{packed / 1e6:.1f} MB unpack to {unpacked / 1e6:.0f} MB")
    if "manifest.json" not in names:
        raise bad("it has no manifest.json")
    try:
        manifest = json.loads(z.read("manifest.json").decode("utf-8"))
    except (ValueError, RecursionError) as e:
        raise bad("its manifest.json isn't JSON") from e
    if not isinstance(manifest, dict) or manifest.get("format") != FORMAT:
        raise bad("its manifest.json is of something else")
    version = manifest.get("schema_version")
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise bad("its manifest.json says no version of the tables")
    if version > VERSION:
        raise bad(
            f"it is of version {version} of the tables, and this anodewane knows versions up to {VERSION}"
        )
    tables = manifest.get("tables")
    if not isinstance(tables, dict) or not all(isinstance(t, dict) for t in tables.values()):
        raise bad("its manifest.json lists no tables")
    return manifest


def _fill(
    db: sqlite3.Connection,
    z: zipfile.ZipFile,
    manifest: dict[str, Any],
    bad: Callable[[str], InputUnreadable],
) -> None:
    names = set(z.namelist())
    have = [
        t
        for t in TABLES
        if db.execute("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = ?", (t,)).fetchone()
    ]
    db.execute("PRAGMA foreign_keys = ON")
    db.execute("BEGIN")
    db.execute("PRAGMA defer_foreign_keys = ON")
    counts: dict[int, int] = {}
    for table in have:
        if table == "records":
            _fill_records(db, z, manifest, bad)
            continue
        listed = manifest["tables"].get(table)
        if listed is None or f"{table}.csv" not in names:
            raise bad(f"the table '{table}' is missing")
        data = z.read(f"{table}.csv")
        if hashlib.sha256(data).hexdigest() != listed.get("sha256"):
            raise bad(f"{table}.csv was altered since it was written")
        kinds = {r[1]: r[2] for r in db.execute(f"PRAGMA table_info({table})")}
        count = 0
        for number, row in _rows(data.decode("utf-8"), table, kinds, bad):
            if table == "judgements":
                counts[row[0]] = row[list(kinds).index("counts")]
                row = tuple(0 if name == "counts" else v for name, v in zip(kinds, row, strict=True))
            try:
                # a name from TABLES
                db.execute(f"INSERT INTO {table} VALUES ({', '.join('?' * len(row))})", row)  # noqa: S608
            except (sqlite3.IntegrityError, OverflowError) as e:
                raise bad(f"line {number} of {table}.csv breaks the book's rules ({e})") from e
            count += 1
        if count != listed.get("rows"):
            raise bad(f"{table}.csv has {count} rows where the manifest says {listed.get('rows')}")
    extra = {n.removesuffix(".csv") for n in names if n.endswith(".csv")} - set(have)
    if extra:
        raise bad(f"the table '{min(extra)}' isn't one of its version")
    broken = db.execute("PRAGMA foreign_key_check").fetchone()
    if broken:
        raise bad(f"a row of '{broken[0]}' lacks its parent in '{broken[2]}'")
    # what counts follows from the rest: the triggers have worked it out anew
    wrong = next((i for i, c in db.execute("SELECT id, counts FROM judgements") if counts[i] != c), None)
    if wrong is not None:
        raise bad(f"judgement {wrong} says falsely whether it counts")
    # triggers write to the trace when rows change, not when they come in: it is as it was
    db.execute("COMMIT")
    assert db.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID


def _fill_records(
    db: sqlite3.Connection,
    z: zipfile.ZipFile,
    manifest: dict[str, Any],
    bad: Callable[[str], InputUnreadable],
) -> None:
    found = sorted(n for n in z.namelist() if _RECORD_NAME.fullmatch(n))
    if len(found) != manifest.get("records"):
        raise bad(f"it holds {len(found)} records where the manifest says {manifest.get('records')}")
    for name in found:
        sha256 = name[8:72]
        data = z.read(name)
        if hashlib.sha256(data).hexdigest() != sha256:
            raise bad(f"{name} was altered since it was written")
        db.execute("INSERT INTO records VALUES (?, ?)", (sha256, data.decode("utf-8")))


def _rows(
    text: str, table: str, kinds: dict[str, str], bad: Callable[[str], InputUnreadable]
) -> Iterator[tuple[int, tuple[Any, ...]]]:
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        if next(reader, None) != list(kinds):
            raise bad(f"{table}.csv hasn't the columns {', '.join(kinds)}")
        for row in reader:
            number = reader.line_num
            if len(row) != len(kinds):
                raise bad(f"line {number} of {table}.csv has {len(row)} cells where {len(kinds)} belong")
            yield (
                number,
                tuple(
                    _value(v, kind, f"line {number} of {table}.csv", name, bad)
                    for v, (name, kind) in zip(row, kinds.items(), strict=True)
                ),
            )
    except csv.Error as e:
        raise bad(f"{table}.csv isn't CSV ({e})") from e


def _value(text: str, kind: str, where: str, name: str, bad: Callable[[str], InputUnreadable]) -> Any:
    if text == "":
        return None
    if kind == "TEXT":
        return text[1:] if text.startswith("'") else text
    try:
        number = int(text) if kind == "INTEGER" else float(text)
    except ValueError:
        raise bad(f"{where} has {text[:40]!r} for {name}, which isn't a number") from None
    if isinstance(number, float) and not math.isfinite(number):
        raise bad(f"{where} has {text[:40]!r} for {name}, which isn't a finite number")
    return number
