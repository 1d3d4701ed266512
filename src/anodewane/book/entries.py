"""What the book holds, as frozen records: what `Book` writes and reads, and what rates, warnings and
orders are computed from.

Dates are calendar dates. A part's life at a position is a `Fitting`: a new part begins a new one. Time
in the water runs from a launch to the next haul-out.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from enum import Enum
from typing import Any, Final, Literal

from anodewane.record import Interval

Water = Literal["salt", "brackish", "fresh"]
Kind = Literal["wear", "refit"]


class Unchanged(Enum):
    """The type of `UNCHANGED`."""

    UNCHANGED = "unchanged"


UNCHANGED: Final = Unchanged.UNCHANGED
"""In a correction: leave this as it is. None clears it."""


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
    status: Literal["judged", "measured", "cannot_judge"]
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
    """Everything that the book holds of one boat, each in any order: what states are computed from."""

    boat: Boat
    positions: tuple[Position, ...]
    fittings: tuple[Fitting, ...]
    haul_outs: tuple[HaulOut, ...]
    readings: tuple[Reading, ...]


@dataclass(frozen=True, slots=True)
class NewJudgement:
    """A judgement to be kept. record : the record's JSON, byte for byte; judged_at : UTC; judged_by : a
    person, where one handed the outline in."""

    boat: str
    position: str
    hauled_on: date
    record: bytes
    judged_at: datetime
    kind: Kind = "wear"
    judged_by: str | None = None


@dataclass(frozen=True, slots=True)
class Judgement:
    """A judgement in the book, with its evidence. id : its number in the book; reading : what it says;
    mass_method : what the mass rests on; counts : whether it is the one that stands for its part at
    this haul-out; withdrawn : why it was taken back, None where it wasn't."""

    id: int
    reading: Reading
    photo_name: str
    judged_at: str
    judged_by: str | None
    recorded_at: str
    mass_method: str | None
    counts: bool
    withdrawn: str | None


@dataclass(frozen=True, slots=True)
class Weight:
    """What was left of a part, on the scales. id : its number in the book; withdrawn : why it was taken
    back, None where it wasn't. The last one of a part and haul-out that wasn't withdrawn counts."""

    id: int
    boat: str
    position: str
    hauled_on: date
    mass_g: float
    by: str | None
    note: str | None
    at: str
    withdrawn: str | None


@dataclass(frozen=True, slots=True)
class Overrule:
    """A person's own verdict over a part at a haul-out, beside the photo's; the last one counts.
    verdict : None takes an earlier one back; judgement : number of the one that was overruled, None where
    there was none; stands : that one still counts, so that no later photo speaks against it."""

    boat: str
    position: str
    hauled_on: date
    verdict: Literal["replace", "monitor", "ok"] | None
    why: str
    by: str
    at: str
    judgement: int | None
    stands: bool


@dataclass(frozen=True, slots=True)
class Accept:
    """Somebody stands by a judgement as it is. judgement : its number; record_sha256 : the record that
    was seen; at : UTC."""

    judgement: int
    boat: str
    position: str
    hauled_on: date
    record_sha256: str
    by: str
    at: str


@dataclass(frozen=True, slots=True)
class Change:
    """A row that was changed or taken out. what : its table; before, after : its columns, after None
    where it was taken out."""

    at: str
    what: str
    before: dict[str, Any]
    after: dict[str, Any] | None
    why: str | None
    by: str | None


@dataclass(frozen=True, slots=True)
class RecordCounts:
    """What a call added: judgements that are new, and those that the book had already."""

    new: int
    known: int
