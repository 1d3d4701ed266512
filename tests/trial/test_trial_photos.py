"""A few of the trial photos that may lie beside the checkout, with the sheet printed on: the whole line
but the segmenter, held loosely.

The full figures come from docs/bench/score_check.py over all of them.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from anodewane.geometry.rings import from_shapely, polygons_of
from anodewane.judgement.pipeline import judge
from anodewane.record import Verdict
from anodewane.records import Template
from anodewane.stages.load import load_photo
from anodewane.stages.refine import mask_from_pixels
from made.hand_made import outlined

BESIDE = Path(__file__).resolve().parents[3] / "shared"
PHOTOS, COMPOSER = BESIDE / "trial" / "check", BESIDE / "tools" / "compose.py"
SHEETS = {"card": ("card", 210, 148), "mat": ("mat-a4", 297, 210)}
COUNT = 10

pytestmark = [
    pytest.mark.slow,
    pytest.mark.trial,
    pytest.mark.skipif(
        not (PHOTOS.is_dir() and COMPOSER.is_file()), reason="no trial photos beside the checkout"
    ),
]


def whole_and_level() -> list[Path]:
    """The truth files of the first photos that show all of sheet and part from less than 30 degrees,
    half of them by the card, half on the mat."""
    found: dict[str, list[Path]] = {"card": [], "mat": []}
    for path in sorted(PHOTOS.glob("*.json")):
        truth = json.loads(path.read_text())
        if truth["tilt_deg"] < 30 and truth["sheet_in_frame"] and truth["part_in_frame"]:
            found[truth["layout"]].append(path)
    return [*found["card"][: COUNT // 2], *found["mat"][: COUNT // 2]]


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[dict[str, Any], Verdict]]:
    from anodewane.catalog.print_sheet import sheet_picture

    folder = tmp_path_factory.mktemp("trial")
    chosen = whole_and_level()
    for layout, (name, width, height) in SHEETS.items():
        Image.fromarray(sheet_picture(name, 12.0)).save(folder / f"{layout}.png")
        only = ",".join(p.stem for p in chosen if json.loads(p.read_text())["layout"] == layout)
        size = [str(width), str(height)]
        command = [
            sys.executable,
            str(COMPOSER),
            str(PHOTOS),
            str(folder / f"{layout}.png"),
            *size,
            str(folder / "out"),
            "--layout",
            layout,
            "--only",
            only,
        ]
        subprocess.run(command, check=True, capture_output=True, timeout=300)
    out = []
    for path in sorted((folder / "out").glob("*.truth.json")):
        truth = json.loads(path.read_text())
        stem = path.name.removesuffix(".truth.json")
        with Image.open(path.with_name(f"{stem}.metal.png")) as image:
            mask = mask_from_pixels(np.asarray(image.convert("L")))
        out.append(
            (
                truth,
                judge(
                    load_photo(path.with_name(f"{stem}.jpg").read_bytes(), f"{stem}.jpg"),
                    template_of(truth),
                    outlined(mask),
                ),
            )
        )
    return out


def template_of(truth: dict[str, Any]) -> Template:
    from shapely import wkt

    rings = from_shapely(polygons_of(wkt.loads(truth["outline_wkt"]))[0])
    return Template(
        truth["part"],
        rings,
        truth["thickness_mm"],
        truth["mount"],
        "rod" if truth["rod"] else "plate",
        truth["alloy"],
        None,
        1.0,
        (),
        None,
        False,
    )


def errors(judged: list[tuple[dict[str, Any], Verdict]], which: str) -> Any:
    out = []
    for truth, verdict in judged:
        assert verdict.consumed is not None
        read = verdict.consumed.area_pct if which == "area" else verdict.consumed.mass_pct
        out.append(read.value - 100 * truth["consumed_area" if which == "area" else "consumed_volume"])
    return np.array(out)


def test_every_photo_that_shows_sheet_and_part_is_judged(
    judged: list[tuple[dict[str, Any], Verdict]],
) -> None:
    assert len(judged) == COUNT
    assert [v.reasons[0].message for _, v in judged if v.status != "judged"] == []
    for truth, verdict in judged:
        assert verdict.scale is not None
        assert verdict.scale.layout.startswith(truth["layout"])
        assert verdict.scale.tilt_deg == pytest.approx(truth["tilt_deg"], abs=0.5)


def test_area_and_mass_come_near_the_truth(judged: list[tuple[dict[str, Any], Verdict]]) -> None:
    assert np.median(np.abs(errors(judged, "area"))) <= 1.2
    assert np.median(np.abs(errors(judged, "mass"))) <= 4.0
    assert np.abs(errors(judged, "area")).max() < 7.0


def test_nothing_half_gone_is_ok_and_most_intervals_hold(
    judged: list[tuple[dict[str, Any], Verdict]],
) -> None:
    assert not [t["part"] for t, v in judged if v.verdict == "ok" and t["consumed_volume"] >= 0.5]
    held = [
        v.consumed is not None
        and v.consumed.mass_pct.low <= 100 * t["consumed_volume"] <= v.consumed.mass_pct.high
        for t, v in judged
    ]
    assert sum(held) >= 6  # of ten at 90 %, fewer hold with a chance of 0.2 % (binomial: 0.16 %)
