"""Whether a part can have come from a template: what no wear explains, and what does."""

from __future__ import annotations

import pytest
import shapely

from anodewane.stages.placing.which import answer_of, is_confirmed, why_not
from made.exact_views import placed, plate, template_shape, waste

HOLES = ((-35, 0, 11), (35, 0, 11))
BAR = plate(shapely.box(-75, -25, 75, 25), thickness_mm=20.0, holes=HOLES)


def worn(depth: float):
    return waste(template_shape(BAR), depth)


def held(template, plan, anchored_by="outline"):
    laid, _, _ = placed(template, plan, 15.0, anchored_by=anchored_by)
    return laid, answer_of(laid)


@pytest.mark.parametrize("depth", [0.0, 2.0, 5.0, 9.0])
def test_a_part_answers_to_its_own_template_whatever_is_gone(depth: float) -> None:
    laid, answer = held(BAR, worn(depth))
    assert (answer.drawn, answer.met, answer.filled, answer.stray) == (2, 2, 0, 0)
    assert answer.median_mm == pytest.approx(depth, abs=0.3)
    assert why_not(laid, answer) is None
    assert is_confirmed(laid, answer) == (depth < 6)


def test_a_larger_template_would_have_wasted_as_nothing_does() -> None:
    larger = plate(shapely.box(-140, -70, 140, 70), thickness_mm=20.0, holes=((-90, 0, 11), (90, 0, 11)))
    laid, answer = held(larger, worn(2.0))
    assert "receded by" in (why_not(laid, answer) or "")
    longer = plate(shapely.box(-75, -25, 190, 25), thickness_mm=40.0, holes=HOLES)
    laid, answer = held(longer, worn(2.0))
    assert not is_confirmed(laid, answer)


def test_metal_in_a_worn_parts_holes_is_another_part() -> None:
    plan = shapely.Polygon(worn(5.0).exterior)
    laid, answer = held(BAR, plan)
    assert answer.filled == 2
    assert "holes" in (why_not(laid, answer) or "")
    # a new part's holes may be full of dirt, or of its bolts
    laid, answer = held(BAR, shapely.Polygon(template_shape(BAR).exterior))
    assert why_not(laid, answer) is None and not is_confirmed(laid, answer)


def test_a_hole_too_many_is_not_confirmed() -> None:
    laid, answer = held(BAR, worn(2.0).difference(shapely.Point(0, 0).buffer(6)))
    assert answer.stray == 1
    assert not is_confirmed(laid, answer)
