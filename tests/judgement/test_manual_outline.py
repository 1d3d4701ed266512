"""Handed outlines: the same rectangle with a hole, painted, drawn and written, is the same metal."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import shapely
from PIL import Image

from anodewane.errors import InputUnreadable, UsageError
from anodewane.judgement.manual_outline import read_manual_outline
from anodewane.records import MetalMask

OUTER = [[99.5, 49.5], [299.5, 49.5], [299.5, 149.5], [99.5, 149.5]]
HOLE = [[179.5, 89.5], [219.5, 89.5], [219.5, 109.5], [179.5, 109.5]]
TRUTH = shapely.Polygon(OUTER, [HOLE])
"""In photo pixels, centres at integers: pixels 100..299 by 50..149 without 180..219 by 90..109."""


def shape_of(mask: MetalMask) -> shapely.Polygon:
    assert len(mask.pieces_px) == 1
    outer, *holes = mask.pieces_px[0]
    return shapely.Polygon(outer, holes)


def write(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


SVG = (
    '<svg xmlns="http://www.w3.org/2000/svg" {size} viewBox="0 0 400 200">'
    '<path fill-rule="evenodd" d="M100 50 H300 V150 H100 Z M180 90 H220 V110 H180 Z"/></svg>'
)


@pytest.mark.parametrize(
    "size", ['width="400" height="200"', 'width="200mm" height="100mm"', 'width="100%" height="100%"', ""]
)
def test_an_svg_over_the_photo_whatever_size_it_is_shown_at(tmp_path: Path, size: str) -> None:
    handed = read_manual_outline(write(tmp_path / "o.svg", SVG.format(size=size)), is_mask=False)
    assert shape_of(handed.mask).symmetric_difference(TRUTH).area < 0.5


def test_an_svg_with_a_circle(tmp_path: Path) -> None:
    text = (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 400 200" width="400" height="200">'
        '<circle cx="200" cy="100" r="60"/></svg>'
    )
    handed = read_manual_outline(write(tmp_path / "o.svg", text), is_mask=False)
    assert shape_of(handed.mask).area == pytest.approx(np.pi * 60**2, rel=2e-3)


@pytest.mark.parametrize("wrap", ["Polygon", "MultiPolygon", "Feature", "FeatureCollection"])
def test_geojson_in_photo_pixels(tmp_path: Path, wrap: str) -> None:
    closed = [[*OUTER, OUTER[0]], [*HOLE, HOLE[0]]]
    polygon = {"type": "Polygon", "coordinates": closed}
    feature = {"type": "Feature", "properties": {}, "geometry": polygon}
    thing = {
        "Polygon": polygon,
        "MultiPolygon": {"type": "MultiPolygon", "coordinates": [closed]},
        "Feature": feature,
        "FeatureCollection": {"type": "FeatureCollection", "features": [feature]},
    }[wrap]
    handed = read_manual_outline(
        write(tmp_path / "o.geojson", json.dumps(thing)), is_mask=False, by="M. Example"
    )
    assert shape_of(handed.mask).symmetric_difference(TRUTH).area < 1e-6
    assert handed.manual.by == "M. Example"
    assert handed.manual.when is None
    assert len(handed.manual.sha256) == 64


def test_a_painted_mask(tmp_path: Path) -> None:
    mask = np.zeros((200, 400), np.uint8)
    mask[50:150, 100:300] = 255
    mask[90:110, 180:220] = 0
    Image.fromarray(mask).save(tmp_path / "m.png")
    handed = read_manual_outline(tmp_path / "m.png", is_mask=True)
    assert handed.size_px == (400, 200)
    assert shape_of(handed.mask).symmetric_difference(TRUTH).area < 4  # the contour cuts the eight corners


@pytest.mark.parametrize(
    ("name", "text", "error", "words"),
    [
        ("o.svg", "not xml", InputUnreadable, "isn't an SVG"),
        ("o.svg", '<!DOCTYPE x [<!ENTITY a "b">]><svg>&a;</svg>', InputUnreadable, "isn't an SVG"),
        ("o.svg", '<svg xmlns="http://www.w3.org/2000/svg"/>', UsageError, "no closed ring"),
        ("o.geojson", "{", InputUnreadable, "isn't GeoJSON"),
        ("o.geojson", '{"type": "Point", "coordinates": [1, 2]}', InputUnreadable, "isn't GeoJSON"),
        (
            "o.geojson",
            '{"type": "Polygon", "coordinates": [[[0, 0], [NaN, 1], [1, 1], [0, 0]]]}',
            InputUnreadable,
            "not finite",
        ),
        (
            "o.geojson",
            '{"type": "Polygon", "coordinates": [[[0, 0], [20, 20], [20, 0], [0, 10], [0, 0]]]}',
            UsageError,
            "crosses itself",
        ),
        ("o.dxf", "x", UsageError, "no outline format"),
    ],
)
def test_what_is_no_outline_is_told(
    tmp_path: Path, name: str, text: str, error: type[Exception], words: str
) -> None:
    with pytest.raises(error, match=words):
        read_manual_outline(write(tmp_path / name, text), is_mask=False)


def test_what_is_no_mask_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputUnreadable, match="isn't a picture"):
        read_manual_outline(write(tmp_path / "m.png", "text"), is_mask=True)
    Image.new("L", (40, 30)).save(tmp_path / "black.png")
    with pytest.raises(UsageError, match="holds no metal"):
        read_manual_outline(tmp_path / "black.png", is_mask=True)
