"""A part on the scales: what is left of it and which share of the new one that is, each with its doubt.

What is left is what the scales say, to their own one-sigma. The share of the new part has the new mass's
doubt too.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot

from anodewane.settings import Settings


@dataclass(frozen=True, slots=True)
class Weighed:
    """left_g and its one-sigma; share of the new mass that is left, and its one-sigma by cause: new_sd
    (the new mass) and scales_sd."""

    left_g: float
    left_sd_g: float
    share: float
    new_sd: float
    scales_sd: float

    @property
    def share_sd(self) -> float:
        return hypot(self.new_sd, self.scales_sd)


def weighed_part(weighed_g: float, new_g: float, new_sd_frac: float, settings: Settings) -> Weighed:
    """A part of `weighed_g` whose new mass is `new_g` to `new_sd_frac` (one-sigma, as a share of it)."""
    share = weighed_g / new_g
    return Weighed(weighed_g, settings.scales_sd_g, share, share * new_sd_frac, settings.scales_sd_g / new_g)
