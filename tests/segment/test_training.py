"""The training runs as committed: packed, trained for three steps and exported, from photos and things that
are drawn on the spot. It needs torch and onnx, which the package itself doesn't."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import cv2
import numpy as np
import pytest

TRAINING = Path(__file__).resolve().parents[2] / "models" / "training"

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        not all(map(find_spec, ("torch", "onnx", "onnxscript"))), reason="torch is for training alone"
    ),
]


def run(script: str, *arguments: object) -> str:
    where = {**os.environ, "OMP_NUM_THREADS": "1"}
    command = [sys.executable, str(TRAINING / script), *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=where)
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout


def draw_photos(folder: Path, count: int) -> None:
    """Grey discs beside a white sheet on brown, seen from straight above at 0.5 mm a pixel."""
    rng = np.random.default_rng(1)
    for k in range(count):
        picture = np.full((768, 1024, 3), (60, 85, 120), np.float32)
        picture[236:532, 480:900] = 230
        metal, paper = np.zeros((768, 1024), np.uint8), np.zeros((768, 1024), np.uint8)
        paper[236:532, 480:900] = 255
        cv2.circle(metal, (250 + 4 * k, 384), 90, 255, -1, cv2.LINE_AA)
        cv2.circle(metal, (250 + 4 * k, 384), 14, 0, -1, cv2.LINE_AA)
        picture += metal[..., None] / 255 * (150 - picture) + rng.normal(0, 4, picture.shape)
        cv2.imwrite(str(folder / f"{k:03d}.jpg"), np.clip(picture, 0, 255).astype(np.uint8))
        cv2.imwrite(str(folder / f"{k:03d}.metal.png"), metal)
        cv2.imwrite(str(folder / f"{k:03d}.paper.png"), paper)
        corners = [[480, 531], [899, 531], [899, 236], [480, 236]]
        record = {"layout": "card", "paper_mm": [210.0, 148.0], "paper_px": corners, "seed": k}
        (folder / f"{k:03d}.json").write_text(json.dumps(record))


def draw_things(metal: Path, coins: Path) -> None:
    for k in range(4):
        picture, mask = np.full((300, 400, 3), 220, np.uint8), np.zeros((300, 400), np.uint8)
        cv2.rectangle(mask, (120, 90), (280 - 10 * k, 210), 255, -1)
        picture[mask > 0] = (120, 130, 135)
        cv2.imwrite(str(metal / f"thing{k}.jpg"), picture)
        cv2.imwrite(str(metal / f"thing{k}.mask.png"), mask)
        cv2.imwrite(str(coins / f"coin{k}.jpg"), picture)
        rim = {
            "centre_px": [200.0, 150.0],
            "axes_px": [120.0, 110.0],
            "angle_deg": 10.0,
            "source": f"photo {k}",
        }
        (coins / f"coin{k}.json").write_text(json.dumps(rim))


def test_training_runs_as_committed(tmp_path):
    for folder in ("photos", "metal", "coins"):
        (tmp_path / folder).mkdir()
    draw_photos(tmp_path / "photos", 9)  # the one of number 7 is held out
    draw_things(tmp_path / "metal", tmp_path / "coins")
    photos, things = tmp_path / "photos.zip", tmp_path / "things.zip"
    manifest, out, to = tmp_path / "manifest.json", tmp_path / "out", tmp_path / "model"
    run("data.py", tmp_path / "photos", "--photos", photos, "--manifest", manifest)
    real = ("--metal", tmp_path / "metal", "--coins", tmp_path / "coins")
    run("things.py", "--things", things, "--manifest", manifest, *real)
    listed = json.loads(manifest.read_text())
    assert len(listed["photos"]) == 9 and len(listed["things"]) == 8
    small = ("--batch", 4, "--size", 64, "--far-size", 64, "--reduced", "--made", 0.3)
    said = run(
        "train.py", "--photos", photos, "--things", things, "--out", out, "--steps", 3, *small,
        "--start", TRAINING / "weights.pt",
    )  # fmt: skip
    assert "8 photos" in said and "3 steps" in said
    run("export.py", "--weights", out / "segmenter.pt", "--manifest", manifest, "--to", to)
    from anodewane.segment.model_file import load_model_bytes, open_session

    data, lock = load_model_bytes(to)
    logits = open_session(data, lock).run(None, {"flat": np.zeros((1, 6, 64, 96), np.float32)})[0]
    assert logits.shape == (1, 2, 64, 96) and np.isfinite(logits).all() and lock["kind"] == "fp32"
