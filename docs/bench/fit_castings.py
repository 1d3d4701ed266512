#!/usr/bin/env python3
"""Fit the laws of worn castings again: foot and wander (`wear.contour`), mass (`wear.cast_law`).

    OMP_NUM_THREADS=1 python docs/bench/fit_castings.py FOLDER [--every 6]

FOLDER holds renders with truth: NAME.json (with camera_world, part_world and focal_px) and NAME.metal.png.
The true camera and pose are used, so that only the laws answer. Prints the constants in use and those found,
and how far the recession that is read depends on the slope of the line of sight.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np

SLOPES = np.array([-1, -0.35, -0.2, -0.1, -0.03, 0.03, 0.1, 0.2, 0.35, 1])
"""Bounds between which recessions are averaged, of the line of sight against the wall: below 0 the wall faces
the camera."""


def seen_from_truth(path: Path) -> tuple[Any, list[Any], Any, float]:
    """Template, silhouette rings in the part frame's foot plane, camera's foot and its height."""
    import cv2

    from anodewane.geometry.camera import to_height
    from anodewane.geometry.rings import oriented, resample_ring
    from anodewane.records import Camera
    from anodewane.stages.refine import mask_from_pixels
    from anodewane.testing.truth import template_of_truth

    truth = json.loads(path.read_text())
    picture = cv2.imread(str(path.with_suffix(".metal.png")), cv2.IMREAD_GRAYSCALE)
    h, w = picture.shape
    world, part = np.array(truth["camera_world"]), np.array(truth["part_world"])
    rotation = np.diag([1, -1, -1.0]) @ world[:3, :3].T
    centre = np.array([(w - 1) / 2, (h - 1) / 2])
    camera = Camera(rotation, 100 * world[:3, 3], truth["focal_px"], centre, 0.0, float(np.hypot(w, h)) / 2)
    turn, shift = part[:3, :3], 100 * part[:3, 3]
    stand = turn.T @ (camera.position_mm - shift)
    rings = []
    for piece in mask_from_pixels(picture).pieces_px:
        flat = tuple((to_height(camera, r, shift[2]) - shift[:2]) @ turn[:2, :2] for r in piece)
        rings += oriented(tuple(resample_ring(r, 1.6) for r in flat))
    return template_of_truth(truth), rings, stand[:2], float(stand[2])


def read_all(paths: list[Path]) -> list[dict[str, Any]]:
    """Each part's truth and what it takes to read it."""
    from anodewane.geometry.rings import ring_normals

    out = []
    for path in paths:
        truth = json.loads(path.read_text())
        if truth.get("lost_fragments") or not truth["part_in_frame"] or truth["tilt_deg"] > 40:
            continue
        template, rings, foot, height = seen_from_truth(path)
        slopes = np.concatenate([np.sum((r - foot) * ring_normals(r, 2), axis=1) / height for r in rings])
        out.append(
            {
                "truth": truth,
                "template": template,
                "rings": rings,
                "foot": foot,
                "height": height,
                "s": slopes,
            }
        )
    return out


def misfit(parts: list[dict[str, Any]], law: Any) -> tuple[float, dict[int, float]]:
    """How far recessions by slope are from the plan's own, weighted; and their means by slope, over the
    recession."""
    from anodewane.wear import contour
    from anodewane.wear.field import solid_field

    contour.FOOT_MORE, contour.FOOT_MM = max(law[0], 0.0), float(np.exp(law[1]))
    contour.WANDER, contour.WANDER_MM = abs(law[2]), float(np.exp(law[3]))
    terms: list[float] = []
    by_slope: dict[int, list[float]] = {}
    for p in parts:
        field = solid_field(p["template"], 1.5)
        new = contour.plan_depth(p["template"], field, 0.0).area_mm2(0.0)
        d = 0.0
        for _ in range(3):
            at = contour.plan_depth(p["template"], field, d)
            d = at.recession_mm(new * (1 - p["truth"]["consumed_area"]))
        read = [
            contour.read_contour(p["template"], field, r, p["foot"], p["height"], d).recession_mm
            for r in p["rings"]
        ]
        off = np.clip(np.concatenate(read) - d, -8, 8)
        terms.append(4.5 * np.tanh(off.mean() / 3) / (0.25 + 0.1 * d))
        for k in range(1, len(SLOPES)):
            here = np.digitize(p["s"], SLOPES) == k
            if here.sum() > 5:
                mean = float(off[here].mean())
                terms.append(4.5 * np.tanh(mean / (0.4 + 0.25 * d) / 3) * np.sqrt(here.mean()))
                by_slope.setdefault(k, []).append(mean / max(d, 0.5))
    return float(np.sum(np.square(terms))), {k: float(np.mean(v)) for k, v in sorted(by_slope.items())}


def fit_mass(parts: list[dict[str, Any]]) -> None:
    """The mass law's five numbers, by the recession that is read."""
    from scipy.optimize import least_squares

    from anodewane.geometry.rings import ring_area
    from anodewane.records import CollarForm
    from anodewane.wear import cast_law, contour
    from anodewane.wear.field import solid_field

    rows = []
    for p in parts:
        template, field, d = p["template"], solid_field(p["template"]), 0.0
        table = cast_law.wear_table(template)
        for _ in range(3):
            at = contour.plan_depth(template, field, d)
            read = [contour.read_contour(template, field, r, p["foot"], p["height"], d) for r in p["rings"]]
            d = float(table.plan_recession(sum(ring_area(contour.to_plan(at, c)) for c in read)))
        rows.append((d, template.thickness_mm, isinstance(template.form, CollarForm), table, p["truth"]))

    def errors(law: Any) -> Any:
        out = []
        for d, height, barrel, table, truth in rows:
            even = d * (law[0] - law[1] * np.log(height / 30) - law[2] * barrel) + law[3] * np.tanh(
                d / law[4]
            )
            left = float(table.volume(max(even, 0.0)) / table.volume(0.0))
            out.append(100 * (1 - left - truth["consumed_volume"]))
        return np.array(out)

    now = [
        cast_law.MASS_SHARE,
        cast_law.MASS_TALL,
        cast_law.MASS_BARREL,
        cast_law.MASS_EARLY_MM,
        cast_law.MASS_REACH_MM,
    ]
    found = least_squares(errors, now, loss="soft_l1", f_scale=3.0, diff_step=1e-2).x
    for name, law in (("in use", now), ("found", found)):
        e = errors(law)
        figures = (
            f"median {np.median(np.abs(e)):.2f}, p90 {np.quantile(np.abs(e), 0.9):.2f}, bias {e.mean():+.2f}"
        )
        print(f"mass, {name}: {np.round(law, 3).tolist()}: {figures} points")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--every", type=int, default=6, help="of the photos, every so many")
    options = parser.parse_args()
    from scipy.optimize import minimize

    from anodewane.wear import contour

    parts = read_all(sorted(options.folder.glob("*.json"))[:: options.every])
    now = [
        contour.FOOT_MORE,
        float(np.log(contour.FOOT_MM)),
        contour.WANDER,
        float(np.log(contour.WANDER_MM)),
    ]
    fit_mass(parts)
    print(f"{len(parts)} parts; foot and wander in use {np.round(now, 3).tolist()}:", *misfit(parts, now))
    found = minimize(lambda law: misfit(parts, law)[0], now, method="Nelder-Mead", options={"maxfev": 120}).x
    print(f"found {np.round(found, 3).tolist()}:", *misfit(parts, found))


if __name__ == "__main__":
    main()
