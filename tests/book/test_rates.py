"""Wear a month: spells, series, the fit and its doubt."""

from __future__ import annotations

from dataclasses import astuple, replace
from datetime import date
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from anodewane.book.entries import HaulOut
from anodewane.book.rates import Fit, Series, fit_all, months, of_part, series_of, spells
from anodewane.settings import BookRules, Settings
from made.book_entries import NEW_G, fitting, reading, wear_rate, winters

S, R = Settings(), BookRules()
F = fitting("shaft port", date(2021, 4, 10))


def series(t, pct, own=2.0, offset=0.0, common=0.0, face=0.0) -> Series:
    n = len(t)
    steps = np.diff([0.0, *t])
    columns = [np.broadcast_to(np.asarray(v, float), n) for v in (own, offset, common, face)]
    sd = np.sqrt(sum(c**2 for c in columns))
    return Series(
        tuple(t), tuple(np.cumsum(steps**2)), tuple(pct), *(tuple(c) for c in columns), tuple(sd), (), False
    )


def test_a_month_is_a_twelfth_of_a_julian_year():
    assert months(date(2024, 2, 1), date(2024, 3, 1)) == pytest.approx(
        29 / 30.4375
    )  # a leap year's February has its day
    assert months(date(2023, 2, 1), date(2023, 3, 1)) == pytest.approx(28 / 30.4375)
    assert months(date(2016, 1, 1), date(2026, 1, 1)) == pytest.approx(120, abs=0.1)


@settings(deadline=None)
@given(st.dates(date(1990, 1, 1), date(2060, 1, 1)), st.integers(0, 4000), st.integers(0, 4000))
def test_months_add_up(start, a, b):
    middle, end = date.fromordinal(start.toordinal() + a), date.fromordinal(start.toordinal() + a + b)
    assert months(start, middle) + months(middle, end) == pytest.approx(months(start, end))


def test_spells_run_from_launch_to_haul_out():
    got = spells(winters(2020, 2023), date(2021, 4, 10))
    assert [(s.launched_on, s.hauled_on) for s in got] == [
        (date(y, 4, 15), date(y, 10, 15)) for y in (2021, 2022, 2023)
    ]
    assert all(s.launch_known for s in got)
    assert spells(tuple(reversed(winters(2020, 2023))), date(2021, 4, 10)) == got


def test_a_part_fitted_afloat_wears_from_that_day():
    assert spells(winters(2020, 2021), date(2021, 7, 1))[0].launched_on == date(2021, 7, 1)


def test_a_launch_that_nobody_entered_is_told():
    first = spells((HaulOut("Gannet", date(2021, 10, 15)),), date(2021, 4, 10))
    assert [(s.launched_on, s.launch_known) for s in first] == [(date(2021, 4, 10), False)]
    gap = (HaulOut("Gannet", date(2021, 10, 15), None), HaulOut("Gannet", date(2022, 10, 15), None))
    assert [(s.launched_on, s.launch_known) for s in spells(gap, date(2021, 4, 10))][1] == (
        date(2021, 10, 15),
        False,
    )
    rate = wear_rate(F, gap, (reading("shaft port", date(2022, 10, 15), 30),), S, R)
    assert rate is not None
    assert rate.launch_assumed


def test_readings_go_to_the_part_that_sat_there():
    old, new = replace(F, removed_on=date(2022, 10, 15)), fitting("shaft port", date(2023, 4, 10))
    last, as_fitted, later = (
        reading("shaft port", date(2022, 10, 15), 60),
        reading("shaft port", date(2022, 10, 15), 1, kind="refit"),
        reading("shaft port", date(2023, 10, 15), 20),
    )
    every = (later, as_fitted, last, reading("shaft starboard", date(2023, 10, 15), 70))
    assert of_part(old, every, date(2021, 10, 15)) == (last,)
    assert of_part(new, every, date(2023, 10, 15)) == (as_fitted, later)


def test_one_reading_is_points_over_months():
    rate = wear_rate(F, winters(2020, 2021), (reading("shaft port", date(2021, 10, 15), 24),), S, R)
    assert rate is not None
    t = months(date(2021, 4, 15), date(2021, 10, 15))
    assert rate.points_per_month.value == pytest.approx(24 / t)
    assert rate.grams_per_month is not None
    assert rate.grams_per_month.value == pytest.approx(24 / t * NEW_G / 100)
    # the reading's own interval; what another season may bring isn't in it
    half = (rate.points_per_month.high - rate.points_per_month.low) / 2
    assert half == pytest.approx(8 / t, rel=1e-3)
    assert (rate.n_readings, rate.season, rate.current_ma, rate.launch_assumed) == (1, None, None, False)


def test_nothing_to_say_without_time_in_the_water():
    assert wear_rate(F, (), (), S, R) is None
    assert wear_rate(F, winters(2020, 2021), (reading("shaft port", date(2021, 10, 15), None),), S, R) is None
    assert (
        wear_rate(F, winters(2020, 2020), (reading("shaft port", date(2020, 10, 15), 1, kind="refit"),), S, R)
        is None
    )


def test_a_template_s_error_doesn_t_average_away():
    """Nine readings of one part: what is each photo's own shrinks, what all share stays."""
    t = np.arange(1, 10) * 6.0
    still = replace(R, season_sd_frac=0.0)
    own = fit_all([series(t[:1], t[:1] * 3), series(t, t * 3)], still)
    assert own[1].rate_sd < own[0].rate_sd / 10
    face = fit_all(
        [
            series(t[:1], t[:1] * 3, own=0.3, face=0.2 * t[:1] * 3),
            series(t, t * 3, own=0.3, face=0.2 * t * 3),
        ],
        still,
    )
    assert face[0].rate_sd == pytest.approx(0.2 * 3, rel=0.02)
    assert face[1].rate_sd == pytest.approx(0.2 * 3, rel=0.01)


def test_without_a_budget_all_doubt_is_common():
    days = [date(y, 10, 15) for y in range(2021, 2027)]
    haul_outs = winters(2020, 2026)
    still = replace(R, season_sd_frac=0.0, baseline_sd_pct=0.0)
    with_budget = [reading("shaft port", d, 4.0 * (i + 1)) for i, d in enumerate(days)]
    without = [replace(r, budget=()) for r in with_budget]
    sd = []
    for readings in (with_budget, without):
        rate = wear_rate(F, haul_outs, readings, S, still)
        assert rate is not None
        sd.append(rate.points_per_month.high - rate.points_per_month.low)
    assert sd[1] > sd[0]


def test_a_photo_as_fitted_takes_the_casting_off():
    """It reads 2 % gone of a part of which nothing is gone: later readings are that much too high, as
    far as the photo itself can be trusted."""
    wear = reading("shaft port", date(2021, 10, 15), 24)
    haul_outs = winters(2020, 2021)
    plain = wear_rate(F, haul_outs, (wear,), S, R)
    sharp = reading(
        "shaft port", date(2020, 10, 15), 2.0, 3.5, kind="refit", budget=(("edge", 0.4), ("casting", 2.0))
    )
    based = wear_rate(F, haul_outs, (sharp, wear), S, R)
    assert plain is not None
    assert based is not None
    t = based.months
    assert 22 < based.points_per_month.value * t < 23.5
    assert (
        based.points_per_month.high - based.points_per_month.low
        < plain.points_per_month.high - plain.points_per_month.low
    )
    assert based.n_readings == 1


def test_scales_count_for_more_than_photos():
    days = (date(2021, 10, 15), date(2022, 10, 15))
    seen = [reading("shaft port", days[0], 30, 12), reading("shaft port", days[1], 60, 14)]
    weighed = [
        seen[0],
        reading("shaft port", days[1], 40, 4, weighed_g=900, budget=(("casting", 2.2), ("scales", 0.13))),
    ]
    by_photo, by_scales = (wear_rate(F, winters(2020, 2022), r, S, R) for r in (seen, weighed))
    assert by_photo is not None
    assert by_scales is not None
    assert by_scales.points_per_month.value * by_scales.months == pytest.approx(42, abs=3)
    assert by_photo.points_per_month.value > by_scales.points_per_month.value


def test_a_part_weighed_new_and_worn_needs_no_template():
    part = replace(F, new_mass_g=1600.0)
    r = reading(
        "shaft port", date(2021, 10, 15), 24, 5, weighed_g=1200.0, budget=(("casting", 2.5), ("scales", 0.1))
    )
    got = series_of(part, spells(winters(2020, 2021), part.fitted_on), (r,), S, R)
    assert got is not None
    assert got.pct == (25.0,)
    assert got.sd[0] < 0.5
    # nor a photo that could be judged
    blurred = replace(r, status="cannot_judge", consumed_pct=None, area_pct=None, verdict=None)
    again = series_of(part, spells(winters(2020, 2021), part.fitted_on), (blurred,), S, R)
    assert again is not None
    assert again.pct == got.pct


@settings(deadline=None)
@given(st.permutations(range(5)))
def test_the_order_of_the_readings_doesn_t_matter(order):
    days = [date(y, 10, 15) for y in range(2021, 2026)]
    readings = [reading("shaft port", d, 5.0 + 7 * i) for i, d in enumerate(days)]
    haul_outs = list(winters(2020, 2025))
    Random(1).shuffle(haul_outs)
    assert wear_rate(F, haul_outs, [readings[i] for i in order], S, R) == wear_rate(
        F, winters(2020, 2025), readings, S, R
    )


def test_the_forecast_holds_what_it_says():
    """Parts that wear as the model says, 3 readings each: nine in ten true wears of the next season lie
    in the interval. numpy draws the errors."""
    rng = np.random.default_rng(8)
    n, t = 3000, np.array([6.0, 12.0, 18.0])
    true_rate = rng.uniform(1, 3, n)
    per_season = true_rate[:, None] * 6 * (1 + R.season_sd_frac * rng.standard_normal((n, 4)))
    true = np.cumsum(per_season, axis=1)
    face_frac, own, offset = 0.2, 1.5, 2.0
    read = (
        true[:, :3] * (1 + face_frac * rng.standard_normal((n, 1)))
        + offset * rng.standard_normal((n, 1))
        + own * rng.standard_normal((n, 3))
    )
    fits = fit_all([series(t, y, own=own, offset=offset, face=face_frac * np.abs(y)) for y in read], R)
    middle = np.array([f.now_pct + f.rate * 6 for f in fits])
    sd = np.array([np.sqrt(f.var + 12 * f.cov + 36 * f.var_month) for f in fits])
    assert 0.86 < np.mean(np.abs(true[:, 3] - middle) < 1.645 * sd) < 0.94
    assert abs(np.mean(middle - true[:, 3])) < 1.0
    now, now_sd = np.array([f.now_pct for f in fits]), np.array([f.var**0.5 for f in fits])
    assert 0.86 < np.mean(np.abs(true[:, 2] - now) < 1.645 * now_sd) < 0.94


def test_a_rate_never_leaves_its_readings():
    """Readings whose common doubt is large don't drag the rate outside of what any of them says."""
    t = [6.2, 12.2, 18.4, 24.2, 30.0, 36.1, 41.9, 48.0]
    y = [2.7, 8.4, 13.0, 17.8, 21.9, 25.8, 32.2, 36.3]
    fit = fit_all([series(t, y, own=1.26, offset=2.0, face=np.array(y) * 0.23)], R)[0]
    single = np.array(y) / t
    assert single.min() <= fit.rate <= single.max()
    assert fit.now_pct == pytest.approx(36.3, abs=1)


def test_series_of_every_length_are_fitted_together_as_alone():
    t = np.arange(1, 6) * 6.0
    many = [series(t[:n], t[:n] * r) for n, r in ((3, 1.0), (1, 2.0), (5, 0.5), (3, 4.0))]
    together = fit_all(many, R)
    for one, s in zip(together, many, strict=True):
        assert isinstance(one, Fit)
        assert astuple(one) == pytest.approx(astuple(fit_all([s], R)[0]))


def test_the_last_season_against_the_one_before():
    days = (date(2021, 10, 15), date(2022, 10, 15))
    rate = wear_rate(
        F, winters(2020, 2022), (reading("shaft port", days[0], 10), reading("shaft port", days[1], 45)), S, R
    )
    assert rate is not None
    assert rate.season is not None
    assert rate.season.pct.value == 35
    assert rate.season.per_month == pytest.approx(3.5 * rate.season.per_month_before)
    assert not rate.season.of_part_before
