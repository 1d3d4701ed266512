"""What is gone at the next haul-out, how many months are left to the limit, and how likely the part
lasts until it is looked at again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import erfc, sqrt

from anodewane.book.entries import HaulOut
from anodewane.book.rates import Fit, months, normal_quantile, spells
from anodewane.errors import UsageError
from anodewane.record import Interval

MAX_MONTHS = 240.0
"""Months left beyond this are not told: nobody's wear of one season foretells twenty years."""


@dataclass(frozen=True, slots=True)
class MonthsLeft:
    """Months in the water until the limit is reached, with the ends of the interval; None where that is
    more than `MAX_MONTHS`. 0 where the limit is reached already."""

    value: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Outlook:
    """What becomes of a part if it goes back in.

    from_on : haul-out of the last judged reading; next_on : the next haul-out, None where no date was
    given (then the spell is taken as long as the boat's last one); months_ahead : in the water from the
    one to the other; consumed_at_next_pct : mass, with its interval; months_left : to the limit, from
    the last judged reading; lasts : probability, 0 to 1, of being under the limit at the next haul-out;
    spell_months : the spell ahead alone; new_lasts : whether a new part would stay under the limit in
    it, at this rate.
    """

    from_on: date
    next_on: date | None
    months_ahead: float
    consumed_at_next_pct: Interval
    months_left: MonthsLeft
    limit_pct: float
    lasts: float
    spell_months: float
    new_lasts: bool


def months_ahead(
    haul_outs: Sequence[HaulOut], fitted_on: date, from_on: date, next_on: date | None = None
) -> tuple[float, float]:
    """Months in the water from a haul-out to the next one that is still to come, and those of the
    coming spell alone.

    Raises
    ------
    UsageError
        `next_on` isn't after the boat's last haul-out.
    """
    latest = max(haul_outs, key=lambda h: h.hauled_on)
    in_water = spells(haul_outs, fitted_on)
    since = sum(months(s.launched_on, s.hauled_on) for s in in_water if s.hauled_on > from_on)
    if next_on is None:
        coming = months(in_water[-1].launched_on, in_water[-1].hauled_on) if in_water else 0.0
    else:
        # ashore still, nobody knows for how long: counted as in the water, the cautious way
        launched = latest.launched_on or latest.hauled_on
        if next_on <= max(latest.hauled_on, launched):
            raise UsageError(
                f"The next haul-out, {next_on}, isn't after the last one of '{latest.boat}', hauled "
                f"{latest.hauled_on}.",
                "Give a date to come, or leave it out.",
            )
        coming = months(launched, next_on)
    return since + coming, coming


def outlook(
    fit: Fit,
    from_on: date,
    ahead: tuple[float, float],
    limit_pct: float,
    coverage: float,
    next_on: date | None = None,
) -> Outlook:
    """What a fit foretells. ahead : as `months_ahead` gives it."""
    z = normal_quantile(coverage)
    h, spell = ahead
    rate = max(fit.rate, 0.0)
    value = fit.now_pct + rate * h
    sd = sqrt(fit.var + 2 * fit.cov * h + fit.var_month * h * h)
    ends = (value, value - z * sd, value + z * sd)
    return Outlook(
        from_on=from_on,
        next_on=next_on,
        months_ahead=h,
        consumed_at_next_pct=Interval(*(min(max(v, 0.0), 100.0) for v in ends)),
        months_left=months_to(fit, limit_pct, z),
        limit_pct=limit_pct,
        lasts=0.5 * erfc((value - limit_pct) / (sd * sqrt(2))),
        spell_months=spell,
        new_lasts=rate * spell < limit_pct,
    )


def months_to(fit: Fit, limit_pct: float, z: float) -> MonthsLeft:
    """Months until the line, and each edge of its interval, reaches the limit.

    The edges are where ``now + rate T -+ z sd(T)`` meets it, sd(T)^2 = var + 2 cov T + var_month T^2:
    the roots of one quadratic, a T^2 - 2 b T + c. Where the rate isn't clearly more than nothing (a <
    0), the late edge never comes, or comes because the doubt shrinks first and goes again: its first
    coming counts.
    """
    rate = max(fit.rate, 0.0)
    to_go = limit_pct - fit.now_pct
    a = rate * rate - z * z * fit.var_month
    b = to_go * rate + z * z * fit.cov
    c = to_go * to_go - z * z * fit.var
    discriminant = b * b - a * c
    root = sqrt(max(discriminant, 0.0))
    value = 0.0 if to_go <= 0 else to_go / rate if rate > 0 else None
    low: float | None = 0.0
    if to_go > 0 and c > 0:
        low = c / (b + root) if b + root > 0 else None
    high: float | None = None
    if to_go <= 0 and c >= 0:
        high = 0.0
    elif b > 0:
        high = (b + root) / a if a > 0 else None
    elif discriminant >= 0 and b - root < 0:
        first = c / (b - root)  # the same root as (b + root) / a, without the difference of two near numbers
        high = first if rate * first >= to_go else None
    return MonthsLeft(_within_reach(value), _within_reach(low), _within_reach(high))


def _within_reach(value: float | None) -> float | None:
    return None if value is None or value > MAX_MONTHS else value
