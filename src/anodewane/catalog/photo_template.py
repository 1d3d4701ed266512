"""A template from the outline of a new part that was photographed on the sheet: straightened a little,
its round holes made round."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Unpack

import numpy as np

from anodewane.catalog.drawing import DrawingOptions, fit_circle, template_from_drawn_rings, turns_evenly
from anodewane.catalog.outlines import circle
from anodewane.errors import UsageError
from anodewane.geometry.rings import ring_area
from anodewane.records import Template
from anodewane.units import Floats, Rings

STRAIGHTEN_MM = 0.1
"""Farthest that straightening may move an outline: what a photo's edge is good to, not more."""

ROUND_RMS_MM, ROUND_RMS_FRAC = 0.25, 0.015
"""A ring is called round when its points lie within this rms of their circle: so much, or so much of
its radius where that is more."""

MIN_HOLE_MM = 2.5
"""Smaller holes in a photographed outline are specks."""

PIECE_FRAC = 0.005


def template_from_outline(
    outline_mm: Rings | Sequence[Rings],
    name: str,
    thickness_mm: float,
    **options: Unpack[DrawingOptions],
) -> Template:
    """Make a template from the plan outline of a new part.

    Parameters
    ----------
    outline_mm : rings, or polygons of rings
        Part frame, mm, with the height of the part's edge already taken out. Of several polygons the
        largest counts; specks are dropped.
    name, thickness_mm, options
        What the photo doesn't say; see `anodewane.catalog.drawing.template_from_drawn_rings`.

    Raises
    ------
    UsageError
        Several pieces, or a part that can't be.
    """
    import shapely

    polygons = _polygons(outline_mm)
    shapes = sorted(
        (shapely.make_valid(shapely.Polygon(p[0], p[1:])) for p in polygons), key=lambda s: -s.area
    )
    if len(shapes) > 1 and shapes[1].area > PIECE_FRAC * shapes[0].area:
        raise UsageError(
            f"The photo shows {len(shapes)} pieces, the second of {shapes[1].area:.0f} mm².",
            "Photograph the new part alone, in one piece, on a plain ground.",
        )
    parts = sorted(shapely.get_parts(shapes[0]), key=lambda s: -s.area)
    body = parts[0]
    rings = [_tidied(np.asarray(body.exterior.coords)[:-1])]
    for hole in body.interiors:
        ring = np.asarray(hole.coords)[:-1]
        if abs(ring_area(ring)) > np.pi / 4 * MIN_HOLE_MM**2:
            rings.append(_tidied(ring))
    return template_from_drawn_rings(rings, name, thickness_mm, **options)


def _tidied(ring: Floats) -> Floats:
    """A circle of the ring's own area where it is round, else the ring straightened with its area kept."""
    import shapely

    centre, radius, rms = fit_circle(ring)
    if rms <= max(ROUND_RMS_MM if radius > 5 else 0.05 * radius, ROUND_RMS_FRAC * radius) and turns_evenly(
        ring, centre
    ):
        return circle(centre, 2 * float(np.sqrt(abs(ring_area(ring)) / np.pi)))
    simple = np.asarray(shapely.Polygon(ring).simplify(STRAIGHTEN_MM).exterior.coords)[:-1]
    return simple if len(simple) >= 3 else ring


def _polygons(outline_mm: Any) -> list[list[Floats]]:
    first = outline_mm[0] if len(outline_mm) else None
    if first is None:
        raise UsageError(
            "The photo shows no outline of a part.",
            "Photograph the new part on a plain ground beside the sheet.",
        )
    rings_of_one = isinstance(first, np.ndarray) and first.ndim == 2
    polygons = [outline_mm] if rings_of_one else outline_mm
    return [[np.asarray(r, float) for r in p] for p in polygons]
