"""``anodewane batch``: a folder of photos in, records, overlays, summaries and a contact sheet out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from anodewane.cli._judging import (
    ANY_DATE,
    AS_JSON,
    CAMERA,
    CHECK_LINE,
    KEEP_IN_BOOK,
    LIMIT,
    NEW_HAUL_OUT,
    SEGMENTER,
    SETTINGS,
    TEMPLATE,
    method_of,
    options,
    template_of,
)
from anodewane.errors import ExitCode

if TYPE_CHECKING:
    from datetime import date

    from anodewane.batch.execute import Engine
    from anodewane.batch.job import Job
    from anodewane.batch.known import KnownParts
    from anodewane.batch.place import Place
    from anodewane.batch.summary import BatchSummary

ENGINES = ("local", "dask")
ONLY = ("replace", "monitor", "ok", "cannot_judge", "unreadable", "crashed", "fault")


@click.command(short_help="Judge a folder of photos.")
@click.argument("folder", metavar="FOLDER")
@click.option(
    "--out",
    "out",
    metavar="OUT",
    required=True,
    help="Folder for the results. Run again with the same one, the batch goes on where it stopped.",
)
@options(TEMPLATE, SETTINGS, LIMIT, CHECK_LINE, SEGMENTER, CAMERA)
@click.option(
    "--only",
    metavar="VERDICT",
    type=click.Choice(ONLY),
    multiple=True,
    help=f"Judge again only photos that came out so: {', '.join(ONLY)}. May be repeated.",
)
@click.option(
    "--folders",
    "levels",
    metavar="LEVELS",
    help="What the folders stand for from the top, such as boat/position or -/boat ('-' means nothing).",
)
@click.option(
    "--same-part",
    is_flag=True,
    help="Judge two to eight photos of one boat and position together, as photos of one part that lay still.",
)
@click.option(
    "--workers",
    metavar="N",
    type=click.IntRange(1, 256),
    help="Photos judged at once. Default: as many as there are cores, and memory for 1 GB each.",
)
@click.option(
    "--engine",
    type=click.Choice(ENGINES),
    default="local",
    show_default=True,
    help="Judge in processes on this machine, or on a Dask cluster that runs already.",
)
@click.option(
    "--address", metavar="ADDRESS", help="The Dask scheduler's address, such as tcp://10.0.0.5:8786."
)
@options(KEEP_IN_BOOK, NEW_HAUL_OUT, ANY_DATE)
@click.option(
    "--skip", is_flag=True, help="With --book: judge what has its place there, and leave out the rest."
)
@click.option(
    "--dry-run",
    is_flag=True,
    help="Judge nothing and write nothing: list what would be done, and what can't be placed.",
)
@options(AS_JSON)
@click.option("--quiet", is_flag=True, help="No progress and no closing words on standard error.")
@click.pass_context
def batch(
    ctx: click.Context,
    folder: str,
    out: str,
    template: str | None,
    settings_file: Path | None,
    limit: float | None,
    check_line: tuple[float, float] | None,
    segmenter: str,
    camera_file: Path | None,
    only: tuple[str, ...],
    levels: str | None,
    same_part: bool,
    workers: int | None,
    engine: str,
    address: str | None,
    book_file: Path | None,
    hauled_on: date | None,
    new_haul_out: bool,
    any_date: bool,
    skip: bool,
    dry_run: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Judge every photo of FOLDER, in any nesting, and write a record and an overlay for each, a
    summary (CSV, XLSX, JSON Lines) and a contact sheet.

    Boat and position come from photos.csv beside the photos, from the label on the sheet, or from the
    folders: BOAT/POSITION/photo.jpg or BOAT/position.jpg. A photo that can't be judged is a row like
    any other. Standard output gets one line of JSON with the totals; a terminal gets it with --json
    only. The exit code is 0 when every photo was judged, else 7.

    With --same-part photos of one boat and position are judged together: one row, one record, and a
    narrower interval (docs/views.md says how to take them).

    With --book each photo is judged against the part that the season's book has at its boat and
    position, and what was judged is kept there.

    FOLDER and OUT may be addresses of object storage, such as s3://bucket/photos (in the checkout:
    pip install ".[all]"); docs/cluster.md has more on that and on --engine.
    """
    from anodewane.cli._stdout import answer_only, on_terminal

    print_totals = as_json or not on_terminal()
    with answer_only() as answer:
        import os

        for library in (
            "OMP_NUM_THREADS",
            "OPENBLAS_NUM_THREADS",
        ):  # one thread a worker: they read this as they start, before numpy
            os.environ.setdefault(library, "1")

        from anodewane.batch.folder import judge_folder, plan_folder
        from anodewane.batch.placing import parse_levels
        from anodewane.batch.storage import places_of

        source, target = places_of(folder, out)
        if engine != "local":  # its workers stand in other folders
            source, target = (p.resolve() if isinstance(p, Path) else p for p in (source, target))
        choices = {
            "template": template_of(template),
            "check_line_mm": check_line,
            "method": method_of(settings_file, limit, segmenter, camera_file),
            "only": only,
            "levels": parse_levels(levels) if levels is not None else None,
            "parts": _parts(book_file, hauled_on, new_haul_out, target),
            "same_part": same_part,
        }
        if dry_run:
            answer(_listing(plan_folder(source, target, **choices)))  # type: ignore[arg-type]
            return
        cluster = _cluster(engine, address, workers, source, target)
        if quiet:
            summary = judge_folder(
                source,
                target,
                workers=workers,
                engine=cluster,
                skip=skip,
                **choices,  # type: ignore[arg-type]
            )
        else:
            from anodewane.cli._progress import ConsoleProgress

            try:
                with ConsoleProgress() as progress:
                    summary = judge_folder(
                        source,
                        target,
                        workers=workers,
                        engine=cluster,
                        progress=progress,
                        skip=skip,
                        **choices,  # type: ignore[arg-type]
                    )
            except KeyboardInterrupt:
                click.echo(
                    "What is judged is kept and summed up; the same command goes on from there.", err=True
                )
                raise
            click.echo(_closing_words(summary), err=True, nl=False)
        if print_totals:
            answer(_totals(summary))
        left_out = (
            _keep(book_file, target, hauled_on, new_haul_out, any_date)
            if book_file is not None and isinstance(target, Path)
            else ()
        )
    if left_out:
        ctx.exit(int(ExitCode.BATCH_INCOMPLETE))
    ctx.exit(int(ExitCode.BATCH_INCOMPLETE if summary.not_judged else ExitCode.JUDGED))


def _parts(
    book_file: Path | None, hauled_on: date | None, new_haul_out: bool, target: Path | Place
) -> KnownParts | None:
    """What the season's book knows of the parts."""
    from anodewane.errors import UsageError

    if book_file is None:
        if hauled_on is not None:
            raise UsageError(
                "A date of hauling out is given, but no book.", "Give --book too, or leave --hauled out."
            )
        return None
    if not isinstance(target, Path):
        raise UsageError(
            "A book takes in results from a folder of this machine.",
            "Give --out a folder here, or leave --book out.",
        )
    from anodewane.book.parts import BookParts
    from anodewane.book.store import open_book

    with open_book(book_file) as book:
        return BookParts(book, hauled_on, new_haul_out)


def _keep(
    book_file: Path, out: Path, hauled_on: date | None, new_haul_out: bool, any_date: bool
) -> tuple[str, ...]:
    """Take the results into the book; return what has no place there. The results stay in their folder
    whatever becomes of that."""
    from anodewane.book.intake import find_records, place_records, problem_lines
    from anodewane.book.listing import refresh
    from anodewane.book.store import open_book

    with open_book(book_file) as book:
        found, _ = find_records(out)
        intake = place_records(book, found, hauled_on, new_haul_out=new_haul_out, any_date=any_date)
        unknown = set(intake.add)
        problems = (*intake.problems, *(f"'{p}' of '{b}' isn't in the book." for b, p in intake.add))
        added = book.record(j for j in intake.judgements if (j.boat, j.position) not in unknown)
        refresh(book)
    click.echo(
        f"{added.new} taken into the book{f', {added.known} known already' if added.known else ''}.", err=True
    )
    if problems:
        click.echo(
            f"{len(problems)} not taken in:{problem_lines(problems)}Mend that, then: anodewane season "
            f"record {book_file} {out}",
            err=True,
        )
    return problems


def _cluster(
    engine: str, address: str | None, workers: int | None, source: Path | Place, target: Path | Place
) -> Engine | None:
    """The cluster that was asked for; None for this machine's processes."""
    from anodewane.errors import UsageError

    if engine == "local":
        if address is not None:
            raise UsageError(
                "An address is given, but no cluster.", "Add --engine dask, or leave --address out."
            )
        return None
    if address is None:
        raise UsageError("A cluster has no address.", "Give the scheduler's: --address tcp://HOST:8786.")
    if workers is not None:
        raise UsageError("A cluster has its own workers.", "Leave --workers out.")
    from anodewane.batch.engines import dask_engine

    return dask_engine(address, source, target)


def _totals(s: BatchSummary) -> str:
    import json

    totals = {
        "photos": s.photos,
        "parts": s.parts,
        "counts": dict(s.counts),
        "not_judged": s.not_judged,
        "judged_now": s.judged_now,
        "kept": s.kept,
        "duplicates": s.duplicates,
        "unplaced": s.unplaced,
        "gone": s.gone,
        "skipped": dict(s.skipped),
        "notes": len(s.notes),
        "seconds": s.seconds,
        "out": s.out.encode("utf-8", "replace").decode(),
    }
    return json.dumps(totals, ensure_ascii=False) + "\n"


MOST_NOTES = 10


def _closing_words(s: BatchSummary) -> str:
    from anodewane.batch.place import shown_name
    from anodewane.batch.plan import SKIP_WORDS
    from anodewane.cli._progress import counted, duration

    rate = f", {s.judged_now} judged now in {duration(s.seconds)}" if s.judged_now else ", nothing new"
    photos = f"{s.photos} {'photo' if s.photos == 1 else 'photos'}"
    if s.parts != s.photos:
        photos += f" of {s.parts} {'part' if s.parts == 1 else 'parts'}"
    lines = [f"{photos}{rate}: {counted(dict(s.counts))}."]
    if s.duplicates:
        lines.append(
            f"{s.duplicates} {_is(s.duplicates)} the same photo as another: judged once, shown at every "
            "place."
        )
    if s.unplaced:
        lines.append(
            f"{s.unplaced} {'has' if s.unplaced == 1 else 'have'} no known boat or position: name them in "
            "photos.csv, or sort them into folders."
        )
    if s.gone:
        lines.append(
            f"{s.gone} of earlier runs {_is(s.gone)} no longer in the folder; what was made for them is "
            "left as it is."
        )
    if s.skipped:
        left_out = (f"{SKIP_WORDS[reason]} {n}" for reason, n in s.skipped.items())  # type: ignore[index]
        lines.append(f"Left out: {', '.join(left_out)}.")
    lines += s.notes[:MOST_NOTES]
    if len(s.notes) > MOST_NOTES:
        lines.append(
            f"... and {len(s.notes) - MOST_NOTES} more such notes, in summary.xlsx and on the contact sheet."
        )
    lines.append(f"Look at {shown_name(s.out.rstrip('/'))}/index.html")
    return "".join(f"{line}\n" for line in lines)


def _is(count: int) -> str:
    return "is" if count == 1 else "are"


def _listing(job: Job) -> str:
    """What would be done, in sections; every photo, or part with all of its photos, stands in exactly
    one of the first four."""
    from anodewane.batch.placing import settle
    from anodewane.batch.plan import SKIP_WORDS

    to_judge = {i.name for i in job.items}
    shown = {p.name: p.shown for p in job.plan.photos}
    parts = {u.first.name: u for u in job.parts}
    of_a_part = {name for u in parts.values() for name in (*(p.name for p in u.photos[1:]), *u.twins)}
    sections: dict[str, list[tuple[str, ...]]] = {
        "To judge": [],
        "Done already": [],
        "Left as they are (--only)": [],
        "Same photo as another, judged once": [],
    }
    unplaced: list[tuple[str, ...]] = []
    for p in job.plan.photos:
        if p.name in of_a_part:
            continue
        unit = parts.get(p.name)
        place = settle(unit.placings if unit else p.placings)
        with_others = "".join(f" + {o.shown.rsplit('/', 1)[-1]}" for o in unit.photos[1:]) if unit else ""
        line = (
            p.shown + with_others,
            place.boat or "boat ?",
            place.position or "position ?",
            f"by {place.placed_by}" if place.placed_by else "",
            (unit.template if unit else p.template) or "",
        )
        if p.duplicate_of is not None:
            sections["Same photo as another, judged once"].append((*line, f"= {shown[p.duplicate_of]}"))
        elif p.name in to_judge:
            sections["To judge"].append(line)
        elif p.name in job.kept or p.name in job.moved:
            sections["Done already"].append(line)
        else:
            sections["Left as they are (--only)"].append(line)
        if place.boat is None or place.position is None:
            unplaced.append((p.shown + with_others,))
    out = [_section(title, lines) for title, lines in sections.items() if lines or title == "To judge"]
    out.append(
        _section(
            "Can't be placed yet: no boat or position by photos.csv or folder (a label on the sheet may "
            "still tell)",
            unplaced,
        )
        if unplaced
        else ""
    )
    out.append(_section("Can't be taken into the book", [(p,) for p in job.problems]) if job.problems else "")
    out.append(
        _section("Left out", [(s.shown, SKIP_WORDS[s.reason], s.detail) for s in job.plan.skipped])
        if job.plan.skipped
        else ""
    )
    out.append(_section("To look at", [(n,) for n in job.plan.notes]) if job.plan.notes else "")
    return "\n".join(s for s in out if s)


def _section(title: str, lines: list[tuple[str, ...]]) -> str:
    """A heading with its count, then aligned columns."""
    columns = max((len(line) for line in lines), default=0)
    widths = [min(60, max(len(line[c]) if c < len(line) else 0 for line in lines)) for c in range(columns)]
    rows = [
        "  " + "  ".join(text.ljust(w) for text, w in zip(line, widths, strict=False)).rstrip()
        for line in lines
    ]
    return "\n".join([f"{title}: {len(lines)}", *rows]) + "\n"
