"""Every rule of the verdict, at its boundary and either side of it, and the order in which reasons stand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely

from anodewane.record import AreaFigures, Consumed, HoleFinding, Interval, MassFigures, RecessionFigures
from anodewane.records import Photo, PrintScale, ScalePart, Source, Wear
from anodewane.refusals import FINDINGS
from anodewane.settings import Settings
from anodewane.stages.decide import CLOSE_CAMERA_MM, decide, limits_of
from made.exact_views import placed, plate

TEMPLATE = plate(shapely.box(-50, -30, 50, 30), holes=((0, 0, 10),), washer_mm=20.0)
PLACEMENT, MASK, PLANE = placed(TEMPLATE, shapely.box(-45, -25, 45, 25), 15.0)
MASK = replace(MASK, segmenter="network")
PHOTO = Photo(np.zeros((2, 2, 3), np.uint8), Source("x.jpg", "0" * 64, 1), None, 26.0, None, ())


def wear(value: float, low: float | None = None, high: float | None = None, **changes: Any) -> Wear:
    mass = Interval(value, value - 5 if low is None else low, value + 5 if high is None else high)
    made = Wear(
        consumed=Consumed(Interval(value / 2, value / 2 - 1, value / 2 + 1), mass, 0.9),
        area=AreaFigures(6000.0, 4500.0),
        mass=MassFigures(800.0, Interval(500.0, 450.0, 550.0), "recession"),
        recession_mm=RecessionFigures(3.0, 5.0, 7.0, (10.0, 5.0), False, 0.4, (1.0, 0.0)),
        holes=(hole("sound"),),
        pieces_lost=0,
        core_shows=False,
        no_measurable_wear=False,
        remaining_thickness_mm=Interval(15.0, 13.0, 17.0),
        budget={},
    )
    return replace(made, **changes)


def hole(state: str, diameter: float | None = 10.5) -> HoleFinding:
    growth = None if diameter is None else diameter - 10.0
    return HoleFinding(0, 10.0, diameter, growth, 20.0, state)  # type: ignore[arg-type]


def verdict_of(w: Wear, settings: Settings | None = None, **parts: Any) -> tuple[str, list[str]]:
    grade, reasons = decide(
        w,
        parts.get("placement", PLACEMENT),
        parts.get("mask", MASK),
        parts.get("plane", PLANE),
        parts.get("photo", PHOTO),
        settings or Settings(),
    )
    assert all(r.code in FINDINGS for r in reasons)
    assert all("{" not in r.message for r in reasons)
    return grade, [r.code for r in reasons]


# --- percentages ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "high", "grade", "code"),
    [
        (62.0, 70.0, "replace", "past_limit"),
        (50.0, 55.0, "replace", "past_limit"),  # at the limit is past it
        (49.999, 49.9995, "monitor", "watch"),
        (49.0, 50.0, "monitor", "could_be_past_limit"),  # the interval's end at the limit
        (20.0, 50.0, "monitor", "could_be_past_limit"),  # however small the value
        (20.0, 49.999, "ok", "sound"),
        (30.0, 40.0, "monitor", "watch"),  # at monitor_from
        (29.999, 40.0, "ok", "sound"),
        (0.0, 4.0, "ok", "sound"),
        (100.0, 100.0, "replace", "past_limit"),
    ],
)
def test_the_percentages(value: float, high: float, grade: str, code: str) -> None:
    assert verdict_of(wear(value, value - 1, high)) == (grade, [code])


def test_a_wide_interval_below_the_limit_is_never_ok() -> None:
    for value in np.linspace(0, 49, 50):
        assert verdict_of(wear(value, 0.0, 50.0))[0] == "monitor"


@pytest.mark.parametrize(
    ("limit", "monitor_from", "value", "grade"),
    [
        (75.0, 30.0, 60.0, "monitor"),
        (75.0, 65.0, 60.0, "ok"),
        (40.0, 30.0, 45.0, "replace"),
        (30.0, 10.0, 12.0, "monitor"),
    ],
)
def test_the_limit_of_the_settings_counts(
    limit: float, monitor_from: float, value: float, grade: str
) -> None:
    settings = replace(
        Settings(), limit_pct=limit, monitor_from_pct=monitor_from, basis="moorings with planned access"
    )
    assert verdict_of(wear(value), settings)[0] == grade
    limits = limits_of(settings)
    assert (limits.limit_pct, limits.monitor_from_pct, limits.basis) == (
        limit,
        monitor_from,
        "moorings with planned access",
    )


def test_the_reason_has_the_figures_and_the_limit() -> None:
    reasons = decide(
        wear(62.4, 55.1, 69.6), PLACEMENT, MASK, PLANE, PHOTO, replace(Settings(), limit_pct=60.0)
    )[1]
    assert "62 %" in reasons[0].message
    assert "55 to 70 %" in reasons[0].message
    assert "60 %" in reasons[0].message
    assert reasons[0].remedy == "Replace the part."


def test_no_measurable_wear_is_a_warning_not_praise() -> None:
    grade, reasons = decide(
        wear(2.0, 0.0, 6.0, no_measurable_wear=True), PLACEMENT, MASK, PLANE, PHOTO, Settings()
    )
    assert grade == "ok"
    assert reasons[0].code == "no_measurable_wear"
    assert reasons[0].remedy is not None
    assert "warning" in reasons[0].remedy
    assert verdict_of(wear(2.0, 0.0, 60.0, no_measurable_wear=True)) == ("monitor", ["could_be_past_limit"])


# --- faults --------------------------------------------------------------------------------------

FAULTS = {
    "fixing_lost": {"holes": (hole("lost", 21.0),)},
    "core_shows": {"core_shows": True},
    "piece_lost": {"pieces_lost": 1},
}


@pytest.mark.parametrize("code", sorted(FAULTS))
@pytest.mark.parametrize(("value", "high"), [(2.0, 4.0), (35.0, 40.0), (40.0, 60.0), (70.0, 80.0)])
def test_a_fault_means_replace_whatever_the_percentage(code: str, value: float, high: float) -> None:
    grade, codes = verdict_of(wear(value, 0.0, high, **FAULTS[code]))
    assert grade == "replace"
    if value >= 50:
        assert codes == ["past_limit", code]
    elif high >= 50:
        assert codes == [code, "could_be_past_limit"]
    else:
        assert codes == [code]  # nothing soothing beside it


def test_a_fixing_open_to_the_edge_has_no_diameter_to_print() -> None:
    open_hole = decide(wear(10.0, holes=(hole("lost", None),)), PLACEMENT, MASK, PLANE, PHOTO, Settings())[1][
        0
    ]
    assert "hole 1 is open to the edge or gone" in open_hole.message
    wide = decide(wear(10.0, holes=(hole("lost", 20.4),)), PLACEMENT, MASK, PLANE, PHOTO, Settings())[1][0]
    assert "20.4 mm under a 20 mm washer" in wide.message
    assert verdict_of(wear(10.0, holes=(hole("not_seen", None),))) == ("ok", ["sound"])


@pytest.mark.parametrize(("pieces", "words"), [(1, "1 place"), (3, "3 places")])
def test_pieces_are_counted(pieces: int, words: str) -> None:
    assert (
        words
        in decide(wear(10.0, pieces_lost=pieces), PLACEMENT, MASK, PLANE, PHOTO, Settings())[1][0].message
    )


# --- notes and order -----------------------------------------------------------------------------


def test_everything_at_once_in_its_order() -> None:
    one_sided = RecessionFigures(3.0, 5.0, 7.0, (10.0, 5.0), True, 4.2, (1.0, 0.0))
    w = wear(
        60.0,
        holes=(hole("lost", 21.0), replace(hole("grown", 12.0), index=1)),
        core_shows=True,
        pieces_lost=2,
        recession_mm=one_sided,
    )
    w = replace(w, consumed=replace(w.consumed, area_pct=Interval(-3.0, -4.0, -1.0)))
    grade, codes = verdict_of(
        w,
        Settings(),
        placement=replace(PLACEMENT, ambiguous=True),
        mask=replace(MASK, segmenter="manual", notes=("A note of the mask.",)),
        plane=replace(PLANE, distance_mm=CLOSE_CAMERA_MM - 1, check_line_mm=None),
        photo=replace(PHOTO, notes=("A note of the file.",)),
    )
    assert grade == "replace"
    assert codes == [
        "past_limit",
        "fixing_lost",
        "core_shows",
        "piece_lost",
        "hole_grown",
        "one_sided",
        "larger_than_new",
        "print_scale_unmeasured",
        "close_camera",
        "pose_ambiguous",
        "manual_outline",
        "file_note",
        "file_note",
    ]


def test_notes_change_no_grade() -> None:
    noted = {
        "placement": replace(PLACEMENT, ambiguous=True),
        "plane": replace(PLANE, distance_mm=300.0),
        "photo": replace(PHOTO, notes=("Odd.",)),
    }
    for value in (2.0, 35.0, 45.0, 60.0):
        assert verdict_of(wear(value))[0] == verdict_of(wear(value), Settings(), **noted)[0]
        assert verdict_of(wear(value), Settings(), **noted)[1][0] == verdict_of(wear(value))[1][0]


def printed(source: Any, scale: float = 1.0, **more: Any) -> dict[str, Any]:
    parts = (ScalePart(0.8, 1.0, 0.002), ScalePart(0.2, 0.95, 0.01))
    return {"plane": replace(PLANE, printed=PrintScale(scale, scale, source, parts, "A5", **more))}


@pytest.mark.parametrize(
    ("code", "where"),
    [
        ("print_scale_unmeasured", {"plane": replace(PLANE, check_line_mm=None)}),
        ("print_scale_unmeasured", printed("assumed", cause=None)),
        ("printed_off_scale", printed("paper", 0.97, cause="shrunk to the printable area")),
        ("check_line_doubt", printed("measured", cause=None, contradiction="its paper says 97.0 %")),
        ("close_camera", {"plane": replace(PLANE, distance_mm=CLOSE_CAMERA_MM - 0.1)}),
        ("pose_ambiguous", {"placement": replace(PLACEMENT, ambiguous=True)}),
        ("manual_outline", {"mask": replace(MASK, segmenter="manual")}),
        ("file_note", {"photo": replace(PHOTO, notes=("The file is odd.",))}),
    ],
)
def test_each_note_comes_alone_and_only_with_its_cause(code: str, where: dict[str, Any]) -> None:
    assert verdict_of(wear(10.0), **where)[1] == ["sound", code]
    assert verdict_of(wear(10.0), plane=replace(PLANE, distance_mm=CLOSE_CAMERA_MM))[1] == ["sound"]
    for silent in (printed("paper", cause=None), printed("measured", 0.97, cause=None)):
        assert verdict_of(wear(10.0), **silent)[1] == ["sound"]


def test_larger_than_new_only_where_the_whole_interval_says_so() -> None:
    w = wear(1.0, 0.0, 3.0)
    assert (
        "larger_than_new"
        in verdict_of(replace(w, consumed=replace(w.consumed, area_pct=Interval(-2.0, -3.0, -0.1))))[1]
    )
    assert (
        "larger_than_new"
        not in verdict_of(replace(w, consumed=replace(w.consumed, area_pct=Interval(-2.0, -3.0, 0.0))))[1]
    )


def test_fouling_left_off_the_outline_is_said_with_its_length():
    _, reasons = decide(wear(10.0), PLACEMENT, replace(MASK, fouled_mm=(6.0, 8.4)), PLANE, PHOTO, Settings())
    said = [r.message for r in reasons if r.code == "growth_bridged"]
    assert said == [
        (
            "Fouling stands proud of the metal and was taken off the outline "
            "(along about 14 mm of the edge, 2 places)."
        )
    ]
    assert "growth_bridged" not in verdict_of(wear(10.0))[1]
