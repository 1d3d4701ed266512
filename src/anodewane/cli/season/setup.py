"""Setting up: a book, its boats and positions, what sits there, when a boat was out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from anodewane.cli._judging import FILE, Day, options
from anodewane.cli.season._shared import (
    ALLOY,
    BOAT,
    BOOK,
    BY,
    CORRECT,
    DAY,
    GRAMS,
    POSITION,
    SURE,
    WATER,
    WHY,
    OrClear,
    clears_only_with_correct,
    correction,
    counted,
    done,
    only_with_correct,
    opened,
    say,
    today,
)
from anodewane.errors import UsageError

if TYPE_CHECKING:
    from datetime import date


@click.command("new", short_help="Make an empty book.")
@BOOK
def new_command(book_file: Path) -> None:
    """Make an empty book. Nothing is ever written over."""
    from anodewane.book.file import on_network_disk
    from anodewane.book.store import new_book

    new_book(book_file).close()
    say(
        f"Made {book_file}. Fill it with 'anodewane season import-list {book_file} LIST.csv', or boat by "
        "boat."
    )
    if on_network_disk(book_file):
        say("It lies on a network disk: let one machine at a time work with it.")


@click.command("boat", short_help="Add or correct a boat.")
@BOOK
@click.argument("name", metavar="NAME")
@click.option("--water", type=WATER, help="Where it lies most of the time.")
@click.option("--note", metavar="TEXT", help="Anything worth knowing.")
@click.option("--rename", metavar="NAME", help="With --correct: its right name. Everything follows.")
@options(CORRECT, WHY, BY)
def boat_command(
    book_file: Path,
    name: str,
    water: Any,
    note: str | None,
    rename: str | None,
    correct: bool,
    why: str | None,
    by: str | None,
) -> None:
    """Add a boat, or correct one."""
    only_with_correct(correct, rename=rename, why=why, by=by)
    clears_only_with_correct(correct, water, note)
    with opened(book_file) as (book, _):
        if correct:
            changes = {"water": correction(water), "note": correction(note)}
            b = book.change_boat(name, rename=rename, why=why, by=by, **changes)
        else:
            b = book.add_boat(name, water, note)
        done(book, f"{'Corrected' if correct else 'Added'} '{b.name}', {b.water or 'unknown'} water.")


@click.command("position", short_help="Add or correct a position.")
@BOOK
@BOAT
@click.argument("name", metavar="NAME")
@click.option(
    "--pair",
    metavar="WORD",
    help="Positions of a boat with the same word should wear alike.",
)
@click.option(
    "--fixings", metavar="TEXT", help="What fastens the part, for the order list: '2 x M10 bolt with washer'."
)
@click.option("--rename", metavar="NAME", help="With --correct: its right name. Everything follows.")
@options(CORRECT, WHY, BY)
def position_command(
    book_file: Path,
    boat: str,
    name: str,
    pair: str | None,
    fixings: str | None,
    rename: str | None,
    correct: bool,
    why: str | None,
    by: str | None,
) -> None:
    """Add a position to a boat, or correct one."""
    only_with_correct(correct, rename=rename, why=why, by=by)
    clears_only_with_correct(correct, pair, fixings)
    with opened(book_file) as (book, _):
        if correct:
            changes = {"pair": correction(pair), "fixings": correction(fixings)}
            p = book.change_position(boat, name, rename=rename, why=why, by=by, **changes)
        else:
            p = book.add_position(boat, name, pair, fixings)
        done(
            book,
            f"{'Corrected' if correct else 'Added'} '{p.name}' of "
            f"'{p.boat}'{f', pair {p.pair}' if p.pair else ''}{f', {p.fixings}' if p.fixings else ''}.",
        )


@click.command("fit", short_help="Note a new part, or correct one.")
@BOOK
@BOAT
@POSITION
@click.option("--on", "fitted_on", metavar="DATE", type=Day(), required=True, help="When it was fitted.")
@click.option(
    "--template",
    metavar="NAME|FILE",
    help="The part: a name of 'anodewane template list' or of the book, or a file.",
)
@ALLOY
@click.option(
    "--new-mass",
    "new_mass_g",
    metavar="GRAMS",
    type=OrClear(GRAMS),
    help="What it weighed when new: makes every later figure surer.",
)
@click.option(
    "--removed", "removed_on", metavar="DATE", type=OrClear(Day()), help="When it was taken off for good."
)
@click.option(
    "--fitted",
    metavar="DATE",
    type=Day(),
    help="With --correct: when it was really fitted; --on names the date in the book.",
)
@click.option(
    "--take-back",
    is_flag=True,
    help="Take the part fitted on --on out of the book: it never was. The one before it sits there again.",
)
@options(SURE)
@options(CORRECT, WHY, BY)
def fit_command(
    book_file: Path,
    boat: str,
    position: str,
    fitted_on: date,
    template: str | None,
    alloy: str | None,
    new_mass_g: Any,
    removed_on: Any,
    fitted: date | None,
    take_back: bool,
    sure: bool,
    correct: bool,
    why: str | None,
    by: str | None,
) -> None:
    """Note that a new part was fitted; the one that sat there is taken off that day. The template is
    kept in the book."""
    only_with_correct(correct, fitted=fitted)
    only_with_correct(correct or take_back, why=why, by=by)
    clears_only_with_correct(correct, new_mass_g, removed_on)
    if take_back and (correct or template or alloy or new_mass_g or removed_on):
        raise UsageError("--take-back takes the whole part out of the book.", "Leave the other options out.")
    if take_back:
        with opened(book_file) as (book, _):
            book.remove_fitting(boat, position, fitted_on, why=why, by=by)
            done(book, f"The part fitted at '{position}' of '{boat}' on {fitted_on} is taken out.")
        return
    if not correct and template is None:
        raise UsageError(
            "A new part needs its template.", "Give --template; 'anodewane template list' names them."
        )
    with opened(book_file) as (book, _):
        from anodewane.book.parts import template_by_name

        part = template_by_name(book, template) if template else None
        if correct:
            f = book.change_fitting(
                boat,
                position,
                fitted_on,
                template=part,
                alloy=alloy,
                new_mass_g=correction(new_mass_g),
                fitted=fitted,
                removed_on=correction(removed_on),
                sure=sure,
                why=why,
                by=by,
            )
        else:
            assert part is not None
            f = book.fit(
                boat,
                position,
                part,
                fitted_on,
                alloy=alloy,
                new_mass_g=new_mass_g,
                removed_on=removed_on,
                sure=sure,
            )
        done(
            book,
            f"{'Corrected' if correct else 'Noted'}: {f.template}, {f.alloy}, fitted at '{f.position}' of "
            f"'{f.boat}' on {f.fitted_on}.",
        )


@click.command("haul-out", short_help="Note that a boat came out.")
@BOOK
@BOAT
@DAY
@click.option(
    "--launched",
    "launched_on",
    metavar="DATE",
    type=OrClear(Day()),
    help="When it went back, if it did; '-' with --correct takes that back.",
)
@click.option(
    "--correct",
    "right_day",
    metavar="DATE",
    type=Day(),
    help="The right date, where DATE is wrong in the book; judgements follow.",
)
@click.option(
    "--take-back",
    is_flag=True,
    help="The haul-out never was: take it back with all that was found at it. Noting it again undoes that.",
)
@options(WHY, BY)
def haul_out_command(
    book_file: Path,
    boat: str,
    day: date,
    launched_on: Any,
    right_day: date | None,
    take_back: bool,
    why: str | None,
    by: str | None,
) -> None:
    """Note that a boat was hauled out on DATE, or was fitted out ashore before its first launch."""
    only_with_correct(right_day is not None or take_back, why=why, by=by)
    clears_only_with_correct(right_day is not None, launched_on)
    if take_back and (right_day or launched_on or not why):
        raise UsageError(
            "--take-back takes a whole haul-out back, for a reason.", "Give --why, and no other date."
        )
    with opened(book_file) as (book, _):
        if take_back:
            assert why is not None
            h = book.withdraw_haul_out(boat, day, why, by)
            done(book, f"The haul-out of '{h.boat}' on {day} is taken back, with all that was found at it.")
            return
        if right_day is not None:
            launched = correction(launched_on)
            h = book.change_haul_out(boat, day, hauled=right_day, launched_on=launched, why=why, by=by)
        else:
            h = book.haul_out(boat, day, launched_on, today=today())
        done(
            book,
            f"'{h.boat}' hauled out {h.hauled_on}, "
            f"{f'launched {h.launched_on}' if h.launched_on else 'ashore'}.",
        )


@click.command("launch", short_help="Note that a boat went back in.")
@BOOK
@BOAT
@DAY
@options(CORRECT, WHY, BY)
def launch_command(
    book_file: Path, boat: str, day: date, correct: bool, why: str | None, by: str | None
) -> None:
    """Note that a boat was launched on DATE. With --correct that is the right date of the last launch."""
    only_with_correct(correct, why=why, by=by)
    with opened(book_file) as (book, _):
        if correct:
            outs = [h for h in book.haul_outs(book.boat(boat).name) if h.hauled_on <= day]
            if not outs:
                raise UsageError(
                    f"'{boat}' wasn't hauled out before {day}, by the book.", "Correct the haul-out first."
                )
            h = book.change_haul_out(boat, outs[-1].hauled_on, launched_on=day, why=why, by=by)
        else:
            h = book.launch(boat, day)
        done(book, f"'{h.boat}' hauled out {h.hauled_on}, launched {h.launched_on}.")


def _print_example(ctx: click.Context, _param: click.Parameter, value: bool) -> None:
    if value:
        from anodewane.book.yard_list import EXAMPLE

        click.echo(EXAMPLE, nl=False)
        ctx.exit()


@click.command("import-list", short_help="Set up boats and positions from a spreadsheet.")
@BOOK
@click.argument("list_file", metavar="LIST.csv", type=FILE)
@click.option("--dry-run", is_flag=True, help="Say what it would bring, and take nothing.")
@click.option(
    "--example",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_print_example,
    help="Print a list to start from and stop.",
)
def import_list_command(book_file: Path, list_file: Path, dry_run: bool) -> None:
    """Set up boats, positions, parts and haul-outs from a spreadsheet saved as CSV: a line a position,
    all of it or nothing.

    Commas, semicolons or tabs. An empty boat means the one above. What the book has already is left as
    it is; a line that contradicts it is told.
    """
    with opened(book_file) as (book, _):
        from anodewane.book.yard_list import import_list

        got = import_list(book, list_file, dry_run=dry_run)
        text = (
            f"{counted(got.boats, 'boat')}, {counted(got.positions, 'position')}, "
            f"{counted(got.fittings, 'part')} and {counted(got.haul_outs, 'haul-out')}."
        )
        if dry_run:
            say(f"It would bring {text} Nothing was taken.")
        else:
            done(book, f"Took in {text}")
