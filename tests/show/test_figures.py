"""One rounding for every surface."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal

from hypothesis import given
from hypothesis import strategies as st

from anodewane.record import Interval
from anodewane.show.figures import number, percent, percent_and_span, span

SHARES = st.floats(-20, 120)


@given(SHARES)
def test_a_judgement_and_its_record_give_the_same_figure(pct: float) -> None:
    """The record keeps two decimals; what is told of both is the same."""
    assert percent(pct) == percent(round(pct, 2))


@given(st.integers(-2000, 12000))
def test_halves_go_away_from_nought_as_decimal_arithmetic_has_it(hundredths: int) -> None:
    exact = Decimal(hundredths) / 100
    whole = exact.quantize(Decimal(1), ROUND_HALF_UP)
    assert number(hundredths / 100) == (str(whole) if whole else "0")


@given(st.floats(-0.5, 0.5), st.integers(0, 2))
def test_nought_has_no_sign(value: float, digits: int) -> None:
    text = number(value, digits)
    assert text.strip("0.") == "" or float(text) != 0, text
    assert not (text.startswith("-") and float(text) == 0)


def test_intervals_in_words() -> None:
    gone = Interval(39.5, -0.4, 55.49)
    assert percent(gone) == "40 %"
    assert span(gone) == "0 to 55 %"
    assert percent_and_span(gone) == "40 % (0 to 55)"
    assert number(-1.25, 1, minus="\N{MINUS SIGN}", decimal=",") == "\N{MINUS SIGN}1,3"
