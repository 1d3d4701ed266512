"""The season's book: one file, opened, read and written through `Book`.

Writing is append-friendly. Judgements, weighings, overrules, accepts and withdrawals are only ever
added (triggers in the file refuse anything else); boats, positions, fittings and haul-outs can be
corrected, and both states go into the table `changes`, whoever makes the change. Each call of `Book` is
one transaction: all of it or nothing.

Which judgement counts, of several of one part at one haul-out: the latest judged one; only when none
could be judged, the latest refusal. Withdrawn ones never count.
"""

from __future__ import annotations

from pathlib import Path

from anodewane.book.file import VERSION, check_sqlite, connect_book, made_beside, make_empty
from anodewane.book.findings import FindingsBook


class Book(FindingsBook):
    """An open book: `open_book` and `new_book` make it. Use it in a ``with`` block, or call `close`.

    Names are cleaned on the way in (`clean_name`). A method that writes is one transaction and raises
    `UsageError` where the book says otherwise. By what they do, the methods stand in `file` (the file
    itself), `queries` (reading), `fleet` (boats, positions, parts, haul-outs) and `findings` (judgements
    and what people add to them).
    """


def new_book(path: Path | str) -> Book:
    """Make an empty book and open it.

    Raises
    ------
    OutputNotWritable
        There is something of that name already, or it can't be written.
    """
    path = Path(path)
    check_sqlite()
    with made_beside(path) as made:
        make_empty(made, VERSION)
    return open_book(path)


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
    path = Path(path)
    check_sqlite()
    db, writable = connect_book(path, read_only)
    return Book(path, db, read_only=not writable)
