"""Judge a bag's originals again, from the bag alone, and tell what comes out otherwise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from anodewane.errors import InputUnreadable, UsageError
from anodewane.evidence.bag import MAX_TAG_BYTES, read_plain
from anodewane.evidence.check import BagPart
from anodewane.evidence.contents import MAX_ORIGINAL_BYTES, settings_from_json
from anodewane.judgement.method import Method
from anodewane.record import Interval, Manual, Verdict
from anodewane.records import Given, ManualOutline, Photo, Template


@dataclass(frozen=True, slots=True)
class RecheckResult:
    """A part judged again."""

    position: str
    same: bool
    then: str
    """ "replace", "monitor", "ok" or "cannot_judge" """
    now: str | None
    """As `then`; None where it couldn't be judged again."""
    mass_points: float | None
    """Mass gone, now less then, in percentage points; None where either has no figure."""
    low_points: float | None
    """The same of its interval's lower end."""
    high_points: float | None
    """The same of its upper end."""
    area_points: float | None
    """The same of the area gone."""
    other: tuple[str, ...]
    """What else differs."""
    why: str | None = None
    """Why it couldn't be judged again."""


def recheck(folder: Path, parts: Sequence[BagPart]) -> tuple[RecheckResult, ...]:
    """Judge a checked bag's originals again with the bag's settings, templates and outlines, and tell
    the differences.

    Raises
    ------
    ModelError
    """
    return tuple(_again(folder, part) for part in parts)


def _again(folder: Path, part: BagPart) -> RecheckResult:
    from anodewane.catalog.templates import template_from_toml
    from anodewane.judgement.pipeline import judge
    from anodewane.stages.load import load_photo
    from anodewane.stages.segment import get_segmenter

    v, entry = part.verdict, part.entry
    then = v.verdict or "cannot_judge"

    def no(why: str) -> RecheckResult:
        return RecheckResult(part.position, False, then, None, None, None, None, None, (), why)

    def text(key: str) -> str | None:
        value = entry.get(key)
        name = value.get("file") if isinstance(value, dict) else value
        return read_plain(folder / name, MAX_TAG_BYTES).decode("utf-8") if isinstance(name, str) else None

    words, template = text("settings"), None
    if words is None:
        return no("the bag doesn't hold its settings")
    settings, given, notes = settings_from_json(words.encode())
    if v.template is not None and not v.template.chosen:
        words = text("template")
        if words is None:
            return no("the bag doesn't hold its template")
        template = template_from_toml(words)
    if v.given is not None:
        given = Given(v.given.weighed_g, v.given.thickness_mm, v.given.check_line_mm)
    lens = v.lens
    if lens is None and v.scale is not None and v.scale.focal_source == "profile":
        words = text("camera")  # a record before 1.2 doesn't hold it
        if words is None:
            return no("the bag doesn't hold its lens profile")
        from anodewane.catalog.lens import lens_profile_from_toml

        lens = lens_profile_from_toml(words)
    if v.provenance.segmenter not in (None, "manual"):
        try:
            get_segmenter(str(v.provenance.segmenter))
        except UsageError:
            return no(f"this version knows no segmenter '{str(v.provenance.segmenter)[:40]}'")
    segmenter = "network" if v.provenance.segmenter in (None, "manual") else str(v.provenance.segmenter)
    method = Method(settings, segmenter, lens)
    if v.views and v.provenance.manual is not None and not any(w.manual for w in v.views):
        return no("several photos with outlines that were handed in can't be judged again from this record")
    try:
        if v.views:
            now = _judge_together(folder, v, entry, template, given, method)
        else:
            if v.provenance.manual is not None:
                given = replace(given, outline=_outline(folder, entry, v.provenance.manual))
            data = read_plain(folder / entry["original"]["file"], MAX_ORIGINAL_BYTES)
            now = judge(load_photo(data, v.photo.name), template, given, method)
    except InputUnreadable as e:
        return no(e.message)
    except _NotInBagError:
        return no("the bag doesn't hold the outline that was handed in")
    return _compare(part.position, v, now, notes)


class _NotInBagError(Exception):
    """The bag doesn't hold a file that it takes to judge again."""


def _outline(folder: Path, entry: dict[str, Any], manual: Manual) -> ManualOutline:
    """An outline that was handed in, by the entry of its photo."""
    from anodewane.judgement.manual_outline import read_manual_outline

    if not isinstance(entry.get("handed"), str):
        raise _NotInBagError
    path = folder / entry["handed"]
    is_mask = path.suffix.lower() not in (".svg", ".json", ".geojson")
    return read_manual_outline(path, is_mask=is_mask, by=manual.by, when=manual.when)


def _judge_together(
    folder: Path,
    v: Verdict,
    entry: dict[str, Any],
    template: Template | None,
    given: Given,
    method: Method,
) -> Verdict:
    """Judge several photos of one part again."""
    from anodewane.stages.load import load_photo
    from anodewane.views.together import judge_together

    own = {v.photo.sha256: {**entry, "file": entry["original"]["file"]}}
    own |= {w["judged_sha256"]: w for w in entry["views"]}
    sides: tuple[list[Photo], list[Photo]] = ([], [])
    outlines: list[ManualOutline | None] = []
    for view in sorted(v.views, key=lambda w: w.of_other_side):
        data = read_plain(folder / own[view.sha256]["file"], MAX_ORIGINAL_BYTES)
        sides[view.of_other_side].append(load_photo(data, view.name))
        outlines.append(_outline(folder, own[view.sha256], view.manual) if view.manual else None)
    return judge_together(sides[0], template, given, method, other_side=sides[1], outlines=outlines)


def _compare(position: str, then: Verdict, now: Verdict, notes: Sequence[str]) -> RecheckResult:
    from anodewane.show.record_json import verdict_from_json, verdict_to_json

    # rounded as a record is: else every figure would differ in its last digits
    now = verdict_from_json(verdict_to_json(now))

    def points(a: Interval | None, b: Interval | None, which: str = "value") -> float | None:
        return None if a is None or b is None else round(getattr(b, which) - getattr(a, which), 2) + 0.0

    mass = tuple(v.consumed.mass_pct if v.consumed else None for v in (then, now))
    area = tuple(v.consumed.area_pct if v.consumed else None for v in (then, now))
    other = list(notes)
    if then.provenance.anodewane != now.provenance.anodewane:
        other.append(f"version: anodewane {then.provenance.anodewane} then, {now.provenance.anodewane} now")
    if then.provenance.model_sha256 != now.provenance.model_sha256:
        models = [(v.provenance.model_sha256 or "none")[:16] for v in (then, now)]
        other.append(f"model: SHA-256 {models[0]} then, {models[1]} now")
    changed = [
        f"{k} {w} then, {now.provenance.libraries.get(k, 'absent')} now"
        for k, w in then.provenance.libraries.items()
        if now.provenance.libraries.get(k) != w
    ]
    other += [f"library: {c}" for c in changed]
    if then.provenance.settings_digest != now.provenance.settings_digest:
        other.append("settings: another digest")
    if then.template and now.template and then.template.sha256 != now.template.sha256:
        other.append(f"template: {then.template.name} then, {now.template.name} now")
    codes = [tuple(r.code for r in v.reasons) for v in (then, now)]
    if codes[0] != codes[1]:
        other.append(f"reasons: {', '.join(codes[0])} then, {', '.join(codes[1])} now")
    figures = [
        points(mass[0], mass[1]),
        points(mass[0], mass[1], "low"),
        points(mass[0], mass[1], "high"),
        points(area[0], area[1]),
    ]
    if (mass[0] is None) != (mass[1] is None):
        other.append("figures: none then, some now" if mass[0] is None else "figures: some then, none now")
    grades = (then.verdict or "cannot_judge", now.verdict or "cannot_judge")
    same = grades[0] == grades[1] and not any(figures) and not other
    return RecheckResult(
        position, same, grades[0], grades[1], figures[0], figures[1], figures[2], figures[3], tuple(other)
    )
