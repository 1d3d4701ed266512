"""Template files, the library and digests."""

from __future__ import annotations

import dataclasses
import tomllib
from importlib.resources import files

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from anodewane.catalog import shapes
from anodewane.catalog.form_check import SOLIDS
from anodewane.catalog.form_keys import form_content, insert_content
from anodewane.catalog.paths import path_from_rings, rings_from_path
from anodewane.catalog.shapes import SHAPES
from anodewane.catalog.templates import (
    builtin_templates,
    load_template,
    template_digest,
    template_from_toml,
    template_to_toml,
)
from anodewane.errors import InputUnreadable, UsageError
from anodewane.geometry.rings import rings_area
from anodewane.records import CastForm, Insert
from anodewane.wear.metals import mass_g
from anodewane.wear.solids import new_mass_g, new_volume

SETTINGS = settings(max_examples=20, derandomize=True, deadline=None)
LIBRARY = builtin_templates()

PLATE = """
name = "plate of a test"
outline = "M -75 -40 L 75 -40 L 75 40 L -75 40 Z M -40 -5 h 10 v 10 h -10 z"
thickness_mm = 20
"""


def polygon(template):
    return shapely.Polygon(template.rings[0], template.rings[1:])


# --- the library ---------------------------------------------------------------------------------


def test_the_library_holds_to_every_check():
    """At run time its entries skip the checks; here none does."""
    table = tomllib.loads(files("anodewane.catalog").joinpath("library.toml").read_text("utf-8"))
    assert list(table) == list(LIBRARY)
    for name, entry in table.items():
        checked = SHAPES[entry.pop("shape")](name=name, **entry)
        assert template_digest(checked) == template_digest(LIBRARY[name])
    kinds = {t.solid for t in LIBRARY.values()}
    assert kinds == {"plate", "rod", "cast", "turned", "collar"}
    assert sum(t.form is not None for t in LIBRARY.values()) >= 20
    assert all(t.profile_known for t in LIBRARY.values())


def test_the_library_s_castings_weigh_what_their_volume_does():
    """Masses are invented, but must be those of the volumes: rounded to 5 g."""
    for name, template in LIBRARY.items():
        if template.form is not None:
            assert template.new_mass_g == pytest.approx(
                mass_g(template.alloy, new_volume(template)), abs=3, rel=3e-3
            ), name


def test_the_library_s_parts_can_be_told_apart():
    """New, no part fits into another's place: laid with their middles together and turned any quarter,
    any two outlines lie more than 4 mm apart somewhere."""
    parts = {name: shapely.Polygon(t.rings[0]) for name, t in LIBRARY.items()}
    names = list(parts)
    for i, a in enumerate(names):
        for b in names[i + 1 :]:
            apart = min(
                parts[a].hausdorff_distance(
                    shapely.affinity.scale(
                        shapely.affinity.rotate(parts[b], turn, origin="centroid"),
                        flip,
                        1.0,
                        origin="centroid",
                    )
                )
                for turn in (0, 90, 180, 270)
                for flip in (1.0, -1.0)
            )
            assert apart > 4.0, f"{a} and {b} are {apart:.1f} mm apart"


def test_the_library_s_masses_are_a_hand_s():
    for name, template in LIBRARY.items():
        assert 100 < new_mass_g(template) < 6000, name
        assert all(h.washer_mm is not None for h in template.fixing_holes), name


# --- files ---------------------------------------------------------------------------------------


def figures_of(holes):
    return [(h.ring, h.diameter_mm, h.washer_mm, h.counterbore_mm, h.counterbore_depth_mm) for h in holes]


@pytest.mark.parametrize("name", LIBRARY)
def test_a_template_is_the_same_before_and_after_its_file(name):
    template = LIBRARY[name]
    again = template_from_toml(template_to_toml(template))
    for field in dataclasses.fields(template):
        a, b = getattr(template, field.name), getattr(again, field.name)
        if field.name == "rings":
            assert all(np.array_equal(p, q) for p, q in zip(a, b, strict=True))
        elif field.name == "fixing_holes":
            assert figures_of(a) == figures_of(b)
        elif field.name == "form":
            assert type(a) is type(b)
            assert a is None or form_content(a) == form_content(b)
        elif field.name == "inserts":
            assert [insert_content(i) for i in a] == [insert_content(i) for i in b]
        elif field.name != "fill_factor":
            assert a == b, field.name
    assert again.fill_factor == pytest.approx(template.fill_factor, abs=1e-6)
    assert template_digest(again) == template_digest(template)


@SETTINGS
@given(
    st.floats(30, 400),
    st.floats(30, 200),
    st.floats(5, 60),
    st.integers(0, 3),
    st.sampled_from(["zinc", "aluminium", "magnesium"]),
    st.text(min_size=1, max_size=30),
)
def test_any_plate_survives_its_file(length, width, thickness, holes, alloy, name):
    name = name.strip()
    if not name or not name.isprintable():
        return
    template = shapes.rectangular_plate(
        length, width, thickness, holes=holes, hole_mm=6, alloy=alloy, name=name, washer_mm=11
    )
    again = template_from_toml(template_to_toml(template))
    assert again.name == name
    assert template_digest(again) == template_digest(template)


def test_the_digest_tells_every_field():
    template = LIBRARY["plate-200x100x28-2holes"]
    moved = tuple(r + np.array([0.001, 0]) for r in template.rings)
    changes = {
        "name": "other",
        "rings": moved,
        "thickness_mm": 28.1,
        "mount": "open",
        "solid": "rod",
        "alloy": "aluminium",
        "new_mass_g": 4000.0,
        "fill_factor": 0.99,
        "fixing_holes": template.fixing_holes[:1],
        "core_depth_mm": None,
        "mirror_ok": True,
        "inserts": (Insert((template.rings[1],), 2.0, 7.0),),
        "form": CastForm(12.0, 3.0, 2.0),
    }
    assert set(changes) == {f.name for f in dataclasses.fields(template)}
    digests = {
        template_digest(template),
        *(
            template_digest(
                dataclasses.replace(template, **{k: v} | ({"solid": "cast"} if k == "form" else {}))
            )
            for k, v in changes.items()
        ),
    }
    assert len(digests) == len(changes) + 1
    assert all(len(d) == 64 for d in digests)


def test_holes_by_ring_by_centre_and_made():
    by_ring = template_from_toml(PLATE + "[[fixing_holes]]\nring = 1\nwasher_mm = 22\n")
    by_centre = template_from_toml(PLATE + "[[fixing_holes]]\ncentre_mm = [-35.2, 0.3]\nwasher_mm = 22\n")
    assert figures_of(by_ring.fixing_holes) == figures_of(by_centre.fixing_holes)
    assert by_ring.fixing_holes[0].diameter_mm == pytest.approx(10)
    made = template_from_toml(PLATE + "[[fixing_holes]]\ncentre_mm = [35, 0]\ndiameter_mm = 12\n")
    assert made.fixing_holes[0].ring == 2
    assert made.fixing_holes[0].diameter_mm == 12
    assert rings_area(made.rings) == pytest.approx(150 * 80 - 100 - np.pi * 36, rel=1e-9)


def test_the_largest_subpath_is_the_outline_wherever_it_stands():
    swapped = template_from_toml(
        'name = "x"\noutline = "M -40 -5 h 10 v 10 h -10 z M -75 -40 H 75 V 40 H -75 Z"\nthickness_mm = 20'
    )
    assert rings_area(swapped.rings) == pytest.approx(150 * 80 - 100)


CURVED = "M -50 0 A 50 50 0 1 1 50 0 A 50 50 0 1 1 -50 0 Z"


def test_curves_are_sampled_to_the_chord_error():
    template = template_from_toml(f'name = "x"\noutline = "{CURVED}"\nthickness_mm = 20')
    assert np.abs(np.linalg.norm(template.rings[0], axis=1) - 50).max() < 1e-5
    middles = (template.rings[0] + np.roll(template.rings[0], -1, axis=0)) / 2
    assert np.abs(np.linalg.norm(middles, axis=1) - 50).max() <= 0.02 + 1e-6


@pytest.mark.parametrize(
    "path",
    [
        "M0,0 10,0 10,10 0,10z",
        "m 1 1 l 10 0 0 10 -10 0 z m 2 2 l 3 0 0 3 z",
        "M0 0H10V10H0ZM2-2.5L3-2.5,3-1z",
        "M0 0h10v10h-10z l 1 0 0 1 z",
        "M.5.5L1e1.5 10-2Z",
        "M 0 0 L 10 0 L 10 10 L 0 10 L 0 0",
    ],
)
def test_straight_paths_are_read_as_svgelements_reads_them(path):
    import svgelements

    from anodewane.catalog.paths import rings_from_segments

    ours, theirs = rings_from_path(path, "x"), rings_from_segments(svgelements.Path(path), "x")
    assert len(ours) == len(theirs)
    for a, b in zip(ours, theirs, strict=True):
        np.testing.assert_allclose(a, b, atol=1e-9)


def test_written_paths_are_read_back():
    rings = LIBRARY["disc-160x30-4holes"].rings
    for a, b in zip(rings_from_path(path_from_rings(rings), "x"), rings, strict=True):
        np.testing.assert_array_equal(a, b)


@settings(max_examples=200, derandomize=True, deadline=None)
@given(st.text(alphabet="MmLlHhVvZzAaCcQq0123456789.-+,eE \n", max_size=60))
def test_no_outline_text_raises_anything_but_a_usage_error(text):
    try:
        rings = rings_from_path(text, "x")
    except UsageError as e:
        assert e.remedy
    else:
        assert all(np.isfinite(r).all() and r.ndim == 2 for r in rings)


def replaced(old, new):
    assert old in PLATE
    return PLATE.replace(old, new)


SQUARE = "M -75 -40 L 75 -40 L 75 40 L -75 40 Z M -40 -5 h 10 v 10 h -10 z"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("name = ", "isn't valid TOML"),
        ("", "no 'name'"),
        ('name = "x"\nthickness_mm = 3', "no 'outline'"),
        (replaced("thickness_mm = 20", ""), "no 'thickness_mm'"),
        (PLATE + "thicknes_mm = 3\n", "unknown key 'thicknes_mm'"),
        (replaced("20", '"20 mm"'), "isn't a number"),
        (replaced("20", "true"), "isn't a number"),
        (replaced("20", "nan"), "isn't a number"),
        (replaced("20", "0"), "thickness of 0 mm"),
        (replaced("20", "-3"), "thickness of -3 mm"),
        (replaced("20", "2000"), "thickness of 2000 mm"),
        (replaced("plate of a test", ""), "name is empty"),
        (replaced(SQUARE, "hello"), "isn't SVG path data"),
        (replaced(SQUARE, ""), "isn't SVG path data"),
        (replaced(SQUARE, "M 0 0 L 10"), "isn't SVG path data"),
        (replaced(SQUARE, "L 0 0 L 10 0 Z"), "isn't SVG path data"),
        (replaced(SQUARE, "M 0 0 L 10 0 L 10 10"), "isn't closed"),
        (replaced(SQUARE, "M 0 0 C 10 0 20 10 30 30"), "isn't closed"),
        (replaced(SQUARE, "M 0 0 L 10 0 Z"), "fewer than three points"),
        (replaced(SQUARE, "M 0 0 L 1e999 0 L 3 3 Z"), "isn't SVG path data"),
        (
            replaced(SQUARE, "M -75 -40 L 75 40 L 75 -40 L -75 40 Z"),
            "crosses or touches itself near x 0.00, y 0.00",
        ),
        (replaced(SQUARE, "M 0 0 L 100 0 L 200 0 L 50 0.001 Z"), "crosses|almost no area"),
        (replaced("-40 -5 h 10", "140 -5 h 10"), "lies outside the outline"),
        (replaced("-40 -5 h 10", "70 -5 h 10"), "touches the edge"),
        (replaced("-40 -5 h 10", "65 -5 h 10"), "touches the edge"),
        (replaced("10 z", "10 z M -36 -3 h 3 v 3 h -3 z"), "Holes 1 and 2"),
        (replaced(SQUARE, "M 0 0 H 0.15 V 0.08 H 0 Z"), "0.15 x 0.08 mm"),  # metres
        (replaced(SQUARE, "M 0 0 H 150000 V 80000 H 0 Z"), "no such part"),  # micrometres
        (PLATE + 'mount = "glued"\n', "mount 'glued'"),
        (PLATE + 'solid = "ball"\n', "solid 'ball'"),
        (PLATE + 'alloy = "lead"\n', "alloy 'lead'"),
        (PLATE + 'solid = "rod"\nmount = "flush"\n', "wastes all round"),
        (PLATE + 'solid = "rod"\nmount = "open"\n', "rod with holes"),
        (PLATE + "fill_factor = 2\n", "fill factor of 2"),
        (PLATE + "new_mass_g = 1.7\n", "weigh 1.7 g"),  # kilograms
        (PLATE + "new_mass_g = 0\n", "new mass of 0 g"),
        (PLATE + "core_depth_mm = 20\n", "core 20 mm deep"),
        (PLATE + "mirror_ok = 1\n", "isn't a yes or no"),
        (PLATE + "fixing_holes = 2\n", "isn't a list of tables"),
        (PLATE + "[[fixing_holes]]\nring = 2\n", "fixing at hole 2, but 1 hole"),
        (PLATE + "[[fixing_holes]]\nring = 0\n", "fixing at hole 0"),
        (PLATE + "[[fixing_holes]]\nring = 1\n[[fixing_holes]]\nring = 1\n", "names a fixing hole twice"),
        (PLATE + "[[fixing_holes]]\nwasher_mm = 20\n", "either a ring or a centre_mm"),
        (PLATE + "[[fixing_holes]]\nring = 1\ndiameter_mm = 9\n", "has its diameter already"),
        (PLATE + "[[fixing_holes]]\nring = 1.5\n", "isn't a whole number"),
        (PLATE + "[[fixing_holes]]\ncentre_mm = [30, 0]\n", "no hole"),
        (PLATE + "[[fixing_holes]]\ncentre_mm = 30\n", "isn't a point"),
        (PLATE + "[[fixing_holes]]\ncentre_mm = [30, 0]\ndiameter_mm = -4\n", "isn't a length"),
        (PLATE + "[[fixing_holes]]\nring = 1\nwasher_mm = 9\n", "washer of hole 1"),
        (PLATE + "[[fixing_holes]]\nring = 1\nbolt = 9\n", "unknown key 'bolt'"),
    ],
)
def test_whatever_is_wrong_with_a_file_is_one_sentence(text, words):
    with pytest.raises(UsageError, match=words) as caught:
        template_from_toml(text)
    assert caught.value.message.endswith(".")
    assert caught.value.remedy.endswith((".", "?"))


def test_a_rod_s_thickness_is_its_diameter():
    text = 'name = "r"\noutline = "M -60 -15 H 60 V 15 H -60 Z"\nthickness_mm = 20\n'
    text += 'solid = "rod"\nmount = "open"'
    with pytest.raises(UsageError, match="its side view is 120 x 30 mm"):
        template_from_toml(text)
    assert template_from_toml(text.replace("= 20", "= 30")).solid == "rod"


def test_deep_nesting_is_no_crash():
    with pytest.raises(UsageError, match="isn't valid TOML"):
        template_from_toml("name = " + "[" * 20_000)


# --- loading -------------------------------------------------------------------------------------


def test_a_template_is_loaded_by_name_file_or_text(tmp_path):
    path = tmp_path / "mallen åäö.toml"
    path.write_text(PLATE, encoding="utf-8-sig")
    assert load_template(str(path)).name == "plate of a test"
    assert load_template(PLATE).name == "plate of a test"
    assert load_template("rod-180x25") is LIBRARY["rod-180x25"]


def test_a_misspelt_name_gets_a_hint():
    with pytest.raises(UsageError, match=r"no template 'rod-18x25'.*rod-180x25"):
        load_template("rod-18x25")


def test_a_missing_file_is_unreadable_input(tmp_path):
    with pytest.raises(InputUnreadable, match="no template file"):
        load_template(str(tmp_path / "none.toml"))
    binary = tmp_path / "photo.toml"
    binary.write_bytes(b"\xff\xd8\xff\xe0")
    with pytest.raises(InputUnreadable, match="UTF-8"):
        load_template(str(binary))


# --- the page ------------------------------------------------------------------------------------


def test_the_page_s_example_loads_and_its_table_has_every_key():
    import re
    from pathlib import Path

    from anodewane.catalog.templates import _HOLE_KEYS, _KEYS

    page = (Path(__file__).parents[2] / "docs" / "templates.md").read_text("utf-8")
    examples = re.findall(r"```toml\n(.*?)```", page, re.DOTALL)
    parts = [template_from_toml(example) for example in examples]
    assert [p.solid for p in parts] == ["cast", "turned", "collar"]
    holes = parts[0].fixing_holes
    assert [(h.diameter_mm, h.washer_mm, h.counterbore_mm) for h in holes] == [(11.0, 22.0, 24.0)] * 2
    shown = {key for example in examples for key in tomllib.loads(example)}
    # a section stands in place of draft and crown, a mesh isn't written by hand
    assert shown == set(_KEYS) - {"fill_factor", "section", "mesh", "mesh_sha256", "mesh_data"}
    rows = re.findall(r"^\| `(\w+)` \|", page, re.MULTILINE)
    assert rows[-len(_KEYS) :] == list(_KEYS)
    assert rows[: -len(_KEYS)] == list(SOLIDS)
    for key in _HOLE_KEYS:
        assert f"`{key}`" in page
    for shape in SHAPES:
        assert f"`{shape}`" in page


def test_the_page_s_commands_make_what_they_say(tmp_path, capsys):
    """Every part of the page's table is made by the command beside it."""
    import re
    import shlex
    from pathlib import Path

    from anodewane.cli import main

    page = (Path(__file__).parents[2] / "docs" / "templates.md").read_text("utf-8")
    commands = re.findall(r"\| `(make [^`]*)` \|", page)
    assert len(commands) == 8
    for command in commands:
        file = tmp_path / "made.toml"
        assert main(["template", *shlex.split(command), "--out", str(file)]) == 0, capsys.readouterr().err
        part = load_template(str(file))
        assert part.solid in ("cast", "turned", "collar")
        assert part.profile_known
