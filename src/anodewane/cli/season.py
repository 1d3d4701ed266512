"""``anodewane season``: the season's book: boats, positions, haul-outs and judgements in one file, and
what follows from them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from anodewane.cli._judging import (
    CAMERA,
    CHECK_LINE,
    FILE,
    HAULED,
    LIMIT,
    SEGMENTER,
    SETTINGS,
    Day,
    options,
    profile_of,
    segmenter_of,
    settings_of,
)
from anodewane.errors import ExitCode, InputUnreadable, UsageError

if TYPE_CHECKING:
    from datetime import date

    from anodewane.book.store import Book
    from anodewane.settings import BookRules, Settings

Line = dict[str, Any]


BOOK = click.argument("book_file", metavar="BOOK", type=FILE)
BOAT = click.argument("boat")
POSITION = click.argument("position")
DAY = click.argument("day", metavar="DATE", type=Day())
WATER = click.Choice(["salt", "brackish", "fresh"])
ALLOY = click.option(
    "--alloy",
    type=click.Choice(["zinc", "aluminium", "magnesium"]),
    help="What the part is cast of.  [default: the template's]",
)
GRAMS = click.FloatRange(min=0, min_open=True)
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
    "--correct", is_flag=True, help="Correct what the book has; both states are kept in its trace of changes."
)


@click.group(short_help="Keep the season's book.")
def season() -> None:
    """Keep the season's book: what was found at each haul-out, how fast it wears, what won't last, what
    to buy, and what to have looked at.

    A book is one file. Begin with 'new' and 'import-list', then 'record' what 'anodewane batch' judged,
    and 'show', 'warnings' and 'order'. Dates are written 2026-04-18.
    """


@contextmanager
def _book(path: Path) -> Iterator[tuple[Book, Callable[[str], None]]]:
    """The book, and the one way to standard output."""
    from anodewane.book.store import open_book
    from anodewane.cli._stdout import answer_only

    with answer_only() as answer, open_book(path) as book:
        yield book, answer


def _say(text: str) -> None:
    click.echo(text, err=True)


def _done(book: Book, text: str) -> None:
    """What was written, and the listings brought up to it."""
    from anodewane.book.listing import refresh

    refresh(book)
    _say(text)


def _rules(settings_file: Path | None, limit: float | None = None) -> tuple[Settings, BookRules]:
    from anodewane.files import read_text
    from anodewane.settings import BookRules, book_rules_from_toml

    rules = book_rules_from_toml(read_text(settings_file, "settings file")) if settings_file else BookRules()
    return settings_of(settings_file, limit, None), rules


# --- setting up ----------------------------------------------------------------------------------


@season.command("new", short_help="Make an empty book.")
@BOOK
def new_command(book_file: Path) -> None:
    """Make an empty book. Nothing is ever written over."""
    from anodewane.book.store import new_book, on_network_disk

    new_book(book_file).close()
    _say(
        f"Made {book_file}. Fill it with 'anodewane season import-list {book_file} LIST.csv', or boat by boat."
    )
    if on_network_disk(book_file):
        _say("It lies on a network disk: let one machine at a time work with it.")


@season.command("boat", short_help="Add or correct a boat.")
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
    _only_with_correct(correct, rename=rename, why=why, by=by)
    with _book(book_file) as (book, _):
        b = (
            book.change_boat(name, rename=rename, water=water, note=note, why=why, by=by)
            if correct
            else book.add_boat(name, water, note)
        )
        _done(book, f"{'Corrected' if correct else 'Added'} '{b.name}', {b.water or 'unknown'} water.")


@season.command("position", short_help="Add or correct a position.")
@BOOK
@BOAT
@click.argument("name", metavar="NAME")
@click.option(
    "--pair",
    metavar="WORD",
    help="Positions of a boat with the same word should wear alike. With --correct, '-' takes it out of its pair.",
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
    _only_with_correct(correct, rename=rename, why=why, by=by)
    with _book(book_file) as (book, _):
        if correct:
            p = book.change_position(boat, name, rename=rename, pair=pair, fixings=fixings, why=why, by=by)
        else:
            p = book.add_position(boat, name, pair, fixings)
        _done(
            book,
            f"{'Corrected' if correct else 'Added'} '{p.name}' of '{p.boat}'{f', pair {p.pair}' if p.pair else ''}{f', {p.fixings}' if p.fixings else ''}.",
        )


@season.command("fit", short_help="Note a new part, or correct one.")
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
    type=GRAMS,
    help="What it weighed when new: makes every later figure surer.",
)
@click.option("--removed", "removed_on", metavar="DATE", type=Day(), help="When it was taken off for good.")
@click.option(
    "--fitted",
    metavar="DATE",
    type=Day(),
    help="With --correct: when it was really fitted; --on names the date in the book.",
)
@options(CORRECT, WHY, BY)
def fit_command(
    book_file: Path,
    boat: str,
    position: str,
    fitted_on: date,
    template: str | None,
    alloy: str | None,
    new_mass_g: float | None,
    removed_on: date | None,
    fitted: date | None,
    correct: bool,
    why: str | None,
    by: str | None,
) -> None:
    """Note that a new part was fitted; the one that sat there is taken off that day. The template is
    kept in the book."""
    _only_with_correct(correct, fitted=fitted, why=why, by=by)
    if not correct and template is None:
        raise UsageError(
            "A new part needs its template.", "Give --template; 'anodewane template list' names them."
        )
    with _book(book_file) as (book, _):
        from anodewane.book.intake import template_by_name

        part = template_by_name(book, template) if template else None
        if correct:
            f = book.change_fitting(
                boat,
                position,
                fitted_on,
                template=part,
                alloy=alloy,
                new_mass_g=new_mass_g,
                fitted=fitted,
                removed_on=removed_on,
                why=why,
                by=by,
            )
        else:
            assert part is not None
            f = book.fit(
                boat, position, part, fitted_on, alloy=alloy, new_mass_g=new_mass_g, removed_on=removed_on
            )
        _done(
            book,
            f"{'Corrected' if correct else 'Noted'}: {f.template}, {f.alloy}, fitted at '{f.position}' of '{f.boat}' on {f.fitted_on}.",
        )


@season.command("haul-out", short_help="Note that a boat came out.")
@BOOK
@BOAT
@DAY
@click.option("--launched", "launched_on", metavar="DATE", type=Day(), help="When it went back, if it did.")
@click.option(
    "--correct",
    "right_day",
    metavar="DATE",
    type=Day(),
    help="The right date, where DATE is wrong in the book; judgements follow.",
)
@options(WHY, BY)
def haul_out_command(
    book_file: Path,
    boat: str,
    day: date,
    launched_on: date | None,
    right_day: date | None,
    why: str | None,
    by: str | None,
) -> None:
    """Note that a boat was hauled out on DATE, or was fitted out ashore before its first launch."""
    _only_with_correct(right_day is not None, why=why, by=by)
    with _book(book_file) as (book, _):
        if right_day is not None:
            h = book.change_haul_out(boat, day, hauled=right_day, launched_on=launched_on, why=why, by=by)
        else:
            h = book.haul_out(boat, day, launched_on)
        _done(
            book,
            f"'{h.boat}' hauled out {h.hauled_on}, {f'launched {h.launched_on}' if h.launched_on else 'ashore'}.",
        )


@season.command("launch", short_help="Note that a boat went back in.")
@BOOK
@BOAT
@DAY
@options(CORRECT, WHY, BY)
def launch_command(
    book_file: Path, boat: str, day: date, correct: bool, why: str | None, by: str | None
) -> None:
    """Note that a boat was launched on DATE. With --correct that is the right date of the last launch."""
    _only_with_correct(correct, why=why, by=by)
    with _book(book_file) as (book, _):
        if correct:
            outs = [h for h in book.haul_outs(book.boat(boat).name) if h.hauled_on <= day]
            if not outs:
                raise UsageError(
                    f"'{boat}' wasn't hauled out before {day}, by the book.", "Correct the haul-out first."
                )
            h = book.change_haul_out(boat, outs[-1].hauled_on, launched_on=day, why=why, by=by)
        else:
            h = book.launch(boat, day)
        _done(book, f"'{h.boat}' hauled out {h.hauled_on}, launched {h.launched_on}.")


def _print_example(ctx: click.Context, _param: click.Parameter, value: bool) -> None:
    if value:
        from anodewane.book.intake import EXAMPLE

        click.echo(EXAMPLE, nl=False)
        ctx.exit()


@season.command("import-list", short_help="Set up boats and positions from a spreadsheet.")
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
    with _book(book_file) as (book, _):
        from anodewane.book.intake import import_list

        got = import_list(book, list_file, dry_run=dry_run)
        text = f"{_n(got.boats, 'boat')}, {_n(got.positions, 'position')}, {_n(got.fittings, 'part')} and {_n(got.haul_outs, 'haul-out')}."
        if dry_run:
            _say(f"It would bring {text} Nothing was taken.")
        else:
            _done(book, f"Took in {text}")


# --- what was found ------------------------------------------------------------------------------


@season.command("record", short_help="Take judgements into the book.")
@BOOK
@click.argument("sources", metavar="OUT|RECORD.json...", type=FILE, nargs=-1, required=True)
@HAULED
@click.option(
    "--boat", metavar="NAME", help="The boat, where the records don't come from a batch that knows it."
)
@click.option("--position", metavar="NAME", help="The position, for a single record.")
@click.option("--add", "add_unknown", is_flag=True, help="Add boats and positions that the book lacks.")
@click.option("--skip", is_flag=True, help="Take what has its place, and leave out the rest.")
@options(JSON)
def record_command(
    book_file: Path,
    sources: tuple[Path, ...],
    hauled_on: date | None,
    boat: str | None,
    position: str | None,
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
    with _book(book_file) as (book, answer):
        from anodewane.book.intake import add_places, find_records, place_records, told
        from anodewane.book.listing import refresh

        found, notes = [], []
        for source in sources:
            some, passed = find_records(source, boat, position)
            found += some
            notes += passed
        intake = place_records(book, found, hauled_on)
        problems = list(intake.problems)
        ready = list(intake.judgements)
        if intake.add and not add_unknown:
            problems += [f"'{p}' of '{b}' isn't in the book." for b, p in intake.add]
            ready = [j for j in ready if (j.boat, j.position) not in set(intake.add)]
        if problems and not skip:
            raise UsageError(
                f"{len(problems)} of the judgements have no place in the book:{told(problems)}Nothing was taken in.",
                "Mend that, or give --add for boats and positions that are new, --hauled for the date, --skip to leave these out.",
            )
        with book.writing():
            if add_unknown:
                add_places(book, intake.add)
            added = book.record(ready)
        refresh(book)
        for text in (*notes, *intake.notes, *(f"Left out: {p}" for p in problems)):
            _say(text)
        _say(
            f"{_n(added.new, 'judgement')} taken in{f', {added.known} known already' if added.known else ''}{f', {len(problems)} left out' if problems else ''}."
        )
        if as_json:
            _answer_json(
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


@season.command("weigh", short_help="Note what is left of a part on the scales.")
@BOOK
@BOAT
@POSITION
@click.argument("grams", type=click.FloatRange(min=0))
@options(HAULED, BY)
@click.option("--note", metavar="TEXT", help="Anything worth knowing.")
def weigh_command(
    book_file: Path,
    boat: str,
    position: str,
    grams: float,
    hauled_on: date | None,
    by: str | None,
    note: str | None,
) -> None:
    """Note what a part weighed, clean and dry, in grams. The last weighing of a part at a haul-out
    counts; all are kept."""
    with _book(book_file) as (book, _):
        day = _day_of(book, boat, hauled_on)
        book.weigh(boat, position, day, grams, by, note)
        _done(book, f"{grams:g} g at '{position}' of '{boat}', hauled out {day}.")


@season.command("withdraw", short_help="Take a judgement out of the count.")
@BOOK
@click.argument("number", type=int)
@click.option("--why", metavar="TEXT", required=True, help="The reason, kept with it.")
@options(BY)
@click.option("--undo", is_flag=True, help="Take it back into the count.")
def withdraw_command(book_file: Path, number: int, why: str, by: str | None, undo: bool) -> None:
    """Take a judgement out of the count, by its number in 'season history': the wrong part, the wrong
    boat. It stays in the book as withdrawn."""
    with _book(book_file) as (book, _):
        book.withdraw(number, why, by, undo=undo)
        _done(book, f"Judgement {number} {'counts again, if it is the latest' if undo else 'is withdrawn'}.")


@season.command("overrule", short_help="Set your own verdict beside the photo's.")
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
    with _book(book_file) as (book, _):
        day = _day_of(book, boat, hauled_on)
        book.overrule(boat, position, day, None if verdict == "none" else verdict, why, by)
        _done(
            book,
            f"'{position}' of '{boat}', hauled out {day}: {verdict if verdict != 'none' else 'the own verdict is taken back'}, says {by}.",
        )


@season.command("accept", short_help="Stand by a judgement.")
@BOOK
@click.argument("number", type=int)
@click.option("--by", metavar="NAME", required=True, help="Who accepts it.")
def accept_command(book_file: Path, number: int, by: str) -> None:
    """Note that somebody looked at a judgement and stands by it, by its number in 'season history'.

    Only the one that counts can be accepted; to say otherwise, overrule.
    """
    with _book(book_file) as (book, _):
        book.accept(number, by)
        j = book.judgement(number).reading
        _done(
            book,
            f"Judgement {number}, '{j.position}' of '{j.boat}', hauled out {j.hauled_on}: {j.verdict}, accepted by {by}.",
        )


@season.command("refit", short_help="Check photos of new parts as fitted.")
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
    with _book(book_file) as (book, answer):
        from anodewane.book.intake import find_records, refit

        settings = settings_of(settings_file, None, check_line)
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
                        _day_of(book, boat, hauled_on),
                        settings,
                        segmenter,
                        camera_file,
                    )
                ],
                [],
            )
        checks = refit(book, found, hauled_on, fitted_on, settings, new_mass_g)
        for text in notes:
            _say(text)
        if as_json:
            _answer_json(answer, checks)
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
    settings: Settings,
    segmenter: str,
    camera_file: Path | None,
) -> Any:
    from datetime import UTC, datetime

    from anodewane.book.intake import Found, refit_template, settings_for
    from anodewane.files import read_bytes
    from anodewane.judgement.pipeline import judge
    from anodewane.show.record_json import verdict_to_json

    template = book.template(refit_template(book, boat, position, day)[0])
    verdict = judge(
        read_bytes(photo),
        photo.name,
        template,
        settings_for(book, template.name, settings),
        segmenter=segmenter_of(segmenter),
        profile=profile_of(camera_file),
    )
    return Found(photo.name, verdict_to_json(verdict).encode(), verdict, boat, position, datetime.now(UTC))


# --- what follows --------------------------------------------------------------------------------


@season.command("show", short_help="List positions: verdict, wear, what lasts.")
@BOOK
@click.argument("boat", required=False)
@click.option(
    "--hauled",
    "hauled_on",
    metavar="DATE",
    type=Day(),
    help="What was found when hauled out that day, instead of how things stand.",
)
@options(NEXT, SETTINGS, LIMIT, JSON)
def show_command(
    book_file: Path,
    boat: str | None,
    hauled_on: date | None,
    next_on: date | None,
    settings_file: Path | None,
    limit: float | None,
    as_json: bool,
) -> None:
    """List positions as they stand: verdict, metal gone with its interval, wear a month in the water,
    months left to the limit, warnings.

    A verdict that the book raised to replace, because the part won't last, is marked with ^; the
    photo's own stands beside it. Your own verdict (overrule) with !.
    """
    with _book(book_file) as (book, answer):
        from anodewane.book.listing import haul_out_lines, position_cells, position_json

        settings, rules = _rules(settings_file, limit)
        if hauled_on is not None:
            lines = haul_out_lines(book, hauled_on, book.boat(boat).name if boat else None, settings)
            if as_json:
                _answer_json(answer, lines)
            elif lines:
                answer(haul_out_table(lines))
            else:
                _say(f"Nothing was found on {hauled_on}.")
        elif as_json:
            answer(position_json(book, boat, settings, rules, next_on))
        else:
            answer(cells_table(position_cells(book, boat, settings, rules, next_on)))


@season.command("history", short_help="Everything that the book holds of a boat.")
@BOOK
@BOAT
@click.argument("position", required=False)
@options(JSON)
def history_command(book_file: Path, boat: str, position: str | None, as_json: bool) -> None:
    """Everything that the book holds of a boat or one position: haul-outs, parts, every judgement with
    its number and evidence, weighings, overrules, accepts."""
    with _book(book_file) as (book, answer):
        from anodewane.book.intake import plain

        b = book.boat(boat)
        name = book.position(b.name, position).name if position else None
        mine = {
            "boat": plain(b),
            "positions": [plain(p) for p in book.positions(b.name) if name in (None, p.name)],
            "haul_outs": plain(book.haul_outs(b.name)),
            "fittings": plain(book.fittings(b.name, name)),
            "judgements": plain(book.judgements(b.name, name)),
            "weighings": [plain(w) for w in book.weighings(b.name) if name in (None, w.position)],
            "overrules": [plain(o) for o in book.overrules(b.name) if name in (None, o.position)],
            "accepts": [plain(a) for a in book.accepts(b.name) if name in (None, a.position)],
        }
        if as_json:
            _answer_json(answer, mine)
        else:
            answer(_history_text(mine))


@season.command("warnings", short_help="List warnings with their reasons.")
@BOOK
@click.argument("boat", required=False)
@options(SETTINGS, JSON)
def warnings_command(book_file: Path, boat: str | None, settings_file: Path | None, as_json: bool) -> None:
    """List warnings with their reasons and who to ask: no wear in a season, a pair uneven, far faster
    than last season, alloys mixed or wrong for the water.

    They say what was seen and what it may mean. Finding out is for a qualified corrosion or marine
    electrical technician.
    """
    with _book(book_file) as (book, answer):
        from anodewane.book.listing import notice_lines

        lines = notice_lines(book, boat, *_rules(settings_file))
        if as_json:
            _answer_json(answer, lines)
            return
        last = None
        for line in lines:
            head = f"{line['boat']}\n" if line["boat"] != last else ""
            last = line["boat"]
            answer(f"{head}  - {line['message']} {line['remedy'] or ''}".rstrip() + "\n")
        if not lines:
            _say("No warnings.")


@season.command("order", short_help="What to buy.")
@BOOK
@click.argument("boat", required=False)
@click.option("--csv", "csv_file", metavar="FILE.csv", type=FILE, help="Write the list as CSV.")
@click.option("--page", "page_file", metavar="FILE.html", type=FILE, help="Write it as a page to print.")
@options(NEXT, SETTINGS, LIMIT, JSON)
def order_command(
    book_file: Path,
    boat: str | None,
    csv_file: Path | None,
    page_file: Path | None,
    next_on: date | None,
    settings_file: Path | None,
    limit: float | None,
    as_json: bool,
) -> None:
    """List what to buy for which boat and position, with counts by template and fixings; and what has
    to be looked at before anybody can say."""
    outputs = [f for f in (csv_file, page_file) if f]
    with _book(book_file) as (book, answer):
        from datetime import date

        from anodewane.book.intake import plain
        from anodewane.book.listing import orders_of
        from anodewane.book.orders import order_csv, order_page
        from anodewane.files import check_writable, write_atomic

        _refuse_same(outputs, [book_file, *([settings_file] if settings_file else [])])
        for f in outputs:
            check_writable(f)
        orders = orders_of(book, boat, *_rules(settings_file, limit), next_on)
        if as_json:
            _answer_json(answer, plain(orders))
        else:
            answer(_order_text(orders))
        if csv_file:
            write_atomic(csv_file, order_csv(orders).encode("utf-8-sig"))
        if page_file:
            write_atomic(page_file, order_page(orders, made_on=date.today()).encode())  # noqa: DTZ011 - the yard's own day


@season.command("calibrate", short_help="Learn a template's face-to-edge ratio from weighings.")
@BOOK
@click.argument("template", required=False)
@click.option("--keep", is_flag=True, help="Keep it: 'judge --book' then reads photos of that part by it.")
@options(SETTINGS, JSON)
def calibrate_command(
    book_file: Path, template: str | None, keep: bool, settings_file: Path | None, as_json: bool
) -> None:
    """Show, before and after, how weighed parts settle how fast a template's face wastes against its
    edge, and how far the interval narrows.

    The example is a part whose outline says that half its mass is gone. Scatter from part to part stays
    in the interval however many were weighed.
    """
    with _book(book_file) as (book, answer):
        from anodewane.book.calibrate import calibrate, weighings_of
        from anodewane.book.intake import plain

        settings, _ = _rules(settings_file)
        readings, fittings = book.readings(settings=settings), book.fittings()
        out: list[Line] = []
        for name in [template] if template else book.template_names():
            part = book.template(name)
            weighed = weighings_of(part, readings, fittings, settings)
            c = calibrate(part, weighed, settings)
            out.append({"template": name, "weighed": len(weighed), "calibration": plain(c) if c else None})
            if c is not None and keep:
                book.keep_calibration(c)
        if as_json:
            _answer_json(answer, out)
        else:
            rows: list[tuple[str, ...]] = []
            for o in out:
                kept = o["calibration"]
                if kept is None:
                    rows.append(
                        (
                            o["template"],
                            str(o["weighed"]),
                            "",
                            "",
                            "",
                            "a rod has no face" if o["weighed"] else "none weighed",
                        )
                    )
                else:
                    scale = f"{kept['scale']:.2f} +- {kept['scale'] * kept['scale_sd']:.2f}"
                    rows.append(
                        (
                            o["template"],
                            str(kept["n"]),
                            scale,
                            _pct(kept["half_gone_before"]),
                            _pct(kept["half_gone_after"]),
                            "kept" if keep else "",
                        )
                    )
            answer(
                table(
                    ("template", "weighed", "face wastes, times the usual", "half gone: before", "after", ""),
                    rows,
                    right=(1,),
                )
            )


@season.command("plot", short_help="Draw wear by season and position.")
@BOOK
@click.argument("boat", required=False)
@click.option("--svg", "svg_file", metavar="FILE.svg", type=FILE, help="One boat's wear as a picture.")
@click.option(
    "--page",
    "page_file",
    metavar="FILE.html",
    type=FILE,
    help="Pictures, figures and warnings as a page to print.",
)
@options(NEXT, SETTINGS, LIMIT)
def plot_command(
    book_file: Path,
    boat: str | None,
    svg_file: Path | None,
    page_file: Path | None,
    next_on: date | None,
    settings_file: Path | None,
    limit: float | None,
) -> None:
    """Draw wear by season and position with its intervals: one boat as a picture, one or all as a page."""
    if svg_file is None and page_file is None:
        raise UsageError("There is nothing to write.", "Give --svg or --page.")
    if svg_file is not None and boat is None:
        raise UsageError("A picture is of one boat.", "Name the boat, or give --page for all.")
    with _book(book_file) as (book, _):
        from datetime import date

        from anodewane.book.listing import states_of
        from anodewane.book.plot import season_page, wear_svg
        from anodewane.files import check_writable, write_atomic

        outputs = [f for f in (svg_file, page_file) if f]
        _refuse_same(outputs, [book_file, *([settings_file] if settings_file else [])])
        for f in outputs:
            check_writable(f)
        settings, rules = _rules(settings_file, limit)
        entries, states, warned = states_of(book, boat, settings, rules, next_on)
        if svg_file:
            write_atomic(svg_file, wear_svg(entries[0], states, settings).encode())
        if page_file:
            title = f"The season: {entries[0].boat.name}" if boat else "The season"
            write_atomic(
                page_file, season_page(entries, states, warned, settings, title, date.today()).encode()
            )


# --- the file ------------------------------------------------------------------------------------


@season.command("export", short_help="Write the whole book as CSV in a zip.")
@BOOK
@click.argument("zip_file", metavar="OUT.zip", type=FILE)
def export_command(book_file: Path, zip_file: Path) -> None:
    """Write the whole book as plain CSV in a zip, records included. The same book gives the same bytes."""
    with _book(book_file) as (book, _):
        from anodewane.book.exchange import export_book

        _say(f"Wrote {zip_file}: {_n(export_book(book, zip_file), 'row')}.")


@season.command("import", short_help="Make a book from an export.")
@click.argument("zip_file", metavar="IN.zip", type=FILE)
@BOOK
def import_command(zip_file: Path, book_file: Path) -> None:
    """Make a new book from a zip that 'season export' wrote."""
    from anodewane.book.exchange import import_book
    from anodewane.book.listing import refresh

    with import_book(zip_file, book_file) as book:
        refresh(book)
        _say(f"Made {book_file}: {_n(len(book.boats()), 'boat')}.")


@season.command("check", short_help="Check that the book's file is sound.")
@BOOK
def check_command(book_file: Path) -> None:
    """Check that the book's file is sound: its pages, its keys, and every record against its SHA-256."""
    with _book(book_file) as (book, _):
        wrong = book.check()
        if wrong:
            raise InputUnreadable(
                f"The book '{book_file.name}' is damaged: {'; '.join(wrong[:5])}.",
                "Restore a copy, or the last 'anodewane season export'.",
            )
        _say("The book is sound.")


# --- printing ------------------------------------------------------------------------------------


def table(head: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[int] = ()) -> str:
    """Columns of text under their heads, two spaces apart."""
    wide = [max(len(h), max((len(r[i]) for r in rows), default=0)) for i, h in enumerate(head)]
    form = "  ".join(f"{{:{'>' if i in right else '<'}{w}}}" for i, w in enumerate(wide)).format
    return "".join(f"{form(*row).rstrip()}\n" for row in (head, *rows))


def cells_table(cells: Sequence[Sequence[str]]) -> str:
    """Positions as they stand, as a table; a boat's name once."""
    from anodewane.book.listing import HEAD

    return table(HEAD, cells)


def haul_out_table(lines: Sequence[Line]) -> str:
    """What was found at one haul-out, as a table."""
    rows, last = [], None
    for line in lines:
        boat = line["boat"] if line["boat"] != last else ""
        last = line["boat"]
        own = line["overruled"]["verdict"] if line["overruled"] else ""
        weighed = f"{line['weighed_g']:.0f} g" if line["weighed_g"] is not None else ""
        rows.append(
            (
                boat,
                line["position"],
                line["kind"],
                _photo(line),
                own,
                _pct(line["consumed_pct"]),
                weighed,
                line["template"] or "",
                " ".join(line["reasons"]),
            )
        )
    return table(
        ("boat", "position", "photo of", "verdict", "overruled", "% gone", "weighed", "part", "reasons"), rows
    )


def _photo(line: Line) -> str:
    return line["photo_verdict"] or ("cannot judge" if line["status"] == "cannot_judge" else "")


def _n(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"


def _pct(i: dict[str, float] | None) -> str:
    from anodewane.book.listing import percent_words

    return percent_words(i)


def _history_text(mine: dict[str, Any]) -> str:
    b = mine["boat"]
    out = [f"{b['name']}, {b['water'] or 'unknown'} water{', ' + b['note'] if b['note'] else ''}\n\n"]
    out.append(
        "Out of the water\n"
        + table(
            ("hauled", "launched"),
            [(h["hauled_on"], h["launched_on"] or "ashore") for h in mine["haul_outs"]],
        )
        + "\n"
    )
    rows: list[tuple[str, ...]] = [
        (
            f["position"],
            f["template"],
            f["alloy"],
            f["fitted_on"],
            f["removed_on"] or "",
            f"{f['new_mass_g']:.0f} g" if f["new_mass_g"] else "",
        )
        for f in mine["fittings"]
    ]
    out.append("Parts\n" + table(("position", "template", "alloy", "fitted", "removed", "new"), rows) + "\n")
    rows = []
    for j in mine["judgements"]:
        r = j["reading"]
        state = (
            f"withdrawn: {j['withdrawn']}"
            if j["withdrawn"]
            else "counts"
            if j["counts"]
            else "a later one counts"
        )
        verdict = r["verdict"] or "cannot judge"
        rows.append(
            (
                str(j["id"]),
                r["position"],
                r["hauled_on"],
                r["kind"],
                verdict,
                _pct(r["consumed_pct"]),
                j["photo_name"],
                j["judged_at"][:16],
                j["judged_by"] or "",
                state,
            )
        )
    out.append(
        "Judgements\n"
        + table(
            (
                "number",
                "position",
                "hauled",
                "photo of",
                "verdict",
                "% gone",
                "photo",
                "judged (UTC)",
                "by",
                "",
            ),
            rows,
            right=(0,),
        )
    )
    if mine["weighings"]:
        rows = [
            (w["position"], w["hauled_on"], f"{w['mass_g']:.0f} g", w["by"] or "", w["note"] or "")
            for w in mine["weighings"]
        ]
        out.append("\nWeighings\n" + table(("position", "hauled", "left", "by", "note"), rows))
    if mine["overrules"]:
        rows = [
            (o["position"], o["hauled_on"], o["verdict"] or "taken back", o["by"], o["why"])
            for o in mine["overrules"]
        ]
        out.append("\nOverruled\n" + table(("position", "hauled", "verdict", "by", "why"), rows))
    if mine["accepts"]:
        rows = [
            (str(a["judgement"]), a["position"], a["hauled_on"], a["by"], a["at"][:16])
            for a in mine["accepts"]
        ]
        out.append(
            "\nAccepted\n" + table(("judgement", "position", "hauled", "by", "at (UTC)"), rows, right=(0,))
        )
    return "".join(out)


def _order_text(orders: Any) -> str:
    from anodewane.book.orders import WORDS

    out = []
    if orders.lines:
        counts = [(str(c.count), c.what, c.alloy or "") for c in (*orders.parts, *orders.fixings)]
        out.append(table(("buy", "what", "alloy"), counts, right=(0,)))
        rows: list[tuple[str, ...]] = [
            (o.boat, o.position, o.template, "; ".join(WORDS[w] for w in o.why), o.fixings or "not on record")
            for o in orders.lines
        ]
        out.append("\n" + table(("boat", "position", "part", "why", "fixings"), rows))
    else:
        out.append("Nothing can be ordered yet.\n" if orders.unsettled else "Nothing to buy.\n")
    if orders.unsettled:
        rows = [(u.boat, u.position, u.template or "unknown", WORDS[u.why]) for u in orders.unsettled]
        out.append(
            "\nLook at these first; nothing is ordered for them.\n"
            + table(("boat", "position", "part", "why"), rows)
        )
    return "".join(out)


def _answer_json(answer: Callable[[str], None], value: Any) -> None:
    import json

    answer(json.dumps(value, ensure_ascii=False, indent=1) + "\n")


def _day_of(book: Book, boat: str, hauled_on: date | None) -> date:
    from anodewane.book.intake import open_haul_out

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


def _only_with_correct(correct: bool, **given: Any) -> None:
    for name, value in given.items():
        if value is not None and not correct:
            raise UsageError(f"--{name} belongs to a correction.", "Give --correct too, or leave it out.")


def _refuse_same(outputs: list[Path], inputs: list[Path]) -> None:
    taken = {f.resolve() for f in inputs}
    for f in outputs:
        if f.resolve() in taken:
            raise UsageError(
                f"'{f}' is named twice, once as an output.", "Give each output a name of its own."
            )
        taken.add(f.resolve())
