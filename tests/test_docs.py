"""The pages are held to the code: generated ones are fresh, every command, exit code, key, refusal and
message is in them, every link leads somewhere."""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys
from functools import lru_cache
from pathlib import Path
from types import ModuleType

import click
import pytest

from anodewane.cli import COMMANDS, cli
from anodewane.errors import EXIT_MEANINGS, ExitCode
from anodewane.refusals import FINDINGS, REFUSALS

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"


@lru_cache(maxsize=1)
def generator() -> ModuleType:
    spec = importlib.util.spec_from_file_location("generate", DOCS / "generate.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@lru_cache(maxsize=1)
def made_pages() -> dict[Path, str]:
    pages: dict[Path, str] = generator().pages()
    return pages


@pytest.mark.parametrize(
    "page", ["cli.md", "json.md", "errors.md", "settings.md", "record.schema.json", "decisions/README.md"]
)
def test_generated_pages_are_fresh(page: str) -> None:
    made = made_pages()[DOCS / page]
    assert (DOCS / page).read_text(encoding="utf-8") == made, "run docs/generate.py"


def test_every_command_has_help_and_stands_in_the_page() -> None:
    page = (DOCS / "cli.md").read_text(encoding="utf-8")
    for name in COMMANDS:
        command = cli.get_command(click.Context(cli), name)
        assert command is not None
        assert command.name == name
        assert command.help, f"{name} has no help"
        assert f"### anodewane {name}\n" in page
        for param in command.params:
            if isinstance(param, click.Option):
                assert param.help, f"{name} {param.opts[0]} has no help"


def test_every_exit_code_has_a_meaning_and_stands_in_the_page() -> None:
    assert set(EXIT_MEANINGS) == set(ExitCode)
    page = (DOCS / "cli.md").read_text(encoding="utf-8")
    for code in ExitCode:
        assert f"| {int(code)} | {code.name} |" in page


def test_errors_are_headed_by_their_messages() -> None:
    page = (DOCS / "errors.md").read_text(encoding="utf-8")
    headings = {line.removeprefix("### ") for line in page.splitlines() if line.startswith("### ")}
    for code, (message, remedy) in {**REFUSALS, **FINDINGS}.items():
        if message != "{detail}":
            assert message.replace("{detail}", "…") in headings, code
            assert (remedy or "") in " ".join(page.split())
        assert f"`{code}`" in page
    for _, message, _, where in generator().raised_messages():
        assert message in headings, where


def test_every_message_is_one_sentence_with_a_remedy() -> None:
    for code, (message, remedy) in {**REFUSALS, **FINDINGS}.items():
        assert message == "{detail}" or message.endswith("."), code
        assert remedy is None or remedy.endswith("."), code
    assert all(remedy for _, remedy in REFUSALS.values())
    for kind, message, remedy, where in generator().raised_messages():
        assert message.endswith((".", "…")), f"{where}: {kind}: {message}"
        assert remedy.endswith((".", "…")), f"{where}: {kind}: {remedy}"


def test_every_refusal_that_a_stage_raises_is_in_the_catalogue() -> None:
    used = set()
    for path in (ROOT / "src").rglob("*.py"):
        used |= set(re.findall(r'CannotJudge\(\s*"([a-z_]+)"', path.read_text(encoding="utf-8")))
    assert used <= set(REFUSALS), used - set(REFUSALS)
    assert used, "no stage refuses anything?"


PAGES = [
    *sorted(p for folder in (DOCS, ROOT / "models", ROOT / "sample_images") for p in folder.rglob("*.md")),
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
]


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_every_link_leads_somewhere(page: Path) -> None:
    text = re.sub(r"```.*?```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if target.startswith(("https://", "http://", "urn:")):
            continue
        path, _, anchor = target.partition("#")
        there = (page.parent / path).resolve() if path else page
        assert there.exists(), f"{page.name}: {target}"
        if anchor and there.suffix == ".md":
            headings = [
                line.lstrip("# ").lower()
                for line in there.read_text(encoding="utf-8").splitlines()
                if line.startswith("#")
            ]
            assert anchor in {re.sub(r"[^\w\- ]", "", h).replace(" ", "-") for h in headings}, (
                f"{page.name}: {target}"
            )


def test_pages_that_the_code_names_exist() -> None:
    for path in [*(ROOT / "src").rglob("*.py"), *(ROOT / "tests").rglob("*.py")]:
        for named in re.findall(r"docs/[\w/-]+\.(?:md|py|json)", path.read_text(encoding="utf-8")):
            assert (ROOT / named).exists(), f"{path.relative_to(ROOT)} names {named}"


def marked_command(name: str) -> str:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    found = re.search(rf"<!-- {name} command -->\s*```\w*\n(.*?)\n```", text, flags=re.DOTALL)
    assert found, f"README.md has no marked {name} command"
    return found.group(1)


def test_the_readme_sets_up_with_two_commands() -> None:
    assert "pytest" in marked_command("test")
    assert "\n" not in marked_command("test"), "one command line"
    judge = marked_command("judge")
    assert "\n" not in judge.replace("\\\n", ""), "one command line"


def test_the_readme_s_judge_command_judges_and_draws(tmp_path: Path) -> None:
    """What comes after the installation in the README's first command, run here as it stands."""
    words = marked_command("judge").replace("\\\n", " ").split("&&")[-1].split()
    assert words[0].endswith("anodewane")
    at = words.index("--overlay") + 1
    words[at] = str(tmp_path / words[at])
    done = subprocess.run(
        [sys.executable, "-m", "anodewane", *words[1:]], cwd=ROOT, capture_output=True, check=False
    )
    assert done.returncode == 0, done.stderr.decode()
    assert b'"status": "judged"' in done.stdout
    assert Path(words[at]).stat().st_size > 10_000


def test_the_cautions_stand_where_a_user_reads_them() -> None:
    for page in (ROOT / "README.md", DOCS / "guide.md"):
        text = page.read_text(encoding="utf-8").lower()
        for word in (
            "key out",
            "dust",
            "cadmium",
            "two-person",
            "afloat",
            "shore-powered",
            "reference",
            "qualified",
        ):
            assert word in text, f"{page.name}: {word}"


def test_every_word_of_the_glossary_is_in_the_code() -> None:
    """A word that the code no longer uses has no place there."""
    rows = re.findall(r"^\| ([^|]+) \|", (DOCS / "glossary.md").read_text(encoding="utf-8"), re.MULTILINE)
    words = [w.strip() for row in rows for w in row.split(",") if row not in ("word", "---")]
    assert len(words) > 60
    code = "\n".join(p.read_text(encoding="utf-8") for p in (ROOT / "src").rglob("*.py")).casefold()
    gone = [w for w in words if not re.search(re.escape(w).replace(r"\ ", r"[ _-]?"), code)]
    assert gone == []
