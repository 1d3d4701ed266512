"""A record as the tool writes it has no doubts; one that was changed by hand is told, whichever
figure was changed."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from anodewane.catalog.templates import builtin_templates, load_template
from anodewane.record import Verdict
from anodewane.records import Template
from anodewane.report.doubts import doubts
from anodewane.report.texts import LANGUAGES, load_catalogue
from anodewane.show.record_json import verdict_from_json, verdict_to_json
from made.report_samples import TEARDROP, Judged

EN = load_catalogue("en")


def template_of(v: Verdict) -> Template | None:
    if v.template is None:
        return None
    return (
        load_template(str(TEARDROP))
        if v.template.name == "teardrop-plain"
        else builtin_templates()[v.template.name]
    )


def test_what_the_tool_writes_agrees_with_itself(judged_samples: Judged) -> None:
    for name, verdict in judged_samples.verdicts.items():
        read = verdict_from_json(verdict_to_json(verdict))
        assert doubts(read, EN, template_of(read)) == (), name


def change(verdict: Verdict, edit: Callable[[Any], None]) -> Verdict:
    """Edit a record's JSON as a text editor would."""
    plain = json.loads(verdict_to_json(verdict))
    edit(plain)
    return verdict_from_json(json.dumps(plain))


def put(*path: Any) -> Callable[[Any], None]:
    """Set a value: the last item is the value, the others lead there."""

    def edit(plain: Any) -> None:
        for step in path[:-2]:
            plain = plain[step]
        plain[path[-2]] = path[-1]

    return edit


EDITS: dict[str, Callable[[Any], None]] = {
    "the verdict": put("verdict", "ok"),
    "a milder verdict": put("verdict", "monitor"),
    "the mass gone": put("consumed", "mass_pct", "value", 31.0),
    "the interval": put("consumed", "mass_pct", "high", 40.0),
    "the area gone": put("consumed", "area_pct", "value", 5.0),
    "the area left": put("area", "remaining_mm2", 9000.0),
    "the mass left": put("mass", "remaining_g", "value", 900.0),
    "the wear": put("recession_mm", "max", 2.0),
    "the order of wear": put("recession_mm", "mean", 50.0),
    "the thickness": put("remaining_thickness_mm", "value", 99.0),
    "the limit": put("limits", "limit_pct", 90.0),
    "an impossible limit": put("limits", "limit_pct", 500.0),
    "a hole": lambda p: p["holes"][0].update(new_mm=11.0, diameter_mm=12.0, growth_mm=9.0),
    "a hole's state": lambda p: p["holes"][0].update(
        diameter_mm=30.0, growth_mm=30.0 - p["holes"][0]["new_mm"], washer_mm=26.0, state="sound"
    ),
    "the words of a reason": put("reasons", 0, "message", "All is well."),
    "a remedy": put("reasons", 0, "remedy", "Refit."),
    "a code": put("reasons", 0, "code", "fine"),
    "no reasons": put("reasons", []),
    "the photo's hash": put("photo", "sha256", "0" * 63),
    "the settings' digest": put("provenance", "settings_digest", "<b>x</b>"),
    "the template's hash": put("template", "sha256", "ab" * 32),
    "the confidence": put("consumed", "coverage", 1.5),
    "the budget": put("budget", "edge", -1.0),
    "the status": put("status", "cannot_judge"),
    "a missing figure": put("mass", None),
    "the outline": lambda p: p["outline"].update(
        part_mm=[[[0.9 * x, 0.9 * y] for x, y in r] for r in p["outline"]["part_mm"]]
    ),
}


@pytest.mark.parametrize("what", EDITS)
def test_a_record_that_was_changed_by_hand_is_told(what: str, judged_samples: Judged) -> None:
    changed = change(judged_samples.verdicts["replace"], EDITS[what])
    assert doubts(changed, EN, template_of(judged_samples.verdicts["replace"])), what


def test_a_refusal_that_carries_figures_is_told(judged_samples: Judged) -> None:
    refused = json.loads(verdict_to_json(judged_samples.verdicts["refuse"]))
    whole = json.loads(verdict_to_json(judged_samples.verdicts["replace"]))
    for key in ("consumed", "mass", "holes", "budget"):
        assert doubts(verdict_from_json(json.dumps({**refused, key: whole[key]})), EN), key
    assert doubts(verdict_from_json(json.dumps({**refused, "verdict": "ok"})), EN)


@pytest.mark.parametrize("language", LANGUAGES)
def test_doubts_can_be_said_in_every_language(language: str, judged_samples: Judged) -> None:
    for edit in EDITS.values():
        assert all(doubts(change(judged_samples.verdicts["replace"], edit), load_catalogue(language)))


def test_markup_in_a_changed_record_comes_out_as_text(judged_samples: Judged) -> None:
    changed = change(judged_samples.verdicts["replace"], put("budget", "a\u202eb" * 400, -1.0))
    assert all(len(d) < 400 and "\u202e" not in d for d in doubts(changed, EN))
