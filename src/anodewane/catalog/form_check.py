"""What can be wrong with a casting's form, its counterbores and its steel: each refused in one sentence
with a remedy."""

from __future__ import annotations

from typing import Any, get_args

import numpy as np

from anodewane.errors import UsageError
from anodewane.geometry.rings import to_shapely
from anodewane.record import Solid
from anodewane.records import CastForm, CollarForm, FixingHole, Template, TurnedForm
from anodewane.units import Floats

SOLIDS: tuple[str, ...] = get_args(Solid)

MIN_WALL_MM = 0.2
"""Metal between a hole and the edge or another hole: less can't be cast, and is a slip of the drawing."""

MAX_DRAFT_DEG = 45.0
AGREE_MM = 0.5
"""Within which an outline and a thickness that are given agree with what the form makes of them."""

BARRELS = (0.5, 20.0)


def check_form(template: Template) -> None:
    """Raise `UsageError` for a form, a counterbore or an insert that can't be."""
    form = template.form
    if isinstance(form, CastForm):
        _check_cast(template, form)
    elif isinstance(form, TurnedForm):
        _check_turned(template, form)
    elif isinstance(form, CollarForm):
        _check_collar(template, form)
    for hole in template.fixing_holes:
        _check_counterbore(template, hole)
    _check_inserts(template)
    if template.solid in ("turned", "collar", "mesh"):
        _check_agreement(template)


def _check_cast(template: Template, form: CastForm) -> None:
    import shapely

    height = template.thickness_mm
    if form.draft_deg is not None and not 0 <= form.draft_deg <= MAX_DRAFT_DEG:
        raise UsageError(
            f"The template '{template.name}' has a draft of {form.draft_deg:g} degrees.",
            f"Give by how much its walls lean inward, 0 to {MAX_DRAFT_DEG:g} degrees, or leave it out.",
        )
    if form.crown_mm is not None and not 0 <= form.crown_mm < height:
        raise UsageError(
            f"The template '{template.name}' has a crown of {form.crown_mm:g} mm on a thickness of "
            f"{height:g} mm.",
            "Give how far its top rises from the shoulder to the middle: 0 or more, less than the thickness.",
        )
    _check_edge(template, form.edge_radius_mm)
    if form.known and template.fill_factor != 1:
        raise UsageError(
            f"The template '{template.name}' has a fill factor, but its draft, edges and crown say what it "
            "holds.",
            "Leave the fill factor out, or the measures that you aren't sure of.",
        )
    reach = float(shapely.maximum_inscribed_circle(to_shapely(template.rings[:1]), tolerance=0.1).length)
    if form.section_mm is not None:
        if form.draft_deg is not None or form.crown_mm is not None:
            raise UsageError(
                f"The template '{template.name}' has a section beside a draft or a crown.",
                "Leave the draft and the crown out.",
            )
        _check_curve(template, form.section_mm, "section", 1.0)
        return
    lean = (height - (form.crown_mm or 0.0)) * float(np.tan(np.radians(form.draft_deg or 0.0)))
    if lean >= reach:
        raise UsageError(
            f"The template '{template.name}' has walls that meet below its top: they lean {lean:.3g} mm "
            f"inward, and it is {2 * reach:.3g} "
            "mm wide.",
            "Check the draft (in degrees from upright) and the thickness.",
        )


def _check_edge(template: Template, radius_mm: float | None) -> None:
    if radius_mm is not None and not 0 <= radius_mm <= template.thickness_mm:
        raise UsageError(
            f"The template '{template.name}' has an edge radius of {radius_mm:g} mm.",
            "Give the radius of its upper edges in millimetres: 0 or more, at most the thickness.",
        )


def _check_curve(template: Template, curve: Floats, what: str, inward: float) -> None:
    """A section or a profile: from the foot up to the thickness; a section never runs outward."""
    across, up = inward * curve[:, 0], curve[:, 1]
    if up[0] != 0 or (np.diff(up) < 0).any() or abs(up[-1] - template.thickness_mm) > 1e-6:
        raise UsageError(
            f"The template '{template.name}' has a {what} whose heights run from {up[0]:g} to {up[-1]:g} mm.",
            f"Give its heights rising from 0 to the thickness, {template.thickness_mm:g} mm.",
        )
    if what == "section" and ((np.diff(across) < 0).any() or across[0] < 0):
        raise UsageError(
            f"The template '{template.name}' has a section that runs outward.",
            "Give its distances from the outline rising from 0, as seen from above.",
        )
    if (np.abs(np.diff(curve, axis=0)).sum(axis=1) < 1e-6).any():
        raise UsageError(
            f"The template '{template.name}' has a {what} with a place given twice.",
            "Leave one of the two out.",
        )


def _check_turned(template: Template, form: TurnedForm) -> None:
    radii = form.profile_mm[:, 0]
    if (radii < 0).any() or not radii.max() > 0:
        raise UsageError(
            f"The template '{template.name}' has a profile with a radius below 0.",
            "Give radii from the axis, 0 or more.",
        )
    _check_curve(template, form.profile_mm, "profile", -1.0)
    _check_edge(template, form.edge_radius_mm)


def _check_collar(template: Template, form: CollarForm) -> None:
    for key in ("length_mm", "outer_diameter_mm", "end_diameter_mm", "bore_mm"):
        if not getattr(form, key) > 0:
            raise UsageError(
                f"The template '{template.name}' has a {key} of {getattr(form, key):g}.",
                "Give millimetres, more than 0.",
            )
    if not form.bore_mm + 2 * MIN_WALL_MM < form.end_diameter_mm <= form.outer_diameter_mm:
        raise UsageError(
            f"The template '{template.name}' is a collar of {form.outer_diameter_mm:g} mm, "
            f"{form.end_diameter_mm:g} mm at its ends, "
            f"over a bore of {form.bore_mm:g} mm.",
            "The bore is the smallest of the three and the outer diameter the largest.",
        )
    if not BARRELS[0] <= form.barrel <= BARRELS[1]:
        raise UsageError(
            f"The template '{template.name}' has a barrel of {form.barrel:g}.",
            f"It is the power by which the collar's outside curves, {BARRELS[0]:g} to {BARRELS[1]:g}; 2 is "
            "a parabola.",
        )
    _check_edge(template, form.edge_radius_mm)
    if template.mount == "flush":
        raise UsageError(
            f"The template '{template.name}' is a collar with a flush mount, but a collar wastes all round "
            "its outside.",
            "Set its mount to open; its bore and its split face are dry anyway.",
        )


def _check_counterbore(template: Template, hole: FixingHole) -> None:
    import shapely

    if hole.counterbore_mm is None or hole.counterbore_depth_mm is None:
        return
    here = f"has a counterbore at hole {hole.ring}"
    if template.solid in ("rod", "mesh"):
        raise UsageError(
            f"The template '{template.name}' {here}, but is a {template.solid}.",
            "Draw it into the mesh." if template.solid == "mesh" else "Leave it out.",
        )
    if not hole.diameter_mm < hole.counterbore_mm:
        raise UsageError(
            f"The template '{template.name}' {here} {hole.counterbore_mm:g} mm wide over a hole of "
            f"{hole.diameter_mm:.4g} mm.",
            "Give the counterbore's own diameter, which is more than the hole's.",
        )
    if not 0 < hole.counterbore_depth_mm < template.thickness_mm:
        raise UsageError(
            f"The template '{template.name}' {here} {hole.counterbore_depth_mm:g} mm deep in a part "
            f"{template.thickness_mm:g} mm thick.",
            "Give how far its floor lies below the thickness: above 0, less than the thickness.",
        )
    if hole.washer_mm is not None and hole.washer_mm > hole.counterbore_mm:
        raise UsageError(
            f"The template '{template.name}' {here} {hole.counterbore_mm:g} mm wide, narrower than the "
            f"washer of {hole.washer_mm:g} mm in "
            "it.",
            "Check the two diameters; the washer lies on the counterbore's floor.",
        )
    ring = template.rings[hole.ring]
    centre = shapely.Point(*(ring.min(axis=0) + ring.max(axis=0)) / 2)
    if not to_shapely(template.rings[:1]).contains(centre.buffer(hole.counterbore_mm / 2)):
        raise UsageError(
            f"The template '{template.name}' {here} {hole.counterbore_mm:g} mm wide that reaches over the "
            "edge of the part.",
            "Check its diameter and the hole's place.",
        )


def _check_inserts(template: Template) -> None:
    import shapely

    body = to_shapely(template.rings)
    for i, insert in enumerate(template.inserts, start=1):
        if template.solid == "rod":
            raise UsageError(
                f"The template '{template.name}' is a rod with an insert.",
                "Give the metal over its core, core_depth_mm, and its fill factor instead.",
            )
        steel = shapely.Polygon(insert.rings[0], insert.rings[1:])
        if not steel.is_valid or steel.area < 1.0:
            raise UsageError(
                f"The template '{template.name}' has an insert ({i}) whose outline crosses itself or "
                "encloses almost no area.",
                "Redraw it as one simple closed line, in millimetres.",
            )
        if not steel.intersects(body):
            raise UsageError(
                f"The template '{template.name}' has an insert ({i}) that lies beside the metal.",
                "Check its outline and its place.",
            )
        if insert.from_mm >= template.thickness_mm:
            raise UsageError(
                f"The template '{template.name}' has an insert ({i}) that begins {insert.from_mm:g} mm up "
                "in a part "
                f"{template.thickness_mm:g} mm thick.",
                "Give its heights above the face that lies down.",
            )


def _check_agreement(template: Template) -> None:
    """A drawn outline and a thickness must be what the form makes of them."""
    size, height = form_size(template.form)
    drawn = np.ptp(template.rings[0], axis=0)
    if np.abs(drawn - size).max() > AGREE_MM:
        raise UsageError(
            f"The template '{template.name}' has an outline of {drawn[0]:.4g} x {drawn[1]:.4g} mm, but its "
            f"{template.solid} is "
            f"{size[0]:.4g} x {size[1]:.4g} mm in plan.",
            "Leave the outline out: it follows from the other measures.",
        )
    if abs(template.thickness_mm - height) > AGREE_MM:
        raise UsageError(
            f"The template '{template.name}' is said to be {template.thickness_mm:g} mm thick, but its "
            f"{template.solid} is {height:.4g} "
            "mm high.",
            "Leave the thickness out: it follows from the other measures.",
        )


def form_size(form: Any) -> tuple[Floats, float]:
    """Size in plan (2,) and height of a turned, collar or mesh form, mm."""
    if isinstance(form, TurnedForm):
        return np.full(2, 2 * float(form.profile_mm[:, 0].max())), float(form.profile_mm[-1, 1])
    if isinstance(form, CollarForm):
        return np.array([form.length_mm, form.outer_diameter_mm]), form.outer_diameter_mm / 2
    size = np.ptp(form.vertices_mm, axis=0)
    return size[:2], float(size[2])
