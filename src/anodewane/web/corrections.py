"""A corrected outline as the page sends it: rings that were dragged, strokes that were painted."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from anodewane.errors import UsageError

if TYPE_CHECKING:
    from anodewane.stages.painted import Stroke

MAX_POINTS = 40_000
"""Points of rings and strokes in one correction."""

MAX_RINGS, MAX_STROKES = 200, 500


@dataclass(frozen=True, slots=True)
class Correction:
    """rings_px : arrays (n, 2); strokes : over them, in their order; both on the upright photo."""

    rings_px: tuple[Any, ...]
    strokes: tuple[Stroke, ...]


def read_correction(data: bytes) -> Correction:
    """A correction from its JSON.

    Raises
    ------
    UsageError
        Not what the page sends.
    """
    import numpy as np

    from anodewane.stages.painted import Stroke

    def points(p: Any, least: int) -> Any:
        array = np.array(p, float)
        if array.ndim != 2 or array.shape[1] != 2 or len(array) < least or not (np.abs(array) < 1e5).all():
            raise ValueError
        return array

    try:
        plain = json.loads(data)
        rings = tuple(points(r, 3) for r in plain["rings"])
        strokes = tuple(
            Stroke(s["metal"] is True, float(s["radius"]), points(s["points"], 1)) for s in plain["strokes"]
        )
        if not all(0.5 <= s.radius_px <= 2000 for s in strokes):
            raise ValueError
        total = sum(map(len, rings)) + sum(len(s.points_px) for s in strokes)
        if not 0 < total <= MAX_POINTS or len(rings) > MAX_RINGS or len(strokes) > MAX_STROKES:
            raise ValueError
    except (ValueError, TypeError, KeyError, AttributeError, OverflowError, RecursionError) as e:
        raise UsageError(
            "The corrected outline can't be read.", "Load the page again and correct the outline once more."
        ) from e
    return Correction(rings, strokes)
