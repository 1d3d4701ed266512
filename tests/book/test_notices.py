"""The book's warnings: each where it belongs and not elsewhere, and how often chance alone gives one."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from anodewane.book.entries import BoatEntries, Position
from anodewane.book.notices import Notice, notices
from anodewane.book.states import position_states
from anodewane.record import Interval
from anodewane.refusals import FINDINGS
from anodewane.settings import BookRules, Settings
from made.book_entries import NEW_G, boat_of, fitting, reading, winters

S, R = Settings(), BookRules()
OCT = [date(y, 10, 15) for y in range(2021, 2026)]
APRIL = date(2021, 4, 10)
ALONE = "shaft port"
TWINS = ("shaft port", "shaft starboard")


def told(boat: BoatEntries, rules: BookRules = R) -> tuple[Notice, ...]:
    return notices([boat], position_states([boat], S, rules), S, rules)


def codes(boat: BoatEntries) -> list[str]:
    return [n.reason.code for n in told(boat)]


def alone(*gone: float | None, half_width: float = 6.0, **more) -> BoatEntries:
    return boat_of(
        (fitting(ALONE, APRIL),),
        tuple(reading(ALONE, OCT[i], g, half_width) for i, g in enumerate(gone)),
        winters(2020, 2020 + len(gone)),
        **more,
    )


def twins(port: float, starboard: float, half_width: float = 6.0) -> BoatEntries:
    readings = tuple(reading(n, OCT[0], g, half_width) for n, g in zip(TWINS, (port, starboard), strict=True))
    return boat_of(tuple(fitting(n, APRIL) for n in TWINS), readings, winters(2020, 2021), pair="shaft")


def test_an_ordinary_boat_gets_no_warning():
    assert codes(alone(12, 25)) == []
    assert codes(twins(15, 19)) == []


def test_no_wear_in_a_season_is_a_fault():
    (n,) = told(alone(2, half_width=4))
    assert n.reason.code == "no_wear_in_season"
    assert n.positions == (ALONE,)
    assert "6.0 months" in n.reason.message
    assert n.on == OCT[0]
    # a fortnight afloat is no season
    short = alone(2, half_width=4)
    short = replace(short, fittings=(replace(short.fittings[0], fitted_on=date(2021, 10, 1)),))
    assert codes(short) == []


def test_wear_that_stops_is_a_fault_too():
    assert codes(alone(20, 21, half_width=3)) == ["no_wear_in_season"]
    # what the photos can't tell apart isn't told
    assert codes(alone(12, 16, half_width=9)) == []


def test_a_pair_that_wears_unevenly():
    (n,) = told(twins(8, 38))
    assert (n.reason.code, n.positions) == ("pair_uneven", TWINS)
    assert "8 %" in n.reason.message
    assert "38 %" in n.reason.message
    assert codes(twins(8, 38, half_width=25)) == []  # inside both intervals
    assert (
        codes(replace(twins(8, 38), positions=tuple(Position("Gannet", n) for n in TWINS))) == []
    )  # nobody said that they are a pair


def test_twins_of_different_age_are_compared_by_their_months():
    port, starboard = fitting(TWINS[0], APRIL), fitting(TWINS[1], date(2022, 4, 10))
    readings = (reading(TWINS[0], OCT[0], 20), reading(TWINS[0], OCT[1], 40), reading(TWINS[1], OCT[1], 20))
    assert codes(boat_of((port, starboard), readings, winters(2020, 2022), pair="shaft")) == []


def test_far_faster_than_last_season():
    (n,) = [n for n in told(alone(8, 60, half_width=5)) if n.reason.code != "short_lived"]
    assert n.reason.code == "faster_than_before"
    assert "before" in n.reason.message
    assert codes(alone(10, 24)) == []


def test_far_faster_than_the_part_before():
    old, new = fitting(ALONE, APRIL, removed_on=date(2022, 3, 1)), fitting(ALONE, date(2022, 4, 10))
    boat = boat_of(
        (old, new), (reading(ALONE, OCT[0], 12, 4), reading(ALONE, OCT[1], 48, 5)), winters(2020, 2022)
    )
    (n,) = told(boat)
    assert n.reason.code == "faster_than_before"
    assert "the part before it" in n.reason.message


def test_mixed_alloys_on_one_boat():
    parts = (fitting(TWINS[0], APRIL), fitting(TWINS[1], APRIL, alloy="aluminium"))
    (n,) = told(boat_of(parts, (), winters(2020, 2021)))
    assert (n.reason.code, n.positions) == ("mixed_alloys", ())
    assert "aluminium: shaft starboard; zinc: shaft port" in n.reason.message
    gone = (replace(parts[1], removed_on=OCT[0]), parts[0])
    assert codes(boat_of(gone, (), winters(2020, 2021))) == []


@pytest.mark.parametrize(
    ("alloy", "water", "wrong"),
    [
        # MIL and boating texts, from memory: zinc for salt and brackish, aluminium for salt and
        # brackish, magnesium for fresh only
        ("zinc", "salt", False), ("zinc", "brackish", False), ("zinc", "fresh", True),
        ("aluminium", "salt", False), ("aluminium", "brackish", False), ("aluminium", "fresh", False),
        ("magnesium", "salt", True), ("magnesium", "brackish", True), ("magnesium", "fresh", False),
        ("zinc", None, False),
    ],
)  # fmt: skip
def test_alloy_and_water(alloy, water, wrong):
    boat = boat_of((fitting(ALONE, APRIL, alloy=alloy),), (), winters(2020, 2021), water=water)
    assert codes(boat) == (["alloy_for_water"] if wrong else [])


def test_scales_against_the_photo():
    def weighed(seen: Interval) -> BoatEntries:
        r = reading(ALONE, OCT[0], 40, 3, weighed_g=0.6 * NEW_G, seen=seen)
        return boat_of((fitting(ALONE, APRIL),), (r,), winters(2020, 2021))

    assert "weighed_disagrees" in codes(weighed(Interval(12, 8, 19)))
    assert "weighed_disagrees" not in codes(weighed(Interval(33, 25, 45)))
    # the side of the interval that faces the other is the one that counts
    assert "weighed_disagrees" not in codes(weighed(Interval(20, 18, 48)))


def test_a_part_that_can_t_last_a_season():
    (n,) = [n for n in told(alone(70, half_width=5)) if n.reason.code == "short_lived"]
    assert "limit after 4.3 months" in n.reason.message
    assert "weeks" not in n.reason.message
    weeks = boat_of(
        (fitting(ALONE, date(2021, 9, 1)),), (reading(ALONE, OCT[0], 90, 5),), winters(2020, 2021)
    )
    assert any("within weeks" in n.reason.message for n in told(weeks))


def test_every_warning_of_a_fault_points_to_a_qualified_technician():
    for code in (
        "no_wear_in_season",
        "pair_uneven",
        "faster_than_before",
        "mixed_alloys",
        "alloy_for_water",
        "short_lived",
    ):
        remedy = FINDINGS[code][1]
        assert remedy is not None
        assert "qualified" in remedy
        assert "technician" in remedy
    # none claims to have found the fault
    for code, (message, remedy) in FINDINGS.items():
        assert "is stray current" not in message + (remedy or ""), code


# --- how often chance alone warns ----------------------------------------------------------------

N = 1500


def photo(
    rng: np.random.Generator, true: float, face: float, casting: float
) -> tuple[float, float, tuple[tuple[str, float], ...]]:
    """What a photo reads of a part, its half-width and its budget, by decision 0004: face ratio
    log-normal (0.23) from part to part, casting 1.5 %, the rest its own."""
    thickness = 0.23 * 0.75 * true + 1.5
    read = (
        true * np.exp(0.75 * face)
        + casting
        + 1.5 * rng.standard_normal() * 0.6
        + 1.2 * rng.standard_normal()
        + 1.0 * rng.standard_normal()
    )
    half_width = 1.645 * np.sqrt(thickness**2 + 1.5**2 + 0.8**2 + 1.2**2 + 1.0**2)
    return (
        float(read),
        float(half_width),
        (("thickness", thickness), ("casting", 1.5), ("print_scale", 0.8), ("edge", 1.2), ("limb", 1.0)),
    )


def part_of(rng: np.random.Generator) -> tuple[float, float]:
    return 0.23 * rng.standard_normal(), 1.5 * rng.standard_normal()


def boats_of(make) -> list[BoatEntries]:
    rng = np.random.default_rng(11)
    return [make(rng, f"Boat {i}") for i in range(N)]


def share(boats: list[BoatEntries], code: str) -> float:
    found = {n.boat for n in notices(boats, position_states(boats, S, R), S, R) if n.reason.code == code}
    return len(found) / len(boats)


def drawn(rng, name: str, days: list[date], wear_of_each: list[list[float]]) -> BoatEntries:
    """A boat whose positions wore as told, each read by a photo at every haul-out."""
    fittings, readings = [], []
    for position, wear in zip(TWINS, wear_of_each, strict=False):
        fittings.append(replace(fitting(position, APRIL), boat=name))
        face, casting = part_of(rng)
        for day, true in zip(days, wear, strict=True):
            read, half, budget = photo(rng, true, face, casting)
            readings.append(reading(position, day, read, half, boat=name, budget=budget))
    haul_outs = tuple(replace(h, boat=name) for h in winters(2020, 2020 + len(days)))
    return boat_of(tuple(fittings), tuple(readings), haul_outs, pair="shaft", name=name)


def test_equal_pairs_are_called_uneven_in_fewer_than_one_in_twenty():
    alike = boats_of(lambda rng, name: drawn(rng, name, OCT[:1], [[w := rng.uniform(5, 70)], [w]]))
    assert share(alike, "pair_uneven") < 0.05
    apart = boats_of(lambda rng, name: drawn(rng, name, OCT[:1], [[6.0], [45.0]]))
    assert share(apart, "pair_uneven") > 0.9


def test_steady_wear_is_called_faster_in_fewer_than_one_in_twenty():
    """Seasons scatter by a quarter, and that isn't a fault."""

    def steady(factor):
        def make(rng, name):
            rate = rng.uniform(6, 25)
            first, second = rate * (1 + 0.25 * rng.standard_normal(2))
            return drawn(rng, name, OCT[:2], [[max(first, 0), max(first, 0) + max(factor * second, 0)]])

        return make

    assert share(boats_of(steady(1.0)), "faster_than_before") < 0.05
    assert share(boats_of(steady(4.0)), "faster_than_before") > 0.5


def test_a_part_that_wears_is_called_unworn_in_fewer_than_one_in_twenty():
    worn = boats_of(lambda rng, name: drawn(rng, name, OCT[:2], [[w := rng.uniform(10, 30), 2 * w]]))
    assert share(worn, "no_wear_in_season") < 0.05


def test_scales_and_photo_disagree_by_chance_in_fewer_than_one_in_twenty():
    def weighed(rng, name):
        true = rng.uniform(5, 70)
        face, casting = part_of(rng)
        read, half, _ = photo(rng, true, face, casting)
        scales = true + 2.0 * rng.standard_normal()
        # log-normal doubt: the upper side is the longer one
        seen = Interval(read, read - half * 0.88, read + half * 1.15)
        r = reading(ALONE, OCT[0], scales, 1.645 * 2.0, weighed_g=500.0, seen=seen, boat=name)
        return boat_of(
            (replace(fitting(ALONE, APRIL), boat=name),),
            (r,),
            tuple(replace(h, boat=name) for h in winters(2020, 2021)),
            name=name,
        )

    assert share(boats_of(weighed), "weighed_disagrees") < 0.05
