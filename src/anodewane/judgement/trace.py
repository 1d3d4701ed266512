"""Where stages may leave pictures for a curious reader: nowhere, or a folder. The pipeline calls it;
stages never do."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Protocol


class Trace(Protocol):
    """Takes named pictures (uint8 RGB or grey, or float 0 to 1) in the order they are made."""

    def picture(self, name: str, pixels: Any) -> None: ...


class NoTrace:
    """Keeps nothing."""

    def picture(self, name: str, pixels: Any) -> None:  # noqa: ARG002 - the protocol's arguments
        return None


class FolderTrace:
    """Writes ``01-name.png``, ``02-...`` into a folder that exists."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._count = 0

    def picture(self, name: str, pixels: Any) -> None:
        import numpy as np
        from PIL import Image

        array = np.asarray(pixels)
        if array.dtype != np.uint8:
            array = (np.clip(array.astype(float), 0, 1) * 255).round().astype(np.uint8)
        self._count += 1
        Image.fromarray(array).save(self._folder / f"{self._count:02d}-{name}.png")
