"""What the QR code on a sheet says: boat and position, with a version in front and a checksum behind.
Pure text; print_sheet.py draws it, stages/label.py reads it.

Four lines of UTF-8::

    AW1
    Sea Aster
    port quarter
    M41XZ

The first is the version of this format; the last is the top 25 bits of CRC-32 (ISO 3309, as zlib has
it) over the lines before it, as five of Crockford's base-32 digits. A name holds no line feed, so
nothing needs escaping, and any phone that scans the code shows it in words. The code is the smallest of
three sizes that holds the payload at error correction M, so that a short label has large modules;
within that size the correction is as strong as fits. A name that doesn't fit is refused, never cut.
"""

from __future__ import annotations

import csv
import io
import unicodedata
import zlib
from typing import Any

from anodewane.errors import InputUnreadable, UsageError
from anodewane.record import Label

VERSION_LINE = "AW1"
CAPACITY_BYTES: dict[int, dict[str, int]] = {
    25: {"M": 26, "Q": 20, "H": 14},
    29: {"M": 42, "Q": 32, "H": 24},
    33: {"M": 62, "Q": 46, "H": 34},
}
"""Bytes that a code of so many modules a side holds, by error correction: versions 2 to 4 (ISO/IEC
18004:2015, table 7)."""

QUIET_MODULES = 4
"""Width of the white border about a code (ISO/IEC 18004:2015, 6.3.8)."""

OVERHEAD_BYTES = len(VERSION_LINE) + 5 + 3
LABEL_MAX_BYTES = max(c["M"] for c in CAPACITY_BYTES.values()) - OVERHEAD_BYTES
"""Boat and position together, as UTF-8: a letter outside ASCII takes two."""

MAX_LABELS = 2000
"""Pages of one PDF."""

_DIGITS = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
_RANGES = (
    (0x20, 0x7E),
    (0xA1, 0xAC),
    (0xAE, 0x17F),
    (0x218, 0x21B),
    (0x386, 0x3CE),
    (0x400, 0x45F),
    (0x490, 0x491),
)
_SIGNS = "‐–—‘’‚“”„•№"
"""What the sheet's font has in both weights: ASCII, Latin of Europe, Greek, Cyrillic, and signs that
names are written with."""


def label_of(boat: str, position: str) -> Label:
    """Return a label with its names tidied: composed letters (NFC), single spaces.

    Raises
    ------
    UsageError
        A name is empty or has a character that can't be printed, or both together don't fit the code.
    """
    label = Label(_tidy(boat, "boat"), _tidy(position, "position"))
    size = len(label.boat.encode()) + len(label.position.encode())
    if size > LABEL_MAX_BYTES:
        raise UsageError(
            f"Boat and position '{label.boat}', '{label.position}' take {size} bytes; {LABEL_MAX_BYTES} "
            "fit the code.",
            "Shorten one of them, for instance 'port quarter' to 'PQ'; letters with accents, Greek and "
            "Cyrillic ones take two bytes each.",
        )
    return label


def _tidy(name: str, what: str) -> str:
    text = " ".join(unicodedata.normalize("NFC", name).split())
    if not text:
        raise UsageError(
            f"The label has no {what}.",
            "Give both: --label BOAT POSITION, or columns 'boat' and 'position' in the list.",
        )
    for c in text:
        in_font = c in _SIGNS or any(low <= ord(c) <= high for low, high in _RANGES)
        if not in_font or unicodedata.category(c)[0] not in "LMNPSZ":
            message = f"The {what} '{_shown(text)}' has the character {c!a}, which the sheet can't print."
            raise UsageError(message, "Use Latin, Greek or Cyrillic letters, digits and common signs.")
    return text


def _shown(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text)


# --- the payload ---------------------------------------------------------------------------------


def encode(label: Label) -> bytes:
    """The bytes of a label's code."""
    body = f"{VERSION_LINE}\n{label.boat}\n{label.position}\n"
    return (body + _check_digits(body)).encode()


def code_size(payload: bytes) -> tuple[int, str]:
    """Side in modules of the smallest code that holds the payload at correction M, and the strongest
    correction that fits it."""
    n = min(n for n, capacity in CAPACITY_BYTES.items() if len(payload) <= capacity["M"])
    return n, next(level for level in ("H", "Q", "M") if len(payload) <= CAPACITY_BYTES[n][level])


def parse(payload: bytes) -> Label | None:
    """The label that a code's bytes stand for; None for anybody else's code, a damaged one, or one of a
    version that this program doesn't know. Never raises."""
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError:
        return None
    lines = text.split("\n")
    if (
        len(lines) != 4
        or lines[0] != VERSION_LINE
        or lines[3] != _check_digits(text[: -len(lines[3])] if lines[3] else text)
    ):
        return None
    try:
        label = label_of(lines[1], lines[2])
    except UsageError:
        return None
    return label if (label.boat, label.position) == (lines[1], lines[2]) else None


def is_foreign(payload: bytes) -> bool:
    """Whether a code's bytes are a text, and not one that begins as a label does: somebody else's
    code, read whole."""
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return bool(text) and not text.startswith(VERSION_LINE)


def _check_digits(body: str) -> str:
    value = zlib.crc32(body.encode()) >> 7
    return "".join(_DIGITS[value >> shift & 31] for shift in (20, 15, 10, 5, 0))


# --- a list of them ------------------------------------------------------------------------------


def labels_from_csv(text: str) -> tuple[Label, ...]:
    """Read labels from a list with columns 'boat' and 'position' (others are passed over), comma,
    semicolon or tab between them; each label once, in order.

    Raises
    ------
    InputUnreadable
        No such columns, a row that can't be a label, no rows or too many.
    """
    first = text.split("\n", 1)[0]
    delimiter = max(",;\t", key=first.count)
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    found: dict[Label, None] = {}
    try:
        header = [h.strip().casefold() for h in next(rows, [])]
        if "boat" not in header or "position" not in header:
            raise InputUnreadable(
                "The list of labels has no columns 'boat' and 'position'.", "Name them in its first row."
            )
        boat, position = header.index("boat"), header.index("position")
        for row in rows:
            cells: list[Any] = [row[i] if i < len(row) else "" for i in (boat, position)]
            if not any(c.strip() for c in cells):
                continue
            try:
                found[label_of(*cells)] = None
            except UsageError as e:
                raise InputUnreadable(
                    f"Line {rows.line_num} of the list of labels: {e.message}", e.remedy
                ) from e
    except csv.Error as e:
        raise InputUnreadable(
            f"The list of labels isn't valid CSV: line {rows.line_num}: {e}.", "Save it as CSV in UTF-8."
        ) from e
    if not found:
        raise InputUnreadable(
            "The list of labels has no rows.", "Write a boat and a position in each row below the first."
        )
    if len(found) > MAX_LABELS:
        raise InputUnreadable(
            f"The list has {len(found)} labels; {MAX_LABELS} fit one file.", "Split the list."
        )
    return tuple(found)
