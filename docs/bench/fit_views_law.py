"""Fits again what several photos can't see (`anodewane.views.law`), beside the constants in use.

python docs/bench/fit_views_law.py photographed FOLDER
    from truth files of flush parts (volume, areas, face_ratio, depth_mm): `PHOTOGRAPHED`
python docs/bench/fit_views_law.py rendered --solids 60
    from silhouettes of our own renderer's solids: `RENDERED_FLUSH`, `RENDERED_OPEN`
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "tests"))

from anodewane.settings import Settings
from anodewane.views.law import (
    FACE_BIAS_SD_MM,
    PHOTOGRAPHED,
    RENDERED_FLUSH,
    RENDERED_OPEN,
    height_sd,
    prior_of,
)
from anodewane.wear.solids import new_area, recession_near_area


def photographed(folder: Path) -> None:
    """The prism under the nominal face (new thickness less face ratio times depth) against the volume
    that is there."""
    from scipy.optimize import brentq, least_squares
    from shapely import wkt

    rows = []
    for path in sorted(folder.glob("*.json")):
        truth = json.loads(path.read_text())
        if (
            truth.get("mount") != "flush"
            or truth.get("rod")
            or truth.get("lost_fragments")
            or "face_ratio" not in truth
        ):
            continue
        outline, area = wkt.loads(truth["outline_wkt"]), truth["area_mm2"]
        depth = (
            0.0
            if outline.area <= area
            else float(brentq(lambda d, o=outline, a=area: o.buffer(-d).area - a, 0, 60))
        )
        face = truth["thickness_mm"] - truth["face_ratio"] * truth["depth_mm"]
        if face > 2 and area > 300:
            rows.append(
                (depth, face, outline.buffer(-depth).length * face / area, face - truth["volume_mm3"] / area)
            )
    d, face, walls, wanting = np.array(rows).T

    def model(p: Any) -> Any:
        return p[2] * face * np.tanh((p[0] * d + p[1] * d * walls) / (p[2] * face))

    found = least_squares(lambda p: (model(p) - wanting) / (0.3 + 0.25 * d), [0.5, 0.3, 0.7], loss="soft_l1")
    print(
        f"{len(d)} flush parts: by depth {found.x[0]:.3f}, by wall {found.x[1]:.3f}, most "
        f"{found.x[2]:.3f}; in use {PHOTOGRAPHED}"
    )
    print(f"left over: sd {np.std(wanting - model(found.x)):.2f} mm")


def rendered(count: int, seed: int) -> None:
    """Six silhouettes and the face's heights, exact but for 0.3 mm, of each solid; what the fitted
    solid has too much against recession and foot."""
    import shapely

    from anodewane.stages.align import lay
    from anodewane.stages.placing.silhouette import plan_area
    from anodewane.testing import placement, random_template, random_wear
    from anodewane.views.fit import Face, fit_solid, look_at_part
    from anodewane.views.model import plate
    from made.silhouettes import look

    rows: dict[str, list[tuple[float, float, float]]] = {"flush": [], "open": []}
    for i in range(count):
        rng = np.random.default_rng([seed, i])
        template = random_template(rng, longest_mm=150.0)
        if template.solid != "plate":
            continue
        try:
            solid = random_wear(rng, template)
        except (ValueError, AttributeError):
            continue
        if solid.pattern.broken or solid.lost_fragments:
            continue
        motion = placement(float(rng.uniform(0, 360)), (0.0, 0.0))
        views = [look(solid, motion, float(rng.uniform(2, 18)), float(rng.uniform(0, 360)))]
        views += [
            look(solid, motion, float(rng.uniform(38, 58)), 72 * k + float(rng.uniform(-20, 20)))
            for k in range(5)
        ]
        placed = lay(views[0].mask, views[0].plane, template, Settings())
        pieces = placed.sheet_from_part.apply_to_pieces(placed.plan_mm)
        shape = plate(pieces, template, placed.remaining_thickness_mm)
        depth = recession_near_area(template, min(plan_area(placed.plan_mm), new_area(template)))
        setting = prior_of(shape, template, placed, depth, True)
        field, h, origin = np.asarray(solid.field), solid.step_mm, np.asarray(solid.origin_mm)
        metal = field < 0
        top = origin[2] + h * (field.shape[2] - 1 - np.argmax(metal[:, :, ::-1], axis=2))
        cells = np.argwhere(metal.any(axis=2))[:: max(1, round(16 / h**2))]
        xy = motion.apply(origin[:2] + h * cells)
        inside = shapely.contains_xy(
            shapely.union_all([shapely.Polygon(p[0], p[1:]).buffer(0) for p in pieces]).buffer(-2.5),
            xy[:, 0],
            xy[:, 1],
        )
        z = (
            top[cells[inside, 0], cells[inside, 1]]
            + rng.normal(0, 0.25, int(inside.sum()))
            + rng.normal(0, 0.2)
        )
        face = (
            Face(shape.top_slope(xy[inside]), z, np.full(len(z), 0.25), 4.0, FACE_BIAS_SD_MM)
            if len(z) > 8
            else None
        )
        ring = pieces[0][0][::8]
        around = np.concatenate([np.c_[ring, np.full(len(ring), t)] for t in (0.0, template.thickness_mm)])
        sd = height_sd(template, template.thickness_mm - placed.remaining_thickness_mm)
        looks = tuple(look_at_part(v.plane, v.mask.pieces_px, 0.05, around, True, sd) for v in views)
        fit = fit_solid(shape, looks, setting.prior, setting.start, setting.bounds, face)
        foot = float(fit.p[shape.block("foot").start]) if shape.has("foot") else 0.0
        rows[template.mount].append(
            ((shape.volume(fit.p) - solid.volume_mm3) / shape.plan_area(fit.p), depth, max(foot, 0.0))
        )
    for mount, used in (("flush", RENDERED_FLUSH), ("open", RENDERED_OPEN)):
        u, d, f = np.array(rows[mount]).T
        columns = np.column_stack([d, f]) if mount == "flush" else d[:, None]
        weight = 1 / (0.3 + 0.2 * d)
        found = np.linalg.lstsq(columns * weight[:, None], u * weight, rcond=None)[0]
        print(
            f"{mount}: {len(u)} solids, by recession and foot {np.round(found, 3)}; in use {used}; left "
            f"over sd {np.std(u - columns @ found):.2f} mm"
        )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("what", choices=["photographed", "rendered"])
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--solids", type=int, default=60)
    parser.add_argument("--seed", type=int, default=72)
    given = parser.parse_args()
    if given.what == "photographed":
        photographed(given.folder)
    else:
        rendered(given.solids, given.seed)


if __name__ == "__main__":
    main()
