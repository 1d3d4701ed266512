"""Slips of the pen that the book doesn't take without a word, and slips that can be taken back."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from anodewane.book.store import new_book
from anodewane.errors import UsageError
from anodewane.record import Interval
from anodewane.wear.solids import new_mass_g
from made.books import HAULED, PLATE, marram, new, plate, seen

NEXT = date(2027, 4, 1)


@pytest.fixture
def book(tmp_path: Path):
    with marram(tmp_path / "yard.book") as made:
        yield made


# --- dates ---------------------------------------------------------------------------------------


def test_a_boat_that_stands_ashore_isn_t_hauled_out_again(book):
    for day in (date(2026, 10, 1), date(2026, 10, 9)):
        with pytest.raises(UsageError, match="no launch lies before"):
            book.haul_out("Marram", day)
    assert [h.hauled_on for h in book.haul_outs("Marram")] == [date(2026, 4, 10), HAULED]
    book.launch("Marram", NEXT)
    book.haul_out("Marram", date(2027, 10, 9))


def test_a_clock_that_is_wrong_makes_no_haul_out(tmp_path):
    """A laptop that lost its time says 2020."""
    with new_book(tmp_path / "b.book") as book:
        book.add_boat("Tern")
        book.haul_out("Tern", date(2025, 4, 10), date(2025, 6, 20))
        with pytest.raises(UsageError, match="no launch lies before"):
            book.haul_out("Tern", date(2020, 1, 1))
        with pytest.raises(UsageError, match="still to come"):
            book.haul_out("Tern", date(2207, 10, 9), today=date(2026, 11, 29))
        assert len(book.haul_outs("Tern")) == 1


def test_a_season_before_the_first_can_be_noted_later(book):
    book.haul_out("Marram", date(2025, 10, 1), date(2026, 4, 1))
    assert book.haul_outs("Marram")[0].launched_on == date(2026, 4, 1)


def test_a_haul_out_that_never_was_is_taken_back_whole(book):
    book.record([new(seen(45.0))])
    book.weigh("Marram", "rudder port", HAULED, 900.0)
    book.overrule("Marram", "rudder port", HAULED, "replace", "flaking", "M. Example")
    book.withdraw_haul_out("Marram", HAULED, "the other boat", "M. Example")
    assert [h.hauled_on for h in book.haul_outs("Marram")] == [date(2026, 4, 10)]
    assert book.readings() == ()
    (j,) = book.judgements("Marram")
    assert (j.counts, j.withdrawn) == (False, "the other boat")
    with pytest.raises(UsageError, match="it was on 2026-04-10"):
        book.weigh("Marram", "rudder port", HAULED, 900.0)
    book.haul_out("Marram", HAULED)
    assert len(book.readings()) == 1
    assert book.haul_outs("Marram")[-1].hauled_on == HAULED


def test_a_haul_out_is_taken_back_for_a_reason(book):
    with pytest.raises(UsageError, match="for a reason"):
        book.withdraw_haul_out("Marram", HAULED, " ")


# --- weights -------------------------------------------------------------------------------------


def test_a_part_can_t_weigh_more_than_a_new_one(book):
    book.record([new(seen(45.0))])
    for grams in (5000.0, 3.0):
        with pytest.raises(UsageError, match="can't be what is left"):
            book.weigh("Marram", "rudder port", HAULED, grams)
    assert book.weighings() == ()
    book.weigh("Marram", "rudder port", HAULED, 5000.0, sure=True)


def test_a_new_part_weighs_what_its_template_says(book):
    usual = new_mass_g(plate())
    with pytest.raises(UsageError, match="weighs about"):
        book.fit("Marram", "rudder port", plate(), NEXT, new_mass_g=usual / 3.5)
    with pytest.raises(UsageError, match="weighs about"):
        book.change_fitting("Marram", "rudder port", date(2026, 4, 18), new_mass_g=10 * usual)
    book.fit("Marram", "rudder port", plate(), NEXT, new_mass_g=0.95 * usual)
    # aluminium weighs 2.7 g where zinc weighs 7.1 (handbook densities)
    book.add_position("Marram", "skeg")
    book.fit("Marram", "skeg", plate(), NEXT, alloy="aluminium", new_mass_g=usual * 2.7 / 7.1)


def test_a_weighing_can_be_withdrawn(book):
    book.record([new(seen(45.0))])
    book.weigh("Marram", "rudder port", HAULED, 1000.0)
    book.weigh("Marram", "rudder port", HAULED, 800.0)
    assert book.readings()[0].weighed_g == 800.0
    book.withdraw_weighing("Marram", "rudder port", HAULED, "the starboard one")
    assert book.readings()[0].weighed_g == 1000.0
    book.withdraw_weighing("Marram", "rudder port", HAULED, "that too")
    assert book.readings()[0].weighed_g is None
    with pytest.raises(UsageError, match="Nothing was weighed"):
        book.withdraw_weighing("Marram", "rudder port", HAULED, "once more")
    assert [w.withdrawn for w in book.weighings()] == ["that too", "the starboard one"]


def test_a_part_that_was_never_fitted_can_be_taken_out(book):
    first = book.fittings("Marram", "rudder port")[0]
    book.fit("Marram", "rudder port", plate(), NEXT)
    assert book.fittings("Marram", "rudder port")[0].removed_on == NEXT
    book.remove_fitting("Marram", "rudder port", NEXT, why="it wasn't")
    assert book.fittings("Marram", "rudder port") == (first,)
    assert book.fittings("Marram", "rudder port")[0].template == PLATE


# --- the same twice, and overrules ---------------------------------------------------------------


def test_a_judgement_that_differs_in_its_last_digit_is_the_same(book):
    """Sums in another order: a thousandth of a point."""
    one = seen(45.0)
    assert one.consumed is not None
    mass = one.consumed.mass_pct
    again = replace(
        one, consumed=replace(one.consumed, mass_pct=Interval(mass.value + 0.01, mass.low, mass.high))
    )
    assert book.record([new(one)]).new == 1
    counts = book.record([new(again)])
    assert (counts.new, counts.known) == (0, 1)
    assert book.record([new(seen(46.0))]).new == 1  # other figures
    assert book.record([new(seen(45.0, photo="b"))]).new == 1  # another photo


def test_an_overrule_is_of_its_photo(book):
    book.record([new(seen(45.0), at=9)])
    book.overrule("Marram", "rudder port", HAULED, "ok", "hole measured", "M. Example")
    book.overrule("Marram", "rudder port", HAULED, "ok", "hole measured", "M. Example")
    (o,) = book.overrules()
    assert o.stands
    book.record([new(seen(70.0, verdict="replace", photo="b"), at=14)])
    (o,) = book.overrules()
    assert not o.stands
    from anodewane.book.listing import position_lines
    from anodewane.settings import BookRules, Settings

    line = next(
        p for p in position_lines(book, None, Settings(), BookRules()) if p["position"] == "rudder port"
    )
    assert (line["verdict"], line["overruled"]) == ("replace", None)
    book.overrule("Marram", "rudder port", HAULED, "ok", "hole measured", "M. Example")
    assert book.overrules()[-1].stands


def test_what_was_measured_and_not_judged_is_kept_as_that(book):
    """It stands before a refusal, and behind any verdict."""
    judged = seen(45.0)
    measured = replace(judged, status="measured", verdict=None, consumed=None, mass=None)
    refusal = replace(measured, status="cannot_judge", photo=replace(judged.photo, sha256="e" * 64))
    book.record([new(measured, at=9), new(refusal, at=14)])
    (r,) = book.readings()
    assert (r.status, r.verdict, r.consumed_pct) == ("measured", None, None)
    assert book.check() == ()
