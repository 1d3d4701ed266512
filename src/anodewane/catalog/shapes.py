"""Parts made from a few measures: plates, discs, rings, triangles, wedges, teardrops, bars,
half-collars and rods.

Each shape is a function from millimetres to a `Template`; `SHAPES` names them for the command line and
the library. The part frame's origin is at the middle of the part (a triangle's near its centroid), its
length along x. Arcs are sampled to `CHORD_MM`; whole circles keep their exact area, so that a hole
reads its nominal diameter.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any, TypedDict, Unpack

import numpy as np

from anodewane.catalog.template_check import Fixing, checked_template
from anodewane.errors import UsageError
from anodewane.record import Alloy, Mount, Solid
from anodewane.records import Template
from anodewane.units import Floats

CHORD_MM = 0.02
"""Farthest that a chord may lie from its arc, mm: a tenth of what a photo can show."""


class Common(TypedDict, total=False):
    """What any part has beside its shape; see `anodewane.records.Template`. washer_mm : outer diameter
    of the washers of its fixing holes."""

    name: str
    mount: Mount
    alloy: Alloy
    new_mass_g: float | None
    fill_factor: float
    washer_mm: float | None
    core_depth_mm: float | None
    mirror_ok: bool | None
    validate: bool


def rectangular_plate(
    length_mm: float,
    width_mm: float,
    thickness_mm: float,
    *,
    corner_mm: float = 4.0,
    holes: int = 0,
    hole_mm: float = 11.0,
    hole_pitch_mm: float | None = None,
    hole_rows: int = 1,
    row_pitch_mm: float | None = None,
    slots: int = 0,
    slot_length_mm: float = 30.0,
    slot_width_mm: float = 11.0,
    slot_pitch_mm: float | None = None,
    **common: Unpack[Common],
) -> Template:
    """Rectangular plate with rounded corners; round holes in one or more rows, or slots along its
    length. `holes` counts those of a row."""
    _positive(length_mm=length_mm, width_mm=width_mm)
    outer = rounded_polygon(_rectangle(length_mm, width_mm), corner_mm)
    xs = _spread(holes, hole_pitch_mm if hole_pitch_mm is not None else length_mm / max(holes, 1))
    ys = _spread(hole_rows, row_pitch_mm if row_pitch_mm is not None else width_mm / max(hole_rows, 1))
    inner = [circle((x, y), hole_mm) for y in ys for x in xs]
    slot_xs = _spread(slots, slot_pitch_mm if slot_pitch_mm is not None else length_mm / max(slots, 1))
    inner += [slot((x, 0.0), slot_length_mm, slot_width_mm) for x in slot_xs]
    label = f"plate-{_size(length_mm, width_mm, thickness_mm)}{_count(holes * hole_rows, 'hole')}{_count(slots, 'slot')}"
    return _part(label, [outer, *inner], thickness_mm, range(1, len(inner) + 1), common)


def disc(
    diameter_mm: float,
    thickness_mm: float,
    *,
    centre_hole_mm: float = 0.0,
    holes: int = 0,
    hole_mm: float = 9.0,
    pitch_circle_mm: float | None = None,
    **common: Unpack[Common],
) -> Template:
    """Disc with a centre hole, holes on a pitch circle, or both; all of them are fixing holes."""
    _positive(diameter_mm=diameter_mm)
    inner = [circle((0.0, 0.0), centre_hole_mm)] if centre_hole_mm else []
    inner += _on_circle(holes, hole_mm, pitch_circle_mm if pitch_circle_mm is not None else 0.7 * diameter_mm)
    label = f"disc-{_size(diameter_mm, thickness_mm)}{_count(len(inner), 'hole')}"
    return _part(
        label, [circle((0.0, 0.0), diameter_mm), *inner], thickness_mm, range(1, len(inner) + 1), common
    )


def ring(
    diameter_mm: float,
    bore_mm: float,
    thickness_mm: float,
    *,
    holes: int = 0,
    hole_mm: float = 9.0,
    pitch_circle_mm: float | None = None,
    **common: Unpack[Common],
) -> Template:
    """Ring round a shaft or spigot; the bore is no fixing hole, those on the pitch circle are."""
    _positive(diameter_mm=diameter_mm, bore_mm=bore_mm)
    inner = _on_circle(
        holes, hole_mm, pitch_circle_mm if pitch_circle_mm is not None else (diameter_mm + bore_mm) / 2
    )
    rings = [circle((0.0, 0.0), diameter_mm), circle((0.0, 0.0), bore_mm), *inner]
    label = f"ring-{_size(diameter_mm, bore_mm, thickness_mm)}{_count(holes, 'hole')}"
    return _part(label, rings, thickness_mm, range(2, len(rings)), common)


def triangle(
    base_mm: float,
    height_mm: float,
    thickness_mm: float,
    *,
    corner_mm: float = 8.0,
    hole_mm: float = 9.0,
    holes: int = 1,
    **common: Unpack[Common],
) -> Template:
    """Isosceles triangle, base down, with one hole at its centroid or three towards its corners."""
    _positive(base_mm=base_mm, height_mm=height_mm)
    if holes not in (0, 1, 3):
        raise UsageError(f"A triangle can't be made with {holes} holes.", "Give 0, 1 or 3.")
    # The sides are measured over the rounded corners: a smaller triangle, swollen by their radius.
    b, h = base_mm - 2 * corner_mm, height_mm - 2 * corner_mm
    if min(b, h) <= 0 or corner_mm < 0:
        raise UsageError(
            f"Corners of {corner_mm:g} mm are too round for a triangle of {base_mm:g} x {height_mm:g} mm.",
            "Give a smaller radius.",
        )
    corners = np.array([[-b / 2, -h / 3], [b / 2, -h / 3], [0.0, 2 * h / 3]])
    centres = {0: [], 1: [(0.0, 0.0)], 3: [tuple(0.6 * c) for c in corners]}[holes]
    rings = [swollen_polygon(corners, corner_mm), *(circle(c, hole_mm) for c in centres)]
    return _part(
        f"triangle-{_size(base_mm, height_mm, thickness_mm)}{_count(holes, 'hole')}",
        rings,
        thickness_mm,
        range(1, len(rings)),
        common,
    )


def wedge(
    length_mm: float,
    wide_mm: float,
    narrow_mm: float,
    thickness_mm: float,
    *,
    thin_end_mm: float | None = None,
    corner_mm: float = 5.0,
    holes: int = 2,
    hole_mm: float = 9.0,
    hole_pitch_mm: float | None = None,
    **common: Unpack[Common],
) -> Template:
    """Plate that narrows from one end to the other; where the narrow end is thinner too
    (`thin_end_mm`), its fill factor says so."""
    _positive(length_mm=length_mm, wide_mm=wide_mm, narrow_mm=narrow_mm)
    h, a, b = length_mm / 2, wide_mm / 2, narrow_mm / 2
    outer = rounded_polygon(np.array([[-h, -a], [h, -b], [h, b], [-h, a]]), corner_mm)
    inner = [
        circle((x, 0.0), hole_mm)
        for x in _spread(holes, hole_pitch_mm if hole_pitch_mm is not None else length_mm / max(holes, 1))
    ]
    if thin_end_mm is not None:
        # Mean height over the trapezium where width and height both fall evenly: Simpson's rule is
        # exact for their product.
        middle = (wide_mm + narrow_mm) / 2 * (thickness_mm + thin_end_mm) / 2
        mean = (
            (wide_mm * thickness_mm + 4 * middle + narrow_mm * thin_end_mm) / 6 / ((wide_mm + narrow_mm) / 2)
        )
        common["fill_factor"] = common.get("fill_factor", 1.0) * mean / thickness_mm
    return _part(
        f"wedge-{_size(length_mm, wide_mm, narrow_mm, thickness_mm)}{_count(holes, 'hole')}",
        [outer, *inner],
        thickness_mm,
        range(1, holes + 1),
        common,
    )


def teardrop(
    length_mm: float,
    width_mm: float,
    thickness_mm: float,
    *,
    tail_mm: float = 12.0,
    holes: int = 2,
    hole_mm: float = 9.0,
    hole_pitch_mm: float | None = None,
    **common: Unpack[Common],
) -> Template:
    """Round nose running out into a narrow tail of diameter `tail_mm`: the smoothest line round two
    circles. Holes along its length."""
    _positive(length_mm=length_mm, width_mm=width_mm, tail_mm=tail_mm)
    big, small = width_mm / 2, tail_mm / 2
    apart = length_mm - big - small
    if apart <= big - small:
        raise UsageError(
            f"A teardrop {length_mm:g} mm long and {width_mm:g} mm wide has no tail.",
            "Make it longer or narrower.",
        )
    tilt = math.acos((big - small) / apart)
    nose, tail = (-length_mm / 2 + big, 0.0), (length_mm / 2 - small, 0.0)
    outer = np.vstack([_arc(tail, small, -tilt, tilt), _arc(nose, big, tilt, 2 * math.pi - tilt)])
    # The holes sit where the metal is: about the nose's centre and on towards the tail.
    first = nose[0]
    pitch = hole_pitch_mm if hole_pitch_mm is not None else 0.4 * length_mm
    inner = [circle((first + i * pitch, 0.0), hole_mm) for i in range(holes)]
    return _part(
        f"teardrop-{_size(length_mm, width_mm, thickness_mm)}{_count(holes, 'hole')}",
        [outer, *inner],
        thickness_mm,
        range(1, holes + 1),
        common,
    )


def bar(
    length_mm: float,
    width_mm: float,
    thickness_mm: float,
    *,
    end_mm: float | None = None,
    holes: int = 0,
    hole_mm: float = 9.0,
    hole_pitch_mm: float | None = None,
    **common: Unpack[Common],
) -> Template:
    """Long bar with round ends (of radius `end_mm`, half the width where not given), often cast on a
    steel strap: give `core_depth_mm`."""
    _positive(length_mm=length_mm, width_mm=width_mm)
    outer = rounded_polygon(_rectangle(length_mm, width_mm), width_mm / 2 if end_mm is None else end_mm)
    inner = [
        circle((x, 0.0), hole_mm)
        for x in _spread(holes, hole_pitch_mm if hole_pitch_mm is not None else length_mm / max(holes, 1))
    ]
    return _part(
        f"bar-{_size(length_mm, width_mm, thickness_mm)}{_count(holes, 'hole')}",
        [outer, *inner],
        thickness_mm,
        range(1, holes + 1),
        common,
    )


def half_collar(
    diameter_mm: float,
    bore_mm: float,
    length_mm: float,
    *,
    gap_mm: float = 2.0,
    corner_mm: float = 2.0,
    **common: Unpack[Common],
) -> Template:
    """Half of a clamp-on shaft collar, seen along the shaft: half a ring, trimmed by half the gap
    between the halves. Its length along the shaft is the thickness."""
    _positive(diameter_mm=diameter_mm, bore_mm=bore_mm, length_mm=length_mm)
    if bore_mm >= diameter_mm or gap_mm < 0 or gap_mm >= bore_mm:
        raise UsageError(
            f"A half-collar of {diameter_mm:g} mm over a shaft of {bore_mm:g} mm with a gap of {gap_mm:g} mm can't be.",
            "The diameter is the largest, the gap the smallest.",
        )
    big, small, low = diameter_mm / 2, bore_mm / 2, gap_mm / 2
    start, end = math.asin(low / big), math.asin(low / small)
    rings = [
        np.vstack(
            [_arc((0.0, 0.0), big, start, math.pi - start), _arc((0.0, 0.0), small, math.pi - end, end)]
        )
    ]
    if corner_mm:
        import shapely

        # Opening by a disc rounds the four outward corners and leaves the arcs where they are.
        smooth = shapely.Polygon(rings[0]).buffer(-corner_mm, quad_segs=32).buffer(corner_mm, quad_segs=32)
        if smooth.is_empty or smooth.geom_type != "Polygon":
            raise UsageError(
                f"Corners of {corner_mm:g} mm are too round for a half-collar with a wall of {big - small:g} mm.",
                "Give a smaller corner radius.",
            )
        rings = [np.asarray(smooth.simplify(CHORD_MM / 4).exterior.coords)[:-1]]
    rings[0] = rings[0] - [0.0, (rings[0][:, 1].min() + rings[0][:, 1].max()) / 2]
    return _part(f"half-collar-{_size(diameter_mm, bore_mm, length_mm)}", rings, length_mm, (), common)


def rod(length_mm: float, diameter_mm: float, *, end_mm: float = 0.0, **common: Unpack[Common]) -> Template:
    """Round rod lying on its side, its ends rounded by `end_mm`. It wastes all round, so its
    mount is open."""
    _positive(length_mm=length_mm, diameter_mm=diameter_mm)
    common.setdefault("mount", "open")
    outer = rounded_polygon(_rectangle(length_mm, diameter_mm), end_mm)
    return _part(f"rod-{_size(length_mm, diameter_mm)}", [outer], diameter_mm, (), common, solid="rod")


SHAPES: dict[str, Callable[..., Template]] = {
    "plate": rectangular_plate,
    "disc": disc,
    "ring": ring,
    "triangle": triangle,
    "wedge": wedge,
    "teardrop": teardrop,
    "bar": bar,
    "half-collar": half_collar,
    "rod": rod,
}

PARAMETER_TEXT: dict[str, str] = {
    "length_mm": "Length; of a half-collar, along the shaft.",
    "width_mm": "Width.",
    "thickness_mm": "Height above the face that lies down.",
    "diameter_mm": "Outer diameter.",
    "bore_mm": "Diameter of the bore.",
    "base_mm": "Length of the base.",
    "height_mm": "Height over the base.",
    "wide_mm": "Width of the wide end.",
    "narrow_mm": "Width of the narrow end.",
    "thin_end_mm": "Thickness of the narrow end, where it is thinner.",
    "tail_mm": "Diameter that the tail is rounded to.",
    "corner_mm": "Radius of the corners.",
    "end_mm": "Radius of the ends.",
    "gap_mm": "Gap between the two halves.",
    "holes": "Number of round fixing holes (of a plate, in a row).",
    "hole_mm": "Their diameter.",
    "hole_pitch_mm": "Distance from hole to hole.",
    "hole_rows": "Rows of holes.",
    "row_pitch_mm": "Distance from row to row.",
    "pitch_circle_mm": "Diameter of the circle that the holes lie on.",
    "centre_hole_mm": "Diameter of a hole in the middle; 0 for none.",
    "slots": "Number of slots along the length.",
    "slot_length_mm": "Their length over all.",
    "slot_width_mm": "Their width.",
    "slot_pitch_mm": "Distance from slot to slot, middle to middle.",
}
"""What each parameter means, for help texts; a test holds it to the functions."""


# --- outlines ------------------------------------------------------------------------------------


def circle(centre_mm: Any, diameter_mm: float) -> Floats:
    """Ring (n, 2) of exactly the circle's area, anticlockwise; its points lie a little outside the
    circle, its chords a little inside."""
    n = 8 * math.ceil(_steps(diameter_mm / 2, 2 * math.pi) / 8)
    angle = np.arange(n) * 2 * np.pi / n
    radius = diameter_mm / 2 * math.sqrt((2 * math.pi / n) / math.sin(2 * math.pi / n))
    return np.column_stack([centre_mm[0] + radius * np.cos(angle), centre_mm[1] + radius * np.sin(angle)])


def slot(centre_mm: Any, length_mm: float, width_mm: float) -> Floats:
    """Ring of a slot with round ends along x, `length_mm` over all."""
    if length_mm <= width_mm:
        raise UsageError(
            f"A slot {length_mm:g} mm long and {width_mm:g} mm wide isn't longer than wide.",
            "Make it longer, or make a round hole.",
        )
    r, reach = width_mm / 2, (length_mm - width_mm) / 2
    half = math.pi / 2
    ends = [_arc((reach, 0.0), r, -half, half), _arc((-reach, 0.0), r, half, 3 * half)]
    ring: Floats = np.vstack(ends) + np.asarray(centre_mm, float)
    return ring


def rounded_polygon(corners_mm: Any, radius_mm: float) -> Floats:
    """Anticlockwise convex polygon (n, 2) with its corners rounded by `radius_mm`."""
    corners = np.asarray(corners_mm, float)
    if radius_mm < 0:
        raise UsageError(f"A corner radius of {radius_mm:g} mm can't be.", "Give 0 or more.")
    if radius_mm == 0:
        return corners
    into = corners - np.roll(corners, 1, axis=0)
    length = np.linalg.norm(into, axis=1)
    into = into / length[:, None]
    out = np.roll(into, -1, axis=0)
    turn = np.arctan2(into[:, 0] * out[:, 1] - into[:, 1] * out[:, 0], np.sum(into * out, axis=1))
    cut = radius_mm * np.tan(turn / 2)
    if ((cut + np.roll(cut, 1)) > length + 1e-9).any():
        raise UsageError(f"Corners of {radius_mm:g} mm are too round for the part.", "Give a smaller radius.")
    pieces = []
    for corner, a, t, c in zip(corners, into, turn, cut, strict=True):
        centre = corner - c * a + radius_mm * np.array([-a[1], a[0]])
        start = math.atan2(-a[0], a[1])
        pieces.append(_arc(centre, radius_mm, start, start + t))
    ring = np.vstack(pieces)
    kept: Floats = ring[np.linalg.norm(ring - np.roll(ring, 1, axis=0), axis=1) > 1e-9]
    return kept


def swollen_polygon(corners_mm: Any, radius_mm: float) -> Floats:
    """Anticlockwise convex polygon (n, 2) grown outward by `radius_mm`, its corners round: Minkowski's
    sum with a disc."""
    corners = np.asarray(corners_mm, float)
    if radius_mm == 0:
        return corners
    edge = np.roll(corners, -1, axis=0) - corners
    outward = np.arctan2(-edge[:, 0], edge[:, 1])
    pieces = []
    for corner, before, after in zip(corners, np.roll(outward, 1), outward, strict=True):
        pieces.append(_arc(corner, radius_mm, before, before + (after - before) % (2 * math.pi)))
    return np.vstack(pieces)


# --- inside --------------------------------------------------------------------------------------


def _part(
    label: str,
    rings: Sequence[Floats],
    thickness_mm: float,
    fixing_rings: Sequence[int],
    common: Common,
    solid: Solid = "plate",
) -> Template:
    rest: dict[str, Any] = dict(common)
    washer = rest.pop("washer_mm", None)
    name = rest.pop("name", label)
    return checked_template(
        name=name,
        rings=rings,
        thickness_mm=thickness_mm,
        solid=solid,
        fixings=[Fixing(r, washer) for r in fixing_rings],
        **rest,
    )


def _positive(**lengths: float) -> None:
    for what, value in lengths.items():
        if not (math.isfinite(value) and value > 0):
            raise UsageError(
                f"The {what.removesuffix('_mm').replace('_', ' ')} is {value:g} mm.",
                "Give a length in millimetres, more than 0.",
            )


def _rectangle(length_mm: float, width_mm: float) -> Floats:
    a, b = length_mm / 2, width_mm / 2
    return np.array([[-a, -b], [a, -b], [a, b], [-a, b]])


def _steps(radius_mm: float, sweep: float) -> int:
    """Chords that keep within `CHORD_MM` of an arc: the sagitta of a chord over the angle t is r (1
    - cos(t / 2))."""
    step = 2 * math.acos(max(0.0, 1 - CHORD_MM / radius_mm)) if radius_mm > CHORD_MM else math.pi / 2
    return max(1, math.ceil(abs(sweep) / step))


def _arc(centre_mm: Any, radius_mm: float, start: float, end: float) -> Floats:
    """Points on an arc from angle `start` to `end`, radians, both ends included."""
    angle = np.linspace(start, end, _steps(radius_mm, end - start) + 1)
    return np.column_stack(
        [centre_mm[0] + radius_mm * np.cos(angle), centre_mm[1] + radius_mm * np.sin(angle)]
    )


def _spread(count: int, pitch_mm: float) -> Floats:
    """`count` places at equal pitch about 0."""
    return np.asarray((np.arange(count) - (count - 1) / 2) * pitch_mm, float)


def _on_circle(count: int, hole_mm: float, pitch_circle_mm: float) -> list[Floats]:
    angle = np.arange(count) * 2 * np.pi / max(count, 1) + np.pi / 2
    return [
        circle((pitch_circle_mm / 2 * math.cos(a), pitch_circle_mm / 2 * math.sin(a)), hole_mm) for a in angle
    ]


def _size(*lengths: float) -> str:
    return "x".join(f"{v:g}" for v in lengths)


def _count(count: int, what: str) -> str:
    return f"-{count}{what}{'s' if count > 1 else ''}" if count else ""
