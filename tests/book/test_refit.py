"""The refit check: right template, new, same alloy."""

from __future__ import annotations

from dataclasses import replace

import pytest

from anodewane.book.refit import check_refit
from anodewane.catalog.templates import load_template
from anodewane.record import Consumed, Interval, Reason
from anodewane.settings import Settings
from anodewane.wear.metals import METALS
from anodewane.wear.solids import new_mass_g, new_volume
from made.hand_made import judged, refused

S = Settings()
PLATE = load_template("plate-150x75x20-2slots")


def photo(gone: float = 0.4, half_width: float = 3.0, area: float = 0.1, name: str = PLATE.name):
    made = judged(
        consumed=Consumed(
            Interval(area, area - 1, area + 1), Interval(gone, gone - half_width, gone + half_width), 0.9
        )
    )
    assert made.template is not None
    return replace(made, verdict="ok", template=replace(made.template, name=name))


def codes(check) -> list[str]:
    return [r.code for r in check.reasons]


def test_a_new_part_gives_the_baseline():
    check = check_refit(photo(), PLATE, S, alloy_before="zinc", weighed_new_g=new_mass_g(PLATE))
    assert check.passed
    assert codes(check) == ["refit_right"]
    assert check.baseline_pct == Interval(0.4, -2.6, 3.4)


def test_a_photo_can_t_tell_the_alloy_and_says_so():
    check = check_refit(photo(), PLATE, S)
    assert check.passed
    assert codes(check) == ["refit_right", "refit_alloy_unseen"]


def test_another_part():
    assert codes(check_refit(photo(name="rod-220x40"), PLATE, S))[0] == "refit_other_part"
    assert check_refit(photo(name="rod-220x40"), PLATE, S).baseline_pct is None
    wrong = refused(
        reasons=(
            Reason(
                "template_does_not_fit",
                "The template doesn't fit the part (24 % of it outside).",
                "Choose the right template.",
            ),
        )
    )
    check = check_refit(wrong, PLATE, S)
    assert check.passed is False
    assert codes(check)[0] == "refit_other_part"
    assert "24 % of it outside" in check.reasons[0].message
    larger = check_refit(photo(area=-6), PLATE, S)
    assert codes(larger)[0] == "refit_other_part"


def test_a_used_part_fitted_as_new():
    check = check_refit(photo(gone=22), PLATE, S)
    assert check.passed is False
    assert codes(check)[0] == "refit_worn"
    assert check.baseline_pct is not None


def test_a_photo_that_can_t_be_judged_proves_nothing():
    check = check_refit(refused(), PLATE, S)
    assert check.passed is None
    assert check.baseline_pct is None
    assert "no_sheet" in codes(check)


@pytest.mark.parametrize("alloy", ["aluminium", "magnesium"])
def test_scales_tell_another_alloy(alloy):
    """The same casting in another metal, weighed by volume and handbook density."""
    grams = new_volume(PLATE) / 1000 * METALS[alloy].density_g_cm3
    check = check_refit(photo(), PLATE, S, weighed_new_g=grams)
    assert check.passed is False
    assert codes(check) == ["refit_other_alloy"]
    assert f"as {alloy} would" in check.reasons[0].message


def test_an_alloy_unlike_the_one_before():
    check = check_refit(photo(), PLATE, S, alloy_before="aluminium", weighed_new_g=new_mass_g(PLATE) * 1.04)
    assert check.passed is False
    assert codes(check) == ["refit_other_alloy"]


def test_a_casting_s_tolerance_is_no_other_alloy():
    for factor in (0.95, 1.05):
        assert check_refit(photo(), PLATE, S, weighed_new_g=factor * new_mass_g(PLATE)).passed
