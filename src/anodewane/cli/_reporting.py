"""The options of commands that make a report: 'report', and 'evidence pack', which makes one for the bag."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from anodewane.cli._judging import options

if TYPE_CHECKING:
    from anodewane.report.request import Choices, Sources

PATH = click.Path(path_type=Path)

REPORTING = options(
    click.argument("sources", metavar="RECORD|FOLDER...", nargs=-1, type=PATH),
    click.option(
        "--book",
        "book_file",
        metavar="FILE",
        type=PATH,
        help="The season's book, in place of records; with --boat, and --haul-out for another than the last.",
    ),
    click.option(
        "--haul-out", "haul_out", metavar="DATE", help="Which haul-out of the book, such as 2026-10-31."
    ),
    click.option(
        "--photos",
        metavar="FOLDER",
        multiple=True,
        type=PATH,
        help="Where the photos lie, subfolders included; beside the records by default. May be repeated.",
    ),
    click.option(
        "--template",
        "template_files",
        metavar="FILE",
        multiple=True,
        type=PATH,
        help="Template file of a part that isn't of the library. May be repeated.",
    ),
    click.option(
        "--position",
        "positions",
        metavar="RECORD=POSITION",
        multiple=True,
        help="Where a record's part sat; the record's file name by default. May be repeated.",
    ),
    click.option("--title", metavar="TEXT", help="Title on the cover."),
    click.option("--boat", metavar="NAME", help="The boat; of a batch or book, only this boat's parts."),
    click.option(
        "--hauled", metavar="DATE", help="Day on which the boat came out of the water, for the cover."
    ),
    click.option(
        "--dated",
        metavar="DATE",
        help="Day of the report, for the cover; without it the report carries none.",
    ),
    click.option("--number", metavar="TEXT", help="The report's number."),
    click.option("--client", metavar="NAME", help="For whom the report is written."),
    click.option("--firm", metavar="NAME", help="Your firm, for cover and signature."),
    click.option("--signer", metavar="NAME", help="Who signs, printed by the signature."),
    click.option("--port", metavar="PLACE", help="Where the boat was seen."),
    click.option(
        "--vessel", metavar="TEXT", help="The vessel's particulars: type, length, year, registration."
    ),
    click.option("--scope", metavar="TEXT", help="What was to be looked at, and what not."),
    click.option(
        "--note",
        "notes",
        metavar="POSITION=TEXT",
        multiple=True,
        help="A note on a part's page. May be repeated.",
    ),
    click.option(
        "--finding",
        "findings",
        metavar="POSITION=VERDICT",
        multiple=True,
        help="Your own finding (replace, monitor, ok), shown beside the tool's. May be repeated.",
    ),
    click.option(
        "--by", metavar="NAME", multiple=True, help="Who found it: once for all findings, or once with each."
    ),
    click.option("--why", metavar="TEXT", multiple=True, help="Why: once with each finding."),
    click.option(
        "--language",
        type=click.Choice(["en", "de"]),
        default="en",
        show_default=True,
        help="Language of the report.",
    ),
    click.option(
        "--paper",
        type=click.Choice(["a4", "letter"]),
        default="a4",
        show_default=True,
        help="Paper of the PDF.",
    ),
)


def sources_and_choices(
    *,
    sources: tuple[Path, ...],
    book_file: Path | None,
    haul_out: str | None,
    photos: tuple[Path, ...],
    template_files: tuple[Path, ...],
    positions: tuple[str, ...],
    title: str | None,
    boat: str | None,
    hauled: str | None,
    dated: str | None,
    number: str | None,
    client: str | None,
    firm: str | None,
    signer: str | None,
    port: str | None,
    vessel: str | None,
    scope: str | None,
    notes: tuple[str, ...],
    findings: tuple[str, ...],
    by: tuple[str, ...],
    why: tuple[str, ...],
    language: str,
    paper: Any,
) -> tuple[Sources, Choices]:
    """What the options ask for."""
    from anodewane.errors import UsageError
    from anodewane.report.model import Cover
    from anodewane.report.request import Choices, check_day, make_findings, placed, read_sources

    if book_file is not None:
        if sources:
            raise UsageError("Both records and a book were given.", "Give records or --book.")
        if boat is None:
            raise UsageError("A book holds many boats.", "Name one with --boat.")
        from anodewane.report.from_book import read_haul_out

        found = read_haul_out(book_file, boat, check_day(haul_out, "--haul-out"))
    else:
        if haul_out is not None:
            raise UsageError(
                "--haul-out belongs to a book.", "Give --book too, or write --hauled for the cover."
            )
        found = read_sources(sources, boat)
    found = placed(found, positions, notes)
    dated = check_day(dated, "--dated")
    cover = Cover(
        title,
        boat,
        check_day(hauled, "--hauled"),
        dated,
        number=number,
        client=client,
        firm=firm,
        signer=signer,
        port=port,
        vessel=vessel,
        scope=scope,
    )
    return found, Choices(
        cover, make_findings(found, findings, by, why, dated), language, paper, photos, template_files
    )
