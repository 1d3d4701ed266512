"""The shapes of a report, from a record and its template: what is left, wear round the outline, and the
photo seen from straight above at the part's own scale.

A camera that sees an edge at height h over the sheet sees it, carried down to the sheet's plane,
enlarged about the point under the lens and by one factor (distance over distance less h). So the photo
flattened by the sheet and divided by that factor is at the part's true scale; the record tells the
factor, because it holds the outline both as the photo shows it and at its true size.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from anodewane.geometry.camera import apply_homography
from anodewane.geometry.motion import Motion
from anodewane.geometry.rings import polygons_of, resample_ring, ring_length, to_shapely
from anodewane.record import Verdict
from anodewane.records import Template
from anodewane.units import Floats

MAX_POINTS = 200_000
"""Points that a record's outline may have before it is thought of as damage: a 200 MP photo's outline
has some 50 000."""


def worn_shape(verdict: Verdict) -> Any:
    """What is left as a shapely geometry in the part's mm, None where the record has no usable outline.
    Rings count even-odd, as the record's do."""
    return shape_of(verdict.outline.part_mm if verdict.outline else ())


def shape_of(rings: Any) -> Any:
    """Rings as one geometry: each in turn added or taken away, so that pieces and their holes come
    out in any order."""
    import shapely

    whole: Any = None
    if not rings or sum(len(r) for r in rings) > MAX_POINTS:
        return None
    for ring in rings:
        if len(ring) < 3:
            continue
        polygon = shapely.make_valid(shapely.Polygon(np.asarray(ring, float)))
        whole = polygon if whole is None else shapely.symmetric_difference(whole, polygon)
    return whole if whole is not None and whole.area > 0 else None


def new_shape(template: Template) -> Any:
    """The new part's outline with its holes, part mm."""
    return to_shapely(template.rings)


def recession_round(template: Template, worn: Any) -> tuple[Floats, Floats, Floats]:
    """Wear round the new outline.

    Returns
    -------
    tuple
        (n,) way from the start in mm, (n,) recession in mm, (n, 2) the points, part mm. The way begins
        at the outline's rightmost point and runs anticlockwise; the recession is the distance from
        there to the nearest metal, as the record's own figures have it.
    """
    import shapely

    ring = np.asarray(template.rings[0], float)
    length = ring_length(ring)
    # the very points that the record measured at: a finer look would find a peak between them
    points = resample_ring(ring, max(1.0, length / 400))
    points = np.roll(points, -int(np.argmax(points[:, 0])), axis=0)
    way = np.arange(len(points)) * length / len(points)
    shapely.prepare(worn)
    return way, np.asarray(shapely.distance(worn, shapely.points(points)), float), points


@dataclass(frozen=True, slots=True)
class Flat:
    """How the photo is laid flat."""

    flat_from_px: Floats
    """(3, 3) photo pixels to flat mm, turned so that the part lies as in its template."""
    in_part_plane: bool
    """At the part's own scale; else at the sheet's."""
    left: tuple[Floats, ...]
    """Rings of what is left, flat mm, x right, y up."""
    new: tuple[Floats, ...]
    """Rings of the new part, as `left`."""
    flat_from_part: Motion | None
    """None where the record doesn't say how the part lies."""
    off_mm: float | None
    """95 % of the outline lie within this of their true place (edges are seen at several heights); None
    as `flat_from_part`."""


def lay_flat(verdict: Verdict) -> Flat | None:
    """Work out how to flatten a record's photo, None where the sheet or the outline isn't in the record
    or makes no sense."""
    import cv2

    scale, outline = verdict.scale, verdict.outline
    if (
        scale is None
        or outline is None
        or scale.sheet_photo_px is None
        or scale.sheet_size_mm is None
        or len(scale.sheet_photo_px) != 4
    ):
        return None
    if sum(len(r) for r in outline.photo_px) > MAX_POINTS:
        return None
    corners = np.asarray(scale.sheet_photo_px, float)
    half = np.array(scale.sheet_size_mm) / 2 * [[-1, 1], [1, 1], [1, -1], [-1, -1]]
    # four corners that enclose next to nothing give no map; a record changed by hand may have them
    if abs(cv2.contourArea(corners.astype(np.float32))) < 100 or not (half[1] > 0).all():
        return None
    to_sheet = cv2.getPerspectiveTransform(corners.astype(np.float32), half.astype(np.float32)).astype(float)
    left = [apply_homography(to_sheet, np.asarray(r, float)) for r in outline.photo_px if len(r) >= 3]
    fresh = verdict.template.outline_photo_px if verdict.template else None
    new = [apply_homography(to_sheet, np.asarray(r, float)) for r in fresh or () if len(r) >= 3]
    seen, true = shape_of(left), worn_shape(verdict)
    if seen is None or not all(np.isfinite(r).all() for r in (*left, *new)):
        return None
    factor = float(np.sqrt(seen.area / true.area)) if true is not None and verdict.status == "judged" else 1.0
    in_part_plane = true is not None and verdict.status == "judged" and 0.9 < factor < 1.4
    if not in_part_plane:
        factor = 1.0
    angle = (
        np.radians(verdict.template.angle_deg)
        if verdict.template and verdict.template.angle_deg is not None
        else 0.0
    )
    mirrored = bool(verdict.template and verdict.template.mirrored)
    if mirrored:
        # the record's angle of a reflection is measured from the other end of the x axis
        angle = np.pi - angle
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]]) / factor
    whole = np.eye(3)
    whole[:2, :2] = turn
    rings = tuple(r @ turn.T for r in left)
    flat_from_part = off_mm = None
    if in_part_plane and verdict.template and verdict.template.angle_deg is not None:
        flip = Motion(np.diag([1.0, -1.0]) if mirrored else np.eye(2), np.zeros(2))
        at, of = np.asarray(shape_of(rings).centroid.coords[0]), np.asarray(true.centroid.coords[0])
        flat_from_part = Motion(flip.turn, at - flip.along(of))
        off_mm = _off(rings, true, flat_from_part)
    return Flat(
        whole @ to_sheet, in_part_plane, rings, tuple(r @ turn.T for r in new), flat_from_part, off_mm
    )


def _off(seen: tuple[Floats, ...], true: Any, flat_from_part: Motion) -> float:
    """95 % of the seen outline lies within this of the true one, mm."""
    import shapely

    edge = shapely.transform(true, flat_from_part.apply).boundary
    shapely.prepare(edge)
    return float(np.quantile(shapely.distance(edge, shapely.points(resample_ring(seen[0], 1.0))), 0.95))


def gone_shape(new: Any, left: Any) -> Any:
    """What is gone: inside the new outline, outside what is left; slivers of less than 0.3
    mm are left out."""
    gone = new.difference(left)
    return gone.buffer(-0.15).buffer(0.15)


def hatch_lines(shape: Any, step: float) -> list[Floats]:
    """Slanted lines (45 degrees) over a shape, each (2, 2), `step` mm apart."""
    import shapely

    if shape.is_empty:
        return []
    x0, y0, x1, y1 = shape.bounds
    reach = (x1 - x0) + (y1 - y0)
    first = np.floor((x0 - y1) / step) * step
    offsets = np.arange(
        first, x1 - y0 + step, step
    )  # lines x - y = offset: the same lines whatever the shape, so that pictures match
    lines = shapely.MultiLineString(
        [[(o + y0 - 1, y0 - 1), (o + y0 + reach + 1, y0 + reach + 1)] for o in offsets]
    )
    cut = shapely.intersection(lines, shape)
    return [
        np.asarray(g.coords, float)
        for g in getattr(cut, "geoms", [cut])
        if g.geom_type == "LineString" and g.length > 0.2 * step
    ]


def rings_of(shape: Any) -> list[Floats]:
    """Every ring of a geometry, not closed."""
    out = []
    for polygon in polygons_of(shape):
        out.append(np.asarray(polygon.exterior.coords, float)[:-1])
        out += [np.asarray(r.coords, float)[:-1] for r in polygon.interiors]
    return out
