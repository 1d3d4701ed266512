"""The doctor names what is wrong and how to repair it."""

from __future__ import annotations

import importlib.metadata
import sys
import types
from pathlib import Path

import pytest

from anodewane.cli import main
from anodewane.cli.doctor import _opencv_trouble
from anodewane.errors import ExitCode
from anodewane.segment import model_file as weights


def test_a_sound_installation(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["doctor"]) == ExitCode.JUDGED
    out = capsys.readouterr().out
    assert "Nothing is wrong." in out
    for name in ("anodewane ", "numpy ", "onnxruntime ", "opencv-python ", "verified"):
        assert name in out


def test_a_missing_model(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(weights, "model_folder", lambda: tmp_path)
    assert main(["doctor"]) == ExitCode.MODEL
    assert "TROUBLE: The segmenter's lock file" in capsys.readouterr().out


def test_two_wheels_of_opencv(monkeypatch: pytest.MonkeyPatch) -> None:
    """They overwrite each other's files, and pip sees nothing wrong."""
    real = importlib.metadata.version
    monkeypatch.setattr(
        importlib.metadata, "version", lambda name: "4.0" if name.startswith("opencv-python") else real(name)
    )
    assert "installed twice" in (_opencv_trouble() or "")


def test_a_hollow_opencv(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is left of the package when one of two wheels was uninstalled: a folder without content."""
    monkeypatch.setitem(sys.modules, "cv2", types.ModuleType("cv2"))
    assert "hollow" in (_opencv_trouble() or "")


def test_an_opencv_that_can_t_be_loaded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "cv2", None)
    assert "libgl1 libglib2.0-0" in (_opencv_trouble() or "")
