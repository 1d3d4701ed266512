"""The book's file: written out, read in, checked."""

from __future__ import annotations

from pathlib import Path

import click

from anodewane.cli._judging import FILE
from anodewane.cli.season._shared import BOOK, counted, opened, say
from anodewane.errors import InputUnreadable


@click.command("export", short_help="Write the whole book as CSV in a zip.")
@BOOK
@click.argument("zip_file", metavar="OUT.zip", type=FILE)
def export_command(book_file: Path, zip_file: Path) -> None:
    """Write the whole book as plain CSV in a zip, records included. The same book gives the same bytes."""
    with opened(book_file) as (book, _):
        from anodewane.book.exchange import export_book

        say(f"Wrote {zip_file}: {counted(export_book(book, zip_file), 'row')}.")


@click.command("import", short_help="Make a book from an export.")
@click.argument("zip_file", metavar="IN.zip", type=FILE)
@BOOK
def import_command(zip_file: Path, book_file: Path) -> None:
    """Make a new book from a zip that 'season export' wrote."""
    from anodewane.book.exchange import import_book
    from anodewane.book.listing import refresh

    with import_book(zip_file, book_file) as book:
        refresh(book)
        say(f"Made {book_file}: {counted(len(book.boats()), 'boat')}.")


@click.command("check", short_help="Check that the book's file is sound.")
@BOOK
def check_command(book_file: Path) -> None:
    """Check that the book's file is sound: its pages, its keys, and every record against its SHA-256."""
    with opened(book_file) as (book, _):
        wrong = book.check()
        if wrong:
            raise InputUnreadable(
                f"The book '{book_file.name}' is damaged: {'; '.join(wrong[:5])}.",
                "Restore a copy, or the last 'anodewane season export'.",
            )
        say("The book is sound.")
