"""Which photo to take next: the Fisher information that a photo would bring, reckoned from the fitted
solid before anybody takes it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from anodewane.geometry.camera import project
from anodewane.geometry.rings import polygons_of, resample_ring, ring_normals
from anodewane.records import Camera
from anodewane.units import Floats
from anodewane.views.fit import CORRELATION_MM, Look, limb_of, reduced_information, rows_of
from anodewane.views.model import Solid

ELEVATIONS_DEG = (10.0, 45.0)
"""Low along the bench, and half-way up."""
POINTS = 160
CLOSE_MM = 2.0


@dataclass(frozen=True, slots=True)
class Candidate:
    """A photo that could be taken: from where, and the one-sigma of the figure with it."""

    elevation_deg: float
    azimuth_deg: float
    sd: float


def candidates(
    solid: Solid,
    p: Floats,
    like: Look,
    information: Floats,
    slope: Floats,
    face: Floats | None,
    azimuths_deg: tuple[float, ...],
    misfit_mm: float,
) -> list[Candidate]:
    """Reckon what each of a ring of photos would leave of the doubt about a figure of the solid.

    Parameters
    ----------
    solid, p : the fitted solid
    like : a look with the camera and distance that the new photo would have
    information : (P, P) of all that is known
    slope : (P,) derivatives of the figure
    face : (P, P) information that matching the face between the new photo and the one from above would
        bring, None when it is known already
    azimuths_deg : sheet frame
    misfit_mm : one-sigma of an outline point about the solid
    """
    points = solid.points(p)
    middle = points.mean(0)
    distance = float(np.linalg.norm(np.asarray(like.camera.position_mm) - middle))
    out = []
    for elevation in ELEVATIONS_DEG:
        for azimuth in azimuths_deg:
            camera = _camera_at(like.camera, middle, distance, elevation, azimuth)
            look = _look(camera, points, solid, like)
            if look is None:
                continue
            limb = limb_of(look, solid, points, 4.0)
            by_solid, by_own = rows_of(look, solid, points, limb)
            scale = 1 / (misfit_mm * np.sqrt(max(1.0, CORRELATION_MM / look.step_mm)))
            more = reduced_information(scale * by_solid, scale * by_own, look.own_sd)
            if face is not None and elevation > 25:
                more = more + face
            out.append(
                Candidate(
                    elevation, azimuth, float(np.sqrt(slope @ np.linalg.solve(information + more, slope)))
                )
            )
    return out


def _camera_at(
    like: Camera, middle: Floats, distance: float, elevation_deg: float, azimuth_deg: float
) -> Camera:
    e, a = np.radians([elevation_deg, azimuth_deg])
    back = np.array([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)])
    right = np.array([-np.sin(a), np.cos(a), 0.0])
    rotation = np.stack([right, np.cross(-back, right), -back])
    return Camera(
        rotation, middle + distance * back, like.focal_px, like.centre_px, 0.0, like.half_diagonal_px
    )


def _look(camera: Camera, points: Floats, solid: Solid, like: Look) -> Look | None:
    """The outline that a camera would see, as a look without doubt about the camera."""
    rings = silhouette_rings(camera, points, solid)
    if not rings:
        return None
    depth = float(np.mean((points - camera.position_mm) @ camera.rotation[2]))
    mm_per_px = depth / camera.focal_px
    ring = rings[0]
    length = float(np.sum(np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)))
    fine = resample_ring(ring[::-1], length / POINTS)
    step_mm = length / POINTS * mm_per_px
    return Look(
        camera,
        (),
        fine,
        -ring_normals(fine, 2),
        mm_per_px,
        np.zeros(len(fine), bool),
        step_mm,
        like.edge_sd_mm,
        like.height_sd,
        like.contact_mm,
        like.contact_sd_mm,
    )


def silhouette_rings(camera: Camera, points: Floats, solid: Solid, *, walls: bool = False) -> list[Floats]:
    """The solid's outline in a photo as rings (n, 2) of pixels, the largest first, holes seen
    through behind their piece: the union of what lies inside its level curves. walls : with the wall
    between one level and the next, which takes longer; else gaps that a low view leaves there are
    closed roughly."""
    import shapely

    px = project(camera, points)
    whole: list[Any] = []
    sizes = np.bincount(solid.curve)
    ends = np.cumsum(sizes)
    curves = [px[e - n : e] for n, e in zip(sizes, ends, strict=True)]
    shapes = [shapely.Polygon(c).buffer(0) for c in curves]
    # a level's outer rings less its holes: holes stand at the same level, in the model's order ring by ring
    levels: dict[int, list[int]] = {}
    for i, level in enumerate(solid.level):
        levels.setdefault(int(level), []).append(i)
    for members in levels.values():
        outer = shapely.union_all([shapes[i] for i in members if not solid.hole[i]])
        holes = [shapes[i] for i in members if solid.hole[i]]
        whole.append(outer.difference(shapely.union_all(holes)) if holes else outer)
    if walls and solid.plate:
        whole += _walls(curves, levels, solid)
    # between two levels there is wall: close the gaps that are left at a low view
    close = CLOSE_MM * camera.focal_px / float(np.mean((points - camera.position_mm) @ camera.rotation[2]))
    merged = shapely.union_all(whole).buffer(close, quad_segs=4).buffer(-close, quad_segs=4)
    out = []
    for polygon in polygons_of(merged):
        if polygon.area > 9:
            out.append(
                np.asarray(polygon.exterior.coords)[:-1]
                if polygon.exterior.is_ccw
                else np.asarray(polygon.exterior.coords)[:-1][::-1]
            )
            out += [np.asarray(r.coords)[:-1] for r in polygon.interiors if shapely.Polygon(r).area > 9]
    return out


WALL_POINTS = 6
"""Points of a curve over which a strip of wall is drawn straight."""


def _walls(curves: list[Floats], levels: dict[int, list[int]], solid: Solid) -> list[Any]:
    """The wall between each level of a plate and the next, in strips."""
    import shapely

    strips: list[Floats] = []
    order = [levels[k] for k in sorted(levels) if k <= solid.rim_level]
    for below, above in pairwise(order):
        for i, k in zip(below, above, strict=False):
            a, b = curves[i], curves[k]
            if solid.hole[i] or len(a) != len(b):
                continue
            for start in range(0, len(a), WALL_POINTS):
                at = np.arange(start, start + WALL_POINTS + 1) % len(a)
                strips.append(np.concatenate([a[at], b[at][::-1]]))
    return [shapely.Polygon(s).buffer(0) for s in strips]
