"""How large the sheet was printed: by a ruler, by its paper's edges, or, when neither tells, as printers
do.

Everything that may have happened is a hypothesis: which paper (its own, another size, one cut by hand) and
at what scale (as it should be, shrunk to margins, fitted to another page, anything). Each is a normal
distribution of the scale; the distances between opposite edges, in the pattern's own millimetres, weigh
and narrow it (Bayes' rule, all distributions normal). Opposite edges tell the scale wherever the pattern
sits on the paper; one edge alone does so only as far as printers centre a page. Where one scale is left,
it is used; else the sheet is taken for 100 % and all that remains possible goes into the interval.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from anodewane.catalog.papers import HABITS, PAPERS, Paper
from anodewane.record import LensProfile
from anodewane.records import CardSighting, PaperEdge, Photo, Plane, PrintScale, ScalePart, SheetLayout
from anodewane.settings import Settings
from anodewane.stages.paper import find_paper_edges
from anodewane.stages.plane import locate_camera

OTHER_PAPER, CUT_BY_HAND, CUT_RARELY = 0.20, 0.15, 0.02
"""How often a sheet is printed on paper that it isn't made for, and how often its paper was cut by hand:
often where A5 is half of what the printer takes, else hardly ever. A guess: no survey was found."""

CUT_TO_SIZE, CUT_SD_MM = 0.7, 1.5
"""How often such a cut aims at the size the sheet is made for, and one-sigma of the sides it gives."""

ACTUAL_SIZE, FITTED = 0.7, 0.2
"""On another paper: how often at 100 %, and how often fitted to it; the rest is anything."""

ANISOTROPY_SD = 0.002
"""One-sigma of the scale in x over that in y: feed rollers slip by some tenths of a percent (common
practice)."""

OFF_CENTRE_SD_MM, CENTRED = 2.0, 0.7
"""One-sigma of how far printers shift a page, and how often a page is centred on its paper at all."""

CUT_SPREAD_MM, FREE_SPREAD_MM = 20.0, 60.0
"""Over how many millimetres an edge cut anywhere, and the middle of a page laid anywhere, may fall."""

SAME_FRAC = 0.008
"""Scales closer than this are one answer."""

SURE, SURE_SD_FRAC = 0.9, 0.006
"""Probability and one-sigma from which the paper's answer is used."""

OFF_FRAC, OFF_SIGMAS = 0.006, 2.5
"""How far from 100 % a print must be to be told: less moves the mass by a point or two and is corrected
silently."""

FORGET = 1e-3
"""Weight below which a hypothesis is dropped."""


@dataclass(frozen=True, slots=True)
class _Guess:
    """A hypothesis: weight, scale and its one-sigma, and the paper (None: cut by hand) as it lies under
    the pattern."""

    weight: float
    scale: float
    sd: float
    paper: Paper | None
    wide_mm: float
    high_mm: float
    centred: bool

    def given(self, edges: dict[str, PaperEdge]) -> _Guess:
        """Weighed and narrowed by the edges that are seen."""
        guess = self
        for low, high, side_mm in (("left", "right", self.wide_mm), ("bottom", "top", self.high_mm)):
            seen = [edges[s] for s in (low, high) if s in edges]
            if not seen:
                continue
            if self.paper is None:
                guess = guess.weighed(CUT_SPREAD_MM ** -float(len(seen)))
                continue
            apart = sum(e.offset_mm for e in seen)
            blur = float(np.hypot.reduce([e.offset_sd_mm for e in seen]))
            if len(seen) == 2:
                sd = float(
                    np.hypot.reduce([self.paper.tolerance_mm, blur, ANISOTROPY_SD * side_mm / np.sqrt(2)])
                )
                shift = (seen[0].offset_mm - seen[1].offset_mm) / 2 / OFF_CENTRE_SD_MM
                centred = float(np.exp(-0.5 * shift**2) / (np.sqrt(2 * np.pi) * OFF_CENTRE_SD_MM))
                guess = guess.narrowed(apart, side_mm, sd).weighed(
                    centred if self.centred else 1 / FREE_SPREAD_MM
                )
            elif self.centred:
                sd = float(np.hypot.reduce([self.paper.tolerance_mm / 2, blur, OFF_CENTRE_SD_MM]))
                guess = guess.narrowed(apart, side_mm / 2, sd)
            else:
                guess = guess.weighed(1 / FREE_SPREAD_MM)
        return guess

    def weighed(self, by: float) -> _Guess:
        return _Guess(
            self.weight * by, self.scale, self.sd, self.paper, self.wide_mm, self.high_mm, self.centred
        )

    def narrowed(self, nominal_mm: float, true_mm: float, sd_mm: float) -> _Guess:
        """By a length of `nominal_mm` in the pattern's own millimetres that is `true_mm` give or take
        `sd_mm`."""
        seen, seen_sd = true_mm / nominal_mm, sd_mm / nominal_mm
        both = self.sd**2 + seen_sd**2
        likely = (
            float(np.exp(-0.5 * (seen - self.scale) ** 2 / both) / np.sqrt(2 * np.pi * both))
            * seen
            / nominal_mm
        )
        scale = (self.scale * seen_sd**2 + seen * self.sd**2) / both
        sd = float(np.sqrt(self.sd**2 * seen_sd**2 / both))
        return _Guess(self.weight * likely, scale, sd, self.paper, self.wide_mm, self.high_mm, self.centred)


def tell_print_scale(
    edges: tuple[PaperEdge, ...],
    layout: SheetLayout,
    true_sd_frac: float,
    measured: tuple[float, float, float] | None = None,
) -> PrintScale:
    """Tell how large a sheet was printed.

    Parameters
    ----------
    edges : tuple of PaperEdge
        As `stages.paper` found them.
    layout : SheetLayout
    true_sd_frac : float
        One-sigma of a print at 100 %.
    measured : (x, y, sd), optional
        The check lines as a ruler read them, over 100 mm. They go before the paper, which then only
        confirms or contradicts them.
    """
    left = _posterior({e.side: e for e in edges}, layout, true_sd_frac)
    best = max(left, key=lambda g: g.weight)
    near = [g for g in left if abs(g.scale / best.scale - 1) < SAME_FRAC]
    weight = sum(g.weight for g in near)
    scale = sum(g.weight * g.scale for g in near) / weight
    sd = float(np.sqrt(sum(g.weight * (g.sd**2 + (g.scale - scale) ** 2) for g in near) / weight))
    pairs = _pairs(edges)
    trimmed = best.paper is not None and best.paper.tolerance_mm < CUT_SD_MM
    sure = bool(pairs) and trimmed and weight >= SURE and sd <= SURE_SD_FRAC
    if measured is not None:
        x, y, ruler_sd = measured
        parts: tuple[ScalePart, ...] = (ScalePart(1.0, 1.0, ruler_sd),)
        off = (x + y) / 2 / scale - 1
        against = sure and abs(off) > max(OFF_FRAC, 3 * float(np.hypot(sd, ruler_sd)))
        contradiction = (
            f"the edges of its {best.paper.name} paper say {100 * scale:.1f} %"
            if against and best.paper
            else None
        )
        return PrintScale(
            x, y, "measured", parts, best.paper.name if sure and best.paper else None, None, contradiction
        )
    if not sure:
        return PrintScale(1.0, 1.0, "assumed", _merged(left, 1.0), None, None)
    x, y = _by_axis(scale, best, pairs)
    rest = tuple(g for g in left if g not in near)
    parts = (ScalePart(weight, 1.0, sd), *_merged(rest, scale)) if rest else (ScalePart(1.0, 1.0, sd),)
    off_scale = abs(scale - 1) > max(OFF_FRAC, OFF_SIGMAS * sd)
    paper = best.paper.name if best.paper else None
    return PrintScale(x, y, "paper", parts, paper, _cause(scale, best, layout) if off_scale else None)


def locate_printed(
    photo: Photo,
    sighting: CardSighting,
    settings: Settings,
    lens: LensProfile | None = None,
    check_line_mm: tuple[float, float] | None = None,
) -> Plane:
    """Fit the camera to the sheet's points, with the sheet as large as its paper says it was printed.

    Parameters and refusals are those of `stages.plane.locate_camera`.
    """
    plane = locate_camera(photo, sighting, settings, lens, check_line_mm)
    measured = None
    if check_line_mm is not None:
        measured = (check_line_mm[0] / 100, check_line_mm[1] / 100, settings.check_line_sd_mm / 100)
    edges = find_paper_edges(photo, plane, sighting.layout)
    printed = tell_print_scale(edges, sighting.layout, settings.print_scale_sd_frac, measured)
    return locate_camera(photo, sighting, settings, lens, check_line_mm, printed)


def _posterior(edges: dict[str, PaperEdge], layout: SheetLayout, true_sd_frac: float) -> tuple[_Guess, ...]:
    """All hypotheses that the edges leave, weights normed."""
    printed = 2 * np.abs(layout.black_mm).reshape(-1, 2).max(axis=0)
    weighed = [g.given(edges) for g in _guesses(layout, true_sd_frac)]
    # a pattern that is seen whole isn't larger than its paper
    weighed = [g for g in weighed if np.all(g.scale * printed < (g.wide_mm, g.high_mm))]
    total = sum(g.weight for g in weighed)
    kept = [g for g in weighed if g.weight > FORGET * total]
    total = sum(g.weight for g in kept)
    return tuple(g.weighed(1 / total) for g in kept)


def _guesses(layout: SheetLayout, true_sd_frac: float) -> Iterator[_Guess]:
    """What may have been done to a sheet of this layout, before any edge is seen."""
    wide, high = layout.size_mm
    habits = [(h.weight, h.scale, true_sd_frac if h.scale == 1.0 else h.sd) for h in HABITS]

    def on(
        paper: Paper | None, share: float, w: float, h: float, scales: list[tuple[float, float, float]]
    ) -> Iterator[_Guess]:
        for weight, scale, sd in scales:
            for centred, often in ((True, CENTRED), (False, 1 - CENTRED)):
                yield _Guess(share * weight * often, scale, sd, paper, w, h, centred)

    own = paper_of(layout)
    cut = CUT_BY_HAND if own is not None and own.name == "A5" else CUT_RARELY
    yield from on(None, cut * (1 - CUT_TO_SIZE), wide, high, habits)
    yield from on(Paper(own.name if own else "", 0, 0, CUT_SD_MM, 0), cut * CUT_TO_SIZE, wide, high, habits)
    others = []
    for paper in PAPERS:
        for w, h in ((paper.long_mm, paper.short_mm), (paper.short_mm, paper.long_mm)):
            if abs(w - wide) < 1 and abs(h - high) < 1:
                yield from on(paper, 1 - OTHER_PAPER - cut, w, h, habits)
            else:
                others.append((paper, w, h))
    common = sum(paper.common for paper, _, _ in others)
    for paper, w, h in others:
        fit = min(w / wide, h / high)
        scales = [
            (ACTUAL_SIZE, 1.0, true_sd_frac),
            (0.5 * FITTED, fit, 0.004),
            (0.5 * FITTED, 0.965 * fit, 0.015),
            (1 - ACTUAL_SIZE - FITTED, 0.98, 0.03),
        ]
        yield from on(paper, OTHER_PAPER * paper.common / common, w, h, scales)


def paper_of(layout: SheetLayout) -> Paper | None:
    """The standard paper that a layout is made for; None for any other size."""
    sides = sorted(layout.size_mm)
    return next((p for p in PAPERS if np.allclose(sides, (p.short_mm, p.long_mm), atol=1.0)), None)


def _pairs(edges: tuple[PaperEdge, ...]) -> dict[str, float]:
    """Distance of opposite edges, in the pattern's own mm, where both are seen: "x", "y"."""
    at = {e.side: e.offset_mm for e in edges}
    both = {"x": ("left", "right"), "y": ("bottom", "top")}
    return {axis: at[a] + at[b] for axis, (a, b) in both.items() if a in at and b in at}


def _by_axis(scale: float, best: _Guess, pairs: dict[str, float]) -> tuple[float, float]:
    """The scale along x and y: apart only as far as the paper's own tolerance lets them be told apart."""
    if len(pairs) < 2 or best.paper is None:
        return scale, scale
    ratio = (best.wide_mm / pairs["x"]) / (best.high_mm / pairs["y"])
    cut = float(np.hypot(best.paper.tolerance_mm / best.wide_mm, best.paper.tolerance_mm / best.high_mm))
    half = 0.5 * (ratio - 1) * ANISOTROPY_SD**2 / (ANISOTROPY_SD**2 + cut**2)
    return scale * (1 + half), scale * (1 - half)


def _merged(guesses: tuple[_Guess, ...], by: float) -> tuple[ScalePart, ...]:
    """Hypotheses as parts over the scale `by`, alike ones in one."""
    parts: list[ScalePart] = []
    for g in sorted(guesses, key=lambda g: -g.weight):
        for i, p in enumerate(parts):
            if abs(p.ratio - g.scale / by) < 0.5 * p.sd_frac and 0.7 < p.sd_frac * by / g.sd < 1.4:
                parts[i] = ScalePart(p.weight + g.weight, p.ratio, p.sd_frac)
                break
        else:
            parts.append(ScalePart(g.weight, g.scale / by, g.sd / by))
    return tuple(parts)


def _cause(scale: float, best: _Guess, layout: SheetLayout) -> str:
    """What went wrong in printing, in words."""
    own = paper_of(layout)
    assert best.paper is not None
    if own is not None and best.paper.name != own.name:
        return f"a sheet made for {own.name} was fitted to {best.paper.name}"
    habit = min(HABITS[1:4], key=lambda h: abs(h.scale - scale))
    return (
        habit.words
        if abs(habit.scale - scale) < 0.012
        else "printed smaller"
        if scale < 1
        else "printed larger"
    )
