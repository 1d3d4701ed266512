"""Photos with exact truth, and doubles that fail on purpose: for this project's tests and for anyone
who wants to check or to train.

``python -m anodewane.testing OUT --count 20 --seed 1`` writes photos. In code::

    from anodewane.testing import Scene, WearPattern, look_at, placement, render

    camera = look_at((60, 0), distance_mm=500, tilt_deg=10)
    lie = placement(0, (0, 110))
    photo = render(template, WearPattern(depth_mm=4), camera, Scene(layout="card"), sheet_from_part=lie)
    photo.rgb, photo.mask, photo.truth["consumed_volume"]

solid.py wastes a part on a voxel grid; scene.py holds camera, sheet, ground and light; picture.py draws,
with tracer.py (rays), hardware.py (bolts, barnacles) and develop.py (from light to JPEG); flat.py draws flat
shapes of known area on a sheet; sets.py draws at random; truth.py reads truths back; doubles.py
holds the faults.
"""

from __future__ import annotations

from typing import Any

_HOMES = {
    name: home
    for home, names in {
        "solid": ("WearPattern", "WornSolid", "erode", "mirrored"),
        "scene": ("GROUNDS", "Scene", "look_at", "printed_sheet", "sheet_raster"),
        "develop": ("encode_jpeg",),
        "picture": ("RenderedPhoto", "placement", "render", "silhouette"),
        "flat": ("exact_sheet_photo",),
        "sets": (
            "library_templates",
            "place_part",
            "random_camera",
            "random_photos",
            "random_scene",
            "random_template",
            "random_wear",
            "waste_to",
        ),
        "doubles": (
            "EmptySegmenter",
            "FixedSegmenter",
            "FullSegmenter",
            "NoiseSegmenter",
            "RaisingSegmenter",
            "UnwritableFolder",
        ),
    }.items()
    for name in names
}

__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
