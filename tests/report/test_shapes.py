"""Flattened photos are at true scale, wear round the outline is the record's own, hatching stays where
metal is gone."""

from __future__ import annotations

import json

import numpy as np
import pytest
import shapely

from anodewane.catalog.templates import builtin_templates
from anodewane.report.shapes import (
    gone_shape,
    hatch_lines,
    lay_flat,
    new_shape,
    recession_round,
    rings_of,
    shape_of,
    worn_shape,
)
from anodewane.show.record_json import verdict_from_json, verdict_to_json
from made.report_samples import Judged


def test_the_flat_part_is_as_large_as_the_template_says(judged_samples: Judged) -> None:
    """Against the template's own hole pitch, which wear doesn't move and which the flattening doesn't
    use: 80 mm between the holes of the plate."""
    verdict = judged_samples.verdicts["watch"]
    flat = lay_flat(verdict)
    assert flat is not None
    assert flat.in_part_plane
    new = builtin_templates()["plate-120x60x16-2holes"]
    want = np.linalg.norm(np.ptp([np.mean(r, axis=0) for r in new.rings[1:]], axis=0))
    holes = [shapely.Polygon(r).centroid for r in flat.left[1:] if shapely.Polygon(r).area > 40]
    assert len(holes) == 2
    assert holes[0].distance(holes[1]) == pytest.approx(want, rel=0.01)


def test_the_flat_part_lies_as_in_its_template(judged_samples: Judged) -> None:
    """Its long side along x, and the record's own outline on top of it to a few millimetres (edges are
    seen at several heights)."""
    for name in ("replace", "watch", "turned"):
        verdict = judged_samples.verdicts[name]
        flat = lay_flat(verdict)
        assert flat is not None
        assert flat.flat_from_part is not None
        moved = shapely.transform(worn_shape(verdict), flat.flat_from_part.apply)
        both = shape_of(flat.left)
        assert both.intersection(moved).area / both.union(moved).area > 0.95, name


def test_a_part_that_lies_on_its_other_face_is_laid_flat_too(judged_samples: Judged) -> None:
    """The same record as if the template had been drawn mirrored: the motion is then a reflection,
    whose angle the pipeline writes in its own way."""
    plain = json.loads(verdict_to_json(judged_samples.verdicts["replace"]))
    angle = np.radians(plain["template"]["angle_deg"])
    motion = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]) @ np.diag(
        [1.0, -1.0]
    )
    plain["template"].update(
        mirrored=True, angle_deg=float(np.degrees(np.arctan2(motion[1, 0], -motion[0, 0])))
    )  # as `pipeline._template` does
    plain["outline"]["part_mm"] = [[[x, -y] for x, y in ring] for ring in plain["outline"]["part_mm"]]
    straight, mirrored = (
        lay_flat(judged_samples.verdicts["replace"]),
        lay_flat(verdict_from_json(json.dumps(plain))),
    )
    assert straight is not None
    assert mirrored is not None
    assert straight.off_mm is not None
    assert straight.off_mm < 2.0
    assert mirrored.off_mm == pytest.approx(straight.off_mm, abs=0.05)


def test_wear_round_the_outline_is_the_record_s(judged_samples: Judged) -> None:
    for name in ("replace", "watch", "turned"):
        verdict = judged_samples.verdicts[name]
        assert verdict.template is not None
        assert verdict.recession_mm is not None
        template = builtin_templates()[verdict.template.name]
        way, depth, _ = recession_round(template, worn_shape(verdict))
        assert depth.max() == pytest.approx(verdict.recession_mm.max, abs=0.1)
        assert depth.mean() == pytest.approx(verdict.recession_mm.mean, abs=0.1)
        assert way[0] == 0
        assert (np.diff(way) > 0).all()


def test_recession_of_a_square_shrunk_by_two_is_two() -> None:
    """By hand: along straight sides the nearest metal lies 2 mm in; at the corners 2 sqrt 2."""
    template = builtin_templates()["plate-120x60x16-2holes"]
    worn = new_shape(template).buffer(-2.0)
    _, depth, _ = recession_round(template, worn)
    assert np.median(depth) == pytest.approx(2.0, abs=0.01)
    assert depth.max() <= 2 * np.sqrt(2) + 0.01


def test_hatching_lies_in_what_is_gone() -> None:
    new = shapely.box(0, 0, 60, 40)
    gone = gone_shape(new, new.buffer(-5))
    lines = hatch_lines(gone, 2.0)
    assert len(lines) > 20
    assert all(gone.buffer(0.01).contains(shapely.LineString(line)) for line in lines)
    length = sum(shapely.LineString(line).length for line in lines)
    # lines x - y = 2 k lie sqrt 2 apart, so they cover area / spacing of length
    assert length == pytest.approx(gone.area / np.sqrt(2), rel=0.03)


def test_pieces_and_holes_count_even_odd() -> None:
    rings = [shapely.box(0, 0, 10, 10), shapely.box(2, 2, 4, 4), shapely.box(20, 0, 25, 5)]
    shape = shape_of([np.asarray(r.exterior.coords)[:-1] for r in rings])
    assert shape.area == pytest.approx(100 - 4 + 25)
    assert len(rings_of(shape)) == 3


@pytest.mark.parametrize(
    "corners",
    [
        [[0.0, 0.0]] * 4,
        [[0.0, 0.0], [100.0, 0.0], [200.0, 0.0], [300.0, 0.0]],
        [[0.0, 0.0], [1e-3, 0.0], [1e-3, 1e-3], [0.0, 1e-3]],
    ],
)
def test_a_sheet_that_makes_no_sense_gives_no_picture(
    corners: list[list[float]], judged_samples: Judged
) -> None:
    plain = json.loads(verdict_to_json(judged_samples.verdicts["watch"]))
    plain["scale"]["sheet_photo_px"] = corners
    assert lay_flat(verdict_from_json(json.dumps(plain))) is None


def test_a_refused_photo_gives_no_true_scale(judged_samples: Judged) -> None:
    flat = lay_flat(judged_samples.verdicts["refuse"])
    assert flat is None or not flat.in_part_plane
