"""A new part cut upright along its length: what a drawing shows beside the plan.

The cut lies at one y of the part frame; its own frame is x along the part and z up from the face that
lies down.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from anodewane.geometry.rings import to_shapely
from anodewane.records import CastForm, CollarForm, FixingHole, MeshForm, Template, TurnedForm
from anodewane.units import Floats, Rings

STEP_MM = 0.25
"""Spacing of the places along a cut at which a casting's height is taken."""


@dataclass(frozen=True, slots=True)
class Section:
    """A cut through a new part: metal and steel as closed rings (n, 2) of x and z, mm.

    y_mm : where it lies; known : whether the casting's form is known, else the metal is only what it can at
    most be.
    """

    y_mm: float
    metal: Rings
    steel: Rings
    known: bool


def section_of(template: Template) -> Section:
    """The cut that shows most: through the fixing holes nearest to the middle, else through the middle."""
    y = _cut_at(template)
    metal = _solid(template, y)
    steel = []
    import shapely

    for ring in template.rings[1:]:
        for a, b in _spans(shapely.Polygon(ring), y):
            metal = metal.difference(shapely.box(a, -1.0, b, 1e4))
    for hole in template.fixing_holes:
        if hole.counterbore_mm is not None and hole.counterbore_depth_mm is not None:
            floor = height_over(template, centre_of(template, hole)) - hole.counterbore_depth_mm
            sunk = shapely.Point(*centre_of(template, hole)).buffer(hole.counterbore_mm / 2, quad_segs=64)
            for a, b in _spans(sunk, y):
                metal = metal.difference(shapely.box(a, floor, b, 1e4))
    for insert in template.inserts:
        for a, b in _spans(to_shapely(insert.rings), y):
            bar = shapely.box(a, insert.from_mm, b, insert.to_mm)
            metal = metal.difference(bar)
            steel.append(bar)
    known = template.profile_known
    return Section(y, _rings(metal), tuple(r for s in steel for r in _rings(s)), known)


def centre_of(template: Template, hole: FixingHole) -> Floats:
    """Middle (2,) of a fixing hole's box."""
    ring = template.rings[hole.ring]
    middle: Floats = (ring.min(axis=0) + ring.max(axis=0)) / 2 + 0.0
    return middle


def height_over(template: Template, place: Floats) -> float:
    """From which height a counterbore at a place of the plan is measured."""
    if isinstance(template.form, CollarForm):
        from anodewane.wear.forms import collar_radius

        radius = float(collar_radius(template.form, np.array([place[0]]))[0])
        return float(np.sqrt(max(radius**2 - place[1] ** 2, 0.0)))
    return template.thickness_mm


# --- inside ----------------------------------------------------------------------------------------------


def _cut_at(template: Template) -> float:
    low, high = template.rings[0].min(axis=0), template.rings[0].max(axis=0)
    middle = float(low[1] + high[1]) / 2
    if isinstance(template.form, (CollarForm, TurnedForm)):
        return 0.0
    rows = [float(centre_of(template, h)[1]) for h in template.fixing_holes]
    near = [y for y in rows if abs(y - middle) < 0.3 * float(high[1] - low[1])]
    return min(near, key=lambda y: abs(y - middle)) if near else middle


def _spans(shape: Any, y: float) -> list[tuple[float, float]]:
    """Where a line at one y runs inside a plan shape."""
    import shapely

    x0, _, x1, _ = shape.bounds
    cut = shape.intersection(shapely.LineString([(x0 - 1, y), (x1 + 1, y)]))
    lines = [g for g in shapely.get_parts(cut) if g.geom_type == "LineString"]
    return [(float(g.bounds[0]), float(g.bounds[2])) for g in lines if g.length > 1e-6]


def _solid(template: Template, y: float) -> Any:
    """The cut before holes, counterbores and steel are taken out of it."""
    import shapely
    from shapely import affinity

    form = template.form
    if isinstance(form, TurnedForm):
        from anodewane.wear.forms import turned_section

        half = turned_section(form).intersection(shapely.box(0.0, 0.0, 1e4, 1e4))
        return shapely.union_all([half, affinity.scale(half, -1.0, 1.0, origin=(0, 0))])
    if isinstance(form, CollarForm):
        from anodewane.wear.forms import collar_section

        return collar_section(form).intersection(shapely.box(-1e4, form.bore_mm / 2, 1e4, 1e4))
    if isinstance(form, MeshForm):
        return _mesh_cut(form, y)
    outer = to_shapely(template.rings[:1])
    if not isinstance(form, CastForm):
        spans = _spans(outer, y)
        return shapely.union_all([shapely.box(a, 0.0, b, template.thickness_mm) for a, b in spans])
    from anodewane.wear.forms import cast_section

    reach = float(shapely.maximum_inscribed_circle(outer, tolerance=0.1).length)
    under = cast_section(template.thickness_mm, form, reach).intersection(shapely.box(0.0, 0.0, reach, 1e4))
    curve = np.asarray(under.exterior.coords)[:-1]
    curve = curve[(curve[:, 1] > 1e-6) | (curve[:, 0] < 1e-6)]
    curve = curve[np.lexsort((curve[:, 1], curve[:, 0]))]
    edge = outer.exterior
    pieces = []
    for a, b in _spans(outer, y):
        x = np.r_[a + 1e-4, np.arange(a + STEP_MM, b, STEP_MM), b - 1e-4]
        u = shapely.distance(edge, shapely.points(x, np.full(len(x), y)))
        z = np.interp(u, curve[:, 0], curve[:, 1])
        pieces.append(shapely.Polygon([(a, 0.0), *zip(x, z, strict=True), (b, 0.0)]))
    return shapely.union_all(pieces)


def _mesh_cut(form: MeshForm, y: float) -> Any:
    """A mesh cut at one y: the segments in which the plane meets its triangles, joined to areas."""
    import shapely

    corners = form.vertices_mm[form.faces]
    # No corner may lie in the plane itself.
    off = corners[:, :, 1] - (y + 1.7e-5)
    crossed = corners[(off.min(axis=1) < 0) & (off.max(axis=1) > 0)]
    ends = []
    for triangle in crossed:
        d = triangle[:, 1] - (y + 1.7e-5)
        pairs = [(i, j) for i, j in ((0, 1), (1, 2), (2, 0)) if d[i] * d[j] < 0]
        points = [triangle[i] + d[i] / (d[i] - d[j]) * (triangle[j] - triangle[i]) for i, j in pairs]
        ends.append(np.round(np.array(points)[:, [0, 2]], 5))
    areas = shapely.get_parts(shapely.polygonize(list(shapely.linestrings(np.array(ends)))))
    # A hollow is an area inside another: even depth is metal.
    metal = shapely.Polygon()
    for area in sorted(areas, key=lambda p: -shapely.Polygon(p.exterior).area):
        metal = metal.symmetric_difference(shapely.Polygon(area.exterior))
    return metal


def _rings(shape: Any) -> Rings:
    import shapely

    parts = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon" and p.area > 1e-3]
    rings = [r for p in parts for r in (p.exterior, *p.interiors)]
    return tuple(np.asarray(r.simplify(0.01).coords)[:-1] for r in rings)
