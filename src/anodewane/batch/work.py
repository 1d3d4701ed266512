"""What is done with one photo: a pure function of a small item and the run's configuration, to run in any process on any machine."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from typing import Any, Literal

from anodewane.batch.place import Place
from anodewane.catalog.lens import LensProfile
from anodewane.records import Template
from anodewane.settings import Settings

State = Literal["judged", "cannot_judge", "unreadable", "crashed", "fault"]
"""unreadable : the file isn't a photo that can be read, or couldn't be fetched; crashed : the worker died over it; fault : a mistake of ours, told in the reason."""


@dataclass(frozen=True, slots=True)
class Item:
    """One photo to judge. name : in the source; out_name : what its outputs are called after; template : key into `RunConfig.templates`, None lets the judge choose.
    digest : of everything besides the photo that decides the result."""

    name: str
    out_name: str
    template: str | None
    weighed_g: float | None
    thickness_mm: float | None
    digest: str
    stamp: str | None = None


@dataclass(frozen=True, slots=True)
class RunConfig:
    """What all photos of a run share; pickled to the workers."""

    source: Place
    out: Place
    settings: Settings
    segmenter: str
    templates: dict[str, Template]
    profile: LensProfile | None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one photo: small and plain, one line of the ledger. None is unknown.

    final : whether running it again would give the same, so that a later run needn't. files : outputs by name with their size in bytes.
    """

    name: str
    out_name: str
    digest: str
    status: State
    final: bool
    photo_sha256: str | None = None
    stamp: str | None = None
    size_bytes: int | None = None
    verdict: Literal["replace", "monitor", "ok"] | None = None
    consumed_pct: float | None = None
    consumed_low_pct: float | None = None
    consumed_high_pct: float | None = None
    coverage: float | None = None
    area_pct: float | None = None
    template: str | None = None
    template_chosen: bool | None = None
    alloy: str | None = None
    taken: str | None = None
    label_boat: str | None = None
    label_position: str | None = None
    reasons: tuple[tuple[str, str, str | None], ...] = ()
    files: tuple[tuple[str, int], ...] = ()
    record_sha256: str | None = None
    seconds: float = 0.0


def outcome_to_plain(outcome: Outcome) -> dict[str, Any]:
    """As dicts, lists and text, for the ledger."""
    return asdict(outcome)


def outcome_from_plain(plain: dict[str, Any]) -> Outcome:
    """Read one back; keys that this version doesn't know are passed over. TypeError or ValueError when it isn't one."""
    known = {f.name for f in fields(Outcome)}
    values = {k: v for k, v in plain.items() if k in known}
    values["reasons"] = tuple((str(c), str(m), r if r is None else str(r)) for c, m, r in values.get("reasons", ()))
    values["files"] = tuple((str(n), int(s)) for n, s in values.get("files", ()))
    return Outcome(**values)


def record_name(out_name: str) -> str:
    """The record of the photo `out_name`: the photo's own ending is kept, so that a.jpg and a.heic get records of their own."""
    return f"{out_name}.json"


def overlay_name(out_name: str) -> str:
    """The picture of the judgement."""
    return f"{out_name}.overlay.jpg"


def thumbnail_name(out_name: str) -> str:
    """The small picture for the contact sheet."""
    return f"thumbnails/{out_name}.jpg"


def judge_item(item: Item, config: RunConfig) -> Outcome:
    """Judge one photo and write its record, overlay and thumbnail.

    Returns
    -------
    Outcome
        Also for a photo that can't be read, and for a fault of ours: a bad photo is a row, not a stop.

    Raises
    ------
    OutputNotWritable, ModelError
        What would befall every other photo too.
    """
    raise NotImplementedError
