"""Exact volumes and areas of new and of uniformly worn parts: how far area and mass differ for one recession.

A part wastes by a depth d wherever water touches it. Seen from above its outline shrinks by d and its
holes grow by d; what the plan can't show is the face, which sinks by ``face_ratio * d``. Recession by d
takes every point within d of the water, so convex corners stay sharp and re-entrant corners round off
(Huygens' construction; for prisms under flat faces the product of plan area and height is exact).

plate, flush : plan area after d, times height less ``face_ratio * d`` (the back is dry)
plate, open  : the same with ``2 * face_ratio * d``
rod          : its side view is turned about its length; it wastes all round and at both ends, and stays
               round, so `face_ratio` says nothing about it. Metal that its fill factor says is missing
               is taken as a core or bore along the axis that doesn't waste.

Every function takes one depth or an array of depths (mm) and returns the same shape. Volumes are of
metal: the fill factor is in them.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any, TypeVar, cast

import numpy as np

from anodewane.geometry.rings import oriented, rings_area, to_shapely
from anodewane.records import Template
from anodewane.units import Floats
from anodewane.wear.metals import mass_g
from anodewane.wear.open_form import new_cast_volume

QUAD_SEGS = 16
"""Chords to a quarter turn where a re-entrant corner rounds off: 0.12 % of d at worst."""

ROD_SECTIONS = 120
"""Sections in which a worn rod's plan is measured."""

FloatOrFloats = TypeVar("FloatOrFloats", bound=float | Floats)


def new_area(template: Template) -> float:
    """Plan area of the new part, mm2: for a rod, its side view."""
    return rings_area(template.rings)


def new_volume(template: Template) -> float:
    """Volume of metal of the new part, mm3."""
    if template.form is not None:
        return new_cast_volume(template)
    return float(volume_after(template, 0.0))


def new_mass_g(template: Template) -> float:
    """Mass of the new part, g: as weighed, else volume times the cast alloy's density."""
    return (
        template.new_mass_g
        if template.new_mass_g is not None
        else mass_g(template.alloy, new_volume(template))
    )


def plan_after(template: Template, d_mm: FloatOrFloats) -> FloatOrFloats:
    """Plan area left after the edge has receded by `d_mm` everywhere, mm2. Heights play no part in it:
    a plate thinner than d still has a plan.

    Parameters
    ----------
    template : Template
    d_mm : float or ndarray
        Recession along the outline's normal, at least 0.
    """
    import shapely

    depths = _depths(d_mm)
    return _like(shapely.area(shapely.buffer(_plan(template), -depths, quad_segs=QUAD_SEGS)), d_mm)


def thickness_after(template: Template, d_mm: FloatOrFloats, face_ratio: float = 1.0) -> FloatOrFloats:
    """Height left after recession `d_mm`, mm: a flush plate loses it on one face, an open one on two; a
    rod loses it all round whatever `face_ratio`."""
    depths = _depths(d_mm)
    faces = 2.0 if template.solid == "rod" else face_ratio * (2.0 if template.mount == "open" else 1.0)
    return _like(np.maximum(0.0, template.thickness_mm - faces * depths), d_mm)


def volume_after(template: Template, d_mm: FloatOrFloats, face_ratio: float = 1.0) -> FloatOrFloats:
    """Volume of metal left after recession `d_mm`, mm3.

    Parameters
    ----------
    template : Template
    d_mm : float or ndarray
        Recession of the outline, at least 0.
    face_ratio : float
        How fast a plate's wet faces waste against its sides.
    """
    if template.solid == "plate":
        plan = np.asarray(plan_after(template, d_mm), float)
        return _like(
            plan * np.asarray(thickness_after(template, d_mm, face_ratio), float) * template.fill_factor, d_mm
        )
    import shapely

    axis, bore_mm, fill = _rod(template)
    worn = np.asarray(shapely.buffer(_plan(template), -_depths(d_mm), quad_segs=QUAD_SEGS))
    volumes = np.array([_revolved_volume(polygon, axis, bore_mm) for polygon in worn.ravel()]).reshape(
        worn.shape
    )
    return _like(volumes * fill, d_mm)


def recession_for_area(template: Template, area_mm2: float) -> float:
    """The recession that leaves a plan area, mm: 0 where the area is the new one or more, the depth at
    which nothing is left where it is 0."""
    return _depth_where(lambda d: plan_after(template, d) - area_mm2, _deepest(template))


@lru_cache(maxsize=64)
def _plan_table(template: Template) -> tuple[Floats, Floats]:
    """Depths and the plan areas they leave, closer together where wear begins; areas fall strictly."""
    depths = _deepest(template) * np.linspace(0, 1, 49) ** 1.5
    return depths, np.asarray(plan_after(template, depths))


def recession_near_area(template: Template, area_mm2: float) -> float:
    """`recession_for_area` by interpolation in a table made once per template: within 0.02 mm, a
    hundred times faster."""
    depths, areas = _plan_table(template)
    return float(np.interp(-area_mm2, -areas, depths))


def rod_volume_of_plan(template: Template, plan: Any) -> float:
    """Volume of metal of a worn rod, mm3, from its plan outline as a shapely geometry in the part frame.

    Each section is taken as round, with the width that the plan shows as its diameter: ``V = pi/4 *
    integral of w^2 dx``. Metal that the fill factor says is missing is a core or bore along the axis,
    as in `volume_after`.
    """
    import shapely

    (origin, unit), bore_mm, fill = _rod(template)
    across = np.array([-unit[1], unit[0]])
    x0, y0, x1, y1 = plan.bounds
    corners = (np.array([(x0, y0), (x0, y1), (x1, y0), (x1, y1)]) - origin) @ unit
    edges = np.linspace(corners.min(), corners.max(), ROD_SECTIONS + 1)
    middle = (edges[1:] + edges[:-1]) / 2
    reach = np.hypot(x1 - x0, y1 - y0)
    feet = origin + middle[:, None] * unit
    lines = shapely.linestrings(np.stack([feet - reach * across, feet + reach * across], axis=1))
    widths = shapely.length(shapely.intersection(plan, lines))
    area = np.pi * np.maximum((widths / 2) ** 2 - bore_mm**2 * (widths > 0), 0.0)
    return float(np.sum(area) * (edges[1] - edges[0]) * fill)


# --- inside --------------------------------------------------------------------------------------


def _depths(d_mm: Any) -> Floats:
    depths = np.asarray(d_mm, float)
    if not (depths >= 0).all():
        raise ValueError(f"d_mm: expected depths of at least 0, got {depths.min()}")
    return depths


def _like(values: Any, d_mm: FloatOrFloats) -> FloatOrFloats:
    """An array where an array was asked for, else a plain float."""
    return cast(FloatOrFloats, np.asarray(values, float) if isinstance(d_mm, np.ndarray) else float(values))


# the polygon is worth keeping over the few hundred depths of one judgement
@lru_cache(maxsize=64)
def _plan(template: Template) -> Any:
    import shapely

    plan = to_shapely(template.rings)
    shapely.prepare(plan)
    return plan


@lru_cache(maxsize=64)
def _deepest(template: Template) -> float:
    """Depth at which nothing is left of the plan: the radius of its largest inscribed circle, and the 1
    % by which GEOS may simplify an offset."""
    import shapely

    return 1.011 * float(shapely.maximum_inscribed_circle(_plan(template), tolerance=0.01).length) + 0.02


@lru_cache(maxsize=64)
def _rod(template: Template) -> tuple[tuple[Floats, Floats], float, float]:
    """Axis (a point and a unit vector) of a rod's side view, the radius of its core or bore, and the
    factor that remains of the fill.

    The diameter is the side of the view's smallest rectangle that is nearer to the thickness; the axis
    runs along the other, so that a collar wider than long is turned the right way.
    """
    import shapely

    box = np.asarray(shapely.oriented_envelope(_plan(template)).exterior.coords)
    sides = box[1:3] - box[:2]
    length = np.linalg.norm(sides, axis=1)
    along = 1 - int(np.argmin(np.abs(length - template.thickness_mm)))
    axis = (np.asarray(box[:4].mean(axis=0)), sides[along] / length[along])
    fill = template.fill_factor
    if fill >= 1:
        return axis, 0.0, fill
    gross = _revolved_volume(_plan(template), axis, 0.0)
    bore_mm = float(np.sqrt((1 - fill) * gross / (np.pi * length[along])))
    # Where the section isn't uniform the core may stick out of a thin end: the factor left over makes
    # the new volume exact.
    return axis, bore_mm, fill * gross / _revolved_volume(_plan(template), axis, bore_mm)


def _profile_rings(plan: Any, axis: tuple[Floats, Floats]) -> list[tuple[Floats, Floats]]:
    """(along, across) coordinates of every ring of a polygon, outer rings anticlockwise, closed; split
    where a ring crosses the axis."""
    import shapely

    origin, unit = axis
    turn = np.column_stack([unit, [-unit[1], unit[0]]])
    out = []
    for polygon in shapely.get_parts(plan):
        if polygon.is_empty:
            continue
        rings = oriented(tuple(np.asarray(r.coords)[:-1] for r in (polygon.exterior, *polygon.interiors)))
        for ring in rings:
            local = (ring - origin) @ turn
            out.append((np.r_[local[:, 0], local[:1, 0]], np.r_[local[:, 1], local[:1, 1]]))
    return out


def _revolved_volume(plan: Any, axis: tuple[Floats, Floats], bore_mm: float) -> float:
    """Volume of a side view turned about its axis, outside `bore_mm`: pi times the integral of |y| over
    |y| > bore (the mean of its two halves, by Pappus).

    By Green's theorem the integral over the upper half is ``-1/2`` of the ring integral of ``max(y,
    bore)^2 dx``, piece by piece exact on straight edges.
    """
    total = 0.0
    for x, y in _profile_rings(plan, axis):
        dx = np.diff(x)
        for sign in (1.0, -1.0):
            total -= 0.5 * sign * float(np.dot(dx, _mean_square_above(sign * y[:-1], sign * y[1:], bore_mm)))
    return max(0.0, np.pi * total)


def _mean_square_above(a: Floats, b: Floats, floor: float) -> Floats:
    """Mean of ``max(y, floor)^2`` on edges along which y runs evenly from a to b."""
    low, high = np.minimum(a, b), np.maximum(a, b)
    clipped = np.maximum(low, floor)
    top = np.maximum(high, floor)
    span = high - low
    share = np.where(span > 0, (top - clipped) / np.where(span > 0, span, 1.0), (low > floor).astype(float))
    above = (clipped * clipped + clipped * top + top * top) / 3
    mean: Floats = share * above + (1 - share) * floor * floor
    return mean


def _depth_where(excess: Any, deepest_mm: float) -> float:
    from scipy.optimize import brentq

    if excess(0.0) <= 0:
        return 0.0
    if excess(deepest_mm) >= 0:
        return deepest_mm
    return float(brentq(excess, 0.0, deepest_mm, xtol=1e-6))
