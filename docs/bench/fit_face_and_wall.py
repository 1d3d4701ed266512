#!/usr/bin/env python3
"""Would the top face's rim, told apart from the side wall, place the plan outline better than the
silhouette alone? The tables of decision 0022.

python docs/bench/fit_face_and_wall.py WORK [--parts 160]

Worn plates of the package's own renderer are seen by a camera; WORK keeps the silhouette and the true
rim of the top face of each (about 5 s a part), so that a second call only reckons. Rules are fitted on
one half of the parts and tested on the other, both ways.
"""

from __future__ import annotations

import argparse
import pickle
from pathlib import Path
from typing import Any

import numpy as np

SHAPES = ("plate", "slotted", "disc", "ring", "triangle", "teardrop", "pebble", "boomerang")
WIDTH, HEIGHT = 1344, 1008
FACE_SLOPE = 0.7
"""Cosine of the steepest slope, 45 degrees, that still counts as top face, over 1.5 mm of it: a pit on
the face is face."""


def seen(i: int) -> dict[str, Any]:
    """One worn part: rings (px) of its silhouette and of its top face, and its true figures."""
    from scipy.ndimage import gaussian_filter, label

    from anodewane.testing.picture import silhouette
    from anodewane.testing.sets import place_part, random_camera, random_template, random_wear
    from anodewane.testing.tracer import FieldTracer, box_px, rays

    rng = np.random.default_rng([20, i])
    layout = "card" if i % 3 else "mat-a4"
    template = random_template(rng, SHAPES[i % 8], 150.0)
    solid = random_wear(rng, template, float(rng.uniform(0, 0.8)) if i % 10 else 0.0)
    try:
        motion = place_part(rng, template, layout)
    except ValueError:
        layout = "card"
        motion = place_part(rng, template, layout)
    camera = random_camera(rng, template, layout, motion, width=WIDTH, height=HEIGHT)
    tracer = FieldTracer(solid)
    whole = np.asarray(silhouette(solid, camera, motion, WIDTH, HEIGHT), float)
    x0, y0, x1, y1 = box_px(camera, tracer, motion, WIDTH, HEIGHT)
    grid = np.stack(np.meshgrid(np.arange(x0, x1), np.arange(y0, y1)), -1).reshape(-1, 2).astype(float)
    up, z = np.zeros(len(grid)), np.zeros(len(grid))
    for part in np.array_split(np.arange(len(grid)), max(1, len(grid) // 150_000)):
        lens, ray = rays(camera, grid[part], motion)
        t = tracer.first_hit(lens, ray)
        met = np.isfinite(t)
        points = lens + t[met, None] * ray[met]
        up[part[met]], z[part[met]] = tracer.normals(points)[:, 2], points[:, 2]
    up, z = up.reshape(y1 - y0, x1 - x0), z.reshape(y1 - y0, x1 - x0)
    mm_per_px = float(np.linalg.norm(camera.position_mm) / camera.focal_px)
    hit = whole[y0:y1, x0:x1] > 0.5
    s = 0.75 / mm_per_px
    mean_up = gaussian_filter(up * hit, s) / np.maximum(gaussian_filter(hit.astype(float), s), 1e-6)
    face = hit & (mean_up > FACE_SLOPE) & (z > 0.5 * np.quantile(z[hit], 0.9))
    labels, _ = label(face)
    size = np.bincount(labels.ravel())
    size[0] = 0
    face = np.isin(labels, np.flatnonzero(size > 0.05 * size.max()))
    labels, _ = label(~face)
    size = np.bincount(labels.ravel())
    face |= np.isin(labels, np.flatnonzero(size * mm_per_px**2 < 15))
    soft = np.zeros((HEIGHT, WIDTH))
    soft[y0:y1, x0:x1] = gaussian_filter(face.astype(float), 1.0)
    return {
        "template": template,
        "camera": camera,
        "silhouette": rings_of(whole),
        "face": rings_of(soft),
        "mm_per_px": mm_per_px,
        "area_mm2": solid.area_mm2,
        "volume_mm3": solid.volume_mm3,
        "in_pieces": bool(solid.pattern.broken) or solid.lost_fragments > 0,
    }


def rings_of(mask: Any) -> list[Any]:
    from skimage.measure import find_contours

    return [c[:-1, ::-1] - 1 for c in find_contours(np.pad(mask, 1), 0.5) if len(c) > 9]


def pieces_of(rings: list[Any]) -> tuple[Any, ...]:
    from shapely import Polygon, make_valid

    from anodewane.geometry.rings import from_shapely, polygons_of

    solid: Any = None
    for shape in sorted((make_valid(Polygon(r)) for r in rings), key=lambda p: -p.area):
        if shape.area >= 30:
            solid = shape if solid is None else solid.symmetric_difference(shape)
    return tuple(from_shapely(p) for p in sorted(polygons_of(solid), key=lambda p: -p.area) if p.area > 30)


def blurred(
    pieces: tuple[Any, ...], rng: Any, mm_per_px: float, noise_mm: float, bias_mm: float
) -> tuple[Any, ...]:
    """Rings moved along their normals: by noise that hangs together over some 4 mm, and all alike by a
    draw of the bias."""
    from scipy.ndimage import gaussian_filter1d

    from anodewane.geometry.rings import resample_ring, ring_normals

    common = rng.normal(0, bias_mm) / mm_per_px
    out = []
    for piece in pieces:
        moved = []
        for ring in piece:
            ring = resample_ring(ring, 1.0)
            by = gaussian_filter1d(rng.standard_normal(len(ring)), 2.0 / mm_per_px, mode="wrap")
            by *= noise_mm / mm_per_px / max(float(by.std()), 1e-9)
            moved.append(ring + ring_normals(ring, 3) * (by + common)[:, None])
        out.append(tuple(moved))
    return tuple(out)


def read(part: dict[str, Any], rng: Any, noise_mm: float, bias_mm: float) -> dict[str, float] | None:
    """What silhouette and face say of one part, mm and mm2."""
    from types import SimpleNamespace

    from scipy.spatial import cKDTree

    from anodewane.geometry.camera import to_height
    from anodewane.geometry.rings import resample_ring, ring_length, rings_area
    from anodewane.settings import Settings
    from anodewane.stages.placing.silhouette import plan_area, settle_plate, silhouette_of

    template, camera = part["template"], part["camera"]
    face = pieces_of(part["face"])
    if not face or part["in_pieces"]:
        return None
    if noise_mm:
        face = blurred(face, rng, part["mm_per_px"], noise_mm, bias_mm)
    seen = SimpleNamespace(pieces_px=pieces_of(part["silhouette"]))
    outline = silhouette_of(seen, camera)  # type: ignore[arg-type]
    plan, _, thickness, thickness_sd = settle_plate(outline, template, Settings())
    # how far the silhouette stands out from the rim: the inset of the rounded rim, and where the wall
    # faces the camera's foot its height times the slope of sight
    tree = cKDTree(
        np.vstack([resample_ring(to_height(camera, r, 0.0), 0.5) for piece in face for r in piece])
    )
    gap = np.concatenate([tree.query(piece[0])[0] for piece in outline.pieces])
    facing = np.maximum(-np.concatenate([slopes[0] for slopes in outline.slopes]), 0)
    x, weight = np.c_[np.ones(len(gap)), facing], np.ones(len(gap))
    for _ in range(12):
        root = np.sqrt(weight)
        line = np.linalg.lstsq(x * root[:, None], gap * root, rcond=None)[0]
        rest = np.abs(gap - x @ line)
        spread = 1.48 * float(np.median(rest)) + 0.05
        weight = 1 / np.maximum(1, rest / (1.3 * spread))
    cov = np.linalg.inv((x * weight[:, None]).T @ x + 1e-6 * np.eye(2)) * spread**2
    return {
        "flush": float(template.mount == "flush"),
        "new_mm2": rings_area(template.rings),
        "new_mm": template.thickness_mm,
        "area": part["area_mm2"],
        "volume": part["volume_mm3"],
        "silhouette": plan_area(plan),
        "perimeter": sum(ring_length(r) for piece in plan for r in piece),
        "thickness": thickness,
        "thickness_sd": thickness_sd,
        "face": sum(rings_area(tuple(to_height(camera, r, thickness) for r in piece)) for piece in face),
        "wall": float(np.clip(line[1], 0, 1.2 * template.thickness_mm)),
        # neighbours half a millimetre apart share their errors over some 4 mm
        "wall_sd": float(np.sqrt(8 * cov[1, 1])),
        "facing": float(facing.mean()),
    }


def compare(rows: dict[int, dict[str, float]]) -> None:
    """Print area and mass errors, percentage points of the new part: median, 90th per cent, bias."""
    number = np.array(list(rows))
    v: dict[str, Any] = {k: np.array([r[k] for r in rows.values()]) for k in next(iter(rows.values()))}
    new_mm3 = v["new_mm2"] * v["new_mm"]
    lost = np.maximum(v["new_mm"] - v["thickness"], 0)
    p = v["perimeter"] / v["new_mm2"]
    terms = np.c_[p, p * np.tanh(lost), p * lost, p * v["flush"], p * lost * v["flush"]]
    clear = v["wall_sd"] < 4
    area_errors: dict[str, list[Any]] = {}
    mass_errors: dict[str, list[Any]] = {}
    order = []
    for half in (0, 1):
        fit = (number // 8) % 2 == half
        test = ~fit
        order.append(np.flatnonzero(test))

        def score(error: Any, fit: Any = fit) -> float:
            return float(np.median(np.abs(error[fit])) + np.quantile(np.abs(error[fit]), 0.9))

        inset = np.linalg.lstsq(terms[fit], ((v["area"] - v["face"]) / v["new_mm2"])[fit], rcond=None)[0]
        by_face = v["face"] + v["new_mm2"] * (terms @ inset)
        mixed = [v["silhouette"] + w * (by_face - v["silhouette"]) for w in np.linspace(0, 1, 41)]
        for_area = min(mixed, key=lambda a: score((v["area"] - a) / v["new_mm2"]))
        for_mass = min(mixed, key=lambda a: score((v["volume"] - a * v["thickness"]) / new_mm3))
        thicknesses = []
        for own_sd in (0.3, 0.6, 1.0, 2.0, 4.0):
            known = fit & clear
            root = 1 / np.sqrt(own_sd**2 + v["wall_sd"] ** 2)
            x = np.c_[v["wall"], v["new_mm"]]
            law = np.linalg.lstsq(
                (x * root[:, None])[known], (v["volume"] / v["area"] * root)[known], rcond=None
            )[0]
            var = v["thickness_sd"] ** 2
            share = np.where(clear, var / (var + own_sd**2 + (law[0] * v["wall_sd"]) ** 2), 0)
            thicknesses.append(v["thickness"] + share * (x @ law - v["thickness"]))
        by_wall = min(thicknesses, key=lambda t: score((v["volume"] - v["silhouette"] * t) / new_mm3))
        for name, area, thickness in (
            ("silhouette alone", v["silhouette"], v["thickness"]),
            ("face and fitted inset", by_face, v["thickness"]),
            ("both, best for area", for_area, v["thickness"]),
            ("both, best for mass", for_mass, v["thickness"]),
            ("wall's width too", v["silhouette"], by_wall),
        ):
            area_errors.setdefault(name, []).append(((v["area"] - area) / v["new_mm2"])[test])
            mass_errors.setdefault(name, []).append(((v["volume"] - area * thickness) / new_mm3)[test])
    steep = v["facing"][np.concatenate(order)] > np.quantile(v["facing"], 2 / 3)
    before = np.abs(np.concatenate(mass_errors["silhouette alone"]))
    for name in area_errors:
        area, mass = np.concatenate(area_errors[name]), np.concatenate(mass_errors[name])
        change = 100 * (np.abs(mass) - before)
        print(
            f"| {name} | {_said(area)} | {_said(mass)} | {_said(mass[steep])} | {change.mean():+.2f} ± "
            f"{change.std() / len(change) ** 0.5:.2f} |"
        )


def _said(error: Any) -> str:
    e = 100 * error
    return f"{np.median(np.abs(e)):.2f} / {np.quantile(np.abs(e), 0.9):.1f} / {e.mean():+.1f}"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("work", type=Path)
    parser.add_argument("--parts", type=int, default=160)
    options = parser.parse_args()
    options.work.mkdir(parents=True, exist_ok=True)
    for i in range(options.parts):
        path = options.work / f"{i:03d}.pkl"
        if not path.exists():
            path.write_bytes(pickle.dumps(seen(i)))
    for title, noise_mm, bias_mm in (
        ("exact rim", 0.0, 0.0),
        ("rim with 0.3 mm of noise", 0.3, 0.0),
        ("rim with 0.3 mm of noise and 0.3 mm of bias", 0.3, 0.3),
    ):
        rows = {}
        for i in range(options.parts):
            part = pickle.loads((options.work / f"{i:03d}.pkl").read_bytes())
            row = read(part, np.random.default_rng([5, i]), noise_mm, bias_mm)
            if row:
                rows[i] = row
        print(
            f"\n{title}: {len(rows)} parts, {sum(r['flush'] for r in rows.values()):.0f} flush. Area, "
            "mass, mass with most wall in sight: median / p90 / bias; change"
        )
        compare(rows)


if __name__ == "__main__":
    main()
