"""Decisions are by one template, numbered once each, a screen long; the pages of their figures exist."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[1] / "docs" / "decisions"
DECISIONS = sorted(p for p in FOLDER.glob("*.md") if p.name != "README.md")
SECTIONS = ["Context", "Chosen", "Refused", "Evidence", "Revisit when"]
SCREEN_LINES = 60
STATUS = re.compile(r"Status: (holds|tried|superseded by \[\d{4}\]\(\d{4}-[a-z0-9-]+\.md\))\.")


def trouble(name: str, text: str) -> list[str]:
    """What is wrong with a decision's page."""
    lines = text.splitlines()
    out = []
    if not re.fullmatch(r"\d{4}-[a-z0-9-]+\.md", name):
        out.append("name: expected NNNN-words.md")
    if not lines or not lines[0].startswith(f"# {name[:4]}: "):
        out.append(f"title: expected '# {name[:4]}: ...'")
    if len(lines) < 3 or not STATUS.fullmatch(lines[2]):
        out.append("third line: expected 'Status: holds.' or 'Status: superseded by [NNNN](NNNN-words.md).'")
    if [line[3:] for line in lines if line.startswith("## ")] != SECTIONS:
        out.append(f"sections: expected {', '.join(SECTIONS)}")
    for section, body in re.findall(r"^## ([^\n]*)\n(.*?)(?=^## |\Z)", text, re.MULTILINE | re.DOTALL):
        if not body.strip():
            out.append(f"'{section}' is empty")
    if len(lines) > SCREEN_LINES:
        out.append(f"{len(lines)} lines: figures belong into docs/bench/figures")
    return out


@pytest.mark.parametrize("path", DECISIONS, ids=lambda p: p.name)
def test_a_decision_is_by_the_template(path: Path) -> None:
    assert trouble(path.name, path.read_text(encoding="utf-8")) == []


def test_numbers_are_given_once() -> None:
    counts = Counter(p.name[:4] for p in DECISIONS)
    assert [number for number, n in counts.items() if n > 1] == []


def test_the_check_sees_what_is_wrong() -> None:
    good = "\n".join(["# 0001: A thing", "", "Status: holds.", *(f"\n## {s}\n\nwords" for s in SECTIONS)])
    assert trouble("0001-a-thing.md", good) == []
    assert trouble("0002-a-thing.md", good)
    assert trouble("0001-a-thing.md", good.replace("Status: holds.", "Status: perhaps."))
    assert trouble("0001-a-thing.md", good.replace("## Refused", "## Left out"))
    assert trouble("0001-a-thing.md", good.replace("## Chosen\n\nwords", "## Chosen\n"))
    assert trouble("0001-a-thing.md", good + "\nwords" * SCREEN_LINES)


def test_every_page_of_figures_belongs_to_a_decision() -> None:
    figures = sorted((FOLDER.parent / "bench" / "figures").glob("*.md"))
    assert figures
    assert {p.name for p in figures} <= {p.name for p in DECISIONS}
    for p in figures:
        assert f"figures/{p.name}" in (FOLDER / p.name).read_text(encoding="utf-8")
