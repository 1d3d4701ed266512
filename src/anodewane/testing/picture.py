"""Draw a worn solid by a printed sheet as a camera sees it, with the exact mask and every figure.

Rays are cast through the solid's own field (`WornSolid`), lens distortion included, so nothing is
warped afterwards. Edges of the part and of the print are averaged in linear light over 16 points a
pixel. Sheet and ground lie at z = 0 and are flat.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from anodewane.geometry.camera import project, to_height
from anodewane.geometry.motion import Motion
from anodewane.geometry.rings import to_shapely
from anodewane.records import Camera, Record, Template, frozen_array
from anodewane.testing.develop import develop, encode_jpeg
from anodewane.testing.hardware import add_barnacles, add_bolts
from anodewane.testing.scene import (
    INK_SHARE,
    PAPER_ALBEDO,
    RASTER_PX_PER_MM,
    TILE_MM_PER_PX,
    Scene,
    ground_tile,
    in_frame,
    printed_sheet,
    sheet_size,
    tilt_deg,
)
from anodewane.testing.solid import WearPattern, WornSolid, erode
from anodewane.testing.tracer import FieldTracer, box_px, rays
from anodewane.units import FULL_FRAME_DIAGONAL_MM, Bytes, Floats, Floats32, Rings

_SUB = 4
"""Sub-samples a side of an edge pixel."""
BLOCK_PX = 8
"""The smooth map from photo to ground is computed at every 8th pixel and interpolated: good to a
few micrometres."""


@dataclass(frozen=True, slots=True, eq=False)
class RenderedPhoto(Record):
    """A photo with its truth.

    rgb : uint8 (H, W, 3); mask : float32 (H, W), share of each pixel that is remaining metal as the
    camera sees it, fouling taken off; sheet_from_part : rigid motion of part mm to sheet mm;
    truth : the figures, plain values with the trial photos' keys.
    """

    rgb: Bytes
    mask: Floats32
    camera: Camera
    solid: WornSolid
    scene: Scene
    sheet_from_part: Motion
    f35: float
    truth: dict[str, Any]

    def __post_init__(self) -> None:
        h, w = self.mask.shape
        self._set(
            rgb=frozen_array(self.rgb, np.uint8, (h, w, 3), "rgb"),
            mask=frozen_array(self.mask, np.float32, (h, w), "mask"),
        )

    def jpeg(self, orientation: int = 1) -> bytes:
        """The photo as a phone writes it, with EXIF; `orientation` stores the pixels turned and says so
        in tag 0x0112."""
        return encode_jpeg(
            self.rgb,
            f35=self.f35,
            quality=self.scene.jpeg_quality,
            orientation=orientation,
            seed=self.scene.seed,
        )

    def write(self, folder: Path, name: str) -> None:
        """Write NAME.jpg, NAME.metal.png and NAME.truth.json into a folder that exists."""
        from PIL import Image

        (folder / f"{name}.jpg").write_bytes(self.jpeg())
        Image.fromarray(np.round(np.asarray(self.mask) * 255).astype(np.uint8)).save(
            folder / f"{name}.metal.png", optimize=True
        )
        (folder / f"{name}.truth.json").write_text(json.dumps(self.truth, indent=1) + "\n")


def placement(angle_deg: float, shift_mm: tuple[float, float]) -> Motion:
    """Motion of part mm to sheet mm: turned anticlockwise, then shifted."""
    return Motion.of(np.radians(angle_deg), shift_mm)


# --- the picture ---------------------------------------------------------------------------------


def render(
    template: Template,
    wear: WearPattern | WornSolid,
    camera: Camera,
    scene: Scene,
    *,
    sheet_from_part: Motion,
    width: int = 2016,
    height: int = 1512,
    f35: float | None = None,
    split: str = "rendered",
) -> RenderedPhoto:
    """Take a photo of a worn part by the sheet.

    Parameters
    ----------
    template : Template
    wear : WearPattern, or a WornSolid made before
    camera : Camera
        In the sheet frame; `testing.scene.look_at` makes one.
    scene : Scene
    sheet_from_part : Motion
        Where the part lies; `placement` makes one.
    width, height : int
        Pixels; the camera's `half_diagonal_px` must belong to them.
    f35 : float, optional
        What EXIF says of the focal length, by default the truth.

    Raises
    ------
    ValueError
        Nothing is left of the part, the camera belongs to another picture size, or the ground is unknown.
    """
    if abs(camera.half_diagonal_px - np.hypot(width, height) / 2) > 1:
        raise ValueError(
            f"camera: expected half a diagonal of {np.hypot(width, height) / 2:.1f} px, got "
            f"{camera.half_diagonal_px:.1f}"
        )
    solid = wear if isinstance(wear, WornSolid) else erode(template, wear)
    tracer = FieldTracer(solid)
    rng = np.random.default_rng([scene.seed, 11])
    sun = _towards(scene.sun_azimuth_deg, scene.sun_height_deg)
    image = _ground(scene, tracer, sheet_from_part, sun, camera, width, height)
    if scene.bolts:
        image = add_bolts(image, camera, scene, solid, sheet_from_part, sun, rng, tracer)
    mask, colour = _see_metal(
        camera, tracer, _Shader(tracer, solid, scene, sheet_from_part, sun), sheet_from_part, width, height
    )
    image = image * (1 - mask[..., None]) + colour * mask[..., None]
    if scene.barnacles:
        image = add_barnacles(image, camera, tracer, scene, solid, sheet_from_part, sun, rng)
    focal35 = camera.focal_px / (2 * camera.half_diagonal_px) * FULL_FRAME_DIAGONAL_MM if f35 is None else f35
    rgb = develop(image, scene, rng)
    return RenderedPhoto(
        rgb,
        mask,
        camera,
        solid,
        scene,
        sheet_from_part,
        focal35,
        _truth(solid, camera, scene, sheet_from_part, width, height, focal35, mask, split),
    )


def _towards(azimuth_deg: float, height_deg: float) -> Floats:
    a, e = np.radians([azimuth_deg, height_deg])
    return np.array([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)])


def _cone(axis: Floats, radius_deg: float, n: int) -> Floats:
    """Directions (n, 3) spread evenly over a disc of light."""
    i = np.arange(n) + 0.5
    r, a = np.tan(np.radians(radius_deg)) * np.sqrt(i / n), i * 2.399963229728653  # golden angle
    u = np.cross(axis, [0.0, 0.0, 1.0] if abs(axis[2]) < 0.99 else [1.0, 0.0, 0.0])
    u /= np.linalg.norm(u)
    v = np.cross(axis, u)
    d = axis + r[:, None] * (np.cos(a)[:, None] * u + np.sin(a)[:, None] * v)
    out: Floats = d / np.linalg.norm(d, axis=1, keepdims=True)
    return out


def _sky(n: int) -> Floats:
    """Directions (n, 3) over the sky as level ground weighs them: by the cosine."""
    i = np.arange(n) + 0.5
    r, a = np.sqrt(i / n), i * 2.399963229728653
    return np.column_stack([r * np.cos(a), r * np.sin(a), np.sqrt(1 - r * r)])


def ground_map(camera: Camera, width: int, height: int, height_mm: float = 0.0) -> Any:
    """Sheet-frame x, y of the plane at `height_mm` at the centres of 8 x 8 pixel blocks, one block
    beyond every edge: float32 (h, w, 2)."""
    x = (np.arange(-1, -(-width // BLOCK_PX) + 1) + 0.5) * BLOCK_PX - 0.5
    y = (np.arange(-1, -(-height // BLOCK_PX) + 1) + 0.5) * BLOCK_PX - 0.5
    return to_height(camera, np.stack(np.meshgrid(x, y), axis=-1), height_mm).astype(np.float32)


def expand_map(coarse: Any, block_row: int, block_rows: int, sub: int) -> Any:
    """Interpolate the map to `sub` x `sub` points a pixel over some rows of blocks."""
    import cv2

    piece = coarse[block_row : block_row + block_rows + 2]
    f = BLOCK_PX * sub
    fine = cv2.resize(piece, (piece.shape[1] * f, piece.shape[0] * f), interpolation=cv2.INTER_LINEAR)
    return fine[f:-f, f:-f]


def _ground(
    scene: Scene,
    tracer: FieldTracer,
    sheet_from_part: Motion,
    sun: Floats,
    camera: Camera,
    width: int,
    height: int,
) -> Any:
    """Ground and sheet in their light, without the part: float32 (H, W, 3)."""
    import cv2

    coarse = ground_map(camera, width, height)
    rng = np.random.default_rng([scene.seed, 3])
    turn, shift = rng.uniform(0, 2 * np.pi), rng.uniform(0, 600, 2)
    tile: Any = ground_tile(scene.ground, scene.seed % 7)
    # half the tile's resolution where the photo is much coarser, so that it doesn't alias
    mm_per_px = float(np.median(np.linalg.norm(np.diff(coarse, axis=1), axis=2))) / BLOCK_PX
    tile_mm = TILE_MM_PER_PX
    while mm_per_px > 1.6 * tile_mm:
        tile = cv2.resize(tile, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        tile_mm *= 2
    tile = tile * (np.array(scene.ground_tint) * scene.ground_light).astype(np.float32)
    to_part = sheet_from_part.inverse()
    local_sun, cell = to_part.along(sun[:2]), max(0.8, tracer.h)
    axis = np.r_[local_sun, sun[2]]
    shade, corner = tracer.ground_shade(
        _cone(axis, scene.sun_radius_deg, 24 if scene.sun_radius_deg > 1 else 6), cell
    )
    dim, _ = tracer.ground_shade(_sky(40), cell)
    cell = max(1, round(cell / tracer.h)) * tracer.h
    both = np.dstack([shade, dim])
    texture, size = _sheet_texture(scene)
    out = np.empty((height, width, 3), np.float32)
    sun_light = np.array(scene.sun_colour, np.float32) * np.float32(scene.sun_share)
    sky_light = np.array(scene.sky_colour, np.float32) * np.float32(1 - scene.sun_share)
    blocks = coarse.shape[0] - 2
    step = 6
    c, s = np.float32(np.cos(turn)), np.float32(np.sin(turn))
    for block in range(0, blocks, step):
        rows = slice(block * BLOCK_PX, min(height, (block + step) * BLOCK_PX))
        n = rows.stop - rows.start
        m = expand_map(coarse, block, min(step, blocks - block), 1)[:n, :width]
        u = (m[..., 0] * c - m[..., 1] * s + np.float32(shift[0])) / np.float32(tile_mm)
        v = (m[..., 0] * s + m[..., 1] * c + np.float32(shift[1])) / np.float32(tile_mm)
        k = tile.shape[0]
        albedo = cv2.remap(tile, np.mod(u, k), np.mod(v, k), cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
        if texture is not None:
            half = np.array(size) / 2 * scene.print_scale
            cut = coarse[block : block + min(step, blocks - block) + 2]
            if (np.abs(cut).min(axis=(0, 1)) < half + 30).all():
                f = expand_map(coarse, block, min(step, blocks - block), _SUB)[: n * _SUB, : width * _SUB]
                scale = np.float32(RASTER_PX_PER_MM / scene.print_scale)
                x = (f[..., 0] + np.float32(half[0])) * scale - np.float32(0.5)
                y = (np.float32(half[1]) - f[..., 1]) * scale - np.float32(0.5)
                # the paper keeps its size, whatever is printed on it
                paper = (np.abs(f) < np.array(size, np.float32) / 2).all(axis=2, keepdims=True)
                printed = cv2.remap(texture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
                seen = cv2.resize(printed * paper, (width, n), interpolation=cv2.INTER_AREA)
                albedo = albedo * (1 - seen[..., 1:]) + seen[..., :1]
        # single precision, as the picture is
        q = (m - sheet_from_part.shift.astype(np.float32)) @ to_part.turn.T.astype(np.float32)
        q = (q - corner.astype(np.float32)) / np.float32(cell)
        lit = cv2.remap(
            both,
            np.ascontiguousarray(q[..., 0]),
            np.ascontiguousarray(q[..., 1]),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=0,
        )
        out[rows] = albedo * (sun_light * (1 - lit[..., :1]) + sky_light * (1 - lit[..., 1:]))
    return out


def _sheet_texture(scene: Scene) -> tuple[Any, tuple[float, float]]:
    """Return (light sent back and coverage, float32 (h, w, 2); size in mm), or (None, ...)
    without a sheet."""
    if scene.layout == "none":
        return None, (0.0, 0.0)
    light, size = printed_sheet(scene.layout, scene.label)
    return np.dstack([PAPER_ALBEDO * (INK_SHARE + (1 - INK_SHARE) * light), np.ones_like(light)]).astype(
        np.float32
    ), size


def silhouette(
    solid: WornSolid, camera: Camera, sheet_from_part: Motion, width: int, height: int
) -> Floats32:
    """The true mask alone, float32 (H, W): much faster than a photo."""
    mask: Floats32 = _see_metal(camera, FieldTracer(solid), None, sheet_from_part, width, height)[0]
    return mask


def _see_metal(
    camera: Camera,
    tracer: FieldTracer,
    shader: _Shader | None,
    sheet_from_part: Motion,
    width: int,
    height: int,
) -> tuple[Any, Any]:
    """Coverage (H, W) and colour (H, W, 3; black without a shader) of the part, float32."""
    from scipy.ndimage import binary_dilation, binary_erosion

    mask, colour = np.zeros((height, width), np.float32), np.zeros((height, width, 3), np.float32)
    x0, y0, x1, y1 = box_px(camera, tracer, sheet_from_part, width, height)
    if x0 >= x1 or y0 >= y1:
        return mask, colour
    grid = np.stack(np.meshgrid(np.arange(x0, x1), np.arange(y0, y1)), axis=-1).reshape(-1, 2).astype(float)
    hit = np.zeros(len(grid), bool)
    seen = np.zeros((len(grid), 3), np.float32)
    for part in np.array_split(np.arange(len(grid)), max(1, len(grid) // 150_000)):
        lens, d = rays(camera, grid[part], sheet_from_part)
        t = tracer.first_hit(lens, d)
        met = np.isfinite(t)
        hit[part] = met
        if shader is not None:
            seen[part[met]] = shader(lens + t[met, None] * d[met], d[met])
    shape = (y1 - y0, x1 - x0)
    whole = hit.reshape(shape)
    square = np.ones((3, 3), bool)
    edge = np.flatnonzero(
        (binary_dilation(whole, square) & ~binary_erosion(whole, square, border_value=1)).ravel()
    )
    cover = hit.astype(np.float32)
    if len(edge):
        offset = (np.arange(_SUB) + 0.5) / _SUB - 0.5
        sub = np.stack(np.meshgrid(offset, offset), axis=-1).reshape(-1, 2)
        points = (grid[edge][:, None] + sub).reshape(-1, 2)
        lens, d = rays(camera, points, sheet_from_part)
        t = tracer.first_hit(lens, d)
        met = np.isfinite(t)
        shaded = np.zeros((len(points), 3), np.float32)
        if shader is not None:
            shaded[met] = shader(lens + t[met, None] * d[met], d[met])
        count = met.reshape(-1, _SUB * _SUB).sum(1)
        cover[edge] = count / _SUB**2
        seen[edge] = shaded.reshape(len(edge), -1, 3).sum(1) / np.maximum(count, 1)[:, None]
    mask[y0:y1, x0:x1] = cover.reshape(shape)
    colour[y0:y1, x0:x1] = seen.reshape(*shape, 3)
    return mask, colour


class _Waves:
    """Random plane waves about a wavelength: values and slopes at any points."""

    def __init__(self, wavelength_mm: float, n: int, rng: Any) -> None:
        k = rng.standard_normal((n, 3))
        k *= (
            2
            * np.pi
            / (wavelength_mm * np.exp(0.5 * rng.standard_normal((n, 1))))
            / np.linalg.norm(k, axis=1, keepdims=True)
        )
        self.k, self.phase = k.astype(np.float32), rng.uniform(0, 2 * np.pi, n).astype(np.float32)

    def value(self, points: Any) -> Any:
        return np.cos(points @ self.k.T + self.phase).sum(axis=1) * np.float32(np.sqrt(2 / len(self.phase)))

    def slope(self, points: Any) -> Any:
        """Unit-spread slopes (n, 3)."""
        unit = self.k / np.linalg.norm(self.k, axis=1, keepdims=True)
        return -np.sin(points @ self.k.T + self.phase) @ unit * np.float32(np.sqrt(6 / len(self.phase)))


class _Shader:
    """Light that points of the metal send to the lens: Lambert, a gloss, self-shadow, and a sky hidden
    by nearby metal."""

    def __init__(
        self, tracer: FieldTracer, solid: WornSolid, scene: Scene, sheet_from_part: Motion, sun: Floats
    ) -> None:
        rng = np.random.default_rng([scene.seed, 8])
        self.tracer, self.scene = tracer, scene
        self.sun = np.r_[sheet_from_part.inverse().along(sun[:2]), sun[2]]
        self.cone = _cone(self.sun, scene.sun_radius_deg, 16)
        self.mottle = [_Waves(scene.mottle_scale_mm, 48, rng), _Waves(scene.mottle_scale_mm / 4, 40, rng)]
        self.rough = [_Waves(2.5, 24, rng), _Waves(0.9, 16, rng)]
        self.top = solid.top_mm
        self.rng = rng

    def __call__(self, points: Any, view: Any) -> Any:
        t, s = self.tracer, self.scene
        p32 = points.astype(np.float32)
        smooth = t.normals(points)
        normal = smooth + s.bump * (0.7 * self.rough[0].slope(p32) + 0.5 * self.rough[1].slope(p32))
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        patch = 0.8 * self.mottle[0].value(p32) + 0.6 * self.mottle[1].value(p32)
        albedo = np.clip(s.metal_light * np.exp(s.metal_mottle * patch - s.metal_mottle**2 / 2), 0.03, 0.85)
        nl = normal @ self.sun
        facing = np.flatnonzero((nl > 0) & (smooth @ self.sun > 0))
        lit = np.zeros(len(points), np.float32)
        towards = self.cone[self.rng.integers(0, len(self.cone), len(facing))]
        lit[facing] = ~np.isfinite(t.first_hit(points[facing] + 1.2 * t.h * smooth[facing], towards))
        near = [np.clip(t.at(points + reach * smooth) / reach, 0, 1) for reach in (1.5, 4.0, 9.0)]
        hidden = (near[0] + near[1] + near[2]) / 3
        up = normal[:, 2]
        sky = hidden * (0.5 + 0.5 * up)
        bounce = 0.22 * (0.5 - 0.5 * up) * np.clip(0.3 + points[:, 2] / max(1.0, self.top), 0, 1)
        sun_light = np.maximum(nl, 0) / max(0.2, self.sun[2]) * lit
        half = self.sun - view
        half /= np.linalg.norm(half, axis=1, keepdims=True)
        shine = s.metal_gloss * np.maximum((normal * half).sum(1), 0) ** 24 * lit * 2.0
        mirror = view - 2 * (view * normal).sum(1, keepdims=True) * normal
        sheen = s.metal_gloss * hidden * (0.25 + 0.75 * np.clip(mirror[:, 2], 0, 1))
        sun_colour, sky_colour = (
            np.array(s.sun_colour) * s.sun_share,
            np.array(s.sky_colour) * (1 - s.sun_share),
        )
        out = (
            (albedo * sun_light + shine)[:, None] * sun_colour
            + (albedo * sky + sheen)[:, None] * sky_colour
            + (albedo * bounce)[:, None] * (sun_colour + sky_colour)
        )
        return out.astype(np.float32)


# --- truth ---------------------------------------------------------------------------------------


def _wkt(polygons: tuple[Rings, ...]) -> str:
    from shapely import MultiPolygon, set_precision

    # a contour has a point on every grid line: leave out those that say nothing within 10 micrometres
    shapes = [to_shapely(p).simplify(0.01) for p in polygons]
    return str(
        set_precision(
            shapes[0] if len(shapes) == 1 else MultiPolygon([s for s in shapes if s.geom_type == "Polygon"]),
            0.001,
        ).wkt
    )


def _truth(
    solid: WornSolid,
    camera: Camera,
    scene: Scene,
    sheet_from_part: Motion,
    width: int,
    height: int,
    f35: float,
    mask: Any,
    split: str,
) -> dict[str, Any]:
    """Every figure as plain values, with the trial photos' keys where they mean the same."""
    t, p = solid.template, solid.pattern
    size = sheet_size(scene)
    half = np.array(size) / 2
    corners = np.array(
        [(-half[0], -half[1], 0), (half[0], -half[1], 0), (half[0], half[1], 0), (-half[0], half[1], 0)]
    )
    ring = sheet_from_part.apply(np.concatenate([q[0] for q in solid.plan_mm]))
    around = np.concatenate([np.c_[ring, np.full(len(ring), z)] for z in (0.0, solid.top_mm)])
    cut = bool(mask[0].max() > 0 or mask[-1].max() > 0 or mask[:, 0].max() > 0 or mask[:, -1].max() > 0)
    lens_to_centre = float(np.linalg.norm(camera.position_mm))
    pose = {
        k: np.asarray(getattr(camera, k)).tolist()
        for k in ("rotation", "position_mm", "focal_px", "centre_px", "k1", "half_diagonal_px")
    }
    return {
        "split": split, "seed": scene.seed, "part": t.name, "thickness_mm": t.thickness_mm,
        "mount": t.mount, "alloy": t.alloy, "rod": t.solid == "rod",
        "face_ratio": p.face_ratio, "skirt_mm": p.skirt_mm, "depth_mm": p.depth_mm,
        "lost_fragments": solid.lost_fragments, "pieces_broken": len(p.broken),
        "volume_new_mm3": solid.volume_new_mm3, "volume_mm3": solid.volume_mm3,
        "area_new_mm2": solid.area_new_mm2, "area_mm2": solid.area_mm2,
        "consumed_area": solid.consumed_area, "consumed_volume": solid.consumed_volume,
        "mean_thickness_mm": solid.mean_thickness_mm, "top_mm": solid.top_mm,
        "outline_wkt": _wkt((t.rings,)), "plan_wkt": _wkt(solid.plan_mm),
        "width": width, "height": height, "f35": round(f35), "focal_px": camera.focal_px, "k1": camera.k1,
        "print_scale": scene.print_scale,
        "ground": scene.ground, "layout": scene.layout.split("-")[0], "sheet": scene.layout,
        "paper_mm": list(size), "paper_px": project(camera, corners).tolist(),
        "tilt_deg": tilt_deg(camera), "distance_mm": lens_to_centre,
        "part_in_frame": bool(in_frame(camera, around, width, height) and not cut),
        "sheet_in_frame": bool(scene.layout != "none" and in_frame(camera, corners, width, height)),
        "camera": pose, "sheet_from_part": sheet_from_part.matrix.tolist(), "barnacles": scene.barnacles,
        "wear": asdict(p), "scene": asdict(scene),
    }  # fmt: skip
