"""``anodewane serve``: the page for the phone by the boat and the desk in the office."""

from __future__ import annotations

from pathlib import Path

import click

from anodewane.cli._judging import CAMERA, CHECK_LINE, FILE, LIMIT, SEGMENTER, SETTINGS, options


@click.command(short_help="Serve the page for phones in the yard.")
@click.argument("book_file", metavar="BOOK", type=FILE)
@click.option(
    "--lan",
    is_flag=True,
    help="Let phones of the same network in; prints a code to pair the first one. Without it only this "
    "machine can open the page.",
)
@click.option(
    "--address",
    metavar="IP",
    help="With --lan: this machine's address in that network, where it has several.",
)
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=8765,
    show_default=True,
    help="Keep it: phones find their waiting photos by it. 0 takes a free one.",
)
@click.option(
    "--workers",
    type=click.IntRange(1, 64),
    help="Photos judged at once.  [default: as many as there are cores, fewer where memory is short]",
)
@options(SETTINGS, LIMIT, CHECK_LINE, SEGMENTER, CAMERA)
def serve(
    book_file: Path,
    lan: bool,
    address: str | None,
    port: int,
    workers: int | None,
    settings_file: Path | None,
    limit: float | None,
    check_line: tuple[float, float] | None,
    segmenter: str,
    camera_file: Path | None,
) -> None:
    """Serve a page for the phone by the boat: pick boat and position, take the photo, see the verdict,
    correct the outline with a finger, go to the next.

    BOOK is the season's book; judgements go into it. Photos and what the page needs are kept in the
    folder BOOK.yard beside it. Stop with Ctrl-C.
    """
    from anodewane.cli._judging import method_of
    from anodewane.errors import UsageError
    from anodewane.records import Given
    from anodewane.web.run import lan_address
    from anodewane.web.run import serve as run

    if address is not None and not lan:
        raise UsageError("--address belongs to --lan.", "Give --lan too, or leave it out.")
    where = lan_address(address) if lan else None
    run(
        book_file,
        Given(check_line_mm=check_line),
        method_of(settings_file, limit, segmenter, camera_file),
        port=port,
        lan=where,
        workers=workers,
        say=lambda text: click.echo(text, err=True),
    )
