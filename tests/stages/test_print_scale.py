"""What edges say of the print scale, against paper sizes of ISO 216:2007 and ANSI/ASME Y14.1."""

from __future__ import annotations

import numpy as np
import pytest

from anodewane.catalog.papers import HABITS, PAPERS
from anodewane.catalog.sheets import all_layouts
from anodewane.records import PaperEdge
from anodewane.stages.print_scale import tell_print_scale

LAYOUTS = all_layouts()
INCH = 25.4


def around(wide, high, scale=1.0, shift=(0.0, 0.0), sides=("left", "right", "bottom", "top")):
    """Edges of paper of this size round a pattern printed at `scale`, `shift` mm off its centre."""
    at = {
        "left": wide / 2 + shift[0],
        "right": wide / 2 - shift[0],
        "bottom": high / 2 + shift[1],
        "top": high / 2 - shift[1],
    }
    return tuple(PaperEdge(s, at[s] / scale, 0.0, 0.15, 1.0, 0.6) for s in sides)


def spread(found, level):
    """Two-sided bounds of the true over the assumed scale."""
    rng = np.random.default_rng(1)
    parts = found.parts
    pick = rng.choice(len(parts), 100_000, p=np.array([p.weight for p in parts]))
    draws = rng.normal(np.array([p.ratio for p in parts])[pick], np.array([p.sd_frac for p in parts])[pick])
    return np.quantile(draws, [(1 - level) / 2, (1 + level) / 2])


def test_sizes_are_those_of_the_standards():
    sides = {p.name: (p.short_mm, p.long_mm) for p in PAPERS}
    assert sides["A5"] == (148, 210) and sides["A4"] == (210, 297) and sides["A3"] == (297, 420)  # ISO 216
    assert sides["US Letter"] == pytest.approx((8.5 * INCH, 11 * INCH))  # ANSI/ASME Y14.1
    assert sum(h.weight for h in HABITS) == pytest.approx(1.0)


@pytest.mark.parametrize("scale", [0.94, 0.955, 0.97, 1.0, 1.03])
@pytest.mark.parametrize(("name", "size"), [("card", (210, 148)), ("mat-a4", (297, 210))])
def test_all_four_edges_tell_any_scale(name, size, scale):
    found = tell_print_scale(around(*size, scale, (1.5, -2.0)), LAYOUTS[name], 0.003)
    assert found.source == "paper"
    assert (found.x, found.y) == (pytest.approx(scale, rel=0.003), pytest.approx(scale, rel=0.003))
    assert found.sd_frac < 0.003
    assert (found.cause is None) == (scale == 1.0)


def test_two_opposite_edges_are_enough_wherever_the_page_sits():
    for sides in (("left", "right"), ("bottom", "top")):
        found = tell_print_scale(around(297, 210, 0.97, (2.0, 1.5), sides), LAYOUTS["mat-a4"], 0.003)
        assert found.source == "paper" and found.x == pytest.approx(0.97, rel=0.004)


def test_without_edges_every_scale_from_94_to_103_is_possible():
    found = tell_print_scale((), LAYOUTS["card"], 0.003)
    assert (found.x, found.y, found.source) == (1.0, 1.0, "assumed")
    low, high = spread(found, 0.90)
    assert low < 0.945 and high > 1.015


def test_a_sheet_cut_by_hand_keeps_its_doubt():
    found = tell_print_scale(around(203, 141), LAYOUTS["card"], 0.003)
    # 203 x 141 mm: no one scale makes A5 of both (103.4 and 105.0 %)
    assert found.source == "assumed"
    low, high = spread(found, 0.90)
    assert low < 1.0 and high > 1.035


def test_a_card_on_uncut_a4_is_known_for_what_it_is():
    found = tell_print_scale(around(210, 297), LAYOUTS["card"], 0.003)
    assert found.paper == "A4" and found.x == pytest.approx(1.0, rel=0.003) and found.cause is None


def test_an_a5_sheet_blown_up_to_a4_stays_possible():
    """Enlarged by the square root of two the paper's edges fall where A5's would: ISO 216's sizes are
    alike."""
    found = tell_print_scale(around(210, 148), LAYOUTS["card"], 0.003)
    assert any(abs(p.ratio - 2**0.5) < 0.01 for p in found.parts)


def test_a_measured_line_goes_before_the_paper_which_may_contradict_it():
    edges = around(210, 148, 0.97)
    agreed = tell_print_scale(edges, LAYOUTS["card"], 0.003, (0.972, 0.971, 0.003))
    assert (agreed.x, agreed.y, agreed.source, agreed.contradiction) == (0.972, 0.971, "measured", None)
    against = tell_print_scale(edges, LAYOUTS["card"], 0.003, (1.0, 1.0, 0.003))
    assert against.x == 1.0 and "97.0 %" in (against.contradiction or "")


def test_x_and_y_may_differ_a_little():
    wide, high = (210 / 0.972, 148 / 0.968)
    edges = tuple(
        PaperEdge(s, mm / 2, 0.0, 0.15, 1.0, 0.6)
        for s, mm in (("left", wide), ("right", wide), ("bottom", high), ("top", high))
    )
    found = tell_print_scale(edges, LAYOUTS["card"], 0.003)
    assert 0.968 < found.y < found.x < 0.972
