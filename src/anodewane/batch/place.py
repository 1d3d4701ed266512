"""Where photos are read from and results are written to: a small protocol, and a folder on this machine.

The plan, the judge and the ledger know a `Place` and nothing more, so that the same code runs with
photos and results on object storage. A place is small and can be pickled: workers get a copy of it.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import stat
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Protocol

from anodewane.errors import InputUnreadable, OutputNotWritable
from anodewane.files import read_bytes, write_atomic

LEDGER_NAME = "anodewane-ledger.jsonl"
LOCK_NAME = ".anodewane-lock"
PART_FILE = re.compile(r"(.*/)?\..*\.[0-9a-f]{8}\.part")
"""What `files.write_atomic` leaves when it is killed."""

UNFIT = re.compile("[\x00-\x1f\x7f\ud800-\udfff]")

FRESH_S = 2.0
"""A file changed so short a time before it was looked at may change again without its times showing it:
some file systems keep whole or even seconds."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One file of a place.

    name : relative, "/" between folders; size_bytes : None where it can't be told (a link that leads
    nowhere). stamp : text that changes whenever the content may have changed, or None where it can't be
    trusted (changed a moment ago): a content hash is cached under it. likeness : two files of equal
    content have equal likeness; here the size in bytes. Whatever has no equal needn't be hashed to know
    that it is no duplicate.
    """

    name: str
    size_bytes: int | None
    stamp: str | None
    likeness: str


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Something in a place that isn't gone into. kind : "output" (results of a batch), "link_loop" (a
    folder that was reached before), "unreadable"."""

    name: str
    kind: Literal["output", "link_loop", "unreadable"]
    detail: str


class Place(Protocol):
    """Files by relative name, "/" between folders. Errors are `InputUnreadable` when reading and
    `OutputNotWritable` when writing."""

    @property
    def address(self) -> str:
        """What a person calls it: a path or URL."""
        ...

    def entries(self, left_out: list[LeftOut] | None = None) -> Iterator[Entry]:
        """Every file, in no particular order; what isn't gone into is put on `left_out`.
        InputUnreadable when the place itself isn't there."""
        ...

    def read(self, name: str) -> bytes:
        """A file's content. InputUnreadable."""
        ...

    def is_there(self) -> bool:
        """Whether the place itself can still be reached: tells one unreadable file from a pulled-out disk."""
        ...

    def prepare(self) -> None:
        """Make the place if it isn't there, and find out that it can be written to. OutputNotWritable."""
        ...

    def write(self, name: str, data: bytes) -> None:
        """Write a file whole or not at all, folders made as needed. OutputNotWritable."""
        ...

    def remove(self, name: str) -> None:
        """Remove a file; nothing happens when it isn't there. OutputNotWritable."""
        ...

    def lines(self, name: str) -> Iterator[bytes]:
        """The whole lines appended to `name` so far, in order; one cut short is left out or comes as it
        is. Nothing when there are none."""
        ...

    def append(self, name: str, lines: Iterable[bytes]) -> None:
        """Add lines (without line feed) for good, each whole or in a way that `lines` survives. One
        writer at a time. OutputNotWritable."""
        ...

    def lock(self) -> contextlib.AbstractContextManager[None]:
        """Hold the place for one run; ends with the process however it ends. OutputNotWritable when
        another run holds it."""
        ...


@dataclass(frozen=True, slots=True)
class LocalFolder:
    """A folder on this machine. exclude : a folder in it that isn't gone into, such as the one that the
    results go to."""

    path: Path
    exclude: Path | None = None

    @property
    def address(self) -> str:
        return str(self.path)

    def entries(self, left_out: list[LeftOut] | None = None) -> Iterator[Entry]:
        """See `Place.entries`. Links are followed; a folder that can be reached in two ways is taken
        once, by its real name where it has one here."""
        left_out = [] if left_out is None else left_out
        excluded = _identity(os.fspath(self.exclude)) if self.exclude else None
        seen: set[tuple[int, int]] = set()
        folders: list[str] = [""]  # names ending in "/"
        linked: list[str] = []
        while folders or linked:
            name = folders.pop() if folders else linked.pop(0)
            # thousands of folders: a Path takes ten times as long
            folder = os.path.join(self.path, name)  # noqa: PTH118
            try:
                identity = _identity(folder)
                with os.scandir(folder) as scan:
                    inside = sorted(scan, key=lambda f: os.fsencode(f.name))
            except OSError as e:
                if not name:
                    raise _no_folder(self.path, e) from e
                left_out.append(LeftOut(name, "unreadable", e.strerror or str(e)))
                continue
            if name and (identity == excluded or any(f.name == LEDGER_NAME for f in inside)):
                left_out.append(LeftOut(name, "output", "results of a batch"))
                continue
            if identity in seen:
                left_out.append(LeftOut(name, "link_loop", "a folder that is taken under another name"))
                continue
            seen.add(identity)
            for found in inside:
                try:
                    is_folder = found.is_dir()
                except OSError:  # a link to itself
                    is_folder = False
                if is_folder:
                    (linked if found.is_symlink() else folders).append(f"{name}{found.name}/")
                else:
                    yield _entry(f"{name}{found.name}", found)

    def read(self, name: str) -> bytes:
        path = self._path(name)
        if not stat.S_ISREG(_mode(path)) and path.exists():
            raise InputUnreadable(f"'{shown_name(name)}' is a device or pipe, not a photo.", "Leave it out.")
        return read_bytes(path)

    def is_there(self) -> bool:
        try:
            with os.scandir(self.path) as scan:
                return any(
                    True for _ in scan
                )  # where a disk was pulled out its mount point may remain, empty
        except OSError:
            return False

    def prepare(self) -> None:
        from anodewane.files import check_folder

        check_folder(self.path)

    def write(self, name: str, data: bytes) -> None:
        path = self._path(name)
        if not path.parent.is_dir():
            if not (
                self.path / LEDGER_NAME
            ).exists():  # else an unplugged disk's mount point would be filled in its stead
                raise OutputNotWritable(
                    f"The folder '{self.path}' has vanished.",
                    "Bring it back and run the same command again: it goes on where it stopped.",
                )
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
            except OSError as e:
                raise _cannot_write(path, e) from e
        write_atomic(path, data)

    def remove(self, name: str) -> None:
        try:
            self._path(name).unlink(missing_ok=True)
        except OSError as e:
            raise _cannot_write(self._path(name), e) from e

    def lines(self, name: str) -> Iterator[bytes]:
        try:
            with self._path(name).open("rb") as f:
                for line in f:
                    yield line.rstrip(b"\n")
        except FileNotFoundError:
            return
        except OSError as e:
            raise _cannot_write(self._path(name), e) from e

    def append(self, name: str, lines: Iterable[bytes]) -> None:
        path = self._path(name)
        data = b"".join(line + b"\n" for line in lines)
        try:
            with path.open("ab+") as f:
                if f.tell():
                    f.seek(-1, os.SEEK_END)
                    if (
                        f.read(1) != b"\n"
                    ):  # cut short by a kill or a full disk: what follows must not be lost with it
                        data = b"\n" + data
                f.write(data)
                f.flush()
                os.fsync(f.fileno())
        except OSError as e:
            raise _cannot_write(path, e) from e

    @contextlib.contextmanager
    def lock(self) -> Iterator[None]:
        from filelock import FileLock, Timeout

        held = FileLock(self.path / LOCK_NAME, timeout=0)
        try:
            held.acquire()
        except Timeout as e:
            raise OutputNotWritable(
                f"Another batch is writing to '{self.path}' just now.",
                "Wait until it has ended, or name another folder with --out.",
            ) from e
        except OSError as e:
            raise _cannot_write(self.path / LOCK_NAME, e) from e
        try:
            yield
        finally:
            held.release()

    def _path(self, name: str) -> Path:
        return self.path.joinpath(*name.rstrip("/").split("/"))


def shown_name(name: str) -> str:
    """A name fit for print, for other file systems and for web addresses: bytes that aren't UTF-8 and
    control characters as %XX."""
    return UNFIT.sub(lambda found: _percent(ord(found.group())), name)


def _percent(code: int) -> str:
    if 0xDC80 <= code <= 0xDCFF:  # how Python holds an undecodable byte
        return f"%{code - 0xDC00:02X}"
    return f"%{code:02X}" if code < 0x80 else "\ufffd"


def _entry(name: str, e: os.DirEntry[str]) -> Entry:
    import time

    try:
        s = e.stat()
    except OSError:
        return Entry(name, None, None, "")
    fresh = time.time() - max(s.st_mtime, s.st_ctime) < FRESH_S
    return Entry(
        name,
        s.st_size,
        None if fresh else f"{s.st_size}-{s.st_mtime_ns}-{s.st_ctime_ns}-{s.st_ino}",
        str(s.st_size),
    )


def _identity(folder: str) -> tuple[int, int]:
    try:
        s = os.stat(folder)  # noqa: PTH116 - see `LocalFolder.entries`
    except FileNotFoundError:
        return (-1, -1)
    return s.st_dev, s.st_ino


def _mode(path: Path) -> int:
    try:
        return path.stat().st_mode
    except OSError:
        return 0


def _no_folder(path: Path, e: OSError) -> InputUnreadable:
    if e.errno == errno.ENOTDIR:
        return InputUnreadable(f"'{path}' isn't a folder.", "Name the folder that holds the photos.")
    return InputUnreadable(
        f"The folder '{path}' can't be read: {e.strerror or e}.",
        "Check its name and permissions, or plug its disk in again.",
    )


def _cannot_write(path: Path, e: OSError) -> OutputNotWritable:
    return OutputNotWritable(
        f"'{path}' can't be written: {e.strerror or e}.",
        "Free some space or change the permissions, then run the same command again: it goes on where it "
        "stopped.",
    )
