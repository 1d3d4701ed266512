"""The pictures of the model card: hard and easy photos with the found and the true outline, and real
photographs that come with scikit-image.

    python pictures.py check FOLDER OUT.jpg [--hard 8] [--easy 4]
    python pictures.py real OUT.jpg

`real` shows the network photographs as if they were flat views of a bench without a sheet, at a guessed
scale: it was never taught on such, and the eye is the judge.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from evaluate import measure

from anodewane.records import FlatImage
from anodewane.settings import Settings
from anodewane.stages.card import find_card
from anodewane.stages.load import load_photo
from anodewane.stages.plane import locate_camera
from anodewane.stages.refine import refine
from anodewane.stages.segment import find_part, get_segmenter

TILE = 420
WHOLE = (slice(None), slice(None))
REAL = (
    ("coins", (slice(5, 75), slice(245, 312)), 0.25),
    ("coins", (slice(225, 300), slice(5, 80)), 0.25),
    ("coins", (slice(160, 225), slice(140, 200)), 0.25),
    ("coins", WHOLE, 0.25),
    ("coffee", WHOLE, 0.35),
    ("rocket", WHOLE, 0.6),
    ("gravel", WHOLE, 0.4),
    ("brick", WHOLE, 0.6),
)
"""Photographs of scikit-image's own data, what of them is shown (rows, columns), and a guess
of mm a pixel."""


def square(picture: np.ndarray) -> np.ndarray:
    zoom = TILE / max(picture.shape[:2])
    small = cv2.resize(picture, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_AREA)
    return cv2.copyMakeBorder(
        small, 0, TILE - small.shape[0], 0, TILE - small.shape[1], cv2.BORDER_CONSTANT, value=(255, 255, 255)
    )


def sheet(tiles: list[np.ndarray], columns: int = 4) -> np.ndarray:
    tiles = [*tiles, *[np.full((TILE, TILE, 3), 255, np.uint8)] * (-len(tiles) % columns)]
    return np.vstack([np.hstack(tiles[i : i + columns]) for i in range(0, len(tiles), columns)])


def check(folder: Path, hard: int, easy: int) -> np.ndarray:
    segmenter: Any = get_segmenter("network")
    rows = [(measure(f, segmenter), f) for f in sorted(folder.glob("*.jpg"))]
    rows = sorted((r for r in rows if not r[0]["refused"]), key=lambda r: r[0]["iou"])
    tiles = []
    for row, f in [*rows[:hard], *rows[-easy:]]:
        settings = Settings()
        photo = load_photo(f.read_bytes(), f.name)
        sighting = find_card(photo, settings=settings)
        plane = locate_camera(photo, sighting, settings)
        mask = refine(photo, plane, find_part(photo, plane, sighting, segmenter, settings), settings)
        picture = np.ascontiguousarray(np.asarray(photo.rgb)[..., ::-1])
        true = cv2.imread(str(f.with_name(f.stem + ".metal.png")), cv2.IMREAD_GRAYSCALE)
        contours = cv2.findContours((true > 127).astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)[0]
        cv2.drawContours(picture, contours, -1, (60, 220, 60), 2)
        rings = [np.round(np.asarray(r) * 16).astype(np.int32) for p in mask.pieces_px for r in p]
        cv2.polylines(picture, rings, True, (40, 40, 255), 2, cv2.LINE_AA, 4)
        rows_, cols = np.nonzero(true > 127)
        pad = round(0.15 * max(np.ptp(rows_), np.ptp(cols)))
        crop = picture[
            max(0, rows_.min() - pad) : rows_.max() + pad, max(0, cols.min() - pad) : cols.max() + pad
        ]
        tile = square(crop)
        cv2.putText(
            tile,
            f"{f.stem}  {row['iou']:.3f}",
            (8, TILE - 10),
            cv2.FONT_HERSHEY_SIMPLEX,
            0.6,
            (0, 0, 0),
            2,
            cv2.LINE_AA,
        )
        tiles.append(tile)
    return sheet(tiles)


def real() -> np.ndarray:
    import skimage.data

    segmenter: Any = get_segmenter("network")
    tiles = []
    for name, crop, mm in REAL:
        picture = np.asarray(getattr(skimage.data, name)())[crop]
        picture = np.ascontiguousarray(
            np.repeat(picture[..., None], 3, 2) if picture.ndim == 2 else picture[..., :3]
        )
        zoom = 320 / max(picture.shape[:2])
        picture = cv2.resize(
            picture, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_AREA if zoom < 1 else cv2.INTER_CUBIC
        )
        h, w = picture.shape[:2]
        nothing, unknown = np.zeros((h, w), np.float32), np.full((h, w), 128 / 255, np.float32)
        soft = segmenter(
            FlatImage(
                picture,
                np.ones((h, w), bool),
                mm if crop != WHOLE else mm / zoom,
                np.zeros(2),
                nothing,
                unknown,
            )
        )
        red = (
            picture * (1 - 0.55 * soft.metal_prob[..., None])
            + np.array([255, 0, 0]) * 0.55 * soft.metal_prob[..., None]
        ).astype(np.uint8)
        tiles += [square(picture[..., ::-1]), square(red[..., ::-1])]
    return sheet(tiles)


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    which = ap.add_subparsers(dest="which", required=True)
    p = which.add_parser("check")
    p.add_argument("folder", type=Path)
    p.add_argument("out", type=Path)
    p.add_argument("--hard", type=int, default=8)
    p.add_argument("--easy", type=int, default=4)
    which.add_parser("real").add_argument("out", type=Path)
    a = ap.parse_args()
    picture = check(a.folder, a.hard, a.easy) if a.which == "check" else real()
    a.out.write_bytes(cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 80])[1].tobytes())


if __name__ == "__main__":
    main()
