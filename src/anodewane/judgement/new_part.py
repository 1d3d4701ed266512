"""The outline of a new part, from its photo on the sheet: what a template is made from."""

from __future__ import annotations

import numpy as np

from anodewane.errors import CannotJudge
from anodewane.geometry.camera import to_height
from anodewane.geometry.rings import oriented, polygons_of, rings_area, to_shapely
from anodewane.judgement.found import Found
from anodewane.judgement.method import Method
from anodewane.judgement.pipeline import find_metal
from anodewane.records import Given, Photo, Template
from anodewane.stages.card import find_card
from anodewane.stages.placing.silhouette import long_axis, plate_plan, rod_plan, silhouette_of
from anodewane.stages.print_scale import locate_printed
from anodewane.units import Rings
from anodewane.wear.edge_height import Wall


def outline_of_new_part(
    photo: Photo,
    thickness_mm: float,
    solid: str = "plate",
    given: Given | None = None,
    method: Method | None = None,
) -> Rings:
    """Plan outline of a new part photographed on the sheet, in its own mm: centred, its long side along
    x, holes clockwise.

    Parameters
    ----------
    thickness_mm : float
        The part's height above the sheet: a new wall stands straight, so this is all that the height
        correction needs. A rod's diameter.
    solid : {"plate", "rod"}
    given : Given, optional
        Its check line, and no more of it.
    method : Method, optional

    Raises
    ------
    ModelError
    CannotJudge
        As `judge` would refuse the photo.
    """

    given, method = given or Given(), method or Method()
    found = Found(photo, given, method)
    found.sighting = find_card(found.photo, settings=method.settings)
    found.plane = locate_printed(
        found.photo, found.sighting, method.settings, method.lens, given.check_line_mm
    )
    found.mask = find_metal(found)
    if found.mask.touches_border:
        raise CannotJudge("part_cut_off", "its outline meets the edge of the picture")
    if (
        len([p for p in found.mask.pieces_px if rings_area(p) > 0.03 * rings_area(found.mask.pieces_px[0])])
        > 1
    ):
        raise CannotJudge("several_parts", f"{len(found.mask.pieces_px)} pieces")
    seen = silhouette_of(found.mask, found.plane.camera)
    rough = tuple(to_height(found.plane.camera, r, thickness_mm / 2) for r in found.mask.pieces_px[0])
    stand_in = Template(
        "new part",
        oriented(rough),
        thickness_mm,
        "flush",
        "rod" if solid == "rod" else "plate",
        "zinc",
        None,
        1.0,
        (),
        None,
        False,
    )
    plan = (
        rod_plan(seen, stand_in)[0][0]
        if solid == "rod"
        else plate_plan(seen, stand_in, thickness_mm, Wall(0.0, thickness_mm, 0.1))[0][0]
    )
    polygon = polygons_of(to_shapely(plan))[0]
    axis = long_axis(plan[0])
    turn = np.column_stack([axis, [-axis[1], axis[0]]])
    centre = np.array([polygon.centroid.x, polygon.centroid.y])
    return oriented(tuple((np.asarray(r) - centre) @ turn for r in plan))
