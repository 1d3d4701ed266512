"""What a camera sees of a worn solid: at which height above the sheet each point of its silhouette lies.

A point of the wall at height h is seen where the line of sight through it meets the sheet: pushed away
from the camera's foot by h / (Z - h) of its distance to it. Of a wall that leans neither way the camera
therefore sees the top edge where the wall faces away from the camera's foot and the bottom edge where
it faces it. With m the slope of the line of sight against the wall (positive where the wall faces
away), the push across the wall is

    s(m) = max over h of (m h - inset(h)),       seen height = s(m) / m.

A new wall has inset 0 from its foot to its top. A worn wall wanders in and out by a millimetre or so
and its top edge is rounded: which height stands proudest is chance, and the sharp corner of s at m = 0
rounds off. We use the hyperbola

    s(m) = m (lo + hi) / 2 + sqrt((m (hi - lo) / 2)^2 + c^2) - c

with the wall from `lo` to `hi` and c the wander. A rod of radius R lying on its side is exact: s(m) = R
(m + sqrt(1 + m^2) - 1), m = 0 at mid height.

The constants were fitted to the silhouettes of rendered parts of known solid
(docs/decisions/0003-limb-height.md).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from anodewane.record import Mount
from anodewane.units import Floats

MIN_TOP_MM = 0.3


@dataclass(frozen=True, slots=True)
class WallLaw:
    """How a worn plate's wall stands once `lost` mm of its mean thickness is gone.

    top = new thickness - `top_per_lost` lost - `round_mm` tanh(lost / mm), foot = `foot_mm` tanh(lost /
    mm), wander = `wander_mm` + `wander_per_lost` lost. The first millimetre of wear takes the sharp
    edge; after that the proudest places of the wall sink far slower than the mean, while the wall
    wanders more and more. An open part's foot wastes as its top does.
    """

    top_per_lost: float
    round_mm: float
    foot_mm: float
    wander_mm: float
    wander_per_lost: float


WALL_LAWS: dict[Mount, WallLaw] = {
    "flush": WallLaw(0.16, 1.98, 0.46, 0.07, 0.40),
    "open": WallLaw(0.41, 1.50, 1.07, 0.08, 0.27),
}


@dataclass(frozen=True, slots=True)
class Wall:
    """A wall from `lo_mm` to `hi_mm` above the sheet that wanders by `wander_mm`."""

    lo_mm: float
    hi_mm: float
    wander_mm: float


def worn_wall(mount: Mount, thickness_new_mm: float, thickness_mm: float) -> Wall:
    """The wall of a plate of which `thickness_mm` remains on average."""
    law = WALL_LAWS[mount]
    lost = max(thickness_new_mm - thickness_mm, 0.0)
    begun = float(np.tanh(lost))
    top = max(thickness_new_mm - law.top_per_lost * lost - law.round_mm * begun, MIN_TOP_MM)
    return Wall(min(law.foot_mm * begun, top / 2), top, law.wander_mm + law.wander_per_lost * lost)


def wall_height(wall: Wall, slope: Floats) -> Floats:
    """Height (n,) mm at which the camera sees a wall, for slopes (n,) of the line of sight against it."""
    half = slope * (wall.hi_mm - wall.lo_mm) / 2
    push = slope * (wall.lo_mm + wall.hi_mm) / 2 + np.sqrt(half**2 + wall.wander_mm**2) - wall.wander_mm
    return _over_slope(push, slope, (wall.lo_mm + wall.hi_mm) / 2)


def round_height(radius_mm: Any, slope: Floats) -> Floats:
    """Height (n,) mm at which the camera sees the side of a rod of radius `radius_mm` (scalar or (n,))
    that lies on the sheet."""
    return _over_slope(radius_mm * (slope + np.sqrt(1 + slope**2) - 1), slope, radius_mm)


def _over_slope(push: Floats, slope: Floats, at_zero: Any) -> Floats:
    small = np.abs(slope) < 1e-6
    return np.where(small, at_zero, push / np.where(small, 1.0, slope))


def sight_slope(seen_mm: Floats, normals: Floats, foot_mm: Floats, camera_height_mm: float) -> Floats:
    """Slope (n,) of the lines of sight against walls with outward `normals` (n, 2), for silhouette
    points (n, 2) as seen in the sheet's plane.

    Exact: (q - foot) / Z equals (p - foot) / (Z - h) for the point p at height h that is seen at q.
    """
    out: Floats = np.sum((seen_mm - foot_mm) * normals, axis=1) / camera_height_mm
    return out


def lower(seen_mm: Floats, height_mm: Floats, foot_mm: Floats, camera_height_mm: float) -> Floats:
    """Plan position (n, 2) of points seen at (n, 2) in the sheet's plane that really lie `height_mm`
    (n,) above it."""
    out: Floats = foot_mm + (seen_mm - foot_mm) * (1 - height_mm / camera_height_mm)[:, None]
    return out
