"""The refit check: is the new part the right one, new, and of the same alloy? What it measures is the
baseline of the next season."""

from __future__ import annotations

from dataclasses import dataclass

from anodewane.record import Interval, Reason, Verdict
from anodewane.records import Template
from anodewane.refusals import finding
from anodewane.settings import Settings
from anodewane.show.figures import percent, span
from anodewane.wear.metals import METALS

WRONG_PART = frozenset({"template_does_not_fit", "hole_pitch", "template_unclear"})
"""Refusals that say that the part isn't the template's, or can't be told to be."""

MASS_TOLERANCE_FRAC = 0.12
"""By how much a new casting's weight may differ from its template's: 3 to 5 % of tolerance (NACE
SP0387, from memory) and the template's own volume. The alloys lie much further apart: zinc weighs 2.6
times as much as aluminium, aluminium 1.6 times as much as magnesium."""


@dataclass(frozen=True, slots=True)
class RefitCheck:
    """passed : all that could be checked is right, None where the photo couldn't be judged;
    baseline_pct : what the photo reads of the new part (about 0), with its interval; reasons : what was
    found, each with what to do."""

    passed: bool | None
    baseline_pct: Interval | None
    reasons: tuple[Reason, ...]


def check_refit(
    verdict: Verdict,
    template: Template,
    settings: Settings,
    alloy_before: str | None = None,
    weighed_new_g: float | None = None,
) -> RefitCheck:
    """Check the photo of a part as fitted.

    Parameters
    ----------
    verdict : Verdict
        The photo's record, judged against `template` (or against the library, when nobody named one),
        without a weight.
    template : Template
        What should sit there.
    settings : Settings
        Uses `no_wear_below_pct`.
    alloy_before : str, optional
        Alloy of the part that sat there before, or of the boat's others.
    weighed_new_g : float, optional
        The new part on the scales: by it the metal shows, which a photo can't tell.
    """
    alloys = _alloy(template, alloy_before, weighed_new_g)
    if verdict.status != "judged" or verdict.consumed is None or verdict.template is None:
        other = [r for r in verdict.reasons if r.code in WRONG_PART]
        if other:
            return RefitCheck(
                False,
                None,
                (
                    finding("refit_other_part", f"{template.name} expected; {other[0].message.rstrip('.')}"),
                    *alloys,
                ),
            )
        return RefitCheck(None, None, (*(r for r in verdict.reasons if r.remedy), *alloys))
    gone, area = verdict.consumed.mass_pct, verdict.consumed.area_pct
    faults = []
    if verdict.template.name != template.name:
        faults.append(
            finding("refit_other_part", f"{template.name} expected, {verdict.template.name} fits best")
        )
    elif area.high < 0:
        faults.append(
            finding("refit_other_part", f"it reads {percent(-area.value)} larger than {template.name}")
        )
    elif gone.value >= settings.no_wear_below_pct:
        faults.append(finding("refit_worn", f"{percent(gone)} gone, {span(gone)}"))
    faults += [r for r in alloys if r.code == "refit_other_alloy"]
    if faults:
        return RefitCheck(
            False, None if any(r.code == "refit_other_part" for r in faults) else gone, tuple(faults)
        )
    return RefitCheck(
        True, gone, (finding("refit_right", f"{template.name}, no measurable wear, {span(gone)}"), *alloys)
    )


def _alloy(template: Template, before: str | None, weighed_g: float | None) -> tuple[Reason, ...]:
    """What can be said of the alloy: by the template's own against the one before, and by weight."""
    reasons = []
    if before is not None and before != template.alloy:
        reasons.append(
            finding("refit_other_alloy", f"{template.name} is {template.alloy}, {before} sat there before")
        )
    if weighed_g is None:
        return (*reasons, finding("refit_alloy_unseen", f"{template.alloy} by the template"))
    from anodewane.wear.solids import new_mass_g

    expected = new_mass_g(template)
    if abs(weighed_g / expected - 1) > MASS_TOLERANCE_FRAC:
        density = METALS[template.alloy].density_g_cm3
        would_weigh = {m.alloy: expected * m.density_g_cm3 / density for m in METALS.values()}
        nearest = min(would_weigh, key=lambda a: abs(weighed_g / would_weigh[a] - 1))
        like = (
            ""
            if nearest == template.alloy or abs(weighed_g / would_weigh[nearest] - 1) > MASS_TOLERANCE_FRAC
            else f", as {nearest} would"
        )
        reasons.append(
            finding(
                "refit_other_alloy",
                f"it weighs {weighed_g:.0f} g{like}; {template.name} in {template.alloy} weighs about "
                f"{expected:.0f} g",
            )
        )
    return tuple(reasons)
