"""Metal told from the rest without a trained network: light from the paper, statistics of the ground, a
logistic rule and GrabCut; and how far to believe it.

1. The paper's own light is a smooth field: a robust quadratic through bare paper in linear light.
   Everything is divided by it, so that paper reads 1 and white
   balance is gone.
2. Each pixel gets a few figures (`NAMES`): lightness, hue, texture, and how rare its look is on this
   very ground. On the sheet the ground is known: paper, perhaps
   in shadow. A shadow is paper made darker, a little bluer and no rougher.
3. A logistic rule for each of the two grounds weighs them (docs/decisions/0006-classical.md says how
   it was fitted).
4. GrabCut (Rother, Kolmogorov and Blake 2004) draws the edge between the sure pixels, at
   `LONG_SIDE_PX` or less.
5. `doubt` measures how well an outline found so is borne out by the picture. What isn't is refused: a
   confident wrong outline is worse than none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from anodewane.catalog.sheets import DESIGNS
from anodewane.geometry.robust import residual_sd
from anodewane.records import FlatImage, SheetLayout
from anodewane.units import SRGB_TO_LINEAR, Floats

LONG_SIDE_PX = 384
LOG_FLOOR = 0.004
"""Least light believed, over paper's."""

HIST_BINS, HIST_LOW, HIST_HIGH = (44, 30, 30), (-4.5, -1.2, -1.2), (0.6, 1.2, 1.2)
"""Bins of the ground's look: log lightness, log red over green, log blue over green."""

STROKE_MM = 3.2
"""Printed strokes are thinner than this, metal isn't."""

NAMES = (
    "one", "light", "light2", "red", "blue", "sat", "red_light", "blue_light", "sat_light",
    "grain", "rough", "rough_wide", "slope", "grain_light", "rough_light",
    "contrast", "contrast2", "rare", "rare_wide", "hue_gap",
)  # fmt: skip
"""The figures of a pixel. light: log of its light over paper's; red, blue: log of red and blue over
green; sat: how coloured; grain, rough: log spread of bands of log light about 1 and 3 mm wide, which a
soft shadow's slope doesn't raise; rough_wide: rough within 7 mm; slope: log of the slope of log light;
contrast: light less the ground's 70 mm around; rare, rare_wide: less the log of how often the ground
looks like that, for 1 mm and 4 mm; hue_gap: distance of hue from the ground's; x_light: x times light."""


@dataclass(frozen=True, slots=True, eq=False)
class Surroundings:
    """What a first look teaches: field : (6, 3) log light of bare paper over (1, x, y, x^2, xy, y^2) in
    units of 100 mm; box_mm : (4,) where the paper was seen (x low, y low, x high, y high), beyond it
    the field is held; fine, wide : log density of the ground's look, None where no ground is seen; hue
    : (2,) of the ground."""

    field: Floats
    box_mm: Floats
    fine: Any
    wide: Any
    hue: Floats


def _linear(rgb: Any) -> Any:
    """IEC 61966-2-1: light of sRGB bytes."""
    return SRGB_TO_LINEAR[rgb]


def shrunk(flat: FlatImage, long_side_px: int = LONG_SIDE_PX) -> FlatImage:
    """The same window with no side longer than `long_side_px`."""
    import cv2

    h, w = flat.rgb.shape[:2]
    f = max(h, w) / long_side_px
    if f <= 1:
        return flat
    size = (max(8, round(w / f)), max(8, round(h / f)))
    s = flat.mm_per_px * max(w / size[0], h / size[1])
    origin = flat.origin_mm + (s - flat.mm_per_px) / 2 * np.array([1, -1])

    def small(a: Any) -> Any:
        return cv2.resize(a, size, interpolation=cv2.INTER_AREA)

    return FlatImage(
        small(flat.rgb),
        small(flat.valid.astype(np.float32)) > 0.99,
        s,
        origin,
        small(flat.sheet),
        small(flat.print_),
    )


def _grid_mm(flat: FlatImage) -> tuple[Any, Any]:
    h, w = flat.rgb.shape[:2]
    return flat.origin_mm[0] + np.arange(w) * flat.mm_per_px, flat.origin_mm[1] - np.arange(
        h
    ) * flat.mm_per_px


def _terms(x: Any, y: Any) -> Any:
    x, y = x / 100, y / 100
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)


def printed(flat: FlatImage, layout: SheetLayout | None) -> Any:
    """Where ink is, bool (h, w), with a millimetre round it: squares and markers; when the layout is
    known, the grey patches, and the QR code if there is one."""
    import cv2

    s = flat.mm_per_px
    ink = ((flat.sheet > 0.5) & (flat.print_ < 0.97)).astype(np.uint8)

    def fill(quad: Any) -> Any:
        q = np.round((np.asarray(quad, float) - flat.origin_mm) / [s, -s] * 16).astype(np.int32)
        return cv2.fillPoly(np.zeros_like(ink), [q], 1, shift=4) > 0

    if layout is not None:
        for quad in layout.grey_mm:
            ink |= fill(quad)
        x, y, side = DESIGNS[layout.name].label_mm
        label = fill([(x, y), (x + side, y), (x + side, y + side), (x, y + side)]) & flat.valid
        if label.any():
            # the code is printed on request only: it's there if a good part of its place is far darker
            # than the rest of it
            green = _linear(flat.rgb)[..., 1][label]
            if float((green < 0.45 * np.percentile(green, 95)).mean()) > 0.08:
                ink |= label
    grow = max(1, round(1.2 / s))
    return cv2.dilate(ink, np.ones((2 * grow + 1, 2 * grow + 1), np.uint8)) > 0


def _rim_of_sheet(flat: FlatImage) -> Any:
    """Where the sheet ends, bool (h, w), with a millimetre on either side: neither ground holds there."""
    import cv2

    k = 2 * max(1, round(1.2 / flat.mm_per_px)) + 1
    return (
        cv2.dilate(((flat.sheet > 0.02) & (flat.sheet < 0.98)).astype(np.uint8), np.ones((k, k), np.uint8))
        > 0
    )


def look_around(
    flat: FlatImage, layout: SheetLayout | None = None, leave_out: Any = None
) -> Surroundings | None:
    """Learn the light and the ground from a first look, or None where too little bare paper is seen.

    leave_out : bool (h, w), pixels that are no ground (metal found already).
    """
    lin = np.maximum(_linear(flat.rgb), LOG_FLOOR)
    ink = printed(flat, layout) | _rim_of_sheet(flat)
    bare = (flat.sheet > 0.99) & ~ink & flat.valid
    if leave_out is not None:
        bare &= ~leave_out
    if bare.sum() < 60:
        return None
    xs, ys = _grid_mm(flat)
    x, y = np.meshgrid(xs, ys)
    design, value = _terms(x[bare], y[bare]), np.log(lin[bare])
    light = value.mean(1)
    keep = light > np.percentile(light, 55) - 0.12
    field = np.zeros((6, 3))
    for _ in range(6):
        field = np.linalg.lstsq(
            design[keep].T @ design[keep] + np.eye(6) * 1e-3 * keep.sum() * np.array([0, 1, 1, 4, 4, 4]),
            design[keep].T @ value[keep],
            rcond=None,
        )[0]
        off = light - (design @ field).mean(1)
        sd = max(0.02, residual_sd(off[keep]))
        # what is darker than the field is shadow, words or metal; what is lighter is paper
        keep = (off > -1.6 * sd) & (off < 4 * sd)
        if keep.sum() < 40:
            break
    box = np.array([x[bare].min(), y[bare].min(), x[bare].max(), y[bare].max()])
    empty = Surroundings(field, box, None, None, np.zeros(2))
    ground = (flat.sheet < 0.02) & ~ink & flat.valid
    if leave_out is not None:
        ground &= ~leave_out
    if ground.sum() < 200:
        return empty
    look = _look(flat, empty, ground)
    return Surroundings(
        field,
        box,
        _density(look[0][ground]),
        _density(look[1][ground]),
        np.median(look[1][ground][:, 1:], axis=0),
    )


def _look(flat: FlatImage, around: Surroundings, domain: Any) -> tuple[Any, Any, Any]:
    """Log lightness and hue (h, w, 3), smoothed within `domain` over about 1 mm and 4 mm, and log
    lightness unsmoothed (h, w)."""
    xs, ys = _grid_mm(flat)
    x, y = np.meshgrid(
        np.clip(xs, around.box_mm[0], around.box_mm[2]), np.clip(ys, around.box_mm[1], around.box_mm[3])
    )
    light = np.exp(_terms(x, y) @ around.field).astype(np.float32)
    log = np.log(np.maximum(_linear(flat.rgb) / light, LOG_FLOOR))
    look = np.stack([log.mean(2), log[..., 0] - log[..., 1], log[..., 2] - log[..., 1]], axis=-1)
    s = flat.mm_per_px
    return _within(look, domain, max(0.6, 0.8 / s)), _within(look, domain, max(1.0, 3.0 / s)), look[..., 0]


def _within(values: Any, domain: Any, sigma_px: float) -> Any:
    """Gaussian mean over the pixels of `domain` only."""
    import cv2

    m = domain.astype(np.float32)
    weight = cv2.GaussianBlur(m, (0, 0), sigma_px) + 1e-4
    total = cv2.GaussianBlur(
        np.ascontiguousarray(values * (m[..., None] if values.ndim == 3 else m), np.float32), (0, 0), sigma_px
    )
    return total / (weight[..., None] if values.ndim == 3 else weight)


def _bins(look: Any) -> tuple[Any, ...]:
    return tuple(
        np.clip(
            ((look[..., i] - HIST_LOW[i]) / (HIST_HIGH[i] - HIST_LOW[i]) * HIST_BINS[i]).astype(np.intp),
            0,
            HIST_BINS[i] - 1,
        )
        for i in range(3)
    )


def _density(look: Any) -> Any:
    """Log density of looks (n, 3) on the bins, peak 0, floor -8: how usual each look is."""
    from scipy.ndimage import gaussian_filter

    count = np.zeros(HIST_BINS)
    np.add.at(count, _bins(look), 1.0)
    smooth = gaussian_filter(count, 1.0)
    return np.log(np.maximum(smooth / smooth.max(), 3.4e-4)).astype(np.float32)


def figures(flat: FlatImage, around: Surroundings, domain: Any, on_sheet: bool) -> Any:
    """The figures (h, w, len(NAMES)) of each pixel of `domain`, bool (h, w)."""
    import cv2

    s = flat.mm_per_px
    fine, wide, log = _look(flat, around, domain)
    mean1, mean2, mean4 = (
        _within(log, domain, max(low, width / s)) for low, width in ((0.5, 0.5), (0.9, 1.2), (1.6, 2.8))
    )

    def spread(values: Any, low: float, width: float) -> Any:
        return np.log(np.sqrt(_within(values**2, domain, max(low, width / s))) + 0.004)

    grain, rough = spread(mean1 - mean2, 1.0, 1.5), spread(mean2 - mean4, 1.2, 2.5)
    rough_wide = spread(mean1 - mean4, 2.0, 5.0)
    gy, gx = np.gradient(mean2)
    slope = np.log(_within(np.hypot(gx, gy) / s, domain, max(0.8, 1.0 / s)) + 0.002)
    light = fine[..., 0]
    sat = np.hypot(wide[..., 1], wide[..., 2])
    if on_sheet or around.fine is None:
        contrast, rare, rare_wide, gap = light, 0 * light, 0 * light, sat
    else:
        # the middle value 70 mm around, of the ground alone, on a coarse grid
        step = max(1.0, 4.0 / s)
        size = (max(4, round(light.shape[1] / step)), max(4, round(light.shape[0] / step)))
        usual = float(np.median(light[domain])) if domain.any() else -1.0
        coarse = cv2.resize(
            np.where(domain, light, usual).astype(np.float32), size, interpolation=cv2.INTER_AREA
        )
        byte = np.clip((coarse + 4.5) / 5.1 * 255, 0, 255).astype(np.uint8)
        k = 2 * max(1, round(35.0 / (step * s))) + 1
        middle = cv2.medianBlur(byte, min(k, 2 * (min(size) // 2) - 1)).astype(np.float32) / 255 * 5.1 - 4.5
        contrast = light - cv2.resize(middle, light.shape[::-1], interpolation=cv2.INTER_LINEAR)
        rare, rare_wide = -around.fine[_bins(fine)], -around.wide[_bins(wide)]
        rare = _within(rare, domain, max(0.7, 1.0 / s))
        gap = np.hypot(wide[..., 1] - around.hue[0], wide[..., 2] - around.hue[1])
    one = np.ones_like(light)
    red, blue = wide[..., 1], wide[..., 2]
    columns = [
        one,
        light,
        light**2,
        red,
        blue,
        sat,
        red * light,
        blue * light,
        sat * light,
        grain,
        rough,
        rough_wide,
        slope,
        grain * light,
        rough * light,
    ]
    return np.stack([*columns, contrast, contrast**2, rare, rare_wide, gap], axis=-1).astype(np.float32)


RULE_ON_SHEET = (
    3.022,
    -0.761,
    -0.472,
    7.899,
    4.053,
    0.679,
    -1.865,
    5.616,
    13.531,
    1.015,
    1.989,
    -0.02,
    -0.618,
    -0.391,
    2.288,
    -0.761,
    -0.472,
    0.0,
    0.0,
    0.679,
)
RULE_OFF_SHEET = (
    9.519,
    4.369,
    0.085,
    -1.084,
    -5.547,
    -19.288,
    -2.068,
    -0.986,
    -2.888,
    2.476,
    -1.131,
    1.637,
    0.095,
    0.533,
    0.233,
    2.176,
    0.492,
    0.91,
    -0.201,
    6.746,
)
"""Weights of `NAMES`, fitted by logistic regression to pixels of training photos
(docs/decisions/0006-classical.md). The first of the sheet's is 1 less than fitted: it leans to paper,
for what it confuses is shadow, and shadow taken for metal hides wear."""


def metal_logit(flat: FlatImage, around: Surroundings, layout: SheetLayout | None) -> Any:
    """Log odds (h, w) float32 that a pixel is metal, from its figures alone; -8 where ink lies and
    outside the photo."""
    ink, rim = printed(flat, layout), _rim_of_sheet(flat)
    logit = np.full(flat.sheet.shape, -8.0, np.float32)
    for on_sheet, rule in ((True, RULE_ON_SHEET), (False, RULE_OFF_SHEET)):
        domain = ((flat.sheet > 0.98) if on_sheet else (flat.sheet < 0.02)) & ~ink & ~rim & flat.valid
        if domain.any() and (on_sheet or around.fine is not None):
            logit[domain] = np.clip(
                figures(flat, around, domain, on_sheet)[domain] @ np.array(rule, np.float32), -8, 8
            )
    # the sheet's rim goes with what lies beside it
    band = rim & ~((flat.sheet > 0.5) & (flat.print_ < 0.97))
    logit = np.where(band, _within(logit, ~rim & ~ink & flat.valid, max(1.0, 2.0 / flat.mm_per_px)), logit)
    logit[~flat.valid] = -8.0
    return logit


def cut(flat: FlatImage, logit: Any, by_figures: bool) -> Any:
    """GrabCut between the sure pixels: bool (h, w). It compares colours of the photo, or (by_figures)
    lightness, log odds and hue."""
    import cv2

    s = flat.mm_per_px
    smooth = cv2.GaussianBlur(logit, (0, 0), max(0.6, 0.7 / s))
    r = max(1, round(STROKE_MM / s / 2))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * r + 1, 2 * r + 1))
    likely = (smooth > 0).astype(np.uint8)
    thick = cv2.dilate(cv2.morphologyEx(likely, cv2.MORPH_OPEN, disc), disc)
    smooth = np.where((likely > 0) & (thick == 0), -1.0, smooth).astype(np.float32)
    mask = np.where(smooth > 0, cv2.GC_PR_FGD, cv2.GC_PR_BGD).astype(np.uint8)
    mask[smooth < -SURE] = cv2.GC_BGD
    core = cv2.erode((smooth > SURE).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    mask[core] = cv2.GC_FGD
    mask[~flat.valid] = cv2.GC_BGD
    if (
        (mask == cv2.GC_FGD).sum() < 12
        or (mask == cv2.GC_BGD).sum() < 12
        or not ((mask == cv2.GC_PR_BGD) | (mask == cv2.GC_PR_FGD)).any()
    ):
        return smooth > 0
    if by_figures:
        rgb = flat.rgb.astype(np.float32)
        light = np.log(np.maximum(_linear(flat.rgb).mean(2), LOG_FLOOR))
        hue = np.log((rgb[..., 0] + 12) / (rgb[..., 2] + 12))
        picture = np.stack(
            [
                np.clip(255 + 46 * light, 0, 255),
                np.clip(128 + 12 * smooth, 0, 255),
                np.clip(128 + 90 * hue, 0, 255),
            ],
            axis=-1,
        ).astype(np.uint8)
    else:
        picture = np.ascontiguousarray(flat.rgb[..., ::-1])
    cv2.setRNGSeed(1)
    cv2.grabCut(picture, mask, (0, 0, 1, 1), np.zeros((1, 65)), np.zeros((1, 65)), 2, cv2.GC_INIT_WITH_MASK)
    found = ((mask == cv2.GC_FGD) | (mask == cv2.GC_PR_FGD)).astype(np.uint8)
    return (
        cv2.morphologyEx(
            found,
            cv2.MORPH_OPEN,
            cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * r - 1, 2 * r - 1))
            if r > 1
            else np.ones((2, 2), np.uint8),
        )
        > 0
    )


SURE = 2.0
"""Log odds beyond which a pixel counts as sure: about 7 to 1."""


def understand(overview: FlatImage, layout: SheetLayout | None) -> Surroundings | None:
    """Learn light and ground from a first look, then once more without the metal that this finds."""
    import cv2

    small = shrunk(overview)
    around = look_around(small, layout)
    if around is None:
        return None
    metal = (
        cv2.dilate((metal_logit(small, around, layout) > 0).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    )
    return look_around(small, layout, metal) or around


def metal_prob(flat: FlatImage, around: Surroundings | None, layout: SheetLayout | None) -> Any:
    """Metal as float32 (h, w), 0 to 1 with a ramp of about two pixels at the edge; all 0 without
    surroundings to compare with."""
    import cv2

    h, w = flat.rgb.shape[:2]
    if around is None:
        return np.zeros((h, w), np.float32)
    small = shrunk(flat)
    found = cut(small, metal_logit(small, around, layout), by_figures=False).astype(np.float32)
    soft: Any = cv2.resize(cv2.GaussianBlur(found, (0, 0), 0.8), (w, h), interpolation=cv2.INTER_LINEAR)
    soft = np.clip(soft, 0, 1)
    soft[~flat.valid] = 0
    return soft.astype(np.float32)


# --- how far to believe it -----------------------------------------------------------------------


SHIFT = 1.5
"""Log odds by which the rule is leant each way to see how much of the outline hangs on it."""


@dataclass(frozen=True, slots=True)
class Support:
    """What bears an outline out.

    swing : area between the rule leant to metal and leant to ground, over the area; agree : overlap
    (IoU) of the cuts by colour and by figures; clear_edge : share of the outline across which the
    picture changes more than it does along it; apart : chance that a pixel 0.5 to 3.5 mm inside has
    higher odds of metal than one as far outside (0.5 no difference, 1 always); odd_inside, odd_outside
    : share of the part, and of the 12 mm around it, that the rule alone would call otherwise; ink_mm :
    length of the outline that runs along ink; rim_share : pixels of the outline over pixels of the
    area, what one pixel more all round adds; on_sheet : share of the part that lies on the sheet.
    """

    swing: float
    agree: float
    clear_edge: float
    apart: float
    odd_inside: float
    odd_outside: float
    ink_mm: float
    rim_share: float
    on_sheet: float


def support(flat: FlatImage, prob: Any, around: Surroundings, layout: SheetLayout | None) -> Support:
    """Measure what bears out the outline of `prob` (h, w) on a close look."""
    import cv2

    small = shrunk(flat)
    h, w = small.sheet.shape
    s = small.mm_per_px
    metal = cv2.resize(prob, (w, h), interpolation=cv2.INTER_AREA) > 0.45
    logit = metal_logit(small, around, layout)
    near = cv2.dilate(metal.astype(np.uint8), np.ones((2 * round(10 / s) + 1,) * 2, np.uint8)) > 0
    area = max(1.0, float(metal.sum()))

    def overlap(a: Any, b: Any) -> float:
        return float((a & b).sum() / max(1, (a | b).sum()))

    more, less, other = (
        cut(small, np.clip(logit + d, -8, 8), f) & near
        for d, f in ((SHIFT, False), (-SHIFT, False), (0.0, True))
    )
    inward = cv2.distanceTransform(metal.astype(np.uint8), cv2.DIST_L2, 5) * s
    outward = cv2.distanceTransform((~metal).astype(np.uint8), cv2.DIST_L2, 5) * s
    inside, outside = (inward > 0.5) & (inward <= 3.5), (outward > 0.5) & (outward <= 3.5) & small.valid
    log = np.log(np.maximum(_linear(small.rgb), LOG_FLOOR))
    look = np.stack(
        [log.mean(2), 1.5 * (log[..., 0] - log[..., 1]), 1.5 * (log[..., 2] - log[..., 1])], axis=-1
    )
    mean_in, mean_out = _within(look, inside, max(1.0, 1.5 / s)), _within(look, outside, max(1.0, 1.5 / s))
    var_in, var_out = (
        np.maximum(_within(look**2, m, max(1.0, 1.5 / s)) - mean**2, 0).sum(2)
        for m, mean in ((inside, mean_in), (outside, mean_out))
    )
    rim = metal & (cv2.erode(metal.astype(np.uint8), np.ones((3, 3), np.uint8)) == 0)
    step = np.linalg.norm(mean_in - mean_out, axis=2) / np.sqrt(var_in + var_out + 0.02**2)
    clear = float((step[rim] > 1.0).mean()) if rim.any() else 0.0
    a, b = np.sort(logit[inside & small.valid]), logit[outside]
    apart = float(1 - np.searchsorted(a, b).mean() / len(a)) if len(a) and len(b) else 0.5
    ring = (outward > 1.5) & (outward <= 12) & small.valid
    ink = (
        cv2.dilate(
            printed(small, layout).astype(np.uint8), np.ones((2 * max(1, round(1.2 / s)) + 1,) * 2, np.uint8)
        )
        > 0
    )
    return Support(
        swing=float((more & ~less).sum() / area),
        agree=overlap(metal, other),
        clear_edge=clear,
        apart=apart,
        odd_inside=float((logit[metal] < 0).mean()) if metal.any() else 1.0,
        odd_outside=float((logit[ring] > 0).mean()) if ring.any() else 0.0,
        ink_mm=float((rim & ink).sum()) * s,
        rim_share=float(rim.sum() / area) * max(1.0, flat.mm_per_px / s) if rim.any() else 1.0,
        on_sheet=float((small.sheet[metal] > 0.5).mean()) if metal.any() else 0.0,
    )


@dataclass(frozen=True, slots=True)
class Gate:
    """Least support that is believed; the fields are those of `Support`."""

    swing: float
    agree: float
    clear_edge: float
    apart: float
    odd_inside: float
    odd_outside: float
    rim_share: float


GATE_BESIDE = Gate(
    swing=0.15, agree=0.945, clear_edge=0.92, apart=0.95, odd_inside=0.04, odd_outside=0.04, rim_share=0.075
)
GATE_ON_SHEET = Gate(
    swing=0.6, agree=0.95, clear_edge=0.90, apart=0.90, odd_inside=0.05, odd_outside=0.12, rim_share=0.06
)
MAX_INK_MM = 6.0
"""Chosen on training photos so that area errs little on what is left (docs/decisions/0006-classical.md)."""


def doubt(s: Support) -> str | None:
    """Why an outline with that support isn't believed, with figures, or None where it is."""
    gate = GATE_ON_SHEET if s.on_sheet > 0.5 else GATE_BESIDE
    if s.ink_mm > MAX_INK_MM:
        return f"{s.ink_mm:.0f} mm of the outline run along printed ink"
    if s.rim_share > gate.rim_share:
        return f"too small in the photo: one pixel all round is {100 * s.rim_share:.0f} % of its area"
    if s.swing > gate.swing or s.agree < gate.agree:
        return (
            f"two readings of the same picture differ by {100 * max(s.swing, 1 - s.agree):.0f} % of its area"
        )
    if s.clear_edge < gate.clear_edge:
        return f"no clear edge along {100 * (1 - s.clear_edge):.0f} % of the outline"
    if s.apart < gate.apart or s.odd_inside > gate.odd_inside or s.odd_outside > gate.odd_outside:
        return (
            f"metal and ground look alike: {100 * s.odd_inside:.0f} % of the part and "
            f"{100 * s.odd_outside:.0f} % of what lies around it could be the other"
        )
    return None
