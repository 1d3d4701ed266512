"""Templates from meshes: read by trimesh, made here by trimesh's own primitives, whose sizes and volumes are
closed formulas."""

from __future__ import annotations

import hashlib
import io
import zipfile

import numpy as np
import pytest
import trimesh

from anodewane.catalog.mesh_file import MAX_FACES, UPS, plan_of_mesh, read_mesh
from anodewane.catalog.mesh_template import template_from_mesh
from anodewane.catalog.templates import load_template, template_digest, template_from_toml, template_to_toml
from anodewane.errors import InputUnreadable, UsageError
from anodewane.geometry.rings import rings_area

BOX = trimesh.creation.box((120.0, 60.0, 20.0))
TUBE = trimesh.creation.annulus(10.0, 50.0, 20.0, sections=256)


def exported(mesh, kind):
    data = mesh.export(file_type=kind)
    return data if isinstance(data, bytes) else data.encode()


def moved(mesh, matrix):
    return mesh.copy().apply_transform(matrix)


@pytest.mark.parametrize("kind", ["stl", "stl_ascii", "3mf"])
def test_a_box_in_every_format(kind):
    data = exported(moved(BOX, trimesh.transformations.translation_matrix([7, -3, 40])), kind)
    part = template_from_mesh(data, "box.stl", "box", alloy="aluminium", new_mass_g=400)
    assert (part.solid, part.alloy, part.thickness_mm, part.new_mass_g) == ("mesh", "aluminium", 20.0, 400)
    np.testing.assert_allclose(np.ptp(part.rings[0], axis=0), [120, 60])
    np.testing.assert_allclose(part.rings[0].mean(axis=0), 0, atol=1e-9)
    assert part.form.vertices_mm.min() == -60.0
    assert part.form.sha256 == hashlib.sha256(data).hexdigest()


def test_a_through_hole_is_a_fixing_hole():
    part = template_from_mesh(exported(TUBE, "stl"), "tube.stl", "tube", washer_mm=40)
    sides = 256
    inner, outer = (sides / 2 * r * r * np.sin(2 * np.pi / sides) for r in (10, 50))
    assert rings_area(part.rings) == pytest.approx(outer - inner, rel=1e-4)
    (hole,) = part.fixing_holes
    assert hole.diameter_mm == pytest.approx(20, rel=1e-3)
    assert hole.washer_mm == 40
    assert not template_from_mesh(exported(TUBE, "stl"), "t.stl", "t", fixings="none").fixing_holes


def test_a_sphere_s_plan_is_its_great_circle():
    ball = trimesh.creation.icosphere(subdivisions=4, radius=30.0)
    part = template_from_mesh(exported(ball, "stl"), "ball.stl", "ball")
    assert rings_area(part.rings) == pytest.approx(np.pi * 900, rel=3e-3)
    assert part.thickness_mm == pytest.approx(60, abs=0.2)


@pytest.mark.parametrize("up", UPS)
def test_the_named_axis_points_up(up):
    """The box's height, and a body without any symmetry: turned, never mirrored."""
    axis = "xyz".index(up[-1])
    assert template_from_mesh(exported(BOX, "stl"), "b", "b", up=up).thickness_mm == (120, 60, 20)[axis]
    odd = trimesh.convex.convex_hull([[0, 0, 0], [90, 0, 0], [0, 50, 0], [0, 0, 30]])
    form = read_mesh(exported(odd, "stl"), "odd.stl", up=up)
    turned = trimesh.Trimesh(form.vertices_mm, form.faces)
    assert turned.volume == pytest.approx(90 * 50 * 30 / 6, rel=1e-6)
    assert form.vertices_mm[:, 2].min() == 0
    corner = form.vertices_mm[np.argmin(np.linalg.norm(form.vertices_mm - turned.centroid, axis=1))]
    legs = [v - corner for v in form.vertices_mm if np.linalg.norm(v - corner) > 1e-6]
    by_length = sorted(legs, key=np.linalg.norm)
    assert np.linalg.det(np.array(by_length[::-1])) > 0, "x, y and z keep their hand"


def test_units_are_stated_or_given():
    inches = BOX.copy().apply_scale(1 / 25.4)
    part = template_from_mesh(exported(inches, "stl"), "b.stl", "b", unit="in")
    assert part.thickness_mm == pytest.approx(20, abs=1e-4)
    # trimesh writes millimetres whatever it is told: the unit is put into its file by hand
    written = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(exported(inches, "3mf"))) as old, zipfile.ZipFile(written, "w") as new:
        for entry in old.infolist():
            data = old.read(entry)
            assert entry.filename != "3D/3dmodel.model" or b'unit="millimeter"' in data
            new.writestr(entry, data.replace(b'unit="millimeter"', b'unit="inch"'))
    stated = template_from_mesh(written.getvalue(), "b.3mf", "b")
    assert stated.thickness_mm == pytest.approx(20, abs=1e-3)


def test_a_mesh_template_stands_without_its_mesh(tmp_path):
    part = template_from_mesh(exported(TUBE, "stl"), "tube.stl", "tube")
    again = template_from_toml(template_to_toml(part))
    assert again == part
    assert template_digest(again) == template_digest(part)
    assert len(template_to_toml(part)) < 40_000


def test_a_file_names_a_mesh_beside_it(tmp_path):
    (tmp_path / "tube.stl").write_bytes(exported(TUBE, "stl"))
    file = tmp_path / "tube.toml"
    file.write_text('name = "tube"\nsolid = "mesh"\nmesh = "tube.stl"\n')
    part = load_template(str(file))
    assert template_digest(part) == template_digest(
        template_from_mesh(exported(TUBE, "stl"), "tube.stl", "tube", fixings="none")
    )
    file.write_text('name = "tube"\nsolid = "mesh"\nmesh = "none.stl"\n')
    with pytest.raises(InputUnreadable, match=r"none\.stl"):
        load_template(str(file))


def open_box():
    return trimesh.Trimesh(BOX.vertices, BOX.faces[:-1], process=False)


def two_boxes():
    return trimesh.util.concatenate(
        [BOX, moved(BOX, trimesh.transformations.translation_matrix([200, 0, 0]))]
    )


def large():
    return trimesh.creation.icosphere(subdivisions=7, radius=30.0)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (lambda: b"", "no triangles"),
        (lambda: b"solid x\nendsolid x\n", "no triangles"),
        (lambda: b"PK\x03\x04 and no more", "isn't a mesh that can be read"),
        (lambda: b"\xff\xd8\xff\xe0" * 40, "isn't a mesh that can be read|no triangles"),
        (lambda: exported(open_box(), "stl"), "isn't closed: 3 edges are open"),
        (lambda: exported(two_boxes(), "stl"), "holds 2 bodies"),
        (
            lambda: exported(BOX.copy().apply_scale(1e-3), "stl"),
            r"0\.12 x 0\.06 x 0\.02 mm, which no such part",
        ),
        (lambda: exported(BOX.copy().apply_scale(1e3), "stl"), "which no such part"),
        (lambda: exported(large(), "stl"), f"{20 * 4**7} triangles"),
    ],
)
def test_a_mesh_that_is_no_part_is_refused(data, words):
    with pytest.raises(UsageError, match=words) as caught:
        template_from_mesh(data(), "p.stl", "p")
    assert caught.value.remedy.endswith(".")
    assert MAX_FACES < 20 * 4**7


def test_a_wrong_unit_is_guessed_at():
    with pytest.raises(UsageError) as caught:
        template_from_mesh(exported(BOX.copy().apply_scale(1e-3), "stl"), "p.stl", "p")
    assert "Is it drawn in m? Give --units m." in caught.value.remedy


def test_a_body_turned_inside_out_is_turned_back():
    inside_out = trimesh.Trimesh(BOX.vertices, BOX.faces[:, ::-1], process=False)
    form = read_mesh(exported(inside_out, "stl"), "p.stl")
    assert trimesh.Trimesh(form.vertices_mm, form.faces).volume == pytest.approx(120 * 60 * 20)
    assert rings_area(plan_of_mesh(form)) == pytest.approx(7200)
