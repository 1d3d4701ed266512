"""What the page keeps on the disk, in a folder beside the book: photos untouched by SHA-256, uploads
under way, pictures made for the page, and who is paired.

No name in it comes from a client: photos, pictures and handed outlines are called by digests that are
computed here, uploads by 32 hex digits that are checked.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import shutil
import threading
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any, Literal

from anodewane.errors import InputUnreadable, OutputNotWritable, UsageError
from anodewane.files import check_folder, write_atomic
from anodewane.web.limits import LIMITS, Limits

State = Literal["receiving", "waiting", "done", "failed"]

HEX32 = re.compile(r"[0-9a-f]{32}")
HEX64 = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, slots=True)
class Upload:
    """A photo on its way to its judgement, or a correction of one.

    id : 32 hex digits, chosen by the phone so that it can ask again; owner : digest of the session;
    size : bytes announced; begun_at : seconds since 1970, in the order in which parts came off; photo :
    its file's name once it is whole; judgement : its number in the book; says, remedy : why it couldn't
    be judged; corrects : the judgement that a person's outline or measure replaces; handed : digest of
    that outline; weighed_g, thickness_mm : what was measured of the part; template : its name, where the
    book has no part there and somebody chose.
    """

    id: str
    owner: str
    boat: str
    position: str
    hauled_on: str
    by: str
    size: int
    begun_at: float
    state: State = "receiving"
    photo: str | None = None
    judgement: int | None = None
    says: str | None = None
    remedy: str | None = None
    corrects: int | None = None
    handed: str | None = None
    weighed_g: float | None = None
    thickness_mm: float | None = None
    template: str | None = None


class Yard:
    """The folder beside a book. One server at a time has it."""

    def __init__(self, book: Path, limits: Limits = LIMITS, clock: Callable[[], float] = time.time) -> None:
        from filelock import FileLock, Timeout

        self.book, self.limits, self.clock = book, limits, clock
        self.folder = book.with_name(f"{book.name}.yard")
        self.photos, self.pictures, self.uploads, self.handed = (
            self.folder / n for n in ("photos", "pictures", "uploads", "handed")
        )
        for folder in (self.folder, self.photos, self.pictures, self.uploads, self.handed):
            check_folder(folder)
        with contextlib.suppress(OSError):
            self.folder.chmod(0o700)  # photos carry the place where they were taken
        self._lock = threading.RLock()
        # taken in one thread, let go in another
        self._own = FileLock(self.folder / "serving.lock", thread_local=False)
        try:
            self._own.acquire(timeout=0)
        except Timeout as e:
            raise UsageError(
                f"Another 'anodewane serve' has the book '{book.name}' already.",
                "Stop it first, or use its page.",
            ) from e
        self._known = {u.id: u for u in self._read()}

    def close(self) -> None:
        """Let another server have it."""
        self._own.release()

    def _read(self) -> list[Upload]:
        """Uploads that the last server left, oldest first; those of which nobody has heard for
        `Limits.keep_days` are dropped."""
        names = {f.name for f in fields(Upload)}
        found = []
        for file in self.uploads.glob("*.json"):
            try:
                plain: dict[str, Any] = json.loads(file.read_text("utf-8"))
                upload = Upload(**{k: v for k, v in plain.items() if k in names})
            except (OSError, ValueError, TypeError):
                continue
            old = self.clock() - file.stat().st_mtime > self.limits.keep_days * 86400
            if old and upload.state != "waiting":
                self._part(upload.id).unlink(missing_ok=True)
                file.unlink(missing_ok=True)
            elif HEX32.fullmatch(upload.id):
                found.append(upload)
        return sorted(found, key=lambda u: u.begun_at)

    def _part(self, upload_id: str) -> Path:
        return self.uploads / f"{upload_id}.part"

    def put(self, upload: Upload) -> Upload:
        """Keep an upload's state."""
        with self._lock:
            write_atomic(
                self.uploads / f"{upload.id}.json", json.dumps(asdict(upload), ensure_ascii=False).encode()
            )
            self._known[upload.id] = upload
            if len(self._known) > self.limits.known_uploads:
                old = next((u for u in self._known.values() if u.state in ("done", "failed")), None)
                if old is not None:
                    del self._known[old.id]
                    (self.uploads / f"{old.id}.json").unlink(missing_ok=True)
        return upload

    def get(self, upload_id: str) -> Upload | None:
        """The upload of that id."""
        with self._lock:
            return self._known.get(upload_id)

    def all(self, boat: str | None = None) -> list[Upload]:
        """Uploads in the order in which they began."""
        with self._lock:
            return [u for u in self._known.values() if boat is None or u.boat == boat]

    def begin(self, upload: Upload) -> Upload:
        """Announce a photo; one that is announced already goes on where it stands.

        Raises
        ------
        UsageError
            Too large, or too many at once.
        OutputNotWritable
            The disk is full.
        """
        if not HEX32.fullmatch(upload.id):
            raise UsageError("The photo's number isn't 32 hex digits.", "Load the page again.")
        if not 0 < upload.size <= self.limits.upload_bytes:
            raise UsageError(
                f"The photo has {upload.size} bytes; "
                f"from 1 to {self.limits.upload_bytes // 1_000_000} million are taken.",
                "Take it with the phone's usual camera settings.",
            )
        with self._lock:
            have = self._known.get(upload.id)
            if have is not None:
                if have.owner != upload.owner or have.size != upload.size:
                    raise UsageError("Another photo has that number.", "Load the page again.")
                return have
            of_phone = (u for u in self._known.values() if u.owner == upload.owner)
            if sum(u.state == "receiving" for u in of_phone) >= self.limits.open_uploads:
                raise OutputNotWritable(
                    f"This phone has {self.limits.open_uploads} photos under way already.",
                    "Wait until they are through.",
                )
            if shutil.disk_usage(self.folder).free < self.limits.free_bytes + upload.size:
                raise OutputNotWritable(
                    "The disk of this machine is nearly full.",
                    "Free some space; the photo stays on the phone until then.",
                )
            return self.put(upload)

    def received(self, upload_id: str) -> int:
        """Bytes of an upload that lie on the disk."""
        try:
            return self._part(upload_id).stat().st_size
        except FileNotFoundError:
            return 0

    def append(self, upload: Upload, offset: int, data: bytes) -> int:
        """Write a piece at its place and return how many bytes there are. A piece that doesn't begin
        there is left out: the phone then asks and goes on from there."""
        with self._lock:
            have = self.received(upload.id)
            if upload.id not in self._known:
                raise UsageError("The phone let go of that photo.", "Take it again.")
            if upload.state != "receiving" or offset != have or have + len(data) > upload.size:
                return have
            try:
                with self._part(upload.id).open("ab") as f:
                    f.write(data)
                    f.flush()
                    os.fsync(f.fileno())
            except OSError as e:
                raise OutputNotWritable(
                    f"The photo can't be written: {e.strerror or e}.",
                    "Free some space; the photo stays on the phone until then.",
                ) from e
            return self.received(upload.id)

    def drop(self, upload: Upload) -> Upload:
        """Forget a photo that isn't whole yet; any other stays as it is. Returns its state before."""
        with self._lock:
            now = self._known.get(upload.id, upload)
            if now.state == "receiving":
                self._known.pop(upload.id, None)
                for file in (self._part(upload.id), self.uploads / f"{upload.id}.json"):
                    file.unlink(missing_ok=True)
            return now

    def finish(self, upload: Upload) -> Upload:
        """Take a photo that is whole among the photos: then it waits for its judgement. What isn't a
        photo fails with a sentence."""
        from anodewane.stages.load import read_size

        with self._lock:
            now = self._known[upload.id]
            if now.state != "receiving":
                return now
            part = self._part(upload.id)
            data = part.read_bytes()
            try:
                kind, width, height = read_size(data, "photo")
                if width * height > self.limits.upload_pixels:
                    raise InputUnreadable(
                        f"The photo has {width} x {height} pixels; the page takes "
                        f"{self.limits.upload_pixels // 1_000_000} million.",
                        "Set the camera to its usual resolution.",
                    )
            except InputUnreadable as e:
                part.unlink(missing_ok=True)
                return self.put(replace(now, state="failed", says=e.message, remedy=e.remedy))
            name = (
                hashlib.sha256(data).hexdigest()
                + {"JPEG": ".jpg", "HEIC": ".heic", "PNG": ".png", "WEBP": ".webp"}[kind]
            )
            part.replace(self.photos / name)
            return self.put(replace(now, state="waiting", photo=name))

    def photo_of(self, sha256: str) -> Path | None:
        """The photo of that digest, where it is here."""
        if not HEX64.fullmatch(sha256):
            return None
        return next(
            (p for s in (".jpg", ".heic", ".png", ".webp") if (p := self.photos / (sha256 + s)).is_file()),
            None,
        )

    def keep_handed(self, data: bytes) -> str:
        """Keep what a person handed in, by its digest."""
        digest = hashlib.sha256(data).hexdigest()
        write_atomic(self.handed / f"{digest}.json", data)
        return digest

    def overlay_file(self, record_sha256: str) -> Path:
        """Where a judgement's picture lies, once it is made."""
        return self.pictures / f"{record_sha256}.jpg"

    def report_file(self, digest: str, form: str) -> Path:
        """Where a report lies, once it is made; the oldest go when there are many."""
        reports = self.folder / "reports"
        check_folder(reports)
        kept = sorted(reports.iterdir(), key=lambda p: p.stat().st_mtime)
        for old in kept[: -self.limits.kept_reports]:
            old.unlink(missing_ok=True)
        return reports / f"{digest}.{form}"

    def view_file(self, photo_sha256: str) -> Path:
        """Where a photo's upright copy for the page lies, once it is made."""
        return self.pictures / f"{photo_sha256}.view.jpg"
