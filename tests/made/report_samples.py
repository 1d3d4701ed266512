"""Sample photos judged once for all tests of a process: their records as files, as `judge
--out` writes them."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import pytest

from anodewane.catalog.templates import load_template
from anodewane.judgement.pipeline import judge
from anodewane.record import Verdict
from anodewane.show.record_json import verdict_to_json
from anodewane.stages.load import load_photo

SAMPLES = Path(__file__).parents[2] / "sample_images"
TEARDROP = SAMPLES / "templates" / "teardrop-plain.toml"
POSITIONS = {
    "replace": "rudder, port",
    "watch": "transom",
    "no-wear": "shaft bracket",
    "refuse": "skeg",
    "turned": "rudder, starboard",
}


@dataclass(frozen=True)
class Judged:
    """folder : holds NAME.json; verdicts : by name."""

    folder: Path
    verdicts: dict[str, Verdict]


@pytest.fixture(scope="session")
def judged_samples(tmp_path_factory: pytest.TempPathFactory) -> Judged:
    folder = tmp_path_factory.mktemp("records")
    verdicts = {}
    for name in POSITIONS:
        truth = json.loads((SAMPLES / f"{name}.truth.json").read_text(encoding="utf-8"))
        template = load_template(str(SAMPLES / truth["template"]))
        verdicts[name] = judge(load_photo((SAMPLES / f"{name}.jpg").read_bytes(), f"{name}.jpg"), template)
        (folder / f"{name}.json").write_text(verdict_to_json(verdicts[name]), encoding="utf-8")
    return Judged(folder, verdicts)
