"""The book's file: one SQLite database, opened, migrated, written and read. No server; whatever reads
SQLite reads it.

Writing is append-friendly. Judgements, weighings, overrules, accepts and withdrawals are only ever
added (triggers in the file refuse anything else); boats, positions, fittings and haul-outs can be
corrected, and both states go into the table `changes`, whoever makes the change. Each call of `Book` is
one transaction: all of it or nothing.

Which judgement counts, of several of one part at one haul-out: the latest judged one; only when none
could be judged, the latest refusal. Withdrawn ones never count.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import math
import os
import secrets
import sqlite3
import sys
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import lru_cache
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Literal

from anodewane.book.entries import Boat, BoatEntries, Fitting, HaulOut, Position, Reading, Water
from anodewane.errors import InputUnreadable, OutputNotWritable, UsageError
from anodewane.record import Interval

if TYPE_CHECKING:
    from anodewane.book.calibrate import Calibration
    from anodewane.record import Verdict
    from anodewane.records import Template
    from anodewane.settings import Settings

APPLICATION_ID = 0x616E6F64
"""In every book's header, so that another program's SQLite file is known for what it is ("anod" in ASCII)."""

VERSION = 4
"""Of the tables: migrations/0001.sql up to this one."""

MIN_SQLITE = (3, 38, 0)
"""STRICT tables came with 3.37, JSON functions in every build with 3.38."""

BUSY_S = 20.0
"""How long a writer waits for another one."""

MAX_NAME_CHARS = 80
MAX_NOTE_CHARS = 2000

TABLES = (
    "boats", "templates", "positions", "fittings", "haul_outs", "records", "judgements", "withdrawals", "weighings", "changes", "overrules", "calibrations", "accepts",
)  # fmt: skip
"""Parents before their children."""

NETWORK_DISKS = frozenset(
    {
        "nfs",
        "nfs4",
        "cifs",
        "smb",
        "smb2",
        "smb3",
        "smbfs",
        "ncpfs",
        "afs",
        "9p",
        "fuse.sshfs",
        "fuse.rclone",
        "fuse.s3fs",
        "fuse.davfs2",
        "davfs",
        "ceph",
        "glusterfs",
    }
)

Kind = Literal["wear", "refit"]


@dataclass(frozen=True, slots=True)
class NewJudgement:
    """A judgement to be kept. record : the record's JSON, byte for byte; judged_at : UTC; judged_by : a
    person, where one handed the outline in."""

    boat: str
    position: str
    hauled_on: date
    record: bytes
    judged_at: datetime
    kind: Kind = "wear"
    judged_by: str | None = None


@dataclass(frozen=True, slots=True)
class Judgement:
    """A judgement in the book, with its evidence. id : its number in the book; reading : what it says;
    mass_method : what the mass rests on; counts : whether it is the one that stands for its part at
    this haul-out; withdrawn : why it was taken back, None where it wasn't."""

    id: int
    reading: Reading
    photo_name: str
    judged_at: str
    judged_by: str | None
    recorded_at: str
    mass_method: str | None
    counts: bool
    withdrawn: str | None


@dataclass(frozen=True, slots=True)
class Weight:
    """What was left of a part, on the scales. The last one of a part and haul-out counts."""

    boat: str
    position: str
    hauled_on: date
    mass_g: float
    by: str | None
    note: str | None
    at: str


@dataclass(frozen=True, slots=True)
class Overrule:
    """A person's own verdict over a part at a haul-out, beside the photo's; the last one counts.
    verdict : None takes an earlier one back."""

    boat: str
    position: str
    hauled_on: date
    verdict: Literal["replace", "monitor", "ok"] | None
    why: str
    by: str
    at: str


@dataclass(frozen=True, slots=True)
class Accept:
    """Somebody stands by a judgement as it is. judgement : its number; record_sha256 : the record that
    was seen; at : UTC."""

    judgement: int
    boat: str
    position: str
    hauled_on: date
    record_sha256: str
    by: str
    at: str


@dataclass(frozen=True, slots=True)
class Change:
    """A row that was changed or taken out. what : its table; before, after : its columns, after None
    where it was taken out."""

    at: str
    what: str
    before: dict[str, Any]
    after: dict[str, Any] | None
    why: str | None
    by: str | None


@dataclass(frozen=True, slots=True)
class Added:
    """What a call added: judgements that are new, and those that the book had already."""

    new: int
    known: int


# --- making and opening --------------------------------------------------------------------------


def new_book(path: Path | str) -> Book:
    """Make an empty book and open it.

    Raises
    ------
    OutputNotWritable
        There is something of that name already, or it can't be written.
    """
    path = Path(path)
    _check_sqlite()
    with made_beside(path) as made:
        make_empty(made, VERSION)
    return open_book(path)


def make_empty(path: Path, version: int) -> None:
    """Write an empty book of a version into a new or empty file."""
    with _said(path), contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("BEGIN")
        for v in range(1, version + 1):
            _run(db, _migration(v))
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        db.execute(f"PRAGMA user_version = {version}")
        db.execute("COMMIT")
        db.execute(f"PRAGMA journal_mode = {'DELETE' if on_network_disk(path) else 'WAL'}")


@contextlib.contextmanager
def made_beside(path: Path) -> Iterator[Path]:
    """A name for a file to be made in the folder of `path`; it gets that name when all went well and is
    gone otherwise. Never takes the place of a file.

    Raises
    ------
    OutputNotWritable
    """
    path = path.absolute()
    if path.exists() or path.is_symlink():
        raise OutputNotWritable(
            f"There is a '{path.name}' already.", "Give another name; an old book is never written over."
        )
    if not path.parent.is_dir():
        raise OutputNotWritable(
            f"There is no folder '{path.parent}' to make '{path.name}' in.",
            "Make the folder first, or write elsewhere.",
        )
    made = path.parent / f".{path.name[:40]}.{secrets.token_hex(4)}.part"
    try:
        yield made
        try:
            os.link(made, path)  # unlike a rename, never over a file that came in the meantime
        except FileExistsError as e:
            raise OutputNotWritable(
                f"There is a '{path.name}' already.", "Give another name; an old book is never written over."
            ) from e
        except OSError:  # a disk without hard links
            made.rename(path)
    finally:
        for end in ("", "-wal", "-shm", "-journal"):
            made.with_name(made.name + end).unlink(missing_ok=True)


def open_book(path: Path | str, *, read_only: bool = False) -> Book:
    """Open a book; one of an older version is brought up to this one first, with a copy of the old one
    left beside it.

    Parameters
    ----------
    path : Path or str
    read_only : bool
        Never write; an older version is then refused. A file that may not be written is opened so too.

    Raises
    ------
    InputUnreadable
        Missing, no book, damaged, or of a newer version; the file is then left byte for byte as it was.
    OutputNotWritable
        It has to be migrated and can't be written, or another program holds it.
    """
    path = Path(path)
    _check_sqlite()
    version = _version_in_header(path)
    _refuse_newer(path, version)
    writable = os.access(path, os.W_OK) and os.access(path.absolute().parent, os.W_OK) and not read_only
    with _said(path):
        db = _connect(path, writable)
        try:
            version = int(
                db.execute("PRAGMA user_version").fetchone()[0]
            )  # the header may lag behind a write-ahead log
            _refuse_newer(path, version)
            if version < VERSION:
                if not writable:
                    raise OutputNotWritable(
                        f"The book '{path.name}' is of version {version} of the tables; version {VERSION} is needed, and it can't be written here.",
                        "Open it once where it may be written, or copy it there.",
                    )
                _migrate(db, path)
            db.execute("SELECT count(*) FROM boats").fetchone()  # reads the tables: a damaged file shows here
            if (
                writable
                and on_network_disk(path)
                and db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
            ):
                db.execute("PRAGMA journal_mode = DELETE")
        except BaseException:
            db.close()
            raise
    return Book(path, db, read_only=not writable)


def _check_sqlite() -> None:
    if sqlite3.sqlite_version_info < MIN_SQLITE:
        raise UsageError(
            f"This Python has SQLite {sqlite3.sqlite_version}; the book needs {'.'.join(map(str, MIN_SQLITE))}.",
            "Use a newer Python.",
        )


def _version_in_header(path: Path) -> int:
    """The version of the tables by the file's first hundred bytes (https://sqlite.org/fileformat.html,
    1.3), read without SQLite, which could touch the file."""
    try:
        if path.is_dir():
            raise InputUnreadable(f"'{path.name}' is a folder, not a book.", "Name the book's file.")
        with path.open("rb") as f:
            head = f.read(100)
    except FileNotFoundError as e:
        raise InputUnreadable(
            f"There is no book '{path}'.",
            "Check the name and the folder, or make one with 'anodewane season new'.",
        ) from e
    except OSError as e:
        raise InputUnreadable(
            f"The book '{path.name}' can't be read: {e.strerror or e}.", "Change its permissions or copy it."
        ) from e
    if len(head) < 100 or head[:16] != b"SQLite format 3\0":
        raise InputUnreadable(
            f"'{path.name}' is no book: it isn't a SQLite database.",
            "Name the file that 'anodewane season new' made.",
        )
    if int.from_bytes(head[68:72], "big") != APPLICATION_ID:
        raise InputUnreadable(
            f"'{path.name}' is another program's database, not a book.",
            "Name the file that 'anodewane season new' made; this one was left alone.",
        )
    return int.from_bytes(head[60:64], "big")


def _refuse_newer(path: Path, version: int) -> None:
    if version > VERSION:
        raise InputUnreadable(
            f"The book '{path.name}' is of version {version} of the tables; this anodewane knows versions up to {VERSION}.",
            "Use the newer anodewane that wrote it; the file was left as it was.",
        )
    if version < 1:
        raise InputUnreadable(
            f"The book '{path.name}' says no version of its tables.",
            "Restore a copy; the file was left as it was.",
        )


def _connect(path: Path, writable: bool) -> sqlite3.Connection:
    address = path.absolute().as_uri()
    db = sqlite3.connect(
        f"{address}?mode={'rw' if writable else 'ro'}", uri=True, timeout=BUSY_S, isolation_level=None
    )
    try:
        db.execute("PRAGMA user_version").fetchone()
    except sqlite3.OperationalError:
        db.close()
        if writable:
            raise
        # A read-only folder has no room for the log's index. Nobody can be writing there either, so the
        # file alone is the book, unless a log lies beside it.
        log = path.with_name(path.name + "-wal")
        if log.exists() and log.stat().st_size:
            raise InputUnreadable(
                f"The book '{path.name}' has unfinished changes in '{log.name}' and may not be written here.",
                "Copy both files to where they may be written, and open it there.",
            ) from None
        db = sqlite3.connect(f"{address}?mode=ro&immutable=1", uri=True, isolation_level=None)
        db.execute("PRAGMA user_version").fetchone()
    db.execute("PRAGMA foreign_keys = ON")
    db.execute("PRAGMA synchronous = FULL")  # a committed judgement survives a power cut
    return db


def _migration(version: int) -> str:
    from importlib.resources import files

    return files("anodewane.book").joinpath("migrations", f"{version:04}.sql").read_text("utf-8")


def _run(db: sqlite3.Connection, script: str) -> None:
    """Run a script inside the transaction that is open: `executescript` would commit it first."""
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            db.execute(statement)
            statement = ""
    if statement.strip() and not all(line.startswith("--") for line in statement.strip().splitlines()):
        raise ValueError(f"a migration ends in the middle of a statement: {statement[:60]!r}")


def _migrate(db: sqlite3.Connection, path: Path) -> None:
    """Bring an older book up to `VERSION` in one transaction, after a copy of it was put beside it."""
    db.execute(
        "PRAGMA foreign_keys = OFF"
    )  # can't be changed inside a transaction; a migration may rebuild tables. All keys are checked before the commit
    db.execute("BEGIN IMMEDIATE")
    try:
        version = int(
            db.execute("PRAGMA user_version").fetchone()[0]
        )  # another program may have been quicker
        if version < VERSION:
            _copy_beside(path, version)
            for v in range(version + 1, VERSION + 1):
                _run(db, _migration(v))
            broken = db.execute("PRAGMA foreign_key_check").fetchone()
            if broken:
                raise InputUnreadable(
                    f"The book '{path.name}' can't be brought up to date: a row of '{broken[0]}' lacks its parent.",
                    "Restore a copy; the file was left as it was.",
                )
            db.execute(f"PRAGMA user_version = {VERSION}")
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise
    db.execute("PRAGMA foreign_keys = ON")


def _copy_beside(path: Path, version: int) -> None:
    """A whole copy of the book as it is, beside it: NAME.v1.bak, or with a number where there
    is one already."""
    names = (
        path.with_name(f"{path.name}.v{version}{n}.bak") for n in ("", *(f"-{i}" for i in range(2, 1000)))
    )
    target = next(n for n in names if not n.exists())
    with made_beside(target) as made:
        # through a connection of its own: it sees the state before the migration, log included
        with (
            contextlib.closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as old,
            contextlib.closing(sqlite3.connect(made)) as copy,
        ):
            old.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")
        with made.open("rb+") as f:
            os.fsync(f.fileno())


def on_network_disk(path: Path) -> bool:
    """Whether a file lies on another machine's disk, as far as the system tells (Linux's table of
    mounts, a UNC path on Windows). Write-ahead logging needs memory shared between all who have the
    file open, which two machines don't have (https://sqlite.org/wal.html)."""
    if sys.platform == "win32":
        return str(path.absolute()).startswith("\\\\")
    try:
        mounts = [line.split() for line in Path("/proc/mounts").read_text("utf-8", "replace").splitlines()]
    except OSError:
        return False
    here = str(path.absolute().parent.resolve())
    inside = [
        (len(m[1]), m[2])
        for m in mounts
        if len(m) > 2 and (here + "/").startswith(m[1].replace("\\040", " ").rstrip("/") + "/")
    ]
    return bool(inside) and max(inside, key=lambda i: i[0])[1] in NETWORK_DISKS


@contextlib.contextmanager
def _said(path: Path) -> Iterator[None]:
    """Turn SQLite's faults into a sentence with a remedy."""
    try:
        yield
    except sqlite3.IntegrityError:
        raise
    except sqlite3.DatabaseError as e:
        code = getattr(e, "sqlite_errorcode", 0) & 0xFF
        if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            raise OutputNotWritable(
                f"The book '{path.name}' is being written by another program for too long.",
                "Wait until it is done and try again; nothing was changed.",
            ) from e
        if code == sqlite3.SQLITE_READONLY:
            raise OutputNotWritable(
                f"The book '{path.name}' may not be written.", "Change its permissions or copy it."
            ) from e
        if code in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN):
            raise OutputNotWritable(
                f"The book '{path.name}' can't be written: {e}.",
                "Free some space or change the folder's permissions, and try again; what was in the book is still there.",
            ) from e
        if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
            raise InputUnreadable(
                f"The book '{path.name}' is damaged: {e}.",
                "Restore a copy, or the last 'anodewane season export'.",
            ) from e
        raise


# --- the book ------------------------------------------------------------------------------------


class Book:
    """An open book: `open_book` and `new_book` make it. Use it in a ``with`` block, or call `close`.

    Names are cleaned on the way in (`clean_name`). A method that writes is one transaction and raises
    `UsageError` where the book says otherwise.
    """

    def __init__(self, path: Path, db: sqlite3.Connection, read_only: bool) -> None:
        self.path, self.read_only = path, read_only
        self._db = db

    def __enter__(self) -> Book:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; with the last program that has it open, the log beside it goes."""
        self._db.close()

    @contextlib.contextmanager
    def writing(self, why: str | None = None, by: str | None = None) -> Iterator[None]:
        """One transaction over several calls: all of them or none. why, by : put beside what they change."""
        why, by = _note(why, "the reason"), _note(by, "the name")
        if self._db.in_transaction:  # inside a larger one
            yield
            return
        with _said(self.path):
            if self.read_only:
                raise OutputNotWritable(
                    f"The book '{self.path.name}' was opened to be read only.",
                    "Change its permissions or copy it.",
                )
            self._db.execute("BEGIN IMMEDIATE")
            try:
                last = self._one("SELECT coalesce(max(id), 0) FROM changes")[0]
                yield
                if why or by:
                    self._db.execute("UPDATE changes SET why = ?, by = ? WHERE id > ?", (why, by, last))
                self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:  # SQLite itself rolls back when the disk is full
                    self._db.execute("ROLLBACK")
                raise

    def _all(self, sql: str, values: Sequence[Any] = ()) -> list[Any]:
        with _said(self.path):
            return self._db.execute(sql, values).fetchall()

    def _one(self, sql: str, values: Sequence[Any] = ()) -> Any:
        with _said(self.path):
            return self._db.execute(sql, values).fetchone()

    # boats and positions

    def add_boat(self, name: str, water: Water | None = None, note: str | None = None) -> Boat:
        """Add a boat.

        Raises
        ------
        UsageError
            The book has it already, or one that differs only in case, accents or spaces.
        """
        boat = Boat(clean_name(name, "boat"), _water(water), _note(note, "the note"))
        with self.writing():
            self._refuse_twin(boat.name, [b[0] for b in self._all("SELECT name FROM boats")], "boat")
            self._db.execute("INSERT INTO boats VALUES (?, ?, ?)", (boat.name, boat.water, boat.note))
        return boat

    def change_boat(
        self,
        name: str,
        *,
        rename: str | None = None,
        water: Water | None = None,
        note: str | None = None,
        why: str | None = None,
        by: str | None = None,
    ) -> Boat:
        """Correct a boat; None leaves a thing as it is. Everything that the book holds of it
        follows a new name."""
        with self.writing(why, by):
            old = self.boat(name)
            new = Boat(
                clean_name(rename, "boat") if rename else old.name,
                _water(water) or old.water,
                _note(note, "the note") or old.note,
            )
            if new.name != old.name:
                self._refuse_twin(
                    new.name,
                    [b[0] for b in self._all("SELECT name FROM boats WHERE name <> ?", (old.name,))],
                    "boat",
                )
            if new != old:
                self._db.execute(
                    "UPDATE boats SET name = ?, water = ?, note = ? WHERE name = ?",
                    (new.name, new.water, new.note, old.name),
                )
        return new

    def add_position(
        self, boat: str, name: str, pair: str | None = None, fixings: str | None = None
    ) -> Position:
        """Add a position to a boat."""
        with self.writing():
            owner = self.boat(boat).name
            position = Position(
                owner,
                clean_name(name, "position"),
                clean_name(pair, "pair") if pair else None,
                _note(fixings, "the fixings"),
            )
            self._refuse_twin(
                position.name,
                [p[0] for p in self._all("SELECT name FROM positions WHERE boat = ?", (owner,))],
                "position",
            )
            self._db.execute(
                "INSERT INTO positions VALUES (?, ?, ?, ?)",
                (owner, position.name, position.pair, position.fixings),
            )
        return position

    def change_position(
        self,
        boat: str,
        name: str,
        *,
        rename: str | None = None,
        pair: str | None = None,
        fixings: str | None = None,
        why: str | None = None,
        by: str | None = None,
    ) -> Position:
        """Correct a position; None leaves a thing as it is, a pair of "-" takes it out of its pair."""
        with self.writing(why, by):
            old = self.position(boat, name)
            new = Position(
                old.boat,
                clean_name(rename, "position") if rename else old.name,
                None if pair == "-" else clean_name(pair, "pair") if pair else old.pair,
                _note(fixings, "the fixings") or old.fixings,
            )
            if new.name != old.name:
                self._refuse_twin(
                    new.name,
                    [
                        p[0]
                        for p in self._all(
                            "SELECT name FROM positions WHERE boat = ? AND name <> ?", (old.boat, old.name)
                        )
                    ],
                    "position",
                )
            if new != old:
                self._db.execute(
                    "UPDATE positions SET name = ?, pair = ?, fixings = ? WHERE boat = ? AND name = ?",
                    (new.name, new.pair, new.fixings, old.boat, old.name),
                )
        return new

    def _refuse_twin(self, name: str, others: Iterable[str], what: str) -> None:
        """Two names that a reader can't tell apart would split one boat's history in two."""
        twin = _twin(name, others)
        if twin is not None:
            raise UsageError(
                f"The {what} '{twin}' is in the book already.",
                f"Use it as it is written there, or give another name than '{name}'.",
            )

    # what sits where, and when the boat is out

    def fit(
        self,
        boat: str,
        position: str,
        template: Template,
        fitted_on: date,
        *,
        alloy: str | None = None,
        new_mass_g: float | None = None,
        removed_on: date | None = None,
    ) -> Fitting:
        """Fit a new part. The one that sits there is taken off on that day. The template goes into the
        book whole, so that next year's photos meet the same one.

        Raises
        ------
        UsageError
            A part sat there at that time already, or another template of that name is in the book.
        """
        with self.writing():
            place = self.position(boat, position)
            self.keep_template(template)
            new = Fitting(
                place.boat,
                place.name,
                template.name,
                alloy or template.alloy,
                fitted_on,
                removed_on,
                _mass(new_mass_g),
            )
            if removed_on is not None and removed_on < fitted_on:
                raise UsageError(
                    f"The part at '{place.name}' of '{place.boat}' would be removed on {removed_on}, before it was fitted on {fitted_on}.",
                    "Correct one of the dates.",
                )
            sitting = next((f for f in self.fittings(place.boat, place.name) if f.removed_on is None), None)
            if sitting is not None and sitting.fitted_on < fitted_on:
                self._db.execute(
                    "UPDATE fittings SET removed_on = ? WHERE boat = ? AND position = ? AND fitted_on = ?",
                    (fitted_on.isoformat(), place.boat, place.name, sitting.fitted_on.isoformat()),
                )
            self._fitting(
                "INSERT INTO fittings (boat, position, fitted_on, removed_on, template, alloy, new_mass_g) VALUES (?, ?, ?, ?, ?, ?, ?)",
                (
                    new.boat,
                    new.position,
                    new.fitted_on.isoformat(),
                    _iso(new.removed_on),
                    new.template,
                    new.alloy,
                    new.new_mass_g,
                ),
                new,
            )
        return new

    def change_fitting(
        self,
        boat: str,
        position: str,
        fitted_on: date,
        *,
        template: Template | None = None,
        alloy: str | None = None,
        new_mass_g: float | None = None,
        fitted: date | None = None,
        removed_on: date | None = None,
        why: str | None = None,
        by: str | None = None,
    ) -> Fitting:
        """Correct the part fitted on a day; None leaves a thing as it is. `fitted` is the day on which
        it was really fitted."""
        with self.writing(why, by):
            place = self.position(boat, position)
            old = next((f for f in self.fittings(place.boat, place.name) if f.fitted_on == fitted_on), None)
            if old is None:
                raise UsageError(
                    f"No part was fitted at '{place.name}' of '{place.boat}' on {fitted_on}.",
                    "See 'anodewane season history' for the dates.",
                )
            if template is not None:
                self.keep_template(template)
            new = Fitting(
                old.boat,
                old.position,
                template.name if template else old.template,
                alloy or (template.alloy if template else old.alloy),
                fitted or old.fitted_on,
                removed_on or old.removed_on,
                _mass(new_mass_g) or old.new_mass_g,
            )
            if new.removed_on is not None and new.removed_on < new.fitted_on:
                raise UsageError(
                    f"The part at '{place.name}' of '{place.boat}' would be removed on {new.removed_on}, before it was fitted on {new.fitted_on}.",
                    "Correct one of the dates.",
                )
            if new != old:
                self._fitting(
                    "UPDATE fittings SET fitted_on = ?, removed_on = ?, template = ?, alloy = ?, new_mass_g = ? WHERE boat = ? AND position = ? AND fitted_on = ?",
                    (
                        new.fitted_on.isoformat(),
                        _iso(new.removed_on),
                        new.template,
                        new.alloy,
                        new.new_mass_g,
                        old.boat,
                        old.position,
                        old.fitted_on.isoformat(),
                    ),
                    new,
                )
        return new

    def _fitting(self, sql: str, values: Sequence[Any], new: Fitting) -> None:
        try:
            self._db.execute(sql, values)
        except sqlite3.IntegrityError as e:
            raise UsageError(
                f"Another part sat at '{new.position}' of '{new.boat}' at that time, by the book.",
                "Correct its dates first; 'anodewane season history' shows them.",
            ) from e

    def keep_template(self, template: Template) -> None:
        """Put a template into the book, if it isn't there.

        Raises
        ------
        UsageError
            Another one of that name is there.
        """
        from anodewane.catalog.templates import template_digest, template_to_toml

        digest = template_digest(template)
        known = self._one("SELECT sha256 FROM templates WHERE name = ?", (template.name,))
        if known and known[0] != digest:
            raise UsageError(
                f"The book has another template '{template.name}'.",
                "Give this one a name of its own; the parts of the old one were measured against the old one.",
            )
        if not known:
            with self.writing():
                self._db.execute(
                    "INSERT INTO templates VALUES (?, ?, ?, ?)",
                    (template.name, digest, template.alloy, template_to_toml(template)),
                )

    def haul_out(self, boat: str, hauled_on: date, launched_on: date | None = None) -> HaulOut:
        """Note that a boat came out of the water; what the book has already stays. A haul-out that the
        book has gets its launch, where that was unknown.

        Raises
        ------
        UsageError
            It would lie in the water and stand ashore at once.
        """
        with self.writing():
            owner = self.boat(boat).name
            have = next((h for h in self.haul_outs(owner) if h.hauled_on == hauled_on), None)
            if have is not None and (launched_on is None or have.launched_on == launched_on):
                return have
            if have is not None and have.launched_on is not None:
                raise UsageError(
                    f"'{owner}' was launched on {have.launched_on}, by the book.",
                    "If it came out again since, note that with 'anodewane season haul-out' first; else use --correct.",
                )
            new = HaulOut(owner, hauled_on, launched_on)
            self._refuse_overlap(new, [h for h in self.haul_outs(owner) if h.hauled_on != hauled_on])
            if have is None:
                self._db.execute(
                    "INSERT INTO haul_outs VALUES (?, ?, ?)",
                    (owner, hauled_on.isoformat(), _iso(launched_on)),
                )
            else:
                self._db.execute(
                    "UPDATE haul_outs SET launched_on = ? WHERE boat = ? AND hauled_on = ?",
                    (_iso(launched_on), owner, hauled_on.isoformat()),
                )
        return new

    def launch(self, boat: str, launched_on: date) -> HaulOut:
        """Note that a boat went back: the latest haul-out up to that day gets its launch."""
        with self.writing():
            owner = self.boat(boat).name
            before = [h for h in self.haul_outs(owner) if h.hauled_on <= launched_on]
            if not before:
                raise UsageError(
                    f"'{owner}' wasn't hauled out before {launched_on}, by the book.",
                    "Note when it came out, or was fitted out, with 'anodewane season haul-out' first.",
                )
            return self.haul_out(owner, before[-1].hauled_on, launched_on)

    def change_haul_out(
        self,
        boat: str,
        hauled_on: date,
        *,
        hauled: date | None = None,
        launched_on: date | None = None,
        why: str | None = None,
        by: str | None = None,
    ) -> HaulOut:
        """Correct a haul-out's dates; its judgements follow. None leaves a date as it is."""
        with self.writing(why, by):
            owner = self.boat(boat).name
            old = next((h for h in self.haul_outs(owner) if h.hauled_on == hauled_on), None)
            if old is None:
                raise UsageError(
                    f"'{owner}' wasn't hauled out on {hauled_on}, by the book.",
                    "See 'anodewane season history' for the dates.",
                )
            new = HaulOut(owner, hauled or old.hauled_on, launched_on or old.launched_on)
            self._refuse_overlap(new, [h for h in self.haul_outs(owner) if h.hauled_on != hauled_on])
            if new != old:
                self._db.execute(
                    "UPDATE haul_outs SET hauled_on = ?, launched_on = ? WHERE boat = ? AND hauled_on = ?",
                    (new.hauled_on.isoformat(), _iso(new.launched_on), owner, hauled_on.isoformat()),
                )
        return new

    def _refuse_overlap(self, new: HaulOut, others: Iterable[HaulOut]) -> None:
        if new.launched_on is not None and new.launched_on < new.hauled_on:
            raise UsageError(
                f"'{new.boat}' would be launched on {new.launched_on}, before it was hauled out on {new.hauled_on}.",
                "Correct one of the dates.",
            )
        for h in others:
            if h.hauled_on == new.hauled_on:
                raise UsageError(
                    f"'{new.boat}' was hauled out on {h.hauled_on} already, by the book.",
                    "Two haul-outs of one day can't be told apart; give another date.",
                )
            first, second = sorted((h, new), key=lambda k: k.hauled_on)
            if first.launched_on is not None and first.launched_on > second.hauled_on:
                raise UsageError(
                    f"'{new.boat}' stood ashore from {first.hauled_on} to {first.launched_on}, by the book, and can't be hauled out on {second.hauled_on}.",
                    "Correct one of the dates.",
                )

    # judgements

    def record(self, judgements: Iterable[NewJudgement], settings: Settings | None = None) -> Added:
        """Keep judgements with their records. Boats and positions must be there; a haul-out is added
        where it isn't. One that the book has already is passed over.

        A record judged with a weight adds that weight too.

        Raises
        ------
        InputUnreadable
            What isn't a record.
        UsageError
            No such boat or position.
        """
        from anodewane.show.record_json import verdict_from_json

        new = known = 0
        with self.writing():
            for j in judgements:
                try:
                    verdict = verdict_from_json(j.record)
                    text = j.record.decode("utf-8")
                except ValueError as e:
                    raise InputUnreadable(
                        f"The record for '{j.position}' of '{j.boat}' isn't one: {_first_line(e)}.",
                        "Give a record as 'anodewane judge' wrote it.",
                    ) from e
                place = self.position(j.boat, j.position)
                self.haul_out(place.boat, j.hauled_on)
                if self._add(j, verdict, text, place, settings):
                    new += 1
                else:
                    known += 1
        return Added(new, known)

    def _add(
        self, j: NewJudgement, v: Verdict, text: str, place: Position, settings: Settings | None
    ) -> bool:
        digest = hashlib.sha256(j.record).hexdigest()
        key = (place.boat, place.name, j.hauled_on.isoformat(), j.kind, digest)
        if self._one(
            "SELECT 1 FROM judgements WHERE boat = ? AND position = ? AND hauled_on = ? AND kind = ? AND record_sha256 = ?",
            key,
        ):
            return False
        self._db.execute("INSERT INTO records VALUES (?, ?) ON CONFLICT DO NOTHING", (digest, text))
        judged = v.status == "judged"
        weighed = v.mass.remaining_g.value if judged and v.mass and v.mass.method == "weighed" else None
        seen = self._seen(v, settings) if weighed is not None else None
        by = j.judged_by or (v.provenance.manual.by if v.provenance.manual else None)
        row = {
            "boat": place.boat,
            "position": place.name,
            "hauled_on": j.hauled_on.isoformat(),
            "kind": j.kind,
            "record_sha256": digest,
            "photo_sha256": v.photo.sha256,
            "photo_name": v.photo.name,
            "judged_at": moment(j.judged_at),
            "judged_by": _note(by, "the name"),
            "status": v.status,
            "verdict": v.verdict,
            "template": v.template.name if v.template else None,
            "template_sha256": v.template.sha256 if v.template else None,
            **_spread("mass", "pct", v.consumed.mass_pct if v.consumed else None),
            **_spread("area", "pct", v.consumed.area_pct if v.consumed else None),
            "coverage": v.consumed.coverage if v.consumed else None,
            "new_g": v.mass.new_g if v.mass else None,
            **_spread("remaining", "g", v.mass.remaining_g if v.mass else None),
            "mass_method": v.mass.method if v.mass else None,
            **_spread("seen", "pct", seen),
            "reasons": json.dumps([r.code for r in v.reasons]),
            "budget": json.dumps(v.budget),
        }
        self._db.execute(
            f"INSERT INTO judgements ({', '.join(row)}) VALUES ({', '.join('?' * len(row))})",
            tuple(row.values()),
        )
        if weighed is not None and j.kind == "wear":
            self._db.execute(
                "INSERT INTO weighings (boat, position, hauled_on, mass_g, note) VALUES (?, ?, ?, ?, ?)",
                (place.boat, place.name, j.hauled_on.isoformat(), weighed, "given with the photo"),
            )
        return True

    def _seen(self, v: Verdict, settings: Settings | None) -> Interval | None:
        """Mass consumed as the photo alone says, of a record that was judged with a weight; None where
        the template isn't in the book as it was judged."""
        from anodewane.book.calibrate import seen_alone
        from anodewane.settings import Settings

        if v.consumed is None or v.template is None:
            return None
        known = self._one("SELECT sha256 FROM templates WHERE name = ?", (v.template.name,))
        if not known or known[0] != v.template.sha256:
            return None
        return seen_alone(
            self.template(v.template.name), v.consumed.area_pct, v.consumed.coverage, settings or Settings()
        )

    def withdraw(self, judgement: int, why: str, by: str | None = None, *, undo: bool = False) -> None:
        """Take a judgement out of the count (wrong part, wrong boat), or back into it with `undo`. It
        stays in the book."""
        with self.writing():
            if not self._one("SELECT 1 FROM judgements WHERE id = ?", (judgement,)):
                raise UsageError(
                    f"The book has no judgement {judgement}.", "'anodewane season history' shows the numbers."
                )
            reason = _note(why, "the reason")
            if reason is None:
                raise UsageError("A judgement is withdrawn for a reason.", "Say why.")
            self._db.execute(
                "INSERT INTO withdrawals (judgement, withdrawn, why, by) VALUES (?, ?, ?, ?)",
                (judgement, 0 if undo else 1, reason, _note(by, "the name")),
            )

    def weigh(
        self,
        boat: str,
        position: str,
        hauled_on: date,
        mass_g: float,
        by: str | None = None,
        note: str | None = None,
    ) -> None:
        """Note what was left of a part on the scales, clean and dry. A later weighing of the same part
        counts before an earlier one."""
        with self.writing():
            place = self.position(boat, position)
            if not math.isfinite(mass_g) or not 0 <= mass_g < 1e9:
                raise UsageError(f"'{mass_g}' isn't a mass in grams.", "Give what the scales say, in grams.")
            self._known_haul_out(place.boat, hauled_on)
            self._db.execute(
                "INSERT INTO weighings (boat, position, hauled_on, mass_g, by, note) VALUES (?, ?, ?, ?, ?, ?)",
                (
                    place.boat,
                    place.name,
                    hauled_on.isoformat(),
                    float(mass_g),
                    _note(by, "the name"),
                    _note(note, "the note"),
                ),
            )

    def overrule(
        self,
        boat: str,
        position: str,
        hauled_on: date,
        verdict: Literal["replace", "monitor", "ok"] | None,
        why: str,
        by: str,
    ) -> None:
        """A person's own verdict over a part at a haul-out; the photo's stays beside it. None takes an
        earlier one back."""
        with self.writing():
            place = self.position(boat, position)
            self._known_haul_out(place.boat, hauled_on)
            reason, who = _note(why, "the reason"), _note(by, "the name")
            if reason is None or who is None:
                raise UsageError("A verdict is overruled by somebody, for a reason.", "Say who and why.")
            self._db.execute(
                "INSERT INTO overrules (boat, position, hauled_on, verdict, why, by) VALUES (?, ?, ?, ?, ?, ?)",
                (place.boat, place.name, hauled_on.isoformat(), verdict, reason, who),
            )

    def accept(self, judgement: int, by: str) -> None:
        """Somebody stands by a judgement, by its number. Saying it twice changes nothing.

        Raises
        ------
        UsageError
            There is no such judgement, it doesn't count, or it judged nothing.
        """
        with self.writing():
            who = _note(by, "the name")
            if who is None:
                raise UsageError("A judgement is accepted by somebody.", "Say who.")
            j = self.judgement(judgement)
            if not j.counts:
                raise UsageError(
                    f"Judgement {judgement} doesn't count: it was withdrawn, or a later one stands.",
                    "Accept the one that stands.",
                )
            if j.reading.status != "judged":
                raise UsageError(
                    f"Judgement {judgement} is a refusal; there is no verdict to accept.",
                    "Take the photo again.",
                )
            self._db.execute("INSERT OR IGNORE INTO accepts (judgement, by) VALUES (?, ?)", (judgement, who))

    def _known_haul_out(self, boat: str, hauled_on: date) -> None:
        if not any(h.hauled_on == hauled_on for h in self.haul_outs(boat)):
            raise UsageError(
                f"'{boat}' wasn't hauled out on {hauled_on}, by the book.",
                "Note it with 'anodewane season haul-out', or correct the date.",
            )

    def keep_calibration(self, c: Calibration) -> None:
        """Keep a template's calibration: `judge --book` reads photos of its parts by the latest one."""
        b, a = c.half_gone_before, c.half_gone_after
        with self.writing():
            self._db.execute(
                "INSERT INTO calibrations (template, n, scale, scale_sd, part_sd, half_gone_before_pct, half_gone_before_low_pct, half_gone_before_high_pct, "
                "half_gone_after_pct, half_gone_after_low_pct, half_gone_after_high_pct) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    c.template,
                    c.n,
                    c.scale,
                    c.scale_sd,
                    c.part_sd,
                    b.value,
                    b.low,
                    b.high,
                    a.value,
                    a.low,
                    a.high,
                ),
            )

    # reading

    def boat(self, name: str) -> Boat:
        """The boat of that name, in whatever case.

        Raises
        ------
        UsageError
            There is none, with the names that are near.
        """
        row = self._one("SELECT name, water, note FROM boats WHERE name = ?", (clean_name(name, "boat"),))
        if row is None:
            have = [b[0] for b in self._all("SELECT name FROM boats")]
            if (twin := _twin(name, have)) is not None:
                return self.boat(twin)
            raise UsageError(
                f"The book has no boat '{name}'.", _near(name, have, "Add it with 'anodewane season boat'.")
            )
        return Boat(*row)

    def has_boat(self, name: str) -> bool:
        """Whether there is a boat of that name."""
        return self._one("SELECT 1 FROM boats WHERE name = ?", (name,)) is not None

    def position(self, boat: str, name: str) -> Position:
        """The position of that name on a boat, in whatever case.

        Raises
        ------
        UsageError
            There is none, with the names that are near.
        """
        owner = self.boat(boat).name
        row = self._one(
            "SELECT boat, name, pair, fixings FROM positions WHERE boat = ? AND name = ?",
            (owner, clean_name(name, "position")),
        )
        if row is None:
            have = [p[0] for p in self._all("SELECT name FROM positions WHERE boat = ?", (owner,))]
            if (twin := _twin(name, have)) is not None:
                return self.position(owner, twin)
            raise UsageError(
                f"'{owner}' has no position '{name}' in the book.",
                _near(name, have, "Add it with 'anodewane season position'."),
            )
        return Position(*row)

    def boats(self) -> tuple[Boat, ...]:
        """Every boat, by name."""
        return tuple(Boat(*r) for r in self._all("SELECT name, water, note FROM boats ORDER BY name"))

    def positions(self, boat: str | None = None) -> tuple[Position, ...]:
        """Positions of a boat or of all, by boat and name."""
        where, values = _where(boat=boat)
        return tuple(
            Position(*r)
            for r in self._all(
                f"SELECT boat, name, pair, fixings FROM positions {where} ORDER BY boat, name", values
            )
        )

    def fittings(self, boat: str | None = None, position: str | None = None) -> tuple[Fitting, ...]:
        """Parts by boat, position and day of fitting."""
        where, values = _where(boat=boat, position=position)
        rows = self._all(
            f"SELECT boat, position, template, alloy, fitted_on, removed_on, new_mass_g FROM fittings {where} ORDER BY boat, position, fitted_on",  # noqa: S608 - no value in it
            values,
        )
        return tuple(Fitting(b, p, t, a, _day(f), _day(r) if r else None, m) for b, p, t, a, f, r, m in rows)

    def haul_outs(self, boat: str | None = None) -> tuple[HaulOut, ...]:
        """Haul-outs by boat and day."""
        where, values = _where(boat=boat)
        rows = self._all(
            f"SELECT boat, hauled_on, launched_on FROM haul_outs {where} ORDER BY boat, hauled_on", values
        )
        return tuple(HaulOut(b, _day(h), _day(x) if x else None) for b, h, x in rows)

    def readings(
        self,
        boat: str | None = None,
        position: str | None = None,
        hauled_on: date | None = None,
        *,
        settings: Settings | None = None,
        _recent: bool = False,
    ) -> tuple[Reading, ...]:
        """The judgements that count, by boat, position and haul-out, with the weights that count.

        Where a part was weighed, `consumed_pct` goes by the weight (settings: `scales_sd_g`,
        `mass_known_sd_frac`, `mass_computed_sd_frac`).
        """
        where, values = _where(
            **{
                "j.boat": boat,
                "j.position": position,
                "j.hauled_on": hauled_on.isoformat() if hauled_on else None,
            }
        )
        recent = f" AND {_RECENT}" if _recent else ""
        where = f"{where} AND j.counts = 1{recent}" if where else f"WHERE j.counts = 1{recent}"
        weights, masses = self._weights(boat)
        rows = self._all(
            f"SELECT {_READING} FROM judgements j {where} ORDER BY j.boat, j.position, j.hauled_on", values
        )
        return tuple(_reading(r, weights, masses, settings) for r in rows)

    def _weights(
        self, boat: str | None
    ) -> tuple[dict[tuple[str, str, str], float], dict[tuple[str, str], list[tuple[str, str | None, float]]]]:
        """The weights that count by part and haul-out, and the parts that were weighed new."""
        where, values = _where(boat=boat)
        weights = {
            (b, p, h): m
            for b, p, h, m in self._all(
                f"SELECT boat, position, hauled_on, mass_g FROM weighings {where} ORDER BY id", values
            )
        }
        masses: dict[tuple[str, str], list[tuple[str, str | None, float]]] = {}
        if weights:
            more = f"{where} AND new_mass_g IS NOT NULL" if where else "WHERE new_mass_g IS NOT NULL"
            for b, p, f, r, m in self._all(
                f"SELECT boat, position, fitted_on, removed_on, new_mass_g FROM fittings {more}", values
            ):
                masses.setdefault((b, p), []).append((f, r, m))
        return weights, masses

    def entries(
        self, boat: str | None = None, *, settings: Settings | None = None, recent: bool = False
    ) -> tuple[BoatEntries, ...]:
        """All that the reckoning takes, of one boat or of all, by name.

        recent : leave out readings from before the part that sat there before the present one, which no
        rate or warning looks at.
        """
        boats = (self.boat(boat),) if boat is not None else self.boats()
        name = boats[0].name if boat is not None else None
        positions, fittings, haul_outs = (
            _by_boat(self.positions(name)),
            _by_boat(self.fittings(name)),
            _by_boat(self.haul_outs(name)),
        )
        readings = _by_boat(self.readings(name, settings=settings, _recent=recent))
        return tuple(
            BoatEntries(
                b,
                tuple(positions.get(b.name, ())),
                tuple(fittings.get(b.name, ())),
                tuple(haul_outs.get(b.name, ())),
                tuple(readings.get(b.name, ())),
            )
            for b in boats
        )

    def judgements(
        self, boat: str, position: str | None = None, hauled_on: date | None = None
    ) -> tuple[Judgement, ...]:
        """Every judgement of a boat, those that don't count and withdrawn ones too, by position,
        haul-out and moment of judging."""
        owner = self.boat(boat).name
        place = self.position(owner, position).name if position else None
        where, values = _where(
            **{
                "j.boat": owner,
                "j.position": place,
                "j.hauled_on": hauled_on.isoformat() if hauled_on else None,
            }
        )
        weights, masses = self._weights(owner)
        rows = self._all(
            f"SELECT j.id, j.photo_name, j.judged_at, j.judged_by, j.recorded_at, j.counts, "  # noqa: S608 - no value in it
            "(SELECT CASE w.withdrawn WHEN 1 THEN w.why END FROM withdrawals w WHERE w.judgement = j.id ORDER BY w.id DESC LIMIT 1), "
            f"{_READING} FROM judgements j {where} ORDER BY j.position, j.hauled_on, j.judged_at, j.id",
            values,
        )
        return tuple(
            Judgement(
                number,
                _reading(rest, weights, masses, None),
                photo,
                at,
                by,
                recorded,
                rest[_METHOD],
                bool(counts),
                withdrawn,
            )
            for number, photo, at, by, recorded, counts, withdrawn, *rest in rows
        )

    def judgement(self, number: int) -> Judgement:
        """The judgement of that number.

        Raises
        ------
        UsageError
            There is none.
        """
        row = self._one("SELECT boat, position FROM judgements WHERE id = ?", (number,))
        if row is None:
            raise UsageError(
                f"The book has no judgement {number}.", "'anodewane season history' shows the numbers."
            )
        return next(j for j in self.judgements(*row) if j.id == number)

    def weighings(self, boat: str | None = None) -> tuple[Weight, ...]:
        """Every weighing, those that a later one stands in for too, in the order of entry."""
        where, values = _where(boat=boat)
        rows = self._all(
            f"SELECT boat, position, hauled_on, mass_g, by, note, at FROM weighings {where} ORDER BY id",
            values,
        )
        return tuple(Weight(b, p, _day(h), m, by, note, at) for b, p, h, m, by, note, at in rows)

    def overrules(self, boat: str | None = None) -> tuple[Overrule, ...]:
        """Every overrule in the order of entry; of one part and haul-out the last counts."""
        where, values = _where(boat=boat)
        rows = self._all(
            f"SELECT boat, position, hauled_on, verdict, why, by, at FROM overrules {where} ORDER BY id",
            values,
        )
        return tuple(Overrule(b, p, _day(h), v, why, by, at) for b, p, h, v, why, by, at in rows)

    def accepts(self, boat: str | None = None) -> tuple[Accept, ...]:
        """Every accept in the order of entry, also of judgements that no longer count."""
        where, values = _where(boat=boat)
        rows = self._all(
            f"SELECT j.id, boat, position, hauled_on, record_sha256, a.by, a.at FROM accepts a JOIN judgements j ON j.id = a.judgement {where} ORDER BY a.id",  # noqa: S608 - no value in it
            values,
        )
        return tuple(Accept(n, b, p, _day(h), sha256, by, at) for n, b, p, h, sha256, by, at in rows)

    def template(self, name: str) -> Template:
        """A template as the book keeps it."""
        from anodewane.catalog.templates import template_from_toml

        row = self._one("SELECT toml FROM templates WHERE name = ?", (name,))
        if row is None:
            raise UsageError(
                f"The book has no template '{name}'.",
                _near(name, self.template_names(), "It comes in with the first part of it that is fitted."),
            )
        return template_from_toml(row[0])

    def template_names(self) -> list[str]:
        """The templates that the book keeps."""
        return [r[0] for r in self._all("SELECT name FROM templates ORDER BY name")]

    def calibration(self, template: str) -> Calibration | None:
        """The latest calibration that was kept of a template."""
        from anodewane.book.calibrate import Calibration

        row = self._one(
            "SELECT n, scale, scale_sd, part_sd, half_gone_before_pct, half_gone_before_low_pct, half_gone_before_high_pct, half_gone_after_pct, "
            "half_gone_after_low_pct, half_gone_after_high_pct FROM calibrations WHERE template = ? ORDER BY id DESC LIMIT 1",
            (template,),
        )
        if row is None:
            return None
        n, scale, scale_sd, part_sd, *ends = row
        return Calibration(template, n, scale, scale_sd, part_sd, Interval(*ends[:3]), Interval(*ends[3:]))

    def record_json(self, sha256: str) -> bytes:
        """A record, byte for byte as it was judged."""
        row = self._one("SELECT json FROM records WHERE sha256 = ?", (sha256,))
        if row is None:
            raise UsageError(
                f"The book has no record '{sha256}'.", "'anodewane season history --json' has their digests."
            )
        return str(row[0]).encode()

    def changes(self) -> tuple[Change, ...]:
        """Every correction, oldest first."""
        rows = self._all("SELECT at, what, before, after, why, by FROM changes ORDER BY id")
        return tuple(
            Change(at, what, json.loads(before), json.loads(after) if after else None, why, by)
            for at, what, before, after, why, by in rows
        )

    def check(self) -> tuple[str, ...]:
        """What is wrong with the file, in SQLite's words and by the records' digests; empty
        when nothing is."""
        found = [str(r[0]) for r in self._all("PRAGMA integrity_check(20)") if r[0] != "ok"]
        found += [
            f"a row of '{r[0]}' lacks its parent in '{r[2]}'" for r in self._all("PRAGMA foreign_key_check")
        ]
        with _said(self.path):
            for sha256, text in self._db.execute("SELECT sha256, json FROM records"):
                if hashlib.sha256(text.encode()).hexdigest() != sha256:
                    found.append(f"record {sha256[:12]} isn't what was judged")
        return tuple(found)

    # what was reckoned and is kept (`listing`)

    def not_kept(self, digest: str, boat: str | None = None) -> list[str]:
        """Boats of which nothing reckoned by these rules is kept."""
        where = " AND b.name = ?" if boat is not None else ""
        sql = f"SELECT b.name FROM boats b LEFT JOIN reckoned r ON r.boat = b.name WHERE r.digest IS NOT ?{where} ORDER BY b.name"  # noqa: S608 - no value in it
        return [r[0] for r in self._all(sql, (digest,) if boat is None else (digest, boat))]

    def kept(self, what: str, boat: str | None = None) -> list[str]:
        """What is kept of a boat or of all, by name: "lines", "cells", "notices" or "orders"."""
        assert what in ("lines", "cells", "notices", "orders")
        where, values = _where(boat=boat)
        return [r[0] for r in self._all(f"SELECT {what} FROM reckoned {where} ORDER BY boat", values)]  # noqa: S608 - no value in it

    def keep(self, digest: str, of_boats: dict[str, tuple[str, ...]]) -> None:
        """Keep what was reckoned: lines, cells, notices and orders a boat."""
        with self.writing():
            self._db.executemany(
                "INSERT OR REPLACE INTO reckoned VALUES (?, ?, ?, ?, ?, ?)",
                [(name, digest, *parts) for name, parts in of_boats.items()],
            )

    @contextlib.contextmanager
    def reading(self) -> Iterator[None]:
        """One state of the book over several reads, whoever writes meanwhile."""
        with _said(self.path):
            self._db.execute("BEGIN")
            try:
                yield
            finally:
                self._db.execute("COMMIT")

    def columns(self, table: str) -> list[str]:
        """A table's columns."""
        assert table in TABLES
        return [r[1] for r in self._all(f"PRAGMA table_info({table})")]

    def rows(self, table: str) -> Iterator[tuple[Any, ...]]:
        """A table's rows as they are, in the order of its key."""
        assert table in TABLES
        with _said(self.path):
            keys = [
                r[1]
                for r in sorted(
                    (r for r in self._db.execute(f"PRAGMA table_info({table})") if r[5]), key=lambda r: r[5]
                )
            ]
            yield from self._db.execute(f"SELECT * FROM {table} ORDER BY {', '.join(keys)}")  # noqa: S608 - names of the book's own tables


# --- inside --------------------------------------------------------------------------------------

_READING = (
    "j.boat, j.position, j.hauled_on, j.kind, j.template, j.status, j.verdict, j.mass_pct, j.mass_low_pct, j.mass_high_pct, j.area_pct, j.area_low_pct, j.area_high_pct, "
    "j.coverage, j.new_g, j.remaining_g, j.remaining_low_g, j.remaining_high_g, j.mass_method, j.seen_pct, j.seen_low_pct, j.seen_high_pct, j.photo_sha256, "
    "j.record_sha256, j.reasons, j.budget"
)
_METHOD = 18

# The part before the present one: its readings are compared with the present part's first.
_RECENT = "j.hauled_on >= coalesce((SELECT f.fitted_on FROM fittings f WHERE f.boat = j.boat AND f.position = j.position ORDER BY f.fitted_on DESC LIMIT 1 OFFSET 1), '')"


def _reading(
    row: Sequence[Any],
    weights: dict[tuple[str, str, str], float],
    masses: dict[tuple[str, str], list[tuple[str, str | None, float]]],
    settings: Settings | None,
) -> Reading:
    (
        boat, position, hauled_on, kind, template, status, verdict, mass, mass_low, mass_high, area, area_low, area_high, coverage, new_g, left, left_low, left_high,
        method, seen, seen_low, seen_high, photo, record, reasons, budget,
    ) = row  # fmt: skip
    consumed = None if mass is None else Interval(mass, mass_low, mass_high)
    remaining = None if left is None else Interval(left, left_low, left_high)
    alone = None if seen is None else Interval(seen, seen_low, seen_high)
    weighed = weights.get((boat, position, hauled_on)) if kind == "wear" else None
    if weighed is not None and consumed is not None and new_g is not None and coverage is not None:
        if method != "weighed":
            alone = consumed
        if method != "weighed" or abs(weighed - left) > 0.05:
            part = next(
                (
                    m
                    for f, r, m in masses.get((boat, position), ())
                    if f < hauled_on and (r is None or hauled_on <= r)
                ),
                None,
            )
            consumed, remaining = _by_weight(weighed, part, new_g, coverage, settings)
    return Reading(
        boat, position, _day(hauled_on), kind, template or "", status, verdict, consumed, None if area is None else Interval(area, area_low, area_high), coverage, new_g,
        remaining, weighed, photo, record, _codes(reasons), _causes(budget), alone,
    )  # fmt: skip


def _by_weight(
    weighed_g: float, weighed_new_g: float | None, new_g: float, coverage: float, settings: Settings | None
) -> tuple[Interval, Interval]:
    """Mass consumed (points) and left (g) of a part that was weighed after its photo was judged. A part
    not weighed when new: its template's mass, as computed."""
    from anodewane.book.rates import normal_quantile
    from anodewane.settings import Settings

    s = settings or Settings()
    z = normal_quantile(coverage)
    of_new = s.mass_computed_sd_frac if weighed_new_g is None else s.scales_sd_g / weighed_new_g
    full = weighed_new_g or new_g
    left = weighed_g / full
    sd = 100 * math.hypot(left * of_new, s.scales_sd_g / full)
    gone = 100 * (1 - left)
    return Interval(gone, gone - z * sd, min(gone + z * sd, 100.0)), Interval(
        weighed_g, max(weighed_g - z * s.scales_sd_g, 0.0), weighed_g + z * s.scales_sd_g
    )


@lru_cache(maxsize=4096)  # few sets of reasons, many readings
def _codes(text: str) -> tuple[str, ...]:
    return tuple(json.loads(text)) if text != "[]" else ()


def _causes(text: str) -> tuple[tuple[str, float], ...]:
    return tuple(json.loads(text).items()) if text != "{}" else ()


def _by_boat(items: Iterable[Any]) -> dict[str, list[Any]]:
    out: dict[str, list[Any]] = {}
    for item in items:
        out.setdefault(item.boat, []).append(item)
    return out


def _where(**columns: str | None) -> tuple[str, list[str]]:
    given = {k: v for k, v in columns.items() if v is not None}
    return (f"WHERE {' AND '.join(f'{k} = ?' for k in given)}" if given else "", list(given.values()))


def _spread(name: str, unit: str, i: Interval | None) -> dict[str, float | None]:
    ends = (None, None, None) if i is None else (i.value, i.low, i.high)
    return dict(zip((f"{name}_{unit}", f"{name}_low_{unit}", f"{name}_high_{unit}"), ends, strict=True))


def clean_name(name: str, what: str) -> str:
    """A name as the book keeps it: one way of writing accents (NFC: folders of some systems have
    another), single spaces, no control characters.

    Raises
    ------
    UsageError
    """
    clean = " ".join(unicodedata.normalize("NFC", name).split())
    if not clean or len(clean) > MAX_NAME_CHARS or not clean.isprintable():
        raise UsageError(
            f"The {what}'s name {name[:100]!r} is empty, longer than {MAX_NAME_CHARS} characters or unprintable.",
            "Give it a name that can be written on a list.",
        )
    return clean


def _note(text: str | None, what: str) -> str | None:
    """A line or more of text; None for nothing."""
    if text is None:
        return None
    clean = unicodedata.normalize("NFC", text.replace("\r\n", "\n")).strip()
    if len(clean) > MAX_NOTE_CHARS or not all(c.isprintable() or c in "\n\t" for c in clean):
        raise UsageError(
            f"{what[0].upper()}{what[1:]} is longer than {MAX_NOTE_CHARS} characters or has unprintable ones.",
            "Write it as plain text.",
        )
    return clean or None


@lru_cache(maxsize=50_000)
def _alike(name: str) -> str:
    """What two names share that a reader takes for the same."""
    plain = unicodedata.normalize("NFKD", name).casefold()
    return "".join(c for c in plain if not unicodedata.combining(c) and not c.isspace())


def _twin(name: str, have: Iterable[str]) -> str | None:
    return next((h for h in have if _alike(h) == _alike(name)), None)


def _near(name: str, have: Sequence[str], otherwise: str) -> str:
    from difflib import get_close_matches

    by_key = {_alike(h): h for h in have}
    near = [by_key[k] for k in get_close_matches(_alike(name), by_key, n=3, cutoff=0.6)]
    return f"Did you mean {' or '.join(repr(n) for n in near)}? {otherwise}" if near else otherwise


def _water(water: str | None) -> Water | None:
    if water is not None and water not in ("salt", "brackish", "fresh"):
        raise UsageError(f"'{water}' isn't a water.", "Give salt, brackish or fresh.")
    return water  # type: ignore[return-value]  # one of the three


def _mass(mass_g: float | None) -> float | None:
    if mass_g is not None and (not math.isfinite(mass_g) or not 0 < mass_g < 1e9):
        raise UsageError(f"'{mass_g}' isn't a mass in grams.", "Give what the scales say, in grams.")
    return None if mass_g is None else float(mass_g)


def _day(text: str) -> date:
    return date.fromisoformat(text)


def _iso(day: date | None) -> str | None:
    return day.isoformat() if day is not None else None


def moment(at: datetime) -> str:
    """A moment as the book keeps it, UTC to the millisecond."""
    return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.") + f"{at.microsecond // 1000:03}Z"


def _first_line(e: Exception) -> str:
    lines = [line.strip() for line in str(e).splitlines() if line.strip()]
    return "; ".join(lines[1:3] if len(lines) > 2 else lines[:1])[:200].rstrip(".")
