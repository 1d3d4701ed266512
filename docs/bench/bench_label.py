#!/usr/bin/env python3
"""How far away, how oblique and how blurred a sheet's label is still read, how long reading takes, and
that a hidden code is never read wrongly.

OMP_NUM_THREADS=1 python docs/bench/bench_label.py
    sheets drawn by the package's own renderer, with a phone's blur, noise and JPEG
OMP_NUM_THREADS=1 python docs/bench/bench_label.py FOLDER
    photos (NAME.jpg, NAME.truth.json): share read, by distance and tilt
"""

from __future__ import annotations

import json
import sys
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from anodewane.catalog.sheet_label import label_of
from anodewane.catalog.sheets import DESIGNS
from anodewane.errors import CannotJudge
from anodewane.geometry.camera import project
from anodewane.record import Label
from anodewane.settings import Settings
from anodewane.stages.card import find_card
from anodewane.stages.label import read_label
from anodewane.stages.load import load_photo
from anodewane.stages.plane import locate_camera
from anodewane.testing import encode_jpeg, exact_sheet_photo, look_at

LABELS = {
    25: label_of("Marram", "keel"),
    29: label_of("Sea Aster", "port quarter"),
    33: label_of("Sea Aster of the Marsh", "port quarter skeg aft, 2"),
}


def read(data: bytes) -> tuple[Label | None, float | None, Any, Any]:
    """The label, the ms that it took (None where the sheet isn't found), photo and plane."""
    photo = load_photo(data, "photo.jpg")
    try:
        sighting = find_card(photo, settings=Settings())
        plane = locate_camera(photo, sighting, Settings())
    except CannotJudge:
        return None, None, photo, None
    start = time.perf_counter()
    label = read_label(photo, plane, sighting.layout)
    return label, 1000 * (time.perf_counter() - start), photo, (plane, sighting.layout)


def by_searching(photo: Any, plane: Any, layout: Any) -> str:
    """What OpenCV's detector finds in the rectified place of the label, 8 pixels a mm: the
    other way to do it."""
    x0, y0, side = DESIGNS[layout.name].label_mm
    at = (np.arange(int(8 * side)) + 0.5) / 8
    x, y = np.meshgrid(x0 + at, y0 + side - at)
    px = (
        project(plane.camera, np.c_[x.ravel(), y.ravel(), 0 * x.ravel()])
        .astype(np.float32)
        .reshape(*x.shape, 2)
    )
    crop = cv2.remap(
        cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY), px[..., 0].copy(), px[..., 1].copy(), cv2.INTER_CUBIC
    )
    try:
        return bytes(cv2.QRCodeDetector().detectAndDecodeBytes(crop)[0]).decode("utf-8", "replace")
    except cv2.error:
        return ""


def developed(rgb: Any, blur_px: float, rng: Any) -> bytes:
    light = (rgb.astype(np.float32) / 255) ** 2.2
    light = cv2.GaussianBlur(light, (0, 0), blur_px) if blur_px else light
    light = np.clip(
        light + rng.normal(0, 1, light.shape).astype(np.float32) * np.sqrt(np.clip(light, 0, 1) * 6e-4), 0, 1
    )
    return encode_jpeg(np.round(255 * light ** (1 / 2.2)).astype(np.uint8), f35=26, quality=88)


def drawn() -> None:
    rng = np.random.default_rng(1)
    times: list[float] = []
    print(
        "read / sheets found, in brackets by OpenCV's detector on the rectified place; of so many modules "
        "a side"
    )
    for (width, height), turns in (((4032, 3024), (0, 130)), ((2016, 1512), (0, 70, 130, 250))):
        for distance in (400, 700, 1000, 1400):
            for tilt in (10, 35):
                count: dict[tuple[float, int], list[int]] = {}
                for n, label in LABELS.items():
                    for turn in turns:
                        camera = look_at(
                            (0, 0),
                            distance_mm=distance,
                            tilt_deg=tilt,
                            azimuth_deg=turn,
                            roll_deg=turn / 2,
                            width=width,
                            height=height,
                        )
                        rgb, _ = exact_sheet_photo(
                            camera, "card", [], width=width, height=height, label=label
                        )
                        for blur in (0.8, 1.6):
                            got, ms, photo, seen = read(developed(rgb, blur, rng))
                            searched = (
                                seen is not None
                                and f"\n{label.boat}\n{label.position}\n" in by_searching(photo, *seen)
                            )
                            had = count.setdefault((blur, n), [0, 0, 0, 0])
                            for i, more in enumerate(
                                (got == label, ms is not None, searched, got not in (None, label))
                            ):
                                had[i] += more
                            if ms is not None and width > 3000:
                                times.append(ms)
                for blur in (0.8, 1.6):
                    of = [(n, count[blur, n]) for n in LABELS]
                    row = "   ".join(
                        f"{n}: {c[0]}/{c[1]} ({c[2]})" + (f" WRONG {c[3]}" if c[3] else "") for n, c in of
                    )
                    print(f"{width} px, {distance} mm, tilt {tilt}, blur {blur} px:   {row}", flush=True)
    print(f"reading at 12 MP: median {np.median(times):.1f} ms, most {max(times):.1f} ms")


def blank() -> None:
    """How long a sheet without a label takes."""
    camera = look_at((0, 0), distance_mm=700, width=4032, height=3024)
    data = developed(
        exact_sheet_photo(camera, "card", [], width=4032, height=3024)[0], 0.8, np.random.default_rng(2)
    )
    photo = load_photo(data, "photo.jpg")
    sighting = find_card(photo, settings=Settings())
    plane = locate_camera(photo, sighting, Settings())
    times = []
    for _ in range(20):
        start = time.perf_counter()
        assert read_label(photo, plane, sighting.layout) is None
        times.append(1000 * (time.perf_counter() - start))
    print(f"a sheet without a label at 12 MP: {np.median(times):.1f} ms")


def covered() -> None:
    """A part, or weed, over a growing share of the code: read or not, never read wrongly."""
    rng = np.random.default_rng(3)
    x0, y0, side = DESIGNS["card"].label_mm
    for share in (0.02, 0.05, 0.1, 0.2, 0.4, 0.8):
        right = wrong = 0
        for i in range(12):
            label = LABELS[(25, 29, 33)[i % 3]]
            reach = side * 0.8 * np.sqrt(share)
            x, y = (
                x0 + side * 0.1 + rng.uniform(0, side * 0.8 - reach),
                y0 + side * 0.1 + rng.uniform(0, side * 0.8 - reach),
            )
            patch = np.array([[x, y], [x + reach, y], [x + reach, y + reach], [x, y + reach]])
            camera = look_at((0, 0), distance_mm=450, tilt_deg=10, azimuth_deg=float(rng.uniform(0, 360)))
            rgb, _ = exact_sheet_photo(
                camera, "card", [patch], label=label, shape_light=float(rng.uniform(0.05, 0.7))
            )
            got = read(developed(rgb, 0.7, rng))[0]
            right += got == label
            wrong += got not in (None, label)
        print(f"{100 * share:3.0f} % of the code covered: {right} of 12 read, {wrong} wrong")


def of_folder(folder: Path) -> None:
    rows, times = [], []
    for path in sorted(folder.glob("*.truth.json")):
        truth = json.loads(path.read_text())
        label, ms, photo, seen = read(path.with_name(path.name.replace(".truth.json", ".jpg")).read_bytes())
        searched = seen is not None and by_searching(photo, *seen) != ""
        rows.append(
            (truth["distance_mm"] * 26 / truth["f35"], truth["tilt_deg"], label, ms is not None, searched)
        )
        if ms is not None:
            times.append(ms)
    names = {r[2] for r in rows if r[2] is not None}
    print(f"{len(rows)} photos: {sum(r[3] for r in rows)} sheets found, "
          f"{sum(r[2] is not None for r in rows)} labels read, {len(names)} different; "
          f"{sum(r[4] for r in rows)} by OpenCV's detector; {np.median(times):.1f} ms each, most "
          f"{max(times):.1f}")  # fmt: skip
    for what, k, edges in (
        ("distance for a 26 mm lens, mm", 0, (0, 350, 450, 600, 2000)),
        ("tilt, degrees", 1, (0, 10, 20, 30, 90)),
    ):
        for low, high in pairwise(edges):
            group = [r for r in rows if low <= r[k] < high]
            print(f"  {what} {low} to {high}: {sum(r[2] is not None for r in group)} of {len(group)}")


if __name__ == "__main__":
    cv2.setNumThreads(1)
    if len(sys.argv) > 1:
        for name in sys.argv[1:]:
            of_folder(Path(name))
    else:
        blank()
        covered()
        drawn()
