"""Which boat and position a photo belongs to: as a list says, as the label on the sheet says, as its
folders say; the first that speaks is believed, and a contradiction told.

Folders: BOAT/POSITION/photo.jpg or BOAT/position-name.jpg, counted from the top after folders that are
mere dates ("2026", "2026-10-14") or a camera's own. A photo's own name is a position unless a camera or
messenger gave it ("IMG_1234").
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import Literal

from anodewane.batch.place import shown_name
from anodewane.errors import UsageError

PlacedBy = Literal["csv", "label", "folder"]

NO_BOAT_FOLDER = re.compile(r"(19|20)\d\d([\s._-]?\d{1,4})*|dcim|\d{3}[a-z0-9_]{5}", re.IGNORECASE)
"""A year or date, or a camera's own folder (DCF, JEITA CP-3461: "DCIM", and three digits with
five letters)."""
CAMERA_FOLDER = re.compile(r"dcim|\d{3}[a-z_][a-z0-9_]{4}", re.IGNORECASE)
"""Of those a camera's own, which it begins anew whenever one is full."""
CAMERA_NAME = re.compile(r"[a-z]{1,5}[ _-]?[a-z]?\d{4}.*", re.IGNORECASE)
"""IMG_1234, DSC01234, P1010001 (DCF's four letters and four digits, and their like)."""
EMPTY_WORDS = frozenset(
    (
        "img",
        "dsc",
        "image",
        "photo",
        "picture",
        "pic",
        "foto",
        "bild",
        "scan",
        "screenshot",
        "untitled",
        "unnamed",
        "burst",
    )
)
"""Names that say nothing, with or without a number behind them."""
TIMESTAMP_DIGITS = 6
"""So many digits in a name are a date or a serial number."""
UUID = re.compile(
    r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}|[0-9a-f]{24,}", re.IGNORECASE
)


@dataclass(frozen=True, slots=True)
class Placing:
    """A boat and a position as one source says them; None where it says nothing. by : that source."""

    boat: str | None
    position: str | None
    by: PlacedBy


@dataclass(frozen=True, slots=True)
class Settled:
    """What is believed. placed_by : the sources of boat and position, None where neither is known;
    contradictions : in words."""

    boat: str | None
    position: str | None
    placed_by: str | None
    contradictions: tuple[str, ...]


def settle(placings: tuple[Placing, ...]) -> Settled:
    """Believe the first source that speaks, for boat and position each."""
    believed: dict[str, tuple[str, PlacedBy]] = {}
    told = []
    for placing in placings:
        for what in ("boat", "position"):
            value: str | None = getattr(placing, what)
            if value is None:
                continue
            if what not in believed:
                believed[what] = (value, placing.by)
            elif value.casefold() != believed[what][0].casefold():
                told.append(
                    f"{what} '{believed[what][0]}' by {SOURCES[believed[what][1]]}, '{value}' by "
                    f"{SOURCES[placing.by]}"
                )
    by = dict.fromkeys(b for _, b in believed.values())
    return Settled(
        believed["boat"][0] if "boat" in believed else None,
        believed["position"][0] if "position" in believed else None,
        " and ".join(by) or None,
        tuple(told),
    )


SOURCES = {"csv": "photos.csv", "label": "the label on the sheet", "folder": "its folder"}


def parse_levels(text: str) -> tuple[str, ...]:
    """Read what the folders stand for from the top: "boat/position", "-/boat".

    Raises
    ------
    UsageError
    """
    levels = tuple(part.strip().casefold() for part in text.strip("/").split("/"))
    known = [part for part in levels if part != "-"]
    if not known or not set(known) <= {"boat", "position"} or len(set(known)) != len(known):
        raise UsageError(
            f"'{text}' doesn't say what the folders stand for.",
            "Name them from the top, such as boat/position, or -/boat where the topmost means nothing.",
        )
    return levels


def placing_by_folders(name: str, levels: tuple[str, ...] | None = None) -> Placing:
    """Read boat and position off a photo's name in its place; `levels` of None is the rule above."""
    *folders, file = (_clean(part) for part in shown_name(name).split("/"))
    if levels is None:
        while folders and NO_BOAT_FOLDER.fullmatch(folders[0]):
            folders.pop(0)
        levels = ("boat", "position")
    said = {what: folder or None for what, folder in zip(levels, folders, strict=False) if what != "-"}
    if "position" not in said and len(folders) <= len([w for w in levels if w != "position"]):
        said["position"] = _position_of_file(file)
    return Placing(said.get("boat"), said.get("position"), "folder")


def set_apart_by(name: str, levels: tuple[str, ...] | None = None) -> tuple[str, ...]:
    """Folders that set photos of one boat and position apart: dates, levels that mean nothing, and
    whatever lies below the position, but for a camera's own."""
    *folders, _ = (_clean(part) for part in shown_name(name).split("/"))
    apart = []
    if levels is None:
        while folders and NO_BOAT_FOLDER.fullmatch(folders[0]):
            apart.append(folders.pop(0))
        levels = ("boat", "position")
    apart += [folder for folder, what in zip(folders, levels, strict=False) if what == "-"] + folders[
        len(levels) :
    ]
    return tuple(f.casefold() for f in apart if not CAMERA_FOLDER.fullmatch(f))


def _clean(text: str) -> str:
    return " ".join(unicodedata.normalize("NFC", text).split())


def _position_of_file(file: str) -> str | None:
    """A file's name as a position: without ending and copy number, hyphens and underscores as spaces;
    None for a name that a camera gave."""
    stem = file.rsplit(".", 1)[0]
    letters = "".join(c for c in stem.casefold() if c.isalpha())
    digits = sum(c.isdigit() for c in stem)
    if (
        not letters
        or letters in EMPTY_WORDS
        or digits >= TIMESTAMP_DIGITS
        or CAMERA_NAME.fullmatch(stem)
        or UUID.fullmatch(stem)
    ):
        return None
    stem = re.sub(r"\s*\(\d+\)$", "", stem)
    return _clean(re.sub(r"[_-]+", " ", stem)) or None
