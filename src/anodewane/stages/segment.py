"""Find the remaining metal: a first look over everything near the sheet picks the part, a second look close up gives its probability map.

Two segmenters, by name: `network` (trained, the default) and `classical` (colours and GrabCut, for contrasting grounds). One never stands in for the other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from anodewane.errors import CannotJudge, UsageError
from anodewane.geometry import project
from anodewane.records import CardSighting, FlatImage, Photo, Plane, SoftMask
from anodewane.settings import Settings
from anodewane.stages.flatten import Window, flatten, overview_window
from anodewane.units import Floats32
from anodewane.weights import shared_session

OVERVIEW_LONG_SIDE_PX = 384
CLOSE_LONG_SIDE_PX = 448
CLOSE_MARGIN_FRAC = 0.2
MIN_CLOSE_SIDE_MM = 64.0
MIN_PART_MM2 = 30.0
"""Smallest piece of metal that is taken for a part: under it a washer's shine would do."""

PIECE_GAP_MM = 14.0
"""Pieces closer together than this are pieces of one broken part."""

CHANNEL_STEP = 32
"""The network halves its input five times: sides are padded to a multiple of this."""

SCALE_MID_MM, SCALE_OCTAVES = 0.6, 4.0
"""The network is told the scale: log2(mm_per_px / 0.6) / 4, about -0.5 to 0.5."""


class Segmenter(Protocol):
    """Anything that tells metal from the rest on a flat image."""

    name: str
    model_sha256: str | None

    def __call__(self, flat: FlatImage) -> SoftMask: ...


def get_segmenter(name: str) -> Segmenter:
    """Return the segmenter of that name.

    Raises
    ------
    UsageError
        No segmenter has that name.
    ModelError
        The network's file is missing or altered.
    """
    if name == "network":
        return NetworkSegmenter()
    if name == "classical":
        return ClassicalSegmenter()
    raise UsageError(f"There is no segmenter '{name}'.", "Known segmenters: network, classical.")


# --- the network ---------------------------------------------------------------------------------------------------------------------


def network_input(flat: FlatImage) -> Floats32:
    """Lay a flat image out as the network takes it.

    Returns
    -------
    ndarray
        float32 (6, h, w): red, green, blue as sRGB 0 to 1 (0.5 where the photo has nothing), the sheet 0 or 1, and the print 0 to 1, all less 0.5; and the scale.
    """
    rgb = flat.rgb.astype(np.float32) / np.float32(255)
    rgb[~flat.valid] = 0.5
    scale = np.full((1, *flat.sheet.shape), 0.5 + np.log2(flat.mm_per_px / SCALE_MID_MM) / SCALE_OCTAVES, np.float32)
    stack = np.concatenate([rgb.transpose(2, 0, 1), flat.sheet[None], flat.print_[None], scale]) - np.float32(0.5)
    return np.ascontiguousarray(stack, np.float32)


class NetworkSegmenter:
    """The trained network, run by onnxruntime on one CPU thread. The session is shared by the process and never pickled."""

    name = "network"

    def __init__(self) -> None:
        self.model_sha256: str | None = shared_session()[1]["sha256"]

    def __call__(self, flat: FlatImage) -> SoftMask:
        session, lock = shared_session()
        x = network_input(flat)
        h, w = x.shape[1:]
        x = np.pad(x, ((0, 0), (0, -h % CHANNEL_STEP), (0, -w % CHANNEL_STEP)), mode="edge")[None]

        def logit(picture: Any) -> Any:
            return session.run([lock["output"]["name"]], {lock["input"]["name"]: np.ascontiguousarray(picture)})[0][0, 0]

        # the mean of the picture and its mirror image is surer than either (docs/decisions/0020-segmenter.md)
        both = 0.5 * (logit(x) + logit(x[..., ::-1])[:, ::-1])
        prob = 1.0 / (1.0 + np.exp(-np.clip(both[:h, :w].astype(np.float32), -30, 30)))
        prob[~flat.valid] = 0.0
        return SoftMask(prob, flat.mm_per_px, flat.origin_mm, self.name, self.model_sha256)


# --- the classical one ---------------------------------------------------------------------------------------------------------------


MAX_METAL_CHROMA = 45.0
"""CIELAB chroma above which nothing is taken for metal by the classical segmenter."""


class ClassicalSegmenter:
    """Colour distance from the ground and from the printed sheet, then GrabCut (Rother, Kolmogorov and Blake 2004) at 384 px or less.

    Useful where the ground differs from the metal in colour or brightness; it takes shadows, and tools of metal's colour, for metal.
    """

    name = "classical"
    model_sha256: str | None = None

    def __call__(self, flat: FlatImage) -> SoftMask:
        import cv2

        h, w = flat.rgb.shape[:2]
        scale = min(1.0, 384 / max(h, w))
        size = (max(8, round(w * scale)), max(8, round(h * scale)))
        rgb = cv2.resize(flat.rgb, size, interpolation=cv2.INTER_AREA)
        valid = cv2.resize(flat.valid.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
        sheet = cv2.resize(flat.sheet, size, interpolation=cv2.INTER_AREA)
        print_ = cv2.resize(flat.print_, size, interpolation=cv2.INTER_AREA)
        lab = cv2.cvtColor(cv2.GaussianBlur(rgb, (0, 0), 1.0).astype(np.float32) / 255, cv2.COLOR_RGB2Lab)
        oddness = np.where(sheet > 0.5, _sheet_oddness(lab, sheet, print_, valid), _ground_oddness(lab, sheet, valid))
        oddness[~valid] = 0
        # the sheet's rim: half paper, half ground, like neither
        rim = (cv2.dilate(sheet, np.ones((5, 5), np.uint8)) > 0.02) & (cv2.erode(sheet, np.ones((3, 3), np.uint8)) < 0.98)
        oddness[rim] = 0
        # metal is grey under any light that a sheet is read in
        oddness[np.linalg.norm(lab[..., 1:], axis=2) > MAX_METAL_CHROMA] = 0
        mask = np.full(oddness.shape, cv2.GC_PR_BGD, np.uint8)
        mask[oddness < 0.6] = cv2.GC_BGD
        mask[oddness > 1.0] = cv2.GC_PR_FGD
        core = cv2.erode((oddness > 1.6).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        mask[core] = cv2.GC_FGD
        ink = (sheet > 0.5) & (print_ < 0.97)
        mask[cv2.dilate(ink.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0] = cv2.GC_BGD
        mask[~valid] = cv2.GC_BGD
        prob = (oddness > 1.0).astype(np.float32)
        if (mask == cv2.GC_FGD).sum() >= 12 and (mask == cv2.GC_BGD).sum() >= 12:
            background, foreground = np.zeros((1, 65)), np.zeros((1, 65))
            cv2.setRNGSeed(1)
            cv2.grabCut(cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), mask, (0, 0, 1, 1), background, foreground, 2, cv2.GC_INIT_WITH_MASK)
            prob = ((mask == cv2.GC_FGD) | (mask == cv2.GC_PR_FGD)).astype(np.float32)
        prob = cv2.morphologyEx(prob, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
        soft: Any = cv2.GaussianBlur(prob, (0, 0), 0.8)
        soft = np.clip(cv2.resize(soft, (w, h), interpolation=cv2.INTER_LINEAR), 0, 1).astype(np.float32)
        soft[~flat.valid] = 0
        return SoftMask(soft, flat.mm_per_px, flat.origin_mm, self.name, None)


def _ground_oddness(lab: Any, sheet: Any, valid: Any) -> Any:
    """How unlike the ground each pixel is: 1 at the edge of what the ground does itself. Darkening counts less than colour, for shadows darken."""
    import cv2

    ground = (cv2.dilate(sheet, np.ones((7, 7), np.uint8)) < 0.05) & valid
    if ground.sum() < 100:
        return np.zeros(lab.shape[:2], np.float32)
    # close up the part fills the middle: what lies along the picture's sides is ground
    side = np.ones_like(ground)
    m = max(2, round(0.12 * min(ground.shape)))
    side[m:-m, m:-m] = False
    samples = lab[ground & side] if (ground & side).sum() >= 200 else lab[ground]
    weight = np.array([0.7, 1.6, 1.6], np.float32)
    rng = np.random.default_rng(0)
    some = samples[rng.choice(len(samples), min(4000, len(samples)), replace=False)] * weight
    cv2.setRNGSeed(1)
    _, labels, centres = cv2.kmeans(some, 5, np.zeros(len(some), np.int32), (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 20, 0.5), 2, cv2.KMEANS_PP_CENTERS)
    labels = np.ravel(labels)
    share = np.bincount(labels, minlength=5) / len(labels)
    # a cluster is ground when it is common, or close to one that is
    common = centres[np.argmax(share)]
    is_ground = (share > 0.16) | (np.linalg.norm(centres - common, axis=1) < 9)
    distance = np.full(lab.shape[:2], np.inf, np.float32)
    for k in np.flatnonzero(is_ground):
        spread = max(4.0, float(np.sqrt(np.mean(np.sum((some[labels == k] - centres[k]) ** 2, axis=1)))))
        d = lab * weight - centres[k]
        d[..., 0] = np.where(d[..., 0] < 0, 0.55 * d[..., 0], d[..., 0])
        distance = np.minimum(distance, np.linalg.norm(d, axis=2) / (2.6 * spread))
    return distance


def _sheet_oddness(lab: Any, sheet: Any, print_: Any, valid: Any) -> Any:
    """How unlike bare paper each pixel of the sheet is; 0 where ink is printed."""
    import cv2

    bare = (cv2.erode(print_, np.ones((3, 3), np.uint8)) > 0.98) & (sheet > 0.98) & valid
    if bare.sum() < 50:
        return np.zeros(lab.shape[:2], np.float32)
    white = np.percentile(lab[bare], 75, axis=0)
    d = lab - white
    # a shadow on paper is smooth, metal is mottled
    mottle = cv2.GaussianBlur(np.abs(lab[..., 0] - cv2.GaussianBlur(lab[..., 0], (0, 0), 2.5)), (0, 0), 1.5)
    oddness = np.hypot(d[..., 0] / 32.0, np.linalg.norm(d[..., 1:], axis=2) / 14.0) + mottle / 4.0
    return np.where(bare, oddness, 0.0).astype(np.float32)


# --- the two looks -------------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Candidate:
    """A cluster of pieces that could be the part: area, distance to the sheet (0 on it), share that lies on the sheet, mean probability, bounding window."""

    label: int
    area_mm2: float
    distance_mm: float
    on_sheet_frac: float
    mean_prob: float
    cut: bool
    window: Window


def find_part(photo: Photo, plane: Plane, sighting: CardSighting, segmenter: Segmenter, settings: Settings) -> SoftMask:  # noqa: ARG001 - as every stage
    """Look twice: find the part near the sheet, then look at it close up.

    Returns
    -------
    SoftMask
        Of a tight window round the part; metal that doesn't belong to it is set to 0.

    Raises
    ------
    CannotJudge
        "no_part", "several_parts", "part_cut_off", "part_unclear".
    """
    layout = sighting.layout
    window = overview_window(photo, plane, layout)
    long_mm = max(window.right - window.left, window.top - window.bottom)
    flat = flatten(photo, plane, layout, window, max(long_mm / OVERVIEW_LONG_SIDE_PX, _photo_mm_per_px(plane)))
    chosen = choose_candidate(flat, segmenter(flat), layout.name.startswith("mat"))
    close_window = _with_margin(chosen.window)
    for attempt in range(2):
        side = max(close_window.right - close_window.left, close_window.top - close_window.bottom)
        close = flatten(photo, plane, layout, close_window, max(side / CLOSE_LONG_SIDE_PX, 0.8 * _photo_mm_per_px(plane)))
        soft = segmenter(close)
        kept, at_edge = _belonging(soft, chosen.window)
        if kept is None:
            raise CannotJudge("part_unclear", "what looked like metal from afar doesn't close up")
        if not at_edge or attempt:
            break
        # the first look saw too little of it: widen once
        close_window = Window(close_window.left - 0.35 * side, close_window.bottom - 0.35 * side, close_window.right + 0.35 * side, close_window.top + 0.35 * side)
    prob = np.where(kept, soft.metal_prob, 0.0).astype(np.float32)
    _refuse_if_cut(prob, close)
    _refuse_if_unclear(prob, soft.mm_per_px)
    return SoftMask(prob, soft.mm_per_px, soft.origin_mm, soft.segmenter, soft.model_sha256)


def _photo_mm_per_px(plane: Plane) -> float:
    """Millimetres of the sheet's plane that one photo pixel spans, at the sheet's centre."""
    ends = project(plane.camera, np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0.0]]))
    return float(1 / np.mean(np.linalg.norm(ends[1:] - ends[0], axis=1)))


def _with_margin(window: Window) -> Window:
    w, h = window.right - window.left, window.top - window.bottom
    margin = max(CLOSE_MARGIN_FRAC * max(w, h), 10.0)
    grow_x, grow_y = max(margin, (MIN_CLOSE_SIDE_MM - w) / 2), max(margin, (MIN_CLOSE_SIDE_MM - h) / 2)
    return Window(window.left - grow_x, window.bottom - grow_y, window.right + grow_x, window.top + grow_y)


def candidates(flat: FlatImage, soft: SoftMask) -> list[Candidate]:
    """Cluster the metal of a first look into things that could be the part, largest first."""
    import cv2

    s = soft.mm_per_px
    metal = (soft.metal_prob > 0.5).astype(np.uint8)
    reach = max(1, round(PIECE_GAP_MM / s / 2))
    joined = cv2.dilate(metal, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1)))
    n, labels = cv2.connectedComponents(joined, connectivity=8)
    to_sheet = cv2.distanceTransform((flat.sheet < 0.5).astype(np.uint8), cv2.DIST_L2, 5) * s
    edge = cv2.dilate((~np.pad(flat.valid, 1)).astype(np.uint8), np.ones((3, 3), np.uint8))[1:-1, 1:-1] > 0
    found = []
    for k in range(1, n):
        here = (labels == k) & (metal > 0)
        area = float(soft.metal_prob[(labels == k) & (soft.metal_prob > 0.2)].sum()) * s * s
        if area < MIN_PART_MM2:
            continue
        rows, cols = np.nonzero(here)
        box = Window(
            float(soft.origin_mm[0] + (cols.min() - 0.5) * s),
            float(soft.origin_mm[1] - (rows.max() + 0.5) * s),
            float(soft.origin_mm[0] + (cols.max() + 0.5) * s),
            float(soft.origin_mm[1] - (rows.min() - 0.5) * s),
        )
        found.append(
            Candidate(k, area, float(to_sheet[here].min()), float((flat.sheet[here] > 0.5).mean()), float(soft.metal_prob[here].mean()), bool((here & edge).any()), box)
        )
    return sorted(found, key=lambda c: -c.area_mm2)


def choose_candidate(flat: FlatImage, soft: SoftMask, mat: bool) -> Candidate:
    """Return the part among the candidates: on a mat the one on it, beside a card the one nearest to it.

    Raises
    ------
    CannotJudge
        "no_part", "several_parts", "part_cut_off".
    """
    found = candidates(flat, soft)
    if not found:
        raise CannotJudge("no_part", f"no metal of {MIN_PART_MM2:.0f} mm2 or more within reach of the sheet")
    largest = found[0].area_mm2
    # specks beside a real part are shine and chips, not rivals
    rivals = [c for c in found if c.area_mm2 >= 0.08 * largest or (mat and c.on_sheet_frac > 0.5)]
    if mat:
        on_it = [c for c in rivals if c.on_sheet_frac > 0.3]
        rivals = [c for c in on_it if c.area_mm2 >= 0.08 * on_it[0].area_mm2] if on_it else rivals
        if not on_it:
            raise CannotJudge("no_part", "no metal lies on the mat")
    else:  # the part lies beside a card: what the print itself looks like (a QR code, a grey patch) is no rival to it
        rivals = [c for c in rivals if c.on_sheet_frac < 0.9] or rivals
    ranked = sorted(rivals, key=lambda c: (c.distance_mm, -c.area_mm2))
    best = ranked[0]
    for other in ranked[1:]:
        near_alike = other.distance_mm - best.distance_mm < (40.0 if mat else 25.0)
        if near_alike and 0.25 < other.area_mm2 / best.area_mm2 < 4.0:
            one, two = (f"{c.area_mm2 / 100:.1f} cm2 at {c.distance_mm:.0f} mm" for c in (best, other))
            raise CannotJudge("several_parts", f"{one} and {two} from the sheet")
        if near_alike and other.area_mm2 > best.area_mm2:
            best = other
    if best.cut:
        raise CannotJudge("part_cut_off", "metal reaches the edge of the photo")
    return best


def _belonging(soft: SoftMask, first: Window) -> tuple[Any, bool]:
    """Return which pixels (h, w) belong to the part: pieces that lie in the first look's window, with their soft rim; and whether they reach the window's edge."""
    import cv2

    s = soft.mm_per_px
    metal = (soft.metal_prob > 0.5).astype(np.uint8)
    n, labels, stats, _ = cv2.connectedComponentsWithStats(metal, connectivity=8)
    if n < 2:
        return None, False
    col = (first.left - 2 * s - soft.origin_mm[0]) / s, (first.right + 2 * s - soft.origin_mm[0]) / s
    row = (soft.origin_mm[1] - first.top - 2 * s) / s, (soft.origin_mm[1] - first.bottom + 2 * s) / s
    inside = np.zeros_like(metal)
    inside[max(0, round(row[0])) : round(row[1]) + 1, max(0, round(col[0])) : round(col[1]) + 1] = 1
    area = stats[1:, cv2.CC_STAT_AREA] * s * s
    overlap = np.bincount(labels.ravel(), weights=inside.ravel(), minlength=n)[1:] / stats[1:, cv2.CC_STAT_AREA]
    main = int(np.argmax(area * overlap))
    keep = (overlap > 0.5) & (area >= max(1.5, 0.002 * area[main]))
    keep[main] = True
    kept = np.isin(labels, np.flatnonzero(keep) + 1).astype(np.uint8)
    others = ((metal > 0) & (kept == 0)).astype(np.uint8)
    rim = cv2.dilate(kept, np.ones((9, 9), np.uint8)) > 0
    rim &= cv2.dilate(others, np.ones((3, 3), np.uint8)) == 0
    at_edge = bool(kept[0].any() or kept[-1].any() or kept[:, 0].any() or kept[:, -1].any())
    return rim | (kept > 0), at_edge


def _refuse_if_cut(prob: Any, flat: FlatImage) -> None:
    import cv2

    out = cv2.dilate((~flat.valid).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    touching = (prob > 0.5) & out
    border = np.zeros_like(out)
    border[[0, -1]], border[:, [0, -1]] = True, True
    length = float((touching | ((prob > 0.5) & border)).sum()) * flat.mm_per_px
    if length > 3.0:
        raise CannotJudge("part_cut_off", f"metal meets the edge of the photo along {length:.0f} mm")


def _refuse_if_unclear(prob: Any, mm_per_px: float) -> None:
    """Refuse where much of the part's area is neither metal nor not: more than its edge's own softness explains."""
    import cv2

    metal = prob > 0.5
    area = float(metal.sum())
    if area * mm_per_px**2 < 4.0:
        raise CannotJudge("no_part", f"only {area * mm_per_px**2:.0f} mm2 of metal seen")
    edge = cv2.morphologyEx(metal.astype(np.uint8), cv2.MORPH_GRADIENT, np.ones((5, 5), np.uint8)) > 0
    doubtful = float(((prob > 0.15) & (prob < 0.85) & ~edge).sum())
    if doubtful > MAX_DOUBTFUL_FRAC * area and doubtful * mm_per_px**2 > 40.0:
        raise CannotJudge("part_unclear", f"{100 * doubtful / area:.0f} % of its area could be metal or not")


MAX_DOUBTFUL_FRAC = 0.25
"""Share of the part's area that may be in doubt away from its edge."""
