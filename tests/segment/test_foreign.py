"""What is no metal is refused, and what may lie by a part isn't. Soft masks drawn here exactly."""

from __future__ import annotations

import numpy as np
import pytest

from anodewane.errors import CannotJudge
from anodewane.records import SoftMask
from anodewane.segment.foreign import (
    MIN_FOREIGN_MM2,
    foreign_shares,
    foreign_thing_mm2,
    refuse_if_foreign,
    refuse_if_strange,
)

N, MM = 100, 0.5
PART = (30, 30, 70, 60)  # 40 x 30 px


def box(x0, y0, x1, y1):
    mask = np.zeros((N, N), np.float32)
    mask[y0:y1, x0:x1] = 0.95
    return mask


def soft(metal, foreign):
    return SoftMask(metal, MM, np.zeros(2), "test", None, foreign)


def refusal(metal, foreign):
    with pytest.raises(CannotJudge) as refused:
        refuse_if_foreign(soft(metal, foreign), metal > 0.5)
    return refused.value


def test_areas_and_shares_are_those_that_were_drawn():
    strap = np.maximum(box(10, 40, 30, 50), box(70, 40, 90, 50))  # 2 x 200 px at the part's ends
    within, beside = foreign_shares(soft(box(*PART), strap), box(*PART) > 0.5)
    assert within == 0 and beside == pytest.approx(400 / 1200)
    assert foreign_thing_mm2(soft(box(*PART), strap)) == pytest.approx(200 * MM**2)
    within, _ = foreign_shares(soft(box(*PART), box(30, 30, 50, 60)), box(*PART) > 0.5)
    assert within == pytest.approx(0.5)


def test_a_strapped_part_and_a_rag_beside_it_are_judged():
    refuse_if_foreign(soft(box(*PART), box(10, 40, 30, 50)), box(*PART) > 0.5)
    refuse_if_foreign(soft(box(*PART), box(0, 70, 100, 100)), box(*PART) > 0.5)


def test_a_bright_spot_on_something_foreign_is_not_metal():
    spot = box(45, 45, 55, 55)
    assert refusal(spot, np.clip(box(20, 20, 80, 80) - spot, 0, 1)).code == "not_metal"
    assert refusal(spot, box(60, 10, 100, 90)).code == "not_metal"  # it needn't touch
    assert refusal(box(*PART), box(30, 30, 50, 60)).code == "not_metal"  # half of it is both


def test_where_nothing_is_metal_a_foreign_thing_is_named_and_a_leaf_is_not():
    nothing = np.zeros((N, N), np.float32)
    with pytest.raises(CannotJudge, match="not_metal"):
        refuse_if_strange(soft(nothing, box(20, 20, 60, 60)))
    side = int(np.sqrt(MIN_FOREIGN_MM2) / MM) - 1
    refuse_if_strange(soft(nothing, box(20, 20, 20 + side, 20 + side)))


def test_a_segmenter_that_can_not_tell_refuses_nothing():
    unknown = SoftMask(box(*PART), MM, np.zeros(2), "test", None)
    refuse_if_foreign(unknown, box(*PART) > 0.5)
    refuse_if_strange(unknown)
