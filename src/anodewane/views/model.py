"""A worn solid that a fit can turn: level curves in the sheet frame whose every point is linear in
the parameters.

A plate is its plan outline carried up a wall: over a foot that may stand out (a flush part's sheltered
skirt), rounded at its top edge (an open part at its lower edge too), under a top that is a smooth field
over the plan. A rod is its side view with elliptic sections: as wide as the plan, as high as a smooth
field says. Points are ``X = base + slope @ p``; so a fit needs no derivative of the solid beyond
`slope`, and it is exact.

Notation: P parameters, N points of all curves, R points of the plan's rings.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from anodewane.geometry.rings import (
    from_shapely,
    pieces_to_shapely,
    polygons_of,
    resample_ring,
    ring_area,
    ring_length,
    ring_normals,
)
from anodewane.records import Template
from anodewane.units import Floats, Rings

RING_STEP_MM = 1.6
KNOT_STEP_MM = 9.0
"""Along the outline, how far apart the plan may move on its own."""
FOOT_MM = (0.0, 2.5, 6.0)
"""Heights at which a flush part's foot has an inset of its own, and where that has gone over into the
wall; a thin part's lie closer together."""
ROUNDS = (0.0, 30.0, 60.0, 90.0)
"""Degrees round the top edge at which there is a level curve."""
INNER_MM = (5.0, 12.0, 25.0)
"""How far inside the outline the top has curves of its own: a domed top is seen there."""
N_FIELD = 6


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """A run of parameters by name."""

    name: str
    start: int
    stop: int

    @property
    def where(self) -> slice:
        return slice(self.start, self.stop)


@dataclass(frozen=True, slots=True, eq=False)
class CastBody:
    """What of a casting isn't in its level curves: volume_mm3 at p = 0, volume_slope (P,) of it; top and
    column, functions of places (n, 2) of the sheet frame: height of the worn top, metal over the place,
    mm."""

    volume_mm3: float
    volume_slope: Floats
    top: Any
    column: Any


@dataclass(frozen=True, slots=True, eq=False)
class Solid:
    """Level curves of a worn solid.

    base : (N, 3) points at p = 0, sheet frame, mm; slope : (N, 3, P); follows : (N,) index of the next
    point along each closed curve; curve : (N,) which curve a point belongs to, hole : (curves,) whether
    it bounds a hole, level : (curves,) curves of one number are one section; blocks : the parameters'
    names: "outline" (mm, outward), and what `plate` and `rod` name; plan_base (R, 2), plan_slope (R, 2,
    P) : the same for the points of the plan's rings, ring after ring, plan_height (R, P) : the height
    there; ring_sizes : points of each ring; plate : whether it is one; faces : rounded edges of a
    plate's wall, 1 or 2; turn : (2, 2) columns along and across a rod, centre : (2,) a point of its
    axis; plan_lean (R, P), plan_normal (R, 2) : how far a plate's top stands out over half its height,
    and the outline's normals; foot_mm : heights of a flush part's foot; frame : `frame_of` the plan;
    rim_level : the level of a plate's top edge.
    """

    base: Floats
    slope: Floats
    follows: Any
    curve: Any
    hole: Any
    level: Any
    blocks: tuple[Block, ...]
    plan_base: Floats
    plan_slope: Floats
    plan_height: Floats
    ring_sizes: tuple[int, ...]
    plate: bool
    faces: int
    turn: Floats
    centre: Floats
    plan_lean: Floats | None
    plan_normal: Floats | None
    foot_mm: tuple[float, float, float]
    frame: tuple[Floats, Floats, Floats]
    rim_level: int
    body: CastBody | None = None

    def block(self, name: str) -> slice:
        return next(b.where for b in self.blocks if b.name == name)

    def has(self, name: str) -> bool:
        return any(b.name == name for b in self.blocks)

    @property
    def n_parameters(self) -> int:
        return self.blocks[-1].stop

    def points(self, p: Floats) -> Floats:
        out: Floats = self.base + self.slope @ p
        return out

    def top_slope(self, xy_mm: Floats) -> Floats:
        """Derivatives (n, P) of the height of a plate's top at places (n, 2) of the sheet frame; the
        top stands at ``top_slope @ p``."""
        out = np.zeros((len(xy_mm), self.n_parameters))
        out[:, self.block("height")] = field_functions(xy_mm, self.frame)
        return out

    def height_at(self, xy_mm: Floats, p: Floats) -> Floats:
        """How much metal stands over places (n, 2) of a rod's or casting's plan, sheet frame: (n,) mm."""
        if self.body is not None:
            grown: Floats = np.maximum(self.body.column(xy_mm) + self.top_slope(xy_mm) @ p, 0.0)
            return grown
        ring, share = (self.plan_base + self.plan_slope @ p - self.centre) @ self.turn, self.plan_height @ p
        order = np.argsort(ring[:, 0])
        x, half = ring[order, 0], np.abs(ring[order, 1])
        bins = np.linspace(x[0], x[-1], 40)
        at = np.clip(np.digitize(x, bins), 1, 39)
        widest = np.array([half[at == k].max() if (at == k).any() else 0.0 for k in range(1, 40)])
        q = (xy_mm - self.centre) @ self.turn
        radius = np.interp(q[:, 0], (bins[1:] + bins[:-1]) / 2, widest)
        out: Floats = (
            2 * np.interp(q[:, 0], x, share[order]) * np.sqrt(np.maximum(radius**2 - q[:, 1] ** 2, 0.0))
        )
        return out

    def plan_rings(self, p: Floats) -> tuple[Floats, ...]:
        """Rings (n, 2) of the plan in the sheet frame: where the solid stands farthest out at any height."""
        xy = self.plan_base + self.plan_slope @ p
        if self.plan_lean is not None and self.plan_normal is not None:
            foot = float(np.min(p[self.block("foot")])) if self.has("foot") else 0.0
            lean = self.plan_lean @ p
            # top and foot stand out by the lean either way; both corners smoothed, for derivatives' sake
            out = _hinge(lean) + _hinge(-lean - foot)
            xy = xy + out[:, None] * self.plan_normal
        return tuple(np.split(xy, np.cumsum(self.ring_sizes)[:-1]))

    def plan_area(self, p: Floats) -> float:
        return float(sum(ring_area(r) for r in self.plan_rings(p)))

    def walls_frac(self, p: Floats) -> float:
        """Length of the plan's outline, holes included, over its area, 1/mm: times the height, the
        walls' area over the plan's."""
        return sum(ring_length(r) for r in self.plan_rings(p)) / self.plan_area(p)

    def volume(self, p: Floats) -> float:
        """Volume inside the level curves, mm3 (for a plate, good to the square of what is rounded over
        the plan's width)."""
        if self.body is not None:
            return float(self.body.volume_mm3 + self.body.volume_slope @ p)
        rings = tuple(np.split(self.plan_base + self.plan_slope @ p, np.cumsum(self.ring_sizes)[:-1]))
        if not self.plate:
            shares = np.split(self.plan_height @ p, np.cumsum(self.ring_sizes)[:-1])
            return float(
                sum(
                    _turned((ring - self.centre) @ self.turn, share)
                    for ring, share in zip(rings, shares, strict=True)
                )
            )
        area = sum(ring_area(r) for r in rings)
        height = float(p[self.block("height")][0])
        around = sum(ring_length(r) for r in rings)
        round_mm = float(p[self.block("round")][0])
        undercut = 0.0
        if self.has("foot"):
            low, high = p[self.block("foot")]
            undercut = float(low * self.foot_mm[1] + high * self.foot_mm[2]) / 2
        return float(area * height - around * undercut - self.faces * (1 - np.pi / 4) * round_mm**2 * around)

    def gradient(self, what: Any, p: Floats) -> Floats:
        """Derivatives (P,) of a figure of the solid, by central differences: figures are smooth and cheap."""
        out = np.zeros(len(p))
        for i in range(self.n_parameters):
            step = np.zeros(len(p))
            step[i] = 0.02
            out[i] = (what(p + step) - what(p - step)) / 0.04
        return out


def _hinge(x: Floats, soft: float = 0.15) -> Floats:
    """The larger of x and 0, its corner rounded over `soft`."""
    out: Floats = (x + np.sqrt(x * x + soft * soft) - soft) / 2
    return out


def _turned(ring: Floats, share: Floats) -> float:
    """Volume of a ring (n, 2; along, across) turned about its axis, sections `share` (n,) as high as
    wide: ``pi times the integral of y^2``, the mean of its two halves."""
    x, y = ring.T
    inside = np.sign(y) * y**2 * share
    return -float(np.pi / 2 * np.sum((inside + np.roll(inside, -1)) / 2 * (np.roll(x, -1) - x)))


def field_functions(xy: Floats, frame: tuple[Floats, Floats, Floats]) -> Floats:
    """The height field's functions (n, 6) at plan points: 1, and five of first and second order with
    mean 0 and rms about 1 over a plan of that frame (`frame_of`)."""
    centre, axes, spread = frame
    u = (xy - centre) @ axes / spread
    # for a rectangle u is even on +-sqrt 3; the squares' mean is 1 there
    out: Floats = np.column_stack(
        [
            np.ones(len(u)),
            u[:, 0],
            u[:, 1],
            0.9 * (u[:, 0] ** 2 - 1),
            u[:, 0] * u[:, 1],
            0.9 * (u[:, 1] ** 2 - 1),
        ]
    )
    return out


def frame_of(plan: Any) -> tuple[Floats, Floats, Floats]:
    """Centroid, principal axes (columns, the longer first) and rms spreads of a plan, by its second
    moments of area."""
    ring_moments = [_moments(ring) for polygon in polygons_of(plan) for ring in from_shapely(polygon)]
    area, first, second = (sum(m[i] for m in ring_moments) for i in range(3))
    centre = np.asarray(first) / area
    values, axes = np.linalg.eigh(np.asarray(second) / area - np.outer(centre, centre))
    return centre, axes[:, ::-1], np.sqrt(np.maximum(values[::-1], 1e-6))


def _moments(ring: Floats) -> tuple[float, Floats, Floats]:
    """Area, first (2,) and second (2, 2) moments of the inside of a ring, by Green's theorem."""
    a, b = ring, np.roll(ring, -1, axis=0)
    cross = a[:, 0] * b[:, 1] - b[:, 0] * a[:, 1]
    first = (cross[:, None] * (a + b)).sum(0) / 6
    mixed = np.einsum("i,ij,ik->jk", cross, a, b)
    second = (
        2 * np.einsum("i,ij,ik->jk", cross, a, a)
        + 2 * np.einsum("i,ij,ik->jk", cross, b, b)
        + mixed
        + mixed.T
    ) / 24
    return float(cross.sum() / 2), first, second


def knots(ring: Floats) -> Floats:
    """Weights (n, k) of evenly spaced knots along a closed ring: a hat about each, together 1 everywhere."""
    n = len(ring)
    k = max(4, round(ring_length(ring) / KNOT_STEP_MM))
    at = np.arange(n) * k / n
    left = at.astype(int)
    out = np.zeros((n, k))
    out[np.arange(n), left % k] += 1 - (at - left)
    out[np.arange(n), (left + 1) % k] += at - left
    return out


def foot_heights(about_mm: float) -> tuple[float, float, float]:
    """`FOOT_MM`, in the lower half of a part that is `about_mm` high."""
    top = min(FOOT_MM[2], about_mm / 2)
    return 0.0, top * FOOT_MM[1] / FOOT_MM[2], top


def plate(pieces: tuple[Rings, ...], template: Template, about_mm: float) -> Solid:
    """The solid of a plate whose plan begins at `pieces` (sheet frame, mm) and which is `about_mm`
    high; every parameter is 0 at p = 0, the height included.

    "outline" moves the wall out where it is halfway up, "lean" its top out and its foot in, "rim" the
    top edge up; "height" is the top's field, "round" the radius of the top edge (and of an open part's
    lower one), "foot" how far a flush part's lowest millimetres stand in (a sheltered skirt stands out:
    less than 0), at the bench and a little above it.
    """
    plan = pieces_to_shapely(pieces)
    rings = [resample_ring(r, RING_STEP_MM) for polygon in polygons_of(plan) for r in from_shapely(polygon)]
    frame = frame_of(plan)
    flush = template.mount == "flush"
    weights = [knots(ring) for ring in rings]
    counts = np.r_[0, np.cumsum([w.shape[1] for w in weights])]
    k = int(counts[-1])
    blocks, total = _blocks(
        [
            ("outline", k),
            ("lean", k),
            ("rim", k),
            ("height", N_FIELD),
            ("round", 1),
            *([("foot", 2)] if flush else []),
        ]
    )
    start = {b.name: b.start for b in blocks}
    height = blocks[3].where

    def lean_at(z: float) -> float:
        return float(np.clip(2 * z / about_mm - 1, -1, 1))

    # a level: share of the height, how much of the rounding's radius higher and further in, share of
    # each foot inset further in, a fixed height, and lean
    turn = np.radians(ROUNDS)
    none = (0.0, 0.0)
    top = [(1.0, float(np.sin(a) - 1), float(1 - np.cos(a)), none, 0.0, 1.0) for a in turn]
    if flush:
        z = foot_heights(about_mm)
        shares = (
            (0.0, (1.0, 0.0)),
            (z[1] / 2, (0.5, 0.5)),
            (z[1], (0.0, 1.0)),
            ((z[1] + z[2]) / 2, (0.0, 0.5)),
            (z[2], none),
        )
        low = [(0.0, 0.0, 0.0, in_foot, at, lean_at(at)) for at, in_foot in shares]
    else:
        low = [(0.0, float(1 - np.sin(a)), float(1 - np.cos(a)), none, 0.0, -1.0) for a in turn[::-1]]
    levels = [*low, (0.5, 0.0, 0.0, none, 0.0, 0.0), (0.8, -0.3, 0.0, none, 0.0, 0.6), *top]
    build = _Builder(total)
    plan_slope, plan_height, plan_lean = [], [], []
    for i, ring in enumerate(rings):
        n = len(ring)
        normal = ring_normals(ring, 2)
        functions = field_functions(ring, frame)
        own = np.zeros((n, k))
        own[:, int(counts[i]) : int(counts[i + 1])] = weights[i]
        outward = normal[:, :, None] * own[:, None, :]
        over = np.zeros((n, total))
        over[:, height] = functions
        plan_height.append(over.copy())
        over[:, start["rim"] : start["rim"] + k] = own
        moved = np.zeros((n, 2, total))
        moved[:, :, :k] = outward
        plan_slope.append(moved)
        leaned = np.zeros((n, total))
        leaned[:, start["lean"] : start["lean"] + k] = own
        plan_lean.append(leaned)
        for level, (share, z_round, in_round, in_foot, fixed, lean) in enumerate(levels):
            g = np.zeros((n, 3, total))
            g[:, :2] = moved
            g[:, :2, start["lean"] : start["lean"] + k] = lean * outward
            g[:, 2] = share * over
            g[:, 2, start["round"]] = z_round
            g[:, :2, start["round"]] = -in_round * normal
            if flush:
                g[:, :2, start["foot"] : start["foot"] + 2] = -normal[:, :, None] * np.array(in_foot)
            build.add(np.c_[ring, np.full(n, fixed)], g, ring_area(ring) < 0, level)
    for j, inner in enumerate(INNER_MM):
        for polygon in polygons_of(plan.buffer(-inner)):
            for ring in (resample_ring(r, 2 * RING_STEP_MM) for r in from_shapely(polygon)):
                g = np.zeros((len(ring), 3, total))
                g[:, 2, height] = field_functions(ring, frame)
                build.add(np.c_[ring, np.zeros(len(ring))], g, ring_area(ring) < 0, len(levels) + j)
    lean_of = np.concatenate(plan_lean)
    normals = np.concatenate([ring_normals(r, 2) for r in rings])
    return build.solid(
        blocks,
        rings,
        plan_slope,
        plan_height,
        plate=True,
        faces=1 if flush else 2,
        turn=np.eye(2),
        centre=np.zeros(2),
        plan_lean=lean_of,
        plan_normal=normals,
        foot_mm=foot_heights(about_mm),
        frame=frame,
        rim_level=len(levels) - 1,
    )


ROD_LEVELS = 19
ROD_SWELL = 1 + float(np.radians(180 / (ROD_LEVELS - 1)) ** 2) / 24
"""By how much a polygon must be larger than the circle that it stands for, that it be as wide on the
mean over all directions."""
ROD_HOOPS = 28
"""Sections at the ends that have curves of their own."""
ROD_FIELD = [0, 1, 3]
"""Of the field's functions, those that vary along a rod."""


def rod(pieces: tuple[Rings, ...]) -> Solid:
    """The solid of a rod lying on its side whose plan begins at `pieces` (sheet frame, mm): the plan
    turned about its axis, sections stretched upward to ellipses.

    "height" is the sections' height over their width, along the rod; "axis" the height of the axis at
    the middle and at the ends, mm. All are 0 at p = 0.
    """
    plan = pieces_to_shapely(pieces)
    rings = [resample_ring(from_shapely(polygon)[0], RING_STEP_MM) for polygon in polygons_of(plan)]
    frame = frame_of(plan)
    centre, axes, _ = frame
    axes = axes * np.array([1.0, float(np.sign(np.linalg.det(axes)))])
    along, across = axes.T
    weights = [knots(ring) for ring in rings]
    counts = np.r_[0, np.cumsum([w.shape[1] for w in weights])]
    blocks, total = _blocks([("outline", int(counts[-1])), ("height", len(ROD_FIELD)), ("axis", 2)])
    height, axis = blocks[1].where, blocks[2].where
    build = _Builder(total)
    plan_slope, plan_height = [], []
    for j, a in enumerate(np.radians(np.linspace(-90, 90, ROD_LEVELS))):
        low, high = max(ROD_SWELL * float(np.cos(a)), 0.02), ROD_SWELL * float(np.sin(a))
        squeeze = np.eye(2) - (1 - low) * np.outer(across, across)
        for i, ring in enumerate(rings):
            normal = ring_normals(ring, 2)
            functions = field_functions(ring, frame)[:, ROD_FIELD]
            off = (ring - centre) @ across
            g = np.zeros((len(ring), 3, total))
            columns = slice(int(counts[i]), int(counts[i + 1]))
            g[:, :2, columns] = (normal @ squeeze)[:, :, None] * weights[i][:, None, :]
            g[:, 2, columns] = (high * (normal @ across) * np.sign(off))[:, None] * weights[i]
            g[:, 2, height] = (high * np.abs(off))[:, None] * functions
            g[:, 2, axis] = np.column_stack([np.ones(len(ring)), functions[:, 1]])
            build.add(np.c_[centre + (ring - centre) @ squeeze, np.zeros(len(ring))], g, level=j)
            if j == 0:
                own = np.zeros((len(ring), 2, total))
                own[:, :, columns] = normal[:, :, None] * weights[i][:, None, :]
                own_height = np.zeros((len(ring), total))
                own_height[:, height] = functions
                plan_slope.append(own)
                plan_height.append(own_height)
    round_about = np.radians(np.linspace(0, 360, 2 * ROD_LEVELS, endpoint=False))
    for i, ring in enumerate(rings):
        # at the ends the curves along the rod run across the limb: sections as curves of their own
        normal = ring_normals(ring, 2)
        functions = field_functions(ring, frame)[:, ROD_FIELD]
        off = (ring - centre) @ across
        columns = slice(int(counts[i]), int(counts[i + 1]))
        ends = np.flatnonzero((np.abs(normal @ along) > 0.25) & (np.abs(off) > 2.0))
        for k in ends[:: max(1, len(ends) // ROD_HOOPS)]:
            radius, side = abs(off[k]), np.sign(off[k])
            g = np.zeros((len(round_about), 3, total))
            grow = side * (normal[k] @ across)  # of the radius, as the outline moves out
            move = (normal[k] @ along) * along + ROD_SWELL * grow * np.cos(round_about)[:, None] * across
            g[:, :2, columns] = move[:, :, None] * weights[i][k]
            g[:, 2, columns] = (ROD_SWELL * grow * np.sin(round_about))[:, None] * weights[i][k]
            g[:, 2, height] = (ROD_SWELL * radius * np.sin(round_about))[:, None] * functions[k]
            g[:, 2, axis] = [1.0, functions[k, 1]]
            middle = centre + ((ring[k] - centre) @ along) * along
            flat = middle + ROD_SWELL * radius * np.cos(round_about)[:, None] * across
            build.add(np.c_[flat, np.zeros(len(flat))], g, level=ROD_LEVELS + int(k))
    return build.solid(
        blocks,
        rings,
        plan_slope,
        plan_height,
        plate=False,
        faces=0,
        turn=axes,
        centre=centre,
        plan_lean=None,
        plan_normal=None,
        foot_mm=FOOT_MM,
        frame=frame,
        rim_level=ROD_LEVELS // 2,
    )


# --- inside --------------------------------------------------------------------------------------


def _blocks(sizes: list[tuple[str, int]]) -> tuple[tuple[Block, ...], int]:
    ends = np.cumsum([n for _, n in sizes])
    return tuple(
        Block(name, int(end - n), int(end)) for (name, n), end in zip(sizes, ends, strict=True)
    ), int(ends[-1])


class _Builder:
    """Collects closed curves."""

    def __init__(self, total: int) -> None:
        self.base: list[Floats] = []
        self.slope: list[Floats] = []
        self.follows: list[Any] = []
        self.curve: list[Any] = []
        self.hole: list[bool] = []
        self.level: list[int] = []
        self.total = total
        self.n = 0

    def add(self, base: Floats, slope: Floats, hole: bool = False, level: int = 0) -> None:
        self.level.append(level)
        self.curve.append(np.full(len(base), len(self.curve)))
        self.hole.append(hole)
        self.base.append(base)
        self.slope.append(slope)
        self.follows.append(self.n + (np.arange(len(base)) + 1) % len(base))
        self.n += len(base)

    def solid(
        self,
        blocks: tuple[Block, ...],
        rings: list[Floats],
        plan_slope: list[Floats],
        plan_height: list[Floats],
        **more: Any,
    ) -> Solid:
        return Solid(
            np.concatenate(self.base),
            np.concatenate(self.slope),
            np.concatenate(self.follows),
            np.concatenate(self.curve),
            np.array(self.hole),
            np.array(self.level),
            blocks,
            np.concatenate(rings),
            np.concatenate(plan_slope),
            np.concatenate(plan_height),
            tuple(len(r) for r in rings),
            **more,
        )
