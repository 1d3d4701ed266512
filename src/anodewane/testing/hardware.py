"""Bolts and barnacles: things in the picture that are no metal of the part's own."""

from __future__ import annotations

from typing import Any

import numpy as np

from anodewane.geometry.camera import project, to_height
from anodewane.geometry.motion import Motion
from anodewane.records import Camera
from anodewane.testing.scene import Scene, sheet_size
from anodewane.testing.solid import WornSolid
from anodewane.testing.tracer import FieldTracer, rays
from anodewane.units import Floats


def _paint_capsule(
    image: Any,
    camera: Camera,
    ends: Floats,
    radius: float,
    colour: Any,
    scene: Scene,
    sun: Floats,
    hidden: Any,
    gloss: float,
) -> None:
    """Draw a capsule (two (3,) ends, sheet frame) into the image in place; `hidden(points_px, distance)
    -> bool` tells what lies behind metal."""
    height, width = image.shape[:2]
    q = project(camera, np.concatenate([ends + e for e in np.vstack([np.eye(3), -np.eye(3)]) * radius * 1.2]))
    x0, y0 = np.maximum(np.floor(q.min(0)).astype(int) - 1, 0)
    x1, y1 = np.minimum(np.ceil(q.max(0)).astype(int) + 2, [width, height])
    if x0 >= x1 or y0 >= y1:
        return
    k = 3
    gx, gy = (np.arange((x1 - x0) * k) + 0.5) / k - 0.5 + x0, (np.arange((y1 - y0) * k) + 0.5) / k - 0.5 + y0
    points = np.stack(np.meshgrid(gx, gy), axis=-1).reshape(-1, 2)
    lens, d = rays(camera, points, Motion.of(0.0, (0.0, 0.0)))
    axis = ends[1] - ends[0]
    span = float(axis @ axis)

    def gap(p: Any) -> Any:
        along = np.clip((p - ends[0]) @ axis / span, 0, 1)[:, None] if span > 0 else np.zeros((len(p), 1))
        return p - (ends[0] + along * axis)

    t = np.full(len(d), np.linalg.norm(ends.mean(0) - lens) - np.sqrt(span) - 3 * radius)
    for _ in range(60):
        t = t + (np.linalg.norm(gap(lens + t[:, None] * d), axis=1) - radius)
    p = lens + t[:, None] * d
    away = gap(p)
    hit = (np.abs(np.linalg.norm(away, axis=1) - radius) < 0.05) & (t > 0)
    hit[hit] &= ~hidden(points[hit], t[hit])
    n = away / np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-9)
    half = sun - d
    half /= np.linalg.norm(half, axis=1, keepdims=True)
    sun_colour, sky_colour = (
        np.array(scene.sun_colour) * scene.sun_share,
        np.array(scene.sky_colour) * (1 - scene.sun_share),
    )
    direct = (
        np.maximum(n @ sun, 0)[:, None] / max(0.2, sun[2]) * colour
        + gloss * (np.maximum((n * half).sum(1), 0) ** 40)[:, None]
    )
    light = direct * sun_colour + (0.5 + 0.5 * n[:, 2:]) * (colour + 0.3 * gloss) * sky_colour
    cover = hit.reshape(y1 - y0, k, x1 - x0, k).mean(axis=(1, 3))[..., None]
    mean = (light * hit[:, None]).reshape(y1 - y0, k, x1 - x0, k, 3).mean(axis=(1, 3))
    piece = image[y0:y1, x0:x1]
    image[y0:y1, x0:x1] = piece * (1 - cover) + mean


def _behind_metal(camera: Camera, tracer: FieldTracer, sheet_from_part: Motion) -> Any:
    def hidden(points_px: Floats, distance: Floats) -> Any:
        if len(points_px) == 0:
            return np.zeros(0, bool)
        lens, d = rays(camera, points_px, sheet_from_part)
        return tracer.first_hit(lens, d) < distance

    return hidden


def add_barnacles(
    image: Any,
    camera: Camera,
    tracer: FieldTracer,
    scene: Scene,
    solid: WornSolid,
    sheet_from_part: Motion,
    sun: Floats,
    rng: Any,
) -> Any:
    """Small shells on the face and along the rim; the true mask goes without them."""
    ring = solid.plan_mm[0][0]
    hidden = _behind_metal(camera, tracer, sheet_from_part)
    for _ in range(scene.barnacles):
        radius = float(rng.uniform(0.8, 2.6))
        if rng.random() < 0.4:
            at = np.r_[ring[rng.integers(len(ring))], rng.uniform(0.15, 0.6) * solid.top_mm]
        else:
            over = np.r_[rng.uniform(ring.min(0), ring.max(0)), solid.top_mm + 5]
            t = float(tracer.first_hit(over, np.array([[0, 0, -1.0]]))[0])
            if not np.isfinite(t):
                continue
            at = over - [0, 0, t]
        centre = np.r_[sheet_from_part.apply(at[:2]), at[2] + 0.2 * radius]
        colour = rng.uniform(0.45, 0.75) * np.array([1.0, 0.97, 0.9])
        _paint_capsule(
            image,
            camera,
            np.stack([centre, centre + np.array([0, 0, 0.25 * radius])]),
            radius,
            colour,
            scene,
            sun,
            hidden,
            0.05,
        )
    return image


def add_bolts(
    image: Any,
    camera: Camera,
    scene: Scene,
    solid: WornSolid,
    sheet_from_part: Motion,
    sun: Floats,
    rng: Any,
    tracer: FieldTracer,
) -> Any:
    """Loose bolts and pegs on bare ground, with their shadows."""
    from shapely import LineString, Polygon

    height, width = image.shape[:2]
    part = Polygon(sheet_from_part.apply(solid.plan_mm[0][0])).convex_hull
    half = np.array(sheet_size(scene)) / 2 + 1
    sheet = Polygon([(-half[0], -half[1]), (half[0], -half[1]), (half[0], half[1]), (-half[0], half[1])])
    hidden = _behind_metal(camera, tracer, sheet_from_part)
    for _ in range(scene.bolts):
        radius, length = float(rng.uniform(3, 9)), float(rng.uniform(15, 90))
        for _ in range(30):
            middle = to_height(camera, rng.uniform([0, 0], [width, height])[None], 0.0)[0]
            a = rng.uniform(0, np.pi)
            half_axis = length / 2 * np.array([np.cos(a), np.sin(a)])
            line = LineString([middle - half_axis, middle + half_axis])
            if line.distance(part) > 3 * radius + 8 and line.distance(sheet) > radius + 3:
                break
        else:
            continue
        ends = np.column_stack([np.array(line.coords), [radius, radius]])
        shadow = ends[:, :2] - sun[:2] / max(0.38, sun[2]) * radius
        q = project(camera, np.c_[np.concatenate([shadow - 2 * radius, shadow + 2 * radius]), np.zeros(4)])
        x0, y0 = np.clip(np.floor(q.min(0)).astype(int), 0, [width, height])
        x1, y1 = np.clip(np.ceil(q.max(0)).astype(int) + 1, 0, [width, height])
        if x0 < x1 and y0 < y1:
            ground = to_height(
                camera,
                np.stack(np.meshgrid(np.arange(x0, x1), np.arange(y0, y1)), axis=-1).astype(float),
                0.0,
            )
            axis = shadow[1] - shadow[0]
            along = np.clip((ground - shadow[0]) @ axis / (axis @ axis), 0, 1)[..., None]
            gap = np.linalg.norm(ground - shadow[0] - along * axis, axis=-1)
            soft = 0.5 + 2 * radius * np.tan(np.radians(scene.sun_radius_deg))
            image[y0:y1, x0:x1] *= (1 - scene.sun_share * 0.9 * np.clip(0.5 + (radius - gap) / soft, 0, 1))[
                ..., None
            ]
        colour = [
            np.array([0.5, 0.5, 0.52]),
            np.array([0.05, 0.05, 0.055]),
            np.array([0.5, 0.06, 0.05]),
            np.array([0.55, 0.42, 0.05]),
        ][rng.integers(4)]
        _paint_capsule(image, camera, ends, radius, colour, scene, sun, hidden, 0.3)
    return image
