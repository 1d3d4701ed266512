"""Find the remaining metal: a first look over everything near the sheet picks the part, a second look
close up gives its probability map.

Two segmenters, by name: `network` (trained, the default) and `classical` (statistics of colour and
texture, for contrasting grounds). One never stands in for the other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from anodewane.errors import CannotJudge, UsageError
from anodewane.geometry.camera import project
from anodewane.records import CardSighting, FlatImage, Photo, Plane, SheetLayout, SoftMask
from anodewane.segment.classical import Surroundings, doubt, metal_prob, support, understand
from anodewane.segment.foreign import refuse_if_foreign, refuse_if_strange
from anodewane.segment.model_file import shared_session
from anodewane.settings import Settings
from anodewane.stages.flatten import Window, flatten, overview_window
from anodewane.units import Floats32

OVERVIEW_LONG_SIDE_PX, OVERVIEW_AGAIN_PX, OVERVIEW_CLASSICAL_PX = 448, 640, 384
"""Pixels along the first look's long side; the second number where the network saw no part or was in
doubt: on gravel it finds at 0.9 mm a pixel what it misses at 1.4."""

LOOK_AGAIN = ("no_part", "part_unclear", "part_cut_off")
"""Refusals after which the first look is taken once more, finer."""

CLOSE_LONG_SIDE_PX = 448
CLOSE_COARSEST_MM = 0.45
"""Millimetres a pixel above which the close look never goes: from about 0.6 on the network loses the
middle of long parts."""
CLOSE_MARGIN_FRAC = 0.2
MIN_CLOSE_SIDE_MM = 64.0
CLOSE_SHORT_SIDE_FRAC, CLOSE_SHORT_SIDE_PX = 0.6, 320
"""The close look's short side, at least: a share of the long one, and pixels."""
CLOSE_ATTEMPTS, CLOSE_GROWTH = 3, 0.5
"""How often the close look is taken while metal reaches a side of its picture, and by what share of the
window's long side that side then moves out."""
OPINIONS = ((0.02, 4),)
CLOSE_OPINIONS = ((-1.0, 2),)
"""Shares of the metal in doubt from which the first and the close look are taken so often. The close look is
always mirrored as well: a sure mistake shows where two looks differ. A third and fourth close look, and looks
in grey, darker and brighter ones, told no more."""
MIN_PART_MM2 = 30.0
"""Smallest piece of metal that is taken for a part: under it a washer's shine would do."""

MAYBE_METAL = 0.15
"""Probability from which the first look takes pixels into the part's window where they touch metal."""

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


# --- the network ---------------------------------------------------------------------------------


def network_input(flat: FlatImage) -> Floats32:
    """Lay a flat image out as the network takes it.

    Returns
    -------
    ndarray
        float32 (6, h, w): red, green, blue as sRGB 0 to 1 (0.5 where the photo has nothing), the sheet
        0 or 1, and the print 0 to 1, all less 0.5; and the scale.
    """
    import cv2

    stack: Floats32 = np.empty((6, *flat.sheet.shape), np.float32)
    for channel, picture in zip(stack, cv2.split(flat.rgb), strict=False):
        channel[:] = cv2.LUT(picture, _LEVELS)
        channel[~flat.valid] = 0.0
    np.subtract(flat.sheet, np.float32(0.5), out=stack[3])
    np.subtract(flat.print_, np.float32(0.5), out=stack[4])
    stack[5] = np.log2(flat.mm_per_px / SCALE_MID_MM) / SCALE_OCTAVES
    return stack


_LEVELS = np.arange(256, dtype=np.float32) / np.float32(255) - np.float32(0.5)


class NetworkSegmenter:
    """The trained network, run by onnxruntime on one CPU thread. The session is shared by the process
    and never pickled.

    Parameters
    ----------
    opinions : tuple of (float, int)
        Where more than so large a share of the metal is in doubt (`doubtful_frac`), the picture is
        looked at so often: as it is, mirrored, turned over.
    """

    name = "network"

    def __init__(self, opinions: tuple[tuple[float, int], ...] = OPINIONS) -> None:
        self.model_sha256: str | None = shared_session()[1]["sha256"]
        self.opinions = opinions

    def __call__(self, flat: FlatImage) -> SoftMask:
        session, lock = shared_session()
        x = network_input(flat)
        h, w = x.shape[1:]
        x = np.pad(x, ((0, 0), (0, -h % CHANNEL_STEP), (0, -w % CHANNEL_STEP)), mode="edge")[None]

        def opinion(turn: tuple[slice, ...]) -> Any:
            """Logits (2, h, w) of the picture looked at mirrored or turned over."""
            picture = np.ascontiguousarray(x[(slice(None), slice(None), *turn)])
            logits = session.run([lock["output"]["name"]], {lock["input"]["name"]: picture})[0][0]
            return logits[(slice(None), *turn)][:, :h, :w].astype(np.float32)

        def prob_of(logits: Any) -> Any:
            prob = 1.0 / (1.0 + np.exp(-np.clip(logits, -30, 30)))
            prob[:, ~flat.valid] = 0.0
            return prob

        # the mean of several looks is surer than one; they cost time, so only where they are needed
        # (docs/decisions/0020-segmenter.md)
        looks = [opinion(_TURNS[0])]
        metal, foreign = prob_of(looks[0])
        for limit, opinions in self.opinions:
            if len(looks) < opinions and doubtful_frac(metal) > limit:
                looks += [opinion(turn) for turn in _TURNS[len(looks) : opinions]]
                metal, foreign = prob_of(np.mean(looks, axis=0))
        spread = np.ptp([prob_of(look)[0] for look in looks], axis=0) if len(looks) > 1 else None
        return SoftMask(metal, flat.mm_per_px, flat.origin_mm, self.name, self.model_sha256, foreign, spread)


_AS_IS, _OVER = slice(None), slice(None, None, -1)
_TURNS = ((_AS_IS, _AS_IS), (_AS_IS, _OVER), (_OVER, _AS_IS), (_OVER, _OVER))


def doubtful_frac(prob: Any) -> float:
    """Share of the metal's area (probability over 0.5) in which the network isn't sure either way, its
    edge left out; at least 0."""
    import cv2

    metal = prob > 0.5
    edge = cv2.morphologyEx(metal.astype(np.uint8), cv2.MORPH_GRADIENT, np.ones((5, 5), np.uint8)) > 0
    return float(((prob > 0.15) & (prob < 0.85) & ~edge).sum() / max(1, metal.sum()))


# --- the classical one ---------------------------------------------------------------------------


@dataclass(slots=True, eq=False)
class ClassicalSegmenter:
    """`anodewane.segment.classical` as a segmenter. `after` gives one that knows the sheet and has
    looked around; one that hasn't learns from each picture itself."""

    layout: SheetLayout | None = None
    around: Surroundings | None = None
    name: str = "classical"
    model_sha256: str | None = None

    def after(self, overview: FlatImage, layout: SheetLayout) -> ClassicalSegmenter:
        return ClassicalSegmenter(layout, understand(overview, layout))

    def __call__(self, flat: FlatImage) -> SoftMask:
        around = self.around or understand(flat, self.layout)
        return SoftMask(
            metal_prob(flat, around, self.layout), flat.mm_per_px, flat.origin_mm, self.name, None
        )

    def refuse_if_doubtful(self, close: FlatImage, prob: Any) -> None:
        """Raise CannotJudge("part_unclear") when the picture doesn't bear the outline out."""
        around = self.around or understand(close, self.layout)
        why = (
            "nothing to compare with" if around is None else doubt(support(close, prob, around, self.layout))
        )
        if why:
            raise CannotJudge("part_unclear", why)


# --- the two looks -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Candidate:
    """A cluster of pieces that could be the part: area, distance to the sheet (0 on it), share that
    lies on the sheet, mean probability, bounding window."""

    label: int
    area_mm2: float
    distance_mm: float
    on_sheet_frac: float
    mean_prob: float
    cut: bool
    window: Window


def find_part(
    photo: Photo,
    plane: Plane,
    sighting: CardSighting,
    segmenter: Segmenter,
    settings: Settings,  # noqa: ARG001 - as every stage
) -> SoftMask:
    """Look twice: find the part near the sheet, then look at it close up.

    Returns
    -------
    SoftMask
        Of a tight window round the part; metal that doesn't belong to it is set to 0.

    Raises
    ------
    CannotJudge
        "no_part", "not_metal", "several_parts", "part_cut_off", "part_unclear".
    """
    if isinstance(segmenter, NetworkSegmenter):
        try:
            return _two_looks(photo, plane, sighting.layout, segmenter, OVERVIEW_LONG_SIDE_PX)
        except CannotJudge as refusal:
            if refusal.code not in LOOK_AGAIN:
                raise
        return _two_looks(photo, plane, sighting.layout, segmenter, OVERVIEW_AGAIN_PX)
    return _two_looks(photo, plane, sighting.layout, segmenter, OVERVIEW_CLASSICAL_PX)


def _two_looks(
    photo: Photo, plane: Plane, layout: SheetLayout, segmenter: Segmenter, overview_px: int
) -> SoftMask:
    window = overview_window(photo, plane, layout)
    long_mm = max(window.right - window.left, window.top - window.bottom)
    px_mm = _photo_mm_per_px(plane)
    flat = flatten(photo, plane, layout, window, max(long_mm / overview_px, px_mm))
    if isinstance(segmenter, ClassicalSegmenter):
        segmenter = segmenter.after(flat, layout)
    chosen = choose_candidate(flat, segmenter(flat), layout.name.startswith("mat"))
    if isinstance(segmenter, NetworkSegmenter):
        segmenter = NetworkSegmenter(CLOSE_OPINIONS)
    around = chosen.window
    for attempt in range(CLOSE_ATTEMPTS):
        close_window, s = _close_up(around, px_mm)
        close = flatten(photo, plane, layout, close_window, s)
        soft = segmenter(close)
        kept, touched = _belonging(soft, chosen.window)
        if kept is None:
            refuse_if_strange(soft)
            raise CannotJudge("no_part", "what looked like metal from afar doesn't close up")
        if touched is None or attempt == CLOSE_ATTEMPTS - 1:
            break
        # the first look saw too little of it: move the sides that the metal reaches
        around = _grown(around, touched)
    prob = np.where(kept, soft.metal_prob, 0.0).astype(np.float32)
    refuse_if_foreign(soft, kept)
    _refuse_if_cut(prob, close)
    _refuse_if_unclear(prob, soft.mm_per_px)
    _refuse_if_looks_differ(prob, soft)
    if isinstance(segmenter, ClassicalSegmenter):
        segmenter.refuse_if_doubtful(close, prob)
    return SoftMask(prob, soft.mm_per_px, soft.origin_mm, soft.segmenter, soft.model_sha256)


def _photo_mm_per_px(plane: Plane) -> float:
    """Millimetres of the sheet's plane that one photo pixel spans, at the sheet's centre."""
    ends = project(plane.camera, np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0.0]]))
    return float(1 / np.mean(np.linalg.norm(ends[1:] - ends[0], axis=1)))


def _close_up(window: Window, photo_mm_per_px: float) -> tuple[Window, float]:
    """Return the window of the close look round what is to be seen, and its millimetres a pixel.

    A margin all round, and never a sliver: the network was taught on square pictures and loses slim
    rods in narrow or small ones.
    """
    w, h = window.right - window.left, window.top - window.bottom
    margin = max(CLOSE_MARGIN_FRAC * max(w, h), 10.0)
    long_mm = max(w + 2 * margin, h + 2 * margin, MIN_CLOSE_SIDE_MM)
    s = max(min(long_mm / CLOSE_LONG_SIDE_PX, CLOSE_COARSEST_MM), 0.8 * photo_mm_per_px)
    side_mm = max(CLOSE_SHORT_SIDE_FRAC * long_mm, CLOSE_SHORT_SIDE_PX * s)
    grow_x, grow_y = max(margin, (side_mm - w) / 2), max(margin, (side_mm - h) / 2)
    return Window(window.left - grow_x, window.bottom - grow_y, window.right + grow_x, window.top + grow_y), s


def _grown(window: Window, touched: tuple[bool, bool, bool, bool]) -> Window:
    """Move out the sides (left, bottom, right, top) that metal reaches."""
    step = CLOSE_GROWTH * max(window.right - window.left, window.top - window.bottom)
    left, bottom, right, top = (step if t else 0.0 for t in touched)
    return Window(window.left - left, window.bottom - bottom, window.right + right, window.top + top)


def candidates(flat: FlatImage, soft: SoftMask) -> list[Candidate]:
    """Cluster the metal of a first look into things that could be the part, largest first."""
    import cv2

    s = soft.mm_per_px
    metal = (soft.metal_prob > 0.5).astype(np.uint8)
    reach = max(1, round(PIECE_GAP_MM / s / 2))
    joined = cv2.dilate(metal, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1)))
    n, labels = cv2.connectedComponents(joined, connectivity=8)
    n_maybe, maybe = cv2.connectedComponents((soft.metal_prob > MAYBE_METAL).astype(np.uint8), connectivity=8)
    to_sheet = cv2.distanceTransform((flat.sheet < 0.5).astype(np.uint8), cv2.DIST_L2, 5) * s
    edge = cv2.dilate((~np.pad(flat.valid, 1)).astype(np.uint8), np.ones((3, 3), np.uint8))[1:-1, 1:-1] > 0
    found = []
    for k in range(1, n):
        here = (labels == k) & (metal > 0)
        area = float(soft.metal_prob[(labels == k) & (soft.metal_prob > 0.2)].sum()) * s * s
        if area < MIN_PART_MM2:
            continue
        # its window takes in what may be metal and hangs together with it: a part seen by half would be
        # looked at by half
        touched = np.zeros(n_maybe, bool)
        touched[maybe[here]] = True
        touched[0] = False
        rows, cols = (np.flatnonzero(touched[maybe].any(axis=axis)) for axis in (1, 0))
        box = Window(
            float(soft.origin_mm[0] + (cols.min() - 0.5) * s),
            float(soft.origin_mm[1] - (rows.max() + 0.5) * s),
            float(soft.origin_mm[0] + (cols.max() + 0.5) * s),
            float(soft.origin_mm[1] - (rows.min() - 0.5) * s),
        )
        found.append(
            Candidate(
                k,
                area,
                float(to_sheet[here].min()),
                float((flat.sheet[here] > 0.5).mean()),
                float(soft.metal_prob[here].mean()),
                bool((here & edge).any()),
                box,
            )
        )
    return sorted(found, key=lambda c: -c.area_mm2)


def choose_candidate(flat: FlatImage, soft: SoftMask, mat: bool) -> Candidate:
    """Return the part among the candidates: on a mat the one on it, beside a card the one nearest to it.

    Raises
    ------
    CannotJudge
        "no_part", "not_metal", "several_parts", "part_cut_off".
    """
    found = candidates(flat, soft)
    if not found:
        refuse_if_strange(soft)
        raise CannotJudge("no_part", f"no metal of {MIN_PART_MM2:.0f} mm2 or more within reach of the sheet")
    largest = found[0].area_mm2
    # specks beside a real part are shine and chips, not rivals
    rivals = [c for c in found if c.area_mm2 >= 0.08 * largest or (mat and c.on_sheet_frac > 0.5)]
    if mat:
        on_it = [c for c in rivals if c.on_sheet_frac > 0.3]
        rivals = [c for c in on_it if c.area_mm2 >= 0.08 * on_it[0].area_mm2] if on_it else rivals
        if not on_it:
            raise CannotJudge("no_part", "no metal lies on the mat")
    else:  # the part lies beside a card: what the print looks like (a code, a grey patch) is no rival
        rivals = [c for c in rivals if c.on_sheet_frac < 0.9]
        if not rivals:
            raise CannotJudge("no_part", "what looks like metal lies wholly on the card")
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


def _belonging(soft: SoftMask, first: Window) -> tuple[Any, tuple[bool, bool, bool, bool] | None]:
    """Return which pixels (h, w) belong to the part: pieces that lie in the first look's window,
    with their soft rim; and which sides of the picture they reach (left, bottom, right, top),
    None when none."""
    import cv2

    s = soft.mm_per_px
    metal = (soft.metal_prob > 0.5).astype(np.uint8)
    n, labels, stats, _ = cv2.connectedComponentsWithStats(metal, connectivity=8)
    if n < 2:
        return None, None
    col = (first.left - 2 * s - soft.origin_mm[0]) / s, (first.right + 2 * s - soft.origin_mm[0]) / s
    row = (soft.origin_mm[1] - first.top - 2 * s) / s, (soft.origin_mm[1] - first.bottom + 2 * s) / s
    inside = np.zeros_like(metal)
    inside[max(0, round(row[0])) : round(row[1]) + 1, max(0, round(col[0])) : round(col[1]) + 1] = 1
    area = stats[1:, cv2.CC_STAT_AREA] * s * s
    overlap = np.bincount(labels[inside > 0], minlength=n)[1:] / stats[1:, cv2.CC_STAT_AREA]
    main = int(np.argmax(area * overlap))
    keep = (overlap > 0.5) & (area >= max(1.5, 0.002 * area[main]))
    keep[main] = True
    kept = np.r_[False, keep].astype(np.uint8)[labels]
    others = ((metal > 0) & (kept == 0)).astype(np.uint8)
    rim = cv2.dilate(kept, np.ones((9, 9), np.uint8)) > 0
    rim &= cv2.dilate(others, np.ones((3, 3), np.uint8)) == 0
    sides = (bool(kept[:, 0].any()), bool(kept[-1].any()), bool(kept[:, -1].any()), bool(kept[0].any()))
    return rim | (kept > 0), sides if any(sides) else None


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
    """Refuse where much of the part's area is neither metal nor not: more than its edge's own
    softness explains."""
    area = float((prob > 0.5).sum())
    if area * mm_per_px**2 < 4.0:
        raise CannotJudge("no_part", f"only {area * mm_per_px**2:.0f} mm2 of metal seen")
    doubtful = doubtful_frac(prob)
    if doubtful > MAX_DOUBTFUL_FRAC and doubtful * area * mm_per_px**2 > 40.0:
        raise CannotJudge("part_unclear", f"{100 * doubtful:.0f} % of its area could be metal or not")


MAX_DOUBTFUL_FRAC = 0.12
"""Share of the part's area that may be in doubt away from its edge: 0 of 55 training photos have more."""


def _refuse_if_looks_differ(prob: Any, soft: SoftMask) -> None:
    """Refuse where two looks, each of them sure, differ about much of the part or of what touches it."""
    import cv2

    if soft.spread is None:
        return
    metal = (prob > 0.5).astype(np.uint8)
    near = cv2.dilate(metal, np.ones((9, 9), np.uint8)) > 0
    edge = cv2.morphologyEx(metal, cv2.MORPH_GRADIENT, np.ones((5, 5), np.uint8)) > 0
    differ = float(((np.asarray(soft.spread) > 0.5) & near & ~edge).sum() / max(1, metal.sum()))
    if differ > MAX_DIFFER_FRAC:
        raise CannotJudge("part_unclear", f"two looks differ about {100 * differ:.0f} % of it")


MAX_DIFFER_FRAC = 0.06
"""Of 55 training photos one has more, and its area is 10 points off; of 38 held-out real things two, 4 points
off and with an overlap of 0.90."""
