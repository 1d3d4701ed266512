#!/usr/bin/env python3
"""How often the interval of a calibrated template holds the next part's true loss, and how wide it is,
over simulated yards: the figures of decision 0051.

    python docs/bench/bench_weighings.py [YARDS]

Parts are exact by `anodewane.wear.solids` (outline by shapely, volume by its own face ratio); the
photo's area and the scales err by stated one-sigmas.
"""

from __future__ import annotations

import sys

import numpy as np

from anodewane.book.calibrate import Weighing, calibrate
from anodewane.catalog.templates import load_template
from anodewane.settings import Settings
from anodewane.wear.faces import expected_thickness
from anodewane.wear.solids import new_area, new_volume, plan_after, volume_after

AREA_SD, MASS_SD = 0.010, 0.015
YARDS = {
    "no template of its own, parts 0.23": (0.0, 0.23),
    "template 0.16, parts 0.16": (0.16, 0.16),
    "template 0.21, parts 0.10": (0.21, 0.10),
    "template 0.35, parts 0.20": (0.35, 0.20),
}


def main(n_yards: int) -> None:
    settings, template = Settings(), load_template("plate-150x75x20-2slots")
    depths = np.linspace(0.8, 5.5, 60)
    areas = np.asarray(plan_after(template, depths)) / new_area(template)
    law = np.array(
        [template.thickness_mm - expected_thickness(template, float(d), settings)[0] for d in depths]
    )
    print(
        f"{n_yards} yards each. Holds: share of the next parts' true thickness loss in the 90 % interval; "
        "sd: its one-sigma, a share of the loss."
    )
    print(
        "| yards: one-sigma of the template's scale, and from part to part | n | holds | sd | of it part "
        "to part |\n|---|---|---|---|---|"
    )
    for name, (scale_sd, part_sd) in YARDS.items():
        for n in (0, 1, 2, 5, 20):
            rng = np.random.default_rng(n)
            hits, sds, parts = [], [], []
            for _ in range(n_yards):
                ln_scale = scale_sd * rng.standard_normal()
                weighings = []
                for i in rng.integers(0, len(depths), n):
                    ratio = (
                        min(
                            np.exp(ln_scale + part_sd * rng.standard_normal()) * law[i],
                            0.97 * template.thickness_mm,
                        )
                        / depths[i]
                    )
                    mass = volume_after(template, float(depths[i]), float(ratio)) / new_volume(template)
                    weighings.append(
                        Weighing(
                            float(areas[i]) + AREA_SD * rng.standard_normal(),
                            AREA_SD,
                            mass * (1 + MASS_SD * rng.standard_normal()),
                            MASS_SD * mass,
                        )
                    )
                got = calibrate(template, weighings, settings)
                scale, sd, part = (
                    (got.scale, got.predictive_sd, got.part_sd)
                    if got
                    else (1.0, settings.face_ratio_sd, settings.face_ratio_sd)
                )
                true = ln_scale + part_sd * rng.standard_normal(20)
                hits.append(np.mean(np.abs(true - np.log(scale)) < 1.645 * sd))
                sds.append(sd)
                parts.append(part)
            print(
                f"| {name} | {n} | {100 * np.mean(hits):.0f} % | {np.mean(sds):.3f} | {np.mean(parts):.3f} |",
                flush=True,
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
