"""What made a record: versions, settings digest, segmenter and model."""

from __future__ import annotations

from functools import lru_cache

from anodewane.record import Manual, Provenance
from anodewane.version import own_version

LIBRARIES = ("numpy", "onnxruntime", "opencv-python", "pi-heif", "pillow", "scipy", "shapely", "simplejpeg")
"""Distributions whose version can move a figure."""


def make_provenance(
    settings_digest: str, segmenter: str | None, model_sha256: str | None, manual: Manual | None = None
) -> Provenance:
    """Return the provenance of a judgement made now, in this installation."""
    return Provenance(
        anodewane=own_version(),
        settings_digest=settings_digest,
        segmenter=segmenter,
        model_sha256=model_sha256,
        libraries=dict(library_versions()),
        manual=manual,
    )


@lru_cache(maxsize=1)
def library_versions() -> tuple[tuple[str, str], ...]:
    """Name and version of every library of `LIBRARIES` that is installed, by name."""
    from importlib.metadata import PackageNotFoundError, version

    found = []
    for name in LIBRARIES:
        try:
            found.append((name, version(name)))
        except PackageNotFoundError:
            continue  # e.g. OpenCV from the system's packages: `doctor` tells
    return tuple(found)
