"""Check an evidence bag: its files against the manifests, then its records against its originals, settings
and templates. Nothing is opened that isn't a plain file of the bag.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from anodewane.errors import AnodewaneError
from anodewane.evidence.bag import MAX_TAG_BYTES, Fault, FaultKind, check_bag, payload_names, read_plain
from anodewane.evidence.contents import INDEX, INDEX_FORMAT, MAX_ORIGINAL_BYTES, settings_from_json
from anodewane.record import Verdict
from anodewane.records import Template
from anodewane.report.doubts import doubts
from anodewane.report.gather import parse_record
from anodewane.report.texts import load_catalogue

NOT_THE_PHOTO = "It isn't the photo that the record of '{}' was made from."


@dataclass(frozen=True, slots=True)
class BagPart:
    """A part of a bag's index, its files inside the bag."""

    position: str
    verdict: Verdict
    """Its record."""
    entry: dict[str, Any]
    """What the index says of it."""


@dataclass(frozen=True, slots=True)
class CheckResult:
    """A bag that was checked."""

    faults: tuple[Fault, ...]
    """Empty when its files are those of its manifests, and its records agree with its files and themselves.
    Who made the manifests only a seal, a signature or a time-stamp can tell."""
    seal: str | None
    """SHA-256 of its tag manifest."""
    parts: tuple[BagPart, ...]
    index: dict[str, Any]
    """The index as it was read, empty where it can't be."""


def check(folder: Path) -> CheckResult:
    """Check a bag: its files against the manifests, then its records against its originals, settings
    and templates.

    Raises
    ------
    InputUnreadable
        There is no such folder, or it isn't a bag.
    """
    faults = list(check_bag(folder))
    parts: list[BagPart] = []
    try:
        seal = hashlib.sha256(read_plain(folder / "tagmanifest-sha256.txt", MAX_TAG_BYTES)).hexdigest()
    except OSError:
        seal = None
    broken = {f.file for f in faults if f.kind in ("missing", "refused")}
    index: dict[str, Any] = {}
    if INDEX not in broken and None not in {f.file for f in faults if f.kind == "refused"}:
        listed = payload_names(folder)
        read = _read_index(folder, listed)
        if isinstance(read, Fault):
            faults.append(read)
        else:
            index = read
            for entry in index["parts"]:
                part, wrong = _PartCheck(folder, entry, listed).run()
                faults += wrong
                parts += [part] if part else []
    return CheckResult(tuple(dict.fromkeys(faults)), seal, tuple(parts), index)


def _read_index(folder: Path, listed: frozenset[str]) -> dict[str, Any] | Fault:
    """The index, or what is wrong with it."""
    if INDEX not in listed:
        return Fault("wrong", INDEX, "It isn't there: the bag isn't one of anodewane's, or not whole.")
    try:
        index = json.loads(read_plain(folder / INDEX, MAX_TAG_BYTES).decode("utf-8"))
    except (OSError, ValueError, RecursionError):
        return Fault("wrong", INDEX, "It can't be read as JSON in UTF-8.")
    if not isinstance(index, dict) or index.get("format") != INDEX_FORMAT:
        return Fault("wrong", INDEX, f"It isn't of format {INDEX_FORMAT}, the one that this version reads.")
    entries = index.get("parts")
    if not isinstance(entries, list) or not entries or not all(isinstance(e, dict) for e in entries):
        return Fault("wrong", INDEX, "It lists no parts.")
    return index


class _PartCheck:
    """A part's files against its record. Nothing is opened that isn't a plain file under data/."""

    def __init__(self, folder: Path, entry: dict[str, Any], listed: frozenset[str]) -> None:
        self.folder, self.entry, self.listed = folder, entry, listed
        self.position = str(entry.get("position", ""))[:200]
        self.faults: list[Fault] = []

    def run(self) -> tuple[BagPart | None, list[Fault]]:
        """The part, None where its record can't be read, and what is wrong."""
        name, record = self._read("record")
        if record is None:
            if name is None:
                self._fault("missing", INDEX, f"'{self.position}' has no record.")
            return None, self.faults
        try:
            verdict = parse_record(record, str(name))
        except AnodewaneError as e:
            self._fault("wrong", name, e.message)
            return None, self.faults
        template = self._template(verdict)
        for what in doubts(verdict, load_catalogue("en"), template):
            self._fault("wrong", name, f"It contradicts itself: {what}")
        self._settings(verdict)
        self._views(verdict)
        self._original(verdict)
        for key in ("overlay", "earlier"):
            self._read(key, MAX_ORIGINAL_BYTES)
        return BagPart(self.position, verdict, self.entry), self.faults

    def _fault(self, kind: FaultKind, file: str | None, text: str) -> None:
        self.faults.append(Fault(kind, file, text))

    def _read(self, key: str, most: int = MAX_TAG_BYTES) -> tuple[str | None, bytes | None]:
        """A file that the index names: its name and content."""
        value = self.entry.get(key)
        name = value.get("file") if isinstance(value, dict) else value
        if name is None:
            return None, None
        if not isinstance(name, str) or name not in self.listed:
            what = f"'{self.position}' names a {key} file that isn't in the bag: {str(name)[:200]}."
            self._fault("missing", INDEX, what)
            return None, None
        return name, self._content(name, most)

    def _content(self, name: str, most: int) -> bytes | None:
        try:
            return read_plain(self.folder / name, most)
        except OSError as e:
            self._fault("refused", name, f"It can't be read: {e.strerror or e}.")
            return None

    def _template(self, verdict: Verdict) -> Template | None:
        from anodewane.catalog.templates import template_digest, template_from_toml

        name, text = self._read("template")
        if text is None or verdict.template is None:
            return None
        try:
            template = template_from_toml(text.decode("utf-8"))
        except (AnodewaneError, UnicodeDecodeError):
            self._fault("wrong", name, "It isn't a template that can be read.")
            return None
        if template_digest(template) != verdict.template.sha256:
            self._fault("wrong", name, f"It isn't the template that the record of '{self.position}' names.")
            return None
        return template

    def _settings(self, verdict: Verdict) -> None:
        name, text = self._read("settings")
        if text is None:
            return
        digest = verdict.provenance.settings_digest
        if not hashlib.sha256(text).hexdigest().startswith(digest):
            self._fault(
                "wrong", name, f"They aren't the settings that the record of '{self.position}' names."
            )
        try:
            settings_from_json(text)
        except AnodewaneError as e:
            self._fault("wrong", name, e.message)

    def _original(self, verdict: Verdict) -> None:
        original = self.entry.get("original")
        name, photo = self._read("original", MAX_ORIGINAL_BYTES)
        if photo is None or not isinstance(original, dict):
            self._fault("missing", name or INDEX, f"'{self.position}' has no original.")
            return
        want = original.get("sha256") if original.get("stripped") is True else verdict.photo.sha256
        judged = original.get("judged_sha256") == verdict.photo.sha256
        if hashlib.sha256(photo).hexdigest() != want or not judged:
            self._fault("wrong", name, NOT_THE_PHOTO.format(self.position))

    def _views(self, verdict: Verdict) -> None:
        """The further photos of a part: each there, and the one that the record names."""
        want = {w.sha256 for w in verdict.views if w.sha256 != verdict.photo.sha256}
        views = self.entry.get("views", [])
        listed = isinstance(views, list) and all(isinstance(w, dict) for w in views)
        if not listed or {w.get("judged_sha256") for w in views} != want:
            what = f"The further photos of '{self.position}' aren't those that its record names."
            self._fault("wrong", INDEX, what)
            return
        for w in views:
            name = w.get("file")
            if not isinstance(name, str) or name not in self.listed:
                what = f"'{self.position}' names a photo that isn't in the bag: {str(name)[:200]}."
                self._fault("missing", INDEX, what)
                continue
            data = self._content(name, MAX_ORIGINAL_BYTES)
            sha256 = w.get("sha256") if w.get("stripped") is True else w.get("judged_sha256")
            if data is not None and hashlib.sha256(data).hexdigest() != sha256:
                self._fault("wrong", name, NOT_THE_PHOTO.format(self.position))
