"""A run with --strict-skips fails where a test skips for a reason that isn't allowed, in one process and in
several."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from made.skips import unexpected

HERE = Path(__file__).parent


def test_only_allowed_reasons_pass() -> None:
    skips = [("a", "Skipped: no trial photos beside the checkout"), ("b", "Skipped: needs qpdf")]
    assert unexpected(skips) == ["b: Skipped: needs qpdf"]


@pytest.mark.slow
@pytest.mark.parametrize("processes", [[], ["-n", "2"]], ids=["one process", "two"])
@pytest.mark.parametrize("reason", ["needs qpdf", "no trial photos beside the checkout"])
def test_the_run_fails_or_passes_accordingly(tmp_path: Path, reason: str, processes: list[str]) -> None:
    (tmp_path / "conftest.py").write_text((HERE / "conftest.py").read_text(encoding="utf-8"), "utf-8")
    (tmp_path / "test_it.py").write_text(f"import pytest\n\ndef test_it():\n    pytest.skip({reason!r})\n")
    out = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "--strict-skips", "-c", "/dev/null", "--rootdir", tmp_path,
         "-o", f"pythonpath={HERE}", "-p", "no:cacheprovider", *processes, tmp_path],
        capture_output=True, text=True, check=False,
        env={k: v for k, v in os.environ.items() if k != "PYTEST_ADDOPTS"},
    )  # fmt: skip
    wanted = pytest.ExitCode.TESTS_FAILED if reason == "needs qpdf" else pytest.ExitCode.OK
    assert out.returncode == wanted, out.stdout + out.stderr
    assert ("should not have been" in out.stdout) == (reason == "needs qpdf")
