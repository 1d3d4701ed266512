"""How a casting's surface runs over its plan: section curves of cast, turned and collar forms, and their
plan outlines.

A `cast` form is told by its section: how high the surface stands at each inward distance u from the outer
ring. Its wall leans as u = z tan(draft) up to the shoulder, which stands at thickness - crown; from there
the top rises by the crown over `CROWN_RUN_MM` as 1 - (1 - k)^2. Then convex edges are rounded, the foot's
kept sharp.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from anodewane.records import CastForm, CollarForm, Form, MeshForm, Template, TurnedForm
from anodewane.units import Floats

CROWN_RUN_MM = 28.0
"""Inward distance over which a crowned top rises to its height."""

FOOT_BELOW_MM = 80.0
"""How far a wall is carried on below its foot, so that rounding and wear leave the foot's edge to the dry
face."""

ROUND_SEGS = 24
"""Chords to a quarter turn of a rounded edge: 0.05 % of its radius at worst."""

BARREL_STEPS = 60


def cast_curve(thickness_mm: float, form: CastForm) -> Floats:
    """Section (n, 2) of a cast form before its edges are rounded: inward distance and height, from the
    foot to the middle.

    Draft and crown that the form leaves open are taken as 0.
    """
    if form.section_mm is not None:
        return np.asarray(form.section_mm)
    lean = float(np.tan(np.radians(form.draft_deg or 0.0)))
    crown = form.crown_mm or 0.0
    shoulder = thickness_mm - crown
    begins = shoulder * lean
    k = np.linspace(0.0, 1.0, 25) if crown > 0 else np.array([0.0, 1.0])
    u = begins + k * max(CROWN_RUN_MM - begins, 1e-3)
    z = shoulder + crown * (1 - (1 - k) ** 2)
    return np.vstack([[(0.0, 0.0)], np.column_stack([u, z])])


def cast_section(thickness_mm: float, form: CastForm, reach_mm: float) -> Any:
    """The same as a shapely polygon of metal, edges rounded, to `reach_mm` inward and below the foot."""
    curve = cast_curve(thickness_mm, form)
    return _rounded(_closed(curve, max(reach_mm, curve[-1, 0]) + 60.0), form.edge_radius_mm or 0.0)


def turned_section(form: TurnedForm) -> Any:
    """Metal of a turned form as a shapely polygon of radius and height: mirrored in the axis, carried on
    below the foot."""
    profile = np.asarray(form.profile_mm)
    inward = np.column_stack([-profile[:, 0], profile[:, 1]])  # rises inward as a cast section does
    polygon = _rounded(_closed(inward, 200.0), form.edge_radius_mm)
    from shapely import affinity

    return affinity.scale(polygon, -1.0, 1.0, origin=(0, 0))


def collar_radius(form: CollarForm, x_mm: Any) -> Floats:
    """Radius (n,) of a collar's barrel at places (n,) along its axis."""
    end, outer = form.end_diameter_mm / 2, form.outer_diameter_mm / 2
    share = np.minimum(np.abs(np.asarray(x_mm, float)) / (form.length_mm / 2), 1.0)
    out: Floats = end + (outer - end) * (1 - share**form.barrel)
    return out


def collar_section(form: CollarForm) -> Any:
    """Metal of a collar without its bore as a shapely polygon of x and radius, open below the axis."""
    from shapely import Polygon

    x = np.linspace(-form.length_mm / 2, form.length_mm / 2, BARREL_STEPS + 1)
    points = [(x[0], -200.0), *zip(x, collar_radius(form, x), strict=True), (x[-1], -200.0)]
    return _rounded(Polygon(points), form.edge_radius_mm)


def plan_outline(form: Form) -> Floats:
    """Outer ring (n, 2) of the plan that a turned, collar or mesh form throws, anticlockwise.

    Raises
    ------
    ValueError
        For a cast form: its outline is what the template itself says.
    """
    if isinstance(form, TurnedForm):
        radius = float(np.max(form.profile_mm[:, 0]))
        turn = np.arange(180) * 2 * np.pi / 180
        # the polygon of the circle's own area
        radius *= float(np.sqrt((2 * np.pi / 180) / np.sin(2 * np.pi / 180)))
        return radius * np.column_stack([np.cos(turn), np.sin(turn)])
    if isinstance(form, CollarForm):
        x = np.linspace(-form.length_mm / 2, form.length_mm / 2, BARREL_STEPS + 1)
        r = collar_radius(form, x)
        return np.vstack([np.column_stack([x, -r]), np.column_stack([x, r])[::-1]])
    if isinstance(form, MeshForm):
        import shapely

        from anodewane.geometry.rings import from_shapely, polygons_of

        xy = form.vertices_mm[form.faces][:, :, :2]
        edge = xy[:, 1:] - xy[:, :1]
        facing = edge[:, 0, 0] * edge[:, 1, 1] - edge[:, 0, 1] * edge[:, 1, 0]
        shapes = shapely.polygons(xy[facing > 1e-9])
        # a hair of width joins what rounding keeps apart
        joined = shapely.union_all(shapely.buffer(shapes, 1e-3, join_style="mitre")).buffer(
            -1e-3, join_style="mitre"
        )
        ring: Floats = np.asarray(from_shapely(polygons_of(joined)[0])[0])
        return ring
    raise ValueError("plan_outline: a cast form has no outline of its own")


def section_curve(template: Template) -> Floats:
    """Half section (n, 2) for drawings, edges rounded, from the foot up: inward distance (cast), radius
    (turned) or x (collar, the whole of it), and height or radius.

    Raises
    ------
    ValueError
        For a plate, a rod and a mesh, which have none.
    """
    form = template.form
    if isinstance(form, CastForm):
        import shapely

        from anodewane.geometry.rings import to_shapely

        reach = float(shapely.maximum_inscribed_circle(to_shapely(template.rings[:1]), tolerance=0.1).length)
        shape, limits = cast_section(template.thickness_mm, form, reach), (-1e-9, reach)
    elif isinstance(form, TurnedForm):
        shape, limits = turned_section(form), (0.0, 1e6)
    elif isinstance(form, CollarForm):
        shape, limits = collar_section(form), (-1e6, 1e6)
    else:
        raise ValueError(f"section_curve: a {template.solid} has no section curve")
    from shapely import box

    lower, upper = max(limits[0], -1e4), min(limits[1], 1e4)
    ring = np.asarray(shape.intersection(box(lower, -1e-9, upper, 1e4)).exterior.coords)[:-1]
    kept = ring[(ring[:, 1] > 1e-6) | (np.abs(ring[:, 0]) > 1e-6)]
    order = np.argsort(kept[:, 0], kind="stable")
    out: Floats = kept[order] if isinstance(form, CollarForm) else kept[np.argsort(kept[:, 1], kind="stable")]
    return out


def _closed(curve: Floats, reach_mm: float) -> Any:
    """Metal under a section curve: from its wall carried on below the foot to `reach_mm` inward."""
    from shapely import Polygon

    up = np.flatnonzero(np.diff(curve[:, 1]) > 1e-9)
    first = int(up[0]) if len(up) else 0
    rise = curve[first + 1] - curve[first]
    lean = rise[0] / rise[1] if rise[1] > 0 else 0.0
    below = (curve[0, 0] - lean * FOOT_BELOW_MM, curve[0, 1] - FOOT_BELOW_MM)
    top = float(curve[-1, 1])
    return Polygon([below, *map(tuple, curve), (reach_mm, top), (reach_mm, -FOOT_BELOW_MM)])


def _rounded(polygon: Any, radius_mm: float) -> Any:
    if radius_mm <= 0:
        return polygon
    return polygon.buffer(-radius_mm, quad_segs=ROUND_SEGS).buffer(radius_mm, quad_segs=ROUND_SEGS)
