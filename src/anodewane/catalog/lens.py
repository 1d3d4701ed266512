"""A phone's lens as a small text file: written by `anodewane camera`, read by `anodewane judge --camera`."""

from __future__ import annotations

import json
import math

from anodewane.errors import UsageError
from anodewane.record import LensProfile

PROFILE_KIND = "anodewane lens profile"
PROFILE_VERSION = 1

RANGES = {
    "focal_half_diagonals": (0.3, 30.0),
    "focal_sd_frac": (1e-6, 0.5),
    "k1": (-0.3, 0.3),
    "k1_sd": (1e-7, 0.1),
}
"""From a fisheye to a tenfold zoom; a term beyond 0.3 isn't a lens that the one-term model describes."""


def lens_profile_to_toml(profile: LensProfile) -> str:
    """Write a profile as TOML text."""
    return (
        "# The lens of one phone, measured by 'anodewane camera'. Use it with: anodewane judge --camera "
        "THIS_FILE\n"
        f"kind = {json.dumps(PROFILE_KIND)}\n"
        f"version = {PROFILE_VERSION}\n"
        f"camera = {json.dumps(profile.camera, ensure_ascii=False)}\n"
        f"# focal length over the half diagonal of the photo ({profile.focal_35mm:.2f} mm as 35 mm "
        "equivalent), and its relative one-sigma\n"
        f"focal_half_diagonals = {profile.focal_half_diagonals:.6f}\n"
        f"focal_sd_frac = {profile.focal_sd_frac:.6f}\n"
        f"# r_undistorted = r (1 + k1 r^2), r in half diagonals from the middle\n"
        f"k1 = {profile.k1:.7f}\n"
        f"k1_sd = {profile.k1_sd:.7f}\n"
        f"n_photos = {profile.n_photos}\n"
    )


def lens_profile_from_toml(text: str) -> LensProfile:
    """Read a profile.

    Raises
    ------
    UsageError
        Not TOML, not a lens profile, of a later version, or with a value that no lens has.
    """
    import tomllib

    remedy = "Make it again with 'anodewane camera'."
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as e:
        raise UsageError(f"The lens profile isn't valid TOML: {e}.", remedy) from e
    if data.get("kind") != PROFILE_KIND:
        raise UsageError("The file isn't a lens profile.", "Give the file that 'anodewane camera' wrote.")
    if data.get("version") != PROFILE_VERSION:
        raise UsageError(
            f"The lens profile is of version {data.get('version')!r}; version {PROFILE_VERSION} is read.",
            remedy,
        )
    values = {}
    for key, (low, high) in RANGES.items():
        value = data.get(key)
        if (
            isinstance(value, bool)
            or not isinstance(value, (int, float))
            or not math.isfinite(value)
            or not low <= value <= high
        ):
            raise UsageError(
                f"The lens profile gives '{key}' the value {value!r}; a number from {low:g} to {high:g} is "
                "expected.",
                remedy,
            )
        values[key] = float(value)
    n_photos, camera = data.get("n_photos"), data.get("camera")
    if (
        isinstance(n_photos, bool)
        or not isinstance(n_photos, int)
        or n_photos < 1
        or not isinstance(camera, str)
    ):
        raise UsageError("The lens profile lacks its camera or the number of its photos.", remedy)
    return LensProfile(camera=camera, n_photos=n_photos, **values)
