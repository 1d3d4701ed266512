"""Every position's state, and the verdict raised where the part won't last."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from anodewane.book.entries import Position
from anodewane.book.notices import notices
from anodewane.book.states import position_states
from anodewane.refusals import FINDINGS
from anodewane.settings import BookRules, Settings
from made.book_entries import boat_of, fitting, reading, winters

S, R = Settings(), BookRules()
OCTOBER = date(2021, 10, 15)


def state_of(gone, verdict="ok", half_width=6.0, *, rules=R, settings=S, next_on=None, reasons=()):
    part = fitting("shaft port", date(2021, 4, 10))
    boat = boat_of(
        (part,),
        (reading("shaft port", OCTOBER, gone, half_width, verdict=verdict, reasons=reasons),),
        winters(2020, 2021),
    )
    return position_states([boat], settings, rules, next_on)[0]


def test_a_part_that_won_t_last_is_raised_to_replace():
    state = state_of(29)
    assert (state.photo_verdict, state.verdict) == ("ok", "replace")
    assert [r.code for r in state.reasons] == ["wont_last"]
    assert "58 % gone" in state.reasons[0].message
    assert "limit 50 %" in state.reasons[0].message


def test_one_that_may_not_last_is_told_and_left():
    state = state_of(21, half_width=7)
    assert (state.photo_verdict, state.verdict) == ("ok", "ok")
    assert [r.code for r in state.reasons] == ["might_not_last"]
    assert "a chance of 1 in" in state.reasons[0].message


def test_one_that_lasts_has_nothing_to_tell():
    state = state_of(10, half_width=4)
    assert (state.verdict, state.reasons) == ("ok", ())
    assert state.outlook is not None
    assert state.outlook.lasts > 0.99


def test_a_verdict_is_only_ever_raised():
    state = state_of(62, verdict="replace")
    assert (state.verdict, state.reasons) == ("replace", ())
    state = state_of(12, verdict="replace", reasons=("fixing_lost",))
    assert state.verdict == "replace"


def test_a_later_haul_out_raises_what_a_sooner_one_doesn_t():
    assert state_of(22).verdict == "ok"
    assert state_of(22, next_on=date(2022, 12, 31)).verdict == "replace"


def test_the_threshold_and_the_limit_are_settings():
    assert state_of(24).verdict == "ok"
    assert state_of(24, rules=replace(R, lasts_probability=0.8)).verdict == "replace"
    assert state_of(24, settings=replace(S, limit_pct=40)).verdict == "replace"


def test_no_measurable_wear_raises_nothing():
    """Less than a casting's tolerance, and then years afloat: by the figures it would be through."""
    assert state_of(4.5, half_width=4, next_on=date(2030, 10, 15)).verdict == "ok"


def test_a_photo_that_failed_leaves_the_reading_before_to_go_by():
    part = fitting("shaft port", date(2021, 4, 10))
    good, failed = reading("shaft port", OCTOBER, 18), reading("shaft port", date(2022, 10, 15), None)
    state = position_states([boat_of((part,), (good, failed), winters(2020, 2022))], S, R)[0]
    assert state.last is failed
    assert state.photo_verdict is None
    # two spells from the reading, one gone by unseen
    assert state.verdict == "replace"
    assert [r.code for r in state.reasons] == ["wont_last", "last_look_failed"]


def test_positions_without_a_part_or_a_photo_have_a_state_too():
    part = fitting("shaft port", date(2021, 4, 10))
    boat = boat_of((part,), (), winters(2020, 2021))
    boat = replace(boat, positions=(*boat.positions, Position("Gannet", "rudder")))
    never, nothing = position_states([boat], S, R)
    assert (never.fitting, never.last, never.rate, never.verdict) == (part, None, None, None)
    assert (nothing.fitting, nothing.verdict, nothing.reasons) == (None, None, ())


def test_a_new_part_begins_anew():
    old, new = (
        fitting("shaft port", date(2021, 4, 10), removed_on=date(2022, 4, 1)),
        fitting("shaft port", date(2022, 4, 10)),
    )
    boat = boat_of(
        (new, old),
        (
            reading("shaft port", OCTOBER, 70, verdict="replace"),
            reading("shaft port", date(2022, 10, 15), 12),
        ),
        winters(2020, 2022),
    )
    state = position_states([boat], S, R)[0]
    assert state.fitting is new
    assert state.rate is not None
    assert state.rate.n_readings == 1
    assert state.rate.season is not None
    assert state.rate.season.of_part_before
    assert state.rate.season.pct_before.value == 70


def test_many_boats_are_reckoned_as_each_alone():
    part = fitting("shaft port", date(2021, 4, 10))
    boats = [
        boat_of((part,), (reading("shaft port", OCTOBER, g),), winters(2020, 2021), name=f"Boat {g}")
        for g in (8, 20, 40)
    ]
    together = position_states(boats, S, R)
    assert [s.boat.name for s in together] == ["Boat 8", "Boat 20", "Boat 40"]
    for boat, state in zip(boats, together, strict=True):
        assert position_states([boat], S, R) == (state,)


def test_every_code_of_the_book_is_in_the_catalogue():
    for code in ("wont_last", "might_not_last", "last_look_failed"):
        assert code in FINDINGS


def two_seasons(first: float, second: float, half_width: float = 6.0):
    """The state of a part read after two seasons."""
    part = fitting("shaft port", date(2020, 4, 10))
    read = (
        reading("shaft port", date(2020, 10, 15), first, half_width, verdict="replace"),
        reading("shaft port", OCTOBER, second, half_width, verdict="ok"),
    )
    boat = boat_of((part,), read, winters(2019, 2021))
    return boat, position_states([boat], S, R)[0]


def test_metal_that_came_back_is_asked_about_and_foretells_nothing():
    """Conservation of mass: an anode only loses metal."""
    boat, state = two_seasons(68, 16)
    assert [r.code for r in state.reasons] == ["metal_grew"]
    assert "68 %" in state.reasons[0].message
    assert "16 %" in state.reasons[0].message
    assert (state.rate, state.outlook, state.verdict) == (None, None, "ok")
    codes = [n.reason.code for n in notices([boat], [state], S, R)]
    assert codes == ["metal_grew"], "and no word of paint or a broken bond"


def test_a_fall_within_the_doubt_is_no_fall():
    _, state = two_seasons(20, 17)
    assert [r.code for r in state.reasons if r.code == "metal_grew"] == []
    assert state.rate is not None


def test_a_part_that_was_exchanged_and_noted_is_not_asked_about():
    parts = (
        replace(fitting("shaft port", date(2020, 4, 10)), removed_on=date(2021, 4, 1)),
        fitting("shaft port", date(2021, 4, 1)),
    )
    read = (
        reading("shaft port", date(2020, 10, 15), 68, 6, verdict="replace"),
        reading("shaft port", OCTOBER, 16, 6, verdict="ok"),
    )
    (state,) = position_states([boat_of(parts, read, winters(2019, 2021))], S, R)
    assert "metal_grew" not in [r.code for r in state.reasons]
    assert state.rate is not None
