"""Castings in template files: their keys read and written back, and what is refused."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from anodewane.catalog.form_keys import pairs, pairs_text, unknown_words
from anodewane.catalog.shapes import SHAPES
from anodewane.catalog.templates import template_digest, template_from_toml, template_to_toml
from anodewane.errors import UsageError
from anodewane.records import CastForm, CollarForm, TurnedForm

CAST = """
name = "pad"
outline = "M -75 -40 L 75 -40 L 75 40 L -75 40 Z"
thickness_mm = 20
solid = "cast"
draft_deg = 12
edge_radius_mm = 3
crown_mm = 2
"""
SUNK = """
[[fixing_holes]]
centre_mm = [-40.0, 0.0]
diameter_mm = 11
washer_mm = 18
counterbore_mm = 20
counterbore_depth_mm = 8
"""
STRAP = """
[[inserts]]
outline = "M -95 -12 L 95 -12 L 95 12 L -95 12 Z"
from_mm = 2
to_mm = 7
"""
SECTION = CAST.replace("draft_deg = 12", 'section = "0,0 0,8 6,8 8,20"').replace("crown_mm = 2", "")
UNKNOWN = CAST.partition("draft_deg")[0]
NUT = 'name = "nut"\nsolid = "turned"\nprofile = "30,0 28.5,22 15,40"\nedge_radius_mm = 2\n'
COLLAR = """
name = "collar"
solid = "collar"
length_mm = 80
outer_diameter_mm = 70
end_diameter_mm = 52
barrel = 2.6
bore_mm = 28
"""

FILES = {
    "known": CAST,
    "sunk bolts": CAST + SUNK,
    "strap": CAST + STRAP,
    "section": SECTION,
    "unknown": UNKNOWN,
    "half known": UNKNOWN + "crown_mm = 4\n",
    "nut": NUT + "[[fixing_holes]]\ncentre_mm = [0, 0]\ndiameter_mm = 11\n",
    "collar": COLLAR + SUNK.replace("-40.0, 0.0", "0, 24").replace("11", "7").replace("18", "11"),
}


@pytest.mark.parametrize("text", FILES.values(), ids=FILES)
def test_a_casting_is_the_same_before_and_after_its_file(text):
    template = template_from_toml(text)
    again = template_from_toml(template_to_toml(template))
    assert again == template
    assert template_digest(again) == template_digest(template)


def test_what_the_keys_say_arrives():
    part = template_from_toml(CAST + SUNK + STRAP)
    assert isinstance(part.form, CastForm)
    assert (part.form.draft_deg, part.form.edge_radius_mm, part.form.crown_mm) == (12.0, 3.0, 2.0)
    hole = part.fixing_holes[0]
    assert (hole.diameter_mm, hole.counterbore_mm, hole.counterbore_depth_mm) == (11.0, 20.0, 8.0)
    steel = part.inserts[0]
    assert (steel.from_mm, steel.to_mm, np.ptp(steel.rings[0], axis=0).tolist()) == (2.0, 7.0, [190.0, 24.0])
    nut = template_from_toml(NUT)
    assert isinstance(nut.form, TurnedForm)
    assert nut.thickness_mm == 40.0
    # the circle's exact area in plan, whatever its chords
    assert nut.rings[0].max() == pytest.approx(30.0, abs=0.02)
    collar = template_from_toml(COLLAR)
    assert isinstance(collar.form, CollarForm)
    assert (collar.thickness_mm, collar.mount) == (35.0, "open")
    np.testing.assert_allclose(np.ptp(collar.rings[0], axis=0), [80.0, 70.0])


def test_an_unknown_profile_is_no_prism():
    part = template_from_toml(UNKNOWN)
    assert part.solid == "cast"
    assert not part.profile_known
    assert unknown_words(part) == "draft, edge radius and crown"
    assert unknown_words(template_from_toml(FILES["half known"])) == "draft and edge radius"
    assert unknown_words(template_from_toml(CAST)) == ""
    assert template_from_toml(UNKNOWN.replace('solid = "cast"', "")).solid == "plate"


def test_a_prism_s_digest_is_what_it_was():
    """Digests stand in records that people keep: a prism's doesn't know of castings. The figure is that of
    the first release."""
    plain = 'name = "p"\noutline = "M -75 -40 L 75 -40 L 75 40 L -75 40 Z"\nthickness_mm = 20\n'
    assert template_digest(template_from_toml(plain)) == PLAIN_DIGEST


PLAIN_DIGEST = "5bb00e8bf93662146f2780154dff89b250f2293c9773967dfad30f731c817ad5"


def test_the_digest_tells_every_measure_of_a_casting():
    part = template_from_toml(CAST + SUNK + STRAP)
    form, hole, steel = part.form, part.fixing_holes[0], part.inserts[0]
    changed = [
        *(dataclasses.replace(part, form=dataclasses.replace(form, **{k: 1.5})) for k in form_measures(form)),
        dataclasses.replace(part, form=CastForm(None, 3.0, None, np.array([[0.0, 0.0], [4.0, 20.0]]))),
        dataclasses.replace(part, form=CastForm(12.0, 3.0, None)),
        dataclasses.replace(part, inserts=()),
        dataclasses.replace(part, inserts=(dataclasses.replace(steel, to_mm=8.0),)),
        dataclasses.replace(part, inserts=(dataclasses.replace(steel, rings=(steel.rings[0] + 0.01,)),)),
        *(
            dataclasses.replace(part, fixing_holes=(dataclasses.replace(hole, **{k: 12.0}),))
            for k in ("counterbore_mm", "counterbore_depth_mm")
        ),
        template_from_toml(NUT),
        template_from_toml(NUT.replace("28.5", "28.6")),
        *(template_from_toml(COLLAR.replace(a, b)) for a, b in (("2.6", "2.5"), ("28", "29"), ("52", "50"))),
        template_from_toml(COLLAR),
        template_from_toml(COLLAR + "edge_radius_mm = 2\n"),
    ]
    digests = {template_digest(t) for t in (part, *changed)}
    assert len(digests) == len(changed) + 1


def form_measures(form):
    return [f.name for f in dataclasses.fields(form) if isinstance(getattr(form, f.name), float)]


def replaced(text, old, new):
    assert old in text
    return text.replace(old, new)


WRONG = [
    (replaced(CAST, "draft_deg = 12", "draft_deg = -2"), "draft of -2 degrees"),
    (replaced(CAST, "draft_deg = 12", "draft_deg = 60"), "draft of 60 degrees"),
    (replaced(CAST, "draft_deg = 12", 'draft_deg = "12"'), "isn't a number"),
    (replaced(replaced(CAST, "= 12", "= 45"), "thickness_mm = 20", "thickness_mm = 50"), "walls that meet"),
    (replaced(CAST, "edge_radius_mm = 3", "edge_radius_mm = -1"), "edge radius of -1 mm"),
    (replaced(CAST, "edge_radius_mm = 3", "edge_radius_mm = 30"), "edge radius of 30 mm"),
    (replaced(CAST, "crown_mm = 2", "crown_mm = 20"), "crown of 20 mm"),
    (CAST + "fill_factor = 0.9\n", "has a fill factor, but its draft"),
    (replaced(CAST, 'solid = "cast"', ""), "'crown_mm', which says nothing about a plate"),
    (CAST + "bore_mm = 3\n", "'bore_mm', which says nothing about a cast"),
    (CAST + 'section = "0,0 4,20"\n', "section beside a draft"),
    (replaced(SECTION, "8,20", "8,19"), "heights run from 0 to 19 mm"),
    (replaced(SECTION, "6,8 8,20", "6,20 8,8 9,20"), "heights run"),
    (replaced(SECTION, "0,0 0,8 6,8", "3,0 2,8 6,8"), "runs outward"),
    (replaced(SECTION, "0,0 0,8", "0,0 0,0 0,8"), "place given twice"),
    (replaced(SECTION, "0,0 0,8", "0 0 0 8"), "isn't a list of at least two pairs"),
    (replaced(SECTION, "0,0 0,8", "0,0 x,8"), "isn't a list of at least two pairs"),
    (replaced(NUT, 'profile = "30,0 28.5,22 15,40"', ""), "a turned without 'profile'"),
    (replaced(NUT, "15,40", "-15,40"), "radius below 0"),
    (replaced(NUT, "28.5,22 15,40", "28.5,42 15,40"), "heights run from 0 to 40"),
    (NUT + "thickness_mm = 30\n", "heights run from 0 to 40"),
    (NUT + 'outline = "M -20 -20 H 20 V 20 H -20 Z"\n', "its turned is 60 x 60 mm in plan"),
    (NUT + "fill_factor = 0.9\n", "a turned with a fill factor"),
    (replaced(COLLAR, "bore_mm = 28", ""), "a collar without 'bore_mm'"),
    (replaced(COLLAR, "bore_mm = 28", "bore_mm = 60"), "over a bore of 60 mm"),
    (replaced(COLLAR, "bore_mm = 28", "bore_mm = 0"), "bore_mm of 0"),
    (replaced(COLLAR, "= 52", "= 72"), "72 mm at its ends"),
    (replaced(COLLAR, "barrel = 2.6", "barrel = 60"), "barrel of 60"),
    (COLLAR + 'mount = "flush"\n', "collar with a flush mount"),
    (COLLAR + "thickness_mm = 70\n", "70 mm thick, but its collar is 35 mm high"),
    (CAST + replaced(SUNK, "counterbore_depth_mm = 8", ""), "half of a counterbore"),
    (CAST + replaced(SUNK, "counterbore_mm = 20", "counterbore_mm = 10"), "10 mm wide over a hole of 11 mm"),
    (CAST + replaced(SUNK, "depth_mm = 8", "depth_mm = 20"), "20 mm deep in a part 20 mm thick"),
    (CAST + replaced(SUNK, "washer_mm = 18", "washer_mm = 22"), "narrower than the washer"),
    (CAST + replaced(SUNK, "[-40.0, 0.0]", "[-67.0, 0.0]"), "reaches over the edge"),
    (CAST + replaced(STRAP, "from_mm = 2", ""), "has no from_mm that can be read"),
    (CAST + replaced(STRAP, "from_mm = 2", "from_mm = 9"), "reaches from 9 to 7 mm"),
    (CAST + replaced(replaced(STRAP, "= 2", "= 30"), "= 7", "= 35"), "begins 30 mm up"),
    (CAST + replaced(STRAP, "from_mm", "form_mm"), "unknown key 'form_mm'"),
    (CAST + replaced(STRAP, "-12 L 95 12", "12 L 95 -12"), "crosses itself"),
    (CAST + STRAP.replace("12", "200").replace("-200", "150"), "lies beside the metal"),
    ('name = "m"\nsolid = "mesh"\n', "a mesh without 'mesh'"),
    ('name = "m"\nsolid = "mesh"\nmesh = "p.stl"\n', "handed in without its folder"),
    ('name = "m"\nsolid = "mesh"\nmesh = "p.stl"\nmesh_data = "AAAA"\n', "mesh_data"),
    ('name = "m"\nsolid = "mesh"\nmesh = "p.stl"\nmesh_data = "å"\n', "mesh_data"),
]


@pytest.mark.parametrize(("text", "words"), WRONG, ids=[w for _, w in WRONG])
def test_whatever_is_wrong_with_a_casting_is_one_sentence(text, words):
    with pytest.raises(UsageError, match=words) as caught:
        template_from_toml(text)
    assert caught.value.message.endswith(".")
    assert caught.value.remedy.endswith((".", "?"))


def test_pairs_are_read_as_written():
    values = np.array([[0.0, 0.0], [2.5, 12.125], [30.0, 14.0]])
    assert pairs_text(values) == "0,0 2.5,12.125 30,14"
    np.testing.assert_array_equal(pairs(pairs_text(values), "x", "section"), values)


# --- from measures ---------------------------------------------------------------------------------------


def test_a_shape_with_a_draft_is_a_casting_and_one_without_a_prism():
    plate = SHAPES["plate"]
    assert plate(length_mm=100, width_mm=50, thickness_mm=20).solid == "plate"
    drafted = plate(length_mm=100, width_mm=50, thickness_mm=20, draft_deg=10.0)
    assert drafted.solid == "cast"
    assert unknown_words(drafted) == "edge radius and crown"
    nobody = plate(length_mm=100, width_mm=50, thickness_mm=20, solid="cast")
    assert unknown_words(nobody) == "draft, edge radius and crown"


def test_the_new_shapes_are_what_was_measured():
    block = SHAPES["block"](length_mm=100, width_mm=60, thickness_mm=40, hole_mm=9)
    assert {(h.diameter_mm, h.counterbore_mm, h.counterbore_depth_mm) for h in block.fixing_holes} == {
        (9.0, 18.9, 20.0)
    }
    bar = SHAPES["strap-bar"](length_mm=200, width_mm=50, thickness_mm=30, strap_reach_mm=35)
    assert np.ptp(bar.inserts[0].rings[0], axis=0).tolist() == [270.0, 25.0]
    ring = SHAPES["stepped-ring"](diameter_mm=140, bore_mm=80, thickness_mm=24, step_width_mm=12)
    np.testing.assert_array_equal(ring.form.section_mm, [[0, 0], [0, 12], [12, 12], [12, 24]])
    nut = SHAPES["nut"](diameter_mm=60, top_mm=26, thickness_mm=40, waist_mm=54, centre_hole_mm=11)
    np.testing.assert_allclose(nut.form.profile_mm, [[30, 0], [27, 22], [13, 40]])
    assert nut.fixing_holes[0].diameter_mm == pytest.approx(11)
    collar = SHAPES["collar"](length_mm=80, diameter_mm=70, end_diameter_mm=52, bore_mm=28, holes=2)
    assert (len(collar.fixing_holes), collar.thickness_mm, collar.mount) == (4, 35.0, "open")
    with pytest.raises(UsageError, match="isn't a step"):
        SHAPES["stepped-ring"](diameter_mm=140, bore_mm=80, thickness_mm=24, step_width_mm=40)
    with pytest.raises(UsageError, match="strap from 9 to 7 mm"):
        SHAPES["strap-bar"](length_mm=200, width_mm=50, thickness_mm=30, strap_from_mm=9)
