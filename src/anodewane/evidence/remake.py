"""Make a bag's overlays and report again from its own records and originals, and hold them against those
that lie in it: a picture or page that was exchanged, with the manifests made anew, is found by that.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from anodewane.errors import AnodewaneError
from anodewane.evidence.bag import payload_names, read_plain
from anodewane.evidence.check import BagPart, CheckResult
from anodewane.evidence.contents import MAX_ORIGINAL_BYTES, set_with
from anodewane.records import Template
from anodewane.report.gather import RecordFile, part_input
from anodewane.report.model import Report
from anodewane.report.request import framing_from_plain, write_framed


@dataclass(frozen=True, slots=True)
class RemakeResult:
    """An overlay or a page of the report, made again."""

    file: str
    same: bool | None
    """Byte for byte; None where that can't be told."""
    why: str | None
    """Why it can't be told."""


def remake(
    folder: Path, checked: CheckResult, setters: Mapping[str, Callable[[Report], bytes]]
) -> tuple[RemakeResult, ...]:
    """Make again what a bag without faults shows.

    Parameters
    ----------
    setters : mapping
        As `pack` was given them.
    """
    return (*_overlays(folder, checked), *_reports(folder, checked, setters))


def _overlays(folder: Path, checked: CheckResult) -> Iterator[RemakeResult]:
    from anodewane.show.overlay import overlay_bytes

    for part in checked.parts:
        name = _file(part.entry.get("overlay"))
        original = _file(part.entry.get("original"))
        if name is None or original is None:
            continue
        try:
            data = read_plain(folder / original, MAX_ORIGINAL_BYTES)
            made = overlay_bytes(data, part.verdict.photo.name, part.verdict, ".jpg")
        except AnodewaneError as e:
            yield RemakeResult(name, None, e.message)
            continue
        yield _held(folder, name, made, checked.index)


def _reports(
    folder: Path, checked: CheckResult, setters: Mapping[str, Callable[[Report], bytes]]
) -> Iterator[RemakeResult]:
    names = checked.index.get("report")
    pages = [n for n in names if isinstance(n, str)] if isinstance(names, list) else []
    framing = framing_from_plain(checked.index.get("framing"))
    if framing is None or len(framing.parts) != len(checked.parts):
        for name in pages:
            yield RemakeResult(name, None, "the bag doesn't hold what its report says besides the records")
        return
    parts = []
    for part, words in zip(checked.parts, framing.parts, strict=True):
        data = read_plain(folder / str(_file(part.entry["record"])), MAX_ORIGINAL_BYTES)
        record = RecordFile(
            f"{part.position}.json",
            data,
            part.verdict,
            words.position,
            None,
            words.note,
            words.history,
            words.book,
            words.before,
        )
        photo, more, copies = _photos(folder, part)
        before = _file(part.entry.get("earlier"))
        earlier = folder / before if before else None
        parts.append(part_input(record, photo, _template(folder, part), more, copies, earlier))
    report = write_framed(framing, parts)
    for name in pages:
        setter = setters.get(Path(name).name)
        if setter is not None:
            yield _held(folder, name, setter(report), checked.index)


def _held(folder: Path, name: str, made: bytes, index: dict[str, Any]) -> RemakeResult:
    """What was made again against what lies in the bag. Nothing is opened that isn't a plain file of it."""
    if name not in payload_names(folder):
        return RemakeResult(name, None, "it isn't in the bag")
    try:
        there = read_plain(folder / name, MAX_ORIGINAL_BYTES)
    except OSError as e:
        return RemakeResult(name, None, f"it can't be read: {e.strerror or e}")
    if there == made:
        return RemakeResult(name, True, None)
    then, now = index.get("set_with"), set_with()
    if not isinstance(then, dict) or then == now:
        return RemakeResult(name, False, None)
    other = [f"{k} {str(then.get(k, 'none'))[:20]} then, {now.get(k, 'none')} now" for k in now]
    changed = [o for o, k in zip(other, now, strict=True) if then.get(k) != now[k]]
    return RemakeResult(name, None, f"it was set by other versions: {', '.join(changed) or 'unknown ones'}")


def _photos(folder: Path, part: BagPart) -> tuple[Path | None, list[Path | None], dict[str, str]]:
    """Where the part's photos lie, the further ones in the record's order, and which of them are copies."""
    entries = [part.entry["original"], *part.entry.get("views", [])]
    where = {e["judged_sha256"]: folder / e["file"] for e in entries}
    copies = {e["sha256"]: e["judged_sha256"] for e in entries}
    own = part.verdict.photo.sha256
    more = [where.get(w.sha256) for w in part.verdict.views if w.sha256 != own]
    return where.get(own), more, copies


def _template(folder: Path, part: BagPart) -> Template | None:
    from anodewane.catalog.templates import template_from_toml

    name = _file(part.entry.get("template"))
    if name is None:
        return None
    return template_from_toml(read_plain(folder / name, MAX_ORIGINAL_BYTES).decode("utf-8"))


def _file(value: Any) -> str | None:
    name = value.get("file") if isinstance(value, dict) else None
    return name if isinstance(name, str) else None
