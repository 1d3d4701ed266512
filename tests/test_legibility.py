"""Lines that a laptop shows whole, files of one subject, functions that fit on a few screens."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
FILES = sorted(
    p for part in ("src", "tests", "docs", "models", "sample_images") for p in (ROOT / part).rglob("*.py")
)
LONGEST = 110
FILE_LINES, FUNCTION_LINES = 600, 100

STILL_LONG = {
    "src/anodewane/records.py",
    "src/anodewane/cli/batch.py:batch",
    "src/anodewane/views/fit.py:fit_solid",
    "src/anodewane/views/model.py:plate",
}
"""To be divided; nothing may join them."""


def test_lines_end_by_110_characters() -> None:
    assert len(FILES) > 200
    long = [
        f"{p.relative_to(ROOT)}:{i}: {len(line)}"
        for p in FILES
        for i, line in enumerate(p.read_text(encoding="utf-8").splitlines(), start=1)
        if len(line) > LONGEST
    ]
    assert long == []


@pytest.mark.parametrize("page", sorted((ROOT / "docs").rglob("*.md")), ids=lambda p: p.name)
def test_prose_of_the_pages_ends_by_110_characters(page: Path) -> None:
    """Tables, headings, pictures and code are as wide as they must be."""
    code, long = False, []
    for i, line in enumerate(page.read_text(encoding="utf-8").splitlines(), start=1):
        code ^= line.lstrip().startswith("```")
        wide = code or line.startswith("    ") or line.lstrip().startswith(("|", "#", "![", "<", "```"))
        if not wide and len(line) > LONGEST and " " in line.strip()[:LONGEST]:
            long.append(f"{i}: {len(line)}")
    assert long == []


def lengths_of_functions(path: Path) -> list[tuple[str, int]]:
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            assert node.end_lineno is not None
            found.append((f"{path.relative_to(ROOT)}:{node.name}", node.end_lineno - node.lineno + 1))
    return found


def test_a_file_of_the_product_has_one_subject() -> None:
    lines = {
        str(p.relative_to(ROOT)): len(p.read_text("utf-8").splitlines()) for p in (ROOT / "src").rglob("*.py")
    }
    assert {name: n for name, n in lines.items() if n > FILE_LINES and name not in STILL_LONG} == {}


def test_a_function_of_the_product_fits_on_a_few_screens() -> None:
    found = [f for p in (ROOT / "src").rglob("*.py") for f in lengths_of_functions(p)]
    assert {name: n for name, n in found if n > FUNCTION_LINES and name not in STILL_LONG} == {}
