"""Measure a segmenter on photos with exact masks, end to end in photo pixels: overlap, edge in mm,
area, refusals; by ground, light, part, wear, sheet.

    python evaluate.py FOLDER [FOLDER ...] [--segmenter network|classical] [--models DIR] [--csv
    OUT.csv] [--table]

FOLDER holds NAME.jpg with a printed sheet, NAME.metal.png (remaining metal seen, 0 to 255) and
NAME.truth.json. `--models` takes the network from another folder (segmenter.onnx and its lock).
Boundary bias is signed along the normal, mm: below 0 the found outline lies inside the true one;
distances are symmetric (found to true and true to found, pooled).
"""

from __future__ import annotations

import argparse
import csv
import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from anodewane.errors import CannotJudge
from anodewane.segment import model_file as weights
from anodewane.settings import Settings
from anodewane.stages.card import find_card
from anodewane.stages.load import load_photo
from anodewane.stages.plane import locate_camera
from anodewane.stages.refine import refine
from anodewane.stages.segment import _photo_mm_per_px, find_part, get_segmenter

NEAR_MM = 2.0
"""Points farther from the true edge than this are misses (a leak, a lost piece): they count in the
distances, not in the bias of the edge."""


def signed_distance(mask: np.ndarray) -> np.ndarray:
    """Pixels to the mask's edge, positive outside it."""
    inside = mask.astype(np.uint8)
    return (
        cv2.distanceTransform(1 - inside, cv2.DIST_L2, 5)
        - cv2.distanceTransform(inside, cv2.DIST_L2, 5)
        + np.where(mask, 0.5, -0.5)
    )


def filled(pieces: Any, shape: tuple[int, int]) -> np.ndarray:
    """Pixels whose centres lie in the pieces (rings in pixel coordinates, holes open)."""
    from skimage.draw import polygon2mask

    out = np.zeros(shape, bool)
    for piece in pieces:
        for ring in piece:
            out ^= polygon2mask(shape, np.asarray(ring)[:, ::-1])
    return out


def edge_points(mask: np.ndarray) -> np.ndarray:
    rows, cols = np.nonzero(mask & ~cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool))
    return np.c_[cols, rows]


def measure(photo_file: Path, segmenter: Any) -> dict[str, Any]:
    truth = json.loads(photo_file.with_name(photo_file.stem + ".truth.json").read_text())
    metal = cv2.imread(str(photo_file.with_name(photo_file.stem + ".metal.png")), cv2.IMREAD_GRAYSCALE) > 127
    gone = 100 * truth.get("consumed_volume", 0.0)
    row: dict[str, Any] = {
        "name": f"{photo_file.parent.name}/{photo_file.stem}",
        "ground": truth.get("ground", "?"),
        "light": truth.get("hdri", truth.get("light", "?")),
        "part": "rods" if truth.get("rod") else "plates",
        "wear": "under 10 %" if gone < 10 else "10 to 30 %" if gone < 30 else "30 % and more",
        "sheet": truth.get("layout", "?"),
        "whole": truth.get("part_in_frame", True) and truth.get("sheet_in_frame", True),
    }
    settings = Settings()
    try:
        photo = load_photo(photo_file.read_bytes(), photo_file.name)
        sighting = find_card(photo, settings=settings)
        plane = locate_camera(photo, sighting, settings)
        soft = find_part(photo, plane, sighting, segmenter, settings)
        mask = refine(photo, plane, soft, settings)
    except CannotJudge as refusal:
        return {**row, "refused": refusal.code}
    found = filled(mask.pieces_px, metal.shape)
    mm = _photo_mm_per_px(plane)
    points = np.vstack([np.asarray(r) for p in mask.pieces_px for r in p])
    at = np.clip(np.round(points).astype(int), 0, [metal.shape[1] - 1, metal.shape[0] - 1])
    to_true = signed_distance(metal)[at[:, 1], at[:, 0]] * mm
    true_edge = edge_points(metal)
    to_found = signed_distance(found)[true_edge[:, 1], true_edge[:, 0]] * mm
    near = np.abs(to_true) < NEAR_MM
    return {
        **row,
        "refused": "",
        "iou": float((found & metal).sum() / max(1, (found | metal).sum())),
        "area_pct": float(100 * (found.sum() / max(1, metal.sum()) - 1)),
        "bias_mm": float(to_true[near].mean()) if near.any() else float("nan"),
        "p95_mm": float(np.quantile(np.abs(np.r_[to_true, to_found]), 0.95)),
    }


def line(rows: list[dict[str, Any]]) -> str:
    done = [r for r in rows if not r["refused"]]
    if not done:
        return f"{len(rows):4} photos, all refused"
    iou, area, bias, p95 = (np.array([r[k] for r in done]) for k in ("iou", "area_pct", "bias_mm", "p95_mm"))
    return (
        f"{len(rows):4} photos, {len(rows) - len(done)} refused; overlap median {np.median(iou):.4f} p10 "
        f"{np.quantile(iou, 0.1):.4f} worst {iou.min():.4f}; "
        f"bias median {np.nanmedian(bias):+.3f} mean {np.nanmean(bias):+.3f} sd {np.nanstd(bias):.3f} mm; "
        f"p95 distance {np.median(p95):.2f} mm; "
        f"area median {np.median(np.abs(area)):.2f} p90 {np.quantile(np.abs(area), 0.9):.2f} mean "
        f"{area.mean():+.2f} %"
    )


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("folders", type=Path, nargs="+")
    ap.add_argument("--segmenter", default="network")
    ap.add_argument("--models", type=Path, help="take the network from here")
    ap.add_argument("--csv", type=Path)
    ap.add_argument(
        "--table",
        action="store_true",
        help="also by ground, light, part, wear and sheet, as rows for the model card",
    )
    a = ap.parse_args()
    cv2.setNumThreads(1)
    if a.models:
        folder = a.models
        weights.shared_session = lambda: _session_of(folder)  # the segmenter takes its session from there
        from anodewane.stages import segment

        segment.shared_session = weights.shared_session
    segmenter = get_segmenter(a.segmenter)
    rows = [measure(f, segmenter) for folder in a.folders for f in sorted(folder.glob("*.jpg"))]
    whole = [r for r in rows if r["whole"]]
    print("all  ", line(rows))
    print("whole", line(whole))
    if a.table:
        for by in ("ground", "light", "part", "wear", "sheet"):
            for value in sorted({r[by] for r in whole}):
                done = [r for r in whole if r[by] == value and not r["refused"]]
                if done:
                    iou, bias, p95 = ([r[k] for r in done] for k in ("iou", "bias_mm", "p95_mm"))
                    print(
                        f"| {by} | {value} | {len(done)} | {np.median(iou):.3f} | {min(iou):.3f} | "
                        f"{np.nanmean(bias):+.2f} | {np.median(p95):.2f} |"
                    )
    if a.csv:
        with a.csv.open("w", newline="") as f:
            writer = csv.DictWriter(f, sorted({k for r in rows for k in r}))
            writer.writeheader()
            writer.writerows(rows)


_SESSIONS: dict[Path, Any] = {}


def _session_of(folder: Path) -> Any:
    if folder not in _SESSIONS:
        data, lock = weights.load_model_bytes(folder)
        _SESSIONS[folder] = (weights.open_session(data, lock), lock)
    return _SESSIONS[folder]


if __name__ == "__main__":
    main()
