"""What a batch would do: which files are photos, where each belongs, which are the same, and what is left out and why. Frozen records; nothing is judged here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

PlacedBy = Literal["csv", "label", "folder"]
SkipReason = Literal[
    "dot_file", "apple_double", "system_file", "video_of_photo", "video", "photo_list", "same_shot", "not_a_photo", "broken_link", "link_loop", "output", "unreadable"
]


@dataclass(frozen=True, slots=True)
class Placing:
    """A boat and a position as one source says them; None where it says nothing. by : that source."""

    boat: str | None
    position: str | None
    by: PlacedBy


@dataclass(frozen=True, slots=True)
class PlannedPhoto:
    """One photo to judge.

    name : relative, "/" between folders, as the file system has it (undecodable bytes as lone surrogates); shown : the same fit for print and for output names.
    sha256 : of its content, None where nothing else can be equal to it and the judge will hash it anyway.
    placings : what each source says, strongest first: CSV before folder (a label on the sheet comes between them once the photo was read).
    template : name or file as the CSV gives it, None for the run's own.
    duplicate_of : `name` of the first photo with the same content and the same template, weight and so on; it is judged there and shown here.
    """

    name: str
    shown: str
    size_bytes: int
    stamp: str | None
    sha256: str | None
    placings: tuple[Placing, ...]
    template: str | None
    weighed_g: float | None
    thickness_mm: float | None
    duplicate_of: str | None


@dataclass(frozen=True, slots=True)
class Skipped:
    """A file or folder that isn't judged. shown : its name; detail : more, such as the photo whose live video it is."""

    shown: str
    reason: SkipReason
    detail: str


@dataclass(frozen=True, slots=True)
class Plan:
    """Photos in order of their names; what is left out; what should be told (contradictions, rows of the list that name no file)."""

    photos: tuple[PlannedPhoto, ...]
    skipped: tuple[Skipped, ...]
    notes: tuple[str, ...]
