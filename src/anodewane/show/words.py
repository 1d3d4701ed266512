"""The record in a few lines for people: a headline, the figures, the reasons and what to do. The
command, the overlay and reports say the same words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from anodewane.record import MeasuredFigures, Verdict
from anodewane.show.figures import grams, millimetres, number, percent, span
from anodewane.show.marks import grade_of, mark_of

HOW_MASS = {
    "weighed": "weighed",
    "thickness": "from the outline and the thickness given",
    "recession": "estimated from the outline",
    "views": "from several photos",
}


@dataclass(frozen=True, slots=True)
class Summary:
    """A record in words."""

    headline: str
    """The verdict in capitals."""
    figures: tuple[str, ...]
    """What was measured, one line each."""
    reasons: tuple[tuple[str, str | None], ...]
    """(sentence, remedy or None), in the record's order."""


def summary(verdict: Verdict) -> Summary:
    """Return the words for a record."""
    reasons = tuple((r.message, r.remedy) for r in verdict.reasons)
    if verdict.measured is not None:
        figures = tuple(_sizes(verdict.measured))
    else:
        figures = tuple(_figures(verdict)) if verdict.verdict is not None else ()
    return Summary(mark_of(grade_of(verdict)).word, figures, reasons)


def _figures(verdict: Verdict) -> Iterator[str]:
    worn = not no_wear(verdict)
    if verdict.consumed is not None:
        mass, area = verdict.consumed.mass_pct, verdict.consumed.area_pct
        sure = percent(100 * verdict.consumed.coverage)
        yield f"{gone(verdict)} ({sure} interval {span(mass)}); limit {percent(verdict.limits.limit_pct)}"
        if number(area.value, unit="pct").startswith("-"):
            yield f"the outline reads {percent(-area.value)} larger than the new one ({span(area)} gone)"
        else:
            yield f"{percent(area)} of the outline's area is gone ({span(area)}): area is not mass"
    if verdict.mass is not None and worn:
        left, new = verdict.mass.remaining_g.value, verdict.mass.new_g
        yield f"{grams(left)} left of {grams(new)}, {HOW_MASS[verdict.mass.method]}"
    if verdict.recession_mm is not None and worn:
        mean, most = millimetres(verdict.recession_mm.mean), millimetres(verdict.recession_mm.max)
        yield f"edge worn back {mean} on average, {most} at the worst place"
    if verdict.together is not None:
        before = verdict.together.mass_before_pct
        alone = f"from the one above alone {percent(before)} gone ({span(before)})"
        yield f"{len(verdict.views)} photos together; {alone}"
        if verdict.together.next_photo is not None:
            yield verdict.together.next_photo.message
    if verdict.template is not None:
        how = "best fit of the library" if verdict.template.chosen else "as named"
        yield f"held against template {verdict.template.name} ({how})"


def _sizes(measured: MeasuredFigures) -> Iterator[str]:
    """What can be said of a part that no template is known for: sizes, and no share of anything."""
    length, width = measured.length_mm, measured.width_mm
    yield (
        f"{millimetres(length.value)} x {millimetres(width.value)} across if it is "
        f"{millimetres(measured.height_mm)} high; {millimetres(length.low)} to "
        f"{millimetres(length.high)} long for a height of {millimetres(measured.highest_mm)} down to none"
    )
    if measured.hole_diameters_mm:
        holes = ", ".join(millimetres(d) for d in measured.hole_diameters_mm)
        pitch = f", {millimetres(measured.hole_pitch_mm.value)} apart" if measured.hole_pitch_mm else ""
        yield f"holes {holes} wide{pitch}"
    if measured.may_be:
        yield f"may be worn from {', '.join(measured.may_be)}"


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
