"""What a batch would do: which files are photos, where each belongs, which are the same, and what is
left out and why. Frozen records; nothing is judged here."""

from __future__ import annotations

import hashlib
import unicodedata
from collections.abc import Container, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from anodewane.batch.ledger import Ledger
from anodewane.batch.photo_list import LIST_NAME, Said, read_lists
from anodewane.batch.place import Entry, LeftOut, Place, shown_name
from anodewane.batch.placing import Placing, placing_by_folders, settle
from anodewane.errors import InputUnreadable

SkipReason = Literal[
    "dot_file",
    "apple_double",
    "system_file",
    "video_of_photo",
    "video",
    "photo_list",
    "same_shot",
    "not_a_photo",
    "broken_link",
    "link_loop",
    "output",
    "unreadable",
]
SKIP_WORDS: dict[SkipReason, str] = {
    "dot_file": "hidden files (dot-files)",
    "apple_double": "AppleDouble files of a Mac",
    "system_file": "files of the system",
    "video_of_photo": "videos of live photos",
    "video": "videos",
    "photo_list": "photo lists",
    "same_shot": "second files of the same shot",
    "not_a_photo": "other files",
    "broken_link": "links that lead nowhere",
    "link_loop": "folders that are reached twice by links",
    "output": "folders with a batch's results",
    "unreadable": "folders that can't be read",
}

PHOTO_ENDINGS = (".jpg", ".jpeg", ".jpe", ".jfif", ".mpo", ".heic", ".heif", ".hif", ".png", ".webp")
"""In capitals or small letters. What `stages/load.py` reads; it goes by the content, so a photo with
another photo's ending is read too."""
VIDEO_ENDINGS = (".mov", ".mp4", ".m4v", ".avi", ".3gp", ".mkv", ".webm", ".mts", ".insv")
SYSTEM_NAMES = frozenset(("thumbs.db", "desktop.ini", "ehthumbs.db", "icon\r"))
SYSTEM_FOLDERS = frozenset(("@eadir", "$recycle.bin", "system volume information", "lost+found"))
HASHING_THREADS = 4
MAX_OUT_BYTES = 200
"""Longest name of a photo that outputs are called after: with their endings they must stay below the
255 bytes of most file systems."""


@dataclass(frozen=True, slots=True)
class PlannedPhoto:
    """One photo to judge.

    name : relative, "/" between folders, as the file system has it (undecodable bytes as lone
    surrogates); shown : the same fit for print; out_name : what its outputs are called after: `shown`,
    unless that is too long or another's but for capitals. stamp, likeness : as in `Entry`. sha256 : of
    its content, None where nothing else can be equal to it: the judge will hash it anyway. placings :
    what each source says, strongest first: list before folder (a label on the sheet comes between them
    once the photo was read). template : name or file as the list gives it, with the list's own folder
    as `template_folder`; None for the run's own. duplicate_of : `name` of the first photo with the same
    content and the same template, weight and thickness; it is judged there and shown here.
    """

    name: str
    shown: str
    out_name: str
    size_bytes: int
    stamp: str | None
    likeness: str
    sha256: str | None
    placings: tuple[Placing, ...]
    template: str | None
    template_folder: str
    weighed_g: float | None
    thickness_mm: float | None
    duplicate_of: str | None


@dataclass(frozen=True, slots=True)
class Skipped:
    """A file or folder that isn't judged. shown : its name; detail : more, such as the photo whose
    live video it is."""

    shown: str
    reason: SkipReason
    detail: str


@dataclass(frozen=True, slots=True)
class Plan:
    """Photos in order of their names; what is left out; what should be told (contradictions, rows of
    the list that name no file)."""

    photos: tuple[PlannedPhoto, ...]
    skipped: tuple[Skipped, ...]
    notes: tuple[str, ...]
    hashes: tuple[tuple[str, str, str, str], ...] = ()
    taken: tuple[tuple[str, str, str | None], ...] = ()
    """For the ledger: contents hashed and times of shots read on the way, so that the next run needn't."""


def make_plan(source: Place, ledger: Ledger, levels: tuple[str, ...] | None = None) -> Plan:
    """Look through a place.

    Parameters
    ----------
    source : Place
    ledger : Ledger
        Knows hashes of earlier runs.
    levels : tuple of str, optional
        What the folders stand for (`placing.parse_levels`).

    Raises
    ------
    InputUnreadable
        The place can't be read.
    UsageError
        A photos.csv is wrong.
    """
    left_out: list[LeftOut] = []
    entries = sorted(
        source.entries(left_out),
        key=lambda e: [part.encode("utf-8", "surrogateescape") for part in e.name.split("/")],
    )
    skipped = [Skipped(shown_name(o.name), o.kind, o.detail) for o in left_out]
    photos, lists = _sort_out(entries, skipped)
    said = read_lists(source, lists, (e.name for e in photos), _folders(entries))
    taken: list[tuple[str, str, str | None]] = []
    photos = _one_file_a_shot(photos, said.files, source, ledger, skipped, taken)
    out_names = _out_names([e.name for e in photos])
    hashes = _hash(photos, source, ledger)
    planned: list[PlannedPhoto] = []
    first: dict[tuple[str, str | None, float | None, float | None], PlannedPhoto] = {}
    notes = list(said.notes)
    for e in photos:
        about = said.about(e.name)
        photo = _planned(e, out_names[e.name], hashes.get(e.name), about, levels)
        settled = settle(photo.placings)
        notes += [f"{photo.shown}: {c}; the first is taken." for c in settled.contradictions]
        if photo.sha256 is not None:
            original = first.setdefault(
                (photo.sha256, photo.template, photo.weighed_g, photo.thickness_mm), photo
            )
            if original is not photo:
                photo = replace(photo, duplicate_of=original.name)
                other = settle(original.placings)
                if (
                    (other.boat, other.position) != (settled.boat, settled.position)
                    and settled.placed_by
                    and other.placed_by
                ):
                    notes.append(
                        f"{photo.shown} is the same photo as {original.shown}, but its place is another."
                    )
        planned.append(photo)
    new_hashes = tuple(
        (e.name, e.stamp, hashes[e.name], e.likeness)
        for e in photos
        if e.stamp is not None and e.name in hashes
    )
    return Plan(
        tuple(planned), tuple(sorted(skipped, key=lambda s: s.shown)), tuple(notes), new_hashes, tuple(taken)
    )


def _planned(
    e: Entry, out_name: str, sha256: str | None, about: Said, levels: tuple[str, ...] | None
) -> PlannedPhoto:
    placings = []
    if about.text("boat") or about.text("position"):
        placings.append(Placing(about.text("boat"), about.text("position"), "csv"))
    placings.append(placing_by_folders(e.name, levels))
    return PlannedPhoto(
        name=e.name,
        shown=shown_name(e.name),
        out_name=out_name,
        size_bytes=e.size_bytes or 0,
        stamp=e.stamp,
        likeness=e.likeness,
        sha256=sha256,
        placings=tuple(placings),
        template=about.text("template"),
        template_folder=about.values["template"][1].folder if "template" in about.values else "",
        weighed_g=about.number("weighed_g"),
        thickness_mm=about.number("thickness_mm"),
        duplicate_of=None,
    )


# --- which files are photos ----------------------------------------------------------------------


def _sort_out(entries: list[Entry], skipped: list[Skipped]) -> tuple[list[Entry], list[str]]:
    """Photos and lists; everything else goes on `skipped`."""
    photos, lists, videos = [], [], []
    for e in entries:
        reason = _why_not(e)
        if reason == "photo_list":
            lists.append(e.name)
        if reason == "video":
            videos.append(e)
        elif reason is not None:
            skipped.append(Skipped(shown_name(e.name), reason, ""))
        else:
            photos.append(e)
    by_stem = {_stem(e.name): e.name for e in reversed(photos)}
    for e in videos:
        photo = by_stem.get(_stem(e.name))
        skipped.append(
            Skipped(
                shown_name(e.name), "video_of_photo" if photo else "video", shown_name(photo) if photo else ""
            )
        )
    return photos, lists


def _why_not(e: Entry) -> SkipReason | None:
    *folders, file = e.name.split("/")
    low = file.casefold()
    if file.startswith("._") or "__MACOSX" in folders:
        return "apple_double"
    if low in SYSTEM_NAMES or any(f.casefold() in SYSTEM_FOLDERS for f in folders):
        return "system_file"
    if any(part.startswith(".") for part in (*folders, file)):
        return "dot_file"
    if low == LIST_NAME:
        return "photo_list"
    if low.endswith(VIDEO_ENDINGS):
        return "video"
    if not low.endswith(PHOTO_ENDINGS):
        return "not_a_photo"
    return "broken_link" if e.size_bytes is None else None


def _stem(name: str) -> str:
    return unicodedata.normalize("NFC", name.rsplit(".", 1)[0]).casefold()


def _folders(entries: Iterable[Entry]) -> Iterator[str]:
    seen = {""}
    yield ""
    for e in entries:
        at = e.name.rfind("/") + 1
        while at and e.name[:at] not in seen:
            seen.add(e.name[:at])
            yield e.name[:at]
            at = e.name.rfind("/", 0, at - 1) + 1


def _one_file_a_shot(
    photos: list[Entry],
    listed: Container[str],
    source: Place,
    ledger: Ledger,
    skipped: list[Skipped],
    taken: list[tuple[str, str, str | None]],
) -> list[Entry]:
    """Phones keep a shot as HEIC and JPEG side by side. Of files that differ in their ending only and
    were taken at the same moment one is judged: the one that the list names, else the HEIC, else the
    first. Where a file doesn't tell its moment, or tells another, each is judged."""
    groups: dict[str, list[Entry]] = {}
    for e in photos:
        groups.setdefault(_stem(e.name), []).append(e)
    dropped: set[str] = set()
    for group in groups.values():
        if len(group) < 2 or not any(e.name.casefold().endswith((".heic", ".heif", ".hif")) for e in group):
            continue
        moments: dict[str, list[Entry]] = {}
        for e in group:
            moment = _moment(e, source, ledger, taken)
            if moment is not None:
                moments.setdefault(moment, []).append(e)
        for same in moments.values():
            kept = min(
                same,
                key=lambda e: (
                    e.name not in listed,
                    not e.name.casefold().endswith((".heic", ".heif", ".hif")),
                ),
            )
            for e in same:
                if e is not kept and e.name not in listed:
                    dropped.add(e.name)
                    skipped.append(Skipped(shown_name(e.name), "same_shot", shown_name(kept.name)))
    return [e for e in photos if e.name not in dropped]


def _moment(e: Entry, source: Place, ledger: Ledger, taken: list[tuple[str, str, str | None]]) -> str | None:
    from anodewane.stages.load import read_taken

    known = ledger.taken_of(e.name, e.stamp)
    if known is not None:
        return known[0]
    try:
        moment = read_taken(source.read(e.name), e.name)
    except InputUnreadable:
        return None
    if e.stamp is not None:
        taken.append((e.name, e.stamp, moment))
    return moment


# --- which are the same, and what outputs are called ---------------------------------------------


def _hash(photos: list[Entry], source: Place, ledger: Ledger) -> dict[str, str]:
    """SHA-256 by name: as the ledger has it under the same stamp, else read where some other content
    could be equal; the rest needn't be known yet."""
    hashes: dict[str, str] = {}
    counts: dict[str, int] = {}
    for e in photos:
        counts[e.likeness] = counts.get(e.likeness, 0) + 1
    unknown: list[str] = []
    for e in photos:
        sha256 = ledger.hash_of(e.name, e.stamp)
        if sha256 is not None:
            hashes[e.name] = sha256
        elif counts[e.likeness] > 1 or ledger.knows_like(e.likeness):
            unknown.append(e.name)
    return hashes | hash_photos(unknown, source)


def hash_photos(names: Sequence[str], source: Place) -> dict[str, str]:
    """SHA-256 by name; what can't be read is left out."""
    from concurrent.futures import ThreadPoolExecutor

    def hashed(name: str) -> str | None:
        try:
            return hashlib.sha256(source.read(name)).hexdigest()
        except InputUnreadable:
            return None  # it will be a row of its own

    with ThreadPoolExecutor(HASHING_THREADS) as pool:
        return {
            name: sha256
            for name, sha256 in zip(names, pool.map(hashed, names), strict=True)
            if sha256 is not None
        }


def _out_names(names: list[str]) -> dict[str, str]:
    """What outputs are called after: the photo's own name, whole, so that a.jpg and a.heic don't meet;
    with a mark where two would on a disk that knows no capitals."""
    counts: dict[str, int] = {}
    keys = {}
    for name in names:
        keys[name] = unicodedata.normalize("NFC", shown_name(name)).casefold()
        counts[keys[name]] = counts.get(keys[name], 0) + 1
    return {name: _out_name(name, counts[keys[name]] > 1) for name in names}


def _out_name(name: str, meets_another: bool) -> str:
    *folders, file = (
        part or "%" for part in shown_name(name).split("/")
    )  # a store's key may have "//" in it; "." and ".." are hidden files
    if meets_another or len(file.encode()) > MAX_OUT_BYTES:
        mark = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:8]
        file = f"{file.encode()[:MAX_OUT_BYTES].decode('utf-8', 'ignore')}~{mark}"
    return "/".join([*folders, file])
