"""A manual outline: the metal as a person painted it as a mask, or drew it as SVG or GeoJSON, with who
made it and when.

Coordinates. A mask has the size of the upright photo. GeoJSON is in photo pixels as the record's
`outline.photo_px` has them, pixel centres at integers. An SVG is drawn over the photo in a drawing
program, where the photo's upper left corner is (0, 0): half a pixel is taken off.
"""

from __future__ import annotations

import hashlib
import io
import json
from pathlib import Path
from typing import Any

import numpy as np

from anodewane.errors import InputUnreadable, UsageError
from anodewane.files import read_bytes
from anodewane.record import Manual
from anodewane.records import ManualOutline
from anodewane.stages.refine import mask_from_pixels, mask_from_rings
from anodewane.units import Floats

CURVE_POINTS = 24
"""Points that a curved segment of an SVG path is read at."""


def read_manual_outline(
    path: Path, *, is_mask: bool, by: str | None = None, when: str | None = None
) -> ManualOutline:
    """Read a painted mask (any picture that Pillow opens) or an outline (.svg, .geojson, .json).

    Raises
    ------
    InputUnreadable
        The file isn't what its name says.
    UsageError
        It holds no closed outline, or another format was named.
    """
    data = read_bytes(path, "mask" if is_mask else "outline")
    manual = Manual(by, when, hashlib.sha256(data).hexdigest())
    if is_mask:
        pixels = _mask_pixels(data, path.name)
        return ManualOutline(mask_from_pixels(pixels), manual, (pixels.shape[1], pixels.shape[0]))
    suffix = path.suffix.lower()
    if suffix == ".svg":
        return ManualOutline(mask_from_rings(rings_from_svg(data, path.name)), manual)
    if suffix in (".geojson", ".json"):
        return ManualOutline(mask_from_rings(rings_from_geojson(data, path.name)), manual)
    raise UsageError(
        f"'{path.name}' is no outline format that is known.", "Hand in an .svg or a .geojson file."
    )


def _mask_pixels(data: bytes, name: str) -> Any:
    from PIL import Image, UnidentifiedImageError

    try:
        with Image.open(io.BytesIO(data)) as image:
            return np.asarray(image.convert("L"))
    except (UnidentifiedImageError, OSError, SyntaxError, ValueError, Image.DecompressionBombError) as e:
        raise InputUnreadable(
            f"The mask '{name}' isn't a picture that can be read.", "Save it as PNG, white metal on black."
        ) from e


def rings_from_geojson(data: bytes, name: str = "outline") -> list[Floats]:
    """Return the rings (n, 2) of every polygon in GeoJSON (RFC 7946), as they stand."""
    try:
        rings = [
            np.array(ring, float)[:, :2] for ring in _geojson_rings(json.loads(data.decode("utf-8-sig")))
        ]
    except (ValueError, TypeError, KeyError, IndexError, AttributeError, RecursionError) as e:
        raise InputUnreadable(
            f"The outline '{name}' isn't GeoJSON with polygons.",
            "Save it as a GeoJSON Polygon in pixels of the upright photo.",
        ) from e
    if not all(np.isfinite(r).all() for r in rings):
        raise InputUnreadable(
            f"The outline '{name}' holds numbers that are not finite.", "Save it again as a GeoJSON Polygon."
        )
    return rings


def _geojson_rings(thing: Any) -> list[Any]:
    kind = thing["type"]
    if kind == "Polygon":
        return list(thing["coordinates"])
    if kind == "MultiPolygon":
        return [ring for polygon in thing["coordinates"] for ring in polygon]
    if kind == "Feature":
        return _geojson_rings(thing["geometry"])
    if kind in ("FeatureCollection", "GeometryCollection"):
        return [
            ring
            for member in thing["features" if kind == "FeatureCollection" else "geometries"]
            for ring in _geojson_rings(member)
        ]
    raise ValueError(f"a {kind} has no area")


def rings_from_svg(data: bytes, name: str = "outline") -> list[Floats]:
    """Return the rings (n, 2) of every closed shape of an SVG in photo pixels, pixel centres at
    integers. Its view box is the photo."""
    from defusedxml import DefusedXmlException
    from defusedxml.ElementTree import fromstring

    bad = f"The outline '{name}' isn't an SVG drawing that can be read."
    try:
        fromstring(
            data
        )  # refuses entities and external references before svgelements' own parser sees the file
    except (SyntaxError, ValueError, DefusedXmlException) as e:
        raise InputUnreadable(bad, "Save it as plain SVG.") from e
    from svgelements import SVG, Close, Line, Move, Path, Shape

    try:
        svg = SVG.parse(io.BytesIO(data), reify=True)
        box = svg.viewbox
        scale = np.ones(2)
        if box is not None and box.width and svg.width and svg.height:
            scale = np.array([float(box.width) / float(svg.width), float(box.height) / float(svg.height)])
        rings = []
        for shape in svg.elements():
            if not isinstance(shape, Shape):
                continue
            for sub in Path(shape).as_subpaths():
                points: list[tuple[float, float]] = []
                for segment in Path(sub):
                    if isinstance(segment, Move):
                        points.append((segment.end.x, segment.end.y))
                    elif isinstance(segment, (Line, Close)):
                        if segment.end is not None:
                            points.append((segment.end.x, segment.end.y))
                    else:
                        points += [
                            (p.x, p.y)
                            for p in (segment.point(t) for t in np.linspace(0, 1, CURVE_POINTS + 1)[1:])
                        ]
                if len(points) >= 4:
                    rings.append(np.array(points, float) * scale - 0.5)
    except (ValueError, TypeError, AttributeError, IndexError, ZeroDivisionError) as e:
        raise InputUnreadable(bad, "Save it as plain SVG.") from e
    return rings
