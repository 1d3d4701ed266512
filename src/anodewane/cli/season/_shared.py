"""What the commands of ``anodewane season`` share: options, the open book, and how they speak."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from anodewane.cli._judging import FILE, Day, settings_of
from anodewane.errors import UsageError

if TYPE_CHECKING:
    from datetime import date

    from anodewane.book.store import Book
    from anodewane.settings import BookRules, Settings

BOOK = click.argument("book_file", metavar="BOOK", type=FILE)
BOAT = click.argument("boat")
POSITION = click.argument("position")
DAY = click.argument("day", metavar="DATE", type=Day())
WATER = click.Choice(["salt", "brackish", "fresh", "-"])
ALLOY = click.option(
    "--alloy",
    type=click.Choice(["zinc", "aluminium", "magnesium"]),
    help="What the part is cast of.  [default: the template's]",
)
SURE = click.option("--sure", is_flag=True, help="Take a weight that the template doesn't allow.")
CLEAR = "-"
"""What an option says with --correct to clear a thing."""
JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON for programs instead of a table.")
NEXT = click.option(
    "--next",
    "next_on",
    metavar="DATE",
    type=Day(),
    help="The next haul-out. Without it the next spell is taken as long as the boat's last one.",
)
WHY = click.option("--why", metavar="TEXT", help="The reason, kept with the correction.")
BY = click.option("--by", metavar="NAME", help="Who says so; kept in the book.")
CORRECT = click.option(
    "--correct",
    is_flag=True,
    help="Correct what the book has; '-' as a value clears it. Both states are kept in the trace of changes.",
)


class Grams(click.ParamType):  # type: ignore[type-arg]
    """Grams, with a point or a comma before the decimals."""

    name = "grams"

    def __init__(self, zero: bool = False) -> None:
        self.zero = zero

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        try:
            grams = float(str(value).replace(",", "."))
        except ValueError:
            self.fail(f"'{value}' isn't a mass in grams, such as 1522 or 1522,5.", param, ctx)
        if not (grams > 0 or (self.zero and grams == 0)) or grams == float("inf"):
            self.fail(f"'{value}' isn't a mass in grams.", param, ctx)
        return grams


class OrClear(click.ParamType):  # type: ignore[type-arg]
    """A value of another type, or `CLEAR`."""

    def __init__(self, kind: click.ParamType[Any]) -> None:
        self.kind, self.name = kind, kind.name

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        return value if value == CLEAR else self.kind.convert(value, param, ctx)


GRAMS = Grams()


def correction(value: Any) -> Any:
    """What an option says in a correction: nothing leaves a thing as it is, `CLEAR` clears it."""
    from anodewane.book.entries import UNCHANGED

    return UNCHANGED if value is None else None if value == CLEAR else value


@contextmanager
def opened(path: Path) -> Iterator[tuple[Book, Callable[[str], None]]]:
    """The book, and the one way to standard output."""
    from anodewane.book.store import open_book
    from anodewane.cli._stdout import answer_only

    with answer_only() as answer, open_book(path) as book:
        yield book, answer


def say(text: str) -> None:
    click.echo(text, err=True)


def done(book: Book, text: str) -> None:
    """What was written, and the listings brought up to it."""
    from anodewane.book.listing import refresh

    refresh(book)
    say(text)


def rules_of(settings_file: Path | None, limit: float | None = None) -> tuple[Settings, BookRules]:
    from anodewane.files import read_text
    from anodewane.settings import BookRules, book_rules_from_toml

    rules = book_rules_from_toml(read_text(settings_file, "settings file")) if settings_file else BookRules()
    return settings_of(settings_file, limit), rules


def today() -> date:
    """The yard's own day."""
    from datetime import date

    return date.today()  # noqa: DTZ011 - the yard's own day


def answer_json(answer: Callable[[str], None], value: Any) -> None:
    import json

    answer(json.dumps(value, ensure_ascii=False, indent=1) + "\n")


def day_of(book: Book, boat: str, hauled_on: date | None) -> date:
    from anodewane.book.parts import open_haul_out

    if hauled_on is not None:
        return hauled_on
    name = book.boat(boat).name
    ashore = open_haul_out(book, name)
    if ashore is None:
        raise UsageError(
            f"'{name}' isn't ashore, by the book.",
            "Give --hauled with the date, or note it with 'anodewane season haul-out'.",
        )
    return ashore.hauled_on


def only_with_correct(correct: bool, **given: Any) -> None:
    """Refuse what belongs to a correction where there is none."""
    for name, value in given.items():
        if value is not None and not correct:
            raise UsageError(f"--{name} belongs to a correction.", "Give --correct too, or leave it out.")


def clears_only_with_correct(correct: bool, *given: Any) -> None:
    """Refuse `CLEAR` where nothing is corrected."""
    if CLEAR in given and not correct:
        raise UsageError("'-' clears what the book has.", "Give --correct too, or leave it out.")


def refuse_same(outputs: list[Path], inputs: list[Path]) -> None:
    taken = {f.resolve() for f in inputs}
    for f in outputs:
        if f.resolve() in taken:
            raise UsageError(
                f"'{f}' is named twice, once as an output.", "Give each output a name of its own."
            )
        taken.add(f.resolve())


def counted(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"
