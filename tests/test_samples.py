"""The sample photos say what the readme promises: each is judged as a user would judge it, with the
model that ships."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from anodewane.catalog.templates import load_template
from anodewane.judgement.pipeline import judge
from anodewane.stages.load import load_photo
from anodewane.views.together import judge_together

SAMPLES = Path(__file__).parent.parent / "sample_images"
TRUTHS = sorted(SAMPLES.glob("*.truth.json"))


def truth_of(path: Path) -> dict[str, Any]:
    return dict(json.loads(path.read_text(encoding="utf-8")))


def test_the_samples_show_every_verdict_and_a_refusal() -> None:
    assert len(TRUTHS) >= 20
    refused = {
        truth_of(p)["expected"]["one_of_reasons"][0] for p in TRUTHS if not truth_of(p)["expected"]["verdict"]
    }
    assert refused == {"no_sheet", "sheet_too_little", "too_oblique", "blurred", "part_cut_off"}
    assert {truth_of(p)["expected"]["verdict"] for p in TRUTHS} == {"replace", "monitor", "ok", None}
    photos = {p.name for p in SAMPLES.iterdir() if p.suffix in (".jpg", ".heic")}
    assert photos == {truth_of(p)["file"] for p in TRUTHS}
    for photo in photos:
        assert (SAMPLES / photo).stat().st_size <= 450_000


@pytest.mark.parametrize("path", TRUTHS, ids=lambda p: p.name.removesuffix(".truth.json"))
def test_sample(path: Path) -> None:
    truth = truth_of(path)
    template = load_template(str(SAMPLES / truth["template"]))
    verdict = judge(load_photo((SAMPLES / truth["file"]).read_bytes(), truth["file"]), template)
    codes = [r.code for r in verdict.reasons]
    assert verdict.verdict == truth["expected"]["verdict"], codes
    assert codes[0] in truth["expected"]["one_of_reasons"]
    if truth["expected"]["verdict"] is None:
        assert verdict.status == "cannot_judge"
        assert verdict.reasons[0].remedy
        return
    assert verdict.consumed is not None
    mass = verdict.consumed.mass_pct
    # from half-way up alone the far side is hidden: that photo stands beside the one from above
    if truth["tilt_deg"] < 30:
        assert mass.low <= 100 * truth["consumed_volume"] <= mass.high
    # one photo, exact truth: the aim of the whole tool is about a point, a gross slip is many
    assert verdict.consumed.area_pct.value == pytest.approx(100 * truth["consumed_area"], abs=4.0)
    assert verdict.scale is not None
    assert verdict.scale.layout == truth["sheet"]
    assert verdict.scale.tilt_deg == pytest.approx(truth["tilt_deg"], abs=0.5)


def test_a_photo_from_half_way_up_narrows_the_interval() -> None:
    """The worn dome from above and from half-way up, judged together: still the truth, and surer."""
    truth = truth_of(SAMPLES / "dome-above.truth.json")
    template = load_template(str(SAMPLES / truth["template"]))
    photos = [load_photo((SAMPLES / n).read_bytes(), n) for n in ("dome-above.jpg", "dome-low.jpg")]
    alone, both = judge(photos[0], template), judge_together(photos, template)
    assert alone.consumed is not None
    assert both.consumed is not None
    mass = both.consumed.mass_pct
    assert mass.low <= 100 * truth["consumed_volume"] <= mass.high
    assert mass.high - mass.low < alone.consumed.mass_pct.high - alone.consumed.mass_pct.low
