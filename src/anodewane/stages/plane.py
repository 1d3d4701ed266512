"""Where the camera stood over the sheet: a homography from all points, and the camera behind it,
with covariance.

One least-squares fit of pose, focal length, one radial lens term and where the optical axis meets
the picture to every saddle, with priors where the sheet alone can't tell: the focal length from
EXIF's 35 mm equivalent, and a lens term near zero unless a per-phone profile says otherwise.
In-plane mapping depends hardly at all on the focal length; the height of the camera, needed to take
out the part's own height, does.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from anodewane.errors import CannotJudge
from anodewane.geometry.camera import plane_homography, project, to_height
from anodewane.geometry.robust import coordinate_sd
from anodewane.record import LensProfile
from anodewane.records import Camera, CardSighting, Photo, Plane, PrintScale
from anodewane.settings import Settings
from anodewane.units import FULL_FRAME_DIAGONAL_MM, Floats

MIN_TILT_FOR_FOCAL_DEG = 15.0
"""From this tilt on the sheet's own perspective tells the focal length well enough to contradict EXIF."""

CONTRADICTION_FRAC = 0.10
CONTRADICTION_SIGMAS = 4.0
"""A digital zoom or a crop changes the focal length by tens of percent; nothing under a tenth is
taken for one."""


def locate_camera(
    photo: Photo,
    sighting: CardSighting,
    settings: Settings,
    lens: LensProfile | None = None,
    check_line_mm: tuple[float, float] | None = None,
    printed: PrintScale | None = None,
) -> Plane:
    """Fit the camera to the sheet's points.

    Parameters
    ----------
    photo, sighting
    settings : Settings
        Uses `check_line_sd_mm`, `print_scale_sd_frac`, `focal_*`, `lens_k1_sd`,
        `principal_point_sd_frac`, `max_tilt_deg`, `max_residual_frac`.
    lens : LensProfile, optional
        Takes the place of EXIF's focal length and of the lens prior.
    check_line_mm : (x, y), optional
        What the sheet's 100 mm lines measure; None: nobody measured.
    printed : PrintScale, optional
        How large the sheet was printed, where more than the lines tells it (`stages.print_scale`).

    Returns
    -------
    Plane
        `scale_sd_frac` holds the print scale's doubt and what the fit adds where the part lies (on a
        mat, or beside a card).

    Raises
    ------
    CannotJudge
        "too_oblique", "sheet_not_flat", "sheet_too_little".

    Notes
    -----
    Where the photo is tilted by more than 15 degrees and the sheet's own perspective contradicts the
    stated focal length, as after a digital zoom or a crop that EXIF doesn't tell of, the sheet is
    believed and `focal_source` says "sheet".
    """
    height, width = photo.rgb.shape[:2]
    half_diagonal = float(np.hypot(width, height)) / 2
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    line = check_line_mm or (100.0, 100.0)
    world = sighting.points_mm * ((printed.x, printed.y) if printed else np.array(line) / 100.0)
    focal, focal_sd, source = focal_prior(photo.focal_35mm, settings, half_diagonal, lens)
    k1, k1_sd = (lens.k1, lens.k1_sd) if lens else (0.0, settings.lens_k1_sd)
    prior = _Prior(
        float(np.log(focal)), focal_sd, k1, k1_sd, settings.principal_point_sd_frac * half_diagonal
    )

    fit = fit_view(world, sighting.points_px, sighting.point_sd_px, centre, half_diagonal, prior)
    tilt = _tilt_deg(fit.camera)
    if tilt > MIN_TILT_FOR_FOCAL_DEG and len(world) >= 12:
        free = fit_view(
            world,
            sighting.points_px,
            sighting.point_sd_px,
            centre,
            half_diagonal,
            _Prior(prior.log_focal, 1.0, k1, k1_sd, prior.centre_sd_px),
        )
        gap = abs(float(np.log(free.camera.focal_px)) - prior.log_focal)
        free_sd = float(np.sqrt(free.cov[6, 6]))
        if (
            source != "assumed"
            and free_sd < 0.2
            and gap > max(CONTRADICTION_FRAC, CONTRADICTION_SIGMAS * float(np.hypot(free_sd, focal_sd)))
        ):
            fit, source, tilt = free, "sheet", _tilt_deg(free.camera)
    if source == "assumed" and float(np.sqrt(fit.cov[6, 6])) < 0.5 * focal_sd:
        source = "sheet"  # the sheet's perspective now weighs more than the guess
    side_px = _square_px(fit.camera, sighting.layout.square_mm)
    if fit.rms_px > max(settings.max_residual_frac * side_px, 0.5):
        raise CannotJudge("sheet_not_flat", f"its points miss a flat sheet by {fit.rms_px:.1f} px (rms)")
    if tilt > settings.max_tilt_deg:
        raise CannotJudge("too_oblique", f"tilted {tilt:.0f} degrees, at most {settings.max_tilt_deg:.0f}")
    print_sd = settings.check_line_sd_mm / 100.0 if check_line_mm else settings.print_scale_sd_frac
    print_sd = printed.sd_frac if printed else print_sd
    return Plane(
        camera=fit.camera,
        parameters_cov=_rotation_vector_cov(fit)[:8, :8],
        px_from_mm=plane_homography(fit.camera),
        residual_px=fit.rms_px,
        n_points=len(world),
        tilt_deg=tilt,
        distance_mm=float(np.linalg.norm(fit.camera.position_mm)),
        focal_source=source,
        check_line_mm=check_line_mm,
        scale_sd_frac=float(np.hypot(print_sd, _fit_scale_sd(fit, sighting))),
        printed=printed,
    )


# --- the fit -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Prior:
    """What is known beforehand: log of the focal length in px, radial term, and how far the optical
    axis wanders, each with one-sigma."""

    log_focal: float
    log_focal_sd: float
    k1: float
    k1_sd: float
    centre_sd_px: float


@dataclass(frozen=True, slots=True)
class ViewFit:
    """A fitted camera. cov : (10, 10) of (small rotation after `camera.rotation` x 3, position_mm x 3,
    log focal, k1, optical axis px x 2); rms_px : of the points along one axis; sd_px : (N,) what each
    point was taken to be good for."""

    camera: Camera
    cov: Floats
    rms_px: float
    sd_px: Floats


def fit_view(
    world: Floats, image: Floats, point_sd_px: Floats, centre: Floats, half_diagonal: float, prior: _Prior
) -> ViewFit:
    """Fit one view of the sheet by Gauss-Newton steps with the exact derivatives, damped where a step
    makes it worse (Levenberg-Marquardt).

    Points are compared where the lens is taken out, so that no inverse of it is needed. Two plain fits
    rather than one robust one: a robust loss would also forgive the priors, and the focal length would
    drift away from EXIF's.
    """
    import cv2

    world3 = np.c_[world, np.zeros(len(world))]
    # Where the focal length is open, a pose found with one far off can settle in a wrong valley: begin
    # with the one that the points like best.
    starts = prior.log_focal + (
        np.log(2.0) * np.arange(-1.0, 1.6, 1.0) if prior.log_focal_sd > 0.2 else np.zeros(1)
    )
    best: tuple[float, _State | None] = (np.inf, None)
    for log_focal in starts:
        k = np.array([[np.exp(log_focal), 0, centre[0]], [0, np.exp(log_focal), centre[1]], [0, 0, 1.0]])
        found, rvec, tvec = cv2.solvePnP(
            world3.reshape(-1, 1, 3), np.asarray(image).reshape(-1, 1, 2), k, None, flags=cv2.SOLVEPNP_IPPE
        )
        if not found:
            continue
        x, y, z = np.ravel(tvec)
        start = _State(
            cv2.Rodrigues(rvec)[0],
            np.array([x / z * np.exp(log_focal), y / z * np.exp(log_focal), log_focal - np.log(z)]),
            np.array([log_focal, prior.k1, 0.0, 0.0]),
        )
        miss = float(np.median(_residual(start, world3, image, point_sd_px, centre, half_diagonal, prior)[2]))
        if miss < best[0]:
            best = (miss, start)
    state = best[1]
    if state is None:
        raise CannotJudge("sheet_too_little", "the sheet's points don't fix a camera")
    sd = np.maximum(point_sd_px, 0.1)
    for _ in range(2):
        state, jac, miss = _settle(state, world3, image, sd, centre, half_diagonal, prior)
        # errors of neighbouring saddles go together (paper, lens, demosaicing): count them as 1.5 times
        # as large
        spread = max(coordinate_sd(miss), 0.03)
        sd = 1.5 * np.maximum(spread, 0.35 * miss)
    # the last weights, so that the covariance belongs to them
    state, jac, miss = _settle(state, world3, image, sd, centre, half_diagonal, prior)
    camera = Camera(
        state.rotation,
        state.position,
        float(np.exp(state.inner[0])),
        centre + state.inner[2:4],
        float(state.inner[1]),
        half_diagonal,
    )
    turn = _to_position(state)
    return ViewFit(
        camera, turn @ np.linalg.pinv(jac.T @ jac) @ turn.T, float(np.sqrt(np.mean(miss**2) / 2)), sd
    )


@dataclass(frozen=True, slots=True)
class _State:
    """What the fit turns. place : where the sheet's origin is seen, px from the photo's middle (x, y),
    and log of px per mm there; inner : log focal length, k1, optical axis (x, y) px from the photo's
    middle. In these the focal length, hard to tell from the distance, hardly touches the rest, and
    steps run straight."""

    rotation: Any
    place: Any
    inner: Any

    def moved(self, step: Any) -> _State:
        import cv2

        return _State(
            cv2.Rodrigues(step[:3])[0] @ self.rotation, self.place + step[3:6], self.inner + step[6:]
        )

    @property
    def translation(self) -> Any:
        """The sheet's origin in the camera's frame, mm."""
        mm_per_px = np.exp(-self.place[2])
        return np.array(
            [*(mm_per_px * (self.place[:2] - self.inner[2:4])), np.exp(self.inner[0]) * mm_per_px]
        )

    @property
    def position(self) -> Any:
        """The lens in the sheet frame, mm."""
        return -self.rotation.T @ self.translation


def _by_place(state: _State) -> Any:
    """Derivatives (3, 10) of the translation."""
    t, mm_per_px = state.translation, np.exp(-state.place[2])
    out = np.zeros((3, 10))
    out[0, 3] = out[1, 4] = mm_per_px
    out[:, 5] = -t
    out[2, 6] = t[2]
    out[0, 8] = out[1, 9] = -mm_per_px
    return out


def _to_position(state: _State) -> Any:
    """Derivatives (10, 10) of (rotation, position_mm, inner) by what the fit turns."""
    x, y, z = state.translation
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    turn = np.eye(10)
    turn[3:6] = -state.rotation.T @ _by_place(state)
    turn[3:6, :3] = -state.rotation.T @ cross
    return turn


@dataclass(frozen=True, slots=True)
class View:
    """The sheet in one photo: points_mm (N, 2), points_px (N, 2), point_sd_px (N,), and the
    photo's middle, px."""

    points_mm: Floats
    points_px: Floats
    point_sd_px: Floats
    centre: Floats


@dataclass(frozen=True, slots=True)
class SharedFit:
    """Several views by one lens. inner : (log focal px, k1); inner_cov : (2, 2); cameras : one a view;
    rms_px : of each view's points along one axis."""

    inner: Floats
    inner_cov: Floats
    cameras: tuple[Camera, ...]
    rms_px: tuple[float, ...]


def fit_shared(
    views: list[View], half_diagonal: float, inner_prior: tuple[float, float, float, float], axis_sd_px: float
) -> SharedFit:
    """Fit one focal length and one radial term to all views (`scipy.optimize.least_squares`, exact
    derivatives), with a pose and an optical axis for each.

    inner_prior : log focal px, its sd, k1, its sd. Points are weighted as `fit_view` does.
    """
    from scipy.optimize import least_squares

    prior = _Prior(inner_prior[0], inner_prior[1], inner_prior[2], inner_prior[3], axis_sd_px)
    singles = [
        fit_view(v.points_mm, v.points_px, v.point_sd_px, v.centre, half_diagonal, prior) for v in views
    ]
    bases, sds = [], []
    for fit, view in zip(singles, views, strict=True):
        c = fit.camera
        t = -c.rotation @ c.position_mm
        axis = c.centre_px - view.centre
        bases.append(
            _State(
                c.rotation,
                np.array([*(t[:2] / t[2] * c.focal_px + axis), np.log(c.focal_px / t[2])]),
                np.array([np.log(c.focal_px), c.k1, *axis]),
            )
        )
        sds.append(fit.sd_px)
    worlds = [np.c_[v.points_mm, np.zeros(len(v.points_mm))] for v in views]
    weight = np.array([len(v.points_mm) for v in views], float)
    start = np.array([float(np.average([b.inner[i] for b in bases], weights=weight)) for i in (0, 1)])
    open_prior = _Prior(
        prior.log_focal, 1e6, prior.k1, 1e6, axis_sd_px
    )  # the shared prior is counted once, below

    def states(p: Floats) -> list[_State]:
        out = []
        for i, base in enumerate(bases):
            step = np.zeros(10)
            own = p[2 + 8 * i : 10 + 8 * i]
            step[:6], step[8:] = own[:6], own[6:]
            moved = base.moved(step)
            out.append(_State(moved.rotation, moved.place, np.array([p[0], p[1], *moved.inner[2:]])))
        return out

    def pieces(p: Floats) -> list[tuple[Any, Any, Any]]:
        return [
            _residual(s, w, v.points_px, sd, v.centre, half_diagonal, open_prior)
            for s, w, v, sd in zip(states(p), worlds, views, sds, strict=True)
        ]

    def residual(p: Floats) -> Any:
        return np.concatenate(
            [
                *(r for r, _, _ in pieces(p)),
                [(p[0] - prior.log_focal) / prior.log_focal_sd, (p[1] - prior.k1) / prior.k1_sd],
            ]
        )

    # Rotations are small steps from the single fits, so their derivatives there serve all along.
    def jacobian(p: Floats) -> Any:
        blocks = []
        for i, (_, jac, _) in enumerate(pieces(p)):
            block = np.zeros((len(jac), len(p)))
            block[:, :2] = jac[:, 6:8]
            block[:, 2 + 8 * i : 8 + 8 * i], block[:, 8 + 8 * i : 10 + 8 * i] = jac[:, :6], jac[:, 8:]
            blocks.append(block)
        ends = np.zeros((2, len(p)))
        ends[0, 0], ends[1, 1] = 1 / prior.log_focal_sd, 1 / prior.k1_sd
        return np.concatenate([*blocks, ends])

    p = np.r_[start, np.zeros(8 * len(views))]
    for _ in range(3):
        fit = least_squares(residual, p, jac=jacobian, x_scale="jac", method="trf", max_nfev=100)
        p = fit.x
        # begin anew from here, so that the rotations' steps are small again
        bases, p = states(p), np.r_[p[:2], np.zeros(8 * len(views))]
        for i, (_, _, miss) in enumerate(pieces(p)):
            spread = max(coordinate_sd(miss), 0.03)
            sds[i] = 1.5 * np.maximum(spread, 0.35 * miss)
    last = pieces(p)
    jac = jacobian(p)
    cameras = tuple(
        Camera(
            s.rotation, s.position, float(np.exp(p[0])), v.centre + s.inner[2:4], float(p[1]), half_diagonal
        )
        for s, v in zip(states(p), views, strict=True)
    )
    return SharedFit(
        p[:2],
        np.linalg.pinv(jac.T @ jac)[:2, :2],
        cameras,
        tuple(float(np.sqrt(np.mean(m**2) / 2)) for _, _, m in last),
    )


def _settle(
    state: _State, world3: Any, image: Any, sd: Any, centre: Any, half_diagonal: float, prior: _Prior
) -> tuple[_State, Any, Any]:
    damping = 0.0
    residual, jac, miss = _residual(state, world3, image, sd, centre, half_diagonal, prior)
    for _ in range(30):
        normal = jac.T @ jac
        step = -np.linalg.solve(normal + damping * np.diag(np.diag(normal)), jac.T @ residual)
        trial = state.moved(step)
        new_residual, new_jac, new_miss = _residual(trial, world3, image, sd, centre, half_diagonal, prior)
        before, after = float(residual @ residual), float(new_residual @ new_residual)
        if after <= before * (1 + 1e-12):
            state, residual, jac, miss = trial, new_residual, new_jac, new_miss
            damping *= 0.1
            if before - after < 1e-7 * (1 + before):
                break
        else:
            damping = max(10 * damping, 1e-4)
    return state, jac, miss


def _residual(
    state: _State, world3: Any, image: Any, sd: Any, centre: Any, half_diagonal: float, prior: _Prior
) -> tuple[Any, Any, Any]:
    """Weighted residuals (2 N + 4,), their derivatives (2 N + 4, 10) and the distance that each point
    misses by (N,), px."""
    log_focal, k1 = state.inner[:2]
    turned = world3 @ state.rotation.T
    local = turned + state.translation
    x, y, z = local.T
    focal = np.exp(log_focal)
    flat = focal * local[:, :2] / local[:, 2:]
    d = (image - centre - state.inner[2:4]) / half_diagonal
    r2 = np.sum(d * d, axis=1)
    off = flat - d * (1 + k1 * r2)[:, None] * half_diagonal
    n = len(world3)
    by_local = np.zeros((n, 2, 3))
    by_local[:, 0, 0] = by_local[:, 1, 1] = focal / z
    by_local[:, 0, 2], by_local[:, 1, 2] = -focal * x / z**2, -focal * y / z**2
    # a small rotation w after the present one moves a turned point q by w x q
    cross = np.zeros((n, 3, 3))
    cross[:, 0, 1], cross[:, 0, 2], cross[:, 1, 2] = turned[:, 2], -turned[:, 1], turned[:, 0]
    cross -= cross.transpose(0, 2, 1)
    jac = by_local @ _by_place(state)
    jac[:, :, :3] = by_local @ cross
    jac[:, :, 6] += flat
    jac[:, :, 7] = -d * r2[:, None] * half_diagonal
    jac[:, :, 8:10] += (1 + k1 * r2)[:, None, None] * np.eye(2) + 2 * k1 * d[:, :, None] * d[:, None, :]
    tail = np.array(
        [
            (log_focal - prior.log_focal) / prior.log_focal_sd,
            (k1 - prior.k1) / prior.k1_sd,
            *(state.inner[2:4] / prior.centre_sd_px),
        ]
    )
    ends = np.zeros((4, 10))
    ends[range(4), range(6, 10)] = 1 / np.array(
        [prior.log_focal_sd, prior.k1_sd, prior.centre_sd_px, prior.centre_sd_px]
    )
    weighted = np.concatenate([(off / sd[:, None]).ravel(), tail])
    return (
        weighted,
        np.concatenate([(jac / sd[:, None, None]).reshape(-1, 10), ends]),
        np.linalg.norm(off, axis=1),
    )


def _rotation_vector_cov(fit: ViewFit) -> Any:
    """The covariance with its small rotation turned into a change of the rotation vector.

    By the inverse left Jacobian of SO(3) (Sola et al. 2018, "A micro Lie theory", from memory; tested
    against OpenCV's Rodrigues).
    """
    import cv2

    v = np.ravel(cv2.Rodrigues(np.asarray(fit.camera.rotation))[0])
    angle = float(np.linalg.norm(v))
    cross = np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])
    inverse = np.eye(3) - cross / 2
    if angle > 1e-6:
        inverse += (
            (
                1 / angle**2 - (1 + np.cos(angle)) / (2 * angle * np.sin(angle))
                if abs(np.sin(angle)) > 1e-9
                else 1 / angle**2
            )
            * cross
            @ cross
        )
    turn = np.eye(10)
    turn[:3, :3] = inverse
    return turn @ fit.cov @ turn.T


def _fit_scale_sd(fit: ViewFit, sighting: CardSighting) -> float:
    """One-sigma of lengths that the fit itself adds where the part lies: on a mat its middle, by a card
    60 mm off its edges (rms of four sides)."""
    import cv2

    half = np.array(sighting.layout.size_mm) / 2
    beside = half + 60.0
    on_mat = sighting.layout.name.startswith("mat")
    spots = (
        np.zeros((1, 2))
        if on_mat
        else np.array([(beside[0], 0), (-beside[0], 0), (0, beside[1]), (0, -beside[1])])
    )
    base = fit.camera
    corners = np.array([(-10.0, -10.0), (10.0, -10.0), (10.0, 10.0), (-10.0, 10.0)])
    px = [project(base, np.c_[spot + corners, np.zeros(4)]) for spot in spots]
    unit = np.sqrt(np.diag(fit.cov))
    values, vectors = np.linalg.eigh(
        fit.cov / np.outer(unit, unit)
    )  # in units of each sigma: millimetres and radians differ by many powers of ten
    root = unit[:, None] * vectors * np.sqrt(np.maximum(values, 0.0))
    areas = np.empty((10, len(spots)))
    for i in range(10):
        d = root[:, i]
        rotation = cv2.Rodrigues(d[:3].copy())[0] @ base.rotation
        moved = Camera(
            rotation,
            base.position_mm + d[3:6],
            base.focal_px * float(np.exp(d[6])),
            base.centre_px + d[8:10],
            base.k1 + float(d[7]),
            base.half_diagonal_px,
        )
        for j, q in enumerate(px):
            x, y = to_height(moved, q, 0.0).T
            areas[i, j] = 0.5 * float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))
    return (
        float(np.sqrt(np.mean(np.sum((areas / 400.0 - 1) ** 2, axis=0)))) / 2
    )  # half of an area's relative error is a length's


def _tilt_deg(camera: Camera) -> float:
    return float(np.degrees(np.arccos(np.clip(-camera.rotation[2, 2], -1, 1))))


def focal_prior(
    focal_35mm: float | None, settings: Settings, half_diagonal_px: float, profile: LensProfile | None
) -> tuple[float, float, str]:
    """Return focal length in px, its relative sd, and where it comes from."""
    if profile is not None:
        return profile.focal_half_diagonals * half_diagonal_px, profile.focal_sd_frac, "profile"
    if focal_35mm is not None:
        # EXIF gives whole millimetres; 35 mm equivalents go by the diagonal (CIPA DCG-001)
        return (
            focal_35mm / FULL_FRAME_DIAGONAL_MM * 2 * half_diagonal_px,
            float(np.hypot(settings.focal_exif_sd_frac, 0.29 / focal_35mm)),
            "exif",
        )
    return (
        settings.focal_assumed_35mm / FULL_FRAME_DIAGONAL_MM * 2 * half_diagonal_px,
        settings.focal_assumed_sd_frac,
        "assumed",
    )


def _square_px(camera: Camera, square_mm: float) -> float:
    ends = project(camera, np.array([[0, 0, 0], [square_mm, 0, 0], [0, square_mm, 0.0]]))
    return float(np.mean(np.linalg.norm(ends[1:] - ends[0], axis=1)))


def camera_draws(plane: Plane, n: int, rng: Any) -> list[Camera]:
    """Cameras drawn from the fit's covariance, for Monte Carlo (JCGM 101)."""
    import cv2

    base = plane.camera
    rvec = np.ravel(cv2.Rodrigues(np.asarray(base.rotation))[0])
    mean = np.r_[rvec, base.position_mm, np.log(base.focal_px), base.k1]
    draws = rng.multivariate_normal(mean, plane.parameters_cov, size=n, method="eigh")
    return [
        Camera(
            cv2.Rodrigues(d[:3])[0],
            d[3:6],
            float(np.exp(d[6])),
            base.centre_px,
            float(d[7]),
            base.half_diagonal_px,
        )
        for d in draws
    ]
