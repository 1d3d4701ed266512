#!/usr/bin/env python3
"""Fit the classical segmenter's two rules (`anodewane.segment.classical.RULE_ON_SHEET`,
`RULE_OFF_SHEET`) to a folder of photos with truth.

    OMP_NUM_THREADS=1 python docs/bench/fit_classical.py FOLDER [--every 4] [--first 0]

FOLDER holds NAME.jpg and NAME.metal.png (what is metal, 0 to 255). Of each photo, pixels of the first
look and of a close look at the true part are drawn: up to 300 (60 on the ground where the part doesn't
lie) each of metal, of anything else, and of anything else within 14 mm of the metal. Logistic
regression by Newton's method with a ridge of 3 on scaled figures.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from anodewane.errors import CannotJudge
from anodewane.geometry.camera import to_height
from anodewane.records import Photo, Source
from anodewane.segment.classical import NAMES, _rim_of_sheet, figures, look_around, printed, shrunk
from anodewane.settings import Settings
from anodewane.stages import segment
from anodewane.stages.card import find_card
from anodewane.stages.flatten import Window, flatten, overview_window
from anodewane.stages.load import load_photo
from anodewane.stages.plane import locate_camera


def samples(path: Path, rng: Any) -> list[tuple[bool, Any, int]]:
    """(on the sheet, figures (n, k), is metal) of one photo."""
    photo = load_photo(path.read_bytes(), path.name)
    truth = cv2.imread(str(path.with_suffix(".metal.png")), cv2.IMREAD_GRAYSCALE)
    if truth is None or (truth > 127).sum() < 50:
        return []
    try:
        sighting = find_card(photo, settings=Settings())
        plane = locate_camera(photo, sighting, Settings())
    except CannotJudge:
        return []
    layout = sighting.layout
    true_photo = Photo(
        np.repeat(truth[..., None], 3, 2).copy(), Source("truth", "0" * 64, 1), None, None, None, ()
    )
    wide = overview_window(photo, plane, layout)
    mm = segment._photo_mm_per_px(plane)
    mm_wide = max(max(wide.right - wide.left, wide.top - wide.bottom) / segment.OVERVIEW_LONG_SIDE_PX, mm)
    around = look_around(shrunk(flatten(photo, plane, layout, wide, mm_wide)), layout)
    if around is None:
        return []
    rows, cols = np.nonzero(truth > 127)
    on_plane = to_height(plane.camera, np.c_[cols, rows].astype(float), 0.0)
    close = segment._with_margin(Window(*on_plane.min(0), *on_plane.max(0)))
    side = max(close.right - close.left, close.top - close.bottom)
    out = []
    for window, scale in ((wide, mm_wide), (close, max(side / 384, 0.8 * mm))):
        flat, true_flat = (shrunk(flatten(p, plane, layout, window, scale)) for p in (photo, true_photo))
        metal = true_flat.rgb[..., 0] / 255
        near = (
            cv2.dilate(
                (metal > 0.5).astype(np.uint8), np.ones((2 * int(14 / flat.mm_per_px) + 1,) * 2, np.uint8)
            )
            > 0
        )
        for on_sheet in (True, False):
            domain = (
                ((flat.sheet > 0.99) if on_sheet else (flat.sheet < 0.02))
                & ~printed(flat, layout)
                & ~_rim_of_sheet(flat)
                & flat.valid
            )
            if not domain.any():
                continue
            x = figures(flat, around, domain, on_sheet).reshape(-1, len(NAMES))
            most = 300 if on_sheet == layout.name.startswith("mat") else 60
            for label, chosen in (
                (1, domain & (metal > 0.9)),
                (0, domain & (metal < 0.1)),
                (0, domain & (metal < 0.1) & near),
            ):
                at = np.flatnonzero(chosen)
                out.append((on_sheet, x[rng.choice(at, min(most, len(at)), replace=False)], label))
    return out


def fit(x: Any, y: Any, ridge: float = 3.0) -> Any:
    scale = np.where(x.std(0) > 1e-6, x.std(0), 1.0)
    z = x / scale
    w = np.zeros(x.shape[1])
    for _ in range(40):
        p = 1 / (1 + np.exp(-np.clip(z @ w, -30, 30)))
        weight = np.maximum(p * (1 - p), 1e-4)
        w = w + np.linalg.solve(
            (z * weight[:, None]).T @ z + ridge * np.eye(len(w)), z.T @ (y - p) - ridge * w
        )
    return w / scale


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--every", type=int, default=4)
    parser.add_argument("--first", type=int, default=0)
    options = parser.parse_args()
    cv2.setNumThreads(1)
    rng = np.random.default_rng(0)
    found = [
        s
        for path in sorted(options.folder.glob("*.jpg"))[options.first :: options.every]
        for s in samples(path, rng)
    ]
    for on_sheet in (True, False):
        mine = [s for s in found if s[0] == on_sheet and len(s[1])]
        x, y = np.concatenate([s[1] for s in mine]), np.concatenate([np.full(len(s[1]), s[2]) for s in mine])
        w = fit(x.astype(float), y)
        print(
            "on the sheet" if on_sheet else "off the sheet",
            f"{len(y)} pixels, {100 * ((x @ w > 0) == y).mean():.1f} % told right",
        )
        print(tuple(w.round(3).tolist()))


if __name__ == "__main__":
    main()
