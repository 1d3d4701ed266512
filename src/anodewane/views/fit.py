"""One solid to the silhouettes of several photos: `scipy.optimize.least_squares` on the distance
between its limb and each outline.

From every point of an outline one looks along the outline's normal for where the solid's level curves,
projected by that photo's camera, leave off: the farthest of them is the limb there. The distance, in
millimetres at the part, is the residual; its derivative is that of the one curve point that was met,
for a curve that moves along itself doesn't move the limb. The camera of each photo may move too, along
the few directions in which the sheet leaves it uncertain.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from anodewane.geometry.camera import project, undistort_px
from anodewane.geometry.rings import resample_ring, ring_area, ring_length, ring_normals
from anodewane.geometry.robust import residual_sd
from anodewane.records import Camera, Plane
from anodewane.units import Floats, Rings
from anodewane.views.model import Solid

OUTLINE_POINTS = 220
"""Points of an outline in each photo, at most."""
MIN_STEP_MM = 0.7
REACH_MM = (9.0, 5.0, 3.5)
"""How far along a normal the limb is looked for, pass by pass."""
CORRELATION_MM = 7.0
"""Distance along an outline over which its misfits go together: pits and waves of a worn wall."""
FACE_CORRELATION_MM = 12.0
"""Distance over a face over which its waves go together."""
CAMERA_DIRECTIONS = 4
OFF_NORMAL = 0.35
"""Cosine between outline and limb normals under which the two have nothing to do with each other."""
LEAST_SD_MM = 0.12
CONTACT_MM = 6.0
"""Height above the bench from which on the bench's shadow is none of an outline's."""


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """One photo's part in a fit.

    camera; wobble : cameras moved by one sigma in each of the directions that matter; points_px (n, 2)
    of the outline where a lens without distortion would have put them, normals (n, 2) out of the metal,
    mm_per_px (n,) at the part, hole (n,) whether the point bounds a hole; step_mm : between points;
    edge_sd_mm : of the outline's common bias; height_sd : one-sigma, in units of the solid's mean
    height, of how much higher than the mean the limb stands where this photo happens to see it: a face
    that wasted unevenly is seen by its proudest places; contact_mm, contact_sd_mm : how far outside the
    metal the outline lies where metal meets the bench, and its one-sigma: a segmenter takes some of the
    shadow there for metal; expected_mm (n,) : the gap from outline to limb that a true solid would have,
    where its level curves stand for a surface that wanders (`casting.look_at_casting`).
    """

    camera: Camera
    wobble: tuple[Camera, ...]
    points_px: Floats
    normals: Floats
    mm_per_px: float
    hole: Any
    step_mm: float
    edge_sd_mm: float
    height_sd: float
    contact_mm: float = 0.0
    contact_sd_mm: float = 0.05
    expected_mm: Any = 0.0

    @property
    def own_mean(self) -> Floats:
        """What is expected of the photo's own parameters: the outline's bias, its own height, its bias
        at the bench, and its camera's wobbles in units of one-sigma."""
        return np.array([0.0, 0.0, self.contact_mm, *np.zeros(len(self.wobble))])

    @property
    def own_sd(self) -> Floats:
        """One-sigmas of the same."""
        return np.array([self.edge_sd_mm, self.height_sd, self.contact_sd_mm, *np.ones(len(self.wobble))])


def look_at_part(
    plane: Plane,
    pieces_px: tuple[Rings, ...],
    edge_sd_mm: float,
    around_mm: Floats,
    with_holes: bool,
    height_sd: float,
    contact: tuple[float, float] = (0.0, 0.05),
) -> Look:
    """Make ready one photo.

    Parameters
    ----------
    plane : Plane
    pieces_px : the outline, holes included
    around_mm : (n, 3) points about the part, sheet frame
    with_holes : whether the outline's holes are to be trusted in this photo
    contact : `Look.contact_mm` and its one-sigma
    """
    camera = plane.camera
    depth = float(np.mean((around_mm - camera.position_mm) @ camera.rotation[2]))
    mm_per_px = depth / camera.focal_px
    rings = [(r, i > 0) for piece in pieces_px for i, r in enumerate(piece) if i == 0 or with_holes]
    length_px = sum(ring_length(r) for r, _ in rings)
    step_px = max(length_px / OUTLINE_POINTS, MIN_STEP_MM / mm_per_px)
    points, normals, hole = [], [], []
    for ring, inner in rings:
        if ring_length(ring) < 6 * step_px:
            continue
        turned = (
            ring if (ring_area(ring) < 0) == (not inner) else ring[::-1]
        )  # y runs down: clockwise on the screen has the metal on its right
        fine = undistort_px(camera, resample_ring(turned, step_px))
        points.append(fine)
        normals.append(-ring_normals(fine, 2))
        hole.append(np.full(len(fine), inner))
    return Look(
        camera,
        wobble_of(plane, around_mm),
        np.concatenate(points),
        np.concatenate(normals),
        mm_per_px,
        np.concatenate(hole),
        step_px * mm_per_px,
        edge_sd_mm,
        height_sd,
        *contact,
    )


def wobble_of(plane: Plane, around_mm: Floats, directions: int = CAMERA_DIRECTIONS) -> tuple[Camera, ...]:
    """Cameras one sigma off in the directions that move points about the part most, by the
    fit's covariance."""
    import cv2

    base = plane.camera
    unit = np.sqrt(np.maximum(np.diag(plane.parameters_cov), 1e-30))
    values, vectors = np.linalg.eigh(plane.parameters_cov / np.outer(unit, unit))
    root = unit[:, None] * vectors * np.sqrt(np.maximum(values, 0.0))
    rvec = np.ravel(cv2.Rodrigues(np.asarray(base.rotation))[0])
    mean = np.r_[rvec, base.position_mm, np.log(base.focal_px), base.k1]

    def moved(d: Any) -> Camera:
        x = mean + d
        return Camera(
            cv2.Rodrigues(x[:3])[0],
            x[3:6],
            float(np.exp(x[6])),
            base.centre_px,
            float(x[7]),
            base.half_diagonal_px,
        )

    still = project(base, around_mm)
    effect = np.stack(
        [(project(moved(root[:, i]), around_mm) - still).ravel() for i in range(root.shape[1])], axis=1
    )
    _, _, turn = np.linalg.svd(effect, full_matrices=False)
    return tuple(moved(root @ turn[i]) for i in range(directions))


@dataclass(frozen=True, slots=True, eq=False)
class Limb:
    """Where each outline point met the solid. met (n,) bool; gap_mm (n,) outward from the outline to
    the limb; along (n,) 0 to 1 between curve points `first` (n,) and `second` (n,); way (n, 2) px
    normal of the limb over its cosine with the outline's, so that ``way . dY`` is how far the limb
    moves along the outline's normal."""

    met: Any
    gap_mm: Floats
    first: Any
    second: Any
    along: Floats
    way: Floats


def pinhole(camera: Camera, points_mm: Floats) -> Floats:
    """Undistorted pixels (n, 2) of points (n, 3) of the sheet frame."""
    local = (points_mm - camera.position_mm) @ camera.rotation.T
    out: Floats = local[:, :2] / local[:, 2:] * camera.focal_px + camera.centre_px
    return out


def limb_of(look: Look, solid: Solid, points: Floats, reach_mm: float) -> Limb:
    """Meet the solid's limb along the normals of an outline."""
    y = pinhole(look.camera, points)
    q, n = look.points_px, look.normals
    t = np.column_stack([-n[:, 1], n[:, 0]])
    # which side of each normal every point lies on: single precision will do for that, and it is the
    # whole of the work
    middle = q.mean(0)
    positive = (y - middle).astype(np.float32) @ t.T.astype(np.float32) > np.sum(
        (q - middle) * t, axis=1
    ).astype(np.float32)  # (N, n)
    i, k = np.nonzero(positive != positive[solid.follows])
    j = solid.follows[i]
    a, b = np.sum((y[i] - q[k]) * t[k], axis=1), np.sum((y[j] - q[k]) * t[k], axis=1)
    apart = a - b
    along = np.clip(a / np.where(apart == 0, 1.0, apart), 0.0, 1.0)
    hit = y[i] + (y[j] - y[i]) * along[:, None]
    gap_mm = np.sum((hit - q[k]) * n[k], axis=1) * look.mm_per_px
    gap_mm = gap_mm - np.broadcast_to(look.expected_mm, len(q))[k]
    d = y[j] - y[i]
    # which side of a curve the metal is on, by the way it runs round in the photo
    step = y[solid.follows]
    turned = np.bincount(solid.curve, y[:, 0] * step[:, 1] - step[:, 0] * y[:, 1]) > 0
    m = np.column_stack([d[:, 1], -d[:, 0]]) * np.where(turned != solid.hole, 1.0, -1.0)[solid.curve[i], None]
    m /= np.maximum(np.linalg.norm(m, axis=1, keepdims=True), 1e-9)
    cosine = np.sum(m * n[k], axis=1)
    good = (np.abs(gap_mm) < reach_mm) & (cosine > OFF_NORMAL)
    i, j, k, along, gap_mm, m, cosine = (v[good] for v in (i, j, k, along, gap_mm, m, cosine))
    order = np.lexsort((gap_mm, k))
    last = np.flatnonzero(np.r_[np.diff(k[order]) > 0, True]) if len(order) else np.zeros(0, int)
    pick = order[last]
    count = len(q)
    met = np.zeros(count, bool)
    met[k[pick]] = True

    def spread(values: Any, shape: tuple[int, ...], dtype: Any) -> Any:
        out = np.zeros(shape, dtype)
        out[k[pick]] = values[pick]
        return out

    return Limb(
        met,
        spread(gap_mm, (count,), float),
        spread(i, (count,), int),
        spread(j, (count,), int),
        spread(along, (count,), float),
        spread(m / np.maximum(cosine, OFF_NORMAL)[:, None], (count, 2), float),
    )


def pinhole_slope(camera: Camera, points_mm: Floats) -> Floats:
    """Derivatives (n, 2, 3) of `pinhole` by sheet-frame millimetres."""
    local = (points_mm - camera.position_mm) @ camera.rotation.T
    by_local = np.zeros((len(local), 2, 3))
    by_local[:, 0, 0] = by_local[:, 1, 1] = camera.focal_px / local[:, 2]
    by_local[:, :, 2] = -camera.focal_px * local[:, :2] / local[:, 2:] ** 2
    out: Floats = by_local @ np.asarray(camera.rotation)
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Prior:
    """What is known of the parameters beforehand: rows (m, P) with `rows @ p` about `value`, each in
    units of its one-sigma."""

    rows: Floats
    value: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Face:
    """Heights of a plate's face that were seen: slope (n, P) of the solid's top at the places,
    height_mm (n,), sd_mm (n,), step_mm between places, bias_sd_mm common to all."""

    slope: Floats
    height_mm: Floats
    sd_mm: Floats
    step_mm: float
    bias_sd_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class SolidFit:
    """A fitted solid.

    p : (P,) parameters; cov : (P + V, P + V) of them, the photos' common biases behind; limbs, sd_mm
    (V,), weight (n,) of each photo's points; information : (V, P, P) what each photo says of the solid
    once its own camera and bias are left open; prior_information (P, P).
    """

    p: Floats
    cov: Floats
    limbs: tuple[Limb, ...]
    rms_mm: Floats
    own: Floats
    missed_frac: Floats
    information: Floats
    looks: tuple[Look, ...]
    face_information: Floats
    face_rms_mm: float | None
    prior_information: Floats
    n_steps: int


def rows_of(look: Look, solid: Solid, points: Floats, limb: Limb) -> tuple[Floats, Floats]:
    """Derivatives of the gaps of the met points: (met, P) by the solid, (met, 3 + directions) by the
    photo's own parameters (`Look.own_mean`), mm."""
    at = np.flatnonzero(limb.met)
    i, j, u = limb.first[at], limb.second[at], limb.along[at][:, None]
    x = points[i] * (1 - u) + points[j] * u
    way = limb.way[at] * look.mm_per_px
    push = np.einsum("na,nab->nb", way, pinhole_slope(look.camera, x))
    by_solid = (
        np.einsum("nb,nbp->np", push, solid.slope[i]) * (1 - u)
        + np.einsum("nb,nbp->np", push, solid.slope[j]) * u
    )
    still = project(look.camera, x)
    contact = np.clip(1 - x[:, 2] / CONTACT_MM, 0.0, 1.0)
    own = [np.ones(len(at)), by_solid[:, solid.block("height").start], contact] + [
        np.sum(way * (project(c, x) - still), axis=1) for c in look.wobble
    ]
    return by_solid, np.column_stack(own)


def fit_solid(
    solid: Solid,
    looks: tuple[Look, ...],
    prior: Prior,
    start: Floats,
    bounds: tuple[Floats, Floats],
    face: Face | None = None,
    steps: tuple[int, ...] = (4, 3, 3),
) -> SolidFit:
    """Fit one solid to all looks.

    Parameters
    ----------
    solid, looks, prior
    start : (P,)
    bounds : two (P,) arrays

    Notes
    -----
    Each pass is a plain least-squares fit; between passes the points' weights follow their misfits
    (Cauchy), photo by photo, so that what doesn't belong to the part (a shadow, a shred of the ground)
    loses its say while the priors keep theirs.
    """
    from scipy.optimize import least_squares

    n_p, n_v = solid.n_parameters, len(looks)
    n_own = len(looks[0].own_sd)
    size = n_p + n_v * n_own + (face is not None)
    sd = np.array([max(look.edge_sd_mm, 0.4) for look in looks])
    weight = [np.ones(len(look.points_px)) for look in looks]
    own_sd = np.array([look.own_sd for look in looks])
    tail_sd, tail_mean = own_sd.ravel(), np.concatenate([look.own_mean for look in looks])
    if face is not None:
        tail_sd, tail_mean = np.r_[tail_sd, face.bias_sd_mm], np.r_[tail_mean, 0.0]
    x = np.r_[start, tail_mean]
    low = np.r_[bounds[0], np.full(size - n_p, -np.inf)]
    high = np.r_[bounds[1], np.full(size - n_p, np.inf)]
    face_sd = np.zeros(0) if face is None else np.hypot(face.sd_mm, 0.5)
    face_weight = np.ones(len(face_sd))
    if face is not None:
        # what lies far from the middle height is as likely a chance match: it has to earn its say
        face_weight = 1 / (1 + ((face.height_mm - np.median(face.height_mm)) / 2.5) ** 2)
    cache: dict[bytes, Any] = {}
    reach = REACH_MM[0]
    evaluations = 0
    misses = [np.zeros(0)] * n_v

    def evaluate(v: Floats) -> tuple[Floats, Floats, list[Limb]]:
        nonlocal evaluations
        key = v.tobytes()
        if key in cache:
            return cache[key]  # type: ignore[no-any-return]
        evaluations += 1
        points = solid.points(v[:n_p])
        residuals, jacobian, limbs = [], [], []
        for k, look in enumerate(looks):
            own = v[n_p + k * n_own : n_p + (k + 1) * n_own]
            limb = limb_of(look, solid, points, reach)
            by_solid, by_own = rows_of(look, solid, points, limb)
            scale = np.sqrt(weight[k][limb.met]) / (sd[k] * np.sqrt(max(1.0, CORRELATION_MM / look.step_mm)))
            residuals.append(scale * (limb.gap_mm[limb.met] + by_own @ own))
            block = np.zeros((len(scale), size))
            block[:, :n_p] = scale[:, None] * by_solid
            block[:, n_p + k * n_own : n_p + (k + 1) * n_own] = scale[:, None] * by_own
            jacobian.append(block)
            limbs.append(limb)
        ends = np.zeros((len(prior.value), size))
        ends[:, :n_p] = prior.rows
        residuals.append(prior.rows @ v[:n_p] - prior.value)
        if face is not None:
            scale = np.sqrt(face_weight) / (face_sd * np.sqrt(max(1.0, FACE_CORRELATION_MM / face.step_mm)))
            residuals.append(scale * (face.slope @ v[:n_p] + v[-1] - face.height_mm))
            block = np.zeros((len(scale), size))
            block[:, :n_p] = scale[:, None] * face.slope
            block[:, -1] = scale
            ends = np.concatenate([block, ends])
            residuals[-2:] = [residuals[-1], residuals[-2]]
        own_rows = np.zeros((size - n_p, size))
        own_rows[:, n_p:] = np.diag(1 / tail_sd)
        residuals.append((v[n_p:] - tail_mean) / tail_sd)
        out = (np.concatenate(residuals), np.concatenate([*jacobian, ends, own_rows]), limbs)
        cache.clear()
        cache[key] = out
        return out

    # the points met change from step to step: keep the length by padding what isn't met with zeros
    def padded(v: Floats) -> tuple[Floats, Floats]:
        residual, jacobian, limbs = evaluate(v)
        full_r, full_j, at = [], [], 0
        for limb in limbs:
            m = int(limb.met.sum())
            r, j = np.zeros(len(limb.met)), np.zeros((len(limb.met), size))
            r[limb.met], j[limb.met] = residual[at : at + m], jacobian[at : at + m]
            full_r.append(r)
            full_j.append(j)
            at += m
        return np.concatenate([*full_r, residual[at:]]), np.concatenate([*full_j, jacobian[at:]])

    for turn, most in enumerate(steps):
        reach = REACH_MM[min(turn, len(REACH_MM) - 1)]
        cache.clear()
        x = np.clip(x, low + 1e-6, high - 1e-6)
        found = least_squares(
            lambda v: padded(v)[0],
            x,
            lambda v: padded(v)[1],
            bounds=(low, high),
            x_scale="jac",
            method="trf",
            max_nfev=most,
            ftol=1e-3,
            xtol=1e-4,
        )
        x = found.x
        cache.clear()
        _, _, limbs = evaluate(x)
        for k, limb in enumerate(limbs):
            miss = limb.gap_mm.copy()
            miss[limb.met] += (
                rows_of(looks[k], solid, solid.points(x[:n_p]), limb)[1]
                @ x[n_p + k * n_own : n_p + (k + 1) * n_own]
            )
            misses[k] = miss[limb.met]
            spread = residual_sd(miss[limb.met]) if limb.met.any() else 1.0
            sd[k] = max(spread, LEAST_SD_MM)
            weight[k] = 1 / (1 + (miss / (2.5 * sd[k])) ** 2)
        if face is not None:
            off = face.slope @ x[:n_p] + x[-1] - face.height_mm
            face_sd = np.hypot(face.sd_mm, residual_sd(off))
            face_weight = 1 / (1 + (off / (2.5 * face_sd)) ** 2)
    cache.clear()
    _, jacobian, limbs = evaluate(x)
    information = []
    at = 0
    for k, limb in enumerate(limbs):
        m = int(limb.met.sum())
        block = jacobian[at : at + m]
        information.append(
            reduced_information(block[:, :n_p], block[:, n_p + k * n_own : n_p + (k + 1) * n_own], own_sd[k])
        )
        at += m
    prior_information = prior.rows.T @ prior.rows
    face_information, face_rms = np.zeros((n_p, n_p)), None
    if face is not None:
        scale = np.sqrt(face_weight) / (face_sd * np.sqrt(max(1.0, FACE_CORRELATION_MM / face.step_mm)))
        face_information = reduced_information(
            scale[:, None] * face.slope, scale[:, None], np.array([face.bias_sd_mm])
        )
        off = face.slope @ x[:n_p] + x[-1] - face.height_mm
        face_rms = float(np.sqrt(np.average(off**2, weights=face_weight)))
    cov = np.linalg.inv(prior_information + np.sum(information, axis=0) + face_information)
    own = x[n_p : n_p + n_v * n_own].reshape(n_v, n_own)
    rms = np.array([_rms(m) for m in misses])
    missed = np.array([1 - float(limb.met.mean()) for limb in limbs])
    return SolidFit(
        x[:n_p],
        cov,
        tuple(limbs),
        rms,
        own,
        missed,
        np.array(information),
        looks,
        face_information,
        face_rms,
        prior_information,
        evaluations,
    )


def reduced_information(by_solid: Floats, by_own: Floats, own_sd: Floats) -> Floats:
    """Information (P, P) that one photo has about the solid when its own bias and camera are open
    within their priors (Schur complement)."""
    own = by_own.T @ by_own + np.diag(1 / own_sd**2)
    mixed = by_solid.T @ by_own
    out: Floats = by_solid.T @ by_solid - mixed @ np.linalg.solve(own, mixed.T)
    return out


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2))) if len(values) else float("inf")
