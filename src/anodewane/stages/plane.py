"""Where the camera stood over the sheet: a homography from all points, and the camera behind it, with covariance.

One least-squares fit of pose, focal length and one radial lens term to every saddle, with priors where the sheet alone can't tell: the focal length from EXIF's
35 mm equivalent, and a lens term near zero unless a per-phone profile says otherwise. In-plane mapping depends hardly at all on the focal length; the height of
the camera, needed to take out the part's own height, does.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from anodewane.errors import CannotJudge
from anodewane.geometry import plane_homography
from anodewane.records import Camera, CardSighting, Photo, Plane
from anodewane.settings import Settings
from anodewane.units import FULL_FRAME_DIAGONAL_MM, Floats


@dataclass(frozen=True, slots=True)
class LensProfile:
    """A phone's lens as `anodewane camera` measured it: focal length over the half diagonal, and the radial term, each with one-sigma."""

    camera: str
    focal_half_diagonals: float
    focal_sd_frac: float
    k1: float
    k1_sd: float
    n_photos: int


def locate_camera(photo: Photo, sighting: CardSighting, settings: Settings, profile: LensProfile | None = None) -> Plane:
    """Fit the camera to the sheet's points.

    Parameters
    ----------
    photo, sighting
    settings : Settings
        Uses `check_line_x_mm`, `check_line_y_mm`, `check_line_sd_mm`, `focal_*`, `lens_k1_sd`, `max_tilt_deg`, `max_residual_frac`.
    profile : LensProfile, optional
        Takes the place of EXIF's focal length and of the lens prior.

    Raises
    ------
    CannotJudge
        "too_oblique", "sheet_not_flat".
    """
    import cv2
    from scipy.optimize import least_squares

    height, width = photo.rgb.shape[:2]
    half_diagonal = float(np.hypot(width, height)) / 2
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    scale = np.array([settings.check_line_x_mm, settings.check_line_y_mm]) / 100.0
    world = sighting.points_mm * scale
    image = sighting.points_px
    focal, focal_sd, source = _focal_prior(photo, settings, half_diagonal, profile)
    k1, k1_sd = (profile.k1, profile.k1_sd) if profile else (0.0, settings.lens_k1_sd)

    world3 = np.c_[world, np.zeros(len(world))]
    k = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1.0]])
    found, rvec, tvec = cv2.solvePnP(world3.reshape(-1, 1, 3), image.reshape(-1, 1, 2), k, None, flags=cv2.SOLVEPNP_IPPE)
    if not found:
        raise CannotJudge("sheet_too_little", "the sheet's points don't fix a camera")
    rotation = cv2.Rodrigues(rvec)[0]
    start = np.r_[np.ravel(rvec), np.ravel(-rotation.T @ tvec), np.log(focal), k1, 0.0, 0.0]
    centre_sd = settings.principal_point_sd_frac * half_diagonal

    def residual(p: Floats, sd_px: Floats) -> Floats:
        r = cv2.Rodrigues(p[:3])[0]
        local = (world3 - p[3:6]) @ r.T
        flat = local[:, :2] / local[:, 2:] * np.exp(p[6])
        # compare where the lens is taken out, so that no inverse is needed
        middle = centre + p[8:10]
        d = (image - middle) / half_diagonal
        seen = d * (1 + p[7] * np.sum(d * d, axis=1, keepdims=True)) * half_diagonal
        out: Floats = np.r_[((flat - seen) / sd_px[:, None]).ravel(), (p[6] - np.log(focal)) / focal_sd, (p[7] - k1) / k1_sd, p[8:10] / centre_sd]
        return out

    unit = np.array([0.01, 0.01, 0.01, 10.0, 10.0, 10.0, 0.02, 0.01, 5.0, 5.0])
    # Two plain fits rather than one robust one: a robust loss would also forgive the priors, and the focal length would drift away from EXIF's.
    p, sd = start, np.maximum(sighting.point_sd_px, 0.1)
    for _ in range(2):
        fit = least_squares(residual, p, x_scale=unit, method="lm", max_nfev=400, args=(sd,))
        p = fit.x
        miss = np.linalg.norm(residual(p, sd)[:-4].reshape(-1, 2) * sd[:, None], axis=1)
        spread = max(float(np.median(miss)) / 1.1774, 0.03)  # median of a Rayleigh distance to its sigma
        # errors of neighbouring saddles go together (paper, lens, demosaicing): count them as 1.5 times as large
        sd = 1.5 * np.maximum(spread, 0.35 * miss)
    rms = float(np.sqrt(np.mean(miss**2) / 2))
    cov = np.linalg.pinv(fit.jac.T @ fit.jac)[:8, :8]
    camera = Camera(cv2.Rodrigues(p[:3])[0], p[3:6], float(np.exp(p[6])), centre + p[8:10], float(p[7]), half_diagonal)
    tilt = float(np.degrees(np.arccos(np.clip(-camera.rotation[2, 2], -1, 1))))
    side_px = _square_px(camera, sighting.layout.square_mm)
    if rms > max(settings.max_residual_frac * side_px, 0.5):
        raise CannotJudge("sheet_not_flat", f"its points miss a flat sheet by {rms:.1f} px (rms)")
    if tilt > settings.max_tilt_deg:
        raise CannotJudge("too_oblique", f"tilted {tilt:.0f} degrees, at most {settings.max_tilt_deg:.0f}")
    print_sd = settings.check_line_sd_mm / 100.0 if settings.check_line_given else settings.print_scale_sd_frac
    return Plane(
        camera=camera,
        parameters_cov=cov,
        px_from_mm=plane_homography(camera),
        residual_px=rms,
        n_points=len(world),
        tilt_deg=tilt,
        distance_mm=float(np.linalg.norm(camera.position_mm)),
        focal_source=source,
        check_line_mm=(settings.check_line_x_mm, settings.check_line_y_mm),
        scale_sd_frac=print_sd,
    )


def _focal_prior(photo: Photo, settings: Settings, half_diagonal_px: float, profile: LensProfile | None) -> tuple[float, float, str]:
    """Return focal length in px, its relative sd, and where it comes from."""
    if profile is not None:
        return profile.focal_half_diagonals * half_diagonal_px, profile.focal_sd_frac, "profile"
    if photo.focal_35mm is not None:
        # EXIF gives whole millimetres; 35 mm equivalents go by the diagonal (CIPA DCG-001)
        return photo.focal_35mm / FULL_FRAME_DIAGONAL_MM * 2 * half_diagonal_px, float(np.hypot(settings.focal_exif_sd_frac, 0.29 / photo.focal_35mm)), "exif"
    return settings.focal_assumed_35mm / FULL_FRAME_DIAGONAL_MM * 2 * half_diagonal_px, settings.focal_assumed_sd_frac, "assumed"


def _square_px(camera: Camera, square_mm: float) -> float:
    from anodewane.geometry import project

    ends = project(camera, np.array([[0, 0, 0], [square_mm, 0, 0], [0, square_mm, 0.0]]))
    return float(np.mean(np.linalg.norm(ends[1:] - ends[0], axis=1)))


def camera_draws(plane: Plane, n: int, rng: Any) -> list[Camera]:
    """Cameras drawn from the fit's covariance, for Monte Carlo (JCGM 101)."""
    import cv2

    base = plane.camera
    rvec = np.ravel(cv2.Rodrigues(np.asarray(base.rotation))[0])
    mean = np.r_[rvec, base.position_mm, np.log(base.focal_px), base.k1]
    draws = rng.multivariate_normal(mean, plane.parameters_cov, size=n, method="eigh")
    return [Camera(cv2.Rodrigues(d[:3])[0], d[3:6], float(np.exp(d[6])), base.centre_px, float(d[7]), base.half_diagonal_px) for d in draws]
