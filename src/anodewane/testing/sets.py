"""Random parts, wear, light and cameras: any number of photos with truth from one seed.

Ranges follow what a boatyard shows: recession to a complete loss, front against sides log-normal with a
standard deviation of 0.25, a sheltered foot of 0 to 5 mm on flush parts, a phone held 300 to 1000 mm
away and up to 30 degrees out of level. Shapes and sizes are invented.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any, cast

import numpy as np

from anodewane.geometry.motion import Motion
from anodewane.geometry.rings import from_shapely, polygons_of
from anodewane.record import Alloy, Label, Mount
from anodewane.records import Camera, FixingHole, Template
from anodewane.testing.picture import RenderedPhoto, placement, render
from anodewane.testing.scene import Scene, in_frame, look_at
from anodewane.testing.solid import WearPattern, WornSolid, erode

SHAPES = ("plate", "slotted", "disc", "ring", "triangle", "teardrop", "pebble", "boomerang", "rod", "barrel")
BOATS = ("Marram", "Sea Aster", "Glasswort", "Samphire")
"""Invented."""
LENSES_35MM = (24.0, 26.0, 52.0)
OWN_GROUNDS = ("concrete", "planks", "plywood", "tarp", "turf", "brick", "gravel", "grass")


def random_template(rng: Any, shape: str | None = None, longest_mm: float = 190.0) -> Template:
    """Return a part of invented size, one of `SHAPES`; its name says which."""
    from shapely import LineString, Point, Polygon, box
    from shapely.affinity import rotate, scale

    shape = shape or str(rng.choice(SHAPES))
    thickness = float(rng.uniform(9, 32))
    mount: Mount = "flush" if rng.random() < 0.6 else "open"
    alloy = cast(Alloy, str(rng.choice(["zinc", "aluminium", "magnesium"])))
    holes: list[tuple[Any, float]] = []
    u = rng.uniform
    if shape in ("rod", "barrel"):
        length, diameter = float(u(60, min(150, longest_mm))), float(u(16, 40))
        length = max(length, 1.5 * diameter)
        ring = (
            np.array([[-length, -diameter], [length, -diameter], [length, diameter], [-length, diameter]]) / 2
        )
        if shape == "barrel":
            t = np.linspace(-1, 1, 33)
            waist = diameter / 2 * (1 - 0.25 * t**2)
            ring = np.r_[np.c_[t * length / 2, -waist], np.c_[t[::-1] * length / 2, waist[::-1]]]
        return Template(f"random-{shape}", (ring,), diameter, "open", "rod", alloy, None, 1.0, (), None, True)
    if shape == "plate":
        a, b = u(70, longest_mm), u(35, 75)
        outer = box(-a / 2, -b / 2, a / 2, b / 2).buffer(-3).buffer(3, quad_segs=12)
        d = u(7, 13)
        holes = [
            (Point(x, 0).buffer(d / 2, quad_segs=24), d) for x in ((-a * 0.3, a * 0.3) if a > 90 else (0.0,))
        ]
    elif shape == "slotted":
        a, b, d = u(90, longest_mm), u(40, 70), u(7, 11)
        outer = box(-a / 2, -b / 2, a / 2, b / 2).buffer(-8).buffer(8, quad_segs=12)
        holes = [
            (
                rotate(LineString([(x - 5, 0), (x + 5, 0)]), 90 * int(rng.integers(2))).buffer(
                    d / 2, quad_segs=16
                ),
                d,
            )
            for x in (-a * 0.28, a * 0.28)
        ]
    elif shape == "disc":
        outer, d = Point(0, 0).buffer(u(28, 65), quad_segs=64), u(8, 14)
        holes = [(Point(0, 0).buffer(d / 2, quad_segs=24), d)]
    elif shape == "ring":
        r = u(32, 65)
        d = r * u(0.5, 1.0)
        outer, holes = Point(0, 0).buffer(r, quad_segs=64), [(Point(0, 0).buffer(d / 2, quad_segs=48), d)]
    elif shape == "triangle":
        a, b, d = u(80, 140), u(55, 100), u(8, 12)
        outer = (
            Polygon([(-a / 2, -b / 3), (a / 2, -b / 3), (u(-0.2, 0.2) * a, b * 2 / 3)])
            .buffer(-5)
            .buffer(5, quad_segs=12)
        )
        holes = [(Point(0, -b * 0.08).buffer(d / 2, quad_segs=24), d)]
    elif shape == "teardrop":
        a, r, d = u(90, min(180, longest_mm)), u(22, 36), u(8, 12)
        outer = (
            Point(a / 2 - r, 0)
            .buffer(r, quad_segs=48)
            .union(Point(-a / 2 + r / 3, 0).buffer(r / 3, quad_segs=24))
            .convex_hull
        )
        holes = [(Point(x, 0).buffer(d / 2, quad_segs=24), d) for x in (a / 2 - r, -a / 2 + r * 1.3)]
    elif shape == "boomerang":
        a, w, d = u(45, 80), u(16, 24), u(8, 10)
        bend = np.radians(u(35, 70))
        arms = [(-a * np.cos(bend), -a * np.sin(bend)), (0, 0), (a * np.cos(bend), -a * np.sin(bend))]
        outer = LineString(arms).buffer(w, quad_segs=16)
        holes = [(Point(*p).buffer(d / 2, quad_segs=24), d) for p in (arms[0], arms[2])]
    elif shape == "pebble":
        t = np.linspace(0, 2 * np.pi, 120, endpoint=False)
        r = 1 + sum(u(-0.10, 0.10) * np.cos(k * t + u(0, 6)) for k in (2, 3, 4))
        outer, d = scale(Polygon(np.c_[r * np.cos(t), r * np.sin(t)]), u(35, 80), u(28, 45)), u(8, 12)
        holes = [(Point(*(0.3 * u(-20, 20, 2))).buffer(d / 2, quad_segs=24), d)]
    else:
        raise ValueError(f"shape: expected one of {', '.join(SHAPES)}, got {shape!r}")
    for hole, _ in holes:
        outer = outer.difference(hole)
    rings = from_shapely(polygons_of(outer)[0])
    fixing = tuple(
        FixingHole(i + 1, float(holes[i][1]), None) for i in range(min(len(holes), len(rings) - 1))
    )
    return Template(f"random-{shape}", rings, thickness, mount, "plate", alloy, None, 1.0, fixing, None, True)


def random_wear(
    rng: Any, template: Template, consumed: float | None = None, *, flush_front: float = 1.0
) -> WornSolid:
    """Waste a part by about the share of its volume in `consumed` (0 to 1; drawn between 0 and 0.9 when
    not given), found by bisection of the recession.

    `flush_front` is the median of front against sides on flush parts.
    """
    aim = float(rng.uniform(0, 0.9)) if consumed is None else consumed
    broken = (
        ((float(rng.uniform(0, 360)), float(rng.uniform(0.04, 0.2))),)
        if rng.random() < 0.06 and 0.1 < aim < 0.8
        else ()
    )
    pattern = WearPattern(
        face_ratio=float(np.exp(0.25 * rng.standard_normal()))
        * (flush_front if template.mount == "flush" else 1.0)
        if template.solid == "plate"
        else 1.0,
        skirt_mm=float(rng.uniform(0, 5)) if template.mount == "flush" else 0.0,
        skirt_share=float(rng.uniform(0.5, 1.0)),
        unevenness=float(rng.uniform(0.1, 0.45)),
        uneven_scale_mm=float(rng.uniform(25, 70)),
        pit_mm=float(rng.uniform(0, 1.2)) * float(rng.random() < 0.6),
        pit_scale_mm=float(rng.uniform(6, 16)),
        one_sided=float(rng.uniform(0.2, 0.8)) if rng.random() < 0.25 else 0.0,
        one_sided_deg=float(rng.uniform(0, 360)),
        rounding=float(rng.uniform(0.2, 1.0)),
        hole_ratio=float(rng.uniform(0.6, 1.0)),
        broken=broken,
        seed=int(rng.integers(1 << 30)),
    )
    if aim < 0.01:
        return erode(template, replace(pattern, pit_mm=0.0, broken=(), rounding=0.0))
    return waste_to(template, replace(pattern, pit_mm=pattern.pit_mm * min(1.0, aim / 0.2)), aim)


def waste_to(template: Template, pattern: WearPattern, consumed: float) -> WornSolid:
    """Waste a part by the pattern until about the share `consumed` (0 to 1) of its volume is gone; the
    depth is found on a coarse grid."""
    low, high = 0.0, template.thickness_mm
    for _ in range(9):
        middle = (low + high) / 2
        try:
            gone = erode(template, replace(pattern, depth_mm=middle), step_mm=1.5).consumed_volume
        except ValueError:
            gone = 1.0
        low, high = (middle, high) if gone < consumed else (low, middle)
    return erode(template, replace(pattern, depth_mm=low))


def random_scene(rng: Any, layout: str) -> Scene:
    """Return a ground, a light and a development."""
    warm = float(rng.normal(0, 0.06))
    hard = rng.random() < 0.45
    return Scene(
        layout=layout,
        ground=str(rng.choice(OWN_GROUNDS)),
        ground_light=float(np.exp(0.3 * rng.standard_normal())),
        ground_tint=tuple(float(np.exp(0.06 * v)) for v in rng.standard_normal(3)),  # type: ignore[arg-type]
        sun_azimuth_deg=float(rng.uniform(0, 360)),
        sun_height_deg=float(rng.uniform(28, 75)),
        sun_share=float(rng.uniform(0.55, 0.85) if hard else rng.uniform(0.1, 0.5)),
        sun_radius_deg=float(rng.uniform(0.3, 2.0) if hard else rng.uniform(5, 20)),
        metal_light=float(rng.uniform(0.2, 0.6)),
        metal_mottle=float(rng.uniform(0.1, 0.5)),
        mottle_scale_mm=float(rng.uniform(8, 30)),
        metal_gloss=float(rng.uniform(0.02, 0.35)),
        bump=float(rng.uniform(0.03, 0.2)),
        barnacles=int(rng.integers(4, 25)) if rng.random() < 0.15 else 0,
        bolts=int(rng.integers(0, 4)),
        exposure=float(rng.uniform(0.55, 0.95)),
        vignette=float(rng.uniform(0, 0.25)),
        blur_px=float(rng.uniform(0.4, 1.0)),
        noise=float(rng.uniform(1e-4, 1.2e-3)),
        white_balance=(1 + warm, 1.0, 1 - warm),
        jpeg_quality=int(rng.integers(82, 95)),
        seed=int(rng.integers(1 << 30)),
        # half of the sheets carry a position and its QR code, which looks like metal to who has
        # never seen one
        label=Label(BOATS[int(rng.integers(len(BOATS)))], f"position {int(rng.integers(1, 30))}")
        if rng.random() < 0.5
        else None,
    )


def place_part(rng: Any, template: Template, layout: str) -> Motion:
    """Lay a part beside the card, or on the mat within its marks: motion of part mm to sheet mm."""
    from anodewane.catalog.sheets import DESIGNS

    design = DESIGNS[layout]
    ring = np.asarray(template.rings[0])
    for attempt in range(200):
        angle = (
            float(rng.uniform(0, 360))
            if layout == "card" or attempt > 100
            else float(rng.choice([0, 180]) + rng.normal(0, 12))
        )
        turned = placement(angle, (0, 0)).apply(ring)
        low, high = turned.min(0), turned.max(0)
        if layout == "card":
            gap = float(rng.uniform(8, 30))
            if rng.random() < 0.6:  # below or above the long side
                side = float(rng.choice([-1, 1]))
                shift = (
                    float(rng.uniform(-35, 35)) - (low[0] + high[0]) / 2,
                    side * (design.height_mm / 2 + gap) - (low[1] if side > 0 else high[1]),
                )
            else:
                side = float(rng.choice([-1, 1]))
                shift = (
                    side * (design.width_mm / 2 + gap) - (low[0] if side > 0 else high[0]),
                    float(rng.uniform(-25, 25)) - (low[1] + high[1]) / 2,
                )
            return placement(angle, (float(shift[0]), float(shift[1])))
        s = design.square_mm
        room = (
            np.array(
                [
                    (design.clear_cols[1] - design.clear_cols[0]) * s,
                    (design.clear_rows[1] - design.clear_rows[0]) * s,
                ]
            )
            - 6
            - (high - low)
        )
        if (room > 0).all():
            shift_xy = rng.uniform(-0.5, 0.5, 2) * np.minimum(room, 30) - (low + high) / 2
            return placement(angle, (float(shift_xy[0]), float(shift_xy[1])))
    raise ValueError(f"{template.name}: too large for {layout}")


def random_camera(
    rng: Any,
    template: Template,
    layout: str,
    sheet_from_part: Motion,
    *,
    width: int,
    height: int,
    f35: float | None = None,
) -> Camera:
    """Stand the camera so that all of sheet and part is in the photo, 300 to 1000 mm away."""
    from anodewane.catalog.sheets import DESIGNS

    half = np.array([DESIGNS[layout].width_mm, DESIGNS[layout].height_mm]) / 2
    sheet = half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    part = sheet_from_part.apply(template.rings[0])
    flat = np.concatenate([sheet, part])
    points = np.concatenate(
        [np.c_[flat, np.zeros(len(flat))], np.c_[part, np.full(len(part), template.thickness_mm)]]
    )
    centre = (flat.min(0) + flat.max(0)) / 2
    f35 = float(rng.choice(LENSES_35MM)) if f35 is None else f35
    tilt = float(rng.uniform(0, 30) * rng.uniform(0.2, 1))
    k1 = float(rng.normal(0, 0.008))
    azimuth = float(rng.uniform(0, 360))
    best: Camera | None = None
    for roll in rng.uniform(0, 360, 8):
        for distance in np.arange(300.0, 1001.0, 10.0):
            at, size = (float(centre[0]), float(centre[1])), {"width": width, "height": height}
            camera = look_at(
                at,
                distance_mm=float(distance),
                tilt_deg=tilt,
                azimuth_deg=azimuth,
                roll_deg=float(roll),
                f35=f35,
                k1=k1,
                **size,
            )
            if in_frame(camera, points, width, height, 25.0):
                if best is None or distance < np.linalg.norm(best.position_mm):
                    best = camera
                break
    if best is None:
        if f35 > 24:
            return random_camera(rng, template, layout, sheet_from_part, width=width, height=height, f35=24.0)
        raise ValueError("no camera within a metre sees both sheet and part")
    # step back at random, and off the centre as far as the frame allows
    for share in (1.0, 0.6, 0.3, 0.0):
        away = 1 + share * abs(rng.normal(0, 0.25))
        position = (
            np.array([centre[0], centre[1], 0.0])
            + (np.asarray(best.position_mm) - [centre[0], centre[1], 0.0]) * away
        )
        position[:2] += share * rng.uniform(-25, 25, 2)
        camera = Camera(
            best.rotation, position, best.focal_px, best.centre_px, best.k1, best.half_diagonal_px
        )
        if position[2] < 1000 and in_frame(camera, points, width, height, 8.0):
            return camera
    return best


def library_templates() -> tuple[Template, ...]:
    """The built-in parts that can be drawn: prisms and rods."""
    from anodewane.catalog.templates import builtin_templates

    return tuple(t for t in builtin_templates().values() if t.form is None)


def random_photos(
    count: int,
    seed: int,
    *,
    first: int = 0,
    width: int = 2016,
    height: int = 1512,
    templates: tuple[Template, ...] = (),
    flush_front: float = 1.0,
) -> Iterator[RenderedPhoto]:
    """Make photos with truth; the same seed makes the same photos, whichever is the `first` to be made.
    `templates` mixes in parts of a library for half of them."""
    for i in range(first, count):
        rng = np.random.default_rng([seed, i])
        layout = ("card", "mat-a4", "card", "mat-letter")[i % 4] if rng.random() < 0.5 else "card"
        # a fill factor stands for a shape that the solid doesn't have
        fitting = [
            t
            for t in templates
            if t.fill_factor > 0.97
            and np.ptp(np.asarray(t.rings[0]), axis=0).max() <= (300 if layout == "card" else 150)
        ]
        from_library = bool(fitting) and rng.random() < 0.5
        template = (
            fitting[int(rng.integers(len(fitting)))]
            if from_library
            else random_template(rng, longest_mm=190.0 if layout == "card" else 150.0)
        )
        solid = random_wear(rng, template, 0.0 if rng.random() < 0.06 else None, flush_front=flush_front)
        try:
            motion = place_part(rng, template, layout)
        except ValueError:
            layout = "card"
            motion = place_part(rng, template, layout)
        camera = random_camera(rng, template, layout, motion, width=width, height=height)
        yield render(
            template,
            solid,
            camera,
            random_scene(rng, layout),
            sheet_from_part=motion,
            width=width,
            height=height,
        )
