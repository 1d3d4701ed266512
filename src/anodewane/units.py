"""The three frames, the pixel-centre rule and the unit suffixes, stated once.

Frames
------
photo pixels (`_px`)
    x right, y down, **pixel centres at integers**: the pixel in the first row and column is the point
    (0, 0) and covers -0.5 to 0.5. The photo is upright: its EXIF orientation has been applied.
sheet (`_mm`)
    Origin at the sheet's centre, x right and y up as the sheet is read, z up out of the sheet
    towards the camera.
part (`_mm`)
    The template's own x and y, z up from the face that lies down (the mounting face of a flush part).

Rescaling keeps pixel centres: a point q in a picture scaled by s lies at ``(q + 0.5) * s - 0.5``.

Polygons are tuples of rings; a ring is a float64 array of shape (n, 2), not closed (the first point is
not repeated). The first ring is the outer one and runs anticlockwise in a y-up frame, the others are
holes and run clockwise.

Suffixes: `_mm`, `_mm2`, `_mm3`, `_px`, `_deg`, `_g`, `_pct` (percentage points of the new part),
`_frac` (0 to 1), `_sd` one standard deviation.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float64]
Floats32: TypeAlias = NDArray[np.float32]
Bytes: TypeAlias = NDArray[np.uint8]
Bools: TypeAlias = NDArray[np.bool_]
Rings: TypeAlias = tuple[Floats, ...]

MM_PER_INCH = 25.4
FULL_FRAME_DIAGONAL_MM = 43.26661530556787
"""Diagonal of the 36 x 24 mm frame that "35 mm equivalent focal length" refers to (CIPA DCG-001)."""


def _srgb_to_linear() -> Floats32:
    v = np.arange(256) / 255.0
    table = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)
    table.flags.writeable = False
    return table


SRGB_TO_LINEAR = _srgb_to_linear()
"""(256,) light, 0 to 1, of an sRGB byte (IEC 61966-2-1). Blur and averaging act on light, not on bytes."""


def rescale_px(points_px: Floats, scale: float) -> Floats:
    """Move points from a picture to the same picture scaled by `scale`, keeping pixel centres at integers."""
    return (np.asarray(points_px, float) + 0.5) * scale - 0.5
