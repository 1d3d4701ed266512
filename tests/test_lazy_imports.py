"""The command starts at once: nothing heavy is imported until it is needed, and everything can be
imported when it is."""

from __future__ import annotations

import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest

import anodewane
from anodewane import cli

SRC = Path(anodewane.__file__).parent
HEAVY = (
    "numpy",
    "cv2",
    "onnxruntime",
    "scipy",
    "skimage",
    "shapely",
    "PIL",
    "pydantic",
    "typst",
    "ezdxf",
    "svgelements",
    "simplejpeg",
    "pi_heif",
)


def heavy_after(code: str) -> list[str]:
    script = f"{code}\nimport sys\nprint(' '.join(m for m in {HEAVY!r} if m in sys.modules))"
    return (
        subprocess.run([sys.executable, "-c", script], check=True, capture_output=True, text=True)
        .stdout.splitlines()[-1]
        .split()
    )


def test_importing_the_command_loads_nothing_heavy() -> None:
    assert heavy_after("import anodewane.cli") == []


@pytest.mark.parametrize(
    "argv", [["--help"], ["--version"], *([name, "--help"] for name in cli.COMMANDS)], ids=" ".join
)
def test_help_loads_nothing_heavy(argv: list[str]) -> None:
    assert heavy_after(f"from anodewane.cli import main\nassert main({argv!r}) == 0") == []


def test_importing_a_record_loads_numpy_alone() -> None:
    assert heavy_after("import anodewane.records") == ["numpy"]


MODULES = sorted(
    ".".join(("anodewane", *p.relative_to(SRC).with_suffix("").parts)).removesuffix(".__init__")
    for p in SRC.rglob("*.py")
    if p.name != "__main__.py"
)


@pytest.mark.parametrize("module", MODULES)
def test_every_module_can_be_imported(module: str) -> None:
    import_module(module)


@pytest.mark.parametrize("name", anodewane.__all__)
def test_every_public_name_can_be_had(name: str) -> None:
    assert getattr(anodewane, name) is not None


def test_an_unknown_public_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        _ = anodewane.nonsense
