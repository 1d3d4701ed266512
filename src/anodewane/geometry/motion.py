"""Rigid motions of the plane: how a part lies on the sheet, and back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from anodewane.units import Floats


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """A rigid motion of the plane, mirrored or not: ``p`` goes to ``turn @ p + shift``.

    A name says between which frames: `sheet_from_part` takes points of the part frame to the sheet
    frame. Lengths stay what they are, so the inverse needs no solver.
    """

    turn: Floats
    """(2, 2) orthonormal; determinant -1 where the motion mirrors."""

    shift: Floats
    """(2,) in the unit of the points."""

    def __post_init__(self) -> None:
        for name, shape in (("turn", (2, 2)), ("shift", (2,))):
            value = np.array(getattr(self, name), float)
            if value.shape != shape or not np.isfinite(value).all():
                raise ValueError(f"{name}: expected finite numbers of shape {shape}, got {value}")
            value.flags.writeable = False
            object.__setattr__(self, name, value)
        if np.abs(self.turn @ self.turn.T - np.eye(2)).max() > 1e-6:
            raise ValueError(f"turn: expected an orthonormal matrix, got {self.turn.tolist()}")

    def __reduce__(self) -> tuple[Any, ...]:
        return Motion, (self.turn, self.shift)  # through the constructor: arrays stay read-only in a worker

    @classmethod
    def of(cls, angle_rad: float, shift: Any, *, mirrored: bool = False) -> Motion:
        """Mirror (x to -x) where asked, turn anticlockwise by `angle_rad`, then shift."""
        c, s = float(np.cos(angle_rad)), float(np.sin(angle_rad))
        hand = -1.0 if mirrored else 1.0
        return cls(np.array([[hand * c, -s], [hand * s, c]]), shift)

    @property
    def mirrored(self) -> bool:
        """Whether the motion turns left hands into right ones."""
        (a, b), (c, d) = self.turn
        return bool(a * d - b * c < 0)

    @property
    def angle_rad(self) -> float:
        """The `angle_rad` that `of` makes this motion from, -pi to pi."""
        return float(np.arctan2(-self.turn[0, 1], self.turn[1, 1]))

    @property
    def matrix(self) -> Floats:
        """(2, 3): turn and shift side by side."""
        return np.column_stack([self.turn, self.shift])

    def apply(self, points: Any) -> Floats:
        """Move points (..., 2)."""
        return self.along(points) + self.shift

    def along(self, vectors: Any) -> Floats:
        """Turn (and mirror) directions (..., 2), which have no place that could shift."""
        out: Floats = np.asarray(vectors, float) @ self.turn.T
        return out

    def apply_to_pieces(self, pieces: Any) -> tuple[tuple[Floats, ...], ...]:
        """Move every ring of several polygons. A mirroring motion turns the rings' direction round."""
        return tuple(tuple(self.apply(ring) for ring in piece) for piece in pieces)

    def inverse(self) -> Motion:
        """The motion that undoes this one."""
        return Motion(self.turn.T, -self.turn.T @ self.shift)

    def compose(self, first: Motion) -> Motion:
        """`first`, then this one: ``a.compose(b).apply(p)`` is ``a.apply(b.apply(p))``."""
        return Motion(self.turn @ first.turn, self.apply(first.shift))
