"""What a record's own figures say about it: a record that was changed by hand seldom agrees with itself.

These are necessary conditions of what the tool writes, no proof that a record is as it was:
someone who changes every figure together gets past them. The proof is the evidence bag, and
judging the photo again.
"""

from __future__ import annotations

import re
from typing import Any

from anodewane.record import Interval, Verdict
from anodewane.records import Template
from anodewane.refusals import FINDINGS, REFUSALS
from anodewane.report.texts import Catalogue, clean, shortened
from anodewane.version import own_version

POINTS = 0.06
"""Percentage points by which figures may differ that are rounded to 0.01 each or follow from areas
rounded to 0.1 mm2 and masses rounded to 0.1 g."""

OUTLINE_FRAC = 0.01
"""By which the area inside the outline may differ from the area stated: pieces that overlap and
coordinates rounded to 1 um."""

RECESSION_MM = 0.6
"""By which the plotted recession may differ from the record's greatest: the record goes by the nearest
metal of points up to a 400th of the outline apart."""

REPLACE_CODES = frozenset({"past_limit", "fixing_lost", "core_shows", "piece_lost"})


def doubts(verdict: Verdict, say: Catalogue, template: Template | None = None) -> tuple[str, ...]:
    """Return what is contradictory in a record, one sentence each, in the catalogue's language; empty
    for a record as the tool writes it.

    Parameters
    ----------
    template : Template, optional
        The new part of that name; with it the recession is held against the outline, and its SHA-256
        against the record's.
    """
    found: list[str] = []

    def doubt(key: str, **figures: Any) -> None:
        found.append(say.say(f"doubt.{key}", **figures))

    _shape(verdict, doubt)
    _limits(verdict, say, doubt)
    _intervals(verdict, say, doubt)
    _sums(verdict, say, doubt)
    if verdict.status == "judged":
        _grade(verdict, say, doubt)
        _outline(verdict, say, template, doubt)
    _reasons(verdict, doubt)
    _hashes(verdict, doubt)
    if template is not None and verdict.template is not None:
        from anodewane.catalog.templates import template_digest

        if template_digest(template) != verdict.template.sha256:
            doubt("template")
    return tuple(found)


def _shape(verdict: Verdict, doubt: Any) -> None:
    """A judged record has every figure, a refusal none."""
    figures = {
        name: getattr(verdict, name)
        for name in (
            "verdict",
            "consumed",
            "area",
            "mass",
            "recession_mm",
            "remaining_thickness_mm",
            "outline",
            "scale",
            "template",
            "pieces_lost",
        )
    }
    if verdict.status == "judged":
        if missing := [k for k, v in figures.items() if v is None]:
            doubt("judged_empty", what=", ".join(missing))
    else:
        measured = [
            k
            for k in (
                "verdict",
                "consumed",
                "area",
                "mass",
                "recession_mm",
                "remaining_thickness_mm",
                "pieces_lost",
            )
            if figures[k] is not None
        ]
        if measured or verdict.holes or verdict.budget:
            doubt(
                "refused_full",
                what=", ".join(
                    [
                        *measured,
                        *(["holes"] if verdict.holes else []),
                        *(["budget"] if verdict.budget else []),
                    ]
                ),
            )
    if not verdict.reasons:
        doubt("no_reason")


def _limits(verdict: Verdict, say: Catalogue, doubt: Any) -> None:
    if not 0 <= verdict.limits.monitor_from_pct <= verdict.limits.limit_pct <= 100:
        doubt(
            "limit",
            limit=say.number(verdict.limits.limit_pct, 1),
            monitor=say.number(verdict.limits.monitor_from_pct, 1),
        )


def _intervals(verdict: Verdict, say: Catalogue, doubt: Any) -> None:
    intervals: list[tuple[str, Interval | None]] = [
        ("consumed.mass_pct", verdict.consumed.mass_pct if verdict.consumed else None),
        ("consumed.area_pct", verdict.consumed.area_pct if verdict.consumed else None),
        ("mass.remaining_g", verdict.mass.remaining_g if verdict.mass else None),
        ("remaining_thickness_mm", verdict.remaining_thickness_mm),
    ]
    for name, interval in intervals:
        if interval is not None and not interval.low - 0.011 <= interval.value <= interval.high + 0.011:
            doubt(
                "order",
                what=name,
                value=say.number(interval.value, 2),
                low=say.number(interval.low, 2),
                high=say.number(interval.high, 2),
            )
    if verdict.consumed is not None and not 0 < verdict.consumed.coverage < 1:
        doubt("coverage", coverage=say.number(verdict.consumed.coverage, 3))
    for name, value in verdict.budget.items():
        if value < 0:
            doubt("negative", what=clean(shortened(f"budget.{name}", 60)), value=say.number(value, 3))
    if verdict.recession_mm is not None:
        r = verdict.recession_mm
        if not (0 <= r.mean <= r.max + 0.002 and r.p95 <= r.max + 0.002):
            doubt(
                "recession_order",
                mean=say.number(r.mean, 2),
                p95=say.number(r.p95, 2),
                max=say.number(r.max, 2),
            )


def _sums(verdict: Verdict, say: Catalogue, doubt: Any) -> None:
    """Areas and masses give the same shares as the record states."""
    if verdict.consumed is None:
        return
    if verdict.area is not None and verdict.area.new_mm2 > 0:
        share = 100 * (1 - verdict.area.remaining_mm2 / verdict.area.new_mm2)
        if abs(share - verdict.consumed.area_pct.value) > POINTS:
            doubt("area", from_area=say.number(share, 2), said=say.number(verdict.consumed.area_pct.value, 2))
    if verdict.mass is not None and verdict.mass.new_g > 0:
        share = 100 * (1 - verdict.mass.remaining_g.value / verdict.mass.new_g)
        if abs(share - verdict.consumed.mass_pct.value) > POINTS + 10 / verdict.mass.new_g:
            doubt("mass", from_mass=say.number(share, 2), said=say.number(verdict.consumed.mass_pct.value, 2))


def _grade(verdict: Verdict, say: Catalogue, doubt: Any) -> None:
    """The rule of `stages.decide` on the record's own figures. Near a limit, where rounding decides,
    nothing is said."""
    if verdict.consumed is None or verdict.verdict is None:
        return
    mass, limits = verdict.consumed.mass_pct, verdict.limits
    codes = {r.code for r in verdict.reasons}
    mechanical = (
        bool(codes & (REPLACE_CODES - {"past_limit"}))
        or any(h.state == "lost" for h in verdict.holes)
        or bool(verdict.pieces_lost)
    )
    if (
        min(
            abs(mass.value - limits.limit_pct),
            abs(mass.high - limits.limit_pct),
            abs(mass.value - limits.monitor_from_pct),
        )
        < 0.02
    ):
        return
    if mass.value >= limits.limit_pct or mechanical:
        expected = "replace"
    elif mass.high >= limits.limit_pct or mass.value >= limits.monitor_from_pct:
        expected = "monitor"
    else:
        expected = "ok"
    # the season's book may raise a verdict for its own reasons, never lower it
    grades = ("ok", "monitor", "replace")
    lowered = grades.index(verdict.verdict) < grades.index(expected)
    first = {
        "replace": REPLACE_CODES,
        "monitor": {"could_be_past_limit", "watch"},
        "ok": {"sound", "no_measurable_wear"},
    }[expected]
    if (
        lowered
        or (verdict.verdict != expected and codes & first)
        or ("past_limit" in codes) != (mass.value >= limits.limit_pct)
    ):
        doubt("verdict", expected=say.say(f"verdict.{expected}"), said=say.say(f"verdict.{verdict.verdict}"))
    for hole in verdict.holes:
        past_washer = (
            hole.washer_mm is not None
            and hole.diameter_mm is not None
            and hole.diameter_mm >= hole.washer_mm + 0.01
        )
        unlike = (
            hole.diameter_mm is not None
            and hole.growth_mm is not None
            and abs(hole.diameter_mm - hole.new_mm - hole.growth_mm) > 0.01
        )
        if unlike or (past_washer and hole.state != "lost"):
            doubt("holes", n=hole.index + 1, state=say.say(f"hole_state.{hole.state}"))


def _outline(verdict: Verdict, say: Catalogue, template: Template | None, doubt: Any) -> None:
    from anodewane.report.shapes import recession_round, worn_shape

    if verdict.outline is None or not verdict.outline.part_mm or verdict.area is None:
        return
    worn = worn_shape(verdict)
    if worn is None:
        return
    measured = float(worn.area)
    # of several photos the area is that of the solid that fits all of them, the outline that of the one above
    if not verdict.views and abs(measured - verdict.area.remaining_mm2) > OUTLINE_FRAC * max(
        verdict.area.remaining_mm2, 1.0
    ):
        doubt("outline", measured=say.number(measured), said=say.number(verdict.area.remaining_mm2))
    if template is not None and verdict.recession_mm is not None:
        deepest = float(recession_round(template, worn)[1].max())
        if abs(deepest - verdict.recession_mm.max) > RECESSION_MM:
            doubt("recession", measured=say.number(deepest, 1), said=say.number(verdict.recession_mm.max, 1))


def _reasons(verdict: Verdict, doubt: Any) -> None:
    """Known codes, in the words of the catalogue, of the kind that the status asks for. Another version may
    have had other words: then only the codes are looked at."""
    known = FINDINGS if verdict.status == "judged" else {**REFUSALS, "file_note": FINDINGS["file_note"]}
    own = verdict.provenance.anodewane == own_version()
    for reason in verdict.reasons:
        shown = clean(shortened(reason.code, 40))
        if reason.code not in known:
            doubt("reason_unknown", code=shown)
            continue
        message, remedy = known[reason.code]
        if own and (remedy != reason.remedy or not _pattern(message).fullmatch(reason.message)):
            doubt("reason_words", code=shown)


def _pattern(message: str) -> re.Pattern[str]:
    """A catalogue's sentence with its figures in or left out."""
    whole = re.escape(message).replace(re.escape("{detail}"), ".+")
    bare = re.escape(message.replace(" ({detail})", ""))
    return re.compile(f"{whole}|{bare}", re.DOTALL)


def _hashes(verdict: Verdict, doubt: Any) -> None:
    made = verdict.provenance
    hashes = [
        ("photo.sha256", verdict.photo.sha256, 64),
        ("provenance.settings_digest", made.settings_digest, 16),
    ]
    if made.model_sha256 is not None:
        hashes.append(("provenance.model_sha256", made.model_sha256, 64))
    if verdict.template is not None:
        hashes.append(("template.sha256", verdict.template.sha256, 64))
    if made.manual is not None:
        hashes.append(("provenance.manual.sha256", made.manual.sha256, 64))
    for name, value, length in hashes:
        if not re.fullmatch(f"[0-9a-f]{{{length}}}", value):
            doubt("hash", what=name)
