#!/usr/bin/env python3
"""How near the judgements of a folder of photos come to the truth: area, mass and interval, by mount,
wear, part and ground.

    OMP_NUM_THREADS=1 python docs/bench/score_check.py FOLDER [--mask true|network|classical]
    [--thickness true] [--weigh true]
                                                      [--max-tilt 30] [--count N] [--records OUT] [--worst 8]

FOLDER holds NAME.jpg, NAME.metal.png (what is metal, 0 to 255) and NAME.truth.json, as ``python -m
anodewane.testing FOLDER`` writes them. Errors are in percentage points of the new part: what was read
less what is true. `--mask true` hands the true mask in, so that only sheet, height, placing and wear
answer. `--thickness true` gives the remaining part's mean thickness, `--weigh true` its weight by the
alloy's density, as a reader of calliper or scales would.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path
from typing import Any

import numpy as np

from anodewane.judgement.method import Method
from anodewane.stages.load import load_photo


def judge_one(photo: Path, truth: dict[str, Any], options: argparse.Namespace) -> Any:
    from PIL import Image

    from anodewane.judgement.pipeline import judge
    from anodewane.record import Manual
    from anodewane.records import Given, ManualOutline
    from anodewane.stages.refine import mask_from_pixels
    from anodewane.testing.truth import template_of_truth
    from anodewane.wear.metals import mass_g

    line = 100 * truth.get("print_scale", 1.0)
    outline, segmenter = None, options.mask
    if options.mask == "true":
        segmenter = "network"
        with Image.open(photo.with_name(photo.stem + ".metal.png")) as image:
            mask = mask_from_pixels(np.asarray(image.convert("L")))
        outline = ManualOutline(mask, Manual(None, None, "0" * 64))
    given = Given(
        weighed_g=mass_g(truth["alloy"], truth["volume_mm3"]) if options.weigh else None,
        thickness_mm=truth["volume_mm3"] / truth["area_mm2"] if options.thickness else None,
        check_line_mm=(line, line) if line != 100.0 else None,
        outline=outline,
    )
    loaded = load_photo(photo.read_bytes(), photo.name)
    return judge(loaded, template_of_truth(truth, options.known), given, Method(segmenter=segmenter))


def line_of(name: str, rows: list[dict[str, Any]]) -> str:
    """One group's figures."""
    if not rows:
        return f"{name:28} {0:4}"
    area, mass = (np.array([r[k] - r["true_" + k] for r in rows]) for k in ("area", "mass"))
    held = np.mean([r["low"] <= r["true_mass"] <= r["high"] for r in rows])
    width = np.mean([r["high"] - r["low"] for r in rows])

    def spread(e: Any) -> str:
        return f"{np.median(np.abs(e)):6.2f} {np.quantile(np.abs(e), 0.9):6.2f} {e.mean():+6.2f}"

    return f"{name:28} {len(rows):4}   {spread(area)}   {spread(mass)}   {100 * held:5.1f} {width:6.1f}"


def groups_of(rows: list[dict[str, Any]]) -> list[tuple[str, list[dict[str, Any]]]]:
    def split(by: str) -> list[tuple[str, list[dict[str, Any]]]]:
        return [(f"  {by} {v}", [r for r in rows if r[by] == v]) for v in sorted({r[by] for r in rows})]

    wear = [
        (f"  mass gone {a} to {b} %", [r for r in rows if a <= max(r["true_mass"], 0) < b])
        for a, b in ((0, 5), (5, 20), (20, 50), (50, 75), (75, 101))
    ]
    return [("all", rows), *split("mount"), *wear, *split("sheet"), *split("part"), *split("ground")]


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--mask", choices=["true", "network", "classical"], default="true")
    parser.add_argument("--thickness", choices=["true"])
    parser.add_argument("--known", choices=["all", "weight", "outline"], default="all", help="of castings")
    parser.add_argument("--weigh", choices=["true"])
    parser.add_argument(
        "--max-tilt",
        type=float,
        default=30.0,
        help="degrees; photos taken more from the side are judged and counted, but not in the table",
    )
    parser.add_argument("--count", type=int, help="only the first N photos")
    parser.add_argument("--records", type=Path, help="write every record there as NAME.json")
    parser.add_argument("--worst", type=int, default=8, help="how many of the worst areas and masses to list")
    options = parser.parse_args()
    import cv2

    from anodewane.show.record_json import verdict_to_json

    cv2.setNumThreads(1)
    if options.records:
        options.records.mkdir(parents=True, exist_ok=True)
    rows, refused, seconds = [], [], []
    for path in sorted(options.folder.glob("*.truth.json"))[: options.count]:
        truth = json.loads(path.read_text())
        name = path.name.removesuffix(".truth.json")
        start = time.perf_counter()
        verdict = judge_one(path.with_name(name + ".jpg"), truth, options)
        seconds.append(time.perf_counter() - start)
        if options.records:
            (options.records / f"{name}.json").write_text(verdict_to_json(verdict))
        if verdict.consumed is None:
            whole = (
                ""
                if truth["sheet_in_frame"] and truth["part_in_frame"]
                else " (sheet or part cut by the frame)"
            )
            refused.append(
                f"  {name} {truth['part']} tilt {truth['tilt_deg']:.0f}: {verdict.reasons[0].code}{whole}: "
                f"{verdict.reasons[0].message}"
            )
            continue
        mass = verdict.consumed.mass_pct
        rows.append({
            "name": name, "part": truth["part"], "ground": str(truth.get("ground")),
            "sheet": truth["layout"], "mount": "rod" if truth["rod"] else truth["mount"],
            "tilt": truth["tilt_deg"], "area": verdict.consumed.area_pct.value,
            "true_area": 100 * truth["consumed_area"],
            "mass": mass.value, "low": mass.low, "high": mass.high,
            "true_mass": 100 * truth["consumed_volume"], "verdict": verdict.verdict,
        })  # fmt: skip
    print(
        f"{len(seconds)} photos, mask {options.mask}: {len(rows)} judged, {len(refused)} refused, "
        f"{np.median(seconds):.2f} s each (median)"
    )
    print("\n".join(refused))
    level = [r for r in rows if r["tilt"] < options.max_tilt]
    print(
        f"tilt under {options.max_tilt:.0f} degrees; points\n{'':28}    n   area med    p90   bias   mass "
        "med    p90   bias   cover  width"
    )
    for name, group in groups_of(level):
        print(line_of(name, group))
    print(
        "'ok' with half or more gone: "
        f"{[r['name'] for r in rows if r['verdict'] == 'ok' and r['true_mass'] >= 50]}"
    )
    print(
        "'replace' with under 35 % gone: "
        f"{[r['name'] for r in rows if r['verdict'] == 'replace' and r['true_mass'] < 35]}"
    )
    for what in ("area", "mass"):
        print(f"worst {what}:")
        for r in sorted(level, key=lambda r: -abs(r[what] - r["true_" + what]))[: options.worst]:
            span = f"mass {r['low']:.0f} to {r['high']:.0f}, true {r['true_mass']:.0f}"
            print(
                f"  {r['name']} {r['part']} {r['mount']}, tilt {r['tilt']:.0f}: {r[what]:.1f}, true "
                f"{r['true_' + what]:.1f} ({span})"
            )


if __name__ == "__main__":
    main()
