"""The sheet in a photo taken low along the bench: so foreshortened that its markers are slivers.

The white of the paper still stands out: each bright patch with four sides is laid out flat, and the
sheet is looked for there, where its markers are squares again. Where that finds nothing the photo is
stretched upright.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from anodewane.errors import CannotJudge
from anodewane.geometry.camera import apply_homography
from anodewane.records import CardSighting, Photo
from anodewane.settings import Settings
from anodewane.stages.card import card_laid_out, find_card
from anodewane.units import Floats

STRETCHES = (2.5, 4.5, 7.5)
"""How much taller than wide the photo is made, one after the other: for 24, 13 and 8 degrees
above the bench."""
STRETCHED_BLUR = 3.0
"""An upright blur is stretched too: how much more of it is let pass than in a photo from above."""

FLAT_PX = 1500
FLAT_MARGIN_FRAC = 0.12
SEARCHED_PX = 1400
MOST_PATCHES = 6
"""Of each brightness."""
PATCH_LEAST_FRAC = 5e-4
"""Of the photo, under which a bright patch is no sheet."""


def find_sheet(photo: Photo, settings: Settings) -> tuple[CardSighting, bool]:
    """Find the sheet, laid out flat or stretched where it can't be found as it is; and whether it was
    found as it is.

    Raises
    ------
    CannotJudge
        As `find_card` says of the photo as it is.
    """
    try:
        seen = find_card(photo, settings=settings)
        better = _seen_better(photo, seen)
        return better, better is seen
    except CannotJudge as refusal:
        if refusal.code not in ("no_sheet", "sheet_too_little", "blurred"):
            raise
        for patch in _bright_patches(photo):
            found = _laid_flat(photo, patch)
            if found is not None:
                return found, False
        for stretch in STRETCHES:
            found = _stretched(photo, settings, stretch)
            if found is not None:
                return found, False
        raise


def _seen_better(photo: Photo, seen: CardSighting) -> CardSighting:
    """The same sheet laid out flat by what was found, where it is much foreshortened and more of its
    squares come out so."""
    import cv2

    from_mm, _ = cv2.findHomography(
        np.asarray(seen.points_mm, np.float64), np.asarray(seen.points_px, np.float64), 0
    )
    if from_mm is None:
        return seen
    paper = np.array(seen.layout.size_mm) / 2 * np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]])
    quad = apply_homography(np.asarray(from_mm), paper)
    middle = apply_homography(np.asarray(from_mm), np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
    spread = np.linalg.svd((middle[1:] - middle[0]).T, compute_uv=False)
    if spread[0] < FORESHORTENED * spread[1] or not np.isfinite(quad).all():
        return seen
    better = _laid_flat(photo, quad)
    if (
        better is None
        or better.layout.name != seen.layout.name
        or len(better.points_px) <= len(seen.points_px)
    ):
        return seen
    return replace(
        better, blur_px=seen.blur_px, paper_level=seen.paper_level, paper_clipped_frac=seen.paper_clipped_frac
    )


FORESHORTENED = 2.0
"""How many times shorter a sheet looks one way than the other from which on it is looked at laid out
flat too: from 60 degrees of tilt."""


def _stretched(photo: Photo, settings: Settings, stretch: float) -> CardSighting | None:
    import cv2

    h, w = photo.rgb.shape[:2]
    across, up = float(stretch**-0.5), float(stretch**0.5)
    size = (round(w * across), round(h * up))
    taller = cv2.resize(np.asarray(photo.rgb), size, interpolation=cv2.INTER_CUBIC)
    lenient = replace(settings, max_blur_square_frac=STRETCHED_BLUR * settings.max_blur_square_frac)
    try:
        seen = find_card(replace(photo, rgb=np.ascontiguousarray(taller)), settings=lenient)
    except CannotJudge:
        return None
    scale = np.array([w / size[0], h / size[1]])
    return replace(
        seen,
        points_px=(np.asarray(seen.points_px) + 0.5) * scale - 0.5,
        point_sd_px=np.asarray(seen.point_sd_px) * float(np.sqrt(stretch)),
        rejected_px=(np.asarray(seen.rejected_px) + 0.5) * scale - 0.5,
    )


def _bright_patches(photo: Photo) -> list[Floats]:
    """Corners (4, 2), px, clockwise on the screen, of what is bright and has four sides, the largest of
    each brightness first.

    Part of a sheet may be hidden or beyond the frame."""
    import cv2

    scale = min(1.0, SEARCHED_PX / max(photo.rgb.shape))
    small = cv2.resize(np.asarray(photo.rgb), None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    # paper is bright and colourless, so its least channel stands out more than its light
    least = small.min(axis=2)
    kept: list[Floats] = []
    threshold, _ = cv2.threshold(least, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    brightest = float(np.percentile(least, 99.7))
    for level, across in (
        (threshold, 15),
        ((threshold + 255) / 2, 15),
        (threshold + 0.75 * (brightest - threshold), 1),
    ):
        # print breaks the paper up: close over the black squares, but hardly upright, where
        # little parts sheet and ground; where a bright part lies against the sheet the brightest
        # of it stands alone
        bright = cv2.morphologyEx(
            (least > level).astype(np.uint8),
            cv2.MORPH_CLOSE,
            np.ones((3 if across > 1 else 1, across), np.uint8),
        )
        found: list[tuple[float, Floats]] = []
        contours, _ = cv2.findContours(bright, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
        for contour in contours:
            hull = cv2.convexHull(contour)
            area = float(cv2.contourArea(hull))
            if len(hull) < 4 or area < PATCH_LEAST_FRAC * least.size:
                continue
            quads = [
                q
                for q in _quads_about(hull)
                if area > 0.6 * abs(float(cv2.contourArea(q.astype(np.float32))))
            ]
            found += [(area, (q + 0.5) / scale - 0.5) for q in quads]
        found.sort(key=lambda f: -f[0])
        for _, quad in found[:MOST_PATCHES]:
            near = 0.01 * float(np.ptp(quad, axis=0).max())
            if all(
                min(float(np.abs(np.roll(quad, t, axis=0) - k).max()) for t in range(4)) > near for k in kept
            ):
                kept.append(quad)
    return kept


def _quads_about(hull: Any) -> list[Floats]:
    """Four-sided outlines (4, 2) of a convex one: about the whole of it, and with each side of five
    left out in turn, for a corner that the part hides."""
    import cv2

    out = [np.asarray(cv2.approxPolyN(hull, 4, ensure_convex=True), float).reshape(-1, 2)]
    five = (
        np.asarray(cv2.approxPolyN(hull, 5, ensure_convex=True), float).reshape(-1, 2)
        if len(hull) > 4
        else np.zeros((0, 2))
    )
    for k in range(len(five) if len(five) == 5 else 0):
        a, b, c, d = (
            five[(k + i) % 5] for i in (-1, 0, 1, 2)
        )  # the side b c goes, a b and d c are drawn on until they meet
        cross = np.column_stack([b - a, d - c])
        if abs(np.linalg.det(cross)) < 1e-6:
            continue
        t, u = np.linalg.solve(cross, d - a)
        if t > 1 and u > 1:
            out.append(np.array([a + t * (b - a), d, five[(k + 3) % 5], a]))
    return [q for q in out if len(q) == 4]


def _laid_flat(photo: Photo, quad: Floats) -> CardSighting | None:
    import cv2

    turn = quad if _runs_clockwise(quad) else quad[::-1]
    low, high = FLAT_MARGIN_FRAC * FLAT_PX, (1 - FLAT_MARGIN_FRAC) * FLAT_PX
    square = np.array([[low, low], [high, low], [high, high], [low, high]], np.float32)
    way: Any = cv2.getPerspectiveTransform(turn.astype(np.float32), square)
    back = np.linalg.inv(way)
    flat = cv2.warpPerspective(
        np.asarray(photo.rgb), way, (FLAT_PX, FLAT_PX), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    seen = card_laid_out(replace(photo, rgb=np.ascontiguousarray(flat)), square.astype(float))
    if seen is None:
        return None
    at = np.asarray(seen.points_px)
    here = apply_homography(back, at)
    # a saddle is placed to a share of a pixel of the photo, not of the finer picture that was
    # laid out from it
    step = np.stack([apply_homography(back, at + one) - here for one in np.eye(2)], axis=2)
    spread = np.linalg.svd(step, compute_uv=False)
    return replace(
        seen,
        points_px=here,
        point_sd_px=np.asarray(seen.point_sd_px)
        * np.sqrt(np.maximum(spread[:, 0] / np.maximum(spread[:, 1], 1e-6), 1.0)),
    )


def _runs_clockwise(quad: Floats) -> bool:
    x, y = quad.T
    return bool(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) > 0)  # y runs down
