"""The record in a few lines for people: a headline, the figures, the reasons and what to do. The
command, the overlay and reports say the same words."""

from __future__ import annotations

from dataclasses import dataclass

from anodewane.record import Interval, Verdict

HOW_MASS = {
    "weighed": "weighed",
    "thickness": "from the outline and the thickness given",
    "recession": "estimated from the outline",
    "views": "from several photos",
}
GRADE_WORDS = {"replace": "REPLACE", "monitor": "MONITOR", "ok": "OK"}


@dataclass(frozen=True, slots=True)
class Summary:
    """headline : the verdict in capitals; figures : what was measured, one line each; reasons :
    (sentence, remedy or None), in the record's order."""

    headline: str
    figures: tuple[str, ...]
    reasons: tuple[tuple[str, str | None], ...]


def summary(verdict: Verdict) -> Summary:
    """Return the words for a record."""
    reasons = tuple((r.message, r.remedy) for r in verdict.reasons)
    if verdict.status != "judged" or verdict.verdict is None:
        return Summary("CANNOT JUDGE", (), reasons)
    figures = []
    if verdict.consumed is not None:
        of = f"{verdict.consumed.coverage * 100:.0f} % interval"
        figures.append(
            f"{gone(verdict)} ({of} {span(verdict.consumed.mass_pct)}); limit {verdict.limits.limit_pct:.0f} %"
        )
        area = verdict.consumed.area_pct
        if area.value <= -0.5:
            figures.append(
                f"the outline reads {-area.value:.0f} % larger than the new one ({span(area)} gone)"
            )
        else:
            figures.append(f"{percent(area)} of the outline's area is gone ({span(area)}): area is not mass")
    if verdict.mass is not None and not no_wear(verdict):
        how = HOW_MASS[verdict.mass.method]
        figures.append(f"{verdict.mass.remaining_g.value:.0f} g left of {verdict.mass.new_g:.0f} g, {how}")
    if verdict.recession_mm is not None and not no_wear(verdict):
        figures.append(
            f"edge worn back {verdict.recession_mm.mean:.1f} mm on average, {verdict.recession_mm.max:.1f} mm at the worst place"
        )
    if verdict.together is not None:
        before = verdict.together.mass_before_pct
        figures.append(
            f"{len(verdict.views)} photos together; from the one above alone {percent(before)} gone ({span(before)})"
        )
        if verdict.together.next_photo is not None:
            figures.append(verdict.together.next_photo.message)
    if verdict.template is not None:
        figures.append(
            f"held against template {verdict.template.name} ({'best fit of the library' if verdict.template.chosen else 'as named'})"
        )
    return Summary(GRADE_WORDS[verdict.verdict], tuple(figures), reasons)


def text_summary(verdict: Verdict) -> str:
    """Return the words as plain text, lines ended by a line feed."""
    s = summary(verdict)
    label = f"  ({verdict.label.boat}, {verdict.label.position})" if verdict.label else ""
    lines = [f"{s.headline}  {verdict.photo.name}{label}", *(f"  {f}" for f in s.figures)]
    for message, remedy in s.reasons:
        lines.append(f"  - {message}" + (f" {remedy}" if remedy else ""))
    lines.extend(f"  Caution: {c}" for c in verdict.cautions)
    return "\n".join(lines) + "\n"


def no_wear(verdict: Verdict) -> bool:
    """Whether the record says that no wear could be measured: then figures of wear would say more
    than is known."""
    return any(r.code == "no_measurable_wear" for r in verdict.reasons)


def gone(verdict: Verdict) -> str:
    """ "62 % of the metal is gone", or that no wear can be measured."""
    assert verdict.consumed is not None
    return (
        "no measurable wear"
        if no_wear(verdict)
        else f"{percent(verdict.consumed.mass_pct)} of the metal is gone"
    )


def percent(interval: Interval) -> str:
    """ "34 %" """
    return f"{interval.value:.0f} %"


def span(interval: Interval) -> str:
    """ "28 to 41 %" """
    return f"{interval.low:.0f} to {interval.high:.0f} %"
