"""What the book holds, as frozen records: what `store` writes and reads, and what the reckoning (rates,
warnings, orders) is done on.

Dates are calendar dates. A part's life at a position is a `Fitting`: a new part begins a new one. Time
in the water runs from a launch to the next haul-out.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

from anodewane.record import Interval

Water = Literal["salt", "brackish", "fresh"]


@dataclass(frozen=True, slots=True)
class Boat:
    """A boat; its name is its key in the book. water : where it lies most of the time, None
    when nobody said."""

    name: str
    water: Water | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True)
class Position:
    """Where a part sits on a boat: "shaft port". pair : positions of a boat with the same word here
    should wear alike, None stands alone. fixings : what fastens the part, for the order list ("2 x M10
    bolt with washer")."""

    boat: str
    name: str
    pair: str | None = None
    fixings: str | None = None


@dataclass(frozen=True, slots=True)
class Fitting:
    """One part at one position, from the day it was fitted to the day it was taken off (None: it still
    sits there). new_mass_g : as weighed before fitting, None when it wasn't."""

    boat: str
    position: str
    template: str
    alloy: str
    fitted_on: date
    removed_on: date | None = None
    new_mass_g: float | None = None


@dataclass(frozen=True, slots=True)
class HaulOut:
    """A boat out of the water. launched_on : when it went back, None while it stands ashore."""

    boat: str
    hauled_on: date
    launched_on: date | None = None


@dataclass(frozen=True, slots=True)
class Reading:
    """What one haul-out says of one fitted part. kind : "wear", or "refit" for the baseline photo of
    a part newly fitted. consumed_pct : mass, None when it couldn't be judged. verdict : as the photo
    alone gave it. weighed_g : remaining mass on the scales, None without. record_sha256 : of the
    record's JSON, which the book keeps; photo_sha256 : of the photo it judged. reasons : codes of
    the record's reasons, in its order; budget : the record's budget, one-sigma by cause in points
    (empty: all doubt is taken as common to every reading of the part, the cautious way); seen_pct :
    where the part was weighed, the mass consumed as the photo alone says (`calibrate.seen_alone`),
    None otherwise."""

    boat: str
    position: str
    hauled_on: date
    kind: Literal["wear", "refit"]
    template: str
    status: Literal["judged", "cannot_judge"]
    verdict: Literal["replace", "monitor", "ok"] | None
    consumed_pct: Interval | None
    area_pct: Interval | None
    coverage: float | None
    new_g: float | None
    remaining_g: Interval | None
    weighed_g: float | None
    photo_sha256: str
    record_sha256: str
    reasons: tuple[str, ...] = ()
    budget: tuple[tuple[str, float], ...] = ()
    seen_pct: Interval | None = None


@dataclass(frozen=True, slots=True)
class BoatEntries:
    """Everything that the book holds of one boat, each in any order: what the reckoning takes."""

    boat: Boat
    positions: tuple[Position, ...]
    fittings: tuple[Fitting, ...]
    haul_outs: tuple[HaulOut, ...]
    readings: tuple[Reading, ...]
