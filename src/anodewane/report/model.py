"""What a report is made of, and what it is: records in, its final words and drawings out, frozen.

Every text of the pages is in the report's language; text from outside has been made harmless by
`texts.clean`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

from anodewane.errors import UsageError
from anodewane.record import Grade, Interval, Reason, Verdict
from anodewane.records import Template
from anodewane.report.pictures import FlatPicture, Picture
from anodewane.report.texts import Catalogue
from anodewane.show.svg import Drawing

Paper = Literal["a4", "letter"]
PhotoState = Literal["shown", "missing", "changed", "unreadable"]
Rows = tuple[tuple[str, str], ...]

SHORT = 80
"""Characters of a name in a heading or table; the part's page has all of it."""

# --- what goes in --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Finding:
    """What the signer found at a position. It changes no record; in a report it stands over the verdict."""

    position: str
    verdict: Grade
    by: str
    why: str
    when: str | None = None
    """A date as given."""

    def __post_init__(self) -> None:
        if self.verdict not in ("replace", "monitor", "ok"):
            raise UsageError(
                f"A finding is replace, monitor or ok, not '{self.verdict}'.", "Write it as POSITION=replace."
            )
        if not self.by.strip() or not self.why.strip():
            raise UsageError(
                f"The finding for '{self.position}' lacks who found it or why.",
                "Give --by and --why with it.",
            )


@dataclass(frozen=True, slots=True)
class Earlier:
    """An earlier look at the same position, from the season's book."""

    date: str
    kind: Literal["judged", "cannot_judge", "refit", "weighed"]
    verdict: Grade | None = None
    consumed_pct: Interval | None = None
    mass_g: float | None = None


@dataclass(frozen=True, slots=True)
class EarlierPhoto:
    """The photo of a position at the haul-out before."""

    date: str
    """Of that haul-out, ISO 8601."""
    name: str
    sha256: str


@dataclass(frozen=True, slots=True)
class BookSays:
    """What the season's book adds to a photo."""

    verdict: Grade | None
    """Where it raises the photo's because the part won't last; None else."""
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True, eq=False)
class PartInput:
    """One part as it goes into a report."""

    position: str
    verdict: Verdict
    """Its record."""
    record_sha256: str
    """Of the record's bytes."""
    template: Template | None = None
    """The new part; None where it isn't at hand."""
    photo: Picture | None = None
    """The photo that was judged, made small; None where there is none to show."""
    flat: FlatPicture | None = None
    """The same, seen from straight above."""
    views: tuple[Picture | None, ...] = ()
    """Of several photos judged together, as `pictures.view_pictures` gives them."""
    thickness_map: Picture | None = None
    photo_state: PhotoState = "missing"
    photo_why: str | None = None
    """Why the photo can't be read."""
    photo_size_px: tuple[int, int] | None = None
    photo_taken: str | None = None
    """As the photo's file says."""
    note: str | None = None
    history: tuple[Earlier, ...] = ()
    book: BookSays | None = None
    before: tuple[str, Picture] | None = None
    """Day of the haul-out before and the part's photo then, where that is at hand."""


@dataclass(frozen=True, slots=True)
class Standing:
    """The verdict that stands for a part: the signer's over the book's over the photo's."""

    grade: str
    """A key of `show.marks.MARKS`."""
    by: Literal["signer", "book", "photo"]


@dataclass(frozen=True, slots=True)
class Cover:
    """What the cover says besides the parts; None is not stated."""

    title: str | None = None
    boat: str | None = None
    hauled: str | None = None
    """Day on which the boat came out of the water, as given."""
    dated: str | None = None
    """Day of the report, as given."""
    number: str | None = None
    """The report's own number."""
    client: str | None = None
    """For whom it was written."""
    firm: str | None = None
    """The surveyor's or yard's."""
    signer: str | None = None
    """Who signs, as it is to be printed under the signature."""
    port: str | None = None
    """Where the boat was looked at."""
    vessel: str | None = None
    """The vessel's particulars: type, length, year, registration."""
    scope: str | None = None
    """What was to be looked at, and what not."""


# --- what comes out ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class GlanceRow:
    """A line of the one-look table."""

    anchor: str
    """Of the part's page."""
    number: int
    position: str
    grade: str | None
    """Of the verdict that stands: the signer's over the book's over the photo's. None for a refusal."""
    verdict: str
    others: str | None
    """Whose it is where it isn't the photo's, and what the others say."""
    consumed: str
    to_do: str
    """By the verdict that stands."""


@dataclass(frozen=True, slots=True)
class ReasonText:
    """A reason: sentence, remedy, and in a translation the record's own words."""

    message: str
    remedy: str | None
    own_words: str | None


@dataclass(frozen=True, slots=True)
class FindingText:
    """A signer's finding in words."""

    lines: tuple[str, ...]
    why: str


@dataclass(frozen=True, slots=True)
class ViewShown:
    """One of several photos with the fitted solid in it, or the thickness map, and the words below it."""

    picture: Picture
    alt: str
    caption: str


@dataclass(frozen=True, slots=True, eq=False)
class PartPage:
    """A part's page."""

    anchor: str
    heading: str
    position: str
    grade: str | None
    verdict: str
    others: str | None
    headline: str
    to_do: str
    sign: Drawing
    gauge: Drawing | None
    photo: Picture | None
    photo_title: str
    photo_alt: str
    photo_note: str | None
    overlay: Drawing | None
    overlay_title: str
    overlay_note: str
    profile: Drawing | None
    profile_title: str
    profile_note: str | None
    drawing: Drawing | None
    drawing_title: str
    drawing_note: str | None
    views: tuple[ViewShown, ...]
    views_note: str | None
    figures: Rows
    more: Rows
    reasons: tuple[ReasonText, ...]
    sure_text: str
    sure_more: str | None
    budget: Drawing | None
    budget_rows: Rows
    findings: tuple[FindingText, ...]
    note: str | None
    history: Rows
    before: ViewShown | None
    book: tuple[ReasonText, ...]
    book_verdict: str | None
    doubts: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class HashBlock:
    """The hashes of one part."""

    heading: str
    rows: Rows


@dataclass(frozen=True, slots=True, eq=False)
class Report:
    """All of a report."""

    language: str
    paper: Paper
    title: str
    footer: str
    """Boat, date and number, for the foot of every page."""
    facts: Rows
    scope: str | None
    counts: str
    actions: tuple[str, ...]
    """What is to be done, worst first, with the positions and the parts that it takes."""
    glance_note: str
    glance: tuple[GlanceRow, ...]
    attention: tuple[str, ...]
    """What to know before relying on it, or that there is nothing."""
    looks_wrong: bool
    season: Drawing | None
    """Wear by season of the boat, from the season's book."""
    signature: Rows
    """What stands by the lines to be filled in by hand: empty where it isn't known."""
    parts: tuple[PartPage, ...]
    hashes: tuple[HashBlock, ...]
    catalogue: Catalogue
    date_iso: str | None
    """For the PDF's own date."""
    signs: dict[str, Drawing] = field(default_factory=dict)

    def say(self, key: str, **figures: Any) -> str:
        return self.catalogue.say(key, **figures)
