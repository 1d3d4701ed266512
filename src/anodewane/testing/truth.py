"""The new part that a trial photo's truth file tells of, as a template: all that is known of it, or less."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Literal

import numpy as np

from anodewane.record import Solid
from anodewane.records import CastForm, CollarForm, FixingHole, Form, Insert, Template, TurnedForm
from anodewane.wear.metals import mass_g

Known = Literal["all", "weight", "outline"]
"""What a user knows of a casting: its form; outline, height and the new part's weight; or outline and
height alone."""


def template_of_truth(truth: dict[str, Any], known: Known = "all") -> Template:
    """The template of a truth file's part, which is a prism, a rod or, where it has a `profile`, a
    casting."""
    from shapely import wkt

    from anodewane.geometry.rings import from_shapely, polygons_of

    rings = from_shapely(polygons_of(wkt.loads(truth["outline_wkt"]))[0])
    height = truth["thickness_mm"]
    plain: Solid = "rod" if truth["rod"] else "plate"
    new = Template(
        truth["part"], rings, height, truth["mount"], plain, truth["alloy"], None, 1.0, (), None, False
    )
    if not truth.get("profile"):
        return new
    solid, form = _form(truth["profile"], height)
    weight = None
    if known != "all":
        solid, form = "cast", CastForm()
        weight = mass_g(truth["alloy"], truth["volume_new_mm3"]) if known == "weight" else None
    return replace(
        new,
        solid=solid,
        form=form,
        new_mass_g=weight,
        fixing_holes=_holes(truth.get("bores", []), rings),
        inserts=tuple(_insert(s) for s in truth.get("straps", [])),
    )


def _form(profile: dict[str, Any], height: float) -> tuple[Solid, Form]:
    edge = profile.get("edge_radius_mm", 0.0)
    if profile["kind"] == "plan":
        return "cast", CastForm(profile["draft_deg"], edge, profile["dome_mm"])
    if profile["kind"] == "cone":
        foot, top = profile["base_r"], profile["top_r"]
        points = [(foot, 0.0), (foot * profile["waist"], 0.55 * height), (top, height)]
        return "turned", TurnedForm(np.array(points), edge)
    return "collar", CollarForm(
        profile["length"],
        2 * profile["outer_r"],
        2 * profile["end_r"],
        profile["barrel"],
        2 * profile["bore_r"],
        edge,
    )


def _holes(bores: list[list[float]], rings: Any) -> tuple[FixingHole, ...]:
    out = []
    for x, y, diameter, wide, depth in bores:
        away = [float(np.hypot(*(r.mean(0) - [x, y]))) for r in rings[1:]]
        if away and min(away) < 2.0:
            ring = 1 + int(np.argmin(away))
            sunk = wide > 0 and depth > 0
            out.append(FixingHole(ring, diameter, None, wide if sunk else None, depth if sunk else None))
    return tuple(out)


def _insert(strap: list[float]) -> Insert:
    x0, y0, x1, y1, low, high = strap
    return Insert((np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)]),), low, high)
