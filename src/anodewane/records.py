"""Every record that passes between stages. Frozen, checked at birth, arrays read-only, units in the names.

``Source -> Photo -> CardSighting -> Plane -> FlatImage -> SoftMask -> MetalMask -> Placement ->
Wear``, with `SheetLayout` and `Template` from the side; what comes out at the end is
`anodewane.record.Verdict`. Unknown is None, never 0 or "".

Notation: H, W rows and columns of a photo; h, w of a flat image; N points; R rings; frames as
`anodewane.units` states them.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from math import erf, sqrt
from typing import Any, Literal

import numpy as np

from anodewane.geometry.motion import Motion
from anodewane.record import (
    Alloy,
    AreaFigures,
    Consumed,
    HoleFinding,
    Interval,
    Manual,
    MassFigures,
    Mount,
    RecessionFigures,
    Solid,
)
from anodewane.units import Bools, Bytes, Floats, Floats32, Rings


def frozen_array(value: Any, dtype: Any, shape: tuple[int | None, ...], what: str) -> Any:
    """Return `value` as a read-only array of `dtype`, or raise if its shape isn't `shape` (None
    matches any length)."""
    got = np.array(value, dtype=dtype)
    if got.ndim != len(shape) or any(
        want is not None and have != want for have, want in zip(got.shape, shape, strict=True)
    ):
        want_text = "(" + ", ".join("n" if s is None else str(s) for s in shape) + ")"
        raise ValueError(f"{what}: expected shape {want_text}, got {got.shape}")
    if got.dtype.kind == "f" and not np.isfinite(got).all():
        raise ValueError(
            f"{what}: expected finite numbers, got {int((~np.isfinite(got)).sum())} that are not"
        )
    got.flags.writeable = False
    return got


def frozen_rings(rings: Any, what: str) -> Rings:
    """Return rings as read-only (n, 2) float64 arrays of at least three points each."""
    out = tuple(frozen_array(r, np.float64, (None, 2), f"{what}[{i}]") for i, r in enumerate(rings))
    if not out:
        raise ValueError(f"{what}: expected at least one ring, got none")
    for i, ring in enumerate(out):
        if len(ring) < 3:
            raise ValueError(f"{what}[{i}]: expected at least 3 points, got {len(ring)}")
    return out


class Record:
    """Base of the array-bearing records: pickles through the constructor, so that arrays stay
    read-only in a worker."""

    __slots__ = ()

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), tuple(getattr(self, f.name) for f in fields(self))  # type: ignore[arg-type]

    def _set(self, **values: Any) -> None:
        for name, value in values.items():
            object.__setattr__(self, name, value)


# --- from the side -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class SheetLayout(Record):
    """A printed sheet as data: where its markers and saddle points lie. Sheet frame, mm.

    name : "card", "mat-a4" or "mat-letter"; size_mm : (width, height) of the paper; marker_ids : (M,)
    ids of the marker dictionary; marker_corners_mm : (M, 4, 2) corners as the detector orders them
    (top-left, top-right, bottom-right, bottom-left as read); saddles_mm : (S, 2) points where four
    squares meet; saddle_phase : (S,) +1 where the square up-right of the point is black, else -1;
    black_mm : (B, 4, 2) every black square; grey_mm : (G, 4, 2) grey patches; grey_reflectance : (G,)
    what share of the paper's light each sends back.
    """

    name: str
    size_mm: tuple[float, float]
    dictionary: str
    square_mm: float
    marker_ids: Any
    marker_corners_mm: Floats
    saddles_mm: Floats
    saddle_phase: Any
    black_mm: Floats
    grey_mm: Floats
    grey_reflectance: Floats

    def __post_init__(self) -> None:
        m = len(self.marker_ids)
        self._set(
            marker_ids=frozen_array(self.marker_ids, np.int64, (m,), "marker_ids"),
            marker_corners_mm=frozen_array(
                self.marker_corners_mm, np.float64, (m, 4, 2), "marker_corners_mm"
            ),
            saddles_mm=frozen_array(self.saddles_mm, np.float64, (None, 2), "saddles_mm"),
            saddle_phase=frozen_array(self.saddle_phase, np.int64, (len(self.saddles_mm),), "saddle_phase"),
            black_mm=frozen_array(self.black_mm, np.float64, (None, 4, 2), "black_mm"),
            grey_mm=frozen_array(self.grey_mm, np.float64, (None, 4, 2), "grey_mm"),
            grey_reflectance=frozen_array(
                self.grey_reflectance, np.float64, (len(self.grey_mm),), "grey_reflectance"
            ),
        )


@dataclass(frozen=True, slots=True, eq=False)
class FixingHole(Record):
    """A hole of the template that a bolt or strap goes through.

    ring : its index in the template's rings; diameter_mm : of the new hole (the narrow way of a slot);
    washer_mm : outer diameter of the washer that clamps it, None when unknown; counterbore_mm,
    counterbore_depth_mm : diameter and depth of the flat-floored sinking round it, None without one.
    The depth counts from the template's thickness; of a collar from its outside at the hole's centre.
    """

    ring: int
    diameter_mm: float
    washer_mm: float | None
    counterbore_mm: float | None = None
    counterbore_depth_mm: float | None = None

    def __post_init__(self) -> None:
        if (self.counterbore_mm is None) != (self.counterbore_depth_mm is None):
            raise ValueError("counterbore_mm: expected a diameter and a depth, got only one of them")


@dataclass(frozen=True, slots=True, eq=False)
class Insert(Record):
    """Steel in a casting, which doesn't waste: a strap, a core, a stud.

    rings : its plan outline, part frame, which may reach beyond the metal; from_mm, to_mm : heights of
    its underside and its top above the face that lies down.
    """

    rings: Rings
    from_mm: float
    to_mm: float

    def __post_init__(self) -> None:
        self._set(rings=frozen_rings(self.rings, "rings"))
        if not self.to_mm > self.from_mm:
            raise ValueError(f"to_mm: expected more than from_mm, {self.from_mm}, got {self.to_mm}")


@dataclass(frozen=True, slots=True, eq=False)
class CastForm(Record):
    """How a casting's walls and top run over its outline. None is unknown, each by itself.

    draft_deg : by how much walls lean inward from the foot; edge_radius_mm : of convex edges but the
    foot's; crown_mm : rise of the top from its shoulder inward; section_mm : (n, 2) inward distance
    from the outer ring and height, from the foot up, in place of draft and crown.
    """

    draft_deg: float | None = None
    edge_radius_mm: float | None = None
    crown_mm: float | None = None
    section_mm: Floats | None = None

    def __post_init__(self) -> None:
        if self.section_mm is not None:
            self._set(section_mm=frozen_array(self.section_mm, np.float64, (None, 2), "section_mm"))

    @property
    def known(self) -> bool:
        """Whether nothing of it is open."""
        shape = self.section_mm is not None or (self.draft_deg is not None and self.crown_mm is not None)
        return shape and self.edge_radius_mm is not None


@dataclass(frozen=True, slots=True, eq=False)
class TurnedForm(Record):
    """A body of revolution that stands on its foot, its axis through the part frame's origin.

    profile_mm : (n, 2) radius and height, from the foot up; edge_radius_mm : of convex edges but the
    foot's.
    """

    profile_mm: Floats
    edge_radius_mm: float = 0.0

    def __post_init__(self) -> None:
        self._set(profile_mm=frozen_array(self.profile_mm, np.float64, (None, 2), "profile_mm"))


@dataclass(frozen=True, slots=True)
class CollarForm(Record):
    """Half of a turned barrel on its split face, axis along x through the part frame's origin.

    Radius at x: end + (outer - end) (1 - |x / half length| ^ barrel). The bore is dry, as is the split
    face.
    """

    length_mm: float
    outer_diameter_mm: float
    end_diameter_mm: float
    barrel: float
    bore_mm: float
    edge_radius_mm: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class MeshForm(Record):
    """A closed triangle mesh, mm, z up, lying as it is photographed with its lowest point at 0.

    vertices_mm : (n, 3); faces : (m, 3) indices, anticlockwise seen from outside; source, sha256 : the
    file it came from.
    """

    vertices_mm: Floats
    faces: Any
    source: str = ""
    sha256: str = ""

    def __post_init__(self) -> None:
        self._set(
            vertices_mm=frozen_array(self.vertices_mm, np.float64, (None, 3), "vertices_mm"),
            faces=frozen_array(self.faces, np.int64, (None, 3), "faces"),
        )


Form = CastForm | TurnedForm | CollarForm | MeshForm

FORMS: dict[str, Any] = {"cast": CastForm, "turned": TurnedForm, "collar": CollarForm, "mesh": MeshForm}
"""The form that goes with each kind of solid; a plate and a rod need none."""


@dataclass(frozen=True, slots=True, eq=False)
class Template(Record):
    """A new part. Part frame, mm.

    rings : plan outline of the wasting metal and its holes; thickness_mm : full height above the face
    that lies down (a rod's diameter); mount : "flush" (the face that lies down is dry) or "open"; solid
    : "plate" (a prism), "rod" (a bar of round section lying on its side), "cast" (walls and top by the
    distance from the outline), "turned" (standing on its foot), "collar" (half a barrel on its split
    face) or "mesh"; new_mass_g : weighed mass of the new part, None when unknown; fill_factor : metal
    volume over outline area x thickness (for a rod, over its round section x length; of a casting whose
    form is known 1, for its solid says what it holds); core_depth_mm : depth under the worn face at
    which a steel core shows, None when there is none; mirror_ok : the part may lie either face up; form
    : the casting's own shape, None for a plate and a rod; inserts : steel in it. Templates compare by
    what they say, so that what is kept for one is found again for its copy in another process.
    """

    name: str
    rings: Rings
    thickness_mm: float
    mount: Mount
    solid: Solid
    alloy: Alloy
    new_mass_g: float | None
    fill_factor: float
    fixing_holes: tuple[FixingHole, ...]
    core_depth_mm: float | None
    mirror_ok: bool
    form: Form | None = None
    inserts: tuple[Insert, ...] = ()

    def __post_init__(self) -> None:
        self._set(
            rings=frozen_rings(self.rings, "rings"),
            fixing_holes=tuple(self.fixing_holes),
            inserts=tuple(self.inserts),
        )
        if not self.thickness_mm > 0:
            raise ValueError(f"thickness_mm: expected more than 0, got {self.thickness_mm}")
        if not 0 < self.fill_factor <= 1.5:
            raise ValueError(f"fill_factor: expected above 0 and at most 1.5, got {self.fill_factor}")
        wanted = FORMS.get(self.solid, type(None))
        if not isinstance(self.form, wanted):
            raise ValueError(
                f"form: expected {wanted.__name__} for solid {self.solid!r}, got {type(self.form).__name__}"
            )

    @property
    def profile_known(self) -> bool:
        """Whether the solid follows from what the template says: False for a casting known by outline
        and height alone."""
        return not isinstance(self.form, CastForm) or self.form.known

    def __hash__(self) -> int:
        return hash((self.name, self.thickness_mm, self.rings[0].tobytes()))

    def __eq__(self, other: object) -> bool:
        return self is other or (isinstance(other, Template) and _content(self) == _content(other))


def _content(value: Any) -> Any:
    """What a record says as something that compares: arrays by their shape and bytes."""
    if isinstance(value, np.ndarray):
        return value.shape, value.dtype.str, value.tobytes()
    if isinstance(value, tuple):
        return tuple(_content(v) for v in value)
    if isinstance(value, Record):
        names = (f.name for f in fields(value))  # type: ignore[arg-type]
        return type(value), *(_content(getattr(value, name)) for name in names)
    return value


# --- what a person knows -------------------------------------------------------------------------

CHECK_LINE_RANGE_MM = (80.0, 120.0)
"""What a sheet's 100 mm line may measure; beyond that it isn't this sheet, or not that line."""


@dataclass(frozen=True, slots=True, eq=False)
class ManualOutline(Record):
    """The remaining metal as a person outlined it, in place of a segmenter.

    mask : the outline in pixels of the upright photo; manual : who, when, and the SHA-256 of what was
    handed in; size_px : (width, height) of the picture that it was painted over, None where it wasn't.
    """

    mask: MetalMask
    manual: Manual
    size_px: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Given(Record):
    """What a person knows of one part and its photo. None: nobody measured it.

    weighed_g : what is left of the part, on the scales; thickness_mm : mean thickness of what is left,
    by calliper; check_line_mm : what the sheet's 100 mm lines measure, in x and in y; outline : the
    metal as outlined by hand.
    """

    weighed_g: float | None = None
    thickness_mm: float | None = None
    check_line_mm: tuple[float, float] | None = None
    outline: ManualOutline | None = None

    def __post_init__(self) -> None:
        for name in ("weighed_g", "thickness_mm"):
            value = getattr(self, name)
            if value is not None and not (np.isfinite(value) and value > 0):
                raise ValueError(f"{name}: expected a number above 0, got {value}")
        if self.check_line_mm is not None:
            x, y = self.check_line_mm
            low, high = CHECK_LINE_RANGE_MM
            if not (low <= x <= high and low <= y <= high):
                raise ValueError(
                    f"check_line_mm: expected lengths from {low:g} to {high:g} mm, got {self.check_line_mm}"
                )


# --- stage by stage ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Source(Record):
    """The untouched file: name without folders, SHA-256 as hex, length in bytes."""

    name: str
    sha256: str
    n_bytes: int


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class Photo(Record):
    """An upright photo. rgb : uint8 (H, W, 3), sRGB-like; taken : EXIF local time as ISO 8601 text;
    focal_35mm : 35 mm equivalent focal length; camera : "make model" as EXIF has it; notes : what was
    odd about the file, as sentences."""

    rgb: Bytes
    source: Source
    taken: str | None
    focal_35mm: float | None
    camera: str | None
    notes: tuple[str, ...]

    def __post_init__(self) -> None:
        if self.rgb.ndim != 3 or self.rgb.shape[2] != 3 or self.rgb.dtype != np.uint8:
            raise ValueError(f"rgb: expected uint8 (H, W, 3), got {self.rgb.dtype} {self.rgb.shape}")
        # A view, for at 48 MP the pixels are 144 MB: the caller's array stays as it is, and is given away.
        view = self.rgb.view()
        view.flags.writeable = False
        self._set(rgb=view, notes=tuple(self.notes))


@dataclass(frozen=True, slots=True, eq=False)
class CardSighting(Record):
    """The sheet as seen. points_mm (N, 2) sheet frame <-> points_px (N, 2) photo frame; point_sd_px
    (N,) one-sigma of each; n_markers : markers of this layout decoded; rejected_px : (Q, 4, 2) quads
    that looked like markers and weren't; blur_px : one-sigma spread of the printed edges; paper_level :
    light of the white paper, 0 to 1 linear; paper_clipped_frac : share of it at full light. The last
    three are None where they can't be seen."""

    layout: SheetLayout
    points_mm: Floats
    points_px: Floats
    point_sd_px: Floats
    n_markers: int
    rejected_px: Floats
    blur_px: float | None = None
    paper_level: float | None = None
    paper_clipped_frac: float | None = None

    def __post_init__(self) -> None:
        n = len(self.points_mm)
        self._set(
            points_mm=frozen_array(self.points_mm, np.float64, (n, 2), "points_mm"),
            points_px=frozen_array(self.points_px, np.float64, (n, 2), "points_px"),
            point_sd_px=frozen_array(self.point_sd_px, np.float64, (n,), "point_sd_px"),
            rejected_px=frozen_array(
                np.reshape(self.rejected_px, (-1, 4, 2)), np.float64, (None, 4, 2), "rejected_px"
            ),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Camera(Record):
    """A pinhole camera with one radial term, placed in the sheet frame.

    rotation : (3, 3) world to camera (camera x right, y down, z forward); position_mm : (3,) of the
    lens in the sheet frame; focal_px; centre_px : (2,) principal point; k1 : radial term in units of
    the half diagonal, undistorted r_u = r_d (1 + k1 r_d^2); half_diagonal_px : that unit.
    """

    rotation: Floats
    position_mm: Floats
    focal_px: float
    centre_px: Floats
    k1: float
    half_diagonal_px: float

    def __post_init__(self) -> None:
        self._set(
            rotation=frozen_array(self.rotation, np.float64, (3, 3), "rotation"),
            position_mm=frozen_array(self.position_mm, np.float64, (3,), "position_mm"),
            centre_px=frozen_array(self.centre_px, np.float64, (2,), "centre_px"),
        )


def _normal_below(z: Floats) -> Floats:
    """Probability (n,) of a standard normal below z (n,)."""
    out: Floats = np.array([0.5 * (1 + erf(v / sqrt(2))) for v in z])
    return out


@dataclass(frozen=True, slots=True)
class ScalePart:
    """One thing that the print scale may be, over the best value: a normal distribution with a weight."""

    weight: float
    """Probability, 0 to 1; all parts together make 1."""
    ratio: float
    """Mean of the true lengths over those of the best value."""
    sd_frac: float
    """One-sigma of that ratio."""


@dataclass(frozen=True, slots=True)
class PrintScale:
    """How large the sheet was printed, and how that is known."""

    x: float
    """True over nominal length along the sheet's x: 0.97 where 100 mm measure 97."""
    y: float
    """The same along y."""
    source: Literal["measured", "paper", "assumed"]
    """A ruler on the check lines; the paper's own edges; or nobody knows, and it is taken for 100 %."""
    parts: tuple[ScalePart, ...]
    """All that it may be."""
    paper: str | None
    """The standard paper whose edges are seen; None without."""
    cause: str | None
    """What went wrong in printing, in words; None where nothing did or it isn't known."""
    contradiction: str | None = None
    """What the paper says against the line that was measured; None where they agree or only one is
    known."""

    def bounds(self, coverage: float) -> tuple[float, float]:
        """Two-sided bounds of the scale, over 1, that hold the truth with this probability."""
        at = np.linspace(0.5, 2.2, 3401)
        below = np.zeros_like(at)
        for part in self.parts:
            below += part.weight * _normal_below((at - part.ratio) / part.sd_frac)
        mean = (self.x + self.y) / 2
        low, high = np.interp([(1 - coverage) / 2, (1 + coverage) / 2], below / below[-1], at)
        return float(low * mean), float(high * mean)

    @property
    def spread_frac(self) -> float:
        """One-sigma of a normal distribution with the same 90 % bounds: all that the scale may be in one
        figure."""
        low, high = self.bounds(0.9)
        return (high - low) / 2 / 1.645 / ((self.x + self.y) / 2)

    @property
    def sd_frac(self) -> float:
        """One-sigma of the likeliest part."""
        return max(self.parts, key=lambda p: p.weight).sd_frac


@dataclass(frozen=True, slots=True, eq=False)
class Plane(Record):
    """Where the camera stood over the sheet, and how sure that is.

    camera : best estimate; parameters_cov : (8, 8) covariance of (rotation vector x 3, position_mm x 3,
    log focal, k1); px_from_mm : (3, 3) homography of the sheet plane (undistorted pixels); residual_px
    : rms of the sheet's points; n_points; tilt_deg : between the optical axis and the sheet's normal;
    distance_mm : straight from the lens to the sheet's centre;
    focal_source : "exif", "sheet", "profile" or "assumed"; check_line_mm : (x, y) as measured, None where
    nobody did; scale_sd_frac : one-sigma of lengths in the plane, print scale included; printed : how
    large the sheet was printed, None where only the check line says it.
    """

    camera: Camera
    parameters_cov: Floats
    px_from_mm: Floats
    residual_px: float
    n_points: int
    tilt_deg: float
    distance_mm: float
    focal_source: str
    check_line_mm: tuple[float, float] | None
    scale_sd_frac: float
    printed: PrintScale | None = None

    def __post_init__(self) -> None:
        self._set(
            parameters_cov=frozen_array(self.parameters_cov, np.float64, (8, 8), "parameters_cov"),
            px_from_mm=frozen_array(self.px_from_mm, np.float64, (3, 3), "px_from_mm"),
        )

    @property
    def length_sd_frac(self) -> float:
        """One-sigma of lengths in the plane, with all that the print scale may be."""
        if self.printed is None:
            return self.scale_sd_frac
        fit = self.scale_sd_frac**2 - self.printed.sd_frac**2
        return float(np.sqrt(max(fit, 0.0) + self.printed.spread_frac**2))

    @property
    def print_scale(self) -> Floats:
        """(2,) printed over drawn size of the sheet in x and y: 1 where nobody knows."""
        if self.printed is not None:
            return np.array([self.printed.x, self.printed.y])
        return np.array(self.check_line_mm or (100.0, 100.0)) / 100.0


Side = Literal["left", "right", "bottom", "top"]


@dataclass(frozen=True, slots=True)
class PaperEdge:
    """One edge of the sheet's paper, as the printed pattern measures it."""

    side: Side
    """Of the pattern, as it is read."""
    offset_mm: float
    """From the pattern's centre to the edge, along the side's outward normal, at the side's middle; mm as
    printed."""
    slope: float
    """How fast the edge leaves the pattern's direction, anticlockwise along the side."""
    offset_sd_mm: float
    """One-sigma of `offset_mm`."""
    seen_frac: float
    """Share of the side along which the edge is seen, 0 to 1."""
    contrast: float
    """Difference of light between paper and ground, over the paper's."""


@dataclass(frozen=True, slots=True, eq=False)
class FlatImage(Record):
    """The sheet's plane seen from straight above: a window of it at one resolution.

    rgb : uint8 (h, w, 3) as the photo's own values; valid : bool (h, w), inside the photo; mm_per_px;
    origin_mm : (2,) sheet-frame point of the centre of pixel (0, 0); x grows with columns, y falls with
    rows. sheet : float32 (h, w), 1 on the sheet and 0 off it; print_ : float32 (h, w), the light the
    printed sheet should send back (0 ink to 1 paper), 0.5 off the sheet.
    """

    rgb: Bytes
    valid: Bools
    mm_per_px: float
    origin_mm: Floats
    sheet: Floats32
    print_: Floats32

    def __post_init__(self) -> None:
        h, w = self.rgb.shape[:2]
        self._set(
            rgb=frozen_array(self.rgb, np.uint8, (h, w, 3), "rgb"),
            valid=frozen_array(self.valid, np.bool_, (h, w), "valid"),
            origin_mm=frozen_array(self.origin_mm, np.float64, (2,), "origin_mm"),
            sheet=frozen_array(self.sheet, np.float32, (h, w), "sheet"),
            print_=frozen_array(self.print_, np.float32, (h, w), "print_"),
        )


@dataclass(frozen=True, slots=True, eq=False)
class SoftMask(Record):
    """Probability of remaining metal on a flat image's grid. metal_prob : float32 (h, w) in 0 to 1;
    mm_per_px, origin_mm : as the flat image has them; segmenter : its name; model_sha256 : None for a
    segmenter without a model; foreign_prob : float32 (h, w), what is neither the part's metal nor the
    ground, None where the segmenter can't tell; spread : float32 (h, w), by how much the probability
    differs between looks, None where only one was taken."""

    metal_prob: Floats32
    mm_per_px: float
    origin_mm: Floats
    segmenter: str
    model_sha256: str | None
    foreign_prob: Floats32 | None = None
    spread: Floats32 | None = None

    def __post_init__(self) -> None:
        h, w = self.metal_prob.shape[:2]
        self._set(
            metal_prob=frozen_array(self.metal_prob, np.float32, (h, w), "metal_prob"),
            origin_mm=frozen_array(self.origin_mm, np.float64, (2,), "origin_mm"),
        )
        if self.foreign_prob is not None:
            self._set(foreign_prob=frozen_array(self.foreign_prob, np.float32, (h, w), "foreign_prob"))
        if self.spread is not None:
            self._set(spread=frozen_array(self.spread, np.float32, (h, w), "spread"))


@dataclass(frozen=True, slots=True, eq=False)
class MetalMask(Record):
    """The edge of the remaining metal as the camera sees it, to a fraction of a pixel.

    pieces_px : tuple of polygons, largest first, each a tuple of rings in photo pixels (as recorded,
    lens distortion included); edge_sd_mm : one-sigma of where the edge lies along its normal, common to
    the whole outline (a bias), mm; touches_border : the part runs out of the photo; segmenter,
    model_sha256 : who found it ("manual" for a handed outline); notes : what was done to it, as
    sentences; fouled_mm : length along the edge of each place where fouling stands proud of the metal
    and was left off, mm.
    """

    pieces_px: tuple[Rings, ...]
    edge_sd_mm: float
    touches_border: bool
    segmenter: str
    model_sha256: str | None
    notes: tuple[str, ...]
    fouled_mm: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if not self.pieces_px:
            raise ValueError("pieces_px: expected at least one piece, got none")
        self._set(
            pieces_px=tuple(frozen_rings(p, f"pieces_px[{i}]") for i, p in enumerate(self.pieces_px)),
            notes=tuple(self.notes),
            fouled_mm=tuple(self.fouled_mm),
        )


@dataclass(frozen=True, slots=True)
class FormRead(Record):
    """What a silhouette says if the casting has one form of those that its template allows: area_share
    and mass_share of the new part that are left; weight : how likely the form is, of a sum of 1."""

    form: Form
    weight: float
    area_share: float
    mass_share: float


@dataclass(frozen=True, slots=True, eq=False)
class Placement(Record):
    """The template laid where the part lies, and the plan outline that the mask stands for.

    sheet_from_part : rigid motion of part mm to sheet mm (a reflection when mirrored); plan_mm :
    tuple of polygons (part frame), the worn part's plan outline with the height of its edge taken out;
    limb_height_mm : as plan_mm, (n,) a ring, the height above the sheet at which the camera saw each
    point; remaining_thickness_mm, thickness_sd_mm : what the silhouette says of it; residual_mm : rms
    of unworn anchors (holes), None without; anchored_by : what the pose was settled by;
    ambiguous : other poses fit alike; hole_pitch_scale : measured over template pitch, None without two
    holes. outside_frac : share of the template's area by which the worn outline sticks out of it;
    fit_cost : how unevenly the outline lies inside it (no unit, about 1 for a true fit).
    """

    template: Template
    sheet_from_part: Motion
    plan_mm: tuple[Rings, ...]
    limb_height_mm: tuple[tuple[Floats, ...], ...]
    remaining_thickness_mm: float
    thickness_sd_mm: float
    anchored_by: Literal["holes", "outline"]
    ambiguous: bool
    hole_pitch_scale: float | None
    hole_pitch_scale_sd: float | None
    residual_mm: float | None
    outside_frac: float
    fit_cost: float
    hidden_rings: tuple[int, ...]
    filled_mm2: float = 0.0
    steel_shows_mm2: float = 0.0
    forms: tuple[FormRead, ...] = ()

    def __post_init__(self) -> None:
        self._set(
            plan_mm=tuple(frozen_rings(p, f"plan_mm[{i}]") for i, p in enumerate(self.plan_mm)),
            hidden_rings=tuple(self.hidden_rings),
            forms=tuple(self.forms),
        )
        if [len(p) for p in self.limb_height_mm] != [len(p) for p in self.plan_mm]:
            raise ValueError("limb_height_mm: expected heights for each ring of plan_mm")
        self._set(
            limb_height_mm=tuple(
                tuple(
                    frozen_array(h, np.float64, (len(r),), f"limb_height_mm[{i}][{j}]")
                    for j, (h, r) in enumerate(zip(heights, piece, strict=True))
                )
                for i, (heights, piece) in enumerate(zip(self.limb_height_mm, self.plan_mm, strict=True))
            )
        )


@dataclass(frozen=True, slots=True)
class Wear:
    """Everything measured of one part, before it is held against a limit."""

    consumed: Consumed
    area: AreaFigures
    mass: MassFigures
    recession_mm: RecessionFigures
    holes: tuple[HoleFinding, ...]
    pieces_lost: int
    core_shows: bool
    no_measurable_wear: bool
    remaining_thickness_mm: Interval
    budget: dict[str, float]

    def __post_init__(self) -> None:
        for name, interval in (
            ("consumed.area_pct", self.consumed.area_pct),
            ("consumed.mass_pct", self.consumed.mass_pct),
            ("mass.remaining_g", self.mass.remaining_g),
            ("remaining_thickness_mm", self.remaining_thickness_mm),
        ):
            if not interval.low <= interval.value <= interval.high:
                raise ValueError(f"{name}: expected low, value and high in this order, got {interval}")
