"""``anodewane judge``: a photo in, a verdict out."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from anodewane.cli._judging import (
    AS_JSON,
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

    from anodewane.judgement.method import Method
    from anodewane.record import Verdict
    from anodewane.records import ManualOutline, Photo, Template


@click.command(short_help="Judge one photo.")
@click.argument(
    "photos", metavar="PHOTO...", nargs=-1, required=True, type=click.Path(path_type=Path, allow_dash=True)
)
@click.option(
    "--same-part",
    is_flag=True,
    help="The photos show one part that lay still by one sheet: judge them together. One of them from "
    "above; two to eight in all.",
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
    help="Remaining metal painted by hand: white on black, the size of the upright photo. With --same-part "
    "one for each photo, in their order.",
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
@options(AS_JSON)
@click.pass_context
def judge(ctx: click.Context, /, **asked: Any) -> None:
    """Judge one photo, or several of one part: how much of the part is gone, how sure that is, and
    whether to replace it.

    PHOTO is a JPEG, HEIC, PNG or WebP file, or - for standard input. A terminal gets a few lines;
    piped, or with --json, the record (JSON) goes to standard output and nothing else does. A readable
    photo that can't be judged gets a record too, with reasons and what to do, and exit code 4.

    With --same-part two to eight photos of one part, lying untouched by (or on) the same sheet, are
    judged together: one from above, the others from the side.

    With --book the photo is judged against the part that the season's book has at that boat and
    position, and the record is kept there.
    """
    from anodewane.cli._stdout import answer_only, on_terminal

    o = _Asked(**asked)
    _check(o)
    terminal = on_terminal()
    as_text = o.as_text or (terminal and not o.as_json)
    with answer_only() as answer, ExitStack() as stack:
        from anodewane.files import write_atomic
        from anodewane.show.record_json import verdict_to_json
        from anodewane.show.words import text_summary

        _check_files(o)
        photos, outlines = _read(o)
        part, method, keep = _by_the_book(o, stack)
        verdict = _verdict(o, photos, outlines, part, method)
        record = verdict_to_json(verdict)
        # The record first: should the picture fail, what was found isn't lost.
        answer(text_summary(verdict) if as_text else record)
        if o.out_file:
            write_atomic(o.out_file, record.encode())
        keep(record.encode())
        if o.overlay_file:
            _draw(o, photos, verdict, o.overlay_file)
        if not terminal and not as_text and sys.stderr.isatty():
            click.echo(text_summary(verdict), err=True, nl=False)
    ctx.exit(int(ExitCode.JUDGED if verdict.status == "judged" else ExitCode.CANNOT_JUDGE))


@dataclass(frozen=True, slots=True)
class _Asked:
    """The command line."""

    photos: tuple[Path, ...]
    same_part: bool
    other_side: tuple[Path, ...]
    template: str | None
    settings_file: Path | None
    limit: float | None
    check_line: tuple[float, float] | None
    weighed: float | None
    thickness: float | None
    segmenter: str
    camera_file: Path | None
    mask_files: tuple[Path, ...]
    outline_file: Path | None
    outlined_by: str | None
    outlined_when: str | None
    out_file: Path | None
    overlay_file: Path | None
    book_file: Path | None
    hauled_on: date | None
    boat: str | None
    position: str | None
    as_text: bool
    as_json: bool


def _check(o: _Asked) -> None:
    """Refuse options that don't go together."""
    if o.as_text and o.as_json:
        raise UsageError("Both --text and --json were given.", "Give one of them.")
    if not o.same_part:
        if len(o.photos) > 1:
            raise UsageError(
                f"{len(o.photos)} photos were given.",
                "Give --same-part when they show one part; judge several parts with 'anodewane batch' or "
                "one by one.",
            )
        if o.other_side:
            raise UsageError("--other-side belongs to several photos of one part.", "Give --same-part too.")
        if len(o.mask_files) > 1:
            raise UsageError(
                "More than one mask was given.", "Give one, or --same-part and one for each photo."
            )
    else:
        if o.outline_file:
            raise UsageError(
                "--outline is for one photo.",
                "Leave it out; outlines of several photos are handed in as --mask, one for each.",
            )
        if any(str(f) == "-" for f in o.photos):
            raise UsageError("Several photos can't come from standard input.", "Name the files.")
    if o.mask_files and o.outline_file:
        raise UsageError("Both a mask and an outline were given.", "Give one of --mask and --outline.")
    if (o.outlined_by or o.outlined_when) and not (o.mask_files or o.outline_file):
        raise UsageError(
            "--by and --when belong to a mask or an outline.",
            "Give --mask or --outline too, or leave them out.",
        )
    if o.book_file is None and (o.boat or o.position or o.hauled_on):
        raise UsageError(
            "--boat, --position and --hauled belong to a book.", "Give --book too, or leave them out."
        )
    if o.book_file is not None and (o.boat is None or o.position is None):
        raise UsageError("A book needs the boat and the position.", "Give --boat and --position.")


def _check_files(o: _Asked) -> None:
    """Find out before the judging that nothing is overwritten and that outputs can be written."""
    from anodewane.files import check_writable

    outputs = [f for f in (o.out_file, o.overlay_file) if f]
    inputs = (*o.photos, *o.other_side, *o.mask_files, o.outline_file)
    _refuse_overwriting([f for f in (*inputs, o.book_file, o.settings_file, o.camera_file) if f], outputs)
    if o.overlay_file:
        from anodewane.show.canvas import check_picture_name

        check_picture_name(o.overlay_file)
    for f in outputs:
        check_writable(f)


def _read(o: _Asked) -> tuple[list[Photo], list[ManualOutline]]:
    """The photos, those of the other side behind, and the outlines by hand."""
    from anodewane.files import read_bytes
    from anodewane.judgement.manual_outline import read_manual_outline
    from anodewane.stages.load import load_photo

    photos = [
        load_photo(read_bytes(f), "standard input" if str(f) == "-" else f.name)
        for f in (*o.photos, *o.other_side)
    ]
    outlines = [
        read_manual_outline(f, is_mask=f is not o.outline_file, by=o.outlined_by, when=o.outlined_when)
        for f in (*o.mask_files, *([o.outline_file] if o.outline_file else []))
    ]
    return photos, outlines


def _by_the_book(o: _Asked, stack: ExitStack) -> tuple[Template | None, Method, Callable[[bytes], None]]:
    """The new part and how it is judged, as the season's book has them where there is one; and what
    keeps the record in it."""
    part = template_of(o.template)
    method = method_of(o.settings_file, o.limit, o.segmenter, o.camera_file)
    if o.book_file is None or o.boat is None or o.position is None:
        return part, method, lambda _: None
    from anodewane.book.listing import refresh
    from anodewane.book.parts import photo_place, with_face_scale
    from anodewane.book.store import open_book

    book = stack.enter_context(open_book(o.book_file))
    place = photo_place(book, o.boat, o.position, o.hauled_on, part)

    def keep(record: bytes) -> None:
        place.keep(record, method.settings)
        refresh(book)
        where = f"'{place.position}' of '{place.boat}', hauled out {place.hauled_on}"
        click.echo(f"Kept in {o.book_file}: {where}.", err=True)

    return part or place.template, with_face_scale(method, book, place.template), keep


def _verdict(
    o: _Asked,
    photos: list[Photo],
    outlines: list[ManualOutline],
    part: Template | None,
    method: Method,
) -> Verdict:
    from anodewane.records import Given

    given = Given(o.weighed, o.thickness, o.check_line)
    if o.same_part:
        from anodewane.views.together import judge_together

        n = len(o.photos)
        return judge_together(
            photos[:n], part, given, method, other_side=photos[n:], outlines=outlines or None
        )
    from anodewane.judgement.pipeline import judge as judge_photo

    if outlines:
        given = replace(given, outline=outlines[0])
    return judge_photo(photos[0], part, given, method)


def _draw(o: _Asked, photos: list[Photo], verdict: Verdict, file: Path) -> None:
    """Write the picture of the judgement."""
    from anodewane.files import write_atomic
    from anodewane.show.canvas import encode_picture

    if o.same_part:
        from anodewane.show.overlay_of_views import overlay_together

        picture = overlay_together(photos, verdict)
    else:
        from anodewane.show.overlay import overlay

        picture = overlay(photos[0], verdict)
    write_atomic(file, encode_picture(picture, file.suffix))


def _refuse_overwriting(inputs: list[Path], outputs: list[Path]) -> None:
    """An output never takes the place of an input or of another output."""
    taken = {f.resolve(): f for f in inputs if str(f) != "-"}
    for f in outputs:
        if f.resolve() in taken:
            raise UsageError(
                f"'{f}' is named twice, once as an output.", "Give each output a name of its own."
            )
        taken[f.resolve()] = f
