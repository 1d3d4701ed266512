"""Find the paper's own edges: standard paper is a second, exact scale beside what is printed on it.

Along each side of the printed pattern, lines of sight are followed outwards from the white margin to where
they leave the paper's white for good. Where enough of them leave it on one straight line, that is the
paper's edge, and its place is then measured on each of them where the light is half paper, half ground, in
linear light. What lies on the margin or across the edge makes its lines of sight end early, and is
outvoted; a ground as white as the paper, or an edge that is mostly covered, gives no edge rather than a
false one.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from anodewane.geometry.camera import project
from anodewane.records import PaperEdge, Photo, Plane, SheetLayout, Side
from anodewane.units import SRGB_TO_LINEAR, Floats

SIDES: dict[Side, tuple[float, float]] = {
    "left": (-1.0, 0.0),
    "right": (1.0, 0.0),
    "bottom": (0.0, -1.0),
    "top": (0.0, 1.0),
}
"""Outward normals, sheet frame."""

REACH_MM = 62.0
"""How far beyond the printed pattern an edge is looked for: an A5 pattern in the middle of A4 leaves 51
mm."""

SPACING_MM, KNOTS_MM = 3.0, 4.0
"""Between lines of sight, and between the points of one at which the camera is asked where they are seen."""

LEAVES_FRAC = 0.10
"""Relative difference from the paper's light (rms of three channels) beyond which a point isn't paper:
shading of a lit sheet over a few millimetres is under a twentieth, the palest concrete about a fifth."""

STAYS_MM, BEYOND_MM = 1.0, (4.0, 8.0)
"""How long a line of sight must stay off the paper's white, and where beyond the edge most must still be
off it: a joint between white tiles or planks isn't the end of a sheet."""

MAX_SLOPE = 0.012
"""Largest slope of an edge against the printed pattern: printers feed paper askew by up to about half a
degree."""

MIN_SHARE, MIN_BEYOND = 0.15, 0.6
"""Of a side's lines of sight: how many must end on the edge, and how many of those must still be off paper
beyond."""

COVERED_FRAC = 0.5
"""Light of a side's margin over the brightest side's, below which something lies all along it: that isn't
paper."""

SLOPE_SD = 0.004
"""One-sigma of an edge's slope, beforehand: keeps one that is seen at its end only from swinging at its
middle."""

EDGE_SD_MM = 0.12
"""One-sigma of an edge at best: paper curls, is trimmed a little rounded, and throws a thin shadow."""


def find_paper_edges(photo: Photo, plane: Plane, layout: SheetLayout) -> tuple[PaperEdge, ...]:
    """Find the paper's edges round the printed pattern.

    Parameters
    ----------
    photo : Photo
    plane : Plane
        With any print scale: it is taken out again.
    layout : SheetLayout

    Returns
    -------
    tuple of PaperEdge
        Of the sides on which the edge stands out from the ground: none to four.
    """
    square = np.array([[0, 0, 0], [10, 0, 0], [0, 10, 0.0]])
    ends = project(plane.camera, square)
    px_per_mm = float(np.min(np.linalg.norm(ends[1:] - ends[0], axis=1))) / 10
    found = [e for side in SIDES if (e := _edge(photo.rgb, plane, layout, side, px_per_mm)) is not None]
    brightest = max((light for _, light in found), default=0.0)
    return tuple(edge for edge, light in found if light > COVERED_FRAC * brightest)


def _edge(
    rgb: Any, plane: Plane, layout: SheetLayout, side: Side, px_per_mm: float
) -> tuple[PaperEdge, float] | None:
    """The edge on one side, and the light of what was taken for paper there."""
    board = np.abs(layout.black_mm).reshape(-1, 2).max(axis=0)
    normal = np.array(SIDES[side])
    tangent = np.array([-normal[1], normal[0]])
    begins, half_side = float(abs(board @ normal)), float(abs(board @ tangent))
    along = np.linspace(-half_side, half_side, int(2 * half_side / SPACING_MM) + 1)

    def seen(out: Any) -> Any:
        """Light (n, m, 3) at even distances `out`, (m,) or (n, m), from the pattern's centre."""
        out = np.broadcast_to(out, (len(along), np.shape(out)[-1]))
        # what the camera does is smooth: reckoned every few millimetres, straight between
        m = out.shape[1]
        n_knots = 2 + int((out[0, -1] - out[0, 0]) / KNOTS_MM)
        at = np.linspace(0, m - 1, n_knots)
        knots = out[:, :1] + (out[:, -1:] - out[:, :1]) * at / (m - 1)
        on_sheet = (knots[..., None] * normal + along[:, None, None] * tangent) * plane.print_scale
        flat = on_sheet.reshape(-1, 2)
        at_px = project(plane.camera, np.c_[flat, np.zeros(len(flat))]).reshape(*knots.shape, 2)
        where = np.arange(m) * (n_knots - 1) / (m - 1)
        i = np.minimum(where.astype(int), n_knots - 2)
        part = (where - i)[:, None]
        points = at_px[:, i] * (1 - part) + at_px[:, i + 1] * part
        return _light(rgb, points.reshape(-1, 2)).reshape(*out.shape, 3)

    step = float(np.clip(0.8 / px_per_mm, 0.35, 0.6))
    blur_mm = max(1.2 / px_per_mm, 0.4)
    out = np.arange(begins + step, begins + REACH_MM, step)
    light = _smoothed(seen(out))
    margin = (out > begins + blur_mm) & (out < begins + blur_mm + max(1.5, 2.5 * step))
    paper, clear = _paper_light(light[:, margin])
    off = np.sqrt(np.mean((light / paper[:, None] - 1) ** 2, axis=2))  # nan beyond the photo
    left = (off > LEAVES_FRAC) & (out > begins + blur_mm)
    leaves = _first_stay(left, np.isnan(off), max(2, round(STAYS_MM / step)), out)
    leaves[~clear] = np.nan
    line = _outermost_line(along, leaves, max(1.2, 1.5 / px_per_mm))
    if line is None:
        return None
    at, slope, on_line = line
    edge = at + slope * along
    beyond = (out > edge[:, None] + BEYOND_MM[0]) & (out < edge[:, None] + BEYOND_MM[1]) & ~np.isnan(off)
    still_off = np.sum(beyond & (off > LEAVES_FRAC), axis=1) > 0.5 * np.sum(beyond, axis=1)
    if np.mean(still_off[on_line]) < MIN_BEYOND:
        return None
    fine = np.arange(-4.0 - 2 * blur_mm, 2.5 + 2.5 * blur_mm, float(np.clip(0.5 / px_per_mm, 0.1, 0.4)))
    near = edge[:, None] + fine
    found = _line_through(along[on_line], near[on_line], seen(near)[on_line], begins, blur_mm)
    if found is None:
        return None
    at, slope, sd, contrast = found
    share = len(on_line) / len(along)
    edge_found = PaperEdge(side, at, slope, float(np.hypot(sd, EDGE_SD_MM)), share, contrast)
    return edge_found, float(np.median(paper[on_line]))


def _light(rgb: Any, points_px: Floats) -> Any:
    """Linear light (N, 3) of the photo at points (N, 2), bilinear; nan beyond the photo. Blur mixes light,
    not bytes."""
    height, width = rgb.shape[:2]
    out = np.full((len(points_px), 3), np.nan, np.float32)
    inside = np.all((points_px >= 0) & (points_px <= np.array([width, height]) - 1), axis=1)
    at = points_px[inside]
    x, y = np.minimum(at.astype(int), np.array([width, height]) - 2).T
    u, v = (at - np.c_[x, y]).astype(np.float32).T[..., None]
    upper = SRGB_TO_LINEAR[rgb[y, x]] * (1 - u) + SRGB_TO_LINEAR[rgb[y, x + 1]] * u
    lower = SRGB_TO_LINEAR[rgb[y + 1, x]] * (1 - u) + SRGB_TO_LINEAR[rgb[y + 1, x + 1]] * u
    out[inside] = upper * (1 - v) + lower * v
    return out


def _paper_light(margin: Any) -> tuple[Any, Any]:
    """The paper's light beside each line of sight (n, 3), and where the margin itself shows it (n,): not
    where something lies on it, which is darker than its neighbours. margin : (n, k, 3)."""
    # the brightest of a narrow margin: beside it lie ink and, where the print was enlarged, the edge itself
    bright = np.where(np.isnan(margin), -1.0, margin).sum(axis=2).argmax(axis=1)
    level = margin[np.arange(len(margin)), bright]
    reach = max(1, round(24.0 / SPACING_MM))
    padded = np.pad(level, ((reach, reach), (0, 0)), mode="edge")
    near = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1, axis=0)
    seen = np.where(np.isnan(near), -1.0, near)
    paper = np.maximum(np.quantile(seen, 0.75, axis=-1), 1e-3)
    clear = np.sqrt(np.mean((level / paper - 1) ** 2, axis=1)) < LEAVES_FRAC
    return paper, clear


def _smoothed(light: Any) -> Any:
    """Mean with the neighbours on both sides, along the sheet's side: grain and noise go, the edge
    stays."""
    padded = np.pad(light, ((1, 1), (0, 0), (0, 0)), mode="edge")
    return (padded[:-2] + padded[1:-1] + padded[2:]) / 3


def _first_stay(off: Any, unseen: Any, length: int, out: Any) -> Any:
    """Where (n,) each line of sight first stays off the paper for `length` samples; nan where it doesn't
    in the photo."""
    window: Any = np.lib.stride_tricks.sliding_window_view(off, length, axis=1).all(axis=2)
    ends = np.where(unseen.any(axis=1), unseen.argmax(axis=1), unseen.shape[1])
    first = np.where(window.any(axis=1), window.argmax(axis=1), unseen.shape[1])
    return np.where(first + length <= ends, out[np.minimum(first, len(out) - 1)], np.nan)


def _outermost_line(along: Any, leaves: Any, width_mm: float) -> tuple[float, float, Any] | None:
    """The farthest of the straight lines on which enough lines of sight end: where it crosses the middle,
    its slope, and which of them end there. What lies on the paper, a bar along its edge for one, ends them
    early, nothing ends them
    late: so a line with fewer ends beyond another goes before it. None without any."""
    left, found = leaves.copy(), None
    while True:
        line = _most_on_one_line(along, left, width_mm)
        if line is None or len(line[2]) < max(6, MIN_SHARE * len(along)):
            return found
        found = line
        at, slope, _ = line
        left = np.where(left > at + slope * along + width_mm, left, np.nan)


def _most_on_one_line(along: Any, leaves: Any, width_mm: float) -> tuple[float, float, Any] | None:
    """The straight line, within `MAX_SLOPE` of the pattern, on which most lines of sight end: where it
    crosses the middle, its slope, and which ends lie on it. None without any."""
    ended = np.flatnonzero(~np.isnan(leaves))
    if len(ended) < 5:
        return None
    best: tuple[float, float, float] = (0.0, 0.0, 0.0)
    for slope in np.linspace(-MAX_SLOPE, MAX_SLOPE, 13):
        crossing = np.sort(leaves[ended] - slope * along[ended])
        upto = np.searchsorted(crossing, crossing + width_mm, side="right")
        count = upto - np.arange(len(crossing))
        i = int(count.argmax())
        score = count[i] - 0.5 * abs(slope) / MAX_SLOPE  # of equals the straightest
        if score > best[0]:
            best = (float(score), float(crossing[i : upto[i]].mean()), float(slope))
    _, at, slope = best
    return at, slope, ended[np.abs(leaves[ended] - slope * along[ended] - at) < width_mm]


def _line_through(
    along: Any, out: Any, light: Any, begins: float, blur_mm: float
) -> tuple[float, float, float, float] | None:
    """Place the edge on every line of sight where its light is half paper and half ground, and a robust
    line
    through: where it crosses the side's middle, its slope, one-sigma of the first, and the contrast.

    along : (n,); out, light : (n, m) and (n, m, 3), evenly about the edge.
    """
    fine = out[0, 1] - out[0, 0]
    after = np.arange(out.shape[1]) * fine - 4.0 - 2 * blur_mm
    # on a narrow margin the paper's light is what is brightest between ink and edge
    narrow = np.median(out[:, 0]) + 4.0 + 2 * blur_mm - begins < 4.0 * blur_mm
    inside = (out > begins + blur_mm) & (after < (-blur_mm if narrow else -2.0 * blur_mm))
    paper = _mean_where(light, inside)
    ground = _mean_where(light, np.broadcast_to(after > 2.5 * blur_mm, out.shape))
    step = ground - paper
    size = np.sum(step * step, axis=1)
    with np.errstate(all="ignore"):
        mixed = np.einsum("nmk,nk->nm", light - paper[:, None], step) / size[:, None]
    middle = np.abs(after[:-1])
    crossed = (mixed[:, :-1] < 0.5) & (mixed[:, 1:] >= 0.5) & (middle < 2.5 * blur_mm + 1.0)
    nearest = np.where(crossed, middle, np.inf).argmin(axis=1)
    rows = np.flatnonzero(crossed.any(axis=1) & (size > 0))
    if len(rows) < max(6, 0.5 * len(along)):
        return None
    i = nearest[rows]
    low, high = mixed[rows, i], mixed[rows, i + 1]
    place = out[rows, i] + (0.5 - low) / (high - low) * fine
    terms = np.c_[np.ones(len(rows)), along[rows]]
    spread, weight = 0.3, np.ones(len(rows))
    for _ in range(8):  # Cauchy weights: what still hangs over the edge doesn't pull
        weighed = terms * weight[:, None]
        normal = weighed.T @ weighed + np.diag([0.0, (spread / SLOPE_SD) ** 2])
        solved = np.linalg.solve(normal, weighed.T @ (weight * place))
        miss = place - terms @ solved
        spread = max(1.4826 * float(np.median(np.abs(miss))), 0.02)
        weight = 1 / np.sqrt(1 + (miss / (1.5 * spread)) ** 2)
    contrast = np.median(np.sqrt(size[rows] / np.sum(paper[rows] ** 2, axis=1)))
    sd = (
        2.0 * spread * float(np.sqrt(np.linalg.inv(normal)[0, 0]))
    )  # twice: neighbours share the ground's grain
    return float(solved[0]), float(solved[1]), sd, float(contrast)


def _mean_where(light: Any, where: Any) -> Any:
    """Mean light (n, 3) over the samples (n, m) of each line of sight that are in the photo."""
    use = where & ~np.isnan(light[..., 0])
    total = np.sum(np.where(use[..., None], light, 0.0), axis=1)
    with np.errstate(all="ignore"):
        return total / use.sum(axis=1)[:, None]
