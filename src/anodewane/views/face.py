"""How high the face stands, from its own marks: photos that see the same pits and stains from different
sides agree about them at one height only.

Silhouettes show the rim of a face and nothing of a hollow in it. So the face is looked at in horizontal
slices (plane sweep: Collins 1996, from memory): at each height every photo is laid on the slice through
its camera, and compared with the photo from above by normalised cross-correlation in small windows.
Where a window has marks enough, the height at which the photos agree best is the face's.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from anodewane.geometry.camera import distort_px, plane_homography, project
from anodewane.geometry.sampling import parabola_top
from anodewane.records import Camera, Photo
from anodewane.units import Bools, Bytes, Floats, Floats32

GRID_MM = 0.45
"""Pixel of the slices: about what a 12 MP phone gives at 700 mm, three times coarser than at 300 mm."""
LONGEST_PX = 420
WINDOW_MM = 5.5
STEP_MM = 0.4
SAMPLE_MM = 4.0
"""Spacing of the heights that are kept: closer together they would repeat each other."""
NEIGHBOUR_MM = 1.6
LEAST_SCORE = 0.45
LEAST_CONTRAST = 0.02
"""Spread of light within a window, over its mean, under which it has no marks to compare."""


@dataclass(frozen=True, slots=True, eq=False)
class FaceHeights:
    """Heights of the face where it could be matched. xy_mm (n, 2) sheet frame, height_mm (n,), sd_mm
    (n,), score (n,) correlation at the best height."""

    xy_mm: Floats
    height_mm: Floats
    sd_mm: Floats
    score: Floats


def face_heights(
    photos: tuple[Photo, ...], cameras: tuple[Camera, ...], plan: Any, highest_mm: float
) -> FaceHeights:
    """Sweep the space over a plan.

    Parameters
    ----------
    photos, cameras : the one from above first
    plan : shapely geometry, sheet frame, mm
    highest_mm : where the sweep ends; it begins on the bench
    """
    import cv2

    x0, y0, x1, y1 = plan.bounds
    grid = max(GRID_MM, max(x1 - x0, y1 - y0) / LONGEST_PX)
    w, h = int((x1 - x0) / grid) + 1, int((y1 - y0) / grid) + 1
    to_mm = np.array([[grid, 0, x0], [0, grid, y0], [0, 0, 1]])
    inside = _raster(plan, to_mm, w, h)
    crops = [
        _crop(p.rgb, c, (x0, y0, x1, y1), highest_mm, grid) for p, c in zip(photos, cameras, strict=True)
    ]
    size = 2 * round(WINDOW_MM / grid / 2) + 1
    weight = cv2.boxFilter(
        inside.astype(np.float32), -1, (size, size), normalize=True, borderType=cv2.BORDER_CONSTANT
    )
    heights = np.arange(STEP_MM, highest_mm + 2.5 * STEP_MM, STEP_MM)
    score = np.full((len(heights), h, w), -1.0, np.float32)
    for k, z in enumerate(heights):
        slices = []
        for (picture, to_crop), camera in zip(crops, cameras, strict=True):
            way = to_crop @ plane_homography(camera, float(z)) @ to_mm
            slices.append(
                cv2.warpPerspective(
                    picture,
                    way,
                    (w, h),
                    flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                    borderMode=cv2.BORDER_REPLICATE,
                )
            )
        score[k] = _agreement(slices, inside.astype(np.float32), weight, size)
    return _peaks(score, heights, inside, weight, to_mm, max(1, round(SAMPLE_MM / grid)))


def _raster(plan: Any, to_mm: Floats, w: int, h: int) -> Bools:
    from shapely import contains_xy, prepare

    prepare(plan)
    x, y = np.meshgrid(to_mm[0, 2] + to_mm[0, 0] * np.arange(w), to_mm[1, 2] + to_mm[1, 1] * np.arange(h))
    out: Bools = contains_xy(plan, x, y)
    return out


def _crop(
    rgb: Bytes, camera: Camera, box: tuple[float, float, float, float], highest_mm: float, grid_mm: float
) -> tuple[Any, Floats]:
    """The part's surroundings in a photo, grey, the lens taken out and no finer than the slices, and
    the (3, 3) map from undistorted photo pixels to it."""
    import cv2

    corners = np.array(
        [(x, y, z) for x in (box[0], box[2]) for y in (box[1], box[3]) for z in (0.0, highest_mm)]
    )
    flat = Camera(
        camera.rotation, camera.position_mm, camera.focal_px, camera.centre_px, 0.0, camera.half_diagonal_px
    )
    px = project(flat, corners)
    low, high = px.min(0) - 4, px.max(0) + 4
    depth = float(np.mean((corners - camera.position_mm) @ camera.rotation[2]))
    scale = min(1.0, depth / camera.focal_px / grid_mm)
    n = np.maximum(np.ceil((high - low) * scale).astype(int), 8)
    # the lens at every 8th pixel, in between by interpolation
    coarse = np.stack(np.meshgrid(np.arange(0, n[0] + 8, 8), np.arange(0, n[1] + 8, 8)), axis=-1)
    wanted = distort_px(camera, (coarse.reshape(-1, 2) + 0.5) / scale - 0.5 + low).reshape(coarse.shape)
    rows, cols = np.asarray(rgb).shape[:2]
    a = np.clip(np.floor(wanted.reshape(-1, 2).min(0)).astype(int) - 3, 0, [cols - 2, rows - 2])
    b = np.clip(np.ceil(wanted.reshape(-1, 2).max(0)).astype(int) + 4, a + 2, [cols, rows])
    grey: Any = cv2.cvtColor(np.ascontiguousarray(rgb[a[1] : b[1], a[0] : b[0]]), cv2.COLOR_RGB2GRAY).astype(
        np.float32
    )
    if scale < 1:
        grey = cv2.GaussianBlur(grey, (0, 0), 0.45 / scale)
    sample = np.array([[1 / 8, 0, 0], [0, 1 / 8, 0]])
    maps = cv2.warpAffine(
        (wanted - a).astype(np.float32),
        sample,
        (int(n[0]), int(n[1])),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    picture = cv2.remap(grey, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    to_crop = np.array(
        [[scale, 0, (0.5 - low[0]) * scale - 0.5], [0, scale, (0.5 - low[1]) * scale - 0.5], [0, 0, 1]]
    )
    return picture, to_crop


def _agreement(slices: list[Any], inside: Any, weight: Any, size: int) -> Any:
    """Mean correlation (h, w) of the first slice with each other one, in windows cut off at
    the plan's edge."""
    import cv2

    def mean(picture: Any) -> Any:
        return cv2.boxFilter(
            picture * inside, -1, (size, size), normalize=True, borderType=cv2.BORDER_CONSTANT
        ) / np.maximum(weight, 1e-3)

    first = slices[0]
    m0 = mean(first)
    v0 = np.maximum(mean(first * first) - m0 * m0, 0.0)
    total = np.zeros_like(first)
    marked = (np.sqrt(v0) > LEAST_CONTRAST * m0).astype(np.float32)
    for other in slices[1:]:
        m1 = mean(other)
        v1 = np.maximum(mean(other * other) - m1 * m1, 0.0)
        total += (mean(first * other) - m0 * m1) / np.sqrt(v0 * v1 + 1.0)
    return total / (len(slices) - 1) * marked


def _peaks(
    score: Floats32, heights: Floats, inside: Bools, weight: Any, to_mm: Floats, every: int
) -> FaceHeights:
    """The best height of every window on a grid: where the peak is clear, between the ends of the
    sweep, and no other height does nearly as well."""
    rows, cols = np.nonzero((inside & (weight > 0.6))[every // 2 :: every, every // 2 :: every])
    rows, cols = rows * every + every // 2, cols * every + every // 2
    s = score[:, rows, cols]
    best = np.argmax(s, axis=0)
    n = np.arange(len(rows))
    k = np.clip(best, 1, len(heights) - 2)
    a, b, c = s[k - 1, n], s[k, n], s[k + 1, n]
    bend = np.maximum(2 * b - a - c, 1e-4)
    z = heights[k] + parabola_top(a, b, c, least_bend=1e-4) * STEP_MM
    # the runner-up, a millimetre and a half away at least
    far = np.abs(np.arange(len(heights))[:, None] - best) * STEP_MM > 1.6
    second = np.where(far, s, -1).max(axis=0)
    good = (b > LEAST_SCORE) & (best > 0) & (best < len(heights) - 1) & (b - second > 0.08)
    # how far the peak could move for a change of the score by its own lack of agreement
    sd = np.hypot(0.15, STEP_MM * np.sqrt(np.maximum(1 - b, 0.02) / bend / 8))
    xy = np.column_stack([to_mm[0, 2] + to_mm[0, 0] * cols, to_mm[1, 2] + to_mm[1, 1] * rows])
    good[good] = _agrees_with_neighbours(xy[good], z[good], every * to_mm[0, 0])
    return FaceHeights(xy[good], z[good], sd[good], b[good])


def _agrees_with_neighbours(xy: Floats, z: Floats, step_mm: float) -> Bools:
    """Which heights lie near the median of those about them: a chance match stands alone, a face
    hangs together."""
    apart = np.linalg.norm(xy[:, None] - xy[None], axis=2)
    near = (apart < 2.3 * step_mm) & (apart > 0)
    middle = np.array([np.median(z[m]) if m.sum() >= 3 else np.inf for m in near])
    out: Bools = np.abs(z - middle) < NEIGHBOUR_MM
    return out


@dataclass(frozen=True, slots=True)
class FaceMotion:
    """How the marks on a face lie in a further photo, against those of the first at the face's height.
    likeness : median correlation of their windows where they are; marks : how many windows have marks
    to compare (one every `SAMPLE_MM`).

    turned_deg, across_mm, along_mm : the motion on the bench that brings them together best, about the
    plan's middle: across the further photo's line of sight, which no error of the height can feign, and
    along it, where a height that is a little off looks the same; match : correlation after it, over the
    whole face, still : before.
    """

    likeness: float
    marks: int
    turned_deg: float
    across_mm: float
    along_mm: float
    match: float
    still: float


def face_motions(
    photos: tuple[Photo, ...], cameras: tuple[Camera, ...], plan: Any, height: Any
) -> tuple[FaceMotion, ...]:
    """Whether further photos show the face that the first one shows, lying as it lay, once its
    height is known.

    Parameters
    ----------
    photos, cameras : the one from above first
    plan : shapely geometry, sheet frame, mm
    height : function of places (n, 2), sheet frame, to heights (n,), mm
    """
    import cv2

    x0, y0, x1, y1 = plan.bounds
    grid = max(GRID_MM, max(x1 - x0, y1 - y0) / LONGEST_PX)
    # room about the plan for what moved
    room = int(SEARCH_MM / grid) + 1
    w, h = int((x1 - x0) / grid) + 1 + 2 * room, int((y1 - y0) / grid) + 1 + 2 * room
    to_mm = np.array([[grid, 0, x0 - room * grid], [0, grid, y0 - room * grid], [0, 0, 1]])
    inside = _raster(plan, to_mm, w, h)
    x, y = np.meshgrid(to_mm[0, 2] + grid * np.arange(w), to_mm[1, 2] + grid * np.arange(h))
    # beyond the plan a smooth field may rise to any height: it goes on there as it is at the edge
    z = np.zeros((h, w))
    z[inside] = height(np.column_stack([x[inside], y[inside]]))
    z = _spread_out(z, inside)
    size = 2 * round(WINDOW_MM / grid / 2) + 1
    weight = cv2.boxFilter(
        inside.astype(np.float32), -1, (size, size), normalize=True, borderType=cv2.BORDER_CONSTANT
    )
    box = (float(x[0, 0]), float(y[0, 0]), float(x[-1, -1]), float(y[-1, -1]))
    slices = []
    for photo, camera in zip(photos, cameras, strict=True):
        picture, to_crop = _crop(photo.rgb, camera, box, float(z.max()), grid)
        flat = Camera(
            camera.rotation,
            camera.position_mm,
            camera.focal_px,
            camera.centre_px,
            0.0,
            camera.half_diagonal_px,
        )
        px = (
            project(flat, np.column_stack([x.ravel(), y.ravel(), z.ravel()])) @ to_crop[:2, :2].T
            + to_crop[:2, 2]
        )
        maps = px.reshape(h, w, 2).astype(np.float32)
        slices.append(
            cv2.remap(picture, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        )
    every = max(1, round(SAMPLE_MM / grid))
    first = _evened(slices[0], size)
    middle = np.array([plan.centroid.x, plan.centroid.y])
    out = []
    for camera, other in zip(cameras[1:], slices[1:], strict=True):
        agreement = _agreement([slices[0], other], inside.astype(np.float32), weight, size)
        use = (inside & (weight > 0.6) & (agreement != 0))[every // 2 :: every, every // 2 :: every]
        values = agreement[every // 2 :: every, every // 2 :: every][use]
        marks = int(use.sum())
        likeness = float(np.median(values)) if marks else 0.0
        turned, shift, match, still = _rigid(
            first, _evened(other, size), inside, grid, (middle - to_mm[:2, 2]) / grid
        )
        sight = np.asarray(camera.position_mm)[:2] - middle
        sight /= max(float(np.linalg.norm(sight)), 1e-6)
        out.append(
            FaceMotion(
                likeness,
                marks,
                turned,
                float(shift @ [-sight[1], sight[0]]),
                float(shift @ sight),
                match,
                still,
            )
        )
    return tuple(out)


SEARCH_MM = 9.0
TURNS_DEG, TURN_STEP_DEG = 9.0, 1.5
COARSE_MM = 0.9


def _spread_out(z: Floats, inside: Bools) -> Floats:
    """Values of the nearest place inside, everywhere."""
    from scipy.ndimage import distance_transform_edt

    _, (rows, cols) = distance_transform_edt(~inside, return_indices=True)
    out: Floats = z[rows, cols]
    return out


def _evened(picture: Any, size: int) -> Any:
    """A picture with its local mean taken out and its local spread made one."""
    import cv2

    mean = cv2.boxFilter(picture, -1, (2 * size + 1, 2 * size + 1), borderType=cv2.BORDER_REFLECT)
    rest = picture - mean
    spread = np.sqrt(
        cv2.boxFilter(rest * rest, -1, (2 * size + 1, 2 * size + 1), borderType=cv2.BORDER_REFLECT)
    )
    return np.clip(rest / np.maximum(spread, 0.01 * np.maximum(mean, 1.0)), -3, 3).astype(np.float32)


def _rigid(
    first: Any, other: Any, inside: Bools, grid: float, middle_px: Floats
) -> tuple[float, Floats, float, float]:
    """Turn (degrees, anticlockwise in the sheet frame) and shift (2,), mm, that lay `first` best on
    `other`; correlation there and unmoved."""
    import cv2

    shrink = min(1.0, grid / COARSE_MM)
    size = (max(8, round(first.shape[1] * shrink)), max(8, round(first.shape[0] * shrink)))
    a, b = (cv2.resize(p, size, interpolation=cv2.INTER_AREA) for p in (first, other))
    mask = (cv2.resize(inside.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.9).astype(
        np.float32
    )
    step = grid / shrink
    middle = (float(middle_px[0]) * shrink, float(middle_px[1]) * shrink)
    room = int(SEARCH_MM / step)
    padded = cv2.copyMakeBorder(b, room, room, room, room, cv2.BORDER_CONSTANT, value=0)

    def scores(turn: float) -> Any:
        # rows run with y up here: a turn anticlockwise in the sheet frame is one clockwise on the screen
        way = cv2.getRotationMatrix2D(middle, -turn, 1.0)
        m = cv2.warpAffine(mask, way, size, flags=cv2.INTER_LINEAR)
        t = cv2.warpAffine(a, way, size, flags=cv2.INTER_LINEAR) * m
        top = cv2.matchTemplate(padded, t, cv2.TM_CCORR)
        norm = cv2.matchTemplate(padded * padded, m, cv2.TM_CCORR)
        return top / np.sqrt(np.maximum(norm * float((t * t).sum()), 1e-6))

    tried = {turn: scores(turn) for turn in np.arange(-TURNS_DEG, TURNS_DEG + 0.1, TURN_STEP_DEG).tolist()}
    still = tried[0.0]
    best = max(tried, key=lambda t: float(tried[t].max()))
    for delta in (-TURN_STEP_DEG / 2, TURN_STEP_DEG / 2):
        tried[best + delta] = scores(best + delta)
    best = max(
        (best, best - TURN_STEP_DEG / 2, best + TURN_STEP_DEG / 2), key=lambda t: float(tried[t].max())
    )
    beside = (best - TURN_STEP_DEG / 2, best + TURN_STEP_DEG / 2)
    sides = [float((tried[t] if t in tried else scores(t)).max()) for t in beside]
    top = tried[best]
    row, col = np.unravel_index(int(np.argmax(top)), top.shape)
    peak = float(top[row, col])
    turned = best + TURN_STEP_DEG / 2 * parabola_top(sides[0], peak, sides[1])
    dx = (
        parabola_top(float(top[row, col - 1]), peak, float(top[row, col + 1]))
        if 0 < col < top.shape[1] - 1
        else 0.0
    )
    dy = (
        parabola_top(float(top[row - 1, col]), peak, float(top[row + 1, col]))
        if 0 < row < top.shape[0] - 1
        else 0.0
    )
    return float(turned), np.array([col - room + dx, row - room + dy]) * step, peak, float(still[room, room])
