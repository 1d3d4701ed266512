"""`anodewane template`: what it prints and writes, and what it says when it can't."""

from __future__ import annotations

import hashlib
import io
from pathlib import Path

import click
import numpy as np
import pytest
from PIL import Image

from anodewane.catalog.shapes import OWN_FORM, SHAPES
from anodewane.catalog.templates import builtin_templates, load_template, template_digest, template_to_toml
from anodewane.cli import main
from anodewane.cli.template import SHAPE_TEXT, template
from anodewane.errors import CannotJudge, ExitCode
from anodewane.geometry.rings import rings_area

SVG = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="120mm" height="60mm" viewBox="0 0 120 60">'
    '<path d="M0 0H120V60H0Z"/><circle cx="30" cy="30" r="5"/></svg>'
)

SAMPLE = Path(__file__).parents[2] / "sample_images" / "watch.jpg"


def run(capsys, *argv):
    code = main(["template", *map(str, argv)])
    out, err = capsys.readouterr()
    assert "Traceback" not in err
    return code, out, err


def test_list_names_the_library(capsys):
    code, out, err = run(capsys, "list")
    assert (code, err) == (ExitCode.JUDGED, "")
    lines = out.splitlines()
    assert [line.split()[0] for line in lines] == list(builtin_templates())
    assert any("cast   flush  zinc        1775 g  2 fixing holes" in line for line in lines)


def test_show_prints_figures_and_draws(tmp_path, capsys):
    from PIL import Image

    svg, png, toml = tmp_path / "å.svg", tmp_path / "b.png", tmp_path / "c.toml"
    code, out, _ = run(capsys, "show", "disc-160x30-4holes", "--svg", svg, "--png", png, "--toml", toml)
    assert code == ExitCode.JUDGED
    part = builtin_templates()["disc-160x30-4holes"]
    assert f"{rings_area(part.rings):.0f} mm²" in out
    assert template_digest(part) in out
    assert out.count("fixing hole ") == 4
    assert template_digest(load_template(str(toml))) == template_digest(part)
    with Image.open(png) as picture:
        assert picture.size[0] == pytest.approx(1400, abs=4)
        grey = np.asarray(picture.convert("L"))
    assert (grey > 250).any() and (grey < 60).any(), "ink on white"
    assert svg.read_text("utf-8").startswith("<svg")


@pytest.mark.parametrize("name", builtin_templates())
def test_the_drawing_is_at_true_size(name):
    """Its outline, read back by svgelements at 25.4 pixels an inch, is the part's own."""
    import svgelements

    from anodewane.catalog.template_drawing import drawing_svg

    part = builtin_templates()[name]
    drawing = svgelements.SVG.parse(io.BytesIO(drawing_svg(part).encode()), ppi=25.4)
    plan = max((e for e in drawing.elements() if isinstance(e, svgelements.Path)), key=lambda p: len(p))
    x0, y0, x1, y1 = plan.bbox()
    assert (x1 - x0, y1 - y0) == pytest.approx(tuple(np.ptp(part.rings[0], axis=0)), abs=0.01)
    texts = [t.text for t in drawing.elements() if isinstance(t, svgelements.Text)]
    length, width = np.ptp(part.rings[0], axis=0)
    assert f"{length:.1f}" in texts
    assert f"{width:.1f}" in texts
    assert f"{part.thickness_mm:g}" in texts


MEASURES = {
    "plate": ["--length", 150, "--width", 70, "--thickness", 18, "--holes", 2],
    "disc": ["--diameter", 100, "--thickness", 20, "--centre-hole", 12],
    "ring": ["--diameter", 100, "--bore", 50, "--thickness", 15],
    "triangle": ["--base", 120, "--height", 100, "--thickness", 20],
    "wedge": ["--length", 140, "--wide", 70, "--narrow", 40, "--thickness", 20, "--thin-end", 12],
    "teardrop": ["--length", 140, "--width", 60, "--thickness", 20],
    "bar": ["--length", 200, "--width", 40, "--thickness", 30],
    "half-collar": ["--diameter", 90, "--bore", 40, "--length", 50],
    "rod": ["--length", 150, "--diameter", 24],
    "block": ["--length", 110, "--width", 60, "--thickness", 40],
    "strap-bar": ["--length", 220, "--width", 60, "--thickness", 30],
    "stepped-ring": ["--diameter", 140, "--bore", 80, "--thickness", 24],
    "nut": ["--diameter", 60, "--top", 26, "--thickness", 40],
    "collar": ["--length", 80, "--diameter", 72, "--end-diameter", 54, "--bore", 30],
}
SOLIDS = {"rod": "rod", "stepped-ring": "cast", "nut": "turned", "collar": "collar"}


@pytest.mark.parametrize("shape", SHAPES)
def test_every_shape_can_be_made(tmp_path, capsys, shape):
    path = tmp_path / f"{shape}.toml"
    code, out, err = run(
        capsys, "make", shape, *MEASURES[shape], "--alloy", "aluminium", "--name", "of a test", "--out", path
    )
    assert (code, out) == (ExitCode.JUDGED, ""), err
    part = load_template(str(path))
    assert (part.name, part.alloy) == ("of a test", "aluminium")
    assert part.mount == ("open" if shape in ("rod", "collar") else "flush")
    assert part.solid == SOLIDS.get(shape, "plate")
    assert template_digest(part)[:12] in err


@pytest.mark.parametrize("shape", [s for s in SHAPES if s not in OWN_FORM])
def test_every_plan_can_be_a_casting(tmp_path, capsys, shape):
    path = tmp_path / "cast.toml"
    measures = [m for m in MEASURES[shape] if m not in ("--thin-end", 12) or shape != "wedge"]
    drafted = (
        ["--draft", 4, "--edge-radius", 1, "--crown", 0] if shape != "stepped-ring" else ["--edge-radius", 1]
    )
    code, _, err = run(capsys, "make", shape, *measures, *drafted, "--out", path)
    assert code == ExitCode.JUDGED, err
    assert load_template(str(path)).profile_known
    code, _, err = run(capsys, "make", shape, *measures, "--cast", "--out", path)
    assert code == ExitCode.JUDGED, err
    assert not load_template(str(path)).profile_known
    assert "Nobody measured its " in err
    assert "--new-mass" in err


def test_a_template_from_a_mesh(tmp_path, capsys):
    """A box of trimesh's, in metres, and what is said when that is taken for millimetres."""
    import trimesh

    file, out = tmp_path / "box.stl", tmp_path / "box.toml"
    trimesh.creation.box((0.12, 0.06, 0.02)).export(file)
    code, _, err = run(capsys, "from-mesh", file, "--out", out)
    assert code == ExitCode.USAGE
    assert "Give --units m." in err
    assert not out.exists()
    code, _, err = run(
        capsys, "from-mesh", file, "--units", "m", "--up", "x", "--alloy", "aluminium", "--out", out
    )
    assert code == ExitCode.JUDGED, err
    part = load_template(str(out))
    assert (part.name, part.solid, part.alloy) == ("box", "mesh", "aluminium")
    assert part.thickness_mm == pytest.approx(120.0, abs=1e-4)  # an STL's figures are of single precision


CASTINGS = {
    "pad": ("plate", {"length_mm": 150, "width_mm": 75, "thickness_mm": 20, "holes": 2, "draft_deg": 12.0}),
    "bar": ("strap-bar", {"length_mm": 200, "width_mm": 50, "thickness_mm": 30, "draft_deg": 5.0}),
    "nut": ("nut", {"diameter_mm": 60, "top_mm": 26, "thickness_mm": 40, "centre_hole_mm": 11}),
    "collar": ("collar", {"length_mm": 80, "diameter_mm": 72, "end_diameter_mm": 54, "bore_mm": 30}),
}


@pytest.mark.parametrize("name", CASTINGS)
def test_show_tells_a_casting(tmp_path, capsys, name):
    shape, measures = CASTINGS[name]
    file, svg = tmp_path / "part.toml", tmp_path / "part.svg"
    file.write_text(template_to_toml(SHAPES[shape](**measures)), "utf-8")
    code, out, _ = run(capsys, "show", file, "--svg", svg)
    assert code == ExitCode.JUDGED
    said = {"pad": "draft 12°, unknown: edge radius and crown", "bar": "2 to 7 mm above the foot"}
    said |= {"nut": "60 mm at 0 mm, 26 mm at 40 mm", "collar": "bore 30 mm"}
    assert said[name] in out
    drawn = svg.read_text("utf-8")
    assert "A-A" in drawn
    assert ("stroke-dasharray" in drawn) or name == "nut"


def test_the_shapes_of_the_command_are_the_catalogue_s():
    assert list(SHAPE_TEXT) == list(SHAPES)


def test_every_option_has_help():
    def walk(command, path):
        assert command.help, path
        for param in command.params:
            assert not isinstance(param, click.Option) or param.help, (path, param.opts)
        if isinstance(command, click.Group):
            context = click.Context(command)
            for name in command.list_commands(context):
                walk(command.get_command(context, name), (*path, name))

    walk(template, ("template",))


def test_a_template_from_an_svg_and_a_dxf_drawing_are_the_same_part(tmp_path, capsys):
    import ezdxf

    drawn = tmp_path / "del.svg"
    drawn.write_text(SVG, "utf-8")
    document = ezdxf.new()
    document.units = 4
    space = document.modelspace()
    space.add_lwpolyline([(0, 0), (120, 0), (120, 60), (0, 60)], close=True)
    space.add_circle((30, 30), 5)
    document.saveas(tmp_path / "part.dxf")
    rest = ["--thickness", 20, "--washer", 22, "--name", "x"]
    assert run(capsys, "from-svg", drawn, *rest, "--out", tmp_path / "a.toml")[0] == ExitCode.JUDGED
    assert (
        run(capsys, "from-dxf", tmp_path / "part.dxf", *rest, "--out", tmp_path / "b.toml")[0]
        == ExitCode.JUDGED
    )
    a, b = load_template(str(tmp_path / "a.toml")), load_template(str(tmp_path / "b.toml"))
    assert rings_area(a.rings) == pytest.approx(rings_area(b.rings), rel=1e-5)
    assert a.fixing_holes[0].diameter_mm == pytest.approx(b.fixing_holes[0].diameter_mm, abs=0.005)
    assert a.fixing_holes[0].washer_mm == 22
    assert (
        run(capsys, "from-svg", drawn, "--thickness", 20, "--out", tmp_path / "c.toml")[0] == ExitCode.JUDGED
    )
    assert load_template(str(tmp_path / "c.toml")).name == "del"


def test_a_template_from_a_photo_takes_the_pipeline_s_outline(tmp_path, capsys, monkeypatch):
    """The photo's way to an outline is the pipeline's, tested there; here, that its outline, the check
    line and the options arrive."""
    import anodewane.judgement.new_part

    part = builtin_templates()["plate-120x60x16-2holes"]
    asked = {}

    def outline(photo, thickness_mm, solid, given, method):
        asked.update(
            sha256=photo.source.sha256,
            name=photo.source.name,
            thickness=thickness_mm,
            line=given.check_line_mm,
            solid=solid,
            segmenter=method.segmenter,
        )
        return part.rings

    monkeypatch.setattr(anodewane.judgement.new_part, "outline_of_new_part", outline)
    photo = tmp_path / "new.jpg"
    with Image.open(SAMPLE) as image:
        image.resize((400, 300)).save(photo)
    made = tmp_path / "new.toml"
    code, _, err = run(
        capsys,
        "from-photo",
        photo,
        "--thickness",
        16,
        "--check-line",
        98.5,
        "--segmenter",
        "classical",
        "--washer",
        22,
        "--alloy",
        "aluminium",
        "--solid",
        "plate",
        "--out",
        made,
    )
    assert code == ExitCode.JUDGED, err
    assert asked == {
        "sha256": hashlib.sha256(photo.read_bytes()).hexdigest(),
        "name": "new.jpg",
        "thickness": 16.0,
        "line": (98.5, 98.5),
        "solid": "plate",
        "segmenter": "classical",
    }
    got = load_template(str(made))
    assert got.name == "new"
    assert rings_area(got.rings) == pytest.approx(rings_area(part.rings), rel=1e-3)
    assert [h.washer_mm for h in got.fixing_holes] == [22.0, 22.0]

    def refuse(*_args, **_options):
        raise CannotJudge("no_sheet", "0 of 25 markers")

    monkeypatch.setattr(anodewane.judgement.new_part, "outline_of_new_part", refuse)
    made.unlink()
    code, _, err = run(capsys, "from-photo", photo, "--thickness", 16, "--solid", "plate", "--out", made)
    assert code == ExitCode.CANNOT_JUDGE
    assert "No scale sheet is seen in the photo (0 of 25 markers)." in err
    assert not made.exists()


@pytest.mark.parametrize(
    ("argv", "code", "words"),
    [
        (["show", "nosuch"], ExitCode.USAGE, "no template 'nosuch'"),
        (["show", "none.toml"], ExitCode.INPUT_UNREADABLE, "no template file"),
        (["show", "rod-180x25", "--svg", "x.png"], ExitCode.USAGE, "doesn't end in .svg"),
        (["show", "rod-180x25", "--svg", "nowhere/x.svg"], ExitCode.OUTPUT_NOT_WRITABLE, "no folder"),
        (["show", "part.toml", "--toml", "part.toml"], ExitCode.USAGE, "named twice"),
        (["make", "ball", "--out", "x.toml"], ExitCode.USAGE, "No such command"),
        (["make", "rod", "--length", "100", "--out", "x.toml"], ExitCode.USAGE, "--diameter"),
        (
            ["make", "rod", "--length", "0", "--diameter", "20", "--out", "x.toml"],
            ExitCode.USAGE,
            "length is 0 mm",
        ),
        (
            ["make", "rod", "--length", "100", "--diameter", "20", "--out", "x.txt"],
            ExitCode.USAGE,
            "doesn't end in .toml",
        ),
        (
            [
                "make",
                "disc",
                "--diameter",
                "80",
                "--thickness",
                "20",
                "--centre-hole",
                "79.9",
                "--out",
                "x.toml",
            ],
            ExitCode.USAGE,
            "touches the edge",
        ),
        (
            ["from-svg", "none.svg", "--thickness", "20", "--out", "x.toml"],
            ExitCode.INPUT_UNREADABLE,
            "no drawing",
        ),
        (
            ["from-svg", "part.toml", "--thickness", "20", "--out", "x.toml"],
            ExitCode.INPUT_UNREADABLE,
            "isn't an SVG drawing",
        ),
        (["from-svg", "part.svg", "--out", "x.toml"], ExitCode.USAGE, "--thickness"),
        (
            ["from-svg", "part.svg", "--thickness", "20", "--solid", "rod", "--out", "x.toml"],
            ExitCode.USAGE,
            "rod with holes",
        ),
        (
            ["from-dxf", "part.svg", "--thickness", "20", "--out", "x.toml"],
            ExitCode.INPUT_UNREADABLE,
            "isn't a whole DXF drawing",
        ),
        (
            ["from-photo", "none.jpg", "--thickness", "20", "--out", "x.toml"],
            ExitCode.INPUT_UNREADABLE,
            "no photo",
        ),
    ],
)
def test_what_cannot_be_done_is_said_in_one_sentence_and_writes_nothing(
    tmp_path, monkeypatch, capsys, argv, code, words
):
    monkeypatch.chdir(tmp_path)
    Path("part.svg").write_text(SVG, "utf-8")
    Path("part.toml").write_text(
        'name = "p"\noutline = "M 0 0 H 100 V 50 H 0 Z"\nthickness_mm = 20\n', "utf-8"
    )
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    got, out, err = run(capsys, *argv)
    assert got == code
    assert words in err
    assert out == ""
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before


SAMPLES = SAMPLE.parent


def test_a_template_from_one_photo_is_a_casting_of_unknown_profile(tmp_path, capsys):
    """A new dome of the samples: its outline to a per cent or two, its profile as nobody measured it, its
    weight as it was given."""
    truth = load_template(str(SAMPLES / "templates" / "yard-dome.toml"))
    made = tmp_path / "dome.toml"
    height = f"{truth.thickness_mm:.2f}"
    argv = ["from-photo", SAMPLES / "dome-new.jpg", "--thickness", height, "--new-mass", 1400, "--out", made]
    code, _, err = run(capsys, *argv)
    assert code == ExitCode.JUDGED, err
    got = load_template(str(made))
    assert (got.solid, got.profile_known, got.new_mass_g) == ("cast", False, 1400)
    assert rings_area(got.rings[:1]) == pytest.approx(rings_area(truth.rings[:1]), rel=0.03)
    assert "Nobody measured its draft, edge radius and crown" in err


def test_several_photos_and_a_profile_contradict_each_other(tmp_path, capsys):
    photos = [SAMPLES / "dome-above.jpg", SAMPLES / "dome-low.jpg"]
    code, _, err = run(
        capsys, "from-photo", *photos, "--thickness", 30, "--draft", 9, "--out", tmp_path / "x.toml"
    )
    assert code == ExitCode.USAGE
    assert "given together with its profile" in err
