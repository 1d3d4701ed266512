"""`anodewane template`: list, show and make the new parts that worn ones are held against."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from anodewane.errors import UsageError

if TYPE_CHECKING:
    from anodewane.records import Template

F = TypeVar("F", bound=Callable[..., Any])
FILE = click.Path(path_type=Path)
MM = click.FloatRange(min=0, min_open=True)
NOT_LESS = click.FloatRange(min=0)


@click.group()
def template() -> None:
    """List, show and make new parts (templates): from the library, from measures, from a drawing, from a
    mesh, or from photos of the new part on the sheet."""


# --- list and show -------------------------------------------------------------------------------


@template.command("list", short_help="Name the templates of the library.")
def list_command() -> None:
    """Name the templates of the built-in library, with size, mount, alloy and new mass. Their
    sizes are invented."""
    from anodewane.catalog.templates import builtin_templates
    from anodewane.wear.solids import new_mass_g

    known = builtin_templates()
    wide = max(len(n) for n in known)
    for name, part in known.items():
        length, width = part.rings[0].max(axis=0) - part.rings[0].min(axis=0)
        holes = len(part.fixing_holes)
        plan = f"{length:.0f} x {width:.0f} x {part.thickness_mm:.0f} mm"
        fixings = f"{holes} fixing hole{'s' if holes > 1 else ''}" if holes else "no fixing holes"
        metal = f"{part.alloy:<10} {new_mass_g(part):>5.0f} g"
        click.echo(f"{name:<{wide}}  {plan:<20} {part.solid:<6} {part.mount:<6} {metal}  {fixings}")


@template.command("show", short_help="Print a template's figures, and draw it.")
@click.argument("name", metavar="NAME|FILE")
@click.option(
    "--svg", "svg_file", metavar="FILE.svg", type=FILE, help="Write a dimensioned drawing at true size."
)
@click.option("--png", "png_file", metavar="FILE.png", type=FILE, help="Write the drawing as a picture.")
@click.option(
    "--toml",
    "toml_file",
    metavar="FILE.toml",
    type=FILE,
    help="Write the template as a file, to change and use.",
)
def show_command(name: str, svg_file: Path | None, png_file: Path | None, toml_file: Path | None) -> None:
    """Print the figures of a template: area, volume, new mass, fixing holes; draw it with its dimensions."""
    from anodewane.catalog.template_drawing import drawing_png, drawing_svg, figures_text
    from anodewane.catalog.templates import load_template, template_digest, template_to_toml
    from anodewane.files import write_atomic

    outputs = {".svg": svg_file, ".png": png_file, ".toml": toml_file}
    for suffix, file in outputs.items():
        _check_output(file, suffix, Path(name))
    if len({f.resolve() for f in outputs.values() if f}) < sum(f is not None for f in outputs.values()):
        raise UsageError("Two outputs have the same name.", "Give each output a name of its own.")
    part = load_template(name)
    for what, figure in figures_text(part, template_digest(part)):
        click.echo(f"{what + ':':<24}{figure}")
    if svg_file:
        write_atomic(svg_file, drawing_svg(part).encode())
    if png_file:
        write_atomic(png_file, drawing_png(part))
    if toml_file:
        write_atomic(toml_file, template_to_toml(part).encode())


# --- what every maker asks -----------------------------------------------------------------------


def _about_the_part(f: F) -> F:
    """The options that say what a drawing or a few measures don't."""
    for option in reversed(
        (
            click.option(
                "--out",
                "out_file",
                metavar="FILE.toml",
                type=FILE,
                required=True,
                help="Template file to write.",
            ),
            click.option(
                "--name",
                metavar="NAME",
                help="Name of the template.  [default: the file's, or the shape and its size]",
            ),
            click.option(
                "--mount",
                type=click.Choice(["flush", "open"]),
                help="flush: the face that lies down is dry; open: water all round.  "
                "[default: flush; of a rod or a collar: open]",
            ),
            click.option(
                "--alloy",
                type=click.Choice(["zinc", "aluminium", "magnesium"]),
                default="zinc",
                show_default=True,
                help="What it is cast of.",
            ),
            click.option(
                "--new-mass",
                "new_mass_g",
                metavar="GRAMS",
                type=MM,
                help="What the new part weighs.  [default: volume times density]",
            ),
            click.option(
                "--fill-factor",
                metavar="X",
                type=click.FloatRange(0, 1.5, min_open=True),
                help="Metal volume over outline area times thickness.  [default: 1]",
            ),
            click.option(
                "--washer",
                "washer_mm",
                metavar="MM",
                type=MM,
                help="Outer diameter of the washers on its fixing holes.",
            ),
            click.option(
                "--core-depth",
                "core_depth_mm",
                metavar="MM",
                type=MM,
                help="Metal over a steel core, where there is one.",
            ),
            click.option(
                "--mirror-ok/--one-way-up",
                "mirror_ok",
                default=None,
                help="Whether it may lie either face up.  [default: open ones may]",
            ),
        )
    ):
        f = option(f)
    return f


def _about_the_casting(f: F, flag: bool = True) -> F:
    """The options that say how a casting's walls and top run over its outline."""
    if flag:
        f = click.option(
            "--cast",
            "solid",
            flag_value="cast",
            default=None,
            help="A casting whose draft, edges and crown nobody measured.",
        )(f)
    for option in reversed(
        (
            click.option(
                "--draft",
                "draft_deg",
                metavar="DEG",
                type=click.FloatRange(0, 45),
                help="By how much its walls lean inward from the foot. This, --edge-radius and --crown make "
                "it a casting; what isn't given of the three is unknown, which widens the interval.",
            ),
            click.option(
                "--edge-radius",
                "edge_radius_mm",
                metavar="MM",
                type=NOT_LESS,
                help="Radius of its upper edges.",
            ),
            click.option(
                "--crown",
                "crown_mm",
                metavar="MM",
                type=NOT_LESS,
                help="How far its top rises from the shoulder to the middle.",
            ),
            click.option(
                "--section",
                metavar="'U,Z U,Z ...'",
                help="Distance from the outline and height, from the foot up, in place of draft and crown.",
            ),
        )
    ):
        f = option(f)
    return f


def _about_its_bolts(f: F) -> F:
    """The options of counterbores."""
    for option in reversed(
        (
            click.option(
                "--counterbore",
                "counterbore_mm",
                metavar="MM",
                type=MM,
                help="Diameter of the counterbores of its fixing holes.",
            ),
            click.option(
                "--counterbore-depth",
                "counterbore_depth_mm",
                metavar="MM",
                type=MM,
                help="How far their floors lie below the thickness; of a collar, below its outside.",
            ),
        )
    ):
        f = option(f)
    return f


def _about_a_drawing(f: F) -> F:
    """The options of a part that is drawn or photographed."""
    for option in reversed(
        (
            click.option(
                "--thickness",
                "thickness_mm",
                metavar="MM",
                type=MM,
                required=True,
                help="Height above the face that lies down; of a rod, its diameter.",
            ),
            click.option(
                "--solid",
                type=click.Choice(["plate", "rod", "cast"]),
                default=None,
                help="plate: a prism; rod: a round bar lying on its side; cast: a casting, known by what "
                "--draft, --edge-radius, --crown or --section say.  [default: plate, cast with one of them]",
            ),
            click.option(
                "--fixings",
                type=click.Choice(["auto", "none"]),
                default="auto",
                show_default=True,
                help="auto: holes of 3 to 40 mm are fixing holes.",
            ),
        )
    ):
        f = option(f)
    # --solid stands above for the flag --cast
    return _about_the_part(_about_its_bolts(_about_the_casting(f, flag=False)))


def _check_output(file: Path | None, suffix: str, *inputs: Path) -> None:
    from anodewane.files import check_writable

    if file is None:
        return
    if file.suffix.lower() != suffix:
        raise UsageError(f"The output '{file.name}' doesn't end in {suffix}.", f"End its name in {suffix}.")
    if any(file.resolve() == i.resolve() for i in inputs):
        raise UsageError(f"'{file}' is named twice, once as an output.", "Give the output a name of its own.")
    check_writable(file)


def _write(part: Template, out_file: Path) -> None:
    from anodewane.catalog.templates import template_digest, template_to_toml
    from anodewane.files import write_atomic
    from anodewane.wear.solids import new_area, new_mass_g

    write_atomic(out_file, template_to_toml(part).encode())
    holes = len(part.fixing_holes)
    click.echo(
        f"Wrote {out_file}: '{part.name}', {new_area(part):.0f} mm² in plan, {new_mass_g(part):.0f} g new, "
        f"{holes} fixing hole{'' if holes == 1 else 's'}, sha256 {template_digest(part)[:12]}. "
        f"Look at it: anodewane template show {out_file} --svg FILE.svg",
        err=True,
    )
    if not part.profile_known:
        from anodewane.catalog.form_keys import unknown_words

        click.echo(
            f"Nobody measured its {unknown_words(part)}, which widens every interval. What narrows it most: "
            "weigh the new part (--new-mass), or measure them.",
            err=True,
        )


def _given(options: dict[str, Any]) -> dict[str, Any]:
    """The options that were given: the makers' own defaults stand for the others. A rod's mount is open."""
    given = {k: v for k, v in options.items() if v is not None}
    if given.get("solid") == "rod":
        given.setdefault("mount", "open")
    return given


# --- make ----------------------------------------------------------------------------------------


class _ShapeGroup(click.Group):
    """One command a shape, its options read off the maker's parameters when it is asked for."""

    def list_commands(self, _ctx: click.Context) -> list[str]:
        return list(SHAPE_TEXT)

    def get_command(self, _ctx: click.Context, cmd_name: str) -> click.Command | None:
        return _shape_command(cmd_name) if cmd_name in SHAPE_TEXT else None

    def format_commands(self, _ctx: click.Context, formatter: click.HelpFormatter) -> None:
        # From the table, so that a list of the shapes needs no maker to be loaded.
        with formatter.section("Shapes"):
            formatter.write_dl(list(SHAPE_TEXT.items()))


SHAPE_TEXT = {
    "plate": "Rectangular plate with round holes or slots.",
    "disc": "Disc with a centre hole or holes on a pitch circle.",
    "ring": "Ring round a shaft or spigot.",
    "triangle": "Triangle with one or three holes.",
    "wedge": "Plate that narrows to one end, and thins where asked.",
    "teardrop": "Round nose and narrow tail.",
    "bar": "Long bar with round ends.",
    "half-collar": "Half of a clamp-on shaft collar, seen along the shaft.",
    "rod": "Round rod lying on its side.",
    "block": "Deep block, its bolts in counterbores.",
    "strap-bar": "Bar cast round a steel strap.",
    "stepped-ring": "Ring with a lower rim.",
    "nut": "Cone over a shaft's end, standing on its foot.",
    "collar": "Half of a barrel-shaped shaft collar, lying on its split face.",
}


@template.command("make", cls=_ShapeGroup, short_help="Make a template from measures.")
def make_command() -> None:
    """Make a template of a shape from its measures in millimetres."""


def _shape_command(shape: str) -> click.Command:
    import inspect

    from anodewane.catalog.shapes import OWN_FORM, PARAMETER_TEXT, SHAPES

    maker = SHAPES[shape]
    options: list[click.Parameter] = []
    for key, parameter in inspect.signature(maker).parameters.items():
        if parameter.kind is inspect.Parameter.VAR_KEYWORD:
            continue
        needed = parameter.default is inspect.Parameter.empty
        counted = key in ("holes", "hole_rows", "slots")
        plain = key == "barrel"
        # click takes an explicit default of None for an answer, so a required option gets none at all
        rest: dict[str, Any] = (
            {"required": True}
            if needed
            else {"default": parameter.default, "show_default": parameter.default is not None}
        )
        options.append(
            click.Option(
                ["--" + key.removesuffix("_mm").replace("_", "-"), key],
                type=click.IntRange(0, 50) if counted else click.FloatRange(min=0),
                metavar="N" if counted else "X" if plain else "MM",
                help=PARAMETER_TEXT[key],
                **rest,
            )
        )

    @_about_the_part
    def make(out_file: Path, **given: Any) -> None:
        _check_output(out_file, ".toml")
        _write(maker(**_given(given)), out_file)

    if shape != "rod":
        make = _about_its_bolts(make)
    if shape not in OWN_FORM:
        make = _about_the_casting(make)
    common = list(reversed(make.__click_params__))  # type: ignore[attr-defined]
    return click.Command(
        shape,
        params=[*options, *common],
        callback=make,
        help=inspect.getdoc(maker),
        short_help=SHAPE_TEXT[shape],
    )


# --- from a drawing or a photo -------------------------------------------------------------------


@template.command("from-svg", short_help="Make a template from an SVG drawing.")
@click.argument("drawing", metavar="DRAWING.svg", type=FILE)
@_about_a_drawing
def from_svg_command(drawing: Path, out_file: Path, name: str | None, **given: Any) -> None:
    """Make a template from an SVG drawing of the new part seen from above.

    The document must state its width and height in mm, cm or in, with a viewBox. Its largest closed
    line is the outline, those inside are holes.
    """
    from anodewane.catalog.svg_template import template_from_svg
    from anodewane.files import read_bytes

    _check_output(out_file, ".toml", drawing)
    _write(template_from_svg(read_bytes(drawing, "drawing"), name or drawing.stem, **_given(given)), out_file)


@template.command("from-dxf", short_help="Make a template from a DXF drawing.")
@click.argument("drawing", metavar="DRAWING.dxf", type=FILE)
@click.option(
    "--units",
    type=click.Choice(["mm", "cm", "m", "in"]),
    help="The drawing's unit.  [default: as its header says]",
)
@_about_a_drawing
def from_dxf_command(drawing: Path, out_file: Path, name: str | None, **given: Any) -> None:
    """Make a template from a DXF drawing of the new part seen from above: the closed lines of
    its model space.

    The largest closed line is the outline, those inside are holes. Words, dimensions and layers that
    are off are passed over.
    """
    from anodewane.catalog.dxf_template import template_from_dxf
    from anodewane.files import read_bytes

    _check_output(out_file, ".toml", drawing)
    _write(template_from_dxf(read_bytes(drawing, "drawing"), name or drawing.stem, **_given(given)), out_file)


@template.command("from-mesh", short_help="Make a template from an STL or 3MF mesh.")
@click.argument("mesh", metavar="PART.stl|PART.3mf", type=FILE)
@click.option(
    "--units",
    type=click.Choice(["mm", "cm", "m", "in"]),
    help="What a length of 1 is.  [default: as a 3MF says; of an STL: mm]",
)
@click.option(
    "--up",
    type=click.Choice(["z", "-z", "y", "-y", "x", "-x"]),
    default="z",
    show_default=True,
    help="Which axis of the mesh points up as the part lies for its photo.",
)
@click.option(
    "--fixings",
    type=click.Choice(["auto", "none"]),
    default="auto",
    show_default=True,
    help="auto: holes right through of 3 to 40 mm are fixing holes.",
)
@_about_the_part
def from_mesh_command(
    mesh: Path, out_file: Path, name: str | None, units: str | None, up: str, **given: Any
) -> None:
    """Make a template from a mesh of the new part: the wasting metal alone, one closed body.

    It is laid on its lowest point, as it is photographed. The template holds the mesh itself, so that
    it stands without the file.
    """
    from anodewane.catalog.mesh_template import template_from_mesh
    from anodewane.files import read_bytes

    _check_output(out_file, ".toml", mesh)
    part = template_from_mesh(
        read_bytes(mesh, "mesh"), mesh.name, name or mesh.stem, unit=units, up=up, **_given(given)
    )
    _write(part, out_file)


@template.command("from-photo", short_help="Make a template from photos of the new part.")
@click.argument("photos", metavar="PHOTO...", type=FILE, nargs=-1, required=True)
@click.option(
    "--check-line",
    metavar="MM",
    type=click.FloatRange(80, 120),
    help="What the sheet's 100 mm lines measure.",
)
@click.option(
    "--segmenter",
    type=click.Choice(["network", "classical"]),
    default="network",
    show_default=True,
    help="Who tells metal from the rest.",
)
@_about_a_drawing
def from_photo_command(
    photos: tuple[Path, ...],
    out_file: Path,
    name: str | None,
    check_line: float | None,
    segmenter: str,
    thickness_mm: float,
    solid: str | None,
    **given: Any,
) -> None:
    """Make a template from one to six photos of the new part on or beside the sheet, on a ground that
    contrasts with it.

    One photo, from straight above and 700 mm away or more, gives the outline; the part is then a casting
    of unknown profile, unless --draft, --edge-radius, --crown or --section say more. Photos from lower
    down, with part and sheet left where they are, give the profile too; a weight (--new-mass) makes it
    surer. The outline is straightened by 0.1 mm at most, and round holes are made round.
    """
    from anodewane.catalog.photo_template import template_from_outline
    from anodewane.errors import CannotJudge, ExitCode
    from anodewane.files import read_bytes
    from anodewane.judgement.method import Method
    from anodewane.judgement.new_part import outline_of_new_part
    from anodewane.records import Given
    from anodewane.refusals import refusal_reason
    from anodewane.stages.load import load_photo
    from anodewane.views.new_part import new_casting, told_of

    _check_output(out_file, ".toml", *photos)
    loaded = [load_photo(read_bytes(p), p.name) for p in photos]
    known = Given(check_line_mm=(check_line, check_line) if check_line is not None else None)
    name = name or photos[0].stem
    options = _given({"solid": solid, **given})
    told: list[str] = []
    try:
        if solid in ("plate", "rod") and len(loaded) == 1:
            outline = outline_of_new_part(loaded[0], thickness_mm, solid, known, Method(segmenter=segmenter))
        else:
            part = new_casting(loaded, thickness_mm, name, options, known, Method(segmenter=segmenter))
            outline, told = part.rings, told_of(part)
    except CannotJudge as refusal:
        reason = refusal_reason(refusal)
        click.echo(f"anodewane: {reason.message} {reason.remedy}", err=True)
        click.get_current_context().exit(int(ExitCode.CANNOT_JUDGE))
    _write(template_from_outline(outline, name, thickness_mm, **options), out_file)
    for line in told:
        click.echo(line, err=True)


command = template
