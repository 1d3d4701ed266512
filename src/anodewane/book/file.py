"""The book's file: one SQLite database, made, opened, migrated, locked and read table by table. No
server; whatever reads SQLite reads it."""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import sqlite3
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from anodewane.book.names import clean_note
from anodewane.errors import InputUnreadable, OutputNotWritable, UsageError

APPLICATION_ID = 0x616E6F64
"""In every book's header, "anod" in ASCII: another program's SQLite file is known for what it is."""

VERSION = 5
"""Of the tables: migrations/0001.sql up to this one."""

MIN_SQLITE = (3, 38, 0)
"""STRICT tables came with 3.37, JSON functions in every build with 3.38."""

BUSY_S = 20.0
"""How long a writer waits for another one."""

TABLES = (
    "boats", "templates", "positions", "fittings", "haul_outs", "records", "judgements", "withdrawals",
    "weighings", "changes", "overrules", "calibrations", "accepts", "weighing_withdrawals",
    "haul_out_withdrawals", "overruled_judgements",
)  # fmt: skip
"""Parents before their children."""

NETWORK_DISKS = frozenset({
    "nfs", "nfs4", "cifs", "smb", "smb2", "smb3", "smbfs", "ncpfs", "afs", "9p", "fuse.sshfs", "fuse.rclone",
    "fuse.s3fs", "fuse.davfs2", "davfs", "ceph", "glusterfs",
})  # fmt: skip
"""Names of file systems in Linux's table of mounts."""


# --- making -------------------------------------------------------------------------------------


def make_empty(path: Path, version: int) -> None:
    """Write an empty book of a version into a new or empty file."""
    with faults_told(path), contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
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


# --- opening ------------------------------------------------------------------------------------


def connect_book(path: Path, read_only: bool) -> tuple[sqlite3.Connection, bool]:
    """Open a book's database, brought up to this version of the tables, and whether it may be written.

    Raises
    ------
    InputUnreadable
        Missing, no book, damaged, or of a newer version; the file is then left byte for byte as it was.
    OutputNotWritable
        It has to be migrated and can't be written, or another program holds it.
    """
    check_sqlite()
    version = _version_in_header(path)
    _refuse_newer(path, version)
    writable = os.access(path, os.W_OK) and os.access(path.absolute().parent, os.W_OK) and not read_only
    with faults_told(path):
        db = _connect(path, writable)
        try:
            # the header may lag behind a write-ahead log
            version = int(db.execute("PRAGMA user_version").fetchone()[0])
            _refuse_newer(path, version)
            if version < VERSION:
                if not writable:
                    raise OutputNotWritable(
                        f"The book '{path.name}' is of version {version} of the tables; version {VERSION} "
                        "is needed, and it can't be written here.",
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
    return db, writable


def check_sqlite() -> None:
    if sqlite3.sqlite_version_info < MIN_SQLITE:
        raise UsageError(
            f"This Python has SQLite {sqlite3.sqlite_version}; the book needs "
            f"{'.'.join(map(str, MIN_SQLITE))}.",
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
            f"The book '{path.name}' is of version {version} of the tables; this anodewane knows versions "
            f"up to {VERSION}.",
            "Use the newer anodewane that wrote it; the file was left as it was.",
        )
    if version < 1:
        raise InputUnreadable(
            f"The book '{path.name}' says no version of its tables.",
            "Restore a copy; the file was left as it was.",
        )


def _read(address: str) -> sqlite3.Connection:
    """A connection that has read the file's header and is set up; closed again where that fails."""
    db = sqlite3.connect(address, uri=True, timeout=BUSY_S, isolation_level=None)
    try:
        db.execute("PRAGMA user_version").fetchone()
        db.execute("PRAGMA foreign_keys = ON")
        db.execute("PRAGMA synchronous = FULL")  # a committed judgement survives a power cut
    except BaseException:
        db.close()
        raise
    return db


def _connect(path: Path, writable: bool) -> sqlite3.Connection:
    address = path.absolute().as_uri()
    try:
        db = _read(f"{address}?mode={'rw' if writable else 'ro'}")
    except sqlite3.OperationalError:
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
        db = _read(f"{address}?mode=ro&immutable=1")
    db.row_factory = sqlite3.Row
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
    # Can't be changed inside a transaction, and a migration may rebuild tables. All keys are checked
    # before the commit.
    db.execute("PRAGMA foreign_keys = OFF")
    db.execute("BEGIN IMMEDIATE")
    try:
        # another program may have been quicker
        version = int(db.execute("PRAGMA user_version").fetchone()[0])
        if version < VERSION:
            _copy_beside(path, version)
            for v in range(version + 1, VERSION + 1):
                _run(db, _migration(v))
            broken = db.execute("PRAGMA foreign_key_check").fetchone()
            if broken:
                raise InputUnreadable(
                    f"The book '{path.name}' can't be brought up to date: a row of '{broken[0]}' lacks "
                    "its parent.",
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
def faults_told(path: Path) -> Iterator[None]:
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
                "Free some space or change the folder's permissions, and try again; what was in the book "
                "is still there.",
            ) from e
        if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
            raise InputUnreadable(
                f"The book '{path.name}' is damaged: {e}.",
                "Restore a copy, or the last 'anodewane season export'.",
            ) from e
        raise


# --- an open file --------------------------------------------------------------------------------


class BookFile:
    """An open book's database: transactions, and its tables as they are."""

    def __init__(self, path: Path, db: sqlite3.Connection, read_only: bool) -> None:
        self.path, self.read_only = path, read_only
        self._db = db

    def __enter__(self) -> Self:
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
        why, by = clean_note(why, "the reason"), clean_note(by, "the name")
        if self._db.in_transaction:  # inside a larger one
            yield
            return
        with faults_told(self.path):
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
        with faults_told(self.path):
            return self._db.execute(sql, values).fetchall()

    def _one(self, sql: str, values: Sequence[Any] = ()) -> Any:
        with faults_told(self.path):
            return self._db.execute(sql, values).fetchone()

    # tables as they are

    @contextlib.contextmanager
    def reading(self) -> Iterator[None]:
        """One state of the book over several reads, whoever writes meanwhile."""
        with faults_told(self.path):
            self._db.execute("BEGIN")
            try:
                yield
            finally:
                self._db.execute("COMMIT")

    def columns(self, table: str) -> list[str]:
        """A table's columns."""
        assert table in TABLES
        return [r["name"] for r in self._all(f"PRAGMA table_info({table})")]

    def rows(self, table: str) -> Iterator[tuple[Any, ...]]:
        """A table's rows as they are, in the order of its key."""
        assert table in TABLES
        with faults_told(self.path):
            columns = self._db.execute(f"PRAGMA table_info({table})").fetchall()
            keys = [r["name"] for r in sorted((r for r in columns if r["pk"]), key=lambda r: int(r["pk"]))]
            sql = f"SELECT * FROM {table} ORDER BY {', '.join(keys)}"  # noqa: S608 - the book's own tables
            yield from map(tuple, self._db.execute(sql))

    def check(self) -> tuple[str, ...]:
        """What is wrong with the file, in SQLite's words and by the records' digests; empty
        when nothing is."""
        found = [str(r[0]) for r in self._all("PRAGMA integrity_check(20)") if r[0] != "ok"]
        found += [
            f"a row of '{r[0]}' lacks its parent in '{r[2]}'" for r in self._all("PRAGMA foreign_key_check")
        ]
        with faults_told(self.path):
            for sha256, text in self._db.execute("SELECT sha256, json FROM records"):
                if hashlib.sha256(text.encode()).hexdigest() != sha256:
                    found.append(f"record {sha256[:12]} isn't what was judged")
        return tuple(found)
