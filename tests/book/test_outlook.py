"""What is gone at the next haul-out, months left, and whether the part lasts."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from anodewane.book.entries import HaulOut
from anodewane.book.outlook import MAX_MONTHS, months_ahead, months_to, outlook
from anodewane.book.rates import Fit, fit_all, months, of_part, series_of, spells
from anodewane.errors import UsageError
from anodewane.settings import BookRules, Settings
from made.book_entries import fitting, reading, winters

S, R = Settings(), BookRules()
FITTED = date(2021, 4, 10)
F = fitting("shaft port", FITTED)
FIT = Fit(rate=2.0, read_sd=0.4, rate_sd=0.5, months=12.0, now_pct=24.0, var=9.0, cov=0.8, var_month=0.3)


def fit_of(readings) -> Fit:
    haul_outs = winters(2020, 2025)
    in_water = spells(haul_outs, FITTED)
    series = series_of(F, in_water, of_part(F, readings, in_water[0].hauled_on), S, R)
    assert series is not None
    return fit_all([series], R)[0]


def test_months_left_is_where_the_line_meets_the_limit():
    assert months_to(FIT, 50, 1.645).value == pytest.approx(13.0)


@settings(deadline=None)
@given(
    st.floats(0.05, 8),
    st.floats(0, 49),
    st.floats(0.3, 100),
    st.floats(0, 1),
    st.floats(0.001, 1),
    st.sampled_from([30.0, 50.0, 75.0]),
    st.sampled_from([0.674, 1.645, 2.576]),
)
@example(
    rate=1.0, now=31.0, var=100.0, cov=0.0, var_month=1.0, limit=30.0, z=1.0
)  # 31 + 49.5 - sqrt(100 + 49.5^2) = 30
@example(
    rate=1.0, now=31.0, var=100.0, cov=0.0, var_month=1.001, limit=30.0, z=1.0
)  # the edge comes to the limit, and much later falls from it again
def test_the_ends_are_where_the_forecast_s_own_interval_meets_the_limit(
    rate, now, var, cov, var_month, limit, z
):
    """Put each end back into the forecast: there its edge must stand at the limit."""
    assume(cov * cov <= var * var_month)
    fit = Fit(rate, 0.1, 0.1, 12.0, now, var, cov, var_month)
    left = months_to(fit, limit, z)

    def edge(t: float, side: float) -> float:
        return now + rate * t + side * z * math.sqrt(var + 2 * cov * t + var_month * t * t)

    if left.low is not None:
        assert edge(left.low, +1) == pytest.approx(limit, abs=1e-6) or (
            left.low == 0 and edge(0, +1) >= limit
        )
    if left.high is not None:
        assert edge(left.high, -1) == pytest.approx(limit, abs=1e-6) or (
            left.high == 0 and edge(0, -1) >= limit
        )
    else:
        assert edge(MAX_MONTHS, -1) < limit + 1e-6
    ends = [math.inf if v is None else v for v in (left.low, left.value, left.high)]
    assert ends == sorted(ends)


def longer(v: float | None) -> float:
    return math.inf if v is None else v


@settings(deadline=None)
@given(
    st.lists(st.floats(0, 90), min_size=1, max_size=5),
    st.floats(0.1, 40),
    st.floats(4, 15),
)
def test_more_wear_never_leaves_more_months(gone, more, half_width):
    """The last reading alone read higher, by any amount: the forecast comes sooner or stays, and its
    early end stays before the forecast that was.

    The ends themselves needn't move the same way: [0, 8] % read as [0, 8.5] % lies otherwise about its
    line, which changes the doubt, and the early end then moves from 28.0 to 28.5 months while the
    forecast moves from 81.7 to 76.1.
    """
    gone = sorted(gone)
    days = [date(2021 + i, 10, 15) for i in range(len(gone))]
    higher = [*gone[:-1], min(gone[-1] + more, 100.0)]
    one, other = (
        fit_of([reading("shaft port", d, g, half_width) for d, g in zip(days, values, strict=True)])
        for values in (gone, higher)
    )
    first, second = months_to(one, 50, 1.645), months_to(other, 50, 1.645)
    assert longer(second.value) <= longer(first.value) + 1e-9
    assert longer(second.low) <= longer(first.value) + 1e-9


@settings(deadline=None)
@given(st.lists(st.floats(0, 60), min_size=1, max_size=5), st.floats(1.01, 2.0))
def test_a_higher_limit_leaves_more_months_and_more_hope(gone, factor):
    days = [date(2021 + i, 10, 15) for i in range(len(gone))]
    fit = fit_of([reading("shaft port", d, g) for d, g in zip(days, sorted(gone), strict=True)])
    low, high = (outlook(fit, days[-1], (6.0, 6.0), limit, 0.9) for limit in (40.0, 40.0 * factor))
    assert longer(high.months_left.value) >= longer(low.months_left.value)
    assert high.lasts >= low.lasts


def test_the_chance_is_that_of_a_simulation():
    """numpy draws parts by the fit's own means and covariance; the share under the limit is the stated
    chance, the middle nine tenths the interval."""
    rng = np.random.default_rng(3)
    drawn = rng.multivariate_normal(
        [FIT.now_pct, FIT.rate], [[FIT.var, FIT.cov], [FIT.cov, FIT.var_month]], size=200_000
    )
    at_next = drawn[:, 0] + 8.0 * drawn[:, 1]
    got = outlook(FIT, date(2022, 10, 15), (8.0, 8.0), 45.0, 0.9)
    assert got.lasts == pytest.approx(np.mean(at_next < 45), abs=0.005)
    ends = got.consumed_at_next_pct
    assert [ends.low, ends.value, ends.high] == pytest.approx(
        np.quantile(at_next, [0.05, 0.5, 0.95]), abs=0.15
    )


def test_no_wear_foretells_nothing():
    left = months_to(replace(FIT, rate=-0.1, now_pct=0.5), 50, 1.645)
    assert left.value is None
    assert left.high is None
    assert (
        outlook(
            replace(FIT, rate=-0.1, now_pct=-2.0), date(2022, 10, 15), (6.0, 6.0), 50, 0.9
        ).consumed_at_next_pct.low
        == 0
    )


def test_past_the_limit_there_is_nothing_left():
    left = months_to(replace(FIT, now_pct=80.0), 50, 1.645)
    assert (left.value, left.low, left.high) == (0.0, 0.0, 0.0)


def test_the_next_spell_is_as_long_as_the_last_one_or_as_told():
    boat = (*winters(2020, 2021), HaulOut("Gannet", date(2022, 9, 15), date(2023, 5, 1)))
    boat = (replace(boat[0]), HaulOut("Gannet", date(2021, 10, 15), date(2022, 4, 15)), boat[-1])
    last = months(date(2022, 4, 15), date(2022, 9, 15))
    assert months_ahead(boat, FITTED, date(2022, 9, 15)) == pytest.approx((last, last))
    told = months(date(2023, 5, 1), date(2023, 12, 1))
    assert months_ahead(boat, FITTED, date(2022, 9, 15), date(2023, 12, 1)) == pytest.approx((told, told))
    # not looked at when hauled last: that spell comes on top
    assert months_ahead(boat, FITTED, date(2021, 10, 15)) == pytest.approx((2 * last, last))


def test_a_boat_that_stands_ashore_is_taken_to_be_launched_at_once():
    assert months_ahead(winters(2020, 2021), FITTED, date(2021, 10, 15), date(2022, 10, 15))[
        0
    ] == pytest.approx(months(date(2021, 10, 15), date(2022, 10, 15)))


def test_a_next_haul_out_in_the_past_is_refused():
    with pytest.raises(UsageError, match="isn't after the last one of 'Gannet'"):
        months_ahead(winters(2020, 2021), FITTED, date(2021, 10, 15), date(2021, 10, 15))
