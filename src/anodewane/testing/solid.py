"""The worn solid: a signed field on a voxel grid, from which every figure and every picture comes.

Notation: nx, ny, nz nodes of the grid; h its step in mm. Part frame (`anodewane.units`): z up from the
face that lies down, lowest metal at z = 0.

The solid is the set where the field, interpolated trilinearly between nodes, is below zero. The
renderer casts its rays through that same field, so picture and truth can't disagree by more than the
figures' own discretisation (`WornSolid`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from anodewane.geometry.rings import from_shapely, polygons_of, rings_area, to_shapely
from anodewane.records import Record, Template, frozen_array
from anodewane.units import Floats, Floats32, Rings

MAX_VOXELS = 5_000_000
FINEST_STEP_MM = 0.5
_REFINE = 3
"""Plan contours are read on a grid this much finer than the voxels."""


@dataclass(frozen=True, slots=True)
class WearPattern:
    """How metal went. All lengths mm; the default is a part that never was in the water."""

    depth_mm: float = 0.0
    """Mean inward recession of the sides."""
    face_ratio: float = 1.0
    """Recession of the front face (of both faces, where the mount is open) over that of the sides. Rods
    waste alike all round."""
    skirt_mm: float = 0.0
    """Height of the sheltered foot of a flush part."""
    skirt_share: float = 0.15
    """Recession at the mounting face over that above the foot."""
    unevenness: float = 0.0
    """One-sigma of the smooth variation of the recession, over its mean."""
    uneven_scale_mm: float = 30.0
    """Wavelength about which that varies."""
    pit_mm: float = 0.0
    """Depth of pits."""
    pit_scale_mm: float = 9.0
    """Wavelength about which pits are spaced."""
    one_sided: float = 0.0
    """0 even, 1 from nothing on one side to twice the mean on the other."""
    one_sided_deg: float = 0.0
    """Direction of the side that wastes most, in the part frame."""
    rounding: float = 0.0
    """Radius of convex edges over the recession: corners waste faster."""
    hole_ratio: float = 1.0
    """Recession of the walls of holes over that of the outer sides."""
    broken: tuple[tuple[float, float], ...] = ()
    """Pieces broken off: (direction in degrees, share of the new plan area beyond the break)."""
    seed: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class WornSolid(Record):
    """A worn part with its exact figures. Part frame, mm.

    field : float32 (nx, ny, nz), below zero in the metal; origin_mm : (3,) of node (0, 0, 0);
    step_mm : h; plan_mm : polygons, largest first, the outline seen from straight above; drop_mm :
    how far an open part sank to lie on the ground; lost_fragments : separate pieces that fell off
    and were taken away.

    Notes
    -----
    Discretisation: areas are good to about 0.02 % and volumes to 0.1 % of the new part at the default
    step, pitted ones included (tests/testing hold them to shapely, to formulas and to counting); both are
    those of the field that is drawn.
    """

    template: Template
    pattern: WearPattern
    field: Floats32
    origin_mm: Floats
    step_mm: float
    plan_mm: tuple[Rings, ...]
    area_mm2: float
    volume_mm3: float
    drop_mm: float
    lost_fragments: int

    def __post_init__(self) -> None:
        self._set(
            field=frozen_array(self.field, np.float32, (None, None, None), "field"),
            origin_mm=frozen_array(self.origin_mm, np.float64, (3,), "origin_mm"),
        )

    @property
    def area_new_mm2(self) -> float:
        return rings_area(self.template.rings)

    @property
    def volume_new_mm3(self) -> float:
        return new_volume_mm3(self.template)

    @property
    def consumed_area(self) -> float:
        """0 to 1."""
        return 1 - self.area_mm2 / self.area_new_mm2

    @property
    def consumed_volume(self) -> float:
        """0 to 1."""
        return 1 - self.volume_mm3 / self.volume_new_mm3

    @property
    def mean_thickness_mm(self) -> float:
        """Volume over plan area: what a calliper reading averaged over the part would give."""
        return self.volume_mm3 / self.area_mm2

    @property
    def top_mm(self) -> float:
        """Highest metal."""
        low = np.asarray(self.field).min(axis=(0, 1))
        k = int(np.flatnonzero(low < 0)[-1])
        return float(self.origin_mm[2] + self.step_mm * (k + low[k] / (low[k] - low[k + 1])))


def new_volume_mm3(template: Template) -> float:
    """Volume of the new solid by formula: area x thickness, or the solid of revolution of a rod's
    outline (Pappus: area of the upper half x path of its centroid)."""
    if template.solid == "plate":
        return rings_area(template.rings) * template.thickness_mm
    from shapely import box

    axis, centre = _rod_axis(template)
    ring = np.asarray(template.rings[0]) - centre
    along = ring if axis == 0 else ring[:, ::-1]
    reach = float(np.abs(ring).max()) * 2
    half = to_shapely((along,)).intersection(box(-reach, 0, reach, reach))
    return float(2 * np.pi * half.centroid.y * half.area)


def _rod_axis(template: Template) -> tuple[int, Floats]:
    """Return 0 when a rod lies along x, 1 along y, and the middle of its outline. The way across is the
    one that measures its diameter."""
    ring = np.asarray(template.rings[0])
    lo, hi = ring.min(0), ring.max(0)
    extent = hi - lo
    return (0 if abs(extent[1] - template.thickness_mm) <= abs(extent[0] - template.thickness_mm) else 1), (
        lo + hi
    ) / 2


def wave_noise(
    axes: tuple[Floats, Floats, Floats], wavelength_mm: float, seed: int, n_waves: int = 72
) -> Floats32:
    """Smooth random field, mean 0 and standard deviation 1, of plane waves about one wavelength:
    float32 (nx, ny, nz).

    cos(a + b) = cos a cos b - sin a sin b turns the sum over waves into one matrix product.
    """
    rng = np.random.default_rng([seed, 77])
    direction = rng.standard_normal((n_waves, 3))
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    k = direction * (2 * np.pi / (wavelength_mm * np.exp(0.35 * rng.standard_normal((n_waves, 1)))))
    phase = rng.uniform(0, 2 * np.pi, n_waves)
    x, y, z = axes
    a = np.outer(x, k[:, 0]) + phase
    b = (y[:, None, None] * k[:, 1] + z[None, :, None] * k[:, 2]).reshape(-1, n_waves)
    left = np.concatenate([np.cos(a), -np.sin(a)], axis=1).astype(np.float32)
    right = np.concatenate([np.cos(b), np.sin(b)], axis=1).astype(np.float32)
    out: Floats32 = (left @ right.T).reshape(len(x), len(y), len(z)) * np.float32(np.sqrt(2 / n_waves))
    return out


def _signed_distance(polygon: Any, x: Floats, y: Floats) -> Floats:
    """(len(x), len(y)) distance to a shapely polygon's edge, negative inside."""
    import shapely

    gx, gy = np.meshgrid(x, y, indexing="ij")
    points = shapely.points(gx.ravel(), gy.ravel())
    edge = polygon.boundary
    shapely.prepare(edge)
    shapely.prepare(polygon)
    d = shapely.distance(edge, points)
    out: Floats = np.where(shapely.contains_xy(polygon, gx.ravel(), gy.ravel()), -d, d).reshape(gx.shape)
    return out


def _opened(polygon: Any, radius_mm: float) -> Any:
    """The polygon without what a disc of `radius_mm` can't reach: its convex corners rounded."""
    if radius_mm <= 0:
        return polygon
    opened = polygon.buffer(-radius_mm, quad_segs=32).buffer(radius_mm, quad_segs=32)
    parts = polygons_of(opened)
    return parts[0] if parts else polygon


def _round_both(a: Any, b: Any, radius_mm: float) -> Any:
    """Intersection of two solids given by their fields, with the edge between them rounded."""
    if radius_mm <= 0:
        return np.maximum(a, b)
    r = np.float32(radius_mm)
    u, v = a + r, b + r
    return np.minimum(np.maximum(u, v), 0) + np.hypot(np.maximum(u, 0), np.maximum(v, 0)) - r


def erode(template: Template, pattern: WearPattern, step_mm: float | None = None) -> WornSolid:
    """Waste a new part.

    Parameters
    ----------
    template : Template
        `fill_factor` is not modelled: the new solid fills outline x thickness.
    pattern : WearPattern
    step_mm : float, optional
        Grid step; by default 0.5 mm, or what keeps the grid under five million nodes.

    Raises
    ------
    ValueError
        Nothing would be left, or so little that it has no thickness on the grid.
    """
    ring = np.asarray(template.rings[0])
    lo, hi = ring.min(0), ring.max(0)
    height = template.thickness_mm
    if step_mm is None:
        step_mm = max(FINEST_STEP_MM, float(np.prod(np.r_[hi - lo, height]) / MAX_VOXELS) ** (1 / 3))
    h = step_mm
    pad = 3 * h
    x = np.arange(lo[0] - pad, hi[0] + pad + h, h)
    y = np.arange(lo[1] - pad, hi[1] + pad + h, h)
    z = np.arange(-pad, height + pad + h, h)
    axes = (x, y, z)
    depth = _recession(template, pattern, axes)
    pits: Any = np.float32(0.0)
    if pattern.pit_mm > 0:
        bumps = wave_noise(axes, pattern.pit_scale_mm, pattern.seed + 1)
        pits = np.float32(pattern.pit_mm) * np.maximum(bumps - np.float32(0.7), 0) ** 1.5
    field = (
        _rod_field(template, pattern, axes, depth + pits)
        if template.solid == "rod"
        else _plate_field(template, pattern, axes, depth, pits)
    )
    for i, (angle_deg, share) in enumerate(pattern.broken):
        field = np.maximum(field, _break(template, axes, angle_deg, share, pattern.seed + 10 + i))
    field, lost = _keep_largest(np.asarray(field, np.float32), h)
    low = field.min(axis=(0, 1))
    k = int(np.flatnonzero(low < 0)[0])
    drop = float(z[k] - h * low[k] / (low[k] - low[k - 1]))
    if template.mount == "flush":
        drop = 0.0
    plan = _plan(field, np.array([x[0], y[0]]), h)
    area = sum(rings_area(p) for p in plan)
    return WornSolid(
        template,
        pattern,
        field,
        np.array([x[0], y[0], z[0] - drop]),
        h,
        plan,
        float(area),
        _volume(field, h),
        drop,
        lost,
    )


def mirrored(solid: WornSolid) -> WornSolid:
    """The same worn part as its mirror image in the x axis: lying with its other face up."""
    from dataclasses import replace

    def flip(rings: Rings) -> Rings:
        return tuple(np.asarray(r)[::-1] * [1.0, -1.0] for r in rings)

    origin = np.array(solid.origin_mm)
    origin[1] = -(origin[1] + (solid.field.shape[1] - 1) * solid.step_mm)
    template = replace(solid.template, rings=flip(solid.template.rings))
    return replace(
        solid,
        template=template,
        field=solid.field[:, ::-1],
        origin_mm=origin,
        plan_mm=tuple(flip(p) for p in solid.plan_mm),
    )


def _recession(template: Template, pattern: WearPattern, axes: tuple[Floats, Floats, Floats]) -> Any:
    """Recession at every node, before the foot's shelter: float32 (nx, ny, nz), or a scalar
    where it is even."""
    x, y, _ = axes
    depth: Any = np.float32(pattern.depth_mm)
    if pattern.unevenness > 0:
        # a log-normal keeps the recession positive; its mean is taken out
        n = wave_noise(axes, pattern.uneven_scale_mm, pattern.seed)
        depth = depth * np.exp(np.float32(pattern.unevenness) * n - np.float32(pattern.unevenness**2 / 2))
    if pattern.one_sided:
        ring = np.asarray(template.rings[0])
        to = np.array([np.cos(np.radians(pattern.one_sided_deg)), np.sin(np.radians(pattern.one_sided_deg))])
        reach = ring @ to
        u = ((x * to[0])[:, None] + (y * to[1])[None, :] - reach.mean()) / max(1e-6, np.ptp(reach) / 2)
        depth = depth * (1 + pattern.one_sided * np.clip(u, -1, 1)).astype(np.float32)[:, :, None]
    return depth


def _plate_field(
    template: Template, pattern: WearPattern, axes: tuple[Floats, Floats, Floats], depth: Any, pits: Any
) -> Any:
    from shapely import Polygon

    x, y, z = axes
    foot = np.ones_like(z)
    if template.mount == "flush" and pattern.skirt_mm > 0:
        s = np.clip(z / pattern.skirt_mm, 0, 1)
        foot = pattern.skirt_share + (1 - pattern.skirt_share) * s * s * (3 - 2 * s)
    foot = foot.astype(np.float32)
    radius = pattern.rounding * pattern.depth_mm
    # eroding a rounded corner sharpens it again by the recession: open the new outline by both
    outer = _opened(Polygon(template.rings[0]), radius + pattern.depth_mm if radius > 0 else 0.0)
    side: Any = _signed_distance(outer, x, y).astype(np.float32)[:, :, None] + (depth + pits) * foot
    for hole in template.rings[1:]:
        inner = -_signed_distance(Polygon(hole), x, y).astype(np.float32)[:, :, None]
        side = np.maximum(side, inner + np.float32(pattern.hole_ratio) * (depth + pits) * foot)
    face = np.float32(pattern.face_ratio) * depth + pits
    zz = z.astype(np.float32)[None, None, :]
    field = _round_both(side, zz - np.float32(template.thickness_mm) + face, radius)
    return np.maximum(field, -zz) if template.mount == "flush" else _round_both(field, -zz + face, radius)


def _rod_field(
    template: Template, pattern: WearPattern, axes: tuple[Floats, Floats, Floats], recession: Any
) -> Any:
    """A solid of revolution lying on its side."""
    from scipy.ndimage import map_coordinates
    from shapely import Polygon

    x, y, z = axes
    axis, centre = _rod_axis(template)
    along, across = (x - centre[0], y - centre[1]) if axis == 0 else (y - centre[1], x - centre[0])
    ring = np.asarray(template.rings[0]) - centre
    outline = Polygon(ring if axis == 0 else ring[:, ::-1])
    radius = pattern.rounding * pattern.depth_mm
    rho = np.hypot(across[:, None], z[None, :] - template.thickness_mm / 2)
    h = float(x[1] - x[0]) / 2
    table = _signed_distance(
        _opened(outline, radius + pattern.depth_mm if radius > 0 else 0.0),
        along,
        np.arange(0, rho.max() + 3 * h, h),
    )
    rows = np.broadcast_to(np.arange(len(along), dtype=float)[:, None, None], (len(along), *rho.shape))
    columns = np.broadcast_to(rho[None] / h, rows.shape)
    field = map_coordinates(table, [rows, columns], order=1, output=np.float32)
    return (field if axis == 0 else field.transpose(1, 0, 2)) + recession


def _break(
    template: Template, axes: tuple[Floats, Floats, Floats], angle_deg: float, share: float, seed: int
) -> Any:
    """Field of a rough break that leaves the given share of the new plan area beyond it."""
    from shapely import box
    from shapely.affinity import rotate

    part = rotate(to_shapely(template.rings), -angle_deg, origin=(0, 0))
    left, bottom, right, top = part.bounds
    a, b = left, right
    for _ in range(40):
        middle = (a + b) / 2
        beyond = part.intersection(box(middle, bottom, right, top)).area / part.area
        a, b = (middle, b) if beyond > share else (a, middle)
    x, y, _ = axes
    u = (x * np.cos(np.radians(angle_deg)))[:, None] + (y * np.sin(np.radians(angle_deg)))[None, :] - b
    return u.astype(np.float32)[:, :, None] + np.float32(0.8) * wave_noise(axes, 7.0, seed)


def _keep_largest(field: Floats32, h: float) -> tuple[Floats32, int]:
    from scipy.ndimage import binary_dilation, label

    labels, n = label(field < 0)
    if n == 0:
        raise ValueError("nothing is left of the part: less wear, or a thicker one")
    if n == 1:
        return field, 0
    sizes = np.bincount(labels.ravel())
    sizes[0] = 0
    keep = int(sizes.argmax())
    # one node more: where a flush part lies down the field is 0 on its lowest nodes, neither metal nor air
    gone = binary_dilation((labels > 0) & (labels != keep)) & (labels != keep)
    field = np.where(gone, np.maximum(field, np.float32(0.5 * h)), field)
    # specks of a few nodes are dust, not pieces
    return field, int((sizes * h**3 > 20.0).sum() - 1)


def _plan(field: Floats32, origin: Floats, h: float) -> tuple[Rings, ...]:
    """Outline seen from above. Along z the trilinear field is least at a node, so the least of the
    finely interpolated slices is exact."""
    import cv2
    from skimage.measure import find_contours

    nx, ny, nz = field.shape
    shape = ((nx - 1) * _REFINE + 1, (ny - 1) * _REFINE + 1)
    scale = np.array([[1 / _REFINE, 0, 0], [0, 1 / _REFINE, 0]])
    low = np.full(shape, np.inf, np.float32)
    for k in range(nz):
        layer = np.ascontiguousarray(field[:, :, k])
        if layer.min() < h:
            low = np.minimum(
                low,
                cv2.warpAffine(
                    layer,
                    scale,
                    (shape[1], shape[0]),
                    flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                    borderMode=cv2.BORDER_REPLICATE,
                ),
            )
    low = np.where(np.isfinite(low), low, np.float32(h))
    from shapely import Polygon, make_valid

    # just below zero: on the face that lies down the field is zero itself, also where no metal stands on it
    contours = find_contours(low, -1e-3 * h)  # type: ignore[no-untyped-call]
    rings = [np.asarray(c[:-1]) * (h / _REFINE) + origin for c in contours if len(c) > 4]
    # a contour may touch itself at a node
    shapes = sorted((make_valid(Polygon(r)) for r in rings), key=lambda p: -p.area)
    shapes = [s for s in shapes if s.area > 1.0]
    solid: Any = None
    for s in shapes:  # from large to small: a ring inside metal is a hole, one inside a hole is metal
        solid = s if solid is None else solid.symmetric_difference(s)
    return tuple(from_shapely(p) for p in polygons_of(solid) if p.area > 1.0)


def _volume(field: Floats32, h: float) -> float:
    """Sum of the share of every node's cube on the near side of the surface; exact for planes
    along the axes."""
    near = np.abs(field) < 6 * h
    whole = float(np.count_nonzero((field < 0) & ~near))
    grow = np.gradient(field)
    width = (np.abs(grow[0]) + np.abs(grow[1]) + np.abs(grow[2]))[near]
    share = np.clip(0.5 - field[near] / np.maximum(width, 1e-3), 0, 1)
    return float((whole + share.sum(dtype=np.float64)) * h**3)
