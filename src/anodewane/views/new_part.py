"""A new part from two to six photos of it, from above and from lower down: its outline, and its profile."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from anodewane.catalog.drawing import FIXING_MM
from anodewane.catalog.form_keys import form_from_measures, pairs_text
from anodewane.errors import CannotJudge, UsageError
from anodewane.geometry.camera import to_height
from anodewane.geometry.rings import oriented, ring_area, rings_area
from anodewane.judgement.found import Found
from anodewane.judgement.method import Method
from anodewane.judgement.pipeline import find_metal
from anodewane.records import CardSighting, CastForm, Given, Photo, Plane
from anodewane.settings import Settings
from anodewane.stages.placing.silhouette import long_axis
from anodewane.stages.plane import locate_camera
from anodewane.units import Floats, Rings
from anodewane.views.outline import outline_from_the_side
from anodewane.views.profile import Contour, Profile, fit_profile, outline_under
from anodewane.views.sheet import find_sheet
from anodewane.wear.metals import METALS

MOST_PHOTOS = 6
MOST_TILT_DEG = 84.0
CENTRAL = CastForm(12.5, 2.5, 0.0)
"""What stands for a form that nobody knows where an outline is read from above: draft is 0 to 25 degrees."""


@dataclass(frozen=True, slots=True, eq=False)
class NewPart:
    """What photos say of a new part.

    rings : plan outline and holes in its own frame, mm, centred, its long side along x; profile : from
    several photos, None from one.
    """

    rings: Rings
    profile: Profile | None


def new_part_of(
    photos: Sequence[Photo],
    thickness_mm: float,
    form: CastForm | None = None,
    weighed_mm3: float | None = None,
    counterbore_mm: tuple[float, float] | None = None,
    given: Given | None = None,
    method: Method | None = None,
) -> NewPart:
    """Read a new casting from one to six photos, in which part and sheet lie untouched.

    Parameters
    ----------
    form : CastForm, optional
        What is known of its form; used where there is one photo.
    weighed_mm3 : float, optional
        Volume of its metal by its weight; narrows the profile.
    counterbore_mm : (float, float), optional
        Diameter and depth of the counterbores of its bolt holes, which are missing from that volume.
    given, method : optional
        The check line, and settings, segmenter and lens.

    Raises
    ------
    UsageError
        Too many photos.
    CannotJudge
        As `judge` would refuse a photo, or no photo from above.
    """
    given, method = given or Given(), method or Method()
    if not 1 <= len(photos) <= MOST_PHOTOS:
        raise UsageError(
            f"A new part is read from 1 to {MOST_PHOTOS} photos, not {len(photos)}.",
            "Give one from above, and one to five from lower down.",
        )
    seen = sorted((_located(p, given, method) for p in photos), key=lambda s: s[1].tilt_deg)
    if seen[0][1].tilt_deg > method.settings.max_tilt_deg:
        raise CannotJudge("no_view_from_above", f"the steepest is tilted {seen[0][1].tilt_deg:.0f} degrees")
    above, holes = _from_above(seen[0], photos, given, method, thickness_mm)
    profile = None
    if len(seen) == 1:
        outline = outline_under(above, thickness_mm, form or CENTRAL)
    else:
        rough = outline_under(above, thickness_mm, CENTRAL)
        expected = np.vstack([np.c_[rough, np.full(len(rough), z)] for z in (0.0, thickness_mm)])
        low = [_from_the_side(s, expected, method) for s in seen[1:]]
        gross = None
        if weighed_mm3 is not None:
            gross = weighed_mm3 + sum(_hole_volume(h, thickness_mm, counterbore_mm) for h in holes)
        profile = fit_profile(above, low, thickness_mm, gross)
        outline = profile.outline_mm
    return NewPart(_in_its_own_frame((outline, *holes)), profile)


def _hole_volume(ring: Floats, thickness_mm: float, counterbore_mm: tuple[float, float] | None) -> float:
    """Metal that a hole lacks, its counterbore with it where it is a bolt's."""
    area = abs(ring_area(ring))
    if counterbore_mm is None or not FIXING_MM[0] <= 2 * np.sqrt(area / np.pi) <= FIXING_MM[1]:
        return area * thickness_mm
    wide = np.pi / 4 * counterbore_mm[0] ** 2
    return float(area * thickness_mm + max(wide - area, 0.0) * counterbore_mm[1])


def new_casting(
    photos: Sequence[Photo],
    thickness_mm: float,
    name: str,
    options: dict[str, Any],
    given: Given | None = None,
    method: Method | None = None,
) -> NewPart:
    """`new_part_of` by the options of a drawing, which then say what the photos found: the casting's section
    and edge radius from several photos, that it is a casting from one.

    Raises
    ------
    UsageError
        Several photos of a plate or a rod, or of a casting whose profile was given.
    """
    keys = ("draft_deg", "edge_radius_mm", "crown_mm", "section")
    measures: dict[str, Any] = {k: options[k] for k in keys if k in options}
    if len(photos) > 1 and (measures or options.get("solid", "cast") != "cast"):
        raise UsageError(
            f"{len(photos)} photos of '{name}' were given together with its profile.",
            "Leave draft, edge radius, crown, section and solid out: the photos find them. Or give one.",
        )
    options["solid"] = "cast"
    weighed = options.get("new_mass_g")
    volume = weighed / METALS[options.get("alloy", "zinc")].density_g_cm3 * 1000 if weighed else None
    form = form_from_measures(name, "cast", dict(measures))
    known = form if form is not None and form.known else None
    sunk = options.get("counterbore_mm"), options.get("counterbore_depth_mm")
    counterbore = (sunk[0], sunk[1]) if sunk[0] is not None and sunk[1] is not None else None
    part = new_part_of(photos, thickness_mm, known, volume, counterbore, given, method)
    if part.profile is not None:
        options["section"] = pairs_text(part.profile.section_mm)
        options["edge_radius_mm"] = part.profile.edge_radius_mm
    return part


def told_of(part: NewPart) -> list[str]:
    """What the photos found of a profile and how sure it is, a sentence a line."""
    p = part.profile
    if p is None:
        return []
    (_, _), (a, knee), (b, top) = p.section_mm
    left = sum(r is None for r in p.rms_px)
    used = f"{len(p.rms_px) - left} of {len(p.rms_px)} photos from lower down were used"
    walls = (
        f"Its walls stand {a:.1f} mm (one-sigma {p.section_sd_mm[0]:.1f}) inside its outline {knee:.1f} mm "
        f"up, and {b:.1f} mm ({p.section_sd_mm[1]:.1f}) at {top:.1f} mm; edge radius "
        f"{p.edge_radius_mm:.1f} mm ({p.edge_radius_sd_mm:.1f})."
    )
    share = 100 * p.volume_sd_mm3 / p.volume_mm3
    return [
        walls,
        f"Volume without holes {p.volume_mm3 / 1000:.1f} cm³, one-sigma {share:.1f} %; {used}.",
    ]


_Seen = tuple[Photo, Plane, CardSighting]


def _located(photo: Photo, given: Given, method: Method) -> _Seen:
    lenient: Settings = replace(method.settings, max_tilt_deg=MOST_TILT_DEG)
    try:
        sighting, _ = find_sheet(photo, method.settings)
        plane = locate_camera(photo, sighting, lenient, method.lens, given.check_line_mm)
    except CannotJudge as refusal:
        raise CannotJudge(refusal.code, f"'{photo.source.name}': {refusal.detail}") from refusal
    return photo, plane, sighting


def _from_above(
    seen: _Seen, photos: Sequence[Photo], given: Given, method: Method, thickness_mm: float
) -> tuple[Contour, Rings]:
    """The silhouette and the holes (sheet frame, half-way up their walls) in the photo from above."""
    photo, plane, sighting = seen
    found = Found(photo, given if len(photos) == 1 else Given(check_line_mm=given.check_line_mm), method)
    found.sighting, found.plane = sighting, plane
    mask = find_metal(found)
    if mask.touches_border:
        raise CannotJudge("part_cut_off", "its outline meets the edge of the picture")
    pieces = mask.pieces_px
    if sum(rings_area(p) > 0.03 * rings_area(pieces[0]) for p in pieces) > 1:
        raise CannotJudge("several_parts", f"{len(pieces)} pieces")
    holes = tuple(to_height(plane.camera, ring, thickness_mm / 2) for ring in pieces[0][1:])
    return Contour(plane.camera, pieces[0][0]), holes


def _from_the_side(seen: _Seen, expected_mm: Floats, method: Method) -> Contour:
    photo, plane, sighting = seen
    mask = outline_from_the_side(photo, plane, sighting.layout, expected_mm, method.get_segmenter())
    largest = max(mask.pieces_px, key=rings_area)
    return Contour(plane.camera, largest[0])


def _in_its_own_frame(rings: Rings) -> Rings:
    import shapely

    axis = long_axis(rings[0])
    turn = np.column_stack([axis, [-axis[1], axis[0]]])
    centre = np.asarray(shapely.Polygon(rings[0]).centroid.coords[0])
    return oriented(tuple((np.asarray(r) - centre) @ turn for r in rings))
