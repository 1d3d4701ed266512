"""Random photos are whole and come again; the doubles do what their names say."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from anodewane.errors import OutputNotWritable
from anodewane.files import write_atomic
from anodewane.records import FlatImage
from anodewane.testing import (
    EmptySegmenter,
    FixedSegmenter,
    FullSegmenter,
    NoiseSegmenter,
    RaisingSegmenter,
    UnwritableFolder,
    random_photos,
    random_template,
    random_wear,
)
from anodewane.testing.sets import SHAPES


@pytest.mark.slow
def test_the_same_seed_makes_the_same_photos_wherever_it_starts() -> None:
    first = list(random_photos(2, 3, width=504, height=378))
    again = list(random_photos(2, 3, first=1, width=504, height=378))
    assert len(again) == 1
    assert np.array_equal(first[1].rgb, again[0].rgb)
    assert first[1].truth == again[0].truth
    assert not np.array_equal(first[0].rgb, first[1].rgb)
    for photo in first:
        t = photo.truth
        assert t["part_in_frame"]
        assert t["sheet_in_frame"]
        assert 290 <= t["distance_mm"] <= 1100
        assert t["tilt_deg"] <= 30


def test_the_command_writes_what_it_promises(tmp_path: Path) -> None:
    from anodewane.testing.__main__ import main

    assert main([str(tmp_path / "out"), "--count", "1", "--seed", "5", "--width", "400"]) == 0
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == [
        "0000.jpg",
        "0000.metal.png",
        "0000.truth.json",
    ]
    truth = json.loads((tmp_path / "out" / "0000.truth.json").read_text())
    keys = (
        "part thickness_mm mount alloy rod volume_new_mm3 volume_mm3 area_new_mm2 area_mm2 outline_wkt "
        "consumed_area consumed_volume width height f35"
    )
    keys += " layout tilt_deg distance_mm part_in_frame sheet_in_frame face_ratio skirt_mm split"
    assert not set(keys.split()) - set(truth)  # what the trial photos' truth has


@pytest.mark.slow
@pytest.mark.parametrize("shape", SHAPES)
def test_every_shape_wastes_by_about_what_was_asked(shape: str) -> None:
    rng = np.random.default_rng(8)
    template = random_template(rng, shape)
    assert random_wear(rng, template, 0.4).consumed_volume == pytest.approx(0.4, abs=0.05)


def test_an_unknown_shape_is_refused() -> None:
    with pytest.raises(ValueError, match="shape: expected one of"):
        random_template(np.random.default_rng(0), "teapot")


def test_doubles() -> None:
    flat = FlatImage(
        np.zeros((40, 60, 3), np.uint8),
        np.ones((40, 60), bool),
        0.5,
        np.array([-14.75, 9.75]),
        np.zeros((40, 60)),
        np.zeros((40, 60)),
    )
    assert float(EmptySegmenter()(flat).metal_prob.max()) == 0
    assert float(FullSegmenter()(flat).metal_prob.min()) == 1
    noise = NoiseSegmenter(1)(flat).metal_prob
    assert 0.4 < float(noise.mean()) < 0.6
    assert np.array_equal(noise, NoiseSegmenter(1)(flat).metal_prob)
    square = FixedSegmenter([np.array([[-5, -5], [5, -5], [5, 5], [-5, 5]])])(flat)
    assert float(square.metal_prob.sum()) * 0.25 == pytest.approx(100, rel=0.06)
    with pytest.raises(MemoryError):
        RaisingSegmenter(MemoryError())(flat)


def test_an_unwritable_folder_refuses_even_root(tmp_path: Path) -> None:
    with UnwritableFolder(tmp_path) as folder, pytest.raises(OutputNotWritable):
        write_atomic(folder / "record.json", b"{}")
    assert not list(tmp_path.iterdir())
