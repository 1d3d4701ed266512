"""A template from the triangle mesh of a new part."""

from __future__ import annotations

from typing import Any, Unpack

import numpy as np

from anodewane.catalog.drawing import FIXING_MM, DrawingOptions
from anodewane.catalog.mesh_file import plan_of_mesh, read_mesh
from anodewane.catalog.template_check import Fixing, checked_template, hole_diameter
from anodewane.records import Template


def template_from_mesh(
    data: bytes,
    file_name: str,
    name: str,
    *,
    unit: str | None = None,
    up: str = "z",
    **options: Unpack[DrawingOptions],
) -> Template:
    """Make a template from the mesh of a new part.

    Parameters
    ----------
    data, file_name : bytes and str
        An STL (text or binary) or 3MF file.
    name : str
        Of the template.
    unit : {"mm", "cm", "m", "in"}, optional
        What a length of 1 is; where not given, as a 3MF says, and mm for an STL.
    up : str
        Which of the mesh's axes points up as the part lies for its photo; see `UPS`.
    options
        What the mesh doesn't say; see `anodewane.catalog.drawing.DrawingOptions`.

    Raises
    ------
    UsageError
        No mesh, one that isn't closed, several parts, an unlikely size, or a part that can't be.
    """
    form = read_mesh(data, file_name, unit, up)
    rings = plan_of_mesh(form)
    rest: dict[str, Any] = {k: v for k, v in options.items() if k not in ("fixings", "washer_mm", "solid")}
    washer = options.get("washer_mm")
    found = [
        Fixing(i, washer)
        for i, ring in enumerate(rings[1:], start=1)
        if options.get("fixings", "auto") == "auto" and FIXING_MM[0] <= hole_diameter(ring) <= FIXING_MM[1]
    ]
    height = float(np.round(form.vertices_mm[:, 2].max(), 6))
    return checked_template(
        name=name, rings=rings, thickness_mm=height, solid="mesh", form=form, fixings=found, **rest
    )
