"""Laying a casting: its silhouette read by depth along the lines of sight, for walls of any lean and a
top of any shape."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from anodewane.geometry.rings import oriented, pieces_to_shapely, to_shapely
from anodewane.records import FormRead, Template
from anodewane.stages.placing.poses import Pose, place
from anodewane.stages.placing.silhouette import Silhouette, plan_area, plate_plan
from anodewane.units import Floats, Rings
from anodewane.wear.cast_law import MASS_FLOOR_MM, MASS_SD, mass_recession, wear_table
from anodewane.wear.contour import plan_depth, read_contour, to_plan
from anodewane.wear.edge_height import Wall
from anodewane.wear.field import solid_field
from anodewane.wear.open_form import likely_forms
from anodewane.wear.solids import new_area, recession_near_area

POSE_ROUNDS = 2
RECESSION_ROUNDS = 3
SETTLED_MM = 0.02
OPEN_STEP_MM = 2.0
"""Grid of the solids that stand for a form in doubt: their spread matters, not their last tenth of a
percent."""
STEEL_SHARE = 0.5
"""Share of a gap in the metal that must be steel for it to be a strap that shows, not a hole."""


@dataclass(frozen=True, slots=True, eq=False)
class CastRead:
    """A casting read in one pose: plan_mm in the part frame, pieces of rings; height_mm as plan_mm;
    recession_mm of the plan; steel_shows_mm2, plan area of steel seen within the metal."""

    plan_mm: tuple[Rings, ...]
    height_mm: tuple[tuple[Floats, ...], ...]
    recession_mm: float
    steel_shows_mm2: float


def first_plan(seen: Silhouette, template: Template) -> tuple[Rings, ...]:
    """A rough plan (sheet frame) to begin with: walls seen from the foot to two thirds of the height."""
    wall = Wall(0.0, template.thickness_mm * 2 / 3, 2.0)
    return plate_plan(seen, template, template.thickness_mm, wall)[0]


def cast_poses(seen: Silhouette, template: Template) -> tuple[list[Pose], CastRead]:
    """Poses, best first, and the casting as read in the best of them."""
    plan = first_plan(seen, template)
    poses = place(plan, template, _rough_recession(template, plan))
    recession = 0.0
    for _ in range(POSE_ROUNDS):
        # a coarse grid will do to find the pose
        read = read_cast(seen, template, poses[0], step_mm=OPEN_STEP_MM, begin_mm=recession)
        plan, recession = in_sheet(read.plan_mm, poses[0]), read.recession_mm
        poses = place(plan, template, _rough_recession(template, plan))
    return poses, read_cast(seen, template, poses[0], begin_mm=recession)


def read_cast(
    seen: Silhouette,
    template: Template,
    pose: Pose,
    unseen_mm2: float = 0.0,
    step_mm: float = 0.0,
    begin_mm: float = 0.0,
) -> CastRead:
    """The casting's plan and recession in one pose. `unseen_mm2` is the area of holes that can't be looked
    through, `step_mm` the grid of its solid, `begin_mm` a guess at the recession."""
    field, table = solid_field(template, step_mm), wear_table(template, step_mm)
    motion = pose.part_from_sheet
    foot = motion.apply(seen.foot_mm[None])[0]
    rings = tuple(oriented(piece) for piece in motion.apply_to_pieces(seen.pieces))
    recession = begin_mm
    for _ in range(RECESSION_ROUNDS):
        plan_at = plan_depth(template, field, recession)
        contours = [
            [read_contour(template, field, r, foot, seen.camera_height_mm, recession) for r in piece]
            for piece in rings
        ]
        plan = tuple(tuple(to_plan(plan_at, c) for c in piece) for piece in contours)
        shape = pieces_to_shapely(plan)
        before, recession = recession, float(table.plan_recession(shape.area - unseen_mm2))
        if abs(recession - before) < SETTLED_MM:
            break
    heights = tuple(tuple(c.height_mm for c in piece) for piece in contours)
    plan, heights, steel = _steel_filled(template, plan, heights)
    return CastRead(plan, heights, recession, steel)


def read_forms(seen: Silhouette, template: Template, pose: Pose, unseen_mm2: float) -> tuple[FormRead, ...]:
    """What the silhouette says by each likely form of a casting whose form is open; nothing where it is
    known."""
    if template.profile_known:
        return ()
    out = []
    for likely in likely_forms(template):
        read = read_cast(seen, likely.template, pose, unseen_mm2, OPEN_STEP_MM)
        table = wear_table(likely.template, OPEN_STEP_MM)
        even = mass_recession(likely.template, read.recession_mm)
        area = (plan_area(read.plan_mm) - unseen_mm2) / new_area(template)
        mass = float(table.volume(even) / table.volume(0.0))
        assert likely.template.form is not None
        out.append(FormRead(likely.template.form, likely.weight, area, mass))
    return tuple(out)


def cast_thickness(template: Template, recession_mm: float) -> tuple[float, float]:
    """Mean thickness that remains of a casting whose plan has receded by `recession_mm`, and its
    one-sigma, mm."""
    table = wear_table(template)
    even = float(mass_recession(template, recession_mm))
    sd = float(np.hypot(MASS_SD * even, MASS_FLOOR_MM))
    area = max(float(np.interp(recession_mm, table.recession_mm, table.area_mm2)), 1.0)
    left, less = (float(table.volume(d)) for d in (even, even + sd))
    return left / area, max((left - less) / area, 0.05)


def in_sheet(plan: tuple[Rings, ...], pose: Pose) -> tuple[Rings, ...]:
    """A plan of the part frame in the sheet frame."""
    return tuple(oriented(piece) for piece in pose.part_from_sheet.inverse().apply_to_pieces(plan))


def _rough_recession(template: Template, plan: tuple[Rings, ...]) -> float:
    return recession_near_area(template, min(plan_area(plan), new_area(template)))


def _steel_filled(
    template: Template, plan: tuple[Rings, ...], heights: tuple[tuple[Floats, ...], ...]
) -> tuple[tuple[Rings, ...], tuple[tuple[Floats, ...], ...], float]:
    """Fill gaps that are steel showing through: metal lies under it."""
    if not template.inserts:
        return plan, heights, 0.0
    import shapely

    steel = shapely.union_all([to_shapely(i.rings) for i in template.inserts])
    shows = 0.0
    pieces, kept_heights = [], []
    for piece, hs in zip(plan, heights, strict=True):
        kept = [0]
        for k, ring in enumerate(piece[1:], start=1):
            gap = to_shapely((ring,))
            if gap.area > 0 and gap.intersection(steel).area > STEEL_SHARE * gap.area:
                shows += float(gap.area)
            else:
                kept.append(k)
        pieces.append(tuple(piece[k] for k in kept))
        kept_heights.append(tuple(hs[k] for k in kept))
    return tuple(pieces), tuple(kept_heights), shows
