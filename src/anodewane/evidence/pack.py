"""The evidence bag: what goes in, what it must say of itself, and judging its originals again.

A bag holds the untouched originals, the records, overlays, the report, settings, templates and the
model's hash, with an index (`data/bag.json`) that ties them together. Whoever opens it later needs no
anodewane to see that nothing was changed: `sha256sum -c manifest-sha256.txt` does, and
`data/README.txt` says so.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any

from anodewane.errors import AnodewaneError, InputUnreadable, UsageError
from anodewane.evidence.bag import MAX_TAG_BYTES, BagFile, Fault, check_bag, read_plain, safe_name, write_bag
from anodewane.evidence.privacy import carried, stripped
from anodewane.files import read_bytes
from anodewane.judgement.method import Method
from anodewane.record import Interval, Manual, Verdict
from anodewane.records import Given, ManualOutline, Photo, Template
from anodewane.report.doubts import doubts
from anodewane.report.gather import parse_record
from anodewane.report.request import Assembled
from anodewane.report.texts import load_catalogue
from anodewane.settings import Settings
from anodewane.version import own_version

INDEX = "data/bag.json"
INDEX_FORMAT = 1
MAX_ORIGINAL_BYTES = 400_000_000

README = """What this is
============

An evidence bag: photos of sacrificial anodes, what was judged from them, and by what. Its layout is BagIt 1.0 (RFC 8493).

data/originals/   the photos as they came, byte for byte (or copies without the place, where bag.json says so)
data/records/     what was judged, one JSON file for each part
data/overlays/    the same as pictures
data/report/      the report, as PDF and as a page
data/settings/    every setting that was used
data/templates/   the new parts that were compared with
data/handed/      outlines that were handed in, if any
data/bag.json     what belongs to what, with the SHA-256 of the model that was used

To see that nothing was changed, with nothing but the usual tools of a computer:

    sha256sum -c manifest-sha256.txt
    sha256sum -c tagmanifest-sha256.txt

With anodewane: 'anodewane evidence check' names every file that is changed, missing or extra; 'anodewane evidence recheck' judges the originals again.
The SHA-256 of tagmanifest-sha256.txt stands for the whole bag.
"""


@dataclass(frozen=True, slots=True)
class Packed:
    """A bag that was packed. seal : SHA-256 of its tag manifest; located, device : positions whose
    original says where it was taken, or which device took it; said : everything that the packer has to
    know, as sentences."""

    folder: Path
    seal: str
    files: int
    located: tuple[str, ...]
    device: tuple[str, ...]
    stripped: bool
    said: tuple[str, ...]


# --- packing -------------------------------------------------------------------------------------


def pack(
    made: Assembled,
    folder: Path,
    pages: Mapping[str, Callable[[], bytes]],
    *,
    handed_files: Sequence[Path] = (),
    strip_location: bool = False,
) -> Packed:
    """Pack a report with all that it rests on.

    Parameters
    ----------
    pages : mapping
        The report as files: name under data/report/, and what sets it.
    handed_files : sequence of Path
        Masks and outlines that a person handed in; found by the SHA-256 that the record names.
    strip_location : bool
        Pack copies without place and device, pixels untouched, in place of the originals; the index
        holds the hashes of both.

    Raises
    ------
    InputUnreadable
        An original is missing or isn't the photo that was judged.
    UsageError
        The place can't be taken out of a photo.
    OutputNotWritable
    """
    from anodewane.catalog.templates import template_to_toml
    from anodewane.show.overlay import overlay_bytes

    handed = {
        hashlib.sha256(data).hexdigest(): (f.name, data)
        for f in handed_files
        for data in [read_bytes(f, "outline")]
    }
    files: list[BagFile] = []
    entries: list[dict[str, Any]] = []
    located, device, said = [], [], []
    names: set[str] = set()

    def add(name: str, content: Any) -> str:
        if name not in names:
            names.add(name)
            files.append(BagFile(name, content))
        return name

    def add_outline(manual: Manual | None) -> str | None:
        """An outline that a person handed in, where it is at hand."""
        if manual is None or manual.sha256 not in handed:
            return None
        name, data = handed[manual.sha256]
        return add(f"data/handed/{manual.sha256[:16]}-{safe_name(name)}", data)

    for number, (part, photo, template) in enumerate(
        zip(made.parts, made.photos, made.templates, strict=True), start=1
    ):
        v = part.verdict
        original = _original(part.position, photo, v)
        found = carried(original)
        located += [part.position] if found.location else []
        device += [part.position] if found.device else []
        stem = f"{number:03d}-{safe_name(part.position, 40)}"
        suffix = (photo.suffix if photo else "").lower()[:6]
        views = _views(part.position, v, made.more_photos[number - 1], strip_location, stem, add, add_outline)
        located += [part.position] if views.location and part.position not in located else []
        device += [part.position] if views.device and part.position not in device else []
        copy = (
            stripped(original, v.photo.name) if strip_location and (found.location or found.device) else None
        )
        own_settings = settings_of(v)
        if own_settings is None:
            said.append(
                f"{part.position}: its record is of another version and doesn't tell all of its settings; "
                "judge the photo once more, or it can't be judged again from the bag."
            )
        if template is None and v.template is not None:
            said.append(
                f"{part.position}: the template '{v.template.name}' isn't at hand; give it with --template, or it can't be judged again."
            )
        manual = v.provenance.manual
        if any(m.sha256 not in handed for m in (manual, *(w.manual for w in v.views)) if m is not None):
            said.append(
                f"{part.position}: its outline was handed in, and the file isn't at hand; "
                "give it with --handed, or it can't be judged again."
            )
        content: Any = photo if copy is None else _Stripped(photo, v.photo.name)
        entries.append(
            {
                "position": part.position,
                "verdict": v.verdict,
                "record": {
                    "file": add(f"data/records/{stem}.json", made.record_bytes[number - 1]),
                    "sha256": part.record_sha256,
                },
                "original": {
                    "file": add(
                        f"data/originals/{stem}-{safe_name(Path(v.photo.name).stem, 40)}{suffix}", content
                    ),
                    "name": v.photo.name,
                    "sha256": hashlib.sha256(copy).hexdigest() if copy is not None else v.photo.sha256,
                    "judged_sha256": v.photo.sha256,
                    "stripped": copy is not None,
                    "carries_location": found.location and copy is None,
                    "carries_device": found.device and copy is None,
                },
                "views": views.entries,
                "overlay": {"file": add(f"data/overlays/{stem}.jpg", _Overlay(overlay_bytes, photo, v))},
                "settings": {
                    "file": add(
                        f"data/settings/{v.provenance.settings_digest}.json", settings_json(own_settings)
                    )
                    if own_settings
                    else None,
                    "digest": v.provenance.settings_digest,
                },
                "template": None
                if v.template is None
                else {
                    "file": add(
                        f"data/templates/{v.template.sha256[:16]}-{safe_name(v.template.name, 40)}.toml",
                        template_to_toml(template).encode(),
                    )
                    if template
                    else None,
                    "sha256": v.template.sha256,
                    "chosen": v.template.chosen,
                },
                "model_sha256": v.provenance.model_sha256,
                "segmenter": v.provenance.segmenter,
                "handed": add_outline(manual),
            }
        )
    for name, content in pages.items():
        add(f"data/report/{name}", content)
    add("data/README.txt", README.encode())
    index = {
        "format": INDEX_FORMAT,
        "packed_with": f"anodewane {own_version()}",
        "title": made.cover.title,
        "boat": made.cover.boat,
        "hauled": made.cover.hauled,
        "dated": made.cover.dated,
        "report": [f"data/report/{name}" for name in pages],
        "findings": [asdict(f) for f in made.findings],
        "parts": entries,
    }
    add(INDEX, (json.dumps(index, ensure_ascii=False, indent=1) + "\n").encode("utf-8", "replace"))
    info = [
        ("Bag-Software-Agent", f"anodewane {own_version()}"),
        ("External-Description", "Photos of sacrificial anodes, what was judged from them, and by what"),
    ]
    if made.cover.dated:
        info.append(("Bagging-Date", made.cover.dated))
    seal = write_bag(folder, files, info)
    return Packed(
        folder,
        seal,
        len(files),
        tuple(located),
        tuple(device),
        strip_location,
        (*_plainly(located, device, len(entries), strip_location), *said),
    )


def _plainly(located: list[str], device: list[str], n: int, strip: bool) -> list[str]:
    """What the originals carry, in plain words."""
    if strip:
        touched = sorted(set(located) | set(device))
        return [
            f"{len(touched)} of {n} originals were packed as copies without place and device; bag.json holds the hashes of both."
            if touched
            else f"None of the {n} originals says where it was taken."
        ]
    out = []
    if located:
        out.append(
            f"{len(located)} of {n} originals say where they were taken: {', '.join(located[:20])}. Whoever gets the bag can read it; --strip-location leaves it out."
        )
    if device:
        out.append(
            f"{len(device)} of {n} originals carry a device's number, owner or maker's notes: {', '.join(device[:20])}. --strip-location leaves them out too."
        )
    return out


@dataclass(frozen=True, slots=True)
class _Views:
    """The further photos that a part was judged from: their entries in the index, and whether any says
    where or by which device."""

    entries: list[dict[str, Any]]
    location: bool
    device: bool


def _views(
    position: str,
    v: Verdict,
    photos: Sequence[Path | None],
    strip: bool,
    stem: str,
    add: Any,
    add_outline: Callable[[Manual | None], str | None],
) -> _Views:
    entries, location, device = [], False, False
    for k, (view, photo) in enumerate(
        zip([w for w in v.views if w.sha256 != v.photo.sha256], photos, strict=True), start=2
    ):
        data = _read_original(position, photo, view.name, view.sha256)
        assert photo is not None
        found = carried(data)
        location, device = location or found.location, device or found.device
        copy = stripped(data, view.name) if strip and (found.location or found.device) else None
        name = f"data/originals/{stem}-{k}-{safe_name(Path(view.name).stem, 40)}{photo.suffix.lower()[:6]}"
        entries.append(
            {
                "file": add(name, photo if copy is None else _Stripped(photo, view.name)),
                "name": view.name,
                "sha256": view.sha256 if copy is None else hashlib.sha256(copy).hexdigest(),
                "judged_sha256": view.sha256,
                "stripped": copy is not None,
                "of_other_side": view.of_other_side,
                "handed": add_outline(view.manual),
            }
        )
    return _Views(entries, location, device)


@dataclass(frozen=True, slots=True)
class _Stripped:
    """Makes the stripped copy when its turn comes, so that one is in memory at a time."""

    photo: Path | None
    name: str

    def __call__(self) -> bytes:
        assert self.photo is not None
        return stripped(read_bytes(self.photo), self.name)


@dataclass(frozen=True, slots=True)
class _Overlay:
    """Draws the overlay when its turn comes."""

    draw: Any
    photo: Path | None
    verdict: Verdict

    def __call__(self) -> bytes:
        assert self.photo is not None
        drawn: bytes = self.draw(read_bytes(self.photo), self.photo.name, self.verdict, ".jpg")
        return drawn


def _original(position: str, photo: Path | None, v: Verdict) -> bytes:
    return _read_original(position, photo, v.photo.name, v.photo.sha256)


def _read_original(position: str, photo: Path | None, name: str, sha256: str) -> bytes:
    if photo is None:
        raise InputUnreadable(
            f"The original '{name}' of '{position}' is missing.",
            "Name the folder that holds it with --photos: a bag without the original proves nothing.",
        )
    data = read_bytes(photo)
    if hashlib.sha256(data).hexdigest() != sha256:
        raise InputUnreadable(
            f"The file '{photo.name}' isn't the photo that '{position}' was judged from.",
            "Name the folder that holds the original with --photos.",
        )
    return data


# --- settings ------------------------------------------------------------------------------------


def settings_json(settings: Settings) -> bytes:
    """Settings as the very bytes whose SHA-256 begins with their digest, so that a later version, with
    more knobs or fewer, can still check them."""
    return json.dumps(asdict(settings), sort_keys=True, separators=(",", ":")).encode()


def settings_from_json(data: bytes) -> tuple[Settings, Given, tuple[str, ...]]:
    """Settings of a bag as this version understands them; what was given of the part, where that stands
    among them as before records of 1.2; and what isn't understood: knobs that this version doesn't have,
    and knobs that the bag doesn't state.

    Raises
    ------
    UsageError
        Not settings, or a value of the wrong type.
    """
    from anodewane.settings import settings_from_toml

    try:
        plain = json.loads(data)
        if not isinstance(plain, dict):
            raise TypeError("not an object")
    except (ValueError, TypeError, RecursionError) as e:
        raise UsageError(
            "The bag's settings aren't JSON that can be read.",
            "Check the bag with 'anodewane evidence check'.",
        ) from e
    try:
        given = Given(**_old_given(plain))
    except (TypeError, ValueError) as e:
        raise UsageError(
            "The bag's settings hold a measurement that can't be read.",
            "Check the bag with 'anodewane evidence check'.",
        ) from e
    known = {f.name for f in fields(Settings)}
    notes = [f"settings: '{k[:60]}' isn't a setting of this version" for k in sorted(plain) if k not in known]
    notes += [
        f"settings: '{k}' isn't in the bag, so its default is taken" for k in sorted(known - set(plain))
    ]
    # through the settings file's own reader, which checks every value
    text = "".join(
        f"{k} = {json.dumps(v, ensure_ascii=True)}\n"
        for k, v in plain.items()
        if k in known and v is not None
    )
    return settings_from_toml(text), given, tuple(notes)


def settings_of(v: Verdict) -> Settings | None:
    """The settings that a record was judged with; None where it doesn't tell them, or where this version
    knows others, so that their digest comes out another."""
    known = {f.name for f in fields(Settings)}
    if v.settings is None or not set(v.settings) <= known:
        return None
    settings = Settings(**v.settings)  # type: ignore[arg-type]  # each is like its knob: the digest says so
    return settings if settings.digest() == v.provenance.settings_digest else None


def _old_given(plain: dict[str, Any]) -> dict[str, Any]:
    """What a person knew of the part, as settings of records before 1.2 had it, and taken out of them."""
    line = (plain.pop("check_line_x_mm", None), plain.pop("check_line_y_mm", None))
    measured = plain.pop("check_line_given", False)
    weighed, thickness = plain.pop("weighed_g", None), plain.pop("thickness_given_mm", None)
    return {
        "weighed_g": weighed,
        "thickness_mm": thickness,
        "check_line_mm": line if measured and None not in line else None,
    }


# --- checking ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a bag's index, its files inside the bag. verdict : its record."""

    position: str
    verdict: Verdict
    entry: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Checked:
    """A bag that was checked. faults : empty when it is as it was packed and agrees with itself; seal :
    SHA-256 of its tag manifest."""

    faults: tuple[Fault, ...]
    seal: str | None
    parts: tuple[Part, ...]


def check(folder: Path) -> Checked:
    """Check a bag: its files against the manifests, then its records against its originals, settings
    and templates.

    Raises
    ------
    InputUnreadable
        There is no such folder, or it isn't a bag.
    """
    faults = list(check_bag(folder))
    parts: list[Part] = []
    try:
        seal = hashlib.sha256(read_plain(folder / "tagmanifest-sha256.txt", MAX_TAG_BYTES)).hexdigest()
    except OSError:
        seal = None
    broken = {f.file for f in faults if f.kind in ("missing", "refused")}
    if INDEX not in broken and None not in {f.file for f in faults if f.kind == "refused"}:
        listed = _payload(folder)
        for entry, fault in _index(folder, listed):
            if fault is not None:
                faults.append(fault)
            else:
                part, wrong = _check_part(folder, entry, listed)
                faults += wrong
                parts += [part] if part else []
    return Checked(tuple(dict.fromkeys(faults)), seal, tuple(parts))


def _payload(folder: Path) -> frozenset[str]:
    """Names under data/ that lie in the bag as plain files: the only ones that an index may name."""
    from anodewane.evidence.bag import _Found

    return frozenset(n for n in _Found(folder).sizes if n.startswith("data/"))


def _index(folder: Path, listed: frozenset[str]) -> list[tuple[dict[str, Any], Fault | None]]:
    """The parts of the index, or what is wrong with it."""

    def wrong(text: str) -> list[tuple[dict[str, Any], Fault | None]]:
        return [({}, Fault("wrong", INDEX, text))]

    if INDEX not in listed:
        return wrong("It isn't there: the bag isn't one of anodewane's, or not whole.")
    try:
        index = json.loads(read_plain(folder / INDEX, MAX_TAG_BYTES).decode("utf-8"))
    except (OSError, ValueError, RecursionError):
        return wrong("It can't be read as JSON in UTF-8.")
    if not isinstance(index, dict) or index.get("format") != INDEX_FORMAT:
        return wrong(f"It isn't of format {INDEX_FORMAT}, the one that this version reads.")
    entries = index.get("parts")
    if not isinstance(entries, list) or not entries or not all(isinstance(e, dict) for e in entries):
        return wrong("It lists no parts.")
    return [(e, None) for e in entries]


def _check_part(
    folder: Path, entry: dict[str, Any], listed: frozenset[str]
) -> tuple[Part | None, list[Fault]]:
    from anodewane.catalog.templates import template_digest, template_from_toml

    position = str(entry.get("position", ""))[:200]
    faults: list[Fault] = []

    def bytes_of(key: str, most: int = MAX_TAG_BYTES) -> tuple[str | None, bytes | None]:
        """A file that the index names: its name and content; nothing is opened that isn't a plain
        file under data/."""
        value = entry.get(key)
        name = value.get("file") if isinstance(value, dict) else value
        if name is None:
            return None, None
        if not isinstance(name, str) or name not in listed:
            faults.append(
                Fault(
                    "missing",
                    INDEX,
                    f"'{position}' names a {key} file that isn't in the bag: {str(name)[:200]}.",
                )
            )
            return None, None
        try:
            return name, read_plain(folder / name, most)
        except OSError as e:
            faults.append(Fault("refused", name, f"It can't be read: {e.strerror or e}."))
            return name, None

    record_name, record = bytes_of("record")
    if record is None:
        if record_name is None:
            faults.append(Fault("missing", INDEX, f"'{position}' has no record."))
        return None, faults
    try:
        verdict = parse_record(record, str(record_name))
    except AnodewaneError as e:
        return None, [*faults, Fault("wrong", record_name, e.message)]
    template = None
    template_name, text = bytes_of("template")
    if text is not None and verdict.template is not None:
        try:
            template = template_from_toml(text.decode("utf-8"))
            if template_digest(template) != verdict.template.sha256:
                faults.append(
                    Fault(
                        "wrong",
                        template_name,
                        f"It isn't the template that the record of '{position}' names.",
                    )
                )
                template = None
        except (AnodewaneError, UnicodeDecodeError):
            faults.append(Fault("wrong", template_name, "It isn't a template that can be read."))
    faults += [
        Fault("wrong", record_name, f"It contradicts itself: {what}")
        for what in doubts(verdict, load_catalogue("en"), template)
    ]
    settings_name, text = bytes_of("settings")
    if text is not None:
        if (
            hashlib.sha256(text).hexdigest()[: len(verdict.provenance.settings_digest)]
            != verdict.provenance.settings_digest
        ):
            faults.append(
                Fault(
                    "wrong", settings_name, f"They aren't the settings that the record of '{position}' names."
                )
            )
        try:
            settings_from_json(text)
        except AnodewaneError as e:
            faults.append(Fault("wrong", settings_name, e.message))
    faults += _check_views(folder, position, entry, verdict, listed)
    original = entry.get("original")
    original_name, photo = bytes_of("original", MAX_ORIGINAL_BYTES)
    if photo is None or not isinstance(original, dict):
        faults.append(Fault("missing", original_name or INDEX, f"'{position}' has no original."))
    else:
        digest = hashlib.sha256(photo).hexdigest()
        is_copy = original.get("stripped") is True
        if (
            digest != (original.get("sha256") if is_copy else verdict.photo.sha256)
            or original.get("judged_sha256") != verdict.photo.sha256
        ):
            faults.append(
                Fault(
                    "wrong",
                    original_name,
                    f"It isn't the photo that the record of '{position}' was made from.",
                )
            )
    return Part(position, verdict, entry), faults


def _check_views(
    folder: Path, position: str, entry: dict[str, Any], verdict: Verdict, listed: frozenset[str]
) -> list[Fault]:
    """The further photos of a part: each there, and the one that the record names."""
    want = {w.sha256 for w in verdict.views if w.sha256 != verdict.photo.sha256}
    views = entry.get("views", [])
    if (
        not isinstance(views, list)
        or not all(isinstance(w, dict) for w in views)
        or {w.get("judged_sha256") for w in views} != want
    ):
        return [
            Fault("wrong", INDEX, f"The further photos of '{position}' aren't those that its record names.")
        ]
    faults = []
    for w in views:
        name = w.get("file")
        if not isinstance(name, str) or name not in listed:
            faults.append(
                Fault(
                    "missing", INDEX, f"'{position}' names a photo that isn't in the bag: {str(name)[:200]}."
                )
            )
            continue
        try:
            digest = hashlib.sha256(read_plain(folder / name, MAX_ORIGINAL_BYTES)).hexdigest()
        except OSError as e:
            faults.append(Fault("refused", name, f"It can't be read: {e.strerror or e}."))
            continue
        if digest != (w.get("sha256") if w.get("stripped") is True else w.get("judged_sha256")):
            faults.append(
                Fault("wrong", name, f"It isn't the photo that the record of '{position}' was made from.")
            )
    return faults


# --- judging again -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Again:
    """A part judged again. then, now : "replace" ... "cannot_judge", now None where it couldn't
    be judged again (why says why). mass_points, area_points : now less then, percentage points,
    None where either has no figure; low_points, high_points : of the mass interval's ends. other
    : what else differs."""

    position: str
    same: bool
    then: str
    now: str | None
    mass_points: float | None
    low_points: float | None
    high_points: float | None
    area_points: float | None
    other: tuple[str, ...]
    why: str | None = None


def recheck(folder: Path, parts: Sequence[Part]) -> tuple[Again, ...]:
    """Judge a checked bag's originals again with the bag's settings, templates and outlines, and tell
    the differences.

    Raises
    ------
    ModelError
    """
    return tuple(_again(folder, part) for part in parts)


def _again(folder: Path, part: Part) -> Again:
    from anodewane.catalog.templates import template_from_toml
    from anodewane.judgement.pipeline import judge
    from anodewane.stages.load import load_photo
    from anodewane.stages.segment import get_segmenter

    v, entry = part.verdict, part.entry
    then = v.verdict or "cannot_judge"

    def no(why: str) -> Again:
        return Again(part.position, False, then, None, None, None, None, None, (), why)

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


def _compare(position: str, then: Verdict, now: Verdict, notes: Sequence[str]) -> Again:
    from anodewane.show.record_json import verdict_from_json, verdict_to_json

    now = verdict_from_json(
        verdict_to_json(now)
    )  # rounded as a record is: else every figure would differ in its last digits

    def points(a: Interval | None, b: Interval | None, which: str = "value") -> float | None:
        return None if a is None or b is None else round(getattr(b, which) - getattr(a, which), 2) + 0.0

    mass = tuple(v.consumed.mass_pct if v.consumed else None for v in (then, now))
    area = tuple(v.consumed.area_pct if v.consumed else None for v in (then, now))
    other = list(notes)
    if then.provenance.anodewane != now.provenance.anodewane:
        other.append(f"version: anodewane {then.provenance.anodewane} then, {now.provenance.anodewane} now")
    if then.provenance.model_sha256 != now.provenance.model_sha256:
        other.append(
            f"model: SHA-256 {(then.provenance.model_sha256 or 'none')[:16]} then, {(now.provenance.model_sha256 or 'none')[:16]} now"
        )
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
    return Again(
        position, same, grades[0], grades[1], figures[0], figures[1], figures[2], figures[3], tuple(other)
    )
