"""Every knob, with its unit and where its value comes from. Read from TOML, digested into every record."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any

from anodewane.errors import UsageError


def knob(default: Any, text: str) -> Any:
    """A settings field with its explanation: unit, meaning, source."""
    return field(default=default, metadata={"text": text})


@dataclass(frozen=True, slots=True)
class Settings:
    """All settings of a judgement. `Settings()` is the default; `from_toml` reads a file;
    `digest` names a set."""

    # the verdict
    limit_pct: float = knob(
        50.0,
        "%, mass consumed at which a part is to be replaced. 50: mass 'reduced to one-half', the "
        "recreational rule (Practical Sailor; BoatUS; trade practice).",
    )
    monitor_from_pct: float = knob(
        30.0,
        "%, mass consumed from which a part is watched rather than left. Common practice, no published "
        "source.",
    )
    basis: str = knob(
        "half of the mass gone, the usual rule for pleasure craft", "text, printed beside the limit"
    )
    coverage: float = knob(0.90, "0 to 1, how often the stated intervals should hold the truth")
    no_wear_below_pct: float = knob(
        5.0,
        "%, mass consumed under which no wear is claimed: new castings scatter by 3 to 5 % (NACE SP0387, "
        "from memory)",
    )
    one_sided_min_mm: float = knob(
        2.0,
        "mm, spread of recession between one side and the other from which wear is called one-sided. "
        "Common practice.",
    )
    hole_growth_mm: float = knob(1.5, "mm, growth of a hole's diameter that is called grown")
    piece_lost_frac: float = knob(
        0.02,
        "share of the new plan area in separate pieces, or in a missing one, that counts as a piece lost",
    )

    # the sheet
    check_line_sd_mm: float = knob(0.3, "mm, one-sigma of reading a 100 mm line with a ruler")
    print_scale_sd_frac: float = knob(
        0.004, "one-sigma of the print scale when nobody measured it and it was printed at 100 %"
    )

    max_blur_square_frac: float = knob(
        0.045,
        "of a 15 mm square's side, one-sigma spread of the sheet's edges above which a photo is blurred. "
        "Measured: the scale holds to 0.1 % up to there and markers fade "
        "soon after; sharp trial photos reach 0.03",
    )
    min_paper_level: float = knob(
        0.02,
        "0 to 1, light of the white paper under which a photo is too dark. Measured: from 0.03 down noise "
        "hides up to half of the square corners",
    )
    max_paper_clipped_frac: float = knob(
        0.8, "0 to 1, share of the white paper at full light from which glare is looked for"
    )
    max_clipped_ink_level: float = knob(
        0.10,
        "0 to 1, light of the black squares above which a photo with clipped paper is called glare: ink "
        "sends back about 6 % (common practice), so the paper is then "
        "1.7 times past full light and a mid-level edge moves by half its blur",
    )

    # the camera
    focal_exif_sd_frac: float = knob(
        0.02, "one-sigma of EXIF's 35 mm equivalent focal length, beside its rounding to whole mm"
    )
    focal_assumed_35mm: float = knob(27.0, "mm, 35 mm equivalent focal length assumed when EXIF has none")
    focal_assumed_sd_frac: float = knob(0.25, "one-sigma of that")
    lens_k1_sd: float = knob(0.01, "one-sigma of the radial lens term without a profile: 1 % at the corner")
    principal_point_sd_frac: float = knob(
        0.006,
        "of the half diagonal, one-sigma of where the optical axis meets the picture: lenses shift to hold "
        "it steady",
    )
    max_tilt_deg: float = knob(
        45.0, "degrees between the optical axis and the sheet's normal, above which a photo is refused"
    )
    max_residual_frac: float = knob(
        0.02,
        "of a square's side, rms, above which the sheet is called not flat. Measured: flat 0.003, waved by "
        "6 mm 0.015, by 12 mm 0.03",
    )

    # how faces waste against the outline
    face_ratio_flush: float = knob(
        3.1,
        "thickness lost over recession of the outline when wear begins, flush mount; fitted on rendered "
        "parts of known volume (docs/decisions/0004-face-ratio.md)",
    )
    face_ratio_open: float = knob(3.2, "the same for both faces of an open mount together")
    face_most_flush: float = knob(
        0.57, "share of the new thickness at which the mean loss over what is left levels off, flush mount"
    )
    face_most_open: float = knob(0.61, "the same, open mount")
    face_late_mm: float = knob(
        0.8, "mm of thickness by which the faces lag behind the outline when wear begins"
    )
    face_ratio_sd: float = knob(0.23, "one-sigma of the thickness lost from part to part, as a share of it")
    face_scale: float = knob(
        1.0,
        "thickness lost over what the law above says, for the template at hand: 1 until its parts have "
        "been weighed (docs/decisions/0051-weighings.md)",
    )
    face_scale_sd: float = knob(
        0.0,
        "one-sigma of that scale, as a share of the thickness lost; 0 as long as `face_ratio_sd` stands "
        "for parts of every template",
    )
    face_floor_sd_mm: float = knob(
        0.4, "mm, one-sigma of the thickness of a part that looks new: pits and casting"
    )

    # doubt
    limb_sharp_sd_frac: float = knob(
        0.012,
        "one-sigma of the height at which a new wall or a rod is seen, common to the whole outline, as a "
        "share of its thickness (fitted on rendered parts)",
    )
    limb_worn_sd_frac: float = knob(0.045, "the same for a worn wall")
    limb_wander_sd_frac: float = knob(
        0.03, "one-sigma of the outline's plan position as a share of the wall's wander"
    )
    limb_sd_mm: float = knob(
        0.05, "mm, one-sigma of where the outline lies in plan that no other cause accounts for"
    )
    mass_casting_sd_frac: float = knob(
        0.015,
        "one-sigma of a new casting's mass against its template, as a share (tolerances of 3 to 5 %, from "
        "memory: NACE SP0387)",
    )
    mass_known_sd_frac: float = knob(0.015, "one-sigma of the new mass where the template states it")
    mass_computed_sd_frac: float = knob(0.025, "one-sigma of the new mass where it is volume times density")
    scales_sd_g: float = knob(2.0, "g, one-sigma of the scales")
    rod_round_sd_frac: float = knob(
        0.02, "one-sigma of a worn rod's sections against round ones, as a share of what is left"
    )

    # the template
    outside_max_frac: float = knob(
        0.035,
        "share of the new plan area by which a part may stick out of its template (3 sigma of height and "
        "edge errors)",
    )
    speck_frac: float = knob(
        0.05,
        "share of the new plan area below which a segmenter's find is taken for a misreading, not for what "
        "is left of the part",
    )
    hole_pitch_max_frac: float = knob(
        0.02,
        "by which a hole pitch may differ from the template's before print scale or template are doubted",
    )
    template_margin: float = knob(
        0.2, "by which the best template of a library must beat the next (mean log-likelihood a point)"
    )
    template_max_score: float = knob(
        3.5, "mean negative log-likelihood a point above which no template of a library is accepted"
    )

    def digest(self) -> str:
        """SHA-256 of the settings as canonical JSON, 16 hex digits of it."""
        text = json.dumps(asdict(self), sort_keys=True, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()[:16]

    def changed(self) -> dict[str, float | str]:
        """The settings that differ from the default, by name: what a record keeps of them."""
        return {f.name: v for f in fields(self) if (v := getattr(self, f.name)) != f.default}


@dataclass(frozen=True, slots=True)
class BookRules:
    """How the season's book reckons. Apart from `Settings`, so that a change here leaves the digest of
    every judgement as it was."""

    season_sd_frac: float = knob(
        0.25,
        "one-sigma by which a season's wear a month differs from the part's own mean, as a share of it: "
        "water, berth, shore power and bonding change. "
        "A guess on the wide side; no published figure was found",
    )
    baseline_sd_pct: float = knob(
        2.0,
        "points, one-sigma of what a new part reads when nothing is gone, common to every reading of it: "
        "casting 1.5 %, a new face's pits 0.4 mm "
        "(mass_casting_sd_frac, face_floor_sd_mm)",
    )
    lasts_probability: float = knob(
        0.5,
        "0 to 1, probability of being under the limit at the next haul-out below which a part is replaced "
        "now. 0.5: the forecast itself reaches the limit, as a verdict "
        "goes by the value itself; IMO's coating and protection guideline 4.1.6 leaves it to judgement "
        "from wear in service",
    )
    season_months: float = knob(
        3.0,
        "months in the water from which no wear is a warning and two seasons are compared. Common practice.",
    )
    alarm_rate: float = knob(
        0.02, "0 to 1, how often a warning that compares two readings may be given where nothing differs"
    )
    pair_min_points: float = knob(
        8.0, "points of mass by which two parts of a pair must differ before it is told. Common practice."
    )
    faster_min_frac: float = knob(
        1.5,
        "times by which a season's wear a month must exceed the one before, at the least, before it is "
        "told. Common practice.",
    )


_WEIGHED = (
    "the weight of one part",
    "Take it out and give --weighed, or a column weighed_g in photos.csv.",
)
_THICKNESS = (
    "the thickness of one part",
    "Take it out and give --thickness, or a column thickness_mm in photos.csv.",
)
_LINE = (
    "what one printed sheet measures",
    "Take it out and give --check-line.",
)
OF_ONE_PART: dict[str, tuple[str, str]] = {
    "weighed_g": _WEIGHED,
    "thickness_mm": _THICKNESS,
    "thickness_given_mm": _THICKNESS,
    "check_line_mm": _LINE,
    "check_line_x_mm": _LINE,
    "check_line_y_mm": _LINE,
    "check_line_given": _LINE,
}
"""What looks like a setting and is `records.Given`: it would be taken for every part of a run."""


def settings_from_toml(text: str, base: Settings | None = None) -> Settings:
    """Read settings from TOML text; keys are the fields of `Settings`.

    Raises
    ------
    UsageError
        Broken TOML, an unknown key or a value of the wrong type.

    The table `[book]` is the book's (`book_rules_from_toml`) and passed over here.
    """
    data = _parsed(text)
    data.pop("book", None)
    return replace(base or Settings(), **_checked(data, Settings()))


def book_rules_from_toml(text: str, base: BookRules | None = None) -> BookRules:
    """Read the book's rules from the table `[book]` of a settings file; keys are the fields of `BookRules`.

    Raises
    ------
    UsageError
        Broken TOML, an unknown key or a value of the wrong type.
    """
    table = _parsed(text).get("book", {})
    if not isinstance(table, dict):
        raise UsageError(
            "The settings file gives 'book' a value instead of a table.",
            "Write [book] on a line of its own and the rules under it.",
        )
    return replace(base or BookRules(), **_checked(table, BookRules()))


def _parsed(text: str) -> dict[str, Any]:
    import tomllib

    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as e:
        raise UsageError(f"The settings file isn't valid TOML: {e}.", "Mend the line that it names.") from e


def _checked(data: dict[str, Any], defaults: Settings | BookRules) -> dict[str, Any]:
    """The values of a table, numbers as floats, each known to the defaults' class and like its default."""
    known = {f.name for f in fields(defaults)}
    for key, value in data.items():
        if key in OF_ONE_PART:
            what, remedy = OF_ONE_PART[key]
            raise UsageError(f"The settings file gives '{key}': {what}, and no setting.", remedy)
        if key not in known:
            raise UsageError(
                f"The settings file has an unknown key '{key}'.", f"Known keys: {', '.join(sorted(known))}."
            )
        default = getattr(defaults, key)
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        fits = (
            isinstance(value, bool)
            if isinstance(default, bool)
            else isinstance(value, str)
            if isinstance(default, str)
            else number
        )
        if not fits:
            raise UsageError(
                f"The settings file gives '{key}' the value {value!r}.", f"It must be like {default!r}."
            )
    return {k: float(v) if isinstance(v, int) and not isinstance(v, bool) else v for k, v in data.items()}
