"""Reading and writing files: whole or not at all, and in one sentence when it can't be done.

A picture or record is written to a temporary name in the same folder, flushed to the disk and then
renamed, so that nobody ever finds half a file and a failed write leaves what was there before.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import stat
import sys
from collections.abc import Iterator
from pathlib import Path

from anodewane.errors import InputUnreadable, OutputNotWritable

MAX_INPUT_BYTES = 400_000_000
"""No phone photo, drawing or mask is larger; a 200 MP photo without loss is about 300 MB."""


def read_bytes(path: Path | str, what: str = "photo") -> bytes:
    """Return the content of an input file, or of standard input where `path` is "-".

    Parameters
    ----------
    path : Path or str
    what : str
        What the file should be, for the sentence: "photo", "settings file".

    Raises
    ------
    InputUnreadable
        Missing, a folder, not permitted, failing, or larger than `MAX_INPUT_BYTES`.
    """
    if str(path) == "-":
        data = sys.stdin.buffer.read(MAX_INPUT_BYTES + 1)
        name = "standard input"
    else:
        path, name = Path(path), Path(path).name
        try:
            if path.is_dir():
                raise InputUnreadable(f"'{name}' is a folder, not a {what}.", f"Name one {what}.")
            with path.open("rb") as f:
                data = f.read(MAX_INPUT_BYTES + 1)
        except FileNotFoundError as e:
            raise InputUnreadable(f"There is no {what} '{path}'.", "Check the name and the folder.") from e
        except PermissionError as e:
            raise InputUnreadable(
                f"The {what} '{name}' may not be read by you.", "Change its permissions or copy it."
            ) from e
        except OSError as e:
            raise InputUnreadable(
                f"The {what} '{name}' can't be read: {e.strerror or e}.",
                "Copy it to another disk and try again.",
            ) from e
    if len(data) > MAX_INPUT_BYTES:
        raise InputUnreadable(
            f"The {what} '{name}' is larger than {MAX_INPUT_BYTES // 1_000_000} MB.",
            f"Give the {what} as the phone made it.",
        )
    return data


def read_text(path: Path | str, what: str) -> str:
    """Return a text file in UTF-8 (a byte-order mark is dropped).

    Raises
    ------
    InputUnreadable
        As `read_bytes`, or not UTF-8 text.
    """
    data = read_bytes(path, what)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as e:
        raise InputUnreadable(
            f"The {what} '{Path(path).name}' isn't text in UTF-8.", "Save it as UTF-8 text."
        ) from e


def check_writable(path: Path) -> None:
    """Find out before the work starts that a file could be written: its folder exists and takes a new file.

    Raises
    ------
    OutputNotWritable
    """
    if _is_special(path):
        return
    if path.is_dir():
        raise OutputNotWritable(
            f"'{path}' is a folder, so no file of that name can be written.", "Name a file in it."
        )
    folder = path.resolve().parent
    if not folder.is_dir():
        raise OutputNotWritable(
            f"There is no folder '{folder}' to write '{path.name}' into.",
            "Make the folder first, or write elsewhere.",
        )
    with _temporary(path):
        pass


def check_folder(path: Path) -> None:
    """Make a folder if it isn't there, and find out that files can be written into it.

    Raises
    ------
    OutputNotWritable
    """
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise OutputNotWritable(
            f"The folder '{path}' can't be made: {e.strerror or e}.",
            "Write elsewhere, or change the folder's permissions.",
        ) from e
    check_writable(path / "probe")


def write_atomic(path: Path, data: bytes) -> None:
    """Write a file whole or not at all: to a temporary name in the same folder, to the disk, then renamed.

    A symbolic link is followed; an existing file keeps its permissions; a device or pipe is
    written to directly.

    Raises
    ------
    OutputNotWritable
        With what was there before left as it was.
    """
    if _is_special(path):
        try:
            with path.open("wb") as f:
                f.write(data)
        except OSError as e:
            raise _not_writable(path, e) from e
        return
    target = path.resolve()
    with _temporary(target) as temporary:
        try:
            with temporary.open("wb") as f:
                f.write(data)
                f.flush()
                os.fsync(f.fileno())
            if target.exists():
                temporary.chmod(stat.S_IMODE(target.stat().st_mode))
            temporary.replace(target)
        except OSError as e:
            raise _not_writable(path, e) from e


@contextlib.contextmanager
def _temporary(path: Path) -> Iterator[Path]:
    """An empty file beside `path`, removed at the end if it is still there."""
    temporary = path.resolve().parent / f".{path.name[:40]}.{secrets.token_hex(4)}.part"
    try:
        temporary.open(
            "xb"
        ).close()  # not tempfile: its file is private to its owner, and would stay so when renamed
    except OSError as e:
        raise _not_writable(path, e) from e
    try:
        yield temporary
    finally:
        temporary.unlink(missing_ok=True)


def _not_writable(path: Path, e: OSError) -> OutputNotWritable:
    return OutputNotWritable(
        f"'{path}' can't be written: {e.strerror or e}.",
        "Write elsewhere, free some space, or change the folder's permissions.",
    )


def _is_special(path: Path) -> bool:
    """Whether the path is a device, pipe or socket, which can't be renamed over."""
    try:
        mode = path.stat().st_mode
    except OSError:
        return False
    return not (stat.S_ISREG(mode) or stat.S_ISDIR(mode))
