"""Templates from the outlines of photographed new parts: noise goes, sizes stay."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from anodewane.catalog.drawing import fit_circle
from anodewane.catalog.photo_template import template_from_outline
from anodewane.catalog.templates import builtin_templates
from anodewane.errors import UsageError
from anodewane.geometry.rings import resample_ring, rings_area

LIBRARY = builtin_templates()


def as_seen(template, noise_mm, seed=0, step_mm=0.35):
    """The outline as a photo gives it: a point every third of a millimetre, each off by white noise,
    turned and moved."""
    rng = np.random.default_rng(seed)
    t = np.radians(23.0)
    turn = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
    rings = []
    for ring in template.rings:
        even = resample_ring(ring, step_mm)
        rings.append((even + rng.normal(0, noise_mm, even.shape)) @ turn.T + [40.0, -7.0])
    return tuple(rings), turn


@pytest.mark.parametrize(
    "name",
    [
        "plate-200x100x28-2holes",
        "disc-160x30-4holes",
        "teardrop-130x65x26-2holes",
        "half-collar-76x32x46",
        "ring-145x85x15-3holes",
    ],
)
@pytest.mark.parametrize("noise_mm", [0.0, 0.03])
def test_a_photographed_part_is_its_drawing_again(name, noise_mm):
    new = LIBRARY[name]
    rings, turn = as_seen(new, noise_mm)
    template = template_from_outline(rings, "photo", new.thickness_mm, mount=new.mount, washer_mm=24)
    assert rings_area(template.rings) == pytest.approx(rings_area(new.rings), rel=2e-3)
    # the same outline but for the turn: by shapely's Hausdorff distance, to the straightening and the noise
    truth = shapely.Polygon(new.rings[0] @ turn.T)
    got = shapely.Polygon(template.rings[0])
    move = np.array(truth.centroid.coords[0]) - np.array(got.centroid.coords[0])
    assert shapely.Polygon(template.rings[0] + move).hausdorff_distance(truth) < 0.13 + 4 * noise_mm
    assert sum(map(len, template.rings)) < 0.4 * sum(map(len, rings)), "straightened: far fewer points"
    for hole in new.fixing_holes:
        nearest = min(template.fixing_holes, key=lambda h: abs(h.diameter_mm - hole.diameter_mm))
        assert nearest.diameter_mm == pytest.approx(hole.diameter_mm, abs=0.02 + noise_mm)
        assert nearest.washer_mm == 24


def test_a_rod_keeps_its_sides():
    rod = LIBRARY["rod-180x25"]
    rings, _ = as_seen(rod, 0.02)
    template = template_from_outline(rings, "photo", 25.0, solid="rod", mount="open")
    assert rings_area(template.rings) == pytest.approx(rings_area(rod.rings), rel=2e-3)


def test_polygons_are_taken_too_and_specks_dropped():
    rings, _ = as_seen(LIBRARY["plate-120x60x16-2holes"], 0.02)
    speck = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]) + 200
    dot = rings[0].mean(axis=0) + np.array([[0, 0], [0.0, 1.0], [1.0, 0.0]])
    template = template_from_outline([(*rings, dot), (speck,)], "photo", 16.0)
    assert len(template.rings) == 3


def test_several_pieces_are_refused():
    rings, _ = as_seen(LIBRARY["plate-120x60x16-2holes"], 0.0)
    other = (rings[0] + [300.0, 0.0],)
    with pytest.raises(UsageError, match="2 pieces"):
        template_from_outline([rings, other], "photo", 16.0)
    with pytest.raises(UsageError, match="no outline"):
        template_from_outline((), "photo", 16.0)


def test_a_square_hole_stays_square():
    """Four corners lie on a circle; a square isn't round."""
    square = np.array([[-8.0, -8.0], [-8.0, 8.0], [8.0, 8.0], [8.0, -8.0]])
    plate = np.array([[-60.0, -40.0], [60.0, -40.0], [60.0, 40.0], [-60.0, 40.0]])
    for hole in (square, resample_ring(square, 0.4)):
        template = template_from_outline((plate, hole), "photo", 16.0)
        assert len(template.rings[1]) == 4
        assert template.fixing_holes[0].diameter_mm == pytest.approx(16, abs=0.3)


@pytest.mark.parametrize("noise", [0.0, 0.05])
def test_the_circle_against_scikit_image(noise):
    """skimage.measure.CircleModel (another algebraic fit) on the same points."""
    from skimage.measure import CircleModel

    rng = np.random.default_rng(3)
    a = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    ring = np.column_stack([3 + 7 * np.cos(a), -2 + 7 * np.sin(a)]) + rng.normal(0, noise, (200, 2))
    centre, radius, rms = fit_circle(ring)
    model = CircleModel.from_estimate(ring)
    np.testing.assert_allclose(centre, model.center, atol=0.01)
    assert radius == pytest.approx(model.radius, abs=0.01)
    assert rms == pytest.approx(noise, abs=0.01)
