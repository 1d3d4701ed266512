"""The record as JSON: its schema is made from the record classes and held by an independent validator."""

from __future__ import annotations

import json
import math
from dataclasses import fields, replace
from pathlib import Path

import jsonschema_rs
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anodewane.record import Interval, Outline, ScaleFigures, Verdict
from anodewane.show.record_json import record_schema, verdict_from_json, verdict_to_json, verdict_to_plain
from made.hand_made import judged, refused, ring, signed

COMMITTED = Path(__file__).parents[2] / "docs" / "record.schema.json"

MANY = Outline(tuple(ring(3 + i, radius=5.0, centre=(20.0 * i, 9.0)) for i in range(12)), ())
EVERY = {
    "judged": judged(),
    "refused": refused(),
    "handed": signed(judged()),
    "not compared": judged(template=None, scale=None),
    "many pieces": judged(outline=MANY),
}


def validator() -> jsonschema_rs.Draft202012Validator:
    return jsonschema_rs.Draft202012Validator(record_schema())


@pytest.mark.parametrize("verdict", EVERY.values(), ids=EVERY)
def test_a_record_holds_to_its_schema_by_an_independent_validator(verdict: Verdict) -> None:
    validator().validate(json.loads(verdict_to_json(verdict)))


def test_the_committed_schema_is_the_one_that_the_records_make() -> None:
    assert json.loads(COMMITTED.read_text(encoding="utf-8")) == record_schema(), "run docs/generate.py"


def test_the_schema_is_a_valid_schema_with_a_name() -> None:
    jsonschema_rs.meta.validate(record_schema())
    assert record_schema()["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert record_schema()["$id"].startswith("urn:anodewane:record:")


@pytest.mark.parametrize(
    "spoil",
    [
        lambda r: r.pop("verdict"),
        lambda r: r.update(verdict="maybe"),
        lambda r: r.update(status="ok"),
        lambda r: r["consumed"]["mass_pct"].update(value="62"),
        lambda r: r["consumed"].update(coverage=None),
        lambda r: r["outline"]["photo_px"][0].append([1.0]),
        lambda r: r["reasons"].append({"code": "x", "message": "y"}),
    ],
)
def test_the_schema_and_the_reader_refuse_what_is_wrong(spoil) -> None:  # type: ignore[no-untyped-def]
    record = json.loads(verdict_to_json(judged()))
    spoil(record)
    assert not validator().is_valid(record)
    with pytest.raises(ValueError):
        verdict_from_json(json.dumps(record))


def test_keys_stand_in_the_record_s_order_one_line_each() -> None:
    text = verdict_to_json(judged())
    keys = [f.name for f in fields(Verdict)]
    assert list(json.loads(text)) == keys
    assert [line.split('"')[1] for line in text.splitlines()[1:-1]] == keys


def test_the_stable_keys_are_there() -> None:
    """The keys that other programs may rely on."""
    r = json.loads(verdict_to_json(judged()))
    assert {
        "schema_version",
        "status",
        "verdict",
        "reasons",
        "consumed",
        "area",
        "recession_mm",
        "holes",
        "pieces_lost",
        "outline",
        "scale",
        "template",
    } <= set(r)
    assert {"photo", "budget", "provenance"} <= set(r)
    assert {"code", "message", "remedy"} == set(r["reasons"][0])
    assert {"area_pct", "mass_pct", "coverage"} <= set(r["consumed"])
    assert {"value", "low", "high"} == set(r["consumed"]["mass_pct"])
    assert {"new_mm2", "remaining_mm2"} <= set(r["area"])
    assert {"mean", "p95", "max"} <= set(r["recession_mm"])
    assert {"photo_px", "part_mm"} <= set(r["outline"])
    assert {"layout", "tilt_deg", "distance_mm", "residual_px", "sd_pct", "check_line_mm"} <= set(r["scale"])
    assert {"sha256", "taken"} <= set(r["photo"])


@pytest.mark.parametrize("verdict", EVERY.values(), ids=EVERY)
def test_a_record_that_was_read_writes_the_same_text(verdict: Verdict) -> None:
    text = verdict_to_json(verdict)
    again = verdict_from_json(text)
    assert verdict_to_json(again) == text
    assert again.reasons == verdict.reasons
    assert again.provenance == verdict.provenance


def test_numbers_are_rounded_by_their_unit() -> None:
    odd = judged(
        outline=Outline(
            (tuple((x + 1 / 3, y + 2 / 3) for x, y in ring()),),
            (((1 / 3, 2 / 3), (1.23456, 0.0), (-0.00001, 5.0)),),
        ),
        consumed=replace(judged().consumed, mass_pct=Interval(100 / 3, 1 / 3, 200 / 3)),
        # type: ignore[type-var]
    )
    r = verdict_to_plain(odd)
    assert all(round(v, 2) == v for p in r["outline"]["photo_px"][0] for v in p)
    assert r["outline"]["part_mm"] == [[[0.333, 0.667], [1.235, 0.0], [0.0, 5.0]]]
    assert r["consumed"]["mass_pct"] == {"value": 33.33, "low": 0.33, "high": 66.67}
    assert "-0.0" not in verdict_to_json(odd)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_what_is_not_finite_is_refused(bad: float) -> None:
    scale = judged().scale
    assert isinstance(scale, ScaleFigures)
    with pytest.raises(ValueError, match=r"record\.scale\.tilt_deg: expected a finite number"):
        verdict_to_json(judged(scale=replace(scale, tilt_deg=bad)))
    with pytest.raises(ValueError, match="expected finite numbers"):
        verdict_to_json(judged(outline=Outline((((*ring()[:-1], (bad, 0.0))),), (ring(),))))
    text = verdict_to_json(judged()).replace('"tilt_deg": 12.3', f'"tilt_deg": {json.dumps(bad)}')
    assert json.dumps(bad) in text
    with pytest.raises(ValueError):
        verdict_from_json(text)


def test_keys_of_a_later_version_are_passed_over_and_another_major_version_refused() -> None:
    r = json.loads(verdict_to_json(judged()))
    r["later"] = {"x": 1}
    r["consumed"]["later"] = 2
    validator().validate(r)
    assert verdict_from_json(json.dumps(r)) == verdict_from_json(verdict_to_json(judged()))
    r["schema_version"] = "2.0"
    with pytest.raises(ValueError, match=r"expected 1\.x, got 2\.0"):
        verdict_from_json(json.dumps(r))


@given(
    value=st.floats(-1e6, 1e6),
    name=st.text(max_size=40),
    budget=st.dictionaries(st.text(min_size=1, max_size=8), st.floats(0, 1e3), max_size=4),
)
def test_any_record_comes_back_as_it_was_written(value: float, name: str, budget: dict[str, float]) -> None:
    verdict = judged(
        photo=replace(judged().photo, name=name),
        budget=budget,
        consumed=replace(judged().consumed, mass_pct=Interval(value, value, value)),
    )  # type: ignore[type-var]
    try:
        text = verdict_to_json(verdict)
        text.encode()
    except UnicodeEncodeError:
        return  # a lone surrogate is no text
    again = verdict_from_json(text)
    assert again.photo.name == name
    assert again.consumed is not None
    assert again.consumed.mass_pct.value == pytest.approx(value, abs=0.00501)
    assert verdict_to_json(again) == text
    validator().validate(json.loads(text))
