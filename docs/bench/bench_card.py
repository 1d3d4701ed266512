"""How long the stages before segmentation take: load, card and plane on a 12 MP and a 48 MP photo of
the mat, one thread.

    python docs/bench/bench_card.py [--runs 7]

The photo is drawn here: the mat through a camera 600 mm above it, on a textured ground, with blur and
noise. Least and median of the runs, in process time.
"""

from __future__ import annotations

import argparse
import statistics
import time

import cv2
import numpy as np
import simplejpeg

from anodewane.catalog.print_sheet import sheet_picture
from anodewane.settings import Settings
from anodewane.stages.card import find_card
from anodewane.stages.load import load_photo
from anodewane.stages.plane import locate_camera


def photo(width: int, height: int) -> bytes:
    rng = np.random.default_rng(0)
    ground = cv2.resize(
        rng.normal(110, 30, (height // 8, width // 8, 3)).clip(0, 255).astype(np.uint8),
        (width, height),
        interpolation=cv2.INTER_CUBIC,
    )
    sheet = cv2.GaussianBlur(sheet_picture("mat-a4", 14.0), (0, 0), 2.0)
    h, w = sheet.shape
    corners = np.float32([[0.22, 0.2], [0.8, 0.17], [0.83, 0.82], [0.18, 0.8]]) * [width, height]
    move = cv2.getPerspectiveTransform(
        np.float32([[0, 0], [w, 0], [w, h], [0, h]]), corners.astype(np.float32)
    )
    there = cv2.warpPerspective(np.full_like(sheet, 255), move, (width, height)) > 127
    seen = cv2.warpPerspective(sheet, move, (width, height))
    picture = np.where(there[..., None], (30 + 0.75 * seen)[..., None], ground)
    noisy = cv2.GaussianBlur(picture, (0, 0), 0.8) + rng.normal(0, 2.5, (height, width, 1))
    return simplejpeg.encode_jpeg(
        np.ascontiguousarray(noisy.clip(0, 255).astype(np.uint8)),
        quality=90,
        colorspace="RGB",
        colorsubsampling="420",
    )


def timed(work, runs: int):
    seconds = []
    for _ in range(runs):
        begun = time.process_time()
        result = work()
        seconds.append(1000 * (time.process_time() - begun))
    return result, f"{min(seconds):6.0f} {statistics.median(seconds):6.0f}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--runs", type=int, default=7)
    runs = parser.parse_args().runs
    cv2.setNumThreads(1)
    print("ms, least and median of the runs")
    for width, height in ((4032, 3024), (8064, 6048)):
        data = photo(width, height)
        _, decode = timed(lambda data=data: simplejpeg.decode_jpeg(data), runs)
        loaded, load = timed(lambda data=data: load_photo(data, "a.jpg"), runs)
        sighting, card = timed(lambda loaded=loaded: find_card(loaded), runs)
        _, plane = timed(
            lambda loaded=loaded, sighting=sighting: locate_camera(loaded, sighting, Settings()), runs
        )
        print(
            f"{width * height / 1e6:3.0f} MP, {len(data) / 1e6:.1f} MB: JPEG decode {decode} | load {load} "
            f"| card {card} | plane {plane}"
        )
        print(
            f"       {sighting.n_markers} markers read, {len(sighting.points_mm)} of "
            f"{len(sighting.layout.saddles_mm)} square corners"
        )


if __name__ == "__main__":
    main()
