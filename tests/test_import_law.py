"""The import law of the package's map: a file imports only from rows above it. Read from the syntax
trees, so imports inside functions count too."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

SRC = Path(__file__).parents[1] / "src" / "anodewane"

ROWS = [
    "errors",
    "version",
    "units",
    "geometry.motion",
    "files",
    "record",
    "records",
    "settings",
    "refusals",
    "show.marks",
    "show.figures",
    "show.svg",
    "show.html",
    "geometry.robust",
    "geometry.sampling",
    "geometry.camera",
    "geometry.rings",
    "geometry.pyramid",
    "wear.metals",
    "wear.forms",
    "wear.mesh_field",
    "wear.field",
    "wear.contour",
    "wear.cast_law",
    "wear.open_form",
    "wear.solids",
    "wear.edge_height",
    "wear.faces",
    "wear.weighed",
    "wear.left",
    "catalog",
    "segment.classical",
    "segment.model_file",
    "segment.foreign",
    "stages.load",
    "stages.markers",
    "stages.sheet_quality",
    "stages.card",
    "stages.plane",
    "stages.paper",
    "stages.print_scale",
    "stages.label",
    "stages.flatten",
    "stages.segment",
    "stages.refine",
    "stages.painted",
    "stages.fouling",
    "stages.placing",
    "stages.align",
    "stages.wear",
    "stages.decide",
    "judgement.method",
    "judgement.found",
    "judgement.provenance",
    "judgement.to_record",
    "judgement.pipeline",
    "judgement.manual_outline",
    "judgement.new_part",
    "judgement.lens_fit",
    "views",
    "show.record_json",
    "show.words",
    "show.canvas",
    "show.caption",
    "show.overlay",
    "show.overlay_of_views",
    "book.entries",
    "book.names",
    "book.rates",
    "book.outlook",
    "book.states",
    "book.calibrate",
    "book.notices",
    "book.file",
    "book.queries",
    "book.fleet",
    "book.findings",
    "book.store",
    "book.parts",
    "book.cautions",
    "book.orders",
    "book.plot",
    "book.refit",
    "book.intake",
    "book.new_parts",
    "book.yard_list",
    "book.listing",
    "book.exchange",
    "batch",
    "report.texts",
    "report.shapes",
    "report.drawings",
    "report.pictures",
    "report.model",
    "report.doubts",
    "report.tables",
    "report.part_page",
    "report.write",
    "report.gather",
    "report.request",
    "report.from_book",
    "evidence.bag",
    "evidence.privacy",
    "evidence.signature",
    "evidence.stamp",
    "evidence.contents",
    "evidence.pack",
    "evidence.check",
    "evidence.recheck",
    "evidence.remake",
    "report.html",
    "report.pdf",
    "web.limits",
    "web.connections",
    "web.turns",
    "web.guard",
    "web.yard",
    "web.corrections",
    "web.quick",
    "web.worker",
    "web.judging",
    "web.views",
    "web.answers",
    "web.routes",
    "web.app",
    "web.run",
    "testing",
    "cli",
]
"""Top to bottom. A wing that stands here by one word is one row (its files may import each other); of the
others every file is a row of its own."""

LAWFUL_INSIDE = {row.split(".")[0] for row in ROWS if "." in row}


def row_of(module: str) -> str:
    """The row that a module (dotted, without the package's name) belongs to."""
    parts = module.split(".")
    return ".".join(parts[:2]) if parts[0] in LAWFUL_INSIDE and len(parts) > 1 else parts[0]


def modules() -> list[tuple[str, Path]]:
    found = []
    for path in sorted(SRC.rglob("*.py")):
        name = ".".join(path.relative_to(SRC).with_suffix("").parts).removesuffix(".__init__")
        found.append((name, path))
    return found


def own_imports(path: Path) -> list[tuple[int, str]]:
    """Line and module of every import of the package itself, those under TYPE_CHECKING included: types
    cross rows only downwards too."""
    out = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            out += [(node.lineno, a.name) for a in node.names if a.name.split(".")[0] == "anodewane"]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}:{node.lineno}: relative import; write anodewane. in full"
            if node.module and node.module.split(".")[0] == "anodewane":
                for a in node.names:
                    deeper = f"{node.module}.{a.name}"
                    at = SRC.parent / Path(*deeper.split("."))
                    out.append(
                        (
                            node.lineno,
                            deeper if at.with_suffix(".py").exists() or at.is_dir() else node.module,
                        )
                    )
    return [(line, name.removeprefix("anodewane").lstrip(".")) for line, name in out]


@pytest.mark.parametrize(
    ("name", "path"),
    [m for m in modules() if m[0] not in ("__init__", "__main__", "")],
    ids=lambda v: v if isinstance(v, str) else "",
)
def test_a_file_imports_only_from_rows_above_it(name: str, path: Path) -> None:
    row = row_of(name)
    if row in LAWFUL_INSIDE:
        assert not own_imports(path), f"{row}/__init__.py holds no code"
        return
    assert row in ROWS, f"{name} has no row: add it to ROWS here and to the map in anodewane/__init__.py"
    wrong = [
        f"line {line}: {target or 'anodewane'}"
        for line, target in own_imports(path)
        if row_of(target) != row
        and (row_of(target) not in ROWS or ROWS.index(row_of(target)) > ROWS.index(row))
    ]
    assert not wrong, f"{name} reaches downwards: {', '.join(wrong)}"


def test_the_map_names_every_row() -> None:
    """The package's docstring is the map: every row that exists stands in it."""
    text = ast.get_docstring(ast.parse((SRC / "__init__.py").read_text(encoding="utf-8"))) or ""
    for name, _ in modules():
        row = row_of(name)
        if row in ("", "__init__", "__main__") or row in LAWFUL_INSIDE:
            continue
        word = row.split(".")[1] if "." in row else f"{row}/" if (SRC / row).is_dir() else f"{row}.py"
        assert word in text, f"the package's docstring doesn't mention {word}"


def test_the_walker_sees_a_broken_law(tmp_path: Path) -> None:
    """The check itself can fail: an import inside a function is found."""
    bad = tmp_path / "bad.py"
    bad.write_text("def f():\n    from anodewane.cli import main\n    import anodewane.stages.wear\n")
    assert own_imports(bad) == [(2, "cli"), (3, "stages.wear")]


def circles(arrows: dict[str, set[str]]) -> list[str]:
    """One line for each file that can be reached from itself."""
    out = []
    for start in arrows:
        seen: set[str] = set()
        ahead = list(arrows[start])
        while ahead:
            here = ahead.pop()
            if here == start:
                out.append(start)
                break
            if here not in seen:
                seen.add(here)
                ahead += arrows.get(here, set())
    return out


def test_no_file_needs_itself_by_way_of_others() -> None:
    """Inside a wing as between wings; what only annotations import counts too."""
    arrows = {name: {target for _, target in own_imports(path) if target} for name, path in modules()}
    assert circles(arrows) == []
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"a"}, "d": {"a"}}) == ["a", "b", "c"]
