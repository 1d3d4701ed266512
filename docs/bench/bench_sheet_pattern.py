"""Which pattern scales a photo best: saddle points of squares, or corners of markers; which dictionary;
how large a marker in its square.

    python docs/bench/bench_sheet_pattern.py [--views 16] [--photos FOLDER]

Draws a card with each dictionary and marker size, looks at it through random cameras, blurs in linear
light, adds noise, codes as sRGB and JPEG, and holds what is found to the truth. With --photos, the
project's own card and mat on composed photos with `*.truth.json` beside them. The figures stand in
docs/decisions/0001-sheet-pattern.md.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

import anodewane.catalog.sheets as sheets
from anodewane.geometry.camera import plane_homography, project
from anodewane.records import Camera, Photo, Source
from anodewane.stages import card as stage
from anodewane.stages import sheet_quality
from anodewane.stages.markers import detect_markers

SIZE = (1440, 1080)
PX_PER_MM = 14
METHODS = {
    "none": cv2.aruco.CORNER_REFINE_NONE,
    "subpix": cv2.aruco.CORNER_REFINE_SUBPIX,
    "apriltag": cv2.aruco.CORNER_REFINE_APRILTAG,
}


def encode(light):
    x = np.clip(light, 0, 1)
    return (255 * np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055) + 0.5).astype(np.uint8)


def card_layout(dictionary, fraction):
    sheets.MARKER_FRAC, before = fraction, sheets.MARKER_FRAC
    layout = replace(sheets.make_layout(sheets.DESIGNS["card"]), dictionary=dictionary)
    sheets.MARKER_FRAC = before
    return layout


def draw_sheet(layout):
    w, h = (round(v * PX_PER_MM) for v in layout.size_mm)
    sheet = np.full((h, w), 255, np.uint8)
    half = np.array(layout.size_mm) / 2

    def box(quad):
        lo, hi = (quad[[3, 1]] * [1, -1] + half) * PX_PER_MM
        return round(lo[0]), round(hi[1]), round(hi[0]), round(lo[1])

    for quad in layout.black_mm:
        x0, y0, x1, y1 = box(quad)
        sheet[y0:y1, x0:x1] = 0
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, layout.dictionary))
    for marker_id, quad in zip(layout.marker_ids, layout.marker_corners_mm, strict=True):
        x0, y0, x1, y1 = box(quad)
        n = dictionary.markerSize + 2
        cells = cv2.aruco.generateImageMarker(dictionary, int(marker_id), n)
        sheet[y0:y1, x0:x1] = cv2.resize(cells, (x1 - x0, y1 - y0), interpolation=cv2.INTER_NEAREST)
    return sheet


def random_camera(rng):
    tilt, turn = np.radians(rng.uniform(0, 30)), rng.uniform(0, 2 * np.pi)
    spin = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    lean = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
    rotation = lean @ np.diag([1.0, -1.0, -1.0]) @ spin
    half = np.hypot(*SIZE) / 2
    return Camera(
        rotation,
        -rng.uniform(380, 700) * rotation[2],
        26 / 43.2666 * 2 * half,
        (np.array(SIZE) - 1) / 2,
        0.0,
        half,
    )


def shoot(layout, camera, blur, rng):
    sheet = draw_sheet(layout)
    w, h = layout.size_mm
    k = 3
    mm = np.array(
        [
            [1 / PX_PER_MM, 0, 0.5 / PX_PER_MM - w / 2],
            [0, -1 / PX_PER_MM, h / 2 - 0.5 / PX_PER_MM],
            [0, 0, 1.0],
        ]
    )
    fine = np.array([[k, 0, (k - 1) / 2], [0, k, (k - 1) / 2], [0, 0, 1.0]])
    full = fine @ plane_homography(camera) @ mm
    soft = cv2.GaussianBlur(sheet.astype(np.float32) / 255, (0, 0), 1.2)
    big = (SIZE[0] * k, SIZE[1] * k)
    there, seen = (
        cv2.warpPerspective(np.ones_like(soft), full, big),
        cv2.warpPerspective(0.045 + 0.7 * soft, full, big),
    )
    there, seen = (cv2.resize(v, SIZE, interpolation=cv2.INTER_AREA) for v in (there, seen))
    light = cv2.GaussianBlur(seen + 0.2 * (1 - there), (0, 0), blur)
    light = light + rng.standard_normal(light.shape) * np.sqrt(light * 6e-4)
    data = cv2.imencode(".jpg", encode(light), [cv2.IMWRITE_JPEG_QUALITY, 90])[1]
    return cv2.cvtColor(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE), cv2.COLOR_GRAY2RGB)


def read_markers(grey, layout, method, scale=1.0):
    small = grey if scale == 1 else cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    p = cv2.aruco.DetectorParameters()
    p.cornerRefinementMethod, p.errorCorrectionRate, p.minMarkerPerimeterRate = (
        method,
        0.3,
        40 / max(small.shape),
    )
    p.perspectiveRemovePixelPerCell, p.perspectiveRemoveIgnoredMarginPerCell = 8, 0.25
    p.adaptiveThreshWinSizeMin, p.adaptiveThreshWinSizeMax, p.adaptiveThreshWinSizeStep = 5, 45, 20
    corners, ids, _ = cv2.aruco.ArucoDetector(
        cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, layout.dictionary)), p
    ).detectMarkers(small)
    ids = np.ravel(ids) if ids is not None else np.zeros(0, int)
    mine = np.isin(ids, layout.marker_ids)
    quads = np.array([np.reshape(c, (4, 2)) for c in corners], float).reshape(-1, 4, 2)[mine]
    index = np.searchsorted(layout.marker_ids, ids[mine])
    quads = (quads + 0.5) / scale - 0.5
    return layout.marker_corners_mm[index].reshape(-1, 2), quads.reshape(-1, 2) - (
        0.5 if method == cv2.aruco.CORNER_REFINE_APRILTAG else 0.0
    )


def area_error(world, image, camera):
    """Relative error of a 40 x 40 mm square's area, on the card's middle and 60 mm beside it, by the
    homography through the points."""
    h, _ = cv2.findHomography(world, image, cv2.RANSAC, 3.0)
    if h is None:
        return [np.nan, np.nan]
    out = []
    for x in (0.0, 165.0):
        square = np.array([(x - 20, -20), (x + 20, -20), (x + 20, 20), (x - 20, 20)])
        px = project(camera, np.c_[square, np.zeros(4)])
        q = np.c_[px, np.ones(4)] @ np.linalg.inv(h).T
        a = q[:, :2] / q[:, 2:]
        out.append(0.5 * (a[:, 0] @ np.roll(a[:, 1], -1) - a[:, 1] @ np.roll(a[:, 0], -1)) / 1600 - 1)
    return out


def row(name, found):
    """Print: share of points found, rms px, bias of the radius from the sheet's middle %, area error
    beside the card: mean and sd %."""
    share, rms, grow, area = (np.array([f[i] for f in found], float) for i in range(4))
    if np.isnan(rms).all():
        print(f"| {name} | {100 * share.mean():.0f} | | | | |", flush=True)
        return
    print(
        f"| {name} | {100 * np.nanmean(share):.0f} | {np.sqrt(np.nanmean(rms**2)):.3f} | "
        f"{100 * np.nanmean(grow):+.3f} | "
        f"{100 * np.nanmean(area[:, 1]):+.2f} | {100 * np.nanstd(area[:, 1]):.2f} |",
        flush=True,
    )


def measure(world, image, total, camera):
    if len(world) < 6:
        return 0.0, np.nan, np.nan, [np.nan, np.nan]
    want = project(camera, np.c_[world, np.zeros(len(world))])
    off = image - want
    good = np.linalg.norm(off, axis=1) < 4
    spread = want[good] - want[good].mean(0)
    return (
        good.sum() / total,
        np.sqrt(np.mean(off[good] ** 2)),
        np.sum(spread * off[good]) / np.sum(spread**2),
        area_error(world, image, camera),
    )


def renders(n_views):
    print(
        "| dictionary, marker/square, points | found % | rms px | scale bias % | area beside: bias % | sd "
        "% |\n|---|---|---|---|---|---|"
    )
    for dictionary in ("DICT_4X4_250", "DICT_5X5_250"):
        for fraction in (0.6, 0.67, 0.74, 0.8):
            layout = card_layout(dictionary, fraction)
            results = {
                k: []
                for k in (
                    "read at 1000 px",
                    "read at 1000 px, by likeness too",
                    "saddles",
                    "saddles, sRGB",
                    *METHODS,
                )
            }
            for i in range(n_views):
                rng = np.random.default_rng(i)
                camera, blur = random_camera(rng), rng.uniform(0.5, 1.3)
                rgb = shoot(layout, camera, blur, rng)
                grey = rgb[..., 0].copy()
                world, image = read_markers(grey, layout, METHODS["none"], 1000 / SIZE[0])
                results["read at 1000 px"].append(
                    (len(world) / 4 / len(layout.marker_ids), np.nan, np.nan, [np.nan, np.nan])
                )
                if dictionary == sheets.DICTIONARY:
                    ids = detect_markers(
                        Photo(rgb, Source("view", "", 0), None, None, None, ()),
                        tuple(layout.marker_ids.tolist()),
                        1000,
                        (5, 45, 20),
                    )[1]
                    results["read at 1000 px, by likeness too"].append(
                        (np.isin(layout.marker_ids, ids).mean(), np.nan, np.nan, [np.nan, np.nan])
                    )
                world, image = read_markers(grey, layout, METHODS["none"])
                if len(world) >= 12:
                    for name, table in (
                        ("saddles", sheet_quality.SRGB_TO_LINEAR),
                        ("saddles, sRGB", (np.arange(256) / 255).astype(np.float32)),
                    ):
                        before, sheet_quality.SRGB_TO_LINEAR = sheet_quality.SRGB_TO_LINEAR, table
                        px, ok, _ = stage._find_saddles(rgb, layout, world, image)
                        sheet_quality.SRGB_TO_LINEAR = before
                        results[name].append(measure(layout.saddles_mm[ok], px[ok], len(ok), camera))
                for name, method in METHODS.items():
                    if fraction == 0.74 or name == "subpix":
                        results[name].append(
                            measure(*read_markers(grey, layout, method), 4 * len(layout.marker_ids), camera)
                        )
            for name, found in results.items():
                if found:
                    row(f"{dictionary[5:8].lower()}, {fraction}, {name}", found)


def composed(folder):
    """The project's own sheets on composed photos: rms of saddles and of marker corners against the
    paper's true corners."""
    figures = {k: [] for k in ("saddles", *METHODS)}
    for path in sorted(folder.glob("*.jpg")):
        truth = json.loads(path.with_suffix(".truth.json").read_text())
        layout = sheets.all_layouts()["card" if truth["layout"] == "card" else "mat-a4"]
        rgb = cv2.cvtColor(
            cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB
        )
        w, h = truth["paper_mm"]
        paper = cv2.getPerspectiveTransform(
            np.float32([[-w / 2, -h / 2], [w / 2, -h / 2], [w / 2, h / 2], [-w / 2, h / 2]]),
            np.float32(truth["paper_px"]),
        )
        middle, half = (
            (np.array([truth["width"], truth["height"]]) - 1) / 2,
            np.hypot(truth["width"], truth["height"]) / 2,
        )

        def want(mm, paper=paper, middle=middle, half=half, k1=truth["k1"]):
            q = np.c_[mm, np.ones(len(mm))] @ paper.T
            u = (q[:, :2] / q[:, 2:] - middle) / half
            d = u.copy()
            for _ in range(8):
                d = u / (1 + k1 * np.sum(d * d, axis=1, keepdims=True))
            return d * half + middle

        grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
        world, image = read_markers(grey, layout, METHODS["none"])
        px, ok, _ = stage._find_saddles(rgb, layout, world, image)
        points = {"saddles": (layout.saddles_mm[ok], px[ok], len(ok))}
        for name, method in METHODS.items():
            points[name] = (*read_markers(grey, layout, method), 4 * len(layout.marker_ids))
        for name, (mm, seen, total) in points.items():
            true = want(mm)
            off = seen - true
            off = off[np.linalg.norm(off, axis=1) < 5]
            spread = true - true.mean(0)
            if len(off) == len(true):
                figures[name].append(
                    (
                        len(mm) / total,
                        np.sqrt(np.mean((off - off.mean(0)) ** 2)),
                        np.sum(spread * off) / np.sum(spread**2),
                    )
                )
    print("| points | found % | rms px | scale: bias % | sd % |\n|---|---|---|---|---|")
    for name, found in figures.items():
        f = np.array(found)
        print(
            f"| {name} | {100 * f[:, 0].mean():.0f} | {np.sqrt(np.mean(f[:, 1] ** 2)):.3f} | "
            f"{100 * f[:, 2].mean():+.3f} | {100 * f[:, 2].std():.3f} |"
        )


if __name__ == "__main__":
    cv2.setNumThreads(1)
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--views", type=int, default=16)
    parser.add_argument("--photos", type=Path)
    arguments = parser.parse_args()
    if arguments.photos:
        composed(arguments.photos)
    else:
        renders(arguments.views)
