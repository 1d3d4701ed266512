"""``anodewane judge``: a photo in, a verdict out."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from anodewane.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from anodewane.settings import Settings

FILE = click.Path(path_type=Path)


class _CheckLine(click.ParamType):  # type: ignore[type-arg]
    """X or X,Y in millimetres."""

    name = "X[,Y]"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, float]:
        if isinstance(value, tuple):
            return value
        try:
            numbers = [float(v) for v in str(value).split(",")]
        except ValueError:
            self.fail(f"'{value}' isn't one or two lengths in millimetres, such as 97.2 or 97.2,99.8.", param, ctx)
        if len(numbers) not in (1, 2) or not all(80 <= v <= 120 for v in numbers):
            self.fail(f"'{value}' isn't one or two lengths from 80 to 120 mm, such as 97.2 or 97.2,99.8.", param, ctx)
        return numbers[0], numbers[-1]


@click.command(short_help="Judge one photo.")
@click.argument("photo", metavar="PHOTO", type=click.Path(path_type=Path, allow_dash=True))
@click.option("--template", metavar="NAME|FILE", help="The new part: a name of 'anodewane template list', or a file. Without it the best fit of the library is taken.")
@click.option("--settings", "settings_file", metavar="FILE.toml", type=FILE, help="Settings, such as limit_pct and its basis.")
@click.option("--limit", metavar="PCT", type=click.FloatRange(1, 100), help="Share of the mass at which the part is to be replaced; 50 by default.")
@click.option("--check-line", metavar="X[,Y]", type=_CheckLine(), help="What the sheet's 100 mm lines measure, in mm; one figure stands for both.")
@click.option("--weighed", metavar="GRAMS", type=click.FloatRange(0, min_open=True), help="What is left of the part, on the scales, clean and dry.")
@click.option("--thickness", metavar="MM", type=click.FloatRange(0, min_open=True), help="Mean thickness of what is left, by calliper.")
@click.option("--segmenter", type=click.Choice(["network", "classical"]), default="network", show_default=True, help="Who tells metal from the rest.")
@click.option("--camera", "camera_file", metavar="PROFILE.toml", type=FILE, help="The phone's lens, as 'anodewane camera' measured it.")
@click.option("--mask", "mask_file", metavar="FILE.png", type=FILE, help="Remaining metal painted by hand: white on black, the size of the upright photo.")
@click.option("--outline", "outline_file", metavar="FILE", type=FILE, help="Remaining metal outlined by hand: SVG or GeoJSON, in pixels of the upright photo.")
@click.option("--by", "handed_by", metavar="NAME", help="Who made the mask or outline; kept in the record.")
@click.option("--when", "handed_when", metavar="TEXT", help="When it was made; kept in the record.")
@click.option("--out", "out_file", metavar="FILE.json", type=FILE, help="Write the record to a file too.")
@click.option("--overlay", "overlay_file", metavar="FILE.png|jpg", type=FILE, help="Write a picture with both outlines, the figures and the verdict.")
@click.option("--trace", "trace_folder", metavar="FOLDER", type=FILE, help="Leave a picture of each stage in a folder.")
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
    as_text: bool,
) -> None:
    """Judge one photo: how much of the part is gone, how sure that is, and whether to replace it.

    PHOTO is a JPEG, HEIC, PNG or WebP file, or - for standard input. The record (JSON) goes to standard output and nothing else does; a readable photo that
    can't be judged gets a record too, with reasons and what to do, and exit code 4.
    """
    from anodewane.cli._stdout import answer_only

    if mask_file and outline_file:
        raise UsageError("Both a mask and an outline were given.", "Give one of --mask and --outline.")
    if (handed_by or handed_when) and not (mask_file or outline_file):
        raise UsageError("--by and --when belong to a mask or an outline.", "Give --mask or --outline too, or leave them out.")
    with answer_only() as answer:
        from anodewane.files import check_folder, check_writable, read_bytes, write_atomic

        outputs = [f for f in (out_file, overlay_file) if f]
        inputs = [f for f in (photo, settings_file, camera_file, mask_file, outline_file) if f]
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
        settings = _settings(settings_file, limit, check_line, weighed, thickness)

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
            _template(template),
            settings,
            segmenter=None if handed else _segmenter(segmenter),
            mask=handed.mask if handed else None,
            profile=_profile(camera_file),
            trace=FolderTrace(trace_folder) if trace_folder else None,
        )
        if handed:
            verdict = handed.sign(verdict)
        record = verdict_to_json(verdict)
        # The record first: should the picture fail, what was found isn't lost.
        answer(text_summary(verdict) if as_text else record)
        if out_file:
            write_atomic(out_file, record.encode())
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


def _settings(file: Path | None, limit: float | None, check_line: tuple[float, float] | None, weighed: float | None, thickness: float | None) -> Settings:
    from dataclasses import replace

    from anodewane.files import read_text
    from anodewane.settings import Settings, settings_from_toml

    settings = settings_from_toml(read_text(file, "settings file")) if file else Settings()
    if limit is not None:
        settings = replace(settings, limit_pct=limit, monitor_from_pct=min(settings.monitor_from_pct, limit), basis="set on the command line")
    if check_line is not None:
        settings = replace(settings, check_line_x_mm=check_line[0], check_line_y_mm=check_line[1], check_line_given=True)
    return replace(settings, weighed_g=weighed or settings.weighed_g, thickness_given_mm=thickness or settings.thickness_given_mm)


def _template(given: str | None) -> Any:
    if given is None:
        return None
    from anodewane.catalog.templates import load_template

    return load_template(given)


def _segmenter(name: str) -> Any:
    from anodewane.stages.segment import get_segmenter

    return get_segmenter(name)


def _profile(file: Path | None) -> Any:
    if file is None:
        return None
    from anodewane.catalog.lens import lens_profile_from_toml
    from anodewane.files import read_text

    return lens_profile_from_toml(read_text(file, "lens profile"))
