"""Castings on a grid against closed formulas, a mesh library (trimesh) and an exact ray caster's
silhouettes."""

from __future__ import annotations

import numpy as np
import pytest

from anodewane.records import CastForm, CollarForm, FixingHole, Insert, MeshForm, Template, TurnedForm
from anodewane.wear import contour
from anodewane.wear.cast_law import wear_table
from anodewane.wear.contour import plan_depth, read_contour, to_plan
from anodewane.wear.field import solid_field
from anodewane.wear.forms import plan_outline, section_curve
from anodewane.wear.open_form import central_form, likely_forms
from anodewane.wear.solids import new_volume

BOX = np.array([[-60.0, -30.0], [60.0, -30.0], [60.0, 30.0], [-60.0, 30.0]])
TURN = np.arange(720) * 2 * np.pi / 720
CIRCLE = np.column_stack([np.cos(TURN), np.sin(TURN)])


def casting(solid, rings, height, form, mount="flush", holes=(), inserts=(), weight=None, fill=1.0):
    return Template(
        "part", rings, height, mount, solid, "zinc", weight, fill, holes, None, False, form, inserts
    )


def volume(template, depth=0.0):
    return solid_field(template).volume_mm3(depth)


# --- closed formulas -----------------------------------------------------------------------------


@pytest.mark.parametrize("draft", [0.0, 5.0, 14.0, 25.0])
def test_a_box_with_draft_is_a_prismatoid(draft):
    """V = h / 6 (A0 + 4 Am + A1), the prismatoid formula (Euclid's frustum generalised; Bronstein,
    Semendjajew)."""
    height = 24.0
    lean = height * np.tan(np.radians(draft))

    def section(inset):
        return (120 - 2 * inset) * (60 - 2 * inset)

    exact = height / 6 * (section(0) + 4 * section(lean / 2) + section(lean))
    template = casting("cast", (BOX,), height, CastForm(draft, 0.0, 0.0))
    assert volume(template) == pytest.approx(exact, rel=2e-3)
    assert new_volume(template) == pytest.approx(exact, rel=2e-3)


def test_a_turned_frustum():
    """V = pi h / 3 (R^2 + R r + r^2)."""
    form = TurnedForm(np.array([[30.0, 0.0], [14.0, 40.0]]))
    exact = np.pi * 40 / 3 * (30**2 + 30 * 14 + 14**2)
    assert volume(casting("turned", (plan_outline(form),), 40.0, form)) == pytest.approx(exact, rel=2e-3)


def test_a_turned_cap_is_a_spherical_cap():
    """V = pi h^2 (3 R - h) / 3 (Archimedes)."""
    radius, height = 40.0, 18.0
    z = np.linspace(0, height, 60)
    profile = np.column_stack([np.sqrt(radius**2 - (radius - height + z) ** 2), z])
    exact = np.pi * height**2 * (3 * radius - height) / 3
    form = TurnedForm(profile)
    assert volume(casting("turned", (plan_outline(form),), height, form)) == pytest.approx(exact, rel=3e-3)


def test_a_half_barrel_is_a_turned_profile():
    """Half of pi times the integral of radius squared less the bore's (Pappus; here by fine sums)."""
    form = CollarForm(80.0, 70.0, 52.0, 2.6, 28.0)
    x = np.linspace(-40, 40, 20001)
    radius = 26 + 9 * (1 - np.abs(x / 40) ** 2.6)
    exact = np.pi / 2 * float(np.trapezoid(radius**2 - 14**2, x))
    template = casting("collar", (plan_outline(form),), 35.0, form, mount="open")
    assert volume(template) == pytest.approx(exact, rel=2e-3)


def test_holes_counterbores_and_steel_are_cut_out():
    hole = 5 * CIRCLE[::-1]
    inserts = (Insert((BOX * [1.5, 0.3],), 2.0, 7.0),)
    template = casting(
        "cast", (BOX, hole), 24.0, CastForm(0.0, 0.0, 0.0), holes=(FixingHole(1, 10.0, None, 20.0, 8.0),)
    )
    exact = 24 * (120 * 60 - np.pi * 25) - 8 * np.pi * (100 - 25)
    assert volume(template) == pytest.approx(exact, rel=2e-3)
    with_steel = casting("cast", (BOX,), 24.0, CastForm(0.0, 0.0, 0.0), inserts=inserts)
    assert volume(with_steel) == pytest.approx(120 * 60 * 24 - 120 * 18 * 5, rel=2e-3)


@pytest.mark.parametrize("depth", [1.0, 3.0, 6.5])
def test_a_worn_ball_cap_follows_steiner(depth):
    """Steiner's formula: the body within d of a convex one has volume V + S d + M d^2 + 4/3 pi d^3. Read
    backwards: the solid worn by d, grown by d again, is the ball; for a ball worn all round it is (R -
    d)^3, here its upper half."""
    radius = 30.0
    z = np.linspace(0, radius, 90)
    form = TurnedForm(np.column_stack([np.sqrt(np.maximum(radius**2 - z**2, 1e-12)), z]))
    template = casting("turned", (plan_outline(form),), radius, form)
    inner = radius - depth
    # half a ball under its dry foot, from the smaller one outward by Steiner's four terms, halved
    terms = (
        4 / 3 * np.pi * inner**3,
        4 * np.pi * inner**2 * depth,
        4 * np.pi * inner * depth**2,
        4 / 3 * np.pi * depth**3,
    )
    assert sum(terms) / 2 == pytest.approx(2 / 3 * np.pi * radius**3)
    assert volume(template, depth) == pytest.approx((sum(terms) - sum(terms[1:])) / 2, rel=5e-3)


def test_a_worn_box_grown_again_follows_steiner():
    """A box with square edges worn by d all round is the smaller box: V(d) = V - S d + 2 pi ... of the
    smaller one (Steiner)."""
    a, b, c, d = 120.0, 60.0, 24.0, 3.0
    template = casting("cast", (BOX,), c, CastForm(0.0, 0.0, 0.0), mount="open")
    small = (a - 2 * d, b - 2 * d, c - 2 * d)
    grown = (
        np.prod(small)
        + 2 * (small[0] * small[1] + small[1] * small[2] + small[2] * small[0]) * d
        + np.pi * sum(small) * d**2
        + 4 / 3 * np.pi * d**3
    )
    # what Steiner's body lacks of the new box are its square edges and corners: (4 - pi) d^2 an edge, 8
    # d^3 less a ball
    edges = (4 - np.pi) * d**2 * sum(small) + (8 - 4 / 3 * np.pi) * d**3
    assert grown + edges == pytest.approx(a * b * c)
    assert volume(template, d) == pytest.approx(np.prod(small), rel=3e-3)


# --- the mesh library ----------------------------------------------------------------------------


def test_volumes_of_meshes_are_the_mesh_library_s():
    trimesh = pytest.importorskip("trimesh")
    for mesh in (
        trimesh.creation.icosphere(subdivisions=4, radius=25.0),
        trimesh.creation.capsule(height=60.0, radius=18.0),
        trimesh.creation.cone(radius=30.0, height=40.0),
        trimesh.creation.annulus(20.0, 40.0, 25.0),
    ):
        mesh.apply_translation([0, 0, -mesh.bounds[0, 2]])
        form = MeshForm(mesh.vertices, mesh.faces)
        template = casting("mesh", (plan_outline(form),), float(mesh.bounds[1, 2]), form, mount="open")
        assert volume(template) == pytest.approx(mesh.volume, rel=6e-3)


def test_depths_in_a_mesh_are_the_exact_distances():
    """Of a box: the least distance to a face inside, to the box outside (elementary geometry)."""
    trimesh = pytest.importorskip("trimesh")
    half = np.array([35.0, 20.0, 10.0])
    mesh = trimesh.creation.box(2 * half)
    mesh.apply_translation([0, 0, half[2]])
    form = MeshForm(mesh.vertices, mesh.faces)
    field = solid_field(casting("mesh", (plan_outline(form),), 20.0, form, mount="open"))
    axes = [field.origin_mm[i] + field.step_mm * np.arange(n) for i, n in enumerate(field.depth_mm.shape)]
    off = np.abs(np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1) - [0, 0, half[2]]) - half
    exact = np.where((off < 0).all(axis=-1), -off.max(axis=-1), -np.linalg.norm(np.maximum(off, 0), axis=-1))
    miss = np.abs(field.depth_mm - exact)
    assert miss.max() < 0.25
    assert miss.mean() < 0.02


def test_a_cast_solid_has_the_volume_of_its_own_mesh():
    """Cut into a mesh by marching cubes (scikit-image) and measured by trimesh."""
    trimesh = pytest.importorskip("trimesh")
    measure = pytest.importorskip("skimage.measure")
    template = casting("cast", (BOX,), 24.0, CastForm(16.0, 4.0, 6.0))
    field = solid_field(template)
    metal = np.pad(field.metal_mm(0.0), 2, constant_values=-5.0)
    vertices, faces, _, _ = measure.marching_cubes(metal, 0.0, spacing=(field.step_mm,) * 3)
    mesh = trimesh.Trimesh(vertices, faces[:, ::-1])
    assert abs(mesh.volume) == pytest.approx(field.volume_mm3(), rel=0.02)


# --- what a camera sees --------------------------------------------------------------------------

CAMERA = np.array([150.0, -110.0, 380.0])


def silhouette_by_rays(template, depth, angles):
    """Points of the silhouette in the foot's plane, from the middle outward at some bearings: rays cast
    from the camera through a fine march over the solid, its shape from its own definition and not from
    the grid."""
    inside = exact_inside(template, depth)
    out = []
    for angle in angles:
        way = np.array([np.cos(angle), np.sin(angle)])
        low, high = 0.0, 200.0
        for _ in range(40):
            middle = (low + high) / 2
            at = np.r_[middle * way, 0.0]
            along = np.linspace(0, 0.2, 4000)[:, None]
            if inside(at + along * (CAMERA - at)).any():
                low = middle
            else:
                high = middle
        out.append(low * way)
    return np.array(out)


def exact_inside(template, depth):
    """Whether points lie in a worn turned frustum or a worn box with draft, by planes and cones."""
    form = template.form
    height = template.thickness_mm
    if isinstance(form, TurnedForm):
        (foot, _), (top, _) = form.profile_mm
        lean = (foot - top) / height

        def inside(p):
            wall = (foot - p[:, 2] * lean - np.hypot(p[:, 0], p[:, 1])) / np.hypot(1, lean)
            return (wall > depth) & (height - p[:, 2] > depth) & (p[:, 2] >= 0)

        return inside
    lean = np.tan(np.radians(form.draft_deg))

    def inside(p):
        inward = np.minimum(60 - np.abs(p[:, 0]), 30 - np.abs(p[:, 1]))
        wall = (inward - p[:, 2] * lean) / np.hypot(1, lean)
        return (wall > depth) & (height - p[:, 2] > depth) & (p[:, 2] >= 0)

    return inside


@pytest.fixture
def even(monkeypatch):
    """Worn evenly: no faster foot, no wander."""
    monkeypatch.setattr(contour, "FOOT_MORE", 0.0)
    monkeypatch.setattr(contour, "WANDER", 0.0)


@pytest.mark.parametrize("depth", [0.0, 2.0, 5.0])
@pytest.mark.parametrize("solid", ["turned", "cast"])
def test_a_silhouette_by_rays_reads_as_the_depth_it_was_worn_by(even, solid, depth):
    form = (
        TurnedForm(np.array([[30.0, 0.0], [14.0, 34.0]])) if solid == "turned" else CastForm(12.0, 0.0, 0.0)
    )
    ring = plan_outline(form) if solid == "turned" else BOX
    template = casting(solid, (ring,), 34.0, form)
    # off the corners, where worn walls meet and a ray's nearest face changes
    angles = np.arange(36) * 2 * np.pi / 36 + 0.05
    seen = silhouette_by_rays(template, depth, angles)
    field = solid_field(template)
    read = read_contour(template, field, seen, CAMERA[:2], CAMERA[2], depth)
    assert np.abs(read.recession_mm - depth).max() < 0.35
    assert abs(np.median(read.recession_mm) - depth) < 0.06
    plan = to_plan(plan_depth(template, field, depth), read)
    inside = exact_inside(template, depth)
    low, high = np.full(len(plan), -1.0), np.full(len(plan), 1.0)
    way = plan / np.linalg.norm(plan, axis=1, keepdims=True)
    for _ in range(30):
        middle = (low + high) / 2
        held = np.array(
            [
                inside(np.column_stack([np.tile(p + m * w, (60, 1)), np.linspace(1e-3, 33, 60)])).any()
                for p, m, w in zip(plan, middle, way, strict=True)
            ]
        )
        low, high = np.where(held, middle, low), np.where(held, high, middle)
    assert np.abs(middle).max() < 0.45
    assert abs(np.median(middle)) < 0.08


# --- the rest ------------------------------------------------------------------------------------


def test_plan_and_volume_fall_with_depth():
    template = casting("cast", (BOX,), 24.0, CastForm(12.0, 3.0, 2.0))
    table = wear_table(template)
    assert table.area_mm2[0] == pytest.approx(7200.0)
    assert (np.diff(table.area_mm2) < 0).all()
    assert (np.diff(table.volume_mm3) < 0).all()
    assert table.plan_recession(7200.0) == pytest.approx(0.0, abs=1e-6)
    assert table.volume(table.even_recession(60_000.0)) == pytest.approx(60_000.0, rel=1e-3)


def test_an_open_form_has_no_solid_of_its_own_but_likely_ones():
    template = casting("cast", (BOX,), 24.0, CastForm())
    assert not template.profile_known
    with pytest.raises(ValueError, match="no one solid"):
        solid_field(template)
    forms = likely_forms(template)
    assert sum(f.weight for f in forms) == pytest.approx(1.0)
    held = [new_volume(f.template) for f in forms]
    assert max(held) > 1.15 * min(held)


def test_a_weight_narrows_the_forms_to_those_that_hold_as_much():
    true = casting("cast", (BOX,), 24.0, CastForm(14.0, 2.0, 3.0))
    told = new_volume(true)
    template = casting("cast", (BOX,), 24.0, CastForm(), weight=told * 7.14e-3)
    held = np.array([new_volume(f.template) for f in likely_forms(template)])
    assert np.abs(held / told - 1).max() < 0.05
    assert new_volume(template) == pytest.approx(told, rel=1e-3)
    stated = casting("cast", (BOX,), 24.0, CastForm(14.0, None, None), weight=told * 7.14e-3)
    assert {f.template.form.draft_deg for f in likely_forms(stated)} == {14.0}
    assert central_form(true) is true


def test_a_section_curve_runs_from_the_foot_to_the_top():
    curve = section_curve(casting("cast", (BOX,), 24.0, CastForm(12.0, 3.0, 2.0)))
    assert curve[0, 1] == pytest.approx(0.0, abs=0.5)
    assert curve[:, 1].max() == pytest.approx(24.0, abs=0.6)
    assert (np.diff(curve[:, 1]) >= -1e-9).all()
