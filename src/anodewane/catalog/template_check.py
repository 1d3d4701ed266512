"""From rings and figures to a `Template`: everything that can be wrong with a new part is refused here,
in one sentence with a remedy.

Every maker (parameters, template file, SVG, DXF, photo) ends in `checked_template`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from anodewane.catalog.form_check import MIN_WALL_MM, SOLIDS, check_form
from anodewane.errors import UsageError
from anodewane.geometry.rings import oriented, ring_area
from anodewane.record import Alloy, Mount, Solid
from anodewane.records import FixingHole, Form, Insert, Template
from anodewane.units import Floats, Rings
from anodewane.wear.metals import METALS, mass_g

MIN_SIZE_MM, MAX_SIZE_MM = 5.0, 2000.0
"""Longest side of a part that a phone can photograph beside a sheet; outside it the outline is
in other units."""

MIN_THICKNESS_MM, MAX_THICKNESS_MM = 0.5, 500.0
MAX_POINTS = 20_000
"""Points of an outline: a sheet of 2 m sampled to 0.02 mm needs fewer."""

MASS_RATIO = (0.5, 1.7)
"""Weighed mass over volume times density, within which a new part's figures can belong together: a
light section or a steel core, never kilograms for grams."""


@dataclass(frozen=True, slots=True)
class Fixing:
    """A fixing hole as a maker knows it: the index of its ring (the outer outline is 0), its washer's
    outer diameter, None when unknown, and diameter and depth of its counterbore, None without one."""

    ring: int
    washer_mm: float | None
    counterbore_mm: float | None = None
    counterbore_depth_mm: float | None = None


def checked_template(
    *,
    name: str,
    rings: Sequence[Any],
    thickness_mm: float,
    mount: Mount = "flush",
    solid: Solid = "plate",
    form: Form | None = None,
    inserts: Sequence[Insert] = (),
    alloy: Alloy = "zinc",
    new_mass_g: float | None = None,
    fill_factor: float = 1.0,
    fixings: Sequence[Fixing] = (),
    core_depth_mm: float | None = None,
    mirror_ok: bool | None = None,
    validate: bool = True,
) -> Template:
    """Return the template, its rings oriented and its fixing holes measured.

    Parameters
    ----------
    rings : sequence of (n, 2) arrays
        Outer outline first, then holes. Part frame, mm.
    form : Form, optional
        The casting's own shape: the one that goes with `solid`.
    fixings : sequence of Fixing
        Which rings are fixing holes.
    mirror_ok : bool, optional
        Whether the part may lie either face up; where not given, an open plate or rod may and others may not.
    validate : bool
        False spares the checks for data that tests have already held to them.

    Raises
    ------
    UsageError
        Anything about the part that can't be.
    """
    arrays = tuple(_ring(name, r, i) for i, r in enumerate(rings))
    if not arrays:
        raise UsageError(f"The template '{name}' has no outline.", "Give one closed outline in millimetres.")
    if validate:
        _check_figures(name, thickness_mm, mount, solid, alloy, new_mass_g, fill_factor, core_depth_mm)
        _check_rings(name, arrays)
    turned = oriented(arrays)
    holes = tuple(
        FixingHole(
            f.ring,
            hole_diameter(turned[f.ring]),
            *(
                None if v is None else float(v)
                for v in (f.washer_mm, f.counterbore_mm, f.counterbore_depth_mm)
            ),
        )
        for f in fixings
        if _is_hole(name, f, turned)
    )
    template = Template(
        name=name,
        rings=turned,
        thickness_mm=float(thickness_mm),
        mount=mount,
        solid=solid,
        alloy=alloy,
        new_mass_g=None if new_mass_g is None else float(new_mass_g),
        fill_factor=float(fill_factor),
        fixing_holes=holes,
        core_depth_mm=None if core_depth_mm is None else float(core_depth_mm),
        mirror_ok=(mount == "open" and form is None) if mirror_ok is None else mirror_ok,
        form=form,
        inserts=tuple(inserts),
    )
    if validate:
        _check_whole(template)
        check_form(template)
    return template


def hole_diameter(ring: Floats) -> float:
    """Diameter of a hole, mm: of the circle of its area where it is round, else its narrow way.

    Round is ``4 pi A / P^2`` above 0.97 (Cox's circularity; a slot half as long again as wide has 0.95).
    """
    area = abs(ring_area(ring))
    perimeter = float(np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1).sum())
    if 4 * math.pi * area > 0.97 * perimeter * perimeter:
        return round(2 * math.sqrt(area / math.pi), 4)
    # The least width of a polygon lies across one of its edges (rotating calipers; a few hundred edges
    # need no clever order).
    edge = np.roll(ring, -1, axis=0) - ring
    normal = np.column_stack([-edge[:, 1], edge[:, 0]]) / np.linalg.norm(edge, axis=1, keepdims=True)
    return round(float(np.ptp((ring - ring.mean(axis=0)) @ normal.T, axis=0).min()), 4)


def _ring(name: str, ring: Any, index: int) -> Floats:
    what = "outline" if index == 0 else f"hole {index}"
    points = np.asarray(ring, float)
    if points.ndim != 2 or points.shape[-1] != 2 or not np.isfinite(points).all():
        raise UsageError(
            f"The {what} of the template '{name}' isn't a list of points with finite x and y.",
            "Give x and y in millimetres.",
        )
    if len(points) > 1 and np.array_equal(points[0], points[-1]):
        points = points[:-1]
    # To a nanometre, as template files are written, so that a part is the same before and after its
    # file; -0 becomes 0.
    points = np.round(points, 6) + 0.0
    # A point that repeats its forerunner has no direction to recede along.
    points = (
        points[np.linalg.norm(points - np.roll(points, 1, axis=0), axis=1) > 1e-6]
        if len(points) > 1
        else points
    )
    if len(points) < 3:
        raise UsageError(
            f"The {what} of the template '{name}' has fewer than three points.",
            "Close the outline round an area.",
        )
    if len(points) > MAX_POINTS:
        raise UsageError(
            f"The {what} of the template '{name}' has {len(points)} points.",
            f"Simplify it to at most {MAX_POINTS} points: 0.02 mm is fine enough.",
        )
    return points


def _check_figures(
    name: str,
    thickness_mm: float,
    mount: str,
    solid: str,
    alloy: str,
    new_mass_g: float | None,
    fill_factor: float,
    core_depth_mm: float | None,
) -> None:
    for what, value, known in (
        ("mount", mount, ("flush", "open")),
        ("solid", solid, SOLIDS),
        ("alloy", alloy, tuple(METALS)),
    ):
        if value not in known:
            raise UsageError(
                f"The template '{name}' has the {what} '{value}'.", f"It must be one of: {', '.join(known)}."
            )
    if not MIN_THICKNESS_MM <= thickness_mm <= MAX_THICKNESS_MM:
        raise UsageError(
            f"The template '{name}' has a thickness of {thickness_mm:g} mm.",
            f"Give it in millimetres, from {MIN_THICKNESS_MM:g} to {MAX_THICKNESS_MM:g}.",
        )
    if not 0 < fill_factor <= 1.5:
        raise UsageError(
            f"The template '{name}' has a fill factor of {fill_factor:g}.",
            "It is metal volume over outline area times thickness: above 0, at most 1.5.",
        )
    if new_mass_g is not None and not (math.isfinite(new_mass_g) and new_mass_g > 0):
        raise UsageError(
            f"The template '{name}' has a new mass of {new_mass_g:g} g.",
            "Give what the new part weighs in grams, or leave it out.",
        )
    if core_depth_mm is not None and not 0 < core_depth_mm < thickness_mm:
        raise UsageError(
            f"The template '{name}' has its core {core_depth_mm:g} mm deep in a part {thickness_mm:g} mm "
            "thick.",
            "Give the metal over the core, less than the thickness.",
        )
    if fill_factor != 1 and solid in ("turned", "collar", "mesh"):
        raise UsageError(
            f"The template '{name}' is a {solid} with a fill factor, but its own measures say what it holds.",
            "Leave the fill factor out.",
        )
    if solid == "rod" and mount == "flush":
        raise UsageError(
            f"The template '{name}' is a rod with a flush mount, but a rod wastes all round.",
            "Set its mount to open, or its solid to plate.",
        )


def _check_rings(name: str, rings: Rings) -> None:
    import shapely

    outer = rings[0]
    size = np.ptp(outer, axis=0)
    if not MIN_SIZE_MM <= size.max() <= MAX_SIZE_MM:
        raise UsageError(
            f"The template '{name}' is {size[0]:.4g} x {size[1]:.4g} mm, which no such part is.",
            f"Give the outline in millimetres; the longer side must be {MIN_SIZE_MM:g} to {MAX_SIZE_MM:g} "
            "mm.",
        )
    body = shapely.Polygon(outer)
    for i, ring in enumerate(rings):
        shape = body if i == 0 else shapely.Polygon(ring)
        what = "outline" if i == 0 else f"hole {i}"
        if not shape.is_valid:
            where = shapely.is_valid_reason(shape).partition("[")[2].rstrip("]").split()
            at = f" near x {float(where[0]):.2f}, y {float(where[1]):.2f} mm" if len(where) >= 2 else ""
            raise UsageError(
                f"The {what} of the template '{name}' crosses or touches itself{at}.",
                "Redraw it as one simple closed line.",
            )
        if shape.area < (1.0 if i else 0.01 * size.max() ** 2):
            raise UsageError(
                f"The {what} of the template '{name}' encloses almost no area ({shape.area:.3g} mm²).",
                "Check the outline and its units.",
            )
    holes = [shapely.Polygon(r) for r in rings[1:]]
    for i, hole in enumerate(holes, start=1):
        if body.disjoint(hole):
            raise UsageError(
                f"Hole {i} of the template '{name}' lies outside the outline.",
                "Draw one outline and its holes inside it.",
            )
        if not body.contains(hole) or body.exterior.distance(hole) < MIN_WALL_MM:
            raise UsageError(
                f"Hole {i} of the template '{name}' touches the edge of the part.",
                "Move it inward, or draw it as a notch of the outline.",
            )
        for j, other in enumerate(holes[i:], start=i + 1):
            if hole.distance(other) < MIN_WALL_MM:
                raise UsageError(
                    f"Holes {i} and {j} of the template '{name}' touch.",
                    "Move them apart, or draw them as one hole.",
                )


def _is_hole(name: str, fixing: Fixing, rings: Rings) -> bool:
    if not 0 < fixing.ring < len(rings):
        raise UsageError(
            f"The template '{name}' has a fixing at hole {fixing.ring}, but {len(rings) - 1} "
            f"hole{'s' if len(rings) != 2 else ''}.",
            "Number the holes from 1 in the order of the outline, or give the fixing's centre and diameter.",
        )
    return True


def _check_whole(template: Template) -> None:
    from anodewane.wear.solids import new_volume

    name = template.name
    rings = [h.ring for h in template.fixing_holes]
    if len(set(rings)) != len(rings):
        raise UsageError(f"The template '{name}' names a fixing hole twice.", "List each fixing hole once.")
    for hole in template.fixing_holes:
        if hole.washer_mm is not None and not hole.diameter_mm < hole.washer_mm < MAX_SIZE_MM:
            raise UsageError(
                f"The washer of hole {hole.ring} of the template '{name}' is {hole.washer_mm:g} mm wide "
                f"over a hole of {hole.diameter_mm:.4g} mm.",
                "Give the washer's outer diameter, which is more than the hole's.",
            )
    if template.solid == "rod":
        if len(template.rings) > 1:
            raise UsageError(
                f"The template '{name}' is a rod with holes in its side view.",
                "Draw a rod's side view without holes, or set its solid to plate.",
            )
        sides = _rectangle_sides(template.rings[0])
        if min(abs(s - template.thickness_mm) for s in sides) > max(0.5, 0.03 * template.thickness_mm):
            raise UsageError(
                f"The template '{name}' is a rod {template.thickness_mm:g} mm thick, but its side view is "
                f"{sides[0]:.4g} x {sides[1]:.4g} mm.",
                "A rod's thickness is its diameter: make the two agree.",
            )
    if template.new_mass_g is not None:
        by_volume = mass_g(template.alloy, new_volume(template))
        if not MASS_RATIO[0] <= template.new_mass_g / by_volume <= MASS_RATIO[1]:
            raise UsageError(
                f"The template '{name}' is said to weigh {template.new_mass_g:.4g} g new, but its volume "
                f"in {template.alloy} weighs {by_volume:.4g} g.",
                "Check the mass (in grams), the alloy, the thickness and the fill factor.",
            )


def _rectangle_sides(ring: Floats) -> tuple[float, float]:
    """Sides of the smallest rectangle round a ring, longer first."""
    import shapely

    box = np.asarray(shapely.oriented_envelope(shapely.Polygon(ring)).exterior.coords)
    a, b = (float(np.linalg.norm(v)) for v in box[1:3] - box[:2])
    return max(a, b), min(a, b)
