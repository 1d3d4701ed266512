"""The page on reports: its Python runs as it stands, and its commands name options that exist."""

from __future__ import annotations

import re
from pathlib import Path

import click
import pytest

from anodewane.cli import cli
from made.report_samples import SAMPLES, Judged

PAGE = Path(__file__).parents[2] / "docs" / "report.md"


def test_the_python_of_the_page_runs(
    judged_samples: Judged,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    code = re.search(r"```python\n(.*?)```", PAGE.read_text(encoding="utf-8"), flags=re.DOTALL)
    assert code is not None
    (tmp_path / "records").mkdir()
    (tmp_path / "photos").mkdir()
    (tmp_path / "records" / "rudder.json").write_bytes((judged_samples.folder / "watch.json").read_bytes())
    (tmp_path / "photos" / "watch.jpg").write_bytes((SAMPLES / "watch.jpg").read_bytes())
    monkeypatch.chdir(tmp_path)
    exec(compile(code.group(1), str(PAGE), "exec"), {})
    assert "same=True" in capsys.readouterr().out
    assert (tmp_path / "report.pdf").stat().st_size > 50_000
    assert (tmp_path / "marram-2026" / "bagit.txt").exists()


def test_the_commands_of_the_page_name_options_that_exist() -> None:
    text = PAGE.read_text(encoding="utf-8")
    seen = 0
    for line in re.findall(r"^anodewane (.*)$", text, flags=re.MULTILINE):
        words = line.split("#")[0].split()
        command: click.Command = cli
        while words and isinstance(command, click.Group):
            found = command.get_command(click.Context(command), words.pop(0))
            assert found is not None, line
            command = found
        known = {o for p in command.params for o in p.opts}
        for option in [w.split("=")[0] for w in words if w.startswith("--")]:
            assert option in known, (line, option)
            seen += 1
    assert seen > 15
