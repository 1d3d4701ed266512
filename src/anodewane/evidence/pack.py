"""Pack an evidence bag: the untouched originals, records, overlays, the report, settings, templates and
the model's hash, with an index (`data/bag.json`) that ties them together.

Whoever opens it later needs no anodewane to see that nothing was changed: `sha256sum -c
manifest-sha256.txt` does, and `data/README.txt` says so.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from anodewane.errors import InputUnreadable
from anodewane.evidence.bag import BagFile, safe_name, write_bag
from anodewane.evidence.contents import INDEX, INDEX_FORMAT, README, set_with, settings_json, settings_of
from anodewane.evidence.privacy import carried, stripped
from anodewane.files import read_bytes
from anodewane.record import Manual, Verdict
from anodewane.records import Template
from anodewane.report.model import PartInput, Report
from anodewane.report.request import Assembled, PartWords, framing_to_plain
from anodewane.version import own_version


@dataclass(frozen=True, slots=True)
class PackResult:
    """A bag that was packed."""

    folder: Path
    seal: str
    """SHA-256 of its tag manifest: it stands for the whole bag."""
    files: int
    located: tuple[str, ...]
    """Positions whose original says where it was taken."""
    device: tuple[str, ...]
    """Positions whose original says which device took it."""
    stripped: bool
    said: tuple[str, ...]
    """Everything that the packer has to know, as sentences."""


def pack(
    made: Assembled,
    folder: Path,
    setters: Mapping[str, Callable[[Report], bytes]],
    *,
    handed_files: Sequence[Path] = (),
    strip_location: bool = False,
) -> PackResult:
    """Pack a report with all that it rests on.

    Parameters
    ----------
    setters : mapping
        How the report is set: name of the file under data/report/, and what makes it.
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
    packing = _Packing(strip_location, handed_files)
    rows = zip(made.parts, made.photos, made.templates, made.record_bytes, made.more_photos, strict=True)
    entries = [packing.part(number, *row) for number, row in enumerate(rows, start=1)]
    for number, (entry, words, photo) in enumerate(
        zip(entries, made.framing.parts, made.earlier_photos, strict=True), start=1
    ):
        entry["earlier"] = packing.earlier(number, words, photo)
    for name, setter in setters.items():
        packing.add(f"data/report/{name}", partial(setter, made.report))
    packing.add("data/README.txt", README.encode())
    index = {
        "format": INDEX_FORMAT,
        "packed_with": f"anodewane {own_version()}",
        "set_with": set_with(),
        "report": [f"data/report/{name}" for name in setters],
        "framing": framing_to_plain(made.framing),
        "parts": entries,
    }
    packing.add(INDEX, (json.dumps(index, ensure_ascii=False, indent=1) + "\n").encode("utf-8", "replace"))
    cover = made.framing.cover
    info = [
        ("Bag-Software-Agent", f"anodewane {own_version()}"),
        ("External-Description", "Photos of sacrificial anodes, what was judged from them, and by what"),
        *([("Bagging-Date", cover.dated)] if cover.dated else []),
    ]
    seal = write_bag(folder, packing.files, info)
    said = (*_plainly(packing.located, packing.device, len(entries), strip_location), *packing.said)
    located, device = tuple(packing.located), tuple(packing.device)
    return PackResult(folder, seal, len(packing.files), located, device, strip_location, said)


class _Packing:
    """A bag in the making: its files, and what the packer has to know."""

    def __init__(self, strip: bool, handed_files: Sequence[Path]) -> None:
        self.strip = strip
        self.files: list[BagFile] = []
        self.located: list[str] = []
        self.device: list[str] = []
        self.said: list[str] = []
        self._names: set[str] = set()
        contents = [(f.name, read_bytes(f, "outline")) for f in handed_files]
        self._handed = {hashlib.sha256(data).hexdigest(): (name, data) for name, data in contents}

    def add(self, name: str, content: bytes | Path | Callable[[], bytes]) -> str:
        """Put a file in, once; its name."""
        if name not in self._names:
            self._names.add(name)
            self.files.append(BagFile(name, content))
        return name

    def part(
        self,
        number: int,
        part: PartInput,
        photo: Path | None,
        template: Template | None,
        record: bytes,
        more: Sequence[Path | None],
    ) -> dict[str, Any]:
        """Put in what belongs to a part; its entry in the index."""
        v = part.verdict
        stem = f"{number:03d}-{safe_name(part.position, 40)}"
        original = self._photo(part.position, photo, v.photo.name, v.photo.sha256, stem)
        others = zip([w for w in v.views if w.sha256 != v.photo.sha256], more, strict=True)
        views = [
            {
                **self._photo(part.position, path, view.name, view.sha256, f"{stem}-{k}"),
                "of_other_side": view.of_other_side,
                "handed": self._outline(view.manual),
            }
            for k, (view, path) in enumerate(others, start=2)
        ]
        settings = settings_of(v)
        self._tell_what_is_missing(part, template, settings is not None)
        digest = v.provenance.settings_digest
        return {
            "position": part.position,
            "verdict": v.verdict,
            "record": {"file": self.add(f"data/records/{stem}.json", record), "sha256": part.record_sha256},
            "original": original,
            "views": views,
            "overlay": {"file": self.add(f"data/overlays/{stem}.jpg", _Overlay(photo, v))},
            "settings": {
                "file": self.add(f"data/settings/{digest}.json", settings_json(settings))
                if settings
                else None,
                "digest": digest,
            },
            "template": self._template(v, template),
            "model_sha256": v.provenance.model_sha256,
            "segmenter": v.provenance.segmenter,
            "handed": self._outline(v.provenance.manual),
        }

    def earlier(self, number: int, words: PartWords, photo: Path | None) -> dict[str, Any] | None:
        """Put in the photo of the haul-out before, where the report shows it."""
        if photo is None or words.before is None:
            return None
        stem = f"{number:03d}-{safe_name(words.position, 40)}-earlier"
        return self._photo(words.position, photo, words.before.name, words.before.sha256, stem)

    def _photo(self, position: str, photo: Path | None, name: str, sha256: str, stem: str) -> dict[str, Any]:
        """An original, or its copy without place and device."""
        data = _read_original(position, photo, name, sha256)
        assert photo is not None
        found = carried(data)
        copy = stripped(data, name) if self.strip and (found.location or found.device) else None
        if found.location and position not in self.located:
            self.located.append(position)
        if found.device and position not in self.device:
            self.device.append(position)
        file = f"data/originals/{stem}-{safe_name(Path(name).stem, 40)}{photo.suffix.lower()[:6]}"
        return {
            "file": self.add(file, photo if copy is None else _Stripped(photo, name)),
            "name": name,
            "sha256": sha256 if copy is None else hashlib.sha256(copy).hexdigest(),
            "judged_sha256": sha256,
            "stripped": copy is not None,
            "carries_location": found.location and copy is None,
            "carries_device": found.device and copy is None,
        }

    def _template(self, v: Verdict, template: Template | None) -> dict[str, Any] | None:
        from anodewane.catalog.templates import template_to_toml

        if v.template is None:
            return None
        name = f"data/templates/{v.template.sha256[:16]}-{safe_name(v.template.name, 40)}.toml"
        return {
            "file": self.add(name, template_to_toml(template).encode()) if template else None,
            "sha256": v.template.sha256,
            "chosen": v.template.chosen,
        }

    def _outline(self, manual: Manual | None) -> str | None:
        """An outline that a person handed in, where it is at hand."""
        if manual is None or manual.sha256 not in self._handed:
            return None
        name, data = self._handed[manual.sha256]
        return self.add(f"data/handed/{manual.sha256[:16]}-{safe_name(name)}", data)

    def _tell_what_is_missing(self, part: PartInput, template: Template | None, settings: bool) -> None:
        v = part.verdict
        if not settings:
            self.said.append(
                f"{part.position}: its record is of another version and doesn't tell all of its settings; "
                "judge the photo once more, or it can't be judged again from the bag."
            )
        if template is None and v.template is not None:
            self.said.append(
                f"{part.position}: the template '{v.template.name}' isn't at hand; give it with --template, "
                "or it can't be judged again."
            )
        outlines = (v.provenance.manual, *(w.manual for w in v.views))
        if any(m.sha256 not in self._handed for m in outlines if m is not None):
            self.said.append(
                f"{part.position}: its outline was handed in, and the file isn't at hand; "
                "give it with --handed, or it can't be judged again."
            )


def _plainly(located: list[str], device: list[str], n: int, strip: bool) -> list[str]:
    """What the originals carry, in plain words."""
    if strip:
        touched = len({*located, *device})
        if not touched:
            return [f"None of the {n} originals says where it was taken."]
        copies = f"{touched} of {n} originals were packed as copies without place and device"
        return [f"{copies}; bag.json holds the hashes of both."]
    out = []
    if located:
        out.append(
            f"{len(located)} of {n} originals say where they were taken: {', '.join(located[:20])}. "
            "Whoever gets the bag can read it; --strip-location leaves it out."
        )
    if device:
        out.append(
            f"{len(device)} of {n} originals carry a device's number, owner or maker's notes: "
            f"{', '.join(device[:20])}. --strip-location leaves them out too."
        )
    return out


@dataclass(frozen=True, slots=True)
class _Stripped:
    """Makes the stripped copy when its turn comes, so that one is in memory at a time."""

    photo: Path
    name: str

    def __call__(self) -> bytes:
        return stripped(read_bytes(self.photo), self.name)


@dataclass(frozen=True, slots=True)
class _Overlay:
    """Draws the overlay when its turn comes."""

    photo: Path | None
    verdict: Verdict

    def __call__(self) -> bytes:
        from anodewane.show.overlay import overlay_bytes

        assert self.photo is not None
        return overlay_bytes(read_bytes(self.photo), self.photo.name, self.verdict, ".jpg")


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
