"""The version, from the installation's own metadata: it is written in pyproject.toml and nowhere else."""

from __future__ import annotations

from functools import lru_cache


@lru_cache(maxsize=1)
def own_version() -> str:
    """The installed version of anodewane, or "not installed" when it runs from a folder of sources."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("anodewane")
    except PackageNotFoundError:
        return "not installed"
