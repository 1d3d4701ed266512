"""From a placed outline to what is gone: area, recession, holes, pieces, and metal with an interval.

Area is not mass. The recession along the outline says how far the faces that a plan photo can't see
have sunk (`align.expected_thickness`), a calliper or the scales say it better. The interval is a Monte
Carlo over the error budget (JCGM 101), causes drawn apart where they are apart: a thicker part both
holds more metal and reads larger, so thickness moves area and mass together.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Literal

import numpy as np

from anodewane.errors import CannotJudge
from anodewane.geometry.camera import to_height
from anodewane.geometry.rings import (
    pieces_to_shapely,
    polygons_of,
    resample_ring,
    ring_area,
    ring_length,
    ring_normals,
    to_shapely,
)
from anodewane.record import AreaFigures, Consumed, HoleFinding, Interval, MassFigures, RecessionFigures
from anodewane.records import Given, MetalMask, Placement, Plane, Template, Wear
from anodewane.settings import Settings
from anodewane.stages.placing.silhouette import plan_area
from anodewane.stages.plane import camera_draws
from anodewane.units import Floats
from anodewane.wear.cast_law import wear_table
from anodewane.wear.edge_height import sight_slope, worn_wall
from anodewane.wear.left import AreaBudget, MetalLeft, metal_left
from anodewane.wear.open_form import central_form
from anodewane.wear.solids import new_area, new_mass_g, new_volume
from anodewane.wear.weighed import weighed_part

DRAWS = 4000
CAMERA_DRAWS = 24
CORE_SHOWS_MM2 = 40.0
"""Plan area of steel within the metal from which the core is said to show."""
CAST_EDGE_SD_MM, CAST_EDGE_SD_FRAC = 0.08, 0.05
"""One-sigma of where a casting's plan edge lies, common to the whole outline: at least, and per mm of
recession."""
SEED = 20260101
"""Fixed, so that the same photo gives the same record."""


def measure(
    placement: Placement, mask: MetalMask, plane: Plane, settings: Settings, given: Given | None = None
) -> Wear:
    """Measure what is gone.

    Parameters
    ----------
    placement, mask, plane, settings
        Uses `coverage`, `limb_*`, `mass_casting_sd_frac`, `scales_sd_g`, and the thresholds of holes,
        pieces and sides.
    given : Given, optional
        Its weight says the mass; its thickness, which the placement holds already, how the mass was got.

    Returns
    -------
    Wear

    Raises
    ------
    CannotJudge
        "weight_does_not_fit".
    """
    template = placement.template
    worn, fresh = pieces_to_shapely(placement.plan_mm), to_shapely(template.rings)
    consumed, mass, thickness, budget = _metal(
        placement, worn, _area_budget(placement, mask, plane, settings), settings, given or Given()
    )
    recession = _recession(placement, worn, fresh, settings)
    holes = tuple(_hole(i, placement, worn, settings) for i in range(len(template.fixing_holes)))
    # a found outline has notches of its own: it takes a larger gap to call a piece gone
    least = settings.piece_lost_frac * (1.0 if mask.segmenter == "manual" else 2.0) * fresh.area
    lost = _pieces_lost(worn, fresh, recession, least)
    new_height = template.thickness_mm
    if template.form is not None:
        new_height = new_volume(template) / new_area(template)
    deepest = max(recession.p95, new_height - thickness.value)
    return Wear(
        consumed=consumed,
        area=AreaFigures(new_area(template), float(plan_area(placement.plan_mm))),
        mass=mass,
        recession_mm=recession,
        holes=holes,
        pieces_lost=lost,
        core_shows=placement.steel_shows_mm2 > CORE_SHOWS_MM2
        or (template.core_depth_mm is not None and deepest >= template.core_depth_mm),
        no_measurable_wear=consumed.mass_pct.value < settings.no_wear_below_pct,
        remaining_thickness_mm=thickness,
        budget=budget,
    )


# --- doubt ---------------------------------------------------------------------------------------


def _area_budget(placement: Placement, mask: MetalMask, plane: Plane, settings: Settings) -> AreaBudget:
    new = new_area(placement.template)
    area = plan_area(placement.plan_mm)
    camera = plane.camera
    foot, height = np.asarray(camera.position_mm[:2]), float(camera.position_mm[2])
    perimeter = sum(ring_length(r) for piece in placement.plan_mm for r in piece)
    # how far the plan's edge would move if the height at which it is seen were wrong: slope times
    # height error, along the whole outline
    sway = area_per_height = 0.0
    for piece in mask.pieces_px:
        for ring_px in piece:
            ring = resample_ring(to_height(camera, ring_px, 0.0), 2.0)
            if (ring_area(ring) > 0) != (ring_px is piece[0]):
                ring = ring[::-1]
            slope = sight_slope(ring, ring_normals(ring, 2), foot, height)
            step = ring_length(ring) / len(ring)
            sway += float(np.sum(np.abs(slope))) * step
            area_per_height += float(np.sum(np.maximum(slope, 0.0))) * step
    ring_px = mask.pieces_px[0][0][:: max(1, len(mask.pieces_px[0][0]) // 150)]
    seen_at = float(np.average(np.concatenate([h for hs in placement.limb_height_mm[:1] for h in hs[:1]])))
    base = abs(ring_area(to_height(camera, ring_px, seen_at)))
    rng = np.random.default_rng(SEED)
    spread = np.std(
        [
            abs(ring_area(to_height(c, ring_px, seen_at))) / base
            for c in camera_draws(plane, CAMERA_DRAWS, rng)
        ]
    )
    thickness = placement.remaining_thickness_mm
    return AreaBudget(
        scale_ratio=_scale_ratio(plane),
        camera=float(spread) * area / new,
        edge=float(np.hypot(mask.edge_sd_mm * perimeter, 0.5 * placement.filled_mm2)) / new,
        limb=_limb_sd(placement, thickness * sway, perimeter, settings) / new,
        per_mm_thickness=0.85 * area_per_height / new if placement.template.solid == "plate" else 0.0,
    )


def _scale_ratio(plane: Plane) -> Floats:
    """Draws (n,) of true over read lengths in the sheet's plane: one normal, or as many as the print scale
    has parts, each widened by what the camera's fit adds."""
    rng = np.random.default_rng(SEED + 1)
    normal, uniform = rng.standard_normal(DRAWS), rng.random(DRAWS)
    if plane.printed is None:
        return 1 + plane.scale_sd_frac * normal
    parts = plane.printed.parts
    weight, mean, sd = np.array([(p.weight, p.ratio, p.sd_frac) for p in parts]).T
    fit_sd = np.sqrt(max(plane.scale_sd_frac**2 - plane.printed.sd_frac**2, 0.0))
    which = np.minimum(np.searchsorted(np.cumsum(weight) / weight.sum(), uniform), len(parts) - 1)
    ratio: Floats = np.maximum(mean[which] * (1 + np.hypot(sd[which], fit_sd) * normal), 0.1)
    return ratio


def _limb_sd(
    placement: Placement, thickness_sway_mm2: float, perimeter_mm: float, settings: Settings
) -> float:
    """One-sigma of the plan area, mm2, that comes of not knowing at which height each edge was seen:
    little for a new wall or a rod, more the more the wall wanders."""
    template = placement.template
    if template.form is not None:
        recession = float(wear_table(central_form(template)).plan_recession(plan_area(placement.plan_mm)))
        return perimeter_mm * float(np.hypot(CAST_EDGE_SD_MM, CAST_EDGE_SD_FRAC * recession))
    if template.solid == "rod":
        height_frac, wander = settings.limb_sharp_sd_frac, 0.0
    else:
        begun = float(np.tanh(max(template.thickness_mm - placement.remaining_thickness_mm, 0.0)))
        height_frac = (
            settings.limb_sharp_sd_frac + (settings.limb_worn_sd_frac - settings.limb_sharp_sd_frac) * begun
        )
        wander = worn_wall(template.mount, template.thickness_mm, placement.remaining_thickness_mm).wander_mm
    return float(
        np.sqrt(
            (height_frac * thickness_sway_mm2) ** 2
            + (settings.limb_sd_mm * perimeter_mm) ** 2
            + (settings.limb_wander_sd_frac * wander * perimeter_mm) ** 2
        )
    )


# --- metal ---------------------------------------------------------------------------------------


def _metal(
    placement: Placement, worn: Any, budget: AreaBudget, settings: Settings, given: Given
) -> tuple[Consumed, MassFigures, Interval, dict[str, float]]:
    """Area and mass consumed with their intervals, the thickness that remains, and the budget in
    percentage points of mass."""
    rng = np.random.default_rng(SEED)
    causes = ("print_scale", "camera", "edge", "limb", "thickness", "casting", "shape", "form")
    normal = {cause: rng.standard_normal(DRAWS) for cause in causes}
    template = placement.template
    left = metal_left(
        placement, worn, plan_area(placement.plan_mm), budget, normal, settings, given.thickness_mm
    )
    full = new_mass_g(template)
    method: Literal["recession", "thickness", "weighed"] = "recession"
    if given.thickness_mm is not None and template.solid != "rod":
        method = "thickness"
    remaining_draws, thickness = full * left.mass_draws, left.thickness_mm
    if given.weighed_g is not None:
        method = "weighed"
        left, remaining_draws = _on_the_scales(template, left, given.weighed_g, normal, settings)
        thickness = float(np.median(left.thickness_draws))
    coverage = settings.coverage
    area_pct = _interval(100 * (1 - left.area), 100 * (1 - left.area_draws), coverage)
    mass_pct = _interval(100 * (1 - left.mass), 100 * (1 - left.mass_draws), coverage)
    figures = MassFigures(full, _interval(full * left.mass, remaining_draws, coverage), method)
    budget_pct = {cause: 100 * float(v) for cause, v in left.causes.items()}
    return (
        Consumed(area_pct, mass_pct, coverage),
        figures,
        _interval(thickness, left.thickness_draws, coverage),
        budget_pct,
    )


def _on_the_scales(
    template: Template, seen: MetalLeft, weighed_g: float, normal: dict[str, Floats], settings: Settings
) -> tuple[MetalLeft, Floats]:
    """What is left as the scales have it, and draws of it in grams: those have the scales' doubt alone,
    the share of the new part has the new mass's too.

    Raises
    ------
    CannotJudge
        "weight_does_not_fit".
    """
    full = new_mass_g(template)
    of_new = (
        settings.mass_known_sd_frac if template.new_mass_g is not None else settings.mass_computed_sd_frac
    )
    scales = weighed_part(weighed_g, full, of_new, settings)
    if not 0.02 < scales.share < 1.15:
        raise CannotJudge("weight_does_not_fit", f"{weighed_g:g} g weighed, about {full:.0f} g new")
    implied = scales.share / max(seen.area, 1e-6)
    if template.solid == "plate" and implied > 1.25:
        message = f"{weighed_g:g} g on {100 * seen.area:.0f} % of the new area would be thicker than new"
        raise CannotJudge("weight_does_not_fit", message)
    thickness = template.thickness_mm * implied
    if template.form is not None:
        thickness *= new_volume(template) / new_area(template) / template.thickness_mm
    left = replace(
        seen,
        mass=scales.share,
        mass_draws=scales.share + normal["casting"] * scales.new_sd + normal["shape"] * scales.scales_sd,
        thickness_draws=thickness * (1 + 0.02 * normal["shape"]),
        causes={"casting": scales.new_sd, "scales": scales.scales_sd},
    )
    return left, weighed_g + normal["shape"] * scales.left_sd_g


def _interval(value: float, draws: Floats, coverage: float) -> Interval:
    low, high = np.quantile(draws, [(1 - coverage) / 2, (1 + coverage) / 2])
    return Interval(float(value), float(min(low, value)), float(max(high, value)))


# --- where ---------------------------------------------------------------------------------------


def _recession(placement: Placement, worn: Any, fresh: Any, settings: Settings) -> RecessionFigures:
    """Recession along the outline: from points of the new outline, a millimetre apart, straight to the
    nearest metal."""
    import shapely

    ring = resample_ring(np.asarray(placement.template.rings[0]), max(1.0, fresh.exterior.length / 400))
    shapely.prepare(worn)
    depth = shapely.distance(worn, shapely.points(ring))
    worst = int(np.argmax(depth))
    side, worst_side = _sidedness(ring, depth, fresh)
    firm = placement.anchored_by == "holes" or not placement.ambiguous
    one_sided = firm and side > max(settings.one_sided_min_mm, 0.8 * float(np.mean(depth)))
    where = (float(ring[worst][0]), float(ring[worst][1])) if depth[worst] > 0.5 else None
    return RecessionFigures(
        float(np.mean(depth)),
        float(np.quantile(depth, 0.95)),
        float(depth.max()),
        where,
        bool(one_sided),
        float(side),
        worst_side,
    )


def _sidedness(ring: Floats, depth: Floats, fresh: Any) -> tuple[float, tuple[float, float] | None]:
    """Largest difference of mean recession between one quarter of directions and the opposite one, mm,
    and the direction (unit vector, part frame) of the worse side."""
    centre = np.array([fresh.centroid.x, fresh.centroid.y])
    bearing = np.arctan2(*(ring - centre).T[::-1])
    best, where = 0.0, None
    for angle in np.arange(16) * 2 * np.pi / 16:
        off = np.abs(np.angle(np.exp(1j * (bearing - angle))))
        near, far = off < np.pi / 4, off > 3 * np.pi / 4
        if near.sum() >= 5 and far.sum() >= 5:
            difference = float(depth[near].mean() - depth[far].mean())
            if difference > best:
                best, where = difference, (float(np.cos(angle)), float(np.sin(angle)))
    return best, where


def _hole(index: int, placement: Placement, worn: Any, settings: Settings) -> HoleFinding:
    """How far a fixing hole has opened, across its narrow way, and whether the washer still finds
    metal all round."""
    import shapely

    fixing = placement.template.fixing_holes[index]
    if fixing.ring in placement.hidden_rings:
        return HoleFinding(index, fixing.diameter_mm, None, None, fixing.washer_mm, "not_seen")
    new = shapely.Polygon(placement.template.rings[fixing.ring])
    filled = shapely.union_all([shapely.Polygon(p.exterior) for p in polygons_of(worn)])
    holes = [h for h in polygons_of(filled.difference(worn)) if h.area > 0.2 * new.area]
    hit = [h for h in holes if h.intersection(new).area > 0.3 * new.area]
    if not hit:
        if worn.intersection(new).area > 0.6 * new.area:
            return HoleFinding(index, fixing.diameter_mm, None, None, fixing.washer_mm, "not_seen")
        return HoleFinding(index, fixing.diameter_mm, None, None, fixing.washer_mm, "lost")
    hole = max(hit, key=lambda h: h.intersection(new).area)
    narrow_new, narrow = _narrow_way(new), _narrow_way(hole)
    growth = narrow - narrow_new
    diameter = fixing.diameter_mm + growth
    # the clamp is lost where the hole reaches the washer's rim
    lost = fixing.washer_mm is not None and diameter >= fixing.washer_mm
    state = "lost" if lost else "grown" if growth >= settings.hole_growth_mm else "sound"
    drawn, rim = fixing.diameter_mm, fixing.washer_mm
    return HoleFinding(index, drawn, float(diameter), float(growth), rim, state)  # type: ignore[arg-type]


def _narrow_way(hole: Any) -> float:
    """Width of a hole across its narrow way: that of a round hole of the same area where it is about
    round, else of the smallest rectangle round it."""
    import shapely

    box = np.asarray(shapely.oriented_envelope(hole).exterior.coords)
    sides = np.linalg.norm(box[1:3] - box[:2], axis=1)
    if sides.max() < 1.25 * sides.min():
        return float(2 * np.sqrt(hole.area / np.pi))
    # a slot: what is left of its area when the long way is taken out
    return float(min(sides.min(), hole.area / max(sides.max() - (1 - np.pi / 4) * sides.min(), 1e-6)))


def _pieces_lost(worn: Any, fresh: Any, recession: RecessionFigures, least: float) -> int:
    """Pieces of the new part that even recession doesn't explain, plus separate pieces lying by;
    `least` mm2 and more counts."""
    import shapely

    depth = 1.8 * min(recession.mean, recession.p95) + 3.0
    gone = fresh.buffer(-depth).difference(worn.buffer(0.5))
    missing = sum(
        1 for g in polygons_of(gone) if g.buffer(depth * 0.5).area > least and g.area > 0.25 * least
    )
    # a speck in a hole is a bolt, a crust or a misread shadow, not a piece
    holes = (
        shapely.union_all([shapely.Polygon(r) for r in fresh.interiors])
        if fresh.geom_type == "Polygon"
        else shapely.Polygon()
    )
    apart = sum(
        1 for p in polygons_of(worn)[1:] if p.area > least and p.intersection(holes).area < 0.5 * p.area
    )
    return missing + apart
