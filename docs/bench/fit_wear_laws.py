#!/usr/bin/env python3
"""Fit the height law of worn walls and the law of the faces to a folder of photos with true masks.

    OMP_NUM_THREADS=1 python docs/bench/fit_wear_laws.py FOLDER [--check OTHER] [--count N]

FOLDER holds NAME.jpg, NAME.metal.png and NAME.truth.json, as ``python -m anodewane.testing FOLDER``
writes them. Prints the constants of `limb.WALL_LAWS` and of the settings' `face_*` that fit best,
beside those in use, and what is left over, for FOLDER and for OTHER, which nothing is fitted to. The
laws are explained in docs/decisions/0003-limb-height.md and 0004-face-ratio.md. Nothing is written
anywhere: constants are changed by hand, with a reason.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from anodewane.records import Template
from anodewane.stages.placing.silhouette import Silhouette

LAWS = ("top_per_lost", "round_mm", "foot_mm", "wander_mm", "wander_per_lost")
BANDS = ((-1.0, 0.005), (0.005, 0.05), (0.05, 0.12), (0.12, 0.2), (0.2, 0.3), (0.3, 0.45), (0.45, 1.01))
"""Of area consumed, 0 to 1."""


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """One plate: its template and silhouette, true remaining area and mean thickness, and the recession
    that the true area stands for (mm)."""

    template: Template
    seen: Silhouette
    area_mm2: float
    new_mm2: float
    thickness_mm: float
    recession_mm: float

    @property
    def lost_mm(self) -> float:
        return max(self.template.thickness_mm - self.thickness_mm, 0.0)

    @property
    def consumed(self) -> float:
        return 1 - self.area_mm2 / self.new_mm2


def parts_of(folder: Path, count: int | None, max_tilt_deg: float = 30.0) -> list[Part]:
    """Every whole plate in the folder that is seen from not too far aside; parts that broke are left
    out, they receded unevenly."""
    sys.path.insert(0, str(Path(__file__).resolve().parent))
    from PIL import Image

    from anodewane.errors import CannotJudge
    from anodewane.settings import Settings
    from anodewane.stages.card import find_card
    from anodewane.stages.load import load_photo
    from anodewane.stages.placing.silhouette import silhouette_of
    from anodewane.stages.plane import locate_camera
    from anodewane.stages.refine import mask_from_pixels
    from anodewane.testing.truth import template_of_truth
    from anodewane.wear.solids import recession_for_area

    parts = []
    for path in sorted(folder.glob("*.truth.json"))[:count]:
        truth = json.loads(path.read_text())
        if (
            truth["rod"]
            or truth["lost_fragments"]
            or truth.get("pieces_broken")
            or truth["tilt_deg"] > max_tilt_deg
            or not truth["part_in_frame"]
        ):
            continue
        name = path.name.removesuffix(".truth.json")
        photo = load_photo(path.with_name(name + ".jpg").read_bytes(), name)
        try:
            plane = locate_camera(photo, find_card(photo), Settings())
        except CannotJudge as refusal:
            print(f"{name} left out: {refusal.code}")
            continue
        with Image.open(path.with_name(name + ".metal.png")) as image:
            mask = mask_from_pixels(np.asarray(image.convert("L")))
        template = template_of_truth(truth)
        recession = recession_for_area(template, truth["area_mm2"])
        thickness = truth["volume_mm3"] / truth["area_mm2"]
        parts.append(
            Part(
                template,
                silhouette_of(mask, plane.camera),
                truth["area_mm2"],
                truth["area_new_mm2"],
                thickness,
                recession,
            )
        )
    return parts


# --- the wall ------------------------------------------------------------------------------------


def area_errors(parts: list[Part], law: Any) -> Any:
    """Area consumed as read less the truth, in points, with the true mean thickness given: only
    the law answers."""
    from anodewane.stages.placing.silhouette import plan_area, plate_plan
    from anodewane.wear import edge_height as limb

    kept, out = dict(limb.WALL_LAWS), []
    try:
        for part in parts:
            limb.WALL_LAWS[part.template.mount] = limb.WallLaw(*(float(v) for v in law))
            plan, _ = plate_plan(part.seen, part.template, part.thickness_mm)
            out.append(100 * (part.area_mm2 - plan_area(plan)) / part.new_mm2)
    finally:
        limb.WALL_LAWS.update(kept)
    return np.array(out)


def fit_wall(parts: list[Part], start: Any) -> Any:
    """The law's constants by the mean of sqrt(1 + e^2): about squares for small errors, absolutes for
    large ones, so that a few odd parts don't rule."""
    from scipy.optimize import minimize

    def badness(law: Any) -> float:
        if law[2] < 0 or law[3] < 0.02 or law[1] < 0.05:
            return 10.0
        return float(np.mean(np.sqrt(1 + area_errors(parts, law) ** 2)))

    return minimize(
        badness, start, method="Nelder-Mead", options={"maxiter": 250, "xatol": 0.01, "fatol": 5e-4}
    ).x


# --- the faces -----------------------------------------------------------------------------------


def face_lost(recession_mm: Any, new_mm: Any, law: Any) -> Any:
    """Thickness lost, mm: as `align.expected_thickness`; law is ratio, share at which it levels off,
    and the lag in mm."""
    ratio, most_frac, late = law
    reach = ratio * recession_mm
    reach = reach - late * (1 - np.exp(-reach / late))
    return most_frac * new_mm * np.tanh(reach / (most_frac * new_mm))


def columns(parts: list[Part]) -> tuple[Any, Any, Any]:
    worn = [p for p in parts if p.consumed > 0.004]
    return (
        np.array([p.recession_mm for p in worn]),
        np.array([p.lost_mm for p in worn]),
        np.array([p.template.thickness_mm for p in worn]),
    )


def fit_faces(parts: list[Part], start: Any) -> Any:
    """The law's constants by robust least squares; residuals in units of 0.4 mm and 15 % of the loss."""
    from scipy.optimize import least_squares

    d, lost, new = columns(parts)
    bounds = ([0.5, 0.2, 0.05], [8.0, 1.0, 3.0])
    return least_squares(
        lambda law: (face_lost(d, new, law) - lost) / (0.4 + 0.15 * lost),
        start,
        bounds=bounds,
        loss="soft_l1",
    ).x


# --- printing ------------------------------------------------------------------------------------


def spread(e: Any) -> str:
    return (
        f"n {len(e):3}, median {np.median(np.abs(e)):.2f}, p90 {np.quantile(np.abs(e), 0.9):.2f}, bias "
        f"{e.mean():+.2f}"
        if len(e)
        else "n 0"
    )


def report_wall(name: str, parts: list[Part], law: Any) -> None:
    e, gone = area_errors(parts, law), np.array([p.consumed for p in parts])
    print(f"    {name:20} {spread(e)}")
    bands = [(a, b, e[(gone > a) & (gone <= b)]) for a, b in BANDS]
    print(
        "      bias by area gone:  "
        + "  ".join(f"<= {100 * b:.0f} %: {v.mean():+.2f} ({len(v)})" for _, b, v in bands if len(v))
    )


def report_faces(name: str, parts: list[Part], law: Any) -> None:
    d, lost, new = columns(parts)
    left = face_lost(d, new, law) - lost
    worn = lost > 2
    share = (
        f"sd of thickness lost over itself {np.std(left[worn] / lost[worn]):.3f} where more than 2 mm is lost"
        if worn.any()
        else ""
    )
    print(f"    {name:20} {spread(100 * left / new)} (% of the new thickness); {share}")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument(
        "--check", type=Path, help="a second folder that the fitted laws are only held against"
    )
    parser.add_argument("--count", type=int, help="only the first N photos")
    options = parser.parse_args()
    import cv2

    from anodewane.settings import Settings
    from anodewane.wear.edge_height import WALL_LAWS

    cv2.setNumThreads(1)
    settings = Settings()
    everything = parts_of(options.folder, options.count)
    held = parts_of(options.check, None) if options.check else []
    for mount in ("flush", "open"):
        parts, others = ([p for p in ps if p.template.mount == mount] for ps in (everything, held))
        if len(parts) < 10:
            print(f"{mount}: {len(parts)} parts are too few")
            continue
        ratio, most = (getattr(settings, f"face_{k}_{mount}") for k in ("ratio", "most"))
        wall_now, faces_now = astuple(WALL_LAWS[mount]), (ratio, most, settings.face_late_mm)
        wall, faces = fit_wall(parts, wall_now), fit_faces(parts, faces_now)
        print(f"{mount}, {len(parts)} plates")
        print("  wall, points of area with the true thickness given")
        for law, what in ((wall_now, "in use"), (wall, "fitted")):
            print(f"    {what}: " + ", ".join(f"{k} {v:.2f}" for k, v in zip(LAWS, law, strict=True)))
            report_wall("here", parts, law)
            if others:
                report_wall("held against", others, law)
        print("  faces, from the true recession")
        for law, what in ((faces_now, "in use"), (faces, "fitted")):
            print(
                f"    {what}: ratio {law[0]:.2f}, levels off at {law[1]:.2f} of the thickness, lag "
                f"{law[2]:.2f} mm"
            )
            report_faces("here", parts, law)
            if others:
                report_faces("held against", others, law)


if __name__ == "__main__":
    main()
