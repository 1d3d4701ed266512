"""The refit check: is the new part the right one, new, and of the same alloy? What it measures is the baseline of the next season."""

from __future__ import annotations

from dataclasses import dataclass

from anodewane.records import Interval, Reason, Template, Verdict
from anodewane.settings import Settings


@dataclass(frozen=True, slots=True)
class RefitCheck:
    """passed : all that could be checked is right, None where the photo couldn't be judged; baseline_pct : what the photo reads of the new part (about 0), with its
    interval;
    reasons : what was found, each with what to do."""

    passed: bool | None
    baseline_pct: Interval | None
    reasons: tuple[Reason, ...]


def check_refit(verdict: Verdict, template: Template, settings: Settings, alloy_before: str | None = None, weighed_new_g: float | None = None) -> RefitCheck:
    """Check the photo of a part as fitted.

    Parameters
    ----------
    verdict : Verdict
        The photo's record, judged against `template` (or against the library, when nobody named one), without a weight.
    template : Template
        What should sit there.
    alloy_before : str, optional
        Alloy of the part that sat there before, or of the boat's others.
    weighed_new_g : float, optional
        The new part on the scales: by it the metal shows, which a photo can't tell.
    """
    raise NotImplementedError
