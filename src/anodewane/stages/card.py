"""Find the printed sheet: markers on a reduced copy say which sheet and where, saddle points at full
size say it to a few hundredths of a pixel.

The full photo is looked at only in small windows about each saddle, so that the time hardly grows with
the photo's size. A saddle counts where its four squares are dark and light as printed and where it lies
as the others say; so a sheet that is half hidden, or cut by the frame, still works.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np

from anodewane.catalog.sheets import all_layouts
from anodewane.errors import CannotJudge
from anodewane.geometry.camera import apply_homography
from anodewane.geometry.sampling import bilinear
from anodewane.records import CardSighting, Photo, SheetLayout
from anodewane.settings import Settings
from anodewane.stages.markers import (
    ENOUGH_MARKERS,
    LARGEST_ENLARGEMENT,
    cell_places,
    detect_markers,
    soft_patterns,
)
from anodewane.stages.sheet_quality import edge_sigma_px, ink_light, linear_grey, paper_light, square_side_px
from anodewane.units import Floats

SEARCHES = (
    (1000, (13, 13, 10)),
    (1000, (5, 45, 20)),
    (1600, (5, 45, 20)),
    (2600, (5, 45, 20)),
    (4200, (5, 45, 20)),
)
"""Longest side of the copy that is searched, and the detector's threshold windows (least, greatest,
step) in its pixels; in turn, until enough markers are read. One window at 1000 px takes a third of the
time of three and reads at least ten markers of any whole sheet that fills a third of the frame."""

MIN_MARKERS = 3
MIN_SADDLES = 8
CONFIRMING_SADDLES = 2
"""Corners of squares that must be clear round a marker read by itself before it is believed."""

SADDLE_SD_PX = 0.05
"""One-sigma of a saddle at best; the residual of the fit raises it (docs/decisions/0001-sheet-pattern.md)."""


def _homography(from_points: Floats, to_points: Floats, threshold: float) -> tuple[Any, Any]:
    import cv2

    # RANSAC by name: the USAC methods return nothing in OpenCV 5.0 for these points.
    h, keep = cv2.findHomography(
        np.asarray(from_points, np.float64), np.asarray(to_points, np.float64), cv2.RANSAC, threshold
    )
    return h, (None if keep is None else np.ravel(keep).astype(bool))


def find_card(
    photo: Photo, layouts: Mapping[str, SheetLayout] | None = None, settings: Settings | None = None
) -> CardSighting:
    """Find the sheet in a photo.

    Parameters
    ----------
    photo : Photo
    layouts : mapping of name to SheetLayout, default every layout of `anodewane.catalog.sheets`
    settings : Settings, optional
        Uses `max_blur_square_frac`, `min_paper_level`, `max_paper_clipped_frac`, `max_clipped_ink_level`.

    Returns
    -------
    CardSighting
        Sheet points in sheet mm and photo px (pixel centres at integers), with one-sigma; how sharp its
        edges are and how bright its paper.

    Raises
    ------
    CannotJudge
        "no_sheet", "two_sheets", "sheet_too_little", "blurred", "too_dark", "glare".

    Notes
    -----
    Saddles are placed by `cv2.cornerSubPix`; being symmetric they hold still under blur and gamma, which
    move a marker's own corners by half a pixel and more. Edges are measured in linear light: blur acts on
    light, and a mid-level edge in sRGB moves into the dark side by up to 0.6 px.
    """
    layouts = _own_layouts() if layouts is None else layouts
    settings = settings or Settings()
    best: tuple[Any, Any, Any] = (np.zeros((0, 4, 2)), np.zeros(0, int), np.zeros((0, 4, 2)))
    for long_side, windows in SEARCHES:
        if long_side > (LARGEST_ENLARGEMENT + 0.05) * max(photo.rgb.shape):
            break
        seen = detect_markers(photo, _ids_of(layouts), long_side, windows)
        if len(seen[1]) >= len(best[1]):
            best = seen
        if max(_counts(best[1], layouts).values()) >= ENOUGH_MARKERS:
            break
    corners_px, ids, rejected_px = best
    layout, world, image, n_markers = _one_sheet(corners_px, ids, len(rejected_px), layouts, photo)
    saddles_px, ok, px_from_mm = _find_saddles(photo.rgb, layout, world, image)
    n = int(ok.sum())
    if n < MIN_SADDLES:
        raise CannotJudge(
            "sheet_too_little", f"{n} of {len(ok)} square corners are clear, at least {MIN_SADDLES} needed"
        )
    blur_px = edge_sigma_px(photo.rgb, layout, saddles_px, ok)
    level, clipped = paper_light(photo.rgb, layout, px_from_mm)
    square_px = float(np.median(square_side_px(layout, saddles_px, ok)))
    if blur_px is not None and blur_px > settings.max_blur_square_frac * square_px:
        raise CannotJudge(
            "blurred",
            f"edges of the sheet are spread by {blur_px:.1f} px, {100 * blur_px / square_px:.1f} % of a "
            "square's side",
        )
    if level is not None and level < settings.min_paper_level:
        raise CannotJudge("too_dark", f"white paper reads {100 * level:.1f} % of full light")
    if clipped is not None and clipped > settings.max_paper_clipped_frac:
        ink = ink_light(photo.rgb, layout, px_from_mm)
        if ink > settings.max_clipped_ink_level:
            raise CannotJudge(
                "glare",
                f"{100 * clipped:.0f} % of the white paper is at full light, and the black squares read "
                f"{100 * ink:.0f} %",
            )
    return CardSighting(
        layout,
        layout.saddles_mm[ok],
        saddles_px[ok],
        np.full(n, SADDLE_SD_PX),
        n_markers,
        rejected_px,
        blur_px=blur_px,
        paper_level=level,
        paper_clipped_frac=clipped,
    )


def card_laid_out(
    photo: Photo, corners_px: Floats, layouts: Mapping[str, SheetLayout] | None = None
) -> CardSighting | None:
    """Find a sheet whose paper is known to lie between four corners, in whatever way it is turned,
    though no marker need be sharp enough to be read by itself.

    Parameters
    ----------
    photo : Photo
    corners_px : (4, 2) roughly where the paper's corners are, clockwise on the screen
    layouts : mapping of name to SheetLayout, default every layout of `anodewane.catalog.sheets`

    Returns
    -------
    CardSighting or None
        None where the squares or the markers' patterns aren't those of any layout there.
    """
    import cv2

    linear = linear_grey(photo.rgb)
    guesses = []
    for layout in (_own_layouts() if layouts is None else layouts).values():
        world = np.array(layout.size_mm) / 2 * np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]])
        for turn in range(4):
            h = np.asarray(
                cv2.getPerspectiveTransform(
                    world.astype(np.float32), np.roll(corners_px, turn, axis=0).astype(np.float32)
                ),
                float,
            )
            guesses.append(
                (float(np.sort(_likeness_in_place(linear, layout, h))[-EXPECTED_MARKERS:].mean()), layout, h)
            )
    guesses.sort(key=lambda g: -g[0])
    for _, layout, h in guesses[:GUESSES_TRIED]:
        marks = layout.marker_corners_mm.reshape(-1, 2)
        saddles_px, ok, _ = _find_saddles(photo.rgb, layout, marks, apply_homography(h, marks))
        n = int(ok.sum())
        fine = _homography(layout.saddles_mm[ok], saddles_px[ok], np.inf)[0] if n >= MIN_SADDLES else None
        if fine is None:
            continue
        alike = int((_likeness_in_place(linear, layout, fine) > EXPECTED_LIKENESS).sum())
        if alike >= EXPECTED_MARKERS:
            return CardSighting(
                layout,
                layout.saddles_mm[ok],
                saddles_px[ok],
                np.full(n, SADDLE_SD_PX),
                alike,
                np.zeros((0, 4, 2)),
            )
    return None


def _likeness_in_place(linear: Any, layout: SheetLayout, px_from_mm: Any) -> Any:
    """Correlation (M,) of every marker's cells, where the sheet has it, with its own pattern; 0 where
    it reaches beyond the picture."""
    import cv2

    patterns, names = soft_patterns()
    n = round(np.sqrt(patterns.shape[1]))
    frame, grid = cell_places(n)
    upright = {int(name): i for i, (name, turn) in enumerate(names) if turn == 0}
    out = np.zeros(len(layout.marker_ids))
    height, width = linear.shape
    for k, (marker, corners_mm) in enumerate(zip(layout.marker_ids, layout.marker_corners_mm, strict=True)):
        corners = apply_homography(px_from_mm, np.asarray(corners_mm))
        if (corners < 1).any() or (corners > np.array([width, height]) - 2).any():
            continue
        points = apply_homography(
            np.asarray(cv2.getPerspectiveTransform(frame, corners.astype(np.float32)), float), grid
        )
        cells = bilinear(linear, points[:, 0], points[:, 1]).reshape(n, 3, n, 3).mean(axis=(1, 3)).ravel()
        cells = cells - cells.mean()
        out[k] = float(cells @ patterns[upright[int(marker)]]) / max(float(np.linalg.norm(cells)), 1e-6)
    return out


GUESSES_TRIED = 2
EXPECTED_LIKENESS, EXPECTED_MARKERS = 0.6, 5
"""Correlation with the one pattern that must be there: 25 cells of anything else reach it once in a
thousand times."""


def _ids_of(layouts: Mapping[str, SheetLayout]) -> tuple[int, ...]:
    return tuple(sorted({int(i) for layout in layouts.values() for i in layout.marker_ids}))


@lru_cache(maxsize=1)
def _own_layouts() -> Mapping[str, SheetLayout]:
    return all_layouts()


def _counts(ids: Any, layouts: Mapping[str, SheetLayout]) -> dict[str, int]:
    """How many different markers of each layout were read."""
    return {name: int(np.isin(lay.marker_ids, ids).sum()) for name, lay in layouts.items()}


# --- markers: which sheet, and roughly where -----------------------------------------------------


def _one_sheet(
    corners_px: Any, ids: Any, n_rejected: int, layouts: Mapping[str, SheetLayout], photo: Photo
) -> tuple[SheetLayout, Any, Any, int]:
    """Return the layout, and the marker corners that lie on one flat sheet of it: (4 M, 2) mm
    and px, and M."""
    counts = _counts(ids, layouts)
    present = [name for name, n in counts.items() if n >= MIN_MARKERS]
    if not present:
        if _is_mirrored(photo, layouts):
            raise CannotJudge(
                "no_sheet", "a sheet is there, but mirrored: the print or the photo was flipped"
            )
        if max(counts.values()) == 0:
            raise CannotJudge("no_sheet", f"0 markers read, {n_rejected} look-alikes rejected")
        if not _is_confirmed(photo, layouts, corners_px, ids):
            raise CannotJudge("no_sheet", f"{len(ids)} look-alike(s) of its markers, no squares round them")
        raise CannotJudge(
            "sheet_too_little", f"{max(counts.values())} marker(s) read, at least {MIN_MARKERS} needed"
        )
    sheets = [(name, *found) for name in present for found in _flat_groups(corners_px, ids, layouts[name])]
    if not sheets:
        if not _is_confirmed(photo, layouts, corners_px, ids):
            raise CannotJudge("no_sheet", f"{len(ids)} look-alikes of its markers, no squares round them")
        raise CannotJudge("sheet_too_little", "the markers that were read don't lie on one flat sheet")
    if len(sheets) > 1:
        names = sorted({name for name, *_ in sheets})
        raise CannotJudge(
            "two_sheets",
            f"{' and '.join(names)} are both in the photo"
            if len(names) > 1
            else f"two {names[0]} sheets are in the photo",
        )
    name, world, image = sheets[0]
    return layouts[name], world, image, len(world) // 4


def _is_confirmed(photo: Photo, layouts: Mapping[str, SheetLayout], corners_px: Any, ids: Any) -> bool:
    """Whether any of these markers stands among a sheet's squares: wood grain and rigging pass for a marker
    now and then, but not for the corners of the squares beside it too."""
    for corners, marker in zip(corners_px, ids, strict=True):
        for layout in layouts.values():
            if marker in layout.marker_ids:
                world = layout.marker_corners_mm[np.searchsorted(layout.marker_ids, marker)]
                if int(_find_saddles(photo.rgb, layout, world, corners)[1].sum()) >= CONFIRMING_SADDLES:
                    return True
    return False


def _flat_groups(corners_px: Any, ids: Any, layout: SheetLayout) -> list[tuple[Any, Any]]:
    """Groups of at least `MIN_MARKERS` markers, each on one flat sheet of this layout: one for every
    such sheet in the photo."""
    mine = np.isin(ids, layout.marker_ids)
    left_px, left_index = corners_px[mine], np.searchsorted(layout.marker_ids, ids[mine])
    groups = []
    while len(left_index) >= MIN_MARKERS:
        world, image = layout.marker_corners_mm[left_index].reshape(-1, 2), left_px.reshape(-1, 2)
        side_px = float(np.median(np.linalg.norm(np.diff(left_px, axis=1), axis=2)))
        # blur and the detector's threshold push a marker's corners out, alike on all sides, by up to a
        # tenth of its side; a misread marker is off by whole sides
        h, keep = _homography(world, image, max(3.0, 0.25 * side_px))
        # the sheet's y points up, the photo's down: a sheet seen from its front turns over (the sign of
        # the map's Jacobian at the sheet's middle)
        if h is None or keep is None or np.linalg.det(h) > 0:
            break
        whole = keep.reshape(-1, 4).all(axis=1)
        if len(np.unique(left_index[whole])) < MIN_MARKERS:
            break
        corner = np.repeat(whole, 4)
        groups.append((world[corner], image[corner]))
        # a marker with one poor corner still lies on this sheet: only what lies elsewhere can be another one
        off_px = np.linalg.norm(apply_homography(h, world) - image, axis=1).reshape(-1, 4).max(axis=1)
        elsewhere = ~whole & (off_px > 0.75 * side_px)
        left_px, left_index = left_px[elsewhere], left_index[elsewhere]
    return groups


def _is_mirrored(photo: Photo, layouts: Mapping[str, SheetLayout]) -> bool:
    _, ids, _ = detect_markers(
        replace(photo, rgb=np.ascontiguousarray(photo.rgb[:, ::-1])), _ids_of(layouts), 1600
    )
    return max(_counts(ids, layouts).values()) >= MIN_MARKERS


# --- saddles: exactly where ----------------------------------------------------------------------


def _find_saddles(rgb: Any, layout: SheetLayout, world: Floats, image: Floats) -> tuple[Any, Any, Any]:
    """Return saddles (S, 2) px, which of them are clear (S,), and the homography px <- mm through them.

    From the markers outwards: saddles near a marker first, then, with the homography and the lens's
    local bend that these give, all others.
    """
    saddles = layout.saddles_mm
    step = layout.square_mm
    found, ok = np.zeros((len(saddles), 2)), np.zeros(len(saddles), bool)
    known_mm, known_px = world, image
    reach_mm = 1.6 * step
    for _ in range(3):
        h, _keep = _homography(
            known_mm, known_px, np.inf if len(known_mm) < 5 else _threshold(known_mm, known_px, step)
        )
        if h is None:
            break
        nearest = np.min(np.linalg.norm(saddles[:, None] - known_mm[None], axis=2), axis=1)
        try_now = ~ok & (nearest < reach_mm)
        if try_now.any():
            _refine(rgb, layout, h, known_mm, known_px, np.flatnonzero(try_now), found, ok)
        if ok.sum() < 4:
            break
        known_mm, known_px = saddles[ok], found[ok]
        reach_mm = np.inf
    if ok.sum() < 4:
        return found, ok, np.eye(3)
    square_px = float(np.median(square_side_px(layout, found, ok)))
    h, keep = _homography(saddles[ok], found[ok], max(3.0, 0.06 * square_px))
    if h is None or keep is None:
        return found, np.zeros(len(saddles), bool), np.eye(3)
    for _ in range(3):
        # What a lens bends is smooth over the sheet; a saddle that stands out of it by more than the
        # others is half hidden or false.
        miss = found - apply_homography(h, saddles)
        off = np.linalg.norm(miss - _smooth(saddles, miss, ok), axis=1)
        keep = ok & (off < max(0.5, 0.01 * square_px, 5.0 * float(np.median(off[ok]))))
        if keep.sum() == ok.sum() or keep.sum() < 4:
            break
        ok = keep
        h = _homography(saddles[ok], found[ok], max(3.0, 0.06 * square_px))[0]
        if h is None:
            return found, np.zeros(len(saddles), bool), np.eye(3)
    return found, ok, h


def _smooth(saddles: Floats, miss: Floats, ok: Any) -> Any:
    """What a smooth bend says of the residuals (S, 2): a cubic polynomial where there are points enough
    to tell, else their median."""
    if ok.sum() < 20:
        return np.median(miss[ok], axis=0)
    x, y = (saddles / np.abs(saddles).max()).T
    terms = np.column_stack([x**i * y**j for i in range(4) for j in range(4 - i)])
    weight = np.ones(int(ok.sum()))
    for _ in range(4):  # reweighted, so that one false point doesn't bend the whole
        solved = np.linalg.lstsq(terms[ok] * weight[:, None], miss[ok] * weight[:, None], rcond=None)[0]
        left = np.linalg.norm(miss[ok] - terms[ok] @ solved, axis=1)
        weight = 1 / np.sqrt(1 + (left / (2 * np.median(left) + 1e-6)) ** 2)
    return terms @ solved


def _threshold(world: Floats, image: Floats, square_mm: float) -> float:
    """How far in pixels a point may lie off a homography: 6 % of a square, at least 3."""
    px_per_mm = np.ptp(image, axis=0).max() / max(np.ptp(world, axis=0).max(), 1e-9)
    return max(3.0, 0.06 * square_mm * float(px_per_mm))


def _refine(
    rgb: Any, layout: SheetLayout, h: Any, known_mm: Floats, known_px: Floats, which: Any, found: Any, ok: Any
) -> None:
    """Place the saddles `which` at full size, writing to `found` and `ok`."""
    import cv2

    height, width = rgb.shape[:2]
    step = layout.square_mm
    saddles = layout.saddles_mm[which]
    flat = apply_homography(h, saddles)
    error = known_px - apply_homography(h, known_mm)
    weight = (
        np.exp(-((np.linalg.norm(saddles[:, None] - known_mm[None], axis=2) / (1.5 * step)) ** 2)) + 1e-12
    )
    guess = flat + np.where(
        weight.sum(1, keepdims=True) > 0.05, weight @ error / weight.sum(1, keepdims=True), 0.0
    )
    axes = (
        np.stack(
            [
                apply_homography(h, saddles + np.array([0.3 * step, 0])),
                apply_homography(h, saddles + np.array([0, 0.3 * step])),
            ]
        )
        - flat
    )
    reach = np.min(np.linalg.norm(axes, axis=2), axis=0)
    inside = np.all(
        (guess > reach[:, None]) & (guess < np.array([width, height]) - 1 - reach[:, None]), axis=1
    ) & (reach > 2.0)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 40, 0.002)
    for k in np.flatnonzero(inside):
        # half the window: half of 0.3 squares, so that the marker's corner 0.13 squares away hardly comes in
        half = int(np.clip(reach[k] * 0.5, 2, 11))
        roam = max(1.5, 0.6 * reach[k])
        lo = np.maximum(np.floor(guess[k] - roam - reach[k] - 4), 0).astype(int)
        hi = np.ceil(guess[k] + roam + reach[k] + 5).astype(int)
        linear = linear_grey(rgb[lo[1] : hi[1], lo[0] : hi[0]])
        point = np.array([[guess[k] - lo]], np.float32)
        cv2.cornerSubPix(linear, point, (half, half), (-1, -1), stop)
        q = point.reshape(2).astype(float)
        if np.linalg.norm(q + lo - guess[k]) > roam:
            continue
        if _looks_printed(linear, q, axes[:, k], int(layout.saddle_phase[which[k]])):
            found[which[k]] = q + lo
            ok[which[k]] = True


def _looks_printed(linear: Any, centre: Floats, axes: Floats, phase: int) -> bool:
    """Whether the four squares about a saddle are dark and light as printed. axes (2, 2): 0.3 squares
    along sheet x and y, in pixels."""
    u, v = axes * 0.3  # 0.09 of a square: inside the white border about a marker
    signs = [(1, 1), (-1, 1), (-1, -1), (1, -1)]
    x, y = np.array([centre + a * u + b * v for a, b in signs]).T
    values = bilinear(linear, x, y)
    dark = values[[0, 2]] if phase > 0 else values[[1, 3]]
    light = values[[1, 3]] if phase > 0 else values[[0, 2]]
    return bool(light.min() > 1.6 * dark.max() + 0.004 and light.max() < 3.5 * light.min() + 0.02)
