"""``anodewane judge``: a photo in, a verdict out."""

from __future__ import annotations

import sys
from contextlib import ExitStack
from dataclasses import replace
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
    method_of,
    options,
    template_of,
)
from anodewane.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from datetime import date


@click.command(short_help="Judge one photo.")
@click.argument(
    "photos", metavar="PHOTO...", nargs=-1, required=True, type=click.Path(path_type=Path, allow_dash=True)
)
@click.option(
    "--same-part",
    is_flag=True,
    help="The photos show one part that lay still by one sheet: judge them together. One of them from above; two to eight in all.",
)
@click.option(
    "--other-side",
    "other_side",
    metavar="PHOTO",
    multiple=True,
    type=FILE,
    help="With --same-part: the part turned over, for an open mount. May be repeated.",
)
@options(TEMPLATE, SETTINGS, LIMIT, CHECK_LINE)
@click.option(
    "--weighed",
    metavar="GRAMS",
    type=click.FloatRange(0, min_open=True),
    help="What is left of the part, on the scales, clean and dry.",
)
@click.option(
    "--thickness",
    metavar="MM",
    type=click.FloatRange(0, min_open=True),
    help="Mean thickness of what is left, by calliper.",
)
@options(SEGMENTER, CAMERA)
@click.option(
    "--mask",
    "mask_files",
    metavar="FILE.png",
    multiple=True,
    type=FILE,
    help="Remaining metal painted by hand: white on black, the size of the upright photo. With --same-part one for each photo, in their order.",
)
@click.option(
    "--outline",
    "outline_file",
    metavar="FILE",
    type=FILE,
    help="Remaining metal outlined by hand: SVG or GeoJSON, in pixels of the upright photo.",
)
@click.option("--by", "outlined_by", metavar="NAME", help="Who made the mask or outline; kept in the record.")
@click.option("--when", "outlined_when", metavar="TEXT", help="When it was made; kept in the record.")
@click.option("--out", "out_file", metavar="FILE.json", type=FILE, help="Write the record to a file too.")
@click.option(
    "--overlay",
    "overlay_file",
    metavar="FILE.png|jpg",
    type=FILE,
    help="Write a picture with both outlines, the figures and the verdict.",
)
@options(KEEP_IN_BOOK)
@click.option("--boat", metavar="NAME", help="With --book: the boat.")
@click.option("--position", metavar="NAME", help="With --book: the position.")
@click.option("--text", "as_text", is_flag=True, help="Print a few lines for people instead of the record.")
@click.pass_context
def judge(
    ctx: click.Context,
    photos: tuple[Path, ...],
    same_part: bool,
    other_side: tuple[Path, ...],
    template: str | None,
    settings_file: Path | None,
    limit: float | None,
    check_line: tuple[float, float] | None,
    weighed: float | None,
    thickness: float | None,
    segmenter: str,
    camera_file: Path | None,
    mask_files: tuple[Path, ...],
    outline_file: Path | None,
    outlined_by: str | None,
    outlined_when: str | None,
    out_file: Path | None,
    overlay_file: Path | None,
    book_file: Path | None,
    hauled_on: date | None,
    boat: str | None,
    position: str | None,
    as_text: bool,
) -> None:
    """Judge one photo, or several of one part: how much of the part is gone, how sure that is, and
    whether to replace it.

    PHOTO is a JPEG, HEIC, PNG or WebP file, or - for standard input. The record (JSON) goes to standard
    output and nothing else does; a readable photo that can't be judged gets a record too, with reasons
    and what to do, and exit code 4.

    With --same-part two to eight photos of one part, lying untouched by (or on) the same sheet, are
    judged together: one from above, the others from the side.

    With --book the photo is judged against the part that the season's book has at that boat and
    position, and the record is kept there.
    """
    from anodewane.cli._stdout import answer_only

    _check_photos(photos, same_part, other_side, mask_files, outline_file)
    mask_file = mask_files[0] if mask_files else None
    if mask_file and outline_file:
        raise UsageError("Both a mask and an outline were given.", "Give one of --mask and --outline.")
    if (outlined_by or outlined_when) and not (mask_file or outline_file):
        raise UsageError(
            "--by and --when belong to a mask or an outline.",
            "Give --mask or --outline too, or leave them out.",
        )
    if book_file is None and (boat or position or hauled_on):
        raise UsageError(
            "--boat, --position and --hauled belong to a book.", "Give --book too, or leave them out."
        )
    if book_file is not None and (boat is None or position is None):
        raise UsageError("A book needs the boat and the position.", "Give --boat and --position.")
    with answer_only() as answer, ExitStack() as stack:
        from anodewane.files import check_writable, read_bytes, write_atomic

        outputs = [f for f in (out_file, overlay_file) if f]
        inputs = [
            f
            for f in (*photos, *other_side, book_file, settings_file, camera_file, *mask_files, outline_file)
            if f
        ]
        _refuse_overwriting(inputs, outputs)
        if overlay_file:
            from anodewane.show.canvas import check_picture_name

            check_picture_name(overlay_file)
        for f in outputs:
            check_writable(f)
        files = [
            (read_bytes(f), "standard input" if str(f) == "-" else f.name) for f in (*photos, *other_side)
        ]
        method = method_of(settings_file, limit, segmenter, camera_file)

        from anodewane.judgement.manual_outline import read_manual_outline
        from anodewane.judgement.pipeline import judge as judge_photo
        from anodewane.records import Given
        from anodewane.show.record_json import verdict_to_json
        from anodewane.show.words import text_summary
        from anodewane.stages.load import load_photo

        given = Given(weighed, thickness, check_line)
        part = template_of(template)
        place = None
        if book_file is not None and boat is not None and position is not None:
            from anodewane.book.parts import photo_place, with_face_scale
            from anodewane.book.store import open_book

            book = stack.enter_context(open_book(book_file))
            place = photo_place(book, boat, position, hauled_on, part)
            part = part or place.template
            method = with_face_scale(method, book, place.template)

        outlines = [
            read_manual_outline(f, is_mask=f is not outline_file, by=outlined_by, when=outlined_when)
            for f in (*mask_files, *([outline_file] if outline_file else []))
        ]
        loaded = [load_photo(data, name) for data, name in files]
        if same_part:
            from anodewane.views.together import judge_together

            n = len(photos)
            verdict = judge_together(
                loaded[:n], part, given, method, other_side=loaded[n:], outlines=outlines or None
            )
        else:
            if outlines:
                given = replace(given, outline=outlines[0])
            verdict = judge_photo(loaded[0], part, given, method)
        record = verdict_to_json(verdict)
        # The record first: should the picture fail, what was found isn't lost.
        answer(text_summary(verdict) if as_text else record)
        if out_file:
            write_atomic(out_file, record.encode())
        if place is not None:
            from anodewane.book.listing import refresh

            place.keep(record.encode(), method.settings)
            refresh(book)
            click.echo(
                f"Kept in {book_file}: '{place.position}' of '{place.boat}', hauled out {place.hauled_on}.",
                err=True,
            )
        if overlay_file:
            if same_part:
                from anodewane.show.overlay_of_views import together_bytes

                write_atomic(overlay_file, together_bytes(files, verdict, overlay_file.suffix))
            else:
                from anodewane.show.overlay import overlay_bytes

                write_atomic(overlay_file, overlay_bytes(*files[0], verdict, overlay_file.suffix))
        if not as_text and sys.stderr.isatty():
            click.echo(text_summary(verdict), err=True, nl=False)
    ctx.exit(int(ExitCode.JUDGED if verdict.status == "judged" else ExitCode.CANNOT_JUDGE))


def _check_photos(
    photos: tuple[Path, ...],
    same_part: bool,
    other_side: tuple[Path, ...],
    mask_files: tuple[Path, ...],
    outline_file: Path | None,
) -> None:
    if not same_part:
        if len(photos) > 1:
            raise UsageError(
                f"{len(photos)} photos were given.",
                "Give --same-part when they show one part; judge several parts with 'anodewane batch' or one by one.",
            )
        if other_side:
            raise UsageError("--other-side belongs to several photos of one part.", "Give --same-part too.")
        if len(mask_files) > 1:
            raise UsageError(
                "More than one mask was given.", "Give one, or --same-part and one for each photo."
            )
        return
    if outline_file:
        raise UsageError(
            "--outline is for one photo.",
            "Leave it out; outlines of several photos are handed in as --mask, one for each.",
        )
    if sum(str(f) == "-" for f in photos) > 0:
        raise UsageError("Several photos can't come from standard input.", "Name the files.")


def _refuse_overwriting(inputs: list[Path], outputs: list[Path]) -> None:
    """An output never takes the place of an input or of another output."""
    taken = {f.resolve(): f for f in inputs if str(f) != "-"}
    for f in outputs:
        if f.resolve() in taken:
            raise UsageError(
                f"'{f}' is named twice, once as an output.", "Give each output a name of its own."
            )
        taken[f.resolve()] = f
