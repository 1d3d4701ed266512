"""Whether a part can have come from a template, by how it would have wasted.

A larger template contains any part. What gives it away is that the part would have to have wasted as none
does: by half its thickness and more at the edge, deep here and hardly there, with metal where the template
has holes. Bounds are those of path-traced parts of known template (93 true, 558 wrong ones).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from anodewane.geometry.rings import pieces_to_shapely, polygons_of, resample_ring, to_shapely
from anodewane.records import Placement

MOST_OF_THICKNESS = 0.8
"""Median recession over the thickness. Path-traced parts reach 0.52 when 87 % of them is gone, for by then
the faces meet; where faces waste at 0.6 of the rate of the sides, parts three quarters gone reach 0.78."""

LEAST_EVEN_FRAC, EVEN_MM, EVEN_FRAC = 0.4, 1.0, 0.35
"""Share of the edge that must have receded by the median, give or take a millimetre and a third."""

MOST_COST = 3.0
"""Of `Placement.fit_cost`: true parts stay below 2.6."""

WORN_FRAC, WORN_FRAC_OF_TWO = 0.2, 0.05
"""Median recession over the thickness from which a hole, and two of them, can't be taken for metal: dirt and
bolts fill holes of parts that are hardly worn."""

FILLED_FRAC, MET_FRAC, FLAW_MM2 = 0.6, 0.5, 20.0
"""Share of a template hole covered by metal that makes it filled; overlap of a seen hole with one of the
template's that makes them the same; area under which a seen hole is a flaw."""

SURE_EVEN_FRAC, SURE_OF_THICKNESS, SURE_COST = 0.8, 0.3, 1.6
"""What confirms a template by its holes, beside every hole being met and none left over."""

SURE_EDGE_FRAC, SURE_EDGE_OF_THICKNESS, SURE_EDGE_COST = 0.95, 0.07, 1.0
"""What confirms one without holes: an edge that has hardly begun to recede, all round."""


@dataclass(frozen=True, slots=True)
class Answer:
    """How a part answers to a template laid on it."""

    median_mm: float
    """Recession of the edge, median along the new outline."""
    even_frac: float
    """Share of the new outline that receded by about as much."""
    drawn: int
    """Holes of the template."""
    met: int
    """Of those, that are holes of the part."""
    filled: int
    """Of those, that are full of metal and could be looked through."""
    stray: int
    """Holes of the part that the template doesn't have."""


def answer_of(placement: Placement) -> Answer:
    """Hold a placed part against its template."""
    import shapely

    template = placement.template
    worn = pieces_to_shapely(placement.plan_mm)
    fresh = to_shapely(template.rings)
    ring = resample_ring(np.asarray(template.rings[0]), max(1.0, fresh.exterior.length / 300))
    shapely.prepare(worn)
    depth = shapely.distance(worn, shapely.points(ring))
    median = float(np.median(depth))
    drawn = [shapely.Polygon(r) for r in template.rings[1:]]
    whole = shapely.union_all([shapely.Polygon(p.exterior) for p in polygons_of(worn)])
    seen = [h for h in polygons_of(whole.difference(worn)) if h.area > FLAW_MM2]

    def same(a: Any, b: Any) -> bool:
        return bool(a.intersection(b).area > MET_FRAC * min(a.area, b.area))

    return Answer(
        median_mm=median,
        even_frac=float(np.mean(np.abs(depth - median) < EVEN_MM + EVEN_FRAC * median)),
        drawn=len(drawn),
        met=sum(any(same(s, d) for s in seen) for d in drawn),
        filled=sum(
            i not in placement.hidden_rings and worn.intersection(d).area > FILLED_FRAC * d.area
            for i, d in enumerate(drawn, start=1)
        ),
        stray=sum(not any(same(s, d) for d in drawn) for s in seen),
    )


def why_not(placement: Placement, answer: Answer) -> str | None:
    """Why the part can't have come from the template, in words; None where it can."""
    thickness = placement.template.thickness_mm
    worn = answer.median_mm / thickness
    if worn > MOST_OF_THICKNESS:
        return f"its edge would have receded by {answer.median_mm:.0f} mm, of {thickness:.0f} mm thickness"
    if placement.anchored_by == "holes" and answer.met == answer.drawn:
        return None  # two holes and more at the template's own pitch: the rest is wear, on one side or all
    uneven = answer.even_frac < LEAST_EVEN_FRAC
    if uneven or (placement.fit_cost > MOST_COST and answer.even_frac < SURE_EVEN_FRAC):
        even = f"{100 * answer.even_frac:.0f} % of its edge"
        return f"it would have wasted unevenly: only {even} by about the same, {answer.median_mm:.1f} mm"
    if answer.filled and worn > (WORN_FRAC if answer.filled == 1 else WORN_FRAC_OF_TWO):
        return f"metal stands where {answer.filled} of the template's {answer.drawn} holes should be"
    return None


def is_confirmed(placement: Placement, answer: Answer) -> bool:
    """Whether holes or edges bear out a template that was chosen from several."""
    worn = answer.median_mm / placement.template.thickness_mm
    if answer.drawn:
        return (
            answer.met == answer.drawn
            and not answer.stray
            and answer.even_frac > SURE_EVEN_FRAC
            and worn < SURE_OF_THICKNESS
            and placement.fit_cost < SURE_COST
        )
    return (
        not answer.stray
        and answer.even_frac > SURE_EDGE_FRAC
        and worn < SURE_EDGE_OF_THICKNESS
        and placement.fit_cost < SURE_EDGE_COST
    )
