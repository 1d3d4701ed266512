"""Exact silhouettes of prisms and rods through a known camera, drawn by OpenCV's projection and
shapely's hulls and unions, and planes and placements made by hand.

Nothing here uses the project's own way of taking height out: a prism is the union of its swept edges, a
rod the hull of its two end circles.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import shapely
from shapely.affinity import translate

from anodewane.geometry.camera import plane_homography
from anodewane.geometry.motion import Motion
from anodewane.geometry.rings import from_shapely, oriented, polygons_of
from anodewane.records import Camera, FixingHole, MetalMask, Placement, Plane, Template
from anodewane.testing import look_at, placement

WIDTH, HEIGHT = 2016, 1512


def camera_over(at=(0.0, 0.0), tilt_deg=12.0, azimuth_deg=35.0, distance_mm=600.0, f35=26.0, **more):
    return look_at(
        at,
        distance_mm=distance_mm,
        tilt_deg=tilt_deg,
        azimuth_deg=azimuth_deg,
        f35=f35,
        width=WIDTH,
        height=HEIGHT,
        **more,
    )


def plane_of(camera: Camera, sd_frac: float = 0.001) -> Plane:
    """A plane as the sheet would give it, with a small covariance."""
    cov = np.diag([2e-4, 2e-4, 2e-4, 0.2, 0.2, 0.6, 2e-3, 1e-3]) ** 2
    tilt = float(np.degrees(np.arccos(-camera.rotation[2, 2])))
    return Plane(
        camera,
        cov,
        plane_homography(camera),
        0.05,
        40,
        tilt,
        float(np.linalg.norm(camera.position_mm)),
        "exif",
        (100.0, 100.0),
        sd_frac,
    )


def seen_by_opencv(camera: Camera, points_mm: Any) -> Any:
    """Photo pixels (n, 2) of points (n, 3) by cv2.projectPoints: a check of the project's own
    projection as well. For lenses without distortion."""
    assert camera.k1 == 0
    turn = cv2.Rodrigues(np.array(camera.rotation))[0]
    shift = -np.array(camera.rotation) @ np.array(camera.position_mm)
    k = np.array(
        [[camera.focal_px, 0, camera.centre_px[0]], [0, camera.focal_px, camera.centre_px[1]], [0, 0, 1.0]]
    )
    return cv2.projectPoints(np.asarray(points_mm, float).reshape(-1, 1, 3), turn, shift, k, None)[0].reshape(
        -1, 2
    )


def dense(ring: Any, step: float = 2.0) -> Any:
    """The ring with points no farther apart than `step`, its own corners among them."""
    return np.asarray(shapely.segmentize(shapely.Polygon(ring), step).exterior.coords)[:-1]


def prism_px(camera: Camera, polygon: Any, height_mm: float) -> Any:
    """What a camera sees of a straight prism that stands on the sheet, in pixels: the union of foot,
    top and swept walls. Holes: any number, convex ones."""

    def at(ring: Any, z: float) -> Any:
        return seen_by_opencv(camera, np.c_[ring, np.full(len(ring), z)])

    outer = dense(np.asarray(polygon.exterior.coords)[:-1])
    low, high = at(outer, 0.0), at(outer, height_mm)
    walls = shapely.convex_hull(
        shapely.multipoints(np.stack([low, np.roll(low, -1, 0), high, np.roll(high, -1, 0)], axis=1))
    )
    seen = shapely.union_all([shapely.Polygon(low).buffer(0), shapely.Polygon(high).buffer(0), *walls])
    for hole in polygon.interiors:
        ring = dense(np.asarray(hole.coords)[:-1])
        # one looks through a convex hole where the line of sight is inside it at the foot and at the top
        seen = seen.difference(
            shapely.Polygon(at(ring, 0.0)).intersection(shapely.Polygon(at(ring, height_mm)))
        )
    return seen


def rod_px(camera: Camera, ends_mm: Any, radius_mm: float) -> Any:
    """What a camera sees of a round rod lying on the sheet from end to end (2, 2): the hull of its end
    circles, for the solid is convex."""
    ends = np.asarray(ends_mm, float)
    along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    across = np.array([-along[1], along[0], 0.0])
    t = np.linspace(0, 2 * np.pi, 720, endpoint=False)[:, None]
    circle = radius_mm * (np.cos(t) * across + np.sin(t) * np.array([0, 0, 1.0])) + np.array(
        [0, 0, radius_mm]
    )
    points = np.concatenate([circle + np.r_[e, 0.0] for e in ends])
    return shapely.convex_hull(shapely.multipoints(seen_by_opencv(camera, points)))


def mask_of(shape_px: Any, edge_sd_mm: float = 0.05) -> MetalMask:
    """A shapely polygon in pixels as the mask that a careful person would hand in."""
    pieces = tuple(from_shapely(p) for p in polygons_of(shape_px))
    return MetalMask(pieces, edge_sd_mm, False, "manual", None, ())


def moved(polygon: Any, motion: Motion) -> Any:
    """A polygon in the part frame laid on the sheet."""
    return shapely.transform(polygon, motion.apply)


def plate(outline: Any, thickness_mm=20.0, mount="flush", holes=(), **more):
    """A template from a shapely outline and round holes (x, y, diameter), each a fixing hole
    with `washer_mm`."""
    washer = more.pop("washer_mm", None)
    cut = (
        outline.difference(
            shapely.union_all([shapely.Point(x, y).buffer(d / 2, quad_segs=32) for x, y, d in holes])
        )
        if holes
        else outline
    )
    outer, *inner = from_shapely(cut)
    order = [
        min(range(len(inner)), key=lambda i, x=x, y=y: np.linalg.norm(inner[i].mean(0) - (x, y)))
        for x, y, _ in holes
    ]
    rings = oriented((outer, *(inner[i] for i in order)))
    fixing = tuple(FixingHole(i + 1, float(d), washer) for i, (_, _, d) in enumerate(holes))
    settings = {
        "name": "part",
        "solid": "plate",
        "alloy": "zinc",
        "new_mass_g": None,
        "fill_factor": 1.0,
        "core_depth_mm": None,
        "mirror_ok": False,
    } | more
    return Template(rings=rings, thickness_mm=thickness_mm, mount=mount, fixing_holes=fixing, **settings)


def template_shape(template: Template) -> Any:
    return shapely.Polygon(template.rings[0], template.rings[1:])


def placed(
    template: Template,
    worn: Any,
    thickness_mm: float,
    thickness_sd_mm: float = 0.5,
    anchored_by: str = "holes",
    hidden=(),
):
    """A placement of a worn plan (shapely, part frame) as `align` would make it, with the mask and the
    plane that belong to it."""
    camera = camera_over(distance_mm=700.0, tilt_deg=8.0)
    plan = tuple(from_shapely(p) for p in polygons_of(worn))
    heights = tuple(tuple(np.full(len(r), thickness_mm / 2) for r in piece) for piece in plan)
    pixels = shapely.transform(
        worn, lambda p: seen_by_opencv(camera, np.c_[p, np.full(len(p), thickness_mm / 2)])
    )
    made = Placement(
        template=template,
        sheet_from_part=placement(0.0, (0.0, 0.0)),
        plan_mm=plan,
        limb_height_mm=heights,
        remaining_thickness_mm=float(thickness_mm),
        thickness_sd_mm=float(thickness_sd_mm),
        anchored_by=anchored_by,
        ambiguous=False,
        hole_pitch_scale=None,
        hole_pitch_scale_sd=None,
        residual_mm=None,
        outside_frac=0.0,
        fit_cost=1.0,
        hidden_rings=tuple(hidden),
    )
    return made, mask_of(pixels), plane_of(camera)


def waste(
    shape: Any,
    depth_mm: float,
    towards_deg: float = 0.0,
    more_mm: float = 0.0,
    rough_mm: float = 0.0,
    seed: int = 0,
) -> Any:
    """A plan whose outline has receded by `depth_mm`, by up to twice `more_mm` more on the side
    `towards_deg`, wandering by `rough_mm` (one-sigma), by shapely alone.

    One side: what a copy pushed in from there leaves. Holes grow by `depth_mm`. Roughness: bites of
    many sizes out of the outline.
    """
    worn = shape.buffer(-depth_mm)
    if more_mm:
        a = np.radians(towards_deg)
        push = 2 * more_mm
        shell = shapely.Polygon(worn.exterior)
        worn = worn.intersection(translate(shell, -push * np.cos(a), -push * np.sin(a)))
    if rough_mm:
        rng = np.random.default_rng(seed)
        edge = polygons_of(worn)[0].exterior
        centres = [edge.interpolate(s) for s in rng.uniform(0, edge.length, int(edge.length / 12))]
        bites = [c.buffer(abs(rng.normal(0, 2 * rough_mm)) + 0.05, quad_segs=8) for c in centres]
        worn = worn.difference(shapely.union_all(bites)).buffer(-0.2).buffer(0.2)
    return polygons_of(worn)[0]
