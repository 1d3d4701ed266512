"""Doubles that fail, or remember, on purpose. Each is named for what it does."""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np

from anodewane.records import FlatImage, SoftMask


def _soft(flat: FlatImage, prob: Any, name: str) -> SoftMask:
    return SoftMask(np.asarray(prob, np.float32), flat.mm_per_px, flat.origin_mm, name, None)


class EmptySegmenter:
    """Sees no metal anywhere."""

    name = "empty"
    model_sha256: str | None = None

    def __call__(self, flat: FlatImage) -> SoftMask:
        return _soft(flat, np.zeros(flat.rgb.shape[:2]), self.name)


class FullSegmenter:
    """Sees metal everywhere."""

    name = "full"
    model_sha256: str | None = None

    def __call__(self, flat: FlatImage) -> SoftMask:
        return _soft(flat, np.ones(flat.rgb.shape[:2]), self.name)


class NoiseSegmenter:
    """Sees metal in every second pixel at random."""

    name = "noise"
    model_sha256: str | None = None

    def __init__(self, seed: int = 0) -> None:
        self._seed = seed

    def __call__(self, flat: FlatImage) -> SoftMask:
        return _soft(flat, np.random.default_rng(self._seed).random(flat.rgb.shape[:2]), self.name)


class RaisingSegmenter:
    """Raises whatever it was given."""

    name = "raising"
    model_sha256: str | None = None

    def __init__(self, error: Exception | None = None) -> None:
        self._error = error or RuntimeError("the segmenter broke on purpose")

    def __call__(self, flat: FlatImage) -> SoftMask:  # noqa: ARG002 - the protocol's argument
        raise self._error


class FixedSegmenter:
    """Sees metal inside given rings (n, 2) of the sheet's plane, outer first, whatever the photo shows."""

    name = "fixed"
    model_sha256: str | None = None

    def __init__(self, rings_mm: Any) -> None:
        self._rings = tuple(np.asarray(r, float) for r in rings_mm)

    def __call__(self, flat: FlatImage) -> SoftMask:
        import shapely

        k = 4
        h, w = flat.rgb.shape[:2]
        x, y = (np.arange(w * k) + 0.5) / k - 0.5, (np.arange(h * k) + 0.5) / k - 0.5
        gx, gy = np.meshgrid(flat.origin_mm[0] + x * flat.mm_per_px, flat.origin_mm[1] - y * flat.mm_per_px)
        inside = shapely.contains_xy(shapely.Polygon(self._rings[0], self._rings[1:]), gx, gy)
        return _soft(flat, inside.reshape(h, k, w, k).mean(axis=(1, 3)), self.name)


class UnwritableFolder:
    """A folder that nothing can be written into, whoever runs the test: its place is taken by a file,
    so that even root is refused.

    Use as a context manager; it yields the path.
    """

    def __init__(self, parent: Path) -> None:
        self._path = parent / "not-a-folder"

    def __enter__(self) -> Path:
        self._path.write_bytes(b"")
        return self._path

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._path.unlink(missing_ok=True)
