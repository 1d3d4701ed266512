"""What was found: judgements, weighings, a person's own verdict, new parts as fitted."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from anodewane.cli._judging import (
    ANY_DATE,
    CAMERA,
    CHECK_LINE,
    FILE,
    HAULED,
    NEW_HAUL_OUT,
    SEGMENTER,
    SETTINGS,
    Day,
    method_of,
    options,
    settings_of,
)
from anodewane.cli.season._shared import (
    BOAT,
    BOOK,
    BY,
    CLEAR,
    GRAMS,
    JSON,
    POSITION,
    SURE,
    Grams,
    OrClear,
    answer_json,
    counted,
    day_of,
    done,
    opened,
    say,
)
from anodewane.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from datetime import date

    from anodewane.book.store import Book
    from anodewane.judgement.method import Method


@click.command("record", short_help="Take judgements into the book.")
@BOOK
@click.argument("sources", metavar="OUT|RECORD.json...", type=FILE, nargs=-1, required=True)
@HAULED
@click.option(
    "--boat", metavar="NAME", help="The boat, where the records don't come from a batch that knows it."
)
@click.option("--position", metavar="NAME", help="The position, for a single record.")
@options(NEW_HAUL_OUT, ANY_DATE)
@click.option("--add", "add_unknown", is_flag=True, help="Add boats and positions that the book lacks.")
@click.option("--skip", is_flag=True, help="Take what has its place, and leave out the rest.")
@options(JSON)
def record_command(
    book_file: Path,
    sources: tuple[Path, ...],
    hauled_on: date | None,
    boat: str | None,
    position: str | None,
    new_haul_out: bool,
    any_date: bool,
    add_unknown: bool,
    skip: bool,
    as_json: bool,
) -> None:
    """Take into the book what 'anodewane batch --out OUT' judged, or single records, with their evidence.

    Taking the same in twice changes nothing. Of several photos of one part at one haul-out the latest
    judged one counts; all are kept.
    """
    if position is not None and (len(sources) > 1 or sources[0].is_dir()):
        raise UsageError(
            "One position can't stand for several records.", "Give --position with a single record."
        )
    with opened(book_file) as (book, answer):
        from anodewane.book.intake import add_places, find_records, place_records, problem_lines
        from anodewane.book.listing import refresh

        found, notes = [], []
        for source in sources:
            some, passed = find_records(source, boat, position)
            found += some
            notes += passed
        intake = place_records(book, found, hauled_on, new_haul_out=new_haul_out, any_date=any_date)
        problems = list(intake.problems)
        ready = list(intake.judgements)
        if intake.add and not add_unknown:
            problems += [f"'{p}' of '{b}' isn't in the book." for b, p in intake.add]
            ready = [j for j in ready if (j.boat, j.position) not in set(intake.add)]
        if problems and not skip:
            raise UsageError(
                f"{len(problems)} of the judgements have no place in the book:{problem_lines(problems)}"
                "Nothing was taken in.",
                "Mend that, or give --add for boats and positions that are new, --hauled for the date, "
                "--skip to leave these out.",
            )
        with book.writing():
            if add_unknown:
                add_places(book, intake.add)
            added = book.record(ready)
        refresh(book)
        for text in (*notes, *intake.notes, *(f"Left out: {p}" for p in problems)):
            say(text)
        known = f", {added.known} known already" if added.known else ""
        left_out = f", {len(problems)} left out" if problems else ""
        say(f"{counted(added.new, 'judgement')} taken in{known}{left_out}.")
        if as_json:
            answer_json(
                answer,
                {
                    "new": added.new,
                    "known": added.known,
                    "left_out": problems,
                    "notes": [*notes, *intake.notes],
                },
            )
    if problems:
        click.get_current_context().exit(int(ExitCode.BATCH_INCOMPLETE))


@click.command("weigh", short_help="Note what is left of a part on the scales.")
@BOOK
@BOAT
@POSITION
@click.argument("grams", type=OrClear(Grams(zero=True)))
@options(HAULED, BY, SURE)
@click.option("--note", metavar="TEXT", help="Anything worth knowing.")
@click.option("--why", metavar="TEXT", help="With '-' for the grams: why the last weighing is withdrawn.")
def weigh_command(
    book_file: Path,
    boat: str,
    position: str,
    grams: Any,
    hauled_on: date | None,
    by: str | None,
    sure: bool,
    note: str | None,
    why: str | None,
) -> None:
    """Note what a part weighed, clean and dry, in grams. The last weighing of a part at a haul-out
    counts; all are kept. '-' instead of the grams withdraws the last one."""
    with opened(book_file) as (book, _):
        day = day_of(book, boat, hauled_on)
        if grams == CLEAR:
            gone = book.withdraw_weighing(boat, position, day, why or "", by)
            done(book, f"The weighing of {gone.mass_g:g} g at '{gone.position}' is withdrawn.")
            return
        book.weigh(boat, position, day, grams, by, note, sure=sure)
        meaning = _meaning(book, boat, position, day)
        done(book, f"{grams:g} g at '{position}' of '{boat}', hauled out {day}{meaning}.")


def _meaning(book: Book, boat: str, position: str, day: date) -> str:
    """What a weighing says of the part: ": 39 % (36 to 42) gone"."""
    from anodewane.show.figures import percent_and_span

    place = book.position(boat, position)
    reading = next((r for r in book.readings(place.boat, place.name, day) if r.kind == "wear"), None)
    if reading is None or reading.consumed_pct is None:
        return ""
    return f": {percent_and_span(reading.consumed_pct)} gone"


@click.command("withdraw", short_help="Take a judgement out of the count.")
@BOOK
@click.argument("number", type=int)
@click.option("--why", metavar="TEXT", required=True, help="The reason, kept with it.")
@options(BY)
@click.option("--undo", is_flag=True, help="Take it back into the count.")
def withdraw_command(book_file: Path, number: int, why: str, by: str | None, undo: bool) -> None:
    """Take a judgement out of the count, by its number in 'season history': the wrong part, the wrong
    boat. It stays in the book as withdrawn."""
    with opened(book_file) as (book, _):
        book.withdraw(number, why, by, undo=undo)
        done(book, f"Judgement {number} {'counts again, if it is the latest' if undo else 'is withdrawn'}.")


@click.command("overrule", short_help="Set your own verdict beside the photo's.")
@BOOK
@BOAT
@POSITION
@click.argument("verdict", type=click.Choice(["replace", "monitor", "ok", "none"]))
@options(HAULED)
@click.option("--why", metavar="TEXT", required=True, help="The reason, kept with it.")
@click.option("--by", metavar="NAME", required=True, help="Who says so.")
def overrule_command(
    book_file: Path, boat: str, position: str, verdict: Any, hauled_on: date | None, why: str, by: str
) -> None:
    """Set your own verdict over a part, with the reason. The photo's verdict stays beside it; 'none'
    takes yours back."""
    with opened(book_file) as (book, _):
        day = day_of(book, boat, hauled_on)
        book.overrule(boat, position, day, None if verdict == "none" else verdict, why, by)
        done(
            book,
            f"'{position}' of '{boat}', hauled out {day}: "
            f"{verdict if verdict != 'none' else 'the own verdict is taken back'}, says {by}.",
        )


@click.command("accept", short_help="Stand by a judgement.")
@BOOK
@click.argument("number", type=int)
@click.option("--by", metavar="NAME", required=True, help="Who accepts it.")
def accept_command(book_file: Path, number: int, by: str) -> None:
    """Note that somebody looked at a judgement and stands by it, by its number in 'season history'.

    Only the one that counts can be accepted; to say otherwise, overrule.
    """
    with opened(book_file) as (book, _):
        book.accept(number, by)
        j = book.judgement(number).reading
        done(
            book,
            f"Judgement {number}, '{j.position}' of '{j.boat}', hauled out {j.hauled_on}: {j.verdict}, "
            f"accepted by {by}.",
        )


@click.command("refit", short_help="Check photos of new parts as fitted.")
@BOOK
@click.argument("source", metavar="PHOTO|OUT|RECORD.json", type=FILE)
@click.option("--boat", metavar="NAME", help="The boat, where no batch knows it.")
@click.option("--position", metavar="NAME", help="The position, of a photo or single record.")
@click.option(
    "--on",
    "fitted_on",
    metavar="DATE",
    type=Day(),
    help="When the new parts were fitted, where the book doesn't have them yet.",
)
@click.option(
    "--new-mass",
    "new_mass_g",
    metavar="GRAMS",
    type=GRAMS,
    help="What the new part weighs; with it the alloy can be told.",
)
@options(HAULED, SETTINGS, CHECK_LINE, SEGMENTER, CAMERA, JSON)
def refit_command(
    book_file: Path,
    source: Path,
    boat: str | None,
    position: str | None,
    fitted_on: date | None,
    new_mass_g: float | None,
    hauled_on: date | None,
    settings_file: Path | None,
    check_line: tuple[float, float] | None,
    segmenter: str,
    camera_file: Path | None,
    as_json: bool,
) -> None:
    """Check photos of new parts as fitted: is it the right part, and new? They are kept as the baseline
    of the next season.

    A photo is judged against the part that the book has for its position, or that sat there before; a
    batch's output or a record must have been judged so. With --on, a part that passes is noted as
    fitted that day.
    """
    if not source.is_dir() and (boat is None or position is None):
        raise UsageError("A single photo needs its boat and position.", "Give --boat and --position.")
    with opened(book_file) as (book, answer):
        from anodewane.book.intake import find_records
        from anodewane.book.new_parts import refit

        settings = settings_of(settings_file, None)
        if source.is_dir() or source.suffix.lower() == ".json":
            found, notes = find_records(source, boat, position)
        else:
            assert boat is not None
            assert position is not None
            found, notes = (
                [
                    _judged(
                        book,
                        source,
                        boat,
                        position,
                        day_of(book, boat, hauled_on),
                        check_line,
                        method_of(settings_file, None, segmenter, camera_file),
                    )
                ],
                [],
            )
        checks = refit(book, found, hauled_on, fitted_on, settings, new_mass_g)
        for text in notes:
            say(text)
        if as_json:
            answer_json(answer, checks)
        else:
            for c in checks:
                word = {True: "right", False: "WRONG", None: "not judged"}[c["passed"]]
                answer(
                    f"{word:<11} {c['boat']}, {c['position']}: {c['template']}\n"
                    + "".join(f"  - {r['message']} {r['remedy'] or ''}".rstrip() + "\n" for r in c["reasons"])
                )
        from anodewane.book.listing import refresh

        refresh(book)
    if not all(c["passed"] for c in checks):
        click.get_current_context().exit(int(ExitCode.BATCH_INCOMPLETE))


def _judged(
    book: Book,
    photo: Path,
    boat: str,
    position: str,
    day: date,
    check_line: tuple[float, float] | None,
    method: Method,
) -> Any:
    from datetime import UTC, datetime

    from anodewane.book.intake import FoundRecord
    from anodewane.book.new_parts import refit_template
    from anodewane.book.parts import with_face_scale
    from anodewane.files import read_bytes
    from anodewane.judgement.pipeline import judge
    from anodewane.records import Given
    from anodewane.show.record_json import verdict_to_json
    from anodewane.stages.load import load_photo

    template = book.template(refit_template(book, boat, position, day)[0])
    verdict = judge(
        load_photo(read_bytes(photo), photo.name),
        template,
        Given(check_line_mm=check_line),
        with_face_scale(method, book, template),
    )
    return FoundRecord(
        photo.name, verdict_to_json(verdict).encode(), verdict, boat, position, datetime.now(UTC)
    )
