"""What a report is asked to be, and the way from there to its pages: records from files, a batch's
results or the season's book; photos; findings."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import lru_cache
from pathlib import Path, PurePosixPath
from typing import Any

from anodewane.errors import AnodewaneError, InputUnreadable, UsageError
from anodewane.files import read_bytes
from anodewane.records import Template
from anodewane.report.gather import (
    Photos,
    RecordFile,
    Templates,
    earlier_photo,
    gather,
    more_photos,
    parse_record,
    read_record,
)
from anodewane.report.model import BookSays, Cover, Earlier, EarlierPhoto, Finding, Paper, PartInput, Report
from anodewane.report.texts import load_catalogue, same_name
from anodewane.report.write import make_report
from anodewane.show.svg import Drawing

SUMMARY = "summary.jsonl"
TEMPLATES = "templates"
"""Folder of a batch's results with the templates that the library doesn't have."""
"""What `anodewane batch` leaves in its output folder."""

MAX_ROWS = 5000
"""Parts of one report; a larger batch is reported boat by boat."""


@dataclass(frozen=True, slots=True)
class Sources:
    """What there is to report on, and what its source knows besides."""

    records: tuple[RecordFile, ...]
    """In order."""
    folders: tuple[Path, ...]
    """In which their photos are looked for."""
    left_out: tuple[str, ...] = ()
    """What was to be reported but has no record."""
    boat: str | None = None
    hauled: str | None = None
    findings: tuple[Finding, ...] = ()
    """A person's own, such as overrules in the book."""
    templates: tuple[Template, ...] = ()
    season: Drawing | None = None
    """The boat's wear by season."""


@dataclass(frozen=True, slots=True)
class Choices:
    """How the report is to look and what the signer adds."""

    cover: Cover = field(default_factory=Cover)
    findings: tuple[Finding, ...] = ()
    language: str = "en"
    paper: Paper = "a4"
    photos: tuple[Path, ...] = ()
    template_files: tuple[Path, ...] = ()


def read_sources(paths: Sequence[Path], boat: str | None = None) -> Sources:
    """Read record files, and folders that `anodewane batch` wrote.

    Parameters
    ----------
    boat : str, optional
        Of a batch, only this boat's rows.

    Raises
    ------
    InputUnreadable
        A record that can't be read: a report leaves none out.
    UsageError
        A folder that isn't a batch's, or a boat that isn't in it.
    """
    records: list[RecordFile] = []
    folders: list[Path] = []
    left_out: list[str] = []
    boats: set[str] = set()
    for path in paths:
        if path.is_dir():
            batch = read_batch(path, boat)
            records += batch.records
            folders += batch.folders
            left_out += batch.left_out
            boats |= {batch.boat} if batch.boat else set()
        else:
            records.append(read_record(path))
            folders.append(path.parent)
            label = records[-1].verdict.label
            boats |= {label.boat} if label and label.boat else set()
    if not records:
        raise UsageError(
            "There is no record to report on.",
            "Name records that 'anodewane judge --out' wrote, or the results folder of 'anodewane batch'.",
        )
    return Sources(
        _told_apart(records),
        tuple(dict.fromkeys(folders)),
        tuple(left_out),
        boats.pop() if len(boats) == 1 else boat,
    )


def _told_apart(records: Sequence[RecordFile]) -> tuple[RecordFile, ...]:
    """Several photos of one position, as a label on the sheet or a batch's folder gives it, get the
    photo's name behind it, and a number where that is the same too."""
    out: list[RecordFile] = []
    for r in records:
        twins = [o for o in records if same_name(o.position, r.position)]
        position = r.position if len(twins) == 1 else f"{r.position}, {r.verdict.photo.name}"
        same = sum(same_name(o.position, position) for o in out)
        while same and any(same_name(o.position, f"{position} ({same + 1})") for o in out):
            same += 1
        out.append(replace(r, position=f"{position} ({same + 1})" if same else position))
    return tuple(out)


def read_batch(folder: Path, boat: str | None = None) -> Sources:
    """Read a batch's results. Rows that have no record are named in `left_out`.

    Raises
    ------
    InputUnreadable, UsageError
    """
    if not (folder / SUMMARY).is_file():
        raise UsageError(
            f"The folder '{folder.name}' holds no {SUMMARY}, so it isn't the results of a batch.",
            "Name the records themselves, or the folder that 'batch --out' wrote.",
        )
    rows = []
    for number, line in enumerate(
        read_bytes(folder / SUMMARY, "summary").decode("utf-8", "replace").splitlines(), start=1
    ):
        if not line.strip():
            continue
        try:
            row = json.loads(line)
            rows.append(
                {
                    k: _text(row.get(k))
                    for k in ("path", "boat", "position", "record", "status", "photo_sha256")
                }
            )
        except (ValueError, AttributeError, RecursionError) as e:
            raise InputUnreadable(
                f"Line {number} of '{SUMMARY}' isn't a row of a batch.",
                "Run the batch again: it writes the summary anew.",
            ) from e
    if boat is not None:
        own = [r for r in rows if r["boat"] and same_name(r["boat"], boat)]
        if not own:
            known = ", ".join(sorted({r["boat"] for r in rows if r["boat"]}))
            raise UsageError(f"The batch has no boat '{boat}'.", f"It has {known or 'no boats at all'}.")
        rows = own
    if len(rows) > MAX_ROWS:
        raise UsageError(
            f"The batch has {len(rows)} rows; a report takes {MAX_ROWS}.", "Name one boat with --boat."
        )
    boats = {r["boat"] for r in rows if r["boat"]}
    records, left_out = [], []
    for row in rows:
        place = row["position"] or PurePosixPath(row["path"] or "photo").stem
        if len(boats) > 1 or (boats and not row["boat"]):
            place = f"{row['boat'] or '?'}, {place}"
        if not row["record"]:
            left_out.append(f"{place}: {row['path'] or '?'} ({row['status'] or '?'})")
            continue
        name = PurePosixPath(row["record"])
        if name.is_absolute() or ".." in name.parts or "\\" in row["record"] or "\0" in row["record"]:
            raise InputUnreadable(
                f"The batch names a record outside its folder: '{row['record']}'.",
                "Run the batch again: it writes the summary anew.",
            )
        data = read_bytes(folder / name, "record")
        records.append(RecordFile(name.name, data, parse_record(data, name.name), place))
    return Sources(
        tuple(records),
        (folder,),
        tuple(left_out),
        boats.pop() if len(boats) == 1 else None,
        templates=_kept_templates(folder),
    )


def _kept_templates(folder: Path) -> tuple[Template, ...]:
    """Templates that a batch put beside its results. One that can't be read is as one that isn't there."""
    from anodewane.catalog.templates import template_from_toml

    found = []
    for file in sorted((folder / TEMPLATES).glob("*.toml"))[:MAX_ROWS]:
        with contextlib.suppress(AnodewaneError, ValueError):
            found.append(template_from_toml(read_bytes(file, "template").decode("utf-8")))
    return tuple(found)


def _text(value: Any) -> str:
    return value if isinstance(value, str) else ""


def placed(sources: Sources, names: Sequence[str], notes: Sequence[str] = ()) -> Sources:
    """Give records their positions ("rudder.json=rudder, port") and positions their notes
    ("rudder, port=...").

    Raises
    ------
    UsageError
        A record or position that isn't there, or two records at one position.
    """
    records = list(sources.records)
    for text in names:
        fits = [
            (len(n), i)
            for i, r in enumerate(records)
            for n in (r.name, Path(r.name).stem, r.verdict.photo.name)
            if text.startswith(f"{n}=")
        ]
        if not fits:
            raise UsageError(
                f"--position '{text}' names no record of this report.",
                f"Write RECORD=POSITION; the records are {', '.join(r.name for r in records[:20])}.",
            )
        taken, i = max(fits)
        position = text[taken + 1 :]
        if not position.strip():
            raise UsageError(f"--position '{text}' has no position.", "Write RECORD=POSITION.")
        records[i] = replace(records[i], position=position.strip())
    for text in notes:
        i, note = _at_position(records, text, "--note")
        records[i] = replace(records[i], note=note)
    for i, r in enumerate(records):
        if any(same_name(r.position, other.position) for other in records[:i]):
            raise UsageError(
                f"Two records are at the position '{r.position}'.",
                "Tell them apart with --position RECORD=POSITION.",
            )
    return replace(sources, records=tuple(records))


def _at_position(records: Sequence[RecordFile], text: str, option: str) -> tuple[int, str]:
    """Split "POSITION=TEXT" at a position of the report, which may hold "=" itself."""
    cuts = [k for k, c in enumerate(text) if c == "="]
    for k in cuts:
        for i, r in enumerate(records):
            if same_name(text[:k], r.position):
                return i, text[k + 1 :]
    raise UsageError(
        f"{option} '{text[:80]}' names no position of this report.",
        f"Write POSITION=TEXT; the positions are {', '.join(r.position for r in records[:20])}.",
    )


def make_findings(
    sources: Sources, found: Sequence[str], by: Sequence[str], why: Sequence[str], when: str | None
) -> tuple[Finding, ...]:
    """The signer's findings from "POSITION=replace", who found it (once for all, or one each) and
    why (one each).

    Raises
    ------
    UsageError
    """
    if not found:
        if by or why:
            raise UsageError(
                "--by and --why belong to a finding.",
                "Give --finding POSITION=replace too, or leave them out.",
            )
        return ()
    if len(by) not in (1, len(found)) or len(why) != len(found):
        raise UsageError(
            f"There are {len(found)} findings, {len(by)} --by and {len(why)} --why.",
            "Give --by once or with each finding, and --why with each finding.",
        )
    out = []
    for k, text in enumerate(found):
        i, verdict = _at_position(sources.records, text, "--finding")
        out.append(
            Finding(
                sources.records[i].position,
                verdict.strip().lower(),  # type: ignore[arg-type]
                by[0] if len(by) == 1 else by[k],
                why[k],
                when,
            )
        )
    return tuple(out)


def check_day(text: str | None, option: str) -> str | None:
    """A calendar date, ISO 8601.

    Raises
    ------
    UsageError
    """
    if text is None:
        return None
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError as e:
        raise UsageError(f"{option} '{text}' isn't a date.", "Write it as 2026-10-31.") from e


@dataclass(frozen=True, slots=True)
class PartWords:
    """What a report says of a part besides its record."""

    position: str
    note: str | None = None
    history: tuple[Earlier, ...] = ()
    book: BookSays | None = None
    before: EarlierPhoto | None = None


@dataclass(frozen=True, slots=True)
class Framing:
    """What a report says besides its records: with them it can be written again."""

    language: str
    paper: Paper
    cover: Cover
    findings: tuple[Finding, ...]
    left_out: tuple[str, ...]
    parts: tuple[PartWords, ...]
    season: Drawing | None = None


@lru_cache(maxsize=1)
def _framing_adapter() -> Any:
    from pydantic import TypeAdapter

    return TypeAdapter(Framing)


def framing_to_plain(framing: Framing) -> dict[str, Any]:
    """As dicts, lists and text."""
    plain: dict[str, Any] = _framing_adapter().dump_python(framing, mode="json")
    return plain


def framing_from_plain(plain: Any) -> Framing | None:
    """Back from `framing_to_plain`; None where it is something else."""
    try:
        framing: Framing = _framing_adapter().validate_python(plain)
    except (ValueError, RecursionError, UsageError):
        return None
    return framing


@dataclass(frozen=True, slots=True, eq=False)
class Assembled:
    """A report with what it was made of: the same records, photos and templates go into an evidence bag."""

    report: Report
    framing: Framing
    parts: tuple[PartInput, ...]
    photos: tuple[Path | None, ...]
    templates: tuple[Template | None, ...]
    record_bytes: tuple[bytes, ...]
    more_photos: tuple[tuple[Path | None, ...], ...]
    earlier_photos: tuple[Path | None, ...]


def assemble(sources: Sources, choices: Choices) -> Assembled:
    """Find photos and templates, and write the pages.

    Raises
    ------
    UsageError, InputUnreadable
    """
    photos = Photos([*choices.photos, *sources.folders])
    templates = Templates(choices.template_files, sources.templates)
    parts = tuple(gather(sources.records, photos, templates))
    cover = choices.cover
    cover = replace(cover, boat=sources.boat or cover.boat, hauled=cover.hauled or sources.hauled)
    framing = Framing(
        choices.language,
        choices.paper,
        cover,
        (*sources.findings, *choices.findings),
        sources.left_out,
        tuple(PartWords(r.position, r.note, r.history, r.book, r.before) for r in sources.records),
        sources.season,
    )
    return Assembled(
        write_framed(framing, parts),
        framing,
        parts,
        tuple(photos.find(r.verdict, r.photo) for r in sources.records),
        tuple(templates.find(r.verdict) for r in sources.records),
        tuple(r.data for r in sources.records),
        tuple(more_photos(r.verdict, photos) for r in sources.records),
        tuple(earlier_photo(r, photos) for r in sources.records),
    )


def write_framed(framing: Framing, parts: Sequence[PartInput]) -> Report:
    """Write the report of parts in their framing."""
    say = load_catalogue(framing.language)
    return make_report(
        parts,
        framing.cover,
        framing.findings,
        say,
        framing.paper,
        framing.left_out,
        framing.season,
    )
