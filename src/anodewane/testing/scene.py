"""What lies around the part: the camera, the printed sheet, the ground and the light. Light is linear
throughout; colours are shares of white paper's light."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from anodewane.geometry.camera import project
from anodewane.record import Label
from anodewane.records import Camera, SheetLayout
from anodewane.units import FULL_FRAME_DIAGONAL_MM, Floats, Floats32

GROUNDS = ("concrete", "planks", "plywood", "tarp", "turf", "brick", "gravel", "grass")
"""Kinds of ground. The last three are scikit-image's own pictures (CC0); the others are made
up on the spot."""

RASTER_PX_PER_MM = 10
PAPER_ALBEDO = 0.86
INK_SHARE = 0.06
"""Light that ink sends back, over paper's."""


@dataclass(frozen=True, slots=True)
class Scene:
    """Ground, light and development of a photo. Angles in degrees in the sheet frame."""

    layout: str = "card"
    """"card", "mat-a4", "mat-letter", or "none" for a photo without a sheet."""
    label: Label | None = None
    """Boat and position printed on the sheet."""
    print_scale: float = 1.0
    ground: str = "concrete"
    ground_light: float = 1.0
    """Brightness of the ground over its kind's usual one."""
    ground_tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    sun_azimuth_deg: float = 60.0
    sun_height_deg: float = 50.0
    sun_share: float = 0.5
    """Share of the sun in the light on open level ground, 0 to 1: the strength of the shadow."""
    sun_radius_deg: float = 3.0
    """Half angle of the light: 0.25 a clear sun (hard shadow), 15 a window."""
    sun_colour: tuple[float, float, float] = (1.0, 0.96, 0.88)
    sky_colour: tuple[float, float, float] = (0.92, 0.98, 1.1)
    metal_light: float = 0.38
    """Mean albedo of the metal."""
    metal_mottle: float = 0.35
    """One-sigma of its patches, over the mean."""
    mottle_scale_mm: float = 14.0
    metal_gloss: float = 0.15
    bump: float = 0.12
    """One-sigma of the fine roughness of the surface, as a slope."""
    barnacles: int = 0
    bolts: int = 0
    """Loose bolts and pegs on the ground beside the part."""
    exposure: float = 0.8
    """What linear value white paper in open light gets."""
    vignette: float = 0.12
    """Light lost in the corners."""
    blur_px: float = 0.7
    noise: float = 4e-4
    """Variance of the noise at white, in linear light."""
    white_balance: tuple[float, float, float] = (1.0, 1.0, 1.0)
    jpeg_quality: int = 88
    seed: int = 0


def look_at(
    target_mm: tuple[float, float],
    *,
    distance_mm: float,
    tilt_deg: float = 0.0,
    azimuth_deg: float = 0.0,
    roll_deg: float = 0.0,
    f35: float = 26.0,
    width: int = 2016,
    height: int = 1512,
    k1: float = 0.0,
) -> Camera:
    """Place a camera over the sheet.

    Parameters
    ----------
    target_mm : point of the sheet's plane on the optical axis
    distance_mm : from the lens to that point
    tilt_deg : between the optical axis and the sheet's normal
    azimuth_deg : the side of the target that the camera stands on
    roll_deg : turn about the optical axis
    f35 : 35 mm equivalent focal length, by the diagonal (CIPA DCG-001)
    k1 : radial term, `records.Camera`
    """
    t, a, r = np.radians([tilt_deg, azimuth_deg, roll_deg])
    back = np.array([np.sin(t) * np.cos(a), np.sin(t) * np.sin(a), np.cos(t)])
    forward = -back
    side = np.array([-np.sin(a), np.cos(a), 0.0])  # level, whatever the tilt
    down = np.cross(forward, side)
    right = np.cos(r) * side + np.sin(r) * down
    rotation = np.stack([right, np.cross(forward, right), forward])
    half = float(np.hypot(width, height)) / 2
    position = np.r_[np.asarray(target_mm, float), 0.0] + distance_mm * back
    return Camera(
        rotation,
        position,
        f35 / FULL_FRAME_DIAGONAL_MM * 2 * half,
        np.array([(width - 1) / 2, (height - 1) / 2]),
        k1,
        half,
    )


def tilt_deg(camera: Camera) -> float:
    """Angle between the optical axis and the sheet's normal."""
    return float(np.degrees(np.arccos(np.clip(-camera.rotation[2, 2], -1, 1))))


def in_frame(camera: Camera, points_mm: Floats, width: int, height: int, margin_px: float = 2.0) -> bool:
    """Whether all points (n, 3) of the sheet frame lie in the photo."""
    q = project(camera, points_mm)
    return bool(np.all((q >= margin_px) & (q <= np.array([width, height]) - 1 - margin_px)))


# --- the sheet -----------------------------------------------------------------------------------


@lru_cache(maxsize=4)
def printed_sheet(name: str, label: Label | None = None) -> tuple[Floats32, tuple[float, float]]:
    """`sheet_raster` with the words and lines of the real print on it (`catalog.print_sheet`); `label`
    is printed as words and code.

    The print's own picture is antialiased in sRGB, which moves edges; so squares and markers keep the
    exact drawing and only what lies on bare paper is added.
    """
    from anodewane.catalog.print_sheet import sheet_picture

    exact, size = sheet_raster(name)
    v = sheet_picture(name, RASTER_PX_PER_MM, label).astype(np.float32) / 255
    words = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)
    light: Floats32 = np.where(exact > 0.999, words, exact)
    light.flags.writeable = False
    return light, size


@lru_cache(maxsize=4)
def sheet_raster(name: str, px_per_mm: int = RASTER_PX_PER_MM) -> tuple[Floats32, tuple[float, float]]:
    """Draw a sheet from its layout alone: (light float32 (h, w), 1 paper and 0 ink, row 0 at the top;
    (width, height) in mm).

    Every edge is averaged over the pixel that it crosses, so that the drawing is exact at any resolution.
    """
    import cv2

    from anodewane.catalog.sheets import all_layouts

    layout: SheetLayout = all_layouts()[name]
    width_mm, height_mm = layout.size_mm
    w, h = round(width_mm * px_per_mm), round(height_mm * px_per_mm)
    light = np.ones((h, w), np.float32)

    def cover(lo: float, hi: float, n: int) -> tuple[int, int, Floats]:
        first, last = max(0, int(np.floor(lo))), min(n, int(np.ceil(hi)))
        cell = np.arange(first, last)
        return first, last, np.clip(np.minimum(hi, cell + 1) - np.maximum(lo, cell), 0, 1)

    def paint(left: float, top: float, right: float, bottom: float, value: float) -> None:
        x0, x1, cx = cover((left + width_mm / 2) * px_per_mm, (right + width_mm / 2) * px_per_mm, w)
        y0, y1, cy = cover((height_mm / 2 - top) * px_per_mm, (height_mm / 2 - bottom) * px_per_mm, h)
        a = np.outer(cy, cx).astype(np.float32)
        light[y0:y1, x0:x1] += a * np.float32(value - 1)

    for quad in layout.black_mm:
        paint(quad[:, 0].min(), quad[:, 1].max(), quad[:, 0].max(), quad[:, 1].min(), 0.0)
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, layout.dictionary))
    cells = dictionary.markerSize + 2
    for marker_id, quad in zip(layout.marker_ids, layout.marker_corners_mm, strict=True):
        bits = cv2.aruco.generateImageMarker(dictionary, int(marker_id), cells, borderBits=1)
        left, top = quad[0]
        cell = (quad[1, 0] - quad[0, 0]) / cells
        for row, column in zip(*np.nonzero(bits < 128), strict=True):
            paint(
                left + column * cell,
                top - row * cell,
                left + (column + 1) * cell,
                top - (row + 1) * cell,
                0.0,
            )
    for quad, share in zip(layout.grey_mm, layout.grey_reflectance, strict=True):
        paint(quad[:, 0].min(), quad[:, 1].max(), quad[:, 0].max(), quad[:, 1].min(), float(share))
    light = np.clip(light, 0, 1)
    light.flags.writeable = False
    return light, (width_mm, height_mm)


# --- the ground ----------------------------------------------------------------------------------

_TILE_PX = 2048
TILE_MM_PER_PX = 0.3


def _cloud(
    rng: Any, size: int, long_px: float, slope: float = 1.6, stretch: tuple[float, float] = (1.0, 1.0)
) -> Any:
    """Tileable random clouds, mean 0, standard deviation 1: power falls as frequency^-slope below
    wavelength `long_px`."""
    from scipy import fft

    fy = np.fft.fftfreq(size)[:, None] * stretch[1]
    fx = np.fft.rfftfreq(size)[None, :] * stretch[0]
    f = np.hypot(fx, fy)
    spectrum = fft.rfft2(rng.standard_normal((size, size)).astype(np.float32))
    shaped = spectrum * (np.maximum(f, 1 / long_px) ** -slope)
    shaped[0, 0] = 0
    out = fft.irfft2(shaped, s=(size, size))
    return (out / out.std()).astype(np.float32)


def _own_picture(name: str) -> Any:
    """One of scikit-image's own grey textures as float 0 to 1, mirrored so that it tiles."""
    import cv2
    import skimage.data

    grey = np.asarray(getattr(skimage.data, name)(), np.float32) / 255
    if name == "brick":  # its bricks are some 50 pixels long: paving stones need more
        grey = cv2.resize(grey, None, fx=4, fy=4, interpolation=cv2.INTER_CUBIC).clip(0.02, 1)
    mirrored = np.block([[grey, grey[:, ::-1]], [grey[::-1], grey[::-1, ::-1]]])
    times = -(-_TILE_PX // mirrored.shape[0])
    return np.tile(mirrored, (times, times))[:_TILE_PX, :_TILE_PX]


@lru_cache(maxsize=3)
def ground_tile(kind: str, seed: int) -> Floats32:
    """Albedo of a ground, linear float32 (2048, 2048, 3), `TILE_MM_PER_PX` a pixel, tileable.

    Raises
    ------
    ValueError
        An unknown kind.
    """
    rng = np.random.default_rng([seed, 5])
    n = _TILE_PX
    rgb: Any
    if kind == "concrete":
        v = 0.30 * np.exp(0.10 * _cloud(rng, n, 250, 1.3) + 0.12 * _cloud(rng, n, 10, 0.5))
        v *= 1 - 0.5 * (_cloud(rng, n, 9, 2.0) > 2.6)
        rgb = v[..., None] * np.array([1.0, 0.985, 0.95])
    elif kind == "planks":
        wide = int(rng.integers(220, 420))
        y: Any = np.arange(n)
        board = (y * (n // wide) // n).astype(int)
        grain = _cloud(rng, n, 300, 1.3, stretch=(14.0, 1.0))
        tone = rng.uniform(0.75, 1.25, board.max() + 1)[board][:, None]
        v = 0.20 * tone * np.exp(0.28 * grain + 0.05 * _cloud(rng, n, 6, 0.5))
        gap = (y * (n // wide)) % n / (n // wide) < 9
        v[gap] *= 0.15
        rgb = v[..., None] * np.array([1.25, 1.0, 0.72])
    elif kind == "plywood":
        grain = _cloud(rng, n, 500, 1.5, stretch=(10.0, 1.0))
        rings = np.sin(0.05 * np.arange(n)[:, None] + 2.2 * _cloud(rng, n, 900, 2.2, stretch=(5.0, 1.0)))
        v = 0.42 * np.exp(0.10 * grain + 0.07 * rings + 0.04 * _cloud(rng, n, 5, 0.4, stretch=(6.0, 1.0)))
        rgb = v[..., None] * np.array([1.22, 1.0, 0.70])
    elif kind == "tarp":
        base = np.array([[0.03, 0.10, 0.28], [0.04, 0.14, 0.07], [0.16, 0.17, 0.18]])[rng.integers(3)]
        wave = np.sin(2 * np.pi * np.arange(n) / 8)
        weave = 0.10 * np.outer(wave, wave)
        v = np.exp(weave + 0.14 * _cloud(rng, n, 700, 2.2) + 0.05 * _cloud(rng, n, 6, 0.5))
        rgb = v[..., None] * base
    elif kind == "turf":
        blades = _cloud(rng, n, 22, 1.1, stretch=(1.0, 2.5)) + 0.6 * _cloud(
            rng, n, 40, 1.4, stretch=(2.5, 1.0)
        )
        v = np.exp(0.55 * blades / 1.2 + 0.2 * _cloud(rng, n, 500))
        dry = np.clip(0.5 + 0.3 * _cloud(rng, n, 300), 0, 1)[..., None]
        rgb = (
            0.9
            * v[..., None]
            * (np.array([0.07, 0.13, 0.03]) * (1 - dry) + np.array([0.16, 0.15, 0.06]) * dry)
        )
    elif kind in ("brick", "gravel", "grass"):
        tint = {"brick": (0.42, 0.24, 0.17), "gravel": (0.40, 0.37, 0.33), "grass": (0.15, 0.22, 0.08)}[kind]
        grey = _own_picture(kind)
        rgb = (grey**2.0 / max(1e-3, float((grey**2.0).mean())))[..., None] * np.array(tint) * 0.8
    else:
        raise ValueError(f"ground: expected one of {', '.join(GROUNDS)}, got {kind!r}")
    out: Floats32 = np.clip(rgb, 0.004, 0.95).astype(np.float32)
    out.flags.writeable = False
    return out


def sheet_size(scene: Scene) -> tuple[float, float]:
    """Width and height of the scene's sheet, mm; 0 without one."""
    from anodewane.catalog.sheets import DESIGNS

    return (
        (0.0, 0.0)
        if scene.layout == "none"
        else (DESIGNS[scene.layout].width_mm, DESIGNS[scene.layout].height_mm)
    )
