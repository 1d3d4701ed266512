"""From files to what a report is made of: records, their photos found and checked, templates found by
digest. One photo is in memory at a time."""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from anodewane.errors import AnodewaneError, InputUnreadable
from anodewane.files import read_bytes
from anodewane.record import Verdict
from anodewane.records import Photo, Template
from anodewane.report.model import BookSays, Earlier, EarlierPhoto, PartInput, PhotoState
from anodewane.report.pictures import flat_picture, photo_picture, view_pictures

MAX_RECORD_BYTES = 20_000_000
"""A record is some 60 kB; an outline of a 200 MP photo makes it 2 MB."""

BEFORE_LONG_PX = 500
"""Long side of the photo of the haul-out before: it stands small beside what was found then."""

PHOTO_SUFFIXES = frozenset({".jpg", ".jpeg", ".heic", ".heif", ".hif", ".png", ".webp"})


@dataclass(frozen=True, slots=True)
class RecordFile:
    """A record as it lies on the disk, and what its source knows of the part besides."""

    name: str
    """For the reader."""
    data: bytes
    """Its bytes, untouched."""
    verdict: Verdict
    position: str
    photo: Path | None = None
    """The photo's file where that is known."""
    note: str | None = None
    history: tuple[Earlier, ...] = ()
    book: BookSays | None = None
    before: EarlierPhoto | None = None

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.data).hexdigest()


def parse_record(data: bytes, name: str) -> Verdict:
    """Read a record's bytes.

    Raises
    ------
    InputUnreadable
        Not a record: not JSON, a key missing, a value of the wrong type, of another major version.
    """
    from anodewane.show.record_json import verdict_from_json

    bad = f"'{name}' isn't a record that can be read"
    if len(data) > MAX_RECORD_BYTES:
        raise InputUnreadable(
            f"'{name}' is larger than a record can be.", "Give the record as 'anodewane judge' wrote it."
        )
    try:
        return verdict_from_json(data)
    except (ValueError, TypeError, RecursionError) as e:
        why = _first_fault(e)
        raise InputUnreadable(
            f"{bad} ({why}).", "Give the record as 'anodewane judge' wrote it, or judge the photo again."
        ) from e


def _first_fault(e: Exception) -> str:
    faults = getattr(e, "errors", None)
    if callable(faults):
        try:
            first = faults()[0]
            where = ".".join(str(p) for p in first["loc"])
            return f"{where + ': ' if where else ''}{first['msg']}"[:160]
        except (IndexError, KeyError, TypeError):
            pass
    return str(e).split("\n")[0][:160]


def read_record(path: Path, position: str | None = None) -> RecordFile:
    """Read a record file; without a position it goes by the one that was read on the sheet, or else by
    the file's own name.

    Raises
    ------
    InputUnreadable
    """
    data = read_bytes(path, "record")
    verdict = parse_record(data, path.name)
    label = verdict.label.position if verdict.label else None
    return RecordFile(path.name, data, verdict, position or label or path.stem)


class Photos:
    """Where photos may lie: found by name first, then by SHA-256 of every photo there."""

    def __init__(self, folders: Iterable[Path]) -> None:
        self._folders = list(dict.fromkeys(folders))
        self._by_sha256: dict[str, Path] | None = None

    def find(self, verdict: Verdict, near: Path | None = None) -> Path | None:
        """The photo's file, or one of its name with other content, or None."""
        return self.locate(verdict.photo.name, verdict.photo.sha256, near)

    def locate(self, name: str, sha256: str, near: Path | None = None) -> Path | None:
        """As `find`, by name and SHA-256.

        Only plain file names are looked up: a record changed by hand can't make a report read elsewhere.
        """
        wrong = None
        if near is not None and near.is_file():
            if _sha256(near) == sha256:
                return near
            wrong = near
        if name not in ("", ".", "..") and "/" not in name and "\\" not in name and "\0" not in name:
            for folder in self._folders:
                path = folder / name
                try:
                    if path.is_file():
                        if _sha256(path) == sha256:
                            return path
                        wrong = wrong or path
                except OSError:
                    continue  # a name longer than the disk allows
        return self._index().get(sha256) or wrong

    def _index(self) -> dict[str, Path]:
        if self._by_sha256 is None:
            self._by_sha256 = {}
            for folder in self._folders:
                for path in sorted(folder.rglob("*")) if folder.is_dir() else ():
                    if path.suffix.lower() in PHOTO_SUFFIXES and path.is_file():
                        self._by_sha256.setdefault(_sha256(path), path)
        return self._by_sha256


def _sha256(path: Path) -> str:
    try:
        with path.open("rb") as f:
            return hashlib.file_digest(f, "sha256").hexdigest()
    except OSError:
        return ""


class Templates:
    """New parts by the SHA-256 that a record names: the built-in library, and files that were handed over."""

    def __init__(self, files: Sequence[Path] = (), known: Sequence[Template] = ()) -> None:
        from anodewane.catalog.templates import load_template

        self._handed = [*(load_template(str(f)) for f in files), *known]
        self._by_sha256: dict[str, Template] | None = None

    def find(self, verdict: Verdict) -> Template | None:
        """The template of a record, None where it isn't at hand."""
        from anodewane.catalog.templates import builtin_templates, template_digest

        if verdict.template is None:
            return None
        if self._by_sha256 is None:
            self._by_sha256 = {template_digest(t): t for t in (*self._handed, *builtin_templates().values())}
        return self._by_sha256.get(verdict.template.sha256)


def gather(records: Sequence[RecordFile], photos: Photos, templates: Templates) -> Iterator[PartInput]:
    """Yield a report's parts, one photo read after the other."""
    for record in records:
        yield part_input(
            record,
            photos.find(record.verdict, record.photo),
            templates.find(record.verdict),
            more_photos(record.verdict, photos),
            before=earlier_photo(record, photos),
        )


def earlier_photo(record: RecordFile, photos: Photos) -> Path | None:
    """Where the photo of the haul-out before lies; None where it isn't at hand or there is none."""
    if record.before is None:
        return None
    found = photos.locate(record.before.name, record.before.sha256)
    return found if found is not None and _sha256(found) == record.before.sha256 else None


def more_photos(verdict: Verdict, photos: Photos) -> tuple[Path | None, ...]:
    """Where the further photos of a part lie that was judged from several, in the record's order: the
    first is the one above, which the record names too."""
    return tuple(photos.locate(w.name, w.sha256) for w in verdict.views if w.sha256 != verdict.photo.sha256)


def part_input(
    record: RecordFile,
    photo: Path | None,
    template: Template | None,
    more: Sequence[Path | None] = (),
    copies: Mapping[str, str] | None = None,
    before: Path | None = None,
) -> PartInput:
    """One part. A photo that is missing, not the one that was judged or unreadable is said, and the
    part keeps its page.

    Parameters
    ----------
    more : as `more_photos`
    copies : mapping, optional
        SHA-256 of copies whose pixels are those of a photo that was judged, and that photo's.
    before : Path, optional
        The photo of the haul-out before.
    """
    from anodewane.stages.load import load_photo

    at_hand: dict[str, Photo] = {}
    state: PhotoState = "missing"
    why = picture = flat = size = taken = None
    if photo is not None:
        try:
            data = read_bytes(photo)
            if _judged(data, copies) != record.verdict.photo.sha256:
                state = "changed"
            else:
                at_hand[record.verdict.photo.sha256] = loaded = load_photo(data, photo.name)
                height, width = loaded.rgb.shape[:2]
                picture, size, taken, state = photo_picture(loaded), (width, height), loaded.taken, "shown"
                # a record that was changed may say that its photo has another size: then its
                # pixels lead nowhere
                if size == (record.verdict.photo.width_px, record.verdict.photo.height_px):
                    flat = flat_picture(loaded, record.verdict)
        except AnodewaneError as e:
            state, why = "unreadable", e.message
    named = {w.sha256 for w in record.verdict.views}
    for other in more:
        with contextlib.suppress(AnodewaneError):  # one that can't be read isn't shown
            if other is not None and (digest := _judged(data := read_bytes(other), copies)) in named:
                at_hand[digest] = load_photo(data, other.name)
    earlier = None
    with contextlib.suppress(AnodewaneError):
        if before is not None and record.before is not None:
            small = photo_picture(load_photo(read_bytes(before), before.name), BEFORE_LONG_PX)
            earlier = (record.before.date, small)
    views, thickness_map = view_pictures(at_hand, record.verdict)
    return PartInput(
        position=record.position,
        verdict=record.verdict,
        record_sha256=record.sha256,
        template=template,
        photo=picture,
        flat=flat,
        views=views,
        thickness_map=thickness_map,
        photo_state=state,
        photo_why=why,
        photo_size_px=size,
        photo_taken=taken,
        note=record.note,
        history=record.history,
        book=record.book,
        before=earlier,
    )


def _judged(data: bytes, copies: Mapping[str, str] | None) -> str:
    """SHA-256 of the photo that was judged, of which this is the file or a copy."""
    digest = hashlib.sha256(data).hexdigest()
    return (copies or {}).get(digest, digest)
