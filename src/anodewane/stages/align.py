"""Lay the template where the part lies, and turn the silhouette into the worn part's plan outline.

The camera sees each point of the silhouette at some height above the sheet
(`anodewane.wear.edge_height`); taking that height out needs the thickness that remains, which follows
from the recession, which follows from the plan outline: two or three rounds settle it. The template is
placed by its fixing holes where two are seen, else by containment: a worn part lies inside the new one,
most of its edge about equally far inside. Overlap is not maximised: that would centre the remnant and
hide one-sided wear.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from anodewane.errors import CannotJudge
from anodewane.geometry.camera import to_height
from anodewane.geometry.rings import box_sides, oriented, pieces_to_shapely, ring_area, to_shapely
from anodewane.records import FormRead, MetalMask, Placement, Plane, Template
from anodewane.settings import Settings
from anodewane.stages.placing.casting import cast_poses, cast_thickness, in_sheet, read_cast, read_forms
from anodewane.stages.placing.holes import (
    ANCHOR_MAX_GROWTH_MM,
    GAUGE_MIN_PITCH_MM,
    hidden_holes,
    hole_pairs,
    pitch_scale,
    pose_by_holes,
    read_holes,
)
from anodewane.stages.placing.poses import Pose, place, same_by_symmetry
from anodewane.stages.placing.silhouette import Silhouette, plan_area, settle, silhouette_of
from anodewane.stages.placing.which import answer_of, why_not
from anodewane.units import Floats, Rings
from anodewane.wear.open_form import central_form
from anodewane.wear.solids import new_area, recession_near_area


def align(
    mask: MetalMask,
    plane: Plane,
    template: Template,
    settings: Settings,
    thickness_mm: float | None = None,
) -> Placement:
    """Take the part's height out of its silhouette and lay the template where the part lies.

    Parameters
    ----------
    mask : MetalMask
    plane : Plane
    template : Template
    settings : Settings
        Uses `face_*`, `outside_max_frac`, `hole_pitch_max_frac`, `speck_frac`.
    thickness_mm : float, optional
        Mean thickness of what is left, by calliper.

    Raises
    ------
    CannotJudge
        "template_does_not_fit", "hole_pitch", "thickness_does_not_fit", "part_unclear".
    """
    if thickness_mm is not None and not 0.02 < thickness_mm / template.thickness_mm < 1.1:
        raise CannotJudge(
            "thickness_does_not_fit", f"{thickness_mm:g} mm given, {template.thickness_mm:.1f} mm new"
        )
    placement = lay(mask, plane, template, settings, thickness_mm)
    left = plan_area(placement.plan_mm) / new_area(template)
    if mask.segmenter != "manual" and left < settings.speck_frac:
        raise CannotJudge("part_unclear", f"what was found is {100 * left:.1f} % of the new part's area")
    # the larger part of "too large" is named first: a wrong print scale shows in the holes before it
    # shows in the outline
    scale, scale_sd = placement.hole_pitch_scale, placement.hole_pitch_scale_sd
    if (
        scale is not None
        and scale_sd is not None
        and abs(scale - 1) > max(settings.hole_pitch_max_frac, 3.3 * scale_sd)
    ):
        raise CannotJudge(
            "hole_pitch",
            f"they measure {100 * scale:.1f} % of the template's pitch, give or take {100 * scale_sd:.1f} %",
        )
    room = 1.0 if template.profile_known else UNKNOWN_FORM_ROOM
    if placement.outside_frac > room * settings.outside_max_frac:
        raise CannotJudge(
            "template_does_not_fit",
            f"{100 * placement.outside_frac:.0f} % of the new part's area lies outside it",
        )
    if template.form is None:
        against = why_not(placement, answer_of(placement))
        if against is not None:
            raise CannotJudge("template_does_not_fit", against)
    return placement


def lay(
    mask: MetalMask,
    plane: Plane,
    template: Template,
    settings: Settings,
    thickness_mm: float | None = None,
) -> Placement:
    """`align` without its refusals: the best placement, however bad."""
    seen = silhouette_of(mask, plane.camera)
    if template.form is not None:
        return _lay_casting(mask, seen, template, thickness_mm)
    plan, heights, thickness, thickness_sd = settle(seen, template, settings, thickness_mm=thickness_mm)
    recession = recession_near_area(template, min(plan_area(plan), new_area(template)))
    poses = place(plan, template, recession)
    filled_mm2 = 0.0
    if mask.segmenter != "manual":
        # a person's outline means what it shows; a segmenter's holes are read against the template's
        seen, filled_mm2, changed = read_holes(seen, template, poses[0], thickness)
        if changed:
            plan, heights, thickness, thickness_sd = settle(
                seen, template, settings, thickness_mm=thickness_mm
            )
            recession = recession_near_area(template, min(plan_area(plan), new_area(template)))
            poses = place(plan, template, recession)
    anchor = _anchored(mask, seen, template, plan, poses[0], thickness)
    best = anchor.pose
    hidden = hidden_holes(plan, template, best, seen, thickness) if template.solid == "plate" else ()
    if hidden:
        unseen_mm2 = sum(abs(ring_area(np.asarray(template.rings[i]))) for i in hidden)
        plan, heights, thickness, thickness_sd = settle(seen, template, settings, unseen_mm2, thickness_mm)
    moved = best.part_from_sheet.apply_to_pieces(plan)
    part_plan = tuple(oriented(piece) for piece in moved)
    # a mirrored pose turns the rings round: keep each height with its point
    part_heights = tuple(
        tuple(
            h if _same_direction(r, turned) else h[::-1] for r, h, turned in zip(piece, hs, out, strict=True)
        )
        for piece, hs, out in zip(moved, heights, part_plan, strict=True)
    )
    read = _Read(part_plan, part_heights, thickness, thickness_sd, filled_mm2)
    return _placement(template, poses, anchor, read, hidden)


def _lay_casting(mask: MetalMask, seen: Silhouette, template: Template, given_mm: float | None) -> Placement:
    """`lay` for a casting whose walls and top follow from its form."""
    solid = central_form(template)
    poses, read = cast_poses(seen, solid)
    filled_mm2 = 0.0
    thickness, thickness_sd = cast_thickness(solid, read.recession_mm)
    if mask.segmenter != "manual":
        seen, filled_mm2, changed = read_holes(seen, template, poses[0], thickness)
        if changed:
            poses, read = cast_poses(seen, solid)
    plan = in_sheet(read.plan_mm, poses[0])
    anchor = _anchored(mask, seen, template, plan, poses[0], template.thickness_mm)
    hidden = hidden_holes(plan, template, anchor.pose, seen, template.thickness_mm)
    unseen_mm2 = sum(abs(ring_area(np.asarray(template.rings[i]))) for i in hidden)
    if hidden or anchor.pose is not poses[0]:
        read = read_cast(seen, solid, anchor.pose, unseen_mm2, begin_mm=read.recession_mm)
    thickness, thickness_sd = cast_thickness(solid, read.recession_mm)
    if given_mm is not None:
        thickness, thickness_sd = given_mm, 0.3
    seen_as = _Read(
        read.plan_mm,
        read.height_mm,
        thickness,
        thickness_sd,
        filled_mm2,
        read.steel_shows_mm2,
        read_forms(seen, template, anchor.pose, unseen_mm2),
    )
    return _placement(template, poses, anchor, seen_as, hidden)


@dataclass(frozen=True, slots=True, eq=False)
class _Read:
    """What a silhouette says in one pose: part frame, mm."""

    plan_mm: tuple[Rings, ...]
    height_mm: tuple[tuple[Floats, ...], ...]
    thickness_mm: float
    thickness_sd_mm: float
    filled_mm2: float
    steel_shows_mm2: float = 0.0
    forms: tuple[FormRead, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class _Anchor:
    """The pose that was settled on, by what, and what the holes say of the print scale."""

    pose: Pose
    by: Literal["outline", "holes"]
    residual_mm: float | None
    scale: float | None
    scale_sd: float | None


def _anchored(
    mask: MetalMask,
    seen: Silhouette,
    template: Template,
    plan: tuple[Rings, ...],
    pose: Pose,
    thickness: float,
) -> _Anchor:
    """Move a pose onto the fixing holes where two are seen, far enough apart and little worn."""

    def wall_seen(at_mm: Floats) -> float:
        if mask.segmenter == "manual":
            return 0.0
        return thickness * float(np.linalg.norm(at_mm - seen.foot_mm)) / (seen.camera_height_mm - thickness)

    pairs = hole_pairs(plan, template, pose, wall_seen)
    scale = scale_sd = None
    if len(pairs) >= 2:
        apart = max(float(np.linalg.norm(a.drawn_mm - b.drawn_mm)) for a in pairs for b in pairs)
        if apart > GAUGE_MIN_PITCH_MM:
            scale, scale_sd = pitch_scale(pairs)
        if apart > 15.0 and np.mean([p.growth_mm for p in pairs]) < ANCHOR_MAX_GROWTH_MM:
            anchored, miss = pose_by_holes(pairs, pose)
            # holes that wear askew move their centres by a millimetre; far worse means they are not
            # the template's
            if miss < 2.0:
                return _Anchor(anchored, "holes", miss, scale, scale_sd)
    return _Anchor(pose, "outline", None, scale, scale_sd)


def _placement(
    template: Template, poses: list[Pose], anchor: _Anchor, read: _Read, hidden: tuple[int, ...]
) -> Placement:
    """The record of a placing; holes that can't be looked through are drawn as the template has them."""
    best = anchor.pose
    ambiguous = (
        anchor.by == "outline"
        and len(poses) > 1
        and poses[1].cost < best.cost + 0.05
        and not same_by_symmetry(template, poses[0], poses[1])
    )
    part_plan, part_heights = read.plan_mm, read.height_mm
    if hidden:
        rings = tuple(np.asarray(template.rings[i]) for i in hidden)
        part_plan = (oriented((*part_plan[0], *rings)), *part_plan[1:])
        drawn = tuple(np.full(len(r), read.thickness_mm / 2) for r in rings)
        part_heights = ((*part_heights[0], *drawn), *part_heights[1:])
    worn = pieces_to_shapely(part_plan)
    fresh = to_shapely(template.rings)
    return Placement(
        template=template,
        sheet_from_part=best.part_from_sheet.inverse(),
        plan_mm=part_plan,
        limb_height_mm=part_heights,
        remaining_thickness_mm=float(read.thickness_mm),
        thickness_sd_mm=float(read.thickness_sd_mm),
        anchored_by=anchor.by,
        ambiguous=ambiguous,
        hole_pitch_scale=anchor.scale,
        hole_pitch_scale_sd=anchor.scale_sd,
        residual_mm=anchor.residual_mm,
        outside_frac=float(worn.difference(fresh.buffer(OUTSIDE_SLACK_MM)).area / fresh.area),
        fit_cost=best.cost,
        hidden_rings=hidden,
        filled_mm2=read.filled_mm2,
        steel_shows_mm2=read.steel_shows_mm2,
        forms=read.forms,
    )


def _same_direction(a: Floats, b: Floats) -> bool:
    return bool(np.allclose(a[0], b[0]))


SHORTLIST = 4
"""How many castings of a library are laid by their own solids."""

UNKNOWN_FORM_ROOM = 2.0
"""How much further a casting may stick out whose walls are a guess."""

OUTSIDE_SLACK_MM = 0.8
"""How far a worn outline may stick out before it counts: edge, height and casting errors together."""


def rank_templates(
    mask: MetalMask, plane: Plane, templates: tuple[Template, ...], settings: Settings
) -> list[tuple[float, Template]]:
    """Those templates of a library that hold the part, by how badly they explain it, best first.

    Notes
    -----
    A larger template always contains the part. What tells it apart is evenness: a part recedes about
    equally all round. Each template is scored by the mean negative log-likelihood of the outline's points
    given its own recession, whose spread grows with it.
    """
    scored = []
    castings = []
    for template in templates:
        if not _could_be(mask, plane, template):
            continue
        if template.form is None:
            scored += _scored(mask, plane, template, template, settings)
        else:
            castings += _scored(mask, plane, _as_prism(template), template, settings)
    # A casting's own solid takes a second each: those come to it whose plans, as prisms, fit best.
    for _, template in sorted(castings, key=lambda x: x[0])[:SHORTLIST]:
        scored += _scored(mask, plane, template, template, settings)
    return sorted(scored, key=lambda x: x[0])


def choose_template(ranked: list[tuple[float, Template]], settings: Settings) -> Template:
    """The template of a ranked library that explains the part best.

    Raises
    ------
    CannotJudge
        "template_unclear" where two explain it alike, "template_does_not_fit" where none does.
    """
    scored = ranked
    if not scored:
        raise CannotJudge("template_does_not_fit", "no template of the library holds it")
    if scored[0][0] > settings.template_max_score:
        raise CannotJudge(
            "template_does_not_fit", f"'{scored[0][1].name}' comes nearest, and not near enough"
        )
    alike = [t.name for s, t in scored if s < scored[0][0] + settings.template_margin]
    if len(alike) > 1:
        raise CannotJudge("template_unclear", " and ".join(f"'{n}'" for n in alike[:3]))
    return scored[0][1]


def _scored(
    mask: MetalMask, plane: Plane, laid: Template, template: Template, settings: Settings
) -> list[tuple[float, Template]]:
    """How badly a template explains the part, laid as `laid`; nothing where the part sticks out of it."""
    placement = lay(mask, plane, laid, settings)
    if placement.outside_frac > settings.outside_max_frac:
        return []
    recession = recession_near_area(laid, min(plan_area(placement.plan_mm), new_area(laid)))
    missing = sum(1 for _ in laid.rings[1:]) - sum(len(p) - 1 for p in placement.plan_mm)
    spread = float(np.log(0.5 + 0.35 * recession))
    return [(placement.fit_cost / 2 + spread + 0.4 * abs(missing), template)]


def _as_prism(template: Template) -> Template:
    """The prism over a casting's outline."""
    return replace(template, solid="plate", form=None, inserts=(), fill_factor=1.0)


def _could_be(mask: MetalMask, plane: Plane, template: Template) -> bool:
    """Cheap bounds before the costly fit: the part, seen at the template's top, is no larger than it,
    walls seen from the side allowed for, and not a speck of it."""
    top = to_height(plane.camera, mask.pieces_px[0][0], template.thickness_mm)
    seen, room = box_sides(top), box_sides(np.asarray(template.rings[0]))
    walls = (
        template.thickness_mm
        * float(np.linalg.norm(top.mean(0) - plane.camera.position_mm[:2]))
        / (float(plane.camera.position_mm[2]) - template.thickness_mm)
    )
    return bool(
        seen[0] < 1.05 * np.hypot(*room) + walls
        and seen[1] < 1.05 * room[0] + walls
        and abs(ring_area(top)) > 0.08 * new_area(template)
    )
