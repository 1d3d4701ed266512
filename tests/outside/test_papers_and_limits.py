"""Paper sizes by ISO 216's rule, and the defaults that rest on published practice."""

from __future__ import annotations

import math

import pytest

from anodewane.catalog.sheets import DESIGNS
from anodewane.settings import Settings


def iso_a(n):
    """ISO 216: A0 has an area of 1 m2 and sides as 1 to the root of 2, to the millimetre; each next
    size halves the longer side, fractions dropped."""
    short, long = round(1000 / 2**0.25), round(1000 * 2**0.25)
    for _ in range(n):
        short, long = math.floor(long / 2), short
    return long, short


def test_the_rule_gives_the_sizes_that_the_standard_prints():
    assert iso_a(0) == (1189, 841)
    assert iso_a(4) == (297, 210)


@pytest.mark.parametrize(("sheet", "n"), [("card", 5), ("mat-a4", 4)])
def test_sheets_have_iso_216_sizes(sheet, n):
    assert (DESIGNS[sheet].width_mm, DESIGNS[sheet].height_mm) == iso_a(n)


def test_letter_is_eight_and_a_half_by_eleven_inches():
    # ANSI/ASME Y14.1, size A
    assert (DESIGNS["mat-letter"].width_mm, DESIGNS["mat-letter"].height_mm) == (
        pytest.approx(11 * 25.4),
        pytest.approx(8.5 * 25.4),
    )


def test_the_limit_is_half_of_the_mass_and_says_so():
    """Practical Sailor: replace when the mass is "reduced to one-half"; BoatUS's seamanship tip says
    the same (read in a transcription). Common practice."""
    settings = Settings()
    assert settings.limit_pct == 50.0
    assert "half of the mass" in settings.basis
    # Published limits run from 30 to 80 % of the mass consumed.
    assert 30 <= settings.limit_pct <= 80


def test_the_other_published_limit_can_be_set():
    """NAVFAC MO-124 (1987), 8.3.3: less than 25 percent of its original weight remains, for moorings
    with planned access."""
    assert (
        Settings(
            limit_pct=100.0 - 25.0, basis="less than 25 % of the weight remains (NAVFAC MO-124)"
        ).limit_pct
        == 75.0
    )


def test_watching_begins_before_the_limit():
    """30 %: common practice, no published source; it must lie below the limit and above what a new
    casting may scatter."""
    settings = Settings()
    assert settings.no_wear_below_pct < settings.monitor_from_pct < settings.limit_pct


def test_no_wear_is_claimed_within_a_casting_s_scatter():
    """A new casting is good to 3 to 5 % of its mass (NACE SP0387 and DNV tolerances, both from memory)."""
    assert 3.0 <= Settings().no_wear_below_pct <= 5.0
