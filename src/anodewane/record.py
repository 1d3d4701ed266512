"""The record of a judgement: what `judge` returns, plain values only, which become the JSON as they stand.

Keys, order and types of the JSON and of its schema come from these classes (`show.record_json`). Units are
in the names; unknown is None, never 0 or "". Frames as `anodewane.units` states them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from anodewane.units import FULL_FRAME_DIAGONAL_MM

Mount = Literal["flush", "open"]
Solid = Literal["plate", "rod", "cast", "turned", "collar", "mesh"]
Alloy = Literal["zinc", "aluminium", "magnesium"]
Grade = Literal["replace", "monitor", "ok"]
Status = Literal["judged", "cannot_judge", "measured"]

SCHEMA_VERSION = "1.2"


@dataclass(frozen=True, slots=True)
class Interval:
    """A value with the ends of its interval; `coverage` of the record says how often such intervals
    hold the truth. What is measured is checked as it is born (`records.Wear`); a record that somebody
    altered must still be read, so that its contradictions can be told."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Reason:
    """Why: a stable code, one sentence with figures, and what to do (None where nothing needs doing)."""

    code: str
    message: str
    remedy: str | None


@dataclass(frozen=True, slots=True)
class Consumed:
    """Share of the new part that is gone, in percentage points."""

    area_pct: Interval
    mass_pct: Interval
    coverage: float


@dataclass(frozen=True, slots=True)
class AreaFigures:
    """Plan areas, mm2."""

    new_mm2: float
    remaining_mm2: float


@dataclass(frozen=True, slots=True)
class MassFigures:
    """Masses in grams by the template's volume and the alloy's density, or as weighed; method says which."""

    new_g: float
    remaining_g: Interval
    method: Literal["recession", "thickness", "weighed", "views"]


@dataclass(frozen=True, slots=True)
class RecessionFigures:
    """Inward recession along the template's outline, mm; worst_part_mm is where it is greatest, part
    frame, worst_photo_px the edge of what is left there; side_mm is by how much the worse quarter of
    directions exceeds the opposite one, towards worse_side (unit vector, part frame)."""

    mean: float
    p95: float
    max: float
    worst_part_mm: tuple[float, float] | None
    one_sided: bool
    side_mm: float
    worse_side: tuple[float, float] | None
    worst_photo_px: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class HoleFinding:
    """A fixing hole: diameters across its narrow way, mm. state: "sound", "grown" or "lost";
    diameter_mm is None where the hole isn't seen."""

    index: int
    new_mm: float
    diameter_mm: float | None
    growth_mm: float | None
    washer_mm: float | None
    state: Literal["sound", "grown", "lost", "not_seen"]


@dataclass(frozen=True, slots=True)
class Outline:
    """The remaining metal: rings in photo pixels and in the part's mm; the first ring is the outer
    one, then holes."""

    photo_px: tuple[tuple[tuple[float, float], ...], ...]
    part_mm: tuple[tuple[tuple[float, float], ...], ...]


@dataclass(frozen=True, slots=True)
class PrintFigures:
    """How large the sheet was printed, and how that is known."""

    x_pct: float
    """Printed over drawn length along the sheet's x, %: what its 100 mm line measures there."""
    y_pct: float
    """The same along y."""
    low_pct: float
    """Lower end of the interval that holds the scale as often as `consumed.coverage` says."""
    high_pct: float
    """Its upper end."""
    source: Literal["measured", "paper", "assumed"]
    """A ruler on the check lines; the paper's own edges; or nobody knows and it is taken for 100 %."""
    paper: str | None
    """The standard paper whose edges are seen; None without."""
    cause: str | None
    """What went wrong in printing; None where nothing did or it isn't known."""


@dataclass(frozen=True, slots=True)
class ScaleFigures:
    """The sheet and the camera. sd_pct is one-sigma of lengths in the sheet's plane. sheet_photo_px :
    where the paper's corners lie in the photo (top-left, top-right, bottom-right, bottom-left as read),
    sheet_size_mm : the paper's true width and height between them; None without a sheet."""

    layout: str
    tilt_deg: float
    distance_mm: float
    residual_px: float
    n_points: int
    sd_pct: float
    check_line_mm: tuple[float, float]
    focal_source: str
    sheet_photo_px: tuple[tuple[float, float], ...] | None = None
    sheet_size_mm: tuple[float, float] | None = None
    printed: PrintFigures | None = None
    """Since 1.2; an earlier record is read as not telling it."""


@dataclass(frozen=True, slots=True)
class MeasuredFigures:
    """What can be said of a part whose template isn't known. The part's height isn't known either: values
    are for `height_mm`, low and high for a part of `highest_mm` and for a flat one."""

    length_mm: Interval
    """Longer side of the smallest rectangle round it."""
    width_mm: Interval
    """Shorter side of it."""
    area_mm2: Interval
    """Plan area of the metal."""
    hole_diameters_mm: tuple[float, ...]
    """Of round holes of the same area, largest first."""
    hole_pitch_mm: Interval | None
    """Between the two holes that are farthest apart; None without two."""
    height_mm: float
    """Height above the sheet that values are for."""
    highest_mm: float
    """Height that low values are for."""
    may_be: tuple[str, ...]
    """Templates of the library that may fit, likeliest first."""


@dataclass(frozen=True, slots=True)
class TemplateFigures:
    """Which template, whether it was given or chosen, and how it was laid on the part."""

    name: str
    mount: Mount
    solid: Solid
    alloy: Alloy
    thickness_mm: float
    sha256: str
    chosen: bool
    angle_deg: float | None
    mirrored: bool | None
    anchored_by: str | None
    outline_photo_px: tuple[tuple[tuple[float, float], ...], ...] | None


@dataclass(frozen=True, slots=True)
class PhotoFigures:
    """The file that was judged. taken is the camera's local time without a zone, as EXIF has it."""

    name: str
    sha256: str
    width_px: int
    height_px: int
    taken: str | None


@dataclass(frozen=True, slots=True)
class Label:
    """Boat and position as the QR code on the sheet has them. Text from outside: names to show and to
    look up, never paths or commands."""

    boat: str
    position: str


@dataclass(frozen=True, slots=True)
class Manual:
    """An outline that a person handed in: who, when (as given), and the SHA-256 of what was handed."""

    by: str | None
    when: str | None
    sha256: str


@dataclass(frozen=True, slots=True)
class GivenFigures:
    """What a person knew of the part and its photo, word for word. None: nobody measured it."""

    weighed_g: float | None
    """g, what is left of the part, on the scales."""
    thickness_mm: float | None
    """mm, mean thickness of what is left, by calliper."""
    check_line_mm: tuple[float, float] | None
    """mm, what the sheet's 100 mm lines measure, in x and in y."""
    outline: Manual | None
    """Who outlined the metal by hand; of several photos each view has its own."""


@dataclass(frozen=True, slots=True)
class LensProfile:
    """A phone's lens, as measured from photos of the sheet. Radii in half diagonals of the photo."""

    camera: str
    """Make and model, as EXIF has it."""
    focal_half_diagonals: float
    """Focal length over the photo's half diagonal."""
    focal_sd_frac: float
    """One-sigma of that, as a share of it."""
    k1: float
    """Radial term as `records.Camera` defines it."""
    k1_sd: float
    """One-sigma of that."""
    n_photos: int
    """Photos that it was fitted on."""

    @property
    def focal_35mm(self) -> float:
        """35 mm equivalent focal length, mm."""
        return self.focal_half_diagonals * FULL_FRAME_DIAGONAL_MM / 2


@dataclass(frozen=True, slots=True)
class Provenance:
    """What made this record."""

    anodewane: str
    settings_digest: str
    segmenter: str | None
    model_sha256: str | None
    libraries: dict[str, str]
    manual: Manual | None


@dataclass(frozen=True, slots=True)
class Limits:
    """The limit that the verdict was held against, with its basis."""

    limit_pct: float
    monitor_from_pct: float
    basis: str


@dataclass(frozen=True, slots=True)
class ViewFigures:
    """One photo of several that were fitted together, and what it brought.

    of_other_side : whether the part lay on its other face; elevation_deg : above the bench at which the
    part is seen; azimuth_deg : from which side, in the part's frame, anticlockwise from its x axis;
    residual_mm : rms distance between its outline and the fitted solid's; missed_frac : share of it
    that the solid doesn't come near; moved_mm : how far the part seems to have moved since the photo
    from above; face_used : whether marks on the face were matched in it; mass_sd_without_pct :
    one-sigma of the mass consumed, in points, had this photo not been taken; information_frac : share
    of what is known of the mass that would be lost without it; solid_photo_px : the fitted solid drawn
    back into the photo, as closed lines, its limb first.
    """

    name: str
    sha256: str
    of_other_side: bool
    tilt_deg: float
    elevation_deg: float
    azimuth_deg: float
    distance_mm: float
    residual_mm: float
    missed_frac: float
    moved_mm: float
    face_used: bool
    mass_sd_without_pct: float
    information_frac: float
    outline_photo_px: tuple[tuple[tuple[float, float], ...], ...]
    solid_photo_px: tuple[tuple[tuple[float, float], ...], ...]
    manual: Manual | None = None


@dataclass(frozen=True, slots=True)
class NextPhoto:
    """The photo that would narrow the interval most. azimuth_deg as in `ViewFigures`; width_pct : of
    the mass interval with it, in points, as reckoned beforehand."""

    elevation_deg: float
    azimuth_deg: float
    width_pct: float
    message: str


@dataclass(frozen=True, slots=True)
class TogetherFigures:
    """What several photos say together. mass_before_pct, area_before_pct : from the photo from above
    alone; thickness_part_mm : (x, y, thickness) over the plan, part frame, every
    `thickness_step_mm`; round_mm : radius of the worn edge, None for a rod; face_points : places of
    the face whose height was matched between photos; face_residual_mm : their rms distance from the
    smooth face, None without any."""

    mass_before_pct: Interval
    area_before_pct: Interval
    thickness_part_mm: tuple[tuple[float, float, float], ...]
    thickness_step_mm: float
    round_mm: float | None
    face_points: int
    face_residual_mm: float | None
    next_photo: NextPhoto | None


@dataclass(frozen=True, slots=True)
class Verdict:
    """The record. A refusal is a record too: status "cannot_judge", no verdict, reasons with remedies,
    and what was still measured."""

    schema_version: str
    status: Status
    verdict: Grade | None
    reasons: tuple[Reason, ...]
    limits: Limits
    consumed: Consumed | None
    area: AreaFigures | None
    mass: MassFigures | None
    recession_mm: RecessionFigures | None
    remaining_thickness_mm: Interval | None
    holes: tuple[HoleFinding, ...]
    pieces_lost: int | None
    outline: Outline | None
    scale: ScaleFigures | None
    template: TemplateFigures | None
    # since 1.2; an earlier record is read as not telling them
    given: GivenFigures | None = field(default=None, kw_only=True)
    settings: dict[str, float | str] | None = field(default=None, kw_only=True)
    lens: LensProfile | None = field(default=None, kw_only=True)
    measured: MeasuredFigures | None = field(default=None, kw_only=True)
    # since 1.1
    label: Label | None = field(default=None, kw_only=True)
    views: tuple[ViewFigures, ...] = field(default=(), kw_only=True)
    together: TogetherFigures | None = field(default=None, kw_only=True)
    photo: PhotoFigures
    budget: dict[str, float]
    cautions: tuple[str, ...]
    provenance: Provenance
