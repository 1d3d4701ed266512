"""The model file: found, checked before it is opened, never replaced. hashlib is the judge of the hash;
onnx writes the wrong-shaped model."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import pytest

from anodewane.errors import ExitCode, ModelError
from anodewane.segment.model_file import LOCK_FILE, MODEL_FILE, load_model_bytes, model_folder, open_session

ROOT = Path(__file__).resolve().parents[2]
TRIAL = ROOT.parent / "shared" / "trial"


@pytest.fixture
def copied(tmp_path):
    for name in (MODEL_FILE, LOCK_FILE):
        shutil.copy(model_folder() / name, tmp_path / name)
    return tmp_path


def test_the_shipped_model_is_the_one_its_lock_names_and_is_small():
    data, lock = load_model_bytes()
    assert hashlib.sha256(data).hexdigest() == lock["sha256"] and len(data) == lock["bytes"] < 10_000_000
    session = open_session(data, lock)
    assert session.get_providers() == ["CPUExecutionProvider"]
    assert session.get_session_options().intra_op_num_threads == 1


@pytest.mark.parametrize("name", [MODEL_FILE, LOCK_FILE])
def test_a_missing_file_is_said_with_a_remedy(copied, name):
    (copied / name).unlink()
    with pytest.raises(ModelError, match=f"{name} is missing") as e:
        load_model_bytes(copied)
    assert e.value.exit_code == ExitCode.MODEL and "Install anodewane again" in e.value.remedy


def test_one_altered_byte_is_found_before_the_runtime_sees_it(copied, monkeypatch):
    import onnxruntime

    monkeypatch.setattr(onnxruntime, "InferenceSession", lambda *a, **k: pytest.fail("opened"))
    data = bytearray((copied / MODEL_FILE).read_bytes())
    data[len(data) // 2] ^= 1
    (copied / MODEL_FILE).write_bytes(bytes(data))
    with pytest.raises(ModelError, match="altered"):
        load_model_bytes(copied)


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"format": 99, "sha256": "0"}', "\ufeffnot json"])
def test_a_broken_lock_is_said(copied, text):
    (copied / LOCK_FILE).write_text(text)
    with pytest.raises(ModelError, match=LOCK_FILE):
        load_model_bytes(copied)


@pytest.mark.parametrize(
    ("kind", "field", "value"),
    [
        ("input", "shape", [1, 3, None, None]),
        ("input", "name", "image"),
        ("output", "shape", [1, 1, None, None]),
    ],
)
def test_a_model_of_the_wrong_shape_is_said(kind, field, value):
    data, lock = load_model_bytes()
    wrong = json.loads(json.dumps(lock))
    wrong[kind][field] = value
    with pytest.raises(ModelError, match=kind):
        open_session(data, wrong)


def test_bytes_that_are_no_model_are_said_even_where_the_lock_agrees(copied):
    junk = b"not a model"
    lock = json.loads((copied / LOCK_FILE).read_text()) | {"sha256": hashlib.sha256(junk).hexdigest()}
    (copied / MODEL_FILE).write_bytes(junk)
    (copied / LOCK_FILE).write_text(json.dumps(lock))
    data, lock = load_model_bytes(copied)
    with pytest.raises(ModelError, match="can't be opened"):
        open_session(data, lock)


def test_the_manifest_lists_each_photo_once():
    rows = json.loads((ROOT / "models/training/manifest.json").read_text())["photos"]
    assert len(rows) > 900 and len({name for name, _ in rows}) == len(rows) == len({sha for _, sha in rows})
    assert not any(name.startswith(("check", "views", "cast-check", "cast-views")) for name, _ in rows)


@pytest.mark.trial
@pytest.mark.parametrize("folder", ["check", "views", "cast-check", "cast-views"])
def test_no_photo_that_judges_was_trained_on(folder):
    photos = sorted((TRIAL / folder).glob("*.jpg"))
    if not photos:
        pytest.skip("no trial photos beside the checkout")
    trained = {sha for _, sha in json.loads((ROOT / "models/training/manifest.json").read_text())["photos"]}
    assert trained.isdisjoint(hashlib.sha256(p.read_bytes()).hexdigest() for p in photos)


@pytest.mark.trial
@pytest.mark.parametrize("folder", ["check", "views"])
def test_no_shape_that_judges_was_trained_on(folder):
    records = sorted((TRIAL / folder).glob("*.json"))
    if not records:
        pytest.skip("no trial photos beside the checkout")
    trained = set()
    for d in ("train", "train-more"):
        trained |= {json.loads(p.read_text())["seed"] for p in (TRIAL / d).glob("*.json")}
    assert trained and trained.isdisjoint(json.loads(p.read_text())["seed"] for p in records)
