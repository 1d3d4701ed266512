"""Lines of sight of a camera, and where they first meet a worn solid."""

from __future__ import annotations

from typing import Any

import numpy as np

from anodewane.geometry.camera import project, to_height
from anodewane.geometry.motion import Motion
from anodewane.records import Camera
from anodewane.testing.solid import WornSolid
from anodewane.units import Floats


class FieldTracer:
    """Finds where rays first meet the metal. Part frame, mm.

    Away from the metal a ray leaps by the distance to the nearest coarse cell that holds any (a
    Euclidean distance transform); within about two cells it steps by a third of a voxel, and the
    crossing is placed by bisection in the trilinear field.
    """

    def __init__(self, solid: WornSolid) -> None:
        from scipy.ndimage import binary_dilation, distance_transform_edt

        self.field = np.asarray(solid.field)
        self.origin = np.asarray(solid.origin_mm)
        self.h = solid.step_mm
        self.low = self.origin
        self.high = self.origin + (np.array(self.field.shape) - 1) * self.h
        inside = self.field < 0
        pad = [(0, -n % 2) for n in inside.shape]
        blocks = np.pad(inside, pad)
        nx, ny, nz = (n // 2 for n in blocks.shape)
        coarse = blocks.reshape(nx, 2, ny, 2, nz, 2).any(axis=(1, 3, 5))
        coarse = binary_dilation(coarse)
        # from anywhere in a cell to anywhere in the nearest full one: centre distance less two half diagonals
        self.leap = np.maximum(0, (distance_transform_edt(~coarse) - 1.75) * 2 * self.h).astype(np.float32)

    def at(self, points: Floats) -> Any:
        """Field at points (n, 3), float32 (n,)."""
        from scipy.ndimage import map_coordinates

        return map_coordinates(
            self.field, ((points - self.origin) / self.h).T, order=1, mode="nearest", output=np.float32
        )

    def normals(self, points: Floats) -> Any:
        """Unit outward normals (n, 3)."""
        grow = np.stack([self.at(points + e) - self.at(points - e) for e in np.eye(3) * self.h], axis=1)
        return grow / np.maximum(np.linalg.norm(grow, axis=1, keepdims=True), 1e-9)

    def first_hit(self, start: Floats, direction: Floats, skip_mm: float = 0.0) -> Any:
        """Distance (n,) along rays from `start` (n, 3) or (3,) to the first metal, inf where
        there is none."""
        n = len(direction)
        start = np.broadcast_to(start, (n, 3))
        with np.errstate(divide="ignore", invalid="ignore"):
            a, b = (self.low - start) / direction, (self.high - start) / direction
        enter = np.nanmax(np.minimum(a, b), axis=1).clip(skip_mm)
        leave = np.nanmin(np.maximum(a, b), axis=1)
        out = np.full(n, np.inf)
        live = np.flatnonzero(enter < leave)
        t = enter[live]
        step = self.h / 3
        size = np.array(self.leap.shape) - 1
        while len(live):
            p = start[live] + t[:, None] * direction[live]
            cell = np.clip(((p - self.origin) / (2 * self.h)).astype(np.intp), 0, size)
            leap = self.leap[cell[:, 0], cell[:, 1], cell[:, 2]]
            near = np.flatnonzero(leap <= step)
            hit = np.zeros(len(live), bool)
            hit[near] = self.at(p[near]) < 0
            if hit.any():
                out[live[hit]] = self._bisect(start[live[hit]], direction[live[hit]], t[hit] - step, t[hit])
            t = t + np.maximum(leap, step)
            keep = ~hit & (t < leave[live])
            live, t = live[keep], t[keep]
        return out

    def _bisect(self, start: Floats, direction: Floats, outside: Floats, inside: Floats) -> Floats:
        for _ in range(7):
            middle = (outside + inside) / 2
            metal = self.at(start + middle[:, None] * direction) < 0
            inside, outside = np.where(metal, middle, inside), np.where(metal, outside, middle)
        return inside

    def ground_shade(self, directions: Floats, mm_per_px: float) -> tuple[Any, Floats]:
        """Which share of the light from `directions` (D, 3; unit, z up) the metal keeps off the ground.

        Returns float32 (h, w), x along columns and y along rows upwards in index, and the (2,)
        part-frame point of cell (0, 0). The shadow of a slice on the ground is the slice
        itself, shifted.
        """
        import cv2

        every = max(1, round(mm_per_px / self.h))
        cell = every * self.h
        share = np.clip(0.5 - self.field / self.h, 0, 1)
        top = self.high[2]
        margin = int(np.ceil(top * 2.5 / cell)) + 2
        levels = [
            k for k in range(0, share.shape[2], max(1, round(0.7 / self.h))) if share[:, :, k].max() > 0
        ]
        slices = [
            cv2.copyMakeBorder(
                np.ascontiguousarray(share[::every, ::every, k].T),
                margin,
                margin,
                margin,
                margin,
                cv2.BORDER_CONSTANT,
                value=0,
            )
            for k in levels
        ]
        heights = [float(self.origin[2] + k * self.h) for k in levels]
        out: Any = np.zeros_like(slices[0])
        for d in directions:
            slope = d[:2] / max(d[2], 0.38)
            shade = np.zeros_like(out)
            for height, layer in zip(heights, slices, strict=True):
                move = np.array([[1, 0, height * slope[0] / cell], [0, 1, height * slope[1] / cell]])
                shade = np.maximum(
                    shade,
                    cv2.warpAffine(
                        layer,
                        move,
                        (layer.shape[1], layer.shape[0]),
                        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                    ),
                )
            out += shade
        return out / len(directions), self.origin[:2] - margin * cell


def rays(camera: Camera, points_px: Floats, sheet_from_part: Motion) -> tuple[Floats, Floats]:
    """Lens (3,) and unit directions (n, 3) of the lines of sight, in the part frame."""
    below = to_height(camera, points_px, 0.0)
    to_part = sheet_from_part.inverse()
    lens = np.r_[to_part.apply(camera.position_mm[:2]), camera.position_mm[2]]
    ground = np.c_[to_part.apply(below), np.zeros(len(below))]
    d = ground - lens
    return lens, d / np.linalg.norm(d, axis=1, keepdims=True)


def box_px(
    camera: Camera, tracer: FieldTracer, sheet_from_part: Motion, width: int, height: int
) -> tuple[int, int, int, int]:
    """Pixels x0, y0, x1, y1 (ends excluded) that can show the part."""
    corners = np.array(
        [
            [x, y, z]
            for x in (tracer.low[0], tracer.high[0])
            for y in (tracer.low[1], tracer.high[1])
            for z in (0.0, tracer.high[2])
        ]
    )
    q = project(camera, np.c_[sheet_from_part.apply(corners[:, :2]), corners[:, 2]])
    x0, y0 = np.floor(q.min(0)).astype(int) - 4
    x1, y1 = np.ceil(q.max(0)).astype(int) + 5
    return max(0, int(x0)), max(0, int(y0)), min(width, int(x1)), min(height, int(y1))
