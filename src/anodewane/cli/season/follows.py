"""What follows: how things stand, warnings, what to buy, what weighings teach, pictures."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from anodewane.cli._judging import FILE, LIMIT, SETTINGS, Day, options
from anodewane.cli.season._shared import (
    BOAT,
    BOOK,
    JSON,
    NEXT,
    answer_json,
    opened,
    refuse_same,
    rules_of,
    say,
)
from anodewane.cli.season.tables import (
    Line,
    cells_table,
    haul_out_table,
    history_text,
    order_text,
    percent_cell,
    table,
)
from anodewane.errors import UsageError

if TYPE_CHECKING:
    from datetime import date


@click.command("show", short_help="List positions: verdict, wear, what lasts.")
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
    with opened(book_file) as (book, answer):
        from anodewane.book.listing import haul_out_lines, position_cells, position_json

        settings, rules = rules_of(settings_file, limit)
        if hauled_on is not None:
            lines = haul_out_lines(book, hauled_on, book.boat(boat).name if boat else None, settings)
            if as_json:
                answer_json(answer, lines)
            elif lines:
                answer(haul_out_table(lines))
            else:
                say(f"Nothing was found on {hauled_on}.")
        elif as_json:
            answer(position_json(book, boat, settings, rules, next_on))
        else:
            answer(cells_table(position_cells(book, boat, settings, rules, next_on)))


@click.command("history", short_help="Everything that the book holds of a boat.")
@BOOK
@BOAT
@click.argument("position", required=False)
@options(JSON)
def history_command(book_file: Path, boat: str, position: str | None, as_json: bool) -> None:
    """Everything that the book holds of a boat or one position: haul-outs, parts, every judgement with
    its number and evidence, weighings, overrules, accepts."""
    with opened(book_file) as (book, answer):
        from anodewane.book.intake import plain

        b = book.boat(boat)
        name = book.position(b.name, position).name if position else None
        entries = {
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
            answer_json(answer, entries)
        else:
            answer(history_text(entries))


@click.command("warnings", short_help="List warnings with their reasons.")
@BOOK
@click.argument("boat", required=False)
@options(SETTINGS, JSON)
def warnings_command(book_file: Path, boat: str | None, settings_file: Path | None, as_json: bool) -> None:
    """List warnings with their reasons and who to ask: no wear in a season, a pair uneven, far faster
    than last season, alloys mixed or wrong for the water.

    They say what was seen and what it may mean. Finding out is for a qualified corrosion or marine
    electrical technician.
    """
    with opened(book_file) as (book, answer):
        from anodewane.book.listing import notice_lines

        lines = notice_lines(book, boat, *rules_of(settings_file))
        if as_json:
            answer_json(answer, lines)
            return
        last = None
        for line in lines:
            head = f"{line['boat']}\n" if line["boat"] != last else ""
            last = line["boat"]
            answer(f"{head}  - {line['message']} {line['remedy'] or ''}".rstrip() + "\n")
        if not lines:
            say("No warnings.")


@click.command("order", short_help="What to buy.")
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
    with opened(book_file) as (book, answer):
        from datetime import date

        from anodewane.book.intake import plain
        from anodewane.book.listing import orders_of
        from anodewane.book.orders import order_csv, order_page
        from anodewane.files import check_writable, write_atomic

        refuse_same(outputs, [book_file, *([settings_file] if settings_file else [])])
        for f in outputs:
            check_writable(f)
        orders = orders_of(book, boat, *rules_of(settings_file, limit), next_on)
        if as_json:
            answer_json(answer, plain(orders))
        else:
            answer(order_text(orders))
        if csv_file:
            write_atomic(csv_file, order_csv(orders).encode("utf-8-sig"))
        if page_file:
            # the yard's own day
            write_atomic(page_file, order_page(orders, made_on=date.today()).encode())  # noqa: DTZ011


@click.command("calibrate", short_help="Learn a template's face-to-edge ratio from weighings.")
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
    with opened(book_file) as (book, answer):
        from anodewane.book.calibrate import calibrate, weighings_of
        from anodewane.book.intake import plain

        settings, _ = rules_of(settings_file)
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
            answer_json(answer, out)
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
                            percent_cell(kept["half_gone_before"]),
                            percent_cell(kept["half_gone_after"]),
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


@click.command("plot", short_help="Draw wear by season and position.")
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
    with opened(book_file) as (book, _):
        from datetime import date

        from anodewane.book.listing import states_of
        from anodewane.book.plot import season_page, wear_svg
        from anodewane.files import check_writable, write_atomic

        outputs = [f for f in (svg_file, page_file) if f]
        refuse_same(outputs, [book_file, *([settings_file] if settings_file else [])])
        for f in outputs:
            check_writable(f)
        settings, rules = rules_of(settings_file, limit)
        entries, states, warned = states_of(book, boat, settings, rules, next_on)
        if svg_file:
            write_atomic(svg_file, wear_svg(entries[0], states, settings).encode())
        if page_file:
            title = f"The season: {entries[0].boat.name}" if boat else "The season"
            today = date.today()  # noqa: DTZ011 - the yard's own day
            write_atomic(page_file, season_page(entries, states, warned, settings, title, today).encode())
