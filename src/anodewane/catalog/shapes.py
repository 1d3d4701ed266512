"""Parts made from a few measures: plates, discs, rings, triangles, wedges, teardrops, bars, blocks, nuts,
collars and rods.

Each shape is a function from millimetres to a `Template`; `SHAPES` names them for the command line and
the library. The part frame's origin is at the middle of the part (a triangle's near its centroid), its
length along x. Where draft, edge radius or crown is given the part is a casting, and what isn't given of the
three is unknown; where none is, it is a prism.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any, TypedDict, Unpack

import numpy as np

from anodewane.catalog.form_keys import form_from_measures
from anodewane.catalog.outlines import (
    CHORD_MM,
    arc,
    circle,
    on_circle,
    rectangle,
    rounded_polygon,
    slot,
    spread,
    swollen_polygon,
)
from anodewane.catalog.template_check import Fixing, checked_template
from anodewane.errors import UsageError
from anodewane.record import Alloy, Mount, Solid
from anodewane.records import CollarForm, Form, Insert, Template, TurnedForm
from anodewane.units import Floats

WAIST = 0.55
"""At which share of its height a nut's waist is measured."""


class Plain(TypedDict, total=False):
    """What any part has beside its shape; see `anodewane.records.Template`.

    washer_mm, counterbore_mm, counterbore_depth_mm : of its fixing holes, all alike.
    """

    name: str
    mount: Mount
    alloy: Alloy
    new_mass_g: float | None
    fill_factor: float
    washer_mm: float | None
    counterbore_mm: float | None
    counterbore_depth_mm: float | None
    core_depth_mm: float | None
    mirror_ok: bool | None
    validate: bool


class Common(Plain, total=False):
    """What a part has beside its outline where walls and top follow it.

    draft_deg, edge_radius_mm, crown_mm, section : of a casting, each unknown where not given; solid : "cast"
    for one of which nobody measured any.
    """

    solid: Solid
    draft_deg: float | None
    edge_radius_mm: float | None
    crown_mm: float | None
    section: str | None


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
    outer = rounded_polygon(rectangle(length_mm, width_mm), corner_mm)
    xs = spread(holes, hole_pitch_mm if hole_pitch_mm is not None else length_mm / max(holes, 1))
    ys = spread(hole_rows, row_pitch_mm if row_pitch_mm is not None else width_mm / max(hole_rows, 1))
    inner = [circle((x, y), hole_mm) for y in ys for x in xs]
    slot_xs = spread(slots, slot_pitch_mm if slot_pitch_mm is not None else length_mm / max(slots, 1))
    inner += [slot((x, 0.0), slot_length_mm, slot_width_mm) for x in slot_xs]
    size = _size(length_mm, width_mm, thickness_mm)
    label = f"plate-{size}{_count(holes * hole_rows, 'hole')}{_count(slots, 'slot')}"
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
    inner += on_circle(holes, hole_mm, pitch_circle_mm if pitch_circle_mm is not None else 0.7 * diameter_mm)
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
    inner = on_circle(
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
        for x in spread(holes, hole_pitch_mm if hole_pitch_mm is not None else length_mm / max(holes, 1))
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
    outer = np.vstack([arc(tail, small, -tilt, tilt), arc(nose, big, tilt, 2 * math.pi - tilt)])
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
    outer = rounded_polygon(rectangle(length_mm, width_mm), width_mm / 2 if end_mm is None else end_mm)
    inner = [
        circle((x, 0.0), hole_mm)
        for x in spread(holes, hole_pitch_mm if hole_pitch_mm is not None else length_mm / max(holes, 1))
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
            f"A half-collar of {diameter_mm:g} mm over a shaft of {bore_mm:g} mm with a gap of {gap_mm:g} "
            "mm can't be.",
            "The diameter is the largest, the gap the smallest.",
        )
    big, small, low = diameter_mm / 2, bore_mm / 2, gap_mm / 2
    start, end = math.asin(low / big), math.asin(low / small)
    rings = [
        np.vstack([arc((0.0, 0.0), big, start, math.pi - start), arc((0.0, 0.0), small, math.pi - end, end)])
    ]
    if corner_mm:
        import shapely

        # Opening by a disc rounds the four outward corners and leaves the arcs where they are.
        smooth = shapely.Polygon(rings[0]).buffer(-corner_mm, quad_segs=32).buffer(corner_mm, quad_segs=32)
        if smooth.is_empty or smooth.geom_type != "Polygon":
            raise UsageError(
                f"Corners of {corner_mm:g} mm are too round for a half-collar with a wall of "
                f"{big - small:g} mm.",
                "Give a smaller corner radius.",
            )
        rings = [np.asarray(smooth.simplify(CHORD_MM / 4).exterior.coords)[:-1]]
    rings[0] = rings[0] - [0.0, (rings[0][:, 1].min() + rings[0][:, 1].max()) / 2]
    return _part(f"half-collar-{_size(diameter_mm, bore_mm, length_mm)}", rings, length_mm, (), common)


def rod(length_mm: float, diameter_mm: float, *, end_mm: float = 0.0, **common: Unpack[Plain]) -> Template:
    """Round rod lying on its side, its ends rounded by `end_mm`. It wastes all round, so its
    mount is open."""
    _positive(length_mm=length_mm, diameter_mm=diameter_mm)
    common.setdefault("mount", "open")
    outer = rounded_polygon(rectangle(length_mm, diameter_mm), end_mm)
    return _part(f"rod-{_size(length_mm, diameter_mm)}", [outer], diameter_mm, (), common, solid="rod")


def block(
    length_mm: float,
    width_mm: float,
    thickness_mm: float,
    *,
    corner_mm: float = 6.0,
    holes: int = 2,
    hole_mm: float = 9.0,
    hole_pitch_mm: float | None = None,
    **common: Unpack[Common],
) -> Template:
    """Deep block whose bolts sit in counterbores: where not given they are 2.1 holes wide and half the height
    deep."""
    common.setdefault("counterbore_mm", round(2.1 * hole_mm, 1))
    common.setdefault("counterbore_depth_mm", round(thickness_mm / 2, 1))
    common.setdefault("name", f"block-{_size(length_mm, width_mm, thickness_mm)}{_count(holes, 'hole')}")
    return rectangular_plate(
        length_mm,
        width_mm,
        thickness_mm,
        corner_mm=corner_mm,
        holes=holes,
        hole_mm=hole_mm,
        hole_pitch_mm=hole_pitch_mm,
        **common,
    )


def strap_bar(
    length_mm: float,
    width_mm: float,
    thickness_mm: float,
    *,
    strap_width_mm: float = 25.0,
    strap_from_mm: float = 2.0,
    strap_to_mm: float = 7.0,
    strap_reach_mm: float = 40.0,
    corner_mm: float = 8.0,
    **common: Unpack[Common],
) -> Template:
    """Bar cast round a steel strap that stands out at both ends, by which it is bolted or welded."""
    _positive(length_mm=length_mm, width_mm=width_mm, strap_width_mm=strap_width_mm)
    outer = rounded_polygon(rectangle(length_mm, width_mm), corner_mm)
    steel = rectangle(length_mm + 2 * strap_reach_mm, strap_width_mm)
    if not 0 <= strap_from_mm < strap_to_mm <= thickness_mm:
        raise UsageError(
            f"A strap from {strap_from_mm:g} to {strap_to_mm:g} mm can't be in a bar {thickness_mm:g} mm "
            "high.",
            "Give the heights of its underside and then of its top, above the face that lies down.",
        )
    insert = Insert((steel,), strap_from_mm, strap_to_mm)
    label = f"strap-bar-{_size(length_mm, width_mm, thickness_mm)}"
    return _part(label, [outer], thickness_mm, (), common, inserts=(insert,))


def stepped_ring(
    diameter_mm: float,
    bore_mm: float,
    thickness_mm: float,
    *,
    step_width_mm: float = 10.0,
    step_height_mm: float | None = None,
    holes: int = 0,
    hole_mm: float = 9.0,
    pitch_circle_mm: float | None = None,
    **common: Unpack[Common],
) -> Template:
    """Ring with a lower rim all round: `step_width_mm` wide and `step_height_mm` high (half the height where
    not given)."""
    low = round(thickness_mm / 2, 3) if step_height_mm is None else step_height_mm
    if not (0 < low < thickness_mm and 0 < step_width_mm < (diameter_mm - bore_mm) / 2):
        raise UsageError(
            f"A rim {step_width_mm:g} mm wide and {low:g} mm high isn't a step of a ring {thickness_mm:g} "
            "mm high.",
            "Make it lower than the ring, and narrower than the ring's wall.",
        )
    common.setdefault(
        "section", f"0,0 0,{low:g} {step_width_mm:g},{low:g} {step_width_mm:g},{thickness_mm:g}"
    )
    common.setdefault(
        "name", f"stepped-ring-{_size(diameter_mm, bore_mm, thickness_mm)}{_count(holes, 'hole')}"
    )
    return ring(
        diameter_mm,
        bore_mm,
        thickness_mm,
        holes=holes,
        hole_mm=hole_mm,
        pitch_circle_mm=pitch_circle_mm,
        **common,
    )


def nut(
    diameter_mm: float,
    top_mm: float,
    thickness_mm: float,
    *,
    waist_mm: float | None = None,
    centre_hole_mm: float = 0.0,
    edge_radius_mm: float = 0.0,
    **common: Unpack[Plain],
) -> Template:
    """Cone over a shaft's end, standing on its foot: `diameter_mm` there, `top_mm` at the top, `waist_mm` at
    0.55 of its height (between the two where not given)."""
    _positive(diameter_mm=diameter_mm, top_mm=top_mm, thickness_mm=thickness_mm)
    profile = [(diameter_mm / 2, 0.0), (top_mm / 2, thickness_mm)]
    if waist_mm is not None:
        _positive(waist_mm=waist_mm)
        profile.insert(1, (waist_mm / 2, WAIST * thickness_mm))
    rings = [circle((0.0, 0.0), max(2 * r for r, _ in profile))]
    rings += [circle((0.0, 0.0), centre_hole_mm)] if centre_hole_mm else []
    label = f"nut-{_size(diameter_mm, top_mm, thickness_mm)}"
    form = TurnedForm(np.round(profile, 6), edge_radius_mm)
    return _part(label, rings, thickness_mm, range(1, len(rings)), common, "turned", form)


def collar(
    length_mm: float,
    diameter_mm: float,
    end_diameter_mm: float,
    bore_mm: float,
    *,
    barrel: float = 2.5,
    holes: int = 1,
    hole_mm: float = 7.0,
    hole_pitch_mm: float | None = None,
    edge_radius_mm: float = 0.0,
    **common: Unpack[Plain],
) -> Template:
    """Half of a barrel-shaped shaft collar on its split face, the shaft along x; `holes` counts the bolts on
    each side of the bore."""
    _positive(length_mm=length_mm, diameter_mm=diameter_mm, end_diameter_mm=end_diameter_mm, bore_mm=bore_mm)
    from anodewane.wear.forms import plan_outline

    form = CollarForm(length_mm, diameter_mm, end_diameter_mm, barrel, bore_mm, edge_radius_mm)
    xs = spread(holes, hole_pitch_mm if hole_pitch_mm is not None else length_mm / max(holes, 1))
    wall = (bore_mm + diameter_mm) / 4
    inner = [circle((x, y), hole_mm) for y in (-wall, wall) for x in xs]
    common.setdefault("mount", "open")
    label = f"collar-{_size(length_mm, diameter_mm, bore_mm)}"
    rings = [plan_outline(form), *inner]
    return _part(label, rings, diameter_mm / 2, range(1, len(rings)), common, "collar", form)


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
    "block": block,
    "strap-bar": strap_bar,
    "stepped-ring": stepped_ring,
    "nut": nut,
    "collar": collar,
}

OWN_FORM = ("rod", "nut", "collar")
"""Shapes that are no prisms by themselves: draft, edges and crown of a casting say nothing about them."""

PARAMETER_TEXT: dict[str, str] = {
    "length_mm": "Length; of a half-collar, along the shaft.",
    "width_mm": "Width.",
    "thickness_mm": "Height above the face that lies down.",
    "diameter_mm": "Outer diameter; of a nut, at its foot.",
    "top_mm": "Diameter at the top.",
    "waist_mm": "Diameter at 0.55 of the height, where the side isn't straight.",
    "end_diameter_mm": "Diameter at the two ends.",
    "barrel": "How the outside curves from end to end: 2 is a parabola, more is flatter in the middle.",
    "edge_radius_mm": "Radius of the upper edges.",
    "strap_width_mm": "Width of the steel strap.",
    "strap_from_mm": "Height of the strap's underside above the face that lies down.",
    "strap_to_mm": "Height of the strap's top.",
    "strap_reach_mm": "How far the strap stands out at each end.",
    "step_width_mm": "Width of the lower rim.",
    "step_height_mm": "Height of the lower rim.",
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


# --- inside --------------------------------------------------------------------------------------


def _part(
    label: str,
    rings: Sequence[Floats],
    thickness_mm: float,
    fixing_rings: Sequence[int],
    common: Common | Plain,
    solid: Solid = "plate",
    form: Form | None = None,
    inserts: Sequence[Insert] = (),
) -> Template:
    rest: dict[str, Any] = dict(common)
    hole = [rest.pop(k, None) for k in ("washer_mm", "counterbore_mm", "counterbore_depth_mm")]
    name = rest.pop("name", label)
    if solid == "plate":
        form = form_from_measures(name, rest.pop("solid", solid), rest)
        solid = "plate" if form is None else "cast"
    return checked_template(
        name=name,
        rings=rings,
        thickness_mm=thickness_mm,
        solid=solid,
        form=form,
        inserts=inserts,
        fixings=[Fixing(r, *hole) for r in fixing_rings],
        **rest,
    )


def _positive(**lengths: float) -> None:
    for what, value in lengths.items():
        if not (math.isfinite(value) and value > 0):
            raise UsageError(
                f"The {what.removesuffix('_mm').replace('_', ' ')} is {value:g} mm.",
                "Give a length in millimetres, more than 0.",
            )


def _size(*lengths: float) -> str:
    return "x".join(f"{v:g}" for v in lengths)


def _count(count: int, what: str) -> str:
    return f"-{count}{what}{'s' if count > 1 else ''}" if count else ""
