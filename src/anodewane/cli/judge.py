"""``anodewane judge``: a photo in, a verdict out."""

from __future__ import annotations

import sys
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import click

from anodewane.cli._judging import (
    CAMERA,
    CHECK_LINE,
    FILE,
    KEEP_IN_BOOK,
    LIMIT,
    SEGMENTER,
    SETTINGS,
    TEMPLATE,
    options,
    profile_of,
    segmenter_of,
    settings_of,
    template_of,
)
from anodewane.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from datetime import date


@click.command(short_help="Judge one photo.")
@click.argument("photo", metavar="PHOTO", type=click.Path(path_type=Path, allow_dash=True))
@options(TEMPLATE, SETTINGS, LIMIT, CHECK_LINE)
@click.option("--weighed", metavar="GRAMS", type=click.FloatRange(0, min_open=True), help="What is left of the part, on the scales, clean and dry.")
@click.option("--thickness", metavar="MM", type=click.FloatRange(0, min_open=True), help="Mean thickness of what is left, by calliper.")
@options(SEGMENTER, CAMERA)
@click.option("--mask", "mask_file", metavar="FILE.png", type=FILE, help="Remaining metal painted by hand: white on black, the size of the upright photo.")
@click.option("--outline", "outline_file", metavar="FILE", type=FILE, help="Remaining metal outlined by hand: SVG or GeoJSON, in pixels of the upright photo.")
@click.option("--by", "handed_by", metavar="NAME", help="Who made the mask or outline; kept in the record.")
@click.option("--when", "handed_when", metavar="TEXT", help="When it was made; kept in the record.")
@click.option("--out", "out_file", metavar="FILE.json", type=FILE, help="Write the record to a file too.")
@click.option("--overlay", "overlay_file", metavar="FILE.png|jpg", type=FILE, help="Write a picture with both outlines, the figures and the verdict.")
@click.option("--trace", "trace_folder", metavar="FOLDER", type=FILE, help="Leave a picture of each stage in a folder.")
@options(KEEP_IN_BOOK)
@click.option("--boat", metavar="NAME", help="With --book: the boat.")
@click.option("--position", metavar="NAME", help="With --book: the position.")
@click.option("--text", "as_text", is_flag=True, help="Print a few lines for people instead of the record.")
@click.pass_context
def judge(
    ctx: click.Context,
    photo: Path,
    template: str | None,
    settings_file: Path | None,
    limit: float | None,
    check_line: tuple[float, float] | None,
    weighed: float | None,
    thickness: float | None,
    segmenter: str,
    camera_file: Path | None,
    mask_file: Path | None,
    outline_file: Path | None,
    handed_by: str | None,
    handed_when: str | None,
    out_file: Path | None,
    overlay_file: Path | None,
    trace_folder: Path | None,
    book_file: Path | None,
    hauled_on: date | None,
    boat: str | None,
    position: str | None,
    as_text: bool,
) -> None:
    """Judge one photo: how much of the part is gone, how sure that is, and whether to replace it.

    PHOTO is a JPEG, HEIC, PNG or WebP file, or - for standard input. The record (JSON) goes to standard output and nothing else does; a readable photo that
    can't be judged gets a record too, with reasons and what to do, and exit code 4.

    With --book the photo is judged against the part that the season's book has at that boat and position, and the record is kept there.
    """
    from anodewane.cli._stdout import answer_only

    if mask_file and outline_file:
        raise UsageError("Both a mask and an outline were given.", "Give one of --mask and --outline.")
    if (handed_by or handed_when) and not (mask_file or outline_file):
        raise UsageError("--by and --when belong to a mask or an outline.", "Give --mask or --outline too, or leave them out.")
    if book_file is None and (boat or position or hauled_on):
        raise UsageError("--boat, --position and --hauled belong to a book.", "Give --book too, or leave them out.")
    if book_file is not None and (boat is None or position is None):
        raise UsageError("A book needs the boat and the position.", "Give --boat and --position.")
    with answer_only() as answer, ExitStack() as stack:
        from anodewane.files import check_folder, check_writable, read_bytes, write_atomic

        outputs = [f for f in (out_file, overlay_file) if f]
        inputs = [f for f in (photo, book_file, settings_file, camera_file, mask_file, outline_file) if f]
        _refuse_overwriting(inputs, outputs)
        if overlay_file:
            from anodewane.draw import check_picture_name

            check_picture_name(overlay_file)
        for f in outputs:
            check_writable(f)
        if trace_folder:
            check_folder(trace_folder)

        data = read_bytes(photo)
        name = "standard input" if str(photo) == "-" else photo.name
        settings = settings_of(settings_file, limit, check_line, weighed, thickness)

        part = template_of(template)
        place = None
        if book_file is not None and boat is not None and position is not None:
            from anodewane.book.intake import photo_place, settings_for
            from anodewane.book.store import open_book

            book = stack.enter_context(open_book(book_file))
            place = photo_place(book, boat, position, hauled_on, part)
            part = part or place.template
            if place.template is not None:
                settings = settings_for(book, place.template.name, settings)

        from anodewane.pipeline import judge as judge_photo
        from anodewane.record_json import verdict_to_json
        from anodewane.trace import FolderTrace
        from anodewane.words import text_summary

        handed = None
        if handed_file := mask_file or outline_file:
            from anodewane.handed import read_handed

            handed = read_handed(handed_file, is_mask=mask_file is not None, by=handed_by, when=handed_when)
        verdict = judge_photo(
            data,
            name,
            part,
            settings,
            segmenter=None if handed else segmenter_of(segmenter),
            mask=handed.mask if handed else None,
            profile=profile_of(camera_file),
            trace=FolderTrace(trace_folder) if trace_folder else None,
        )
        if handed:
            verdict = handed.sign(verdict)
        record = verdict_to_json(verdict)
        # The record first: should the picture fail, what was found isn't lost.
        answer(text_summary(verdict) if as_text else record)
        if out_file:
            write_atomic(out_file, record.encode())
        if place is not None:
            from anodewane.book.listing import refresh

            place.keep(record.encode(), settings)
            refresh(book)
            click.echo(f"Kept in {book_file}: '{place.position}' of '{place.boat}', hauled out {place.hauled_on}.", err=True)
        if overlay_file:
            from anodewane.draw import overlay_bytes

            write_atomic(overlay_file, overlay_bytes(data, name, verdict, overlay_file.suffix))
        if not as_text and sys.stderr.isatty():
            click.echo(text_summary(verdict), err=True, nl=False)
    ctx.exit(int(ExitCode.JUDGED if verdict.status == "judged" else ExitCode.CANNOT_JUDGE))


def _refuse_overwriting(inputs: list[Path], outputs: list[Path]) -> None:
    """An output never takes the place of an input or of another output."""
    taken = {f.resolve(): f for f in inputs if str(f) != "-"}
    for f in outputs:
        if f.resolve() in taken:
            raise UsageError(f"'{f}' is named twice, once as an output.", "Give each output a name of its own.")
        taken[f.resolve()] = f
