"""Corrections of boats, positions, parts and haul-outs: what isn't named stays, what is cleared is gone,
and both states stand in the trace."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from anodewane.errors import UsageError
from made.books import HAULED, PLATE, marram, plate


@pytest.fixture
def book(tmp_path: Path):
    with marram(tmp_path / "yard.book") as made:
        yield made


def test_a_note_and_a_water_can_be_cleared(book):
    book.change_boat("Marram", note="blue hull", water="salt")
    assert book.change_boat("Marram", note=None).note is None
    assert book.boat("Marram").water == "salt"
    assert book.change_boat("Marram", water=None).water is None


def test_a_pair_and_fixings_can_be_cleared(book):
    book.change_position("Marram", "rudder port", pair="rudder", fixings="2 x M10 bolt")
    assert book.change_position("Marram", "rudder port", pair=None).pair is None
    assert book.position("Marram", "rudder port").fixings == "2 x M10 bolt"
    assert book.change_position("Marram", "rudder port", fixings=None).fixings is None


def test_a_part_that_was_taken_off_by_a_slip_can_be_put_back(book):
    fitted_on = book.fittings("Marram", "rudder port")[0].fitted_on
    book.change_fitting("Marram", "rudder port", fitted_on, removed_on=HAULED, new_mass_g=1500.0)
    back = book.change_fitting("Marram", "rudder port", fitted_on, removed_on=None, why="never came off")
    assert back.removed_on is None
    assert book.fittings("Marram", "rudder port") == (back,)
    assert back.new_mass_g == 1500.0
    assert book.change_fitting("Marram", "rudder port", fitted_on, new_mass_g=None).new_mass_g is None
    trace = [c for c in book.changes() if c.what == "fittings"]
    assert [(c.before["removed_on"], c.after["removed_on"]) for c in trace[:2]] == [
        (None, HAULED.isoformat()),
        (HAULED.isoformat(), None),
    ]
    assert trace[1].why == "never came off"


def test_a_part_can_t_be_put_back_where_another_sits(book):
    first = book.fittings("Marram", "rudder port")[0]
    book.fit("Marram", "rudder port", plate(), date(2027, 3, 1))
    with pytest.raises(UsageError, match="Another part sat"):
        book.change_fitting("Marram", "rudder port", first.fitted_on, removed_on=None)
    assert book.fittings("Marram", "rudder port")[0].template == PLATE


def test_a_launch_can_be_taken_back(book):
    book.launch("Marram", date(2027, 3, 1))
    day = book.haul_outs("Marram")[-1].hauled_on
    assert book.change_haul_out("Marram", day, launched_on=None).launched_on is None
    assert book.haul_outs("Marram")[-1].launched_on is None
