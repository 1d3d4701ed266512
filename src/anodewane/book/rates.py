"""Wear a month in the water, from one or more readings of the same part.

A month is 30.4375 days (a year of 365.25 days over twelve), of which only those between a launch and
the next haul-out count. Mass is taken to waste evenly over them (docs/decisions/0050-wear-in-time.md),
through zero on the day of fitting.

Doubt of a reading has four parts, which `Series` keeps apart because they do different things to a
rate. own : the camera and the edge of this one photo; readings average it away. offset : what the part
would read if nothing were gone (its casting, mostly), the same in every reading of it, and seen by a
photo taken at fitting. common : whatever else is alike in every photo of the part and doesn't grow with
its wear. face : the part's own ratio of face to edge, which multiplies its wear: no number of photos
takes it out, and a weighing does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from statistics import NormalDist

import numpy as np

from anodewane.book.entries import Fitting, HaulOut, Reading
from anodewane.record import Interval
from anodewane.settings import BookRules, Settings
from anodewane.wear.metals import METALS, mean_current_a

DAYS_PER_MONTH = 30.4375
"""365.25 / 12: leap years are in it, so that ten years are 120 months to a day or two."""

OWN_CAUSES = ("camera", "edge", "scales")
"""Causes of a record's budget that are drawn anew with every photo or weighing. All others are taken as
common to every reading of a part: a rate is then never surer than it is."""

OWN_LEAST = 0.3
"""Points; no reading is more repeatable than that."""

FACE_MOST = 0.5
"""Of the wear, the largest share that the face law is taken to be wrong by (one-sigma): what is common
beyond it doesn't grow with wear."""


FALL_LEAST = 5.0
"""Points by which a later reading must say less, at the least, before anybody is asked about it."""


@dataclass(frozen=True, slots=True)
class Spell:
    """Time in the water, from a launch to the next haul-out.

    launch_known : False where no launch is on record and the day of fitting, or the haul-out before,
    was taken for it.
    """

    launched_on: date
    hauled_on: date
    launch_known: bool


@dataclass(frozen=True, slots=True)
class Season:
    """What the part lost since the reading before, and what it, or the part before it, used to lose.

    months : in the water since then; pct : points lost; months_before, pct_before : the same of the
    time before; of_part_before : that is the part that sat there before; faster_sd : one-sigma of
    (points a month now - points a month before) if nothing had changed, a season's chances included.
    """

    months: float
    pct: Interval
    months_before: float
    pct_before: Interval
    of_part_before: bool
    faster_sd: float

    @property
    def per_month(self) -> float:
        """Points a month now."""
        return self.pct.value / self.months

    @property
    def per_month_before(self) -> float:
        """Points a month before."""
        return self.pct_before.value / self.months_before


@dataclass(frozen=True, slots=True)
class WearRate:
    """How fast one part wears. Points are per cent of the new part's mass.

    n_readings : judged ones; months : in the water up to the last of them; points_per_month : over
    those months, with the interval that the readings leave (what a next season may bring comes on top,
    in the outlook); grams_per_month : the same in grams, None where the new mass isn't known;
    current_ma : mean current that the wear since fitting stands for, by the scales, None where the last
    reading wasn't weighed; season : what was lost since the reading before, None where nothing goes
    before it; launch_assumed : some launch wasn't on record; coverage : of the intervals.
    """

    n_readings: int
    months: float
    points_per_month: Interval
    grams_per_month: Interval | None
    current_ma: Interval | None
    season: Season | None
    launch_assumed: bool
    coverage: float


def months(start: date, end: date) -> float:
    """Months from one day to another, of 30.4375 days; negative where the second comes first."""
    return (end - start).days / DAYS_PER_MONTH


def spells(haul_outs: Sequence[HaulOut], fitted_on: date) -> tuple[Spell, ...]:
    """The spells in the water after a part was fitted, oldest first, from one boat's haul-outs in any order.

    Where a launch isn't on record, the latest day that is known to come before it is taken: the months
    are then too many rather than too few, and the rate too low. `launch_known` says so.
    """
    out: list[Spell] = []
    before: HaulOut | None = None
    for haul_out in sorted(haul_outs, key=lambda h: h.hauled_on):
        if haul_out.hauled_on > fitted_on:
            launched = before.launched_on if before is not None else None
            known = launched is not None
            start = launched or (before.hauled_on if before is not None else fitted_on)
            # a part fitted while the boat lay in the water wears from that day
            start = max(start, fitted_on)
            if start < haul_out.hauled_on:
                out.append(Spell(start, haul_out.hauled_on, known))
        before = haul_out
    return tuple(out)


@lru_cache(maxsize=16)
def normal_quantile(coverage: float) -> float:
    """Half the width of an interval of that coverage, in one-sigmas: 1.645 for 0.9."""
    return NormalDist().inv_cdf((1 + coverage) / 2)


# --- readings as numbers -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Series:
    """The judged readings of one part after time in the water, oldest first, as plain numbers of
    the same length.

    months : in the water since fitting; spells2 : sum of the squared months of the spells up to then
    (season scatter adds up by it); pct : consumed; own, offset, common, face : one-sigma of each part
    of the doubt, points; sd : of all of it. readings : what they are from; launch_assumed : some launch
    wasn't on record.
    """

    months: tuple[float, ...]
    spells2: tuple[float, ...]
    pct: tuple[float, ...]
    own: tuple[float, ...]
    offset: tuple[float, ...]
    common: tuple[float, ...]
    face: tuple[float, ...]
    sd: tuple[float, ...]
    readings: tuple[Reading, ...]
    launch_assumed: bool


def of_part(
    fitting: Fitting, readings: Sequence[Reading], next_haul_out: date | None = None
) -> tuple[Reading, ...]:
    """The readings of one part among those of its position, oldest first: wear from after its fitting
    to its removal, and the photo of it as fitted.

    next_haul_out : the boat's first haul-out after the fitting; a photo of a new part taken later than
    that is another part's.
    """
    out = []
    for r in readings:
        if r.position != fitting.position or r.boat != fitting.boat:
            continue
        if r.kind == "wear":
            if r.hauled_on > fitting.fitted_on and (
                fitting.removed_on is None or r.hauled_on <= fitting.removed_on
            ):
                out.append(r)
        elif r.hauled_on <= fitting.fitted_on and (
            next_haul_out is None or fitting.fitted_on < next_haul_out
        ):
            out.append(r)
    wear = sorted((r for r in out if r.kind == "wear"), key=lambda r: (r.hauled_on, r.record_sha256))
    as_fitted = sorted((r for r in out if r.kind == "refit"), key=lambda r: (r.hauled_on, r.record_sha256))
    return (*as_fitted[-1:], *wear)


def series_of(
    fitting: Fitting,
    in_water: Sequence[Spell],
    readings: Sequence[Reading],
    settings: Settings,
    rules: BookRules,
) -> Series | None:
    """The readings of one part (as `of_part` gives them) as numbers; None without one after time in the
    water. Of two readings at one haul-out the last stands."""
    kept: dict[tuple[str, date], Reading] = {}
    for r in readings:
        # a part that was weighed new and worn needs no photo that can be judged
        if r.consumed_pct is not None or (r.weighed_g is not None and fitting.new_mass_g is not None):
            kept[(r.kind, r.hauled_on)] = r
    rows: list[tuple[float, ...]] = []
    used: list[Reading] = []
    assumed = False
    for r in kept.values():
        t = q = 0.0
        if r.kind == "wear":
            for spell in in_water:
                if spell.hauled_on <= r.hauled_on:
                    length = months(spell.launched_on, spell.hauled_on)
                    t += length
                    q += length * length
                    assumed |= not spell.launch_known
            if t == 0:
                continue
        rows.append((t, q, *_doubt(r, fitting, settings, rules)))
        used.append(r)
    if rows and rows[0][0] == 0:
        rows, used = _without_offset(rows), used[1:]
    if not rows:
        return None
    columns = tuple(zip(*rows, strict=True))
    return Series(*columns, tuple(used), assumed)  # type: ignore[call-arg, arg-type]


def _without_offset(rows: list[tuple[float, ...]]) -> list[tuple[float, ...]]:
    """Readings with what the photo of the part as fitted, the first of them, says of the offset taken
    off: as much of it as is likelier the part's than that photo's."""
    fresh, wear = rows[0], rows[1:]
    out: list[tuple[float, ...]] = []
    for t, q, pct, own, offset, common, face, sd in wear:
        share = offset**2 / (offset**2 + fresh[3] ** 2)
        left = offset * (1 - share) ** 0.5
        out.append(
            (t, q, pct - share * fresh[2], own, left, common, face, (sd**2 - offset**2 + left**2) ** 0.5)
        )
    return out


def _doubt(
    r: Reading, fitting: Fitting, settings: Settings, rules: BookRules
) -> tuple[float, float, float, float, float, float]:
    """What a reading says and its doubt by kind: points consumed, own, offset, common, face, all."""
    if r.weighed_g is not None and fitting.new_mass_g is not None:
        # both ends on the scales: nothing of the template is left in it
        pct = 100 * (1 - r.weighed_g / fitting.new_mass_g)
        own = max(OWN_LEAST, 100 * settings.scales_sd_g / fitting.new_mass_g * 1.42)
        return pct, own, 0.0, 0.0, 0.0, own
    assert r.consumed_pct is not None
    pct = r.consumed_pct.value
    sd = max(
        OWN_LEAST,
        (r.consumed_pct.high - r.consumed_pct.low) / 2 / normal_quantile(r.coverage or settings.coverage),
    )
    own2 = sum(v * v for cause, v in r.budget if cause in OWN_CAUSES)
    own2 = min(max(own2, OWN_LEAST**2), sd * sd)
    left2 = sd * sd - own2
    offset2 = left2 if r.weighed_g is not None else min(left2, rules.baseline_sd_pct**2)
    left2 -= offset2
    face2 = 0.0 if r.kind == "refit" else min(left2, (FACE_MOST * max(pct, 0.0)) ** 2)
    common2 = left2 - face2
    if r.kind == "refit":  # what isn't the casting is this photo's own
        own2, common2 = own2 + common2, 0.0
    return pct, own2**0.5, offset2**0.5, common2**0.5, face2**0.5, sd


# --- the fit -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Fit:
    """A part's wear as a straight line that seasons wander about: points a month, and where it stands
    at its last reading.

    rate : points a month; read_sd : its one-sigma as far as the readings go; rate_sd : the same for the
    part's own mean, with the seasons' scatter; months : at the last reading; now_pct : consumed then.
    Consumed h months later is ``now_pct + rate h`` with variance ``var + 2 cov h + var_month h^2``.
    """

    rate: float
    read_sd: float
    rate_sd: float
    months: float
    now_pct: float
    var: float
    cov: float
    var_month: float


def fit_all(series: Sequence[Series], rules: BookRules) -> list[Fit]:
    """Fit every series, those of one length together.

    Notes
    -----
    Reading i says y_i = c(t_i) + e_i + what is common to all readings. c, the true wear, wanders about
    r t: each spell's wear is r times its months, give or take `season_sd_frac` of it. r is a weighted
    mean of the readings through zero, with the weights of generalised least squares for e and the
    wandering alone, and c now the best linear prediction that goes with it (universal kriging).

    What is common gets no say in the weights, for then a rate can come to lie outside of all its
    readings (R. W. Peelle's puzzle; from memory). It has its full say in the variance, where it doesn't
    average away. Where some readings were weighed and some only seen, all doubt goes into the weights,
    so that the scales count for what they are worth.
    """
    out: list[Fit | None] = [None] * len(series)
    lengths: dict[int, list[int]] = {}
    for i, s in enumerate(series):
        lengths.setdefault(len(s.months), []).append(i)
    for indices in lengths.values():
        columns = np.array(
            [
                (s.months, s.spells2, s.pct, s.own, s.offset, s.common, s.face, s.sd)
                for s in (series[i] for i in indices)
            ]
        )
        for i, values in zip(indices, _fit_columns(columns, rules), strict=True):
            out[i] = Fit(*values)
    return [f for f in out if f is not None]


def _fit_columns(columns: np.ndarray, rules: BookRules) -> list[list[float]]:
    """columns : (F, 8, n), the numbers of F series of n readings, oldest first. Returns the figures
    of each `Fit`."""
    t, q, y, own, offset, common, face, sd = (columns[:, i] for i in range(8))
    mixed = np.any(face > 0, axis=1) & np.any(face == 0, axis=1)
    weighs = np.where(mixed[:, None], sd, own)
    diagonal = weighs[:, :, None] ** 2 * np.eye(t.shape[1])
    doubt = own[:, :, None] ** 2 * np.eye(t.shape[1]) + _outer(offset) + _outer(common) + _outer(face)
    walk = np.minimum(q[:, :, None], q[:, None, :])
    t_now, q_now = t[:, -1], q[:, -1]
    slow = 1e-3 / t_now
    r = np.maximum(np.sum(t * y, axis=1) / np.sum(t * t, axis=1), slow)
    for _ in range(3):
        scatter = (rules.season_sd_frac * r) ** 2
        k = scatter[:, None] * np.minimum(q, q_now[:, None])
        solved = np.linalg.solve(diagonal + scatter[:, None, None] * walk, np.stack([t, k], axis=2))
        per_month = solved[:, :, 0] / np.sum(t * solved[:, :, 0], axis=1)[:, None]
        rate = np.sum(per_month * y, axis=1)
        r = np.maximum(rate, slow)
    now = solved[:, :, 1] + per_month * (t_now - np.sum(t * solved[:, :, 1], axis=1))[:, None]
    total = doubt + scatter[:, None, None] * walk
    of_rate, of_now = (np.einsum("fij,fj->fi", total, w) for w in (per_month, now))
    var = scatter * q_now - 2 * np.sum(now * k, axis=1) + np.sum(now * of_now, axis=1)
    cov = np.sum(now * of_rate, axis=1) - np.sum(per_month * k, axis=1)
    rate_var = np.sum(per_month * of_rate, axis=1)
    read_var = np.einsum("fi,fij,fj->f", per_month, doubt, per_month)
    figures: list[list[float]] = np.stack(
        [
            rate,
            read_var**0.5,
            rate_var**0.5,
            t_now,
            np.sum(now * y, axis=1),
            np.maximum(var, OWN_LEAST**2),
            cov,
            scatter + rate_var,
        ],
        axis=1,
    ).tolist()
    return figures


def _outer(v: np.ndarray) -> np.ndarray:
    product: np.ndarray = v[:, :, None] * v[:, None, :]
    return product


# --- what it says --------------------------------------------------------------------------------


def rate_of(
    fitting: Fitting,
    series: Series,
    fit: Fit,
    settings: Settings,
    rules: BookRules,
    before: Series | None = None,
) -> WearRate:
    """The rate as a record, from a series and its fit. before : series of the part that sat there before."""
    z = normal_quantile(settings.coverage)
    per_month = _interval(fit.rate, fit.read_sd, z)
    new_g = fitting.new_mass_g or series.readings[-1].new_g
    grams = None if new_g is None else _interval(fit.rate * new_g / 100, fit.read_sd * new_g / 100, z)
    n = sum(t > 0 for t in series.months)
    return WearRate(
        n,
        fit.months,
        per_month,
        grams,
        _current_ma(fitting, series, new_g, z),
        _season(series, before, z, rules),
        series.launch_assumed,
        settings.coverage,
    )


def _interval(value: float, sd: float, z: float) -> Interval:
    return Interval(value, value - z * sd, value + z * sd)


def _season(series: Series, before: Series | None, z: float, rules: BookRules) -> Season | None:
    """The last season against the one before it.

    Between two readings of one part whatever is common cancels, but nobody knows how much of it
    is: half of the variance of what may be common is taken as each photo's own. Two parts have
    nothing in common.
    """
    t, y = series.months, series.pct
    if len(t) > 1:
        months_now, months_before = t[-1] - t[-2], t[-2]
        if months_now <= 0:
            return None
        own2 = [_own2(series, i) for i in (-2, -1)]
        cancels = series.offset[-2] ** 2 + 0.5 * series.common[-2] ** 2
        gone, sd2 = y[-1] - y[-2], _difference2(series, len(t) - 1)
        faster2 = (
            own2[1] / months_now**2
            + own2[0] * (1 / months_now + 1 / months_before) ** 2
            + cancels / months_before**2
        )
        scatter = rules.season_sd_frac * max(y[-1], 0.0) / t[-1]
        faster2 += scatter**2 * (1 + series.spells2[-2] / months_before**2)
        return Season(
            months_now,
            _interval(gone, sd2**0.5, z),
            months_before,
            _interval(y[-2], series.sd[-2], z),
            False,
            faster2**0.5,
        )
    if before is None:
        return None
    scatter = rules.season_sd_frac * max(y[-1] + before.pct[-1], 0.0) / (t[-1] + before.months[-1])
    faster2 = (series.sd[-1] / t[-1]) ** 2 + (before.sd[-1] / before.months[-1]) ** 2
    faster2 += scatter**2 * (series.spells2[-1] / t[-1] ** 2 + before.spells2[-1] / before.months[-1] ** 2)
    return Season(
        t[-1],
        _interval(y[-1], series.sd[-1], z),
        before.months[-1],
        _interval(before.pct[-1], before.sd[-1], z),
        True,
        faster2**0.5,
    )


def _own2(series: Series, i: int) -> float:
    """Variance of a reading against another of the same part: its own, and half of what may be common."""
    return series.own[i] ** 2 + 0.5 * (series.common[i] ** 2 + series.face[i] ** 2)


def _difference2(series: Series, i: int) -> float:
    """Variance of what lies between reading i and the one before it."""
    return (
        _own2(series, i - 1)
        + _own2(series, i)
        + (series.offset[i] - series.offset[i - 1]) ** 2
        + 0.5 * (series.face[i] - series.face[i - 1]) ** 2
    )


def fall(series: Series, rules: BookRules) -> tuple[Reading, Reading] | None:
    """The last two neighbouring readings of which the later one says beyond doubt that less is gone: metal
    doesn't grow, so they are of two parts. None where there are none.

    Beyond doubt is further than chance puts one pair in `BookRules.alarm_rate` (one-sided), and at least
    `FALL_LEAST`.
    """
    z = NormalDist().inv_cdf(1 - rules.alarm_rate)
    for i in range(len(series.pct) - 1, 0, -1):
        less = series.pct[i - 1] - series.pct[i]
        if less > max(FALL_LEAST, z * _difference2(series, i) ** 0.5):
            return series.readings[i - 1], series.readings[i]
    return None


def _current_ma(fitting: Fitting, series: Series, new_g: float | None, z: float) -> Interval | None:
    """Mean current since fitting that a weighed loss stands for, mA: ``I = dm eps / hours`` by the
    alloy's design capacity in seawater."""
    last = series.readings[-1]
    if last.weighed_g is None or new_g is None or fitting.alloy not in METALS:
        return None
    hours = series.months[-1] * DAYS_PER_MONTH * 24
    # looked up in METALS above
    ma_per_g = 1000 * mean_current_a(fitting.alloy, 1.0, hours)  # type: ignore[arg-type]
    ma_per_point = ma_per_g * new_g / 100
    return _interval(ma_per_point * series.pct[-1], ma_per_point * series.sd[-1], z)
