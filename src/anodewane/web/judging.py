"""Judging behind the page: what a worker process does with one photo, and the queue before the workers.

The queue is bounded and fair: each phone has its own line, the lines take turns, and a correction that
somebody waits for goes before new photos of the same phone. What waits is on the disk (`yard`), so that
a restart loses nothing.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import sys
import threading
import time
from collections import OrderedDict, deque
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future, wait
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from anodewane.errors import AnodewaneError, InputUnreadable, UsageError

if TYPE_CHECKING:
    from anodewane.record import Reason
    from anodewane.records import MetalMask, Photo, Template
    from anodewane.settings import Settings
    from anodewane.web.yard import Upload, Yard

MAX_WAITING = 200
"""Photos that wait at once; more stay on their phones, which ask again."""

MAX_QUICK = 6
"""Quick looks under way at once; a phone that gets none goes without."""

QUICK_S = 20.0
"""A quick look that takes longer comes too late to be of use."""

VIEW_LONG_SIDE_PX = 2048
"""Of a photo's upright copy: the finger works on it."""

SNAP_SHARE, MAX_SNAP = 1.3, 0.01
"""How far a painted edge may snap: times the brush's radius, and at most this share of the
photo's long side."""

MAX_POINTS = 40_000
"""Points of rings and strokes in one correction."""

FAULT = "The photo can't be judged: an unexpected fault."
REMEDY = "Take it again; if that doesn't help, judge it with 'anodewane judge' and report what it says."


@dataclass(frozen=True, slots=True)
class Task:
    """What a worker needs, pickled to it. handed : a person's outline, with by and when."""

    photo: Path
    template: Template | None
    settings: Settings
    handed: bytes | None = None
    by: str | None = None
    when: str | None = None


# --- in the worker -------------------------------------------------------------------------------


def judge_task(task: Task) -> bytes:
    """Judge a photo and return its record; its picture is drawn after that (`overlay_task`), while the
    book takes the record.

    Raises
    ------
    InputUnreadable, UsageError, ModelError
    """
    from anodewane.judgement.pipeline import judge_photo
    from anodewane.show.record_json import verdict_to_json

    photo = _loaded(task.photo)
    if task.handed is not None:
        from anodewane.judgement.by_hand import Handed
        from anodewane.record import Manual

        mask = corrected(photo, task.handed)
        verdict = judge_photo(photo, task.template, task.settings, mask=mask)
        verdict = Handed(
            mask, Manual(task.by, task.when, hashlib.sha256(task.handed).hexdigest()), None
        ).sign(verdict)
    else:
        verdict = judge_photo(photo, task.template, task.settings)
    return verdict_to_json(verdict).encode()


@lru_cache(maxsize=1)
def _loaded(file: Path) -> Photo:
    """A photo, decoded; the last one is kept for its picture. Files in the yard are called by their
    digests, so a name is always the same photo."""
    from anodewane.files import read_bytes
    from anodewane.stages.load import load_photo

    return load_photo(read_bytes(file), file.name)


def overlay_task(photo: Path, record: bytes, file: Path) -> None:
    """Draw a judgement into `file`. On the worker that judged it the photo is decoded already."""
    from anodewane.files import write_atomic

    write_atomic(file, draw_task(photo, record))


def warm_task() -> None:
    """Load what a judgement needs before the first photo comes: it takes longer than the judgement."""
    import anodewane.judgement.pipeline
    import anodewane.show.overlay
    import anodewane.show.record_json  # noqa: F401
    from anodewane.segment.model_file import shared_session

    shared_session()


def draw_task(photo: Path, record: bytes | None) -> bytes:
    """A picture for the page: a judgement's overlay, or the photo itself upright and without
    any of its EXIF."""
    import cv2

    from anodewane.show.canvas import encode_picture
    from anodewane.show.overlay import overlay
    from anodewane.show.record_json import verdict_from_json

    seen = _loaded(photo)
    _loaded.cache_clear()  # no photo stays in memory without need
    if record is not None:
        return encode_picture(overlay(seen, verdict_from_json(record), caption=False), ".jpg")
    height, width = seen.rgb.shape[:2]
    scale = min(1.0, VIEW_LONG_SIDE_PX / max(height, width))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    small: Any = cv2.resize(seen.rgb, size, interpolation=cv2.INTER_AREA)
    return encode_picture(small, ".jpg")


def read_correction(data: bytes) -> tuple[list[Any], list[tuple[bool, float, Any]]]:
    """Rings [(n, 2)] and strokes [(metal, radius, (n, 2))] of a correction, in pixels of the upright photo.

    Raises
    ------
    UsageError
        Not what the page sends.
    """
    import numpy as np

    def points(p: Any, least: int) -> Any:
        array = np.array(p, float)
        if array.ndim != 2 or array.shape[1] != 2 or len(array) < least or not (np.abs(array) < 1e5).all():
            raise ValueError
        return array

    try:
        plain = json.loads(data)
        rings = [points(r, 3) for r in plain["rings"]]
        strokes = [(s["metal"] is True, float(s["radius"]), points(s["points"], 1)) for s in plain["strokes"]]
        if not all(0.5 <= r <= 2000 for _, r, _ in strokes):
            raise ValueError
        total = sum(map(len, rings)) + sum(len(p) for _, _, p in strokes)
        if not 0 < total <= MAX_POINTS or len(rings) > 200 or len(strokes) > 500:
            raise ValueError
    except (ValueError, TypeError, KeyError, AttributeError, OverflowError, RecursionError) as e:
        raise UsageError(
            "The corrected outline can't be read.", "Load the page again and correct the outline once more."
        ) from e
    return rings, strokes


def corrected(photo: Photo, handed: bytes) -> MetalMask:
    """The metal as a person outlined it. Dragged outlines are taken as they are; where it was painted,
    the edge snaps to where the light changes (`snapped`).

    Raises
    ------
    UsageError
        Nothing is left, or the outline crosses itself.
    """
    import cv2
    import numpy as np

    from anodewane.stages.refine import mask_from_pixels, mask_from_rings

    rings, strokes = read_correction(handed)
    if not strokes:
        return mask_from_rings(rings)
    canvas = np.zeros(photo.rgb.shape[:2], np.uint8)
    painted = np.zeros_like(canvas)  # where a finger was, and how far off it may be there

    def at(p: Any) -> Any:
        return np.round(p * 16).astype(np.int32).reshape(-1, 1, 2)

    if rings:
        cv2.fillPoly(canvas, [at(r) for r in rings], 255, cv2.LINE_AA, 4)
    for metal, radius, points in strokes:
        wide = max(1, round(2 * radius))
        line = at(points if len(points) > 1 else np.vstack([points, points]))
        cv2.polylines(canvas, [line], False, 255 if metal else 0, wide, cv2.LINE_AA, 4)
        cv2.polylines(
            painted,
            [line],
            False,
            round(min(max(SNAP_SHARE * radius, 2.0), MAX_SNAP * max(canvas.shape), 250)),
            wide + 6,
            cv2.LINE_8,
            4,
        )
    try:
        mask = mask_from_pixels(canvas)
    except UsageError as e:
        raise UsageError(
            "Nothing that was painted as metal is left.", "Undo the last strokes, or paint the metal."
        ) from e
    outlines = [np.asarray(ring) for piece in mask.pieces_px for ring in piece]
    try:
        return mask_from_rings([snapped(np.asarray(photo.rgb), ring, painted) for ring in outlines])
    except UsageError:  # two snapped edges met: the paint itself is taken
        return mask


def snapped(rgb: Any, ring: Any, painted: Any) -> Any:
    """A ring (n, 2), photo px, moved along its normals to the strongest edge within reach where
    `painted` (H, W) says so (px), and left alone elsewhere.

    The moves are chosen together, so that neighbours move alike: the path of least cost through (point,
    move), by dynamic programming (Viterbi). The light is taken linear, as an edge under blur lies where
    linear light changes fastest.
    """
    import cv2
    import numpy as np
    from scipy.ndimage import gaussian_filter, gaussian_filter1d

    from anodewane.geometry.rings import resample_ring, ring_normals
    from anodewane.units import SRGB_TO_LINEAR

    ring = resample_ring(ring, 1.5)
    n = len(ring)
    if n < 12:
        return ring
    i, j = np.clip(np.round(ring).astype(int), 0, np.array(rgb.shape[1::-1]) - 1).T
    reach = painted[j, i].astype(float)
    if not reach.any():
        return ring
    first = int(np.argmin(reach))  # the path begins where nothing moves, if there is such a place
    ring, reach = np.roll(ring, -first, 0), np.roll(reach, -first)
    t = np.arange(-2 * int(reach.max()), 2 * int(reach.max()) + 1) / 2
    normal = ring_normals(ring, 4)
    x, y = ring[:, :1] + normal[:, :1] * t, ring[:, 1:] + normal[:, 1:] * t
    seen: Any = cv2.remap(
        rgb, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    light = np.stack(
        [
            gaussian_filter(SRGB_TO_LINEAR[seen[..., c]].astype(float), (2.0, 2.0), mode=("wrap", "nearest"))
            for c in range(3)
        ],
        -1,
    )
    slope = np.linalg.norm(np.gradient(light, axis=1), axis=2)
    near = reach > 0
    # what the edge looks like where nobody painted: texture inside the part is no edge beside it
    usual = float(np.median(slope[~near, len(t) // 2])) if (~near).sum() >= 20 else 0.0
    cost = -slope / max(1e-9, usual, float(np.percentile(slope[near].max(1), 75)))
    cost = np.where(
        np.abs(t)[None] <= np.maximum(reach, 0.25)[:, None],
        cost + 0.12 * (t[None] / np.maximum(reach, 1.0)[:, None]) ** 2,
        1e6,
    )
    total, came = cost[0].copy(), np.zeros(cost.shape, np.int8)
    for k in range(1, n):
        options = np.stack([np.r_[np.inf, total[:-1]] + 0.06, total, np.r_[total[1:], np.inf] + 0.06])
        came[k] = options.argmin(0) - 1
        total = options.min(0) + cost[k]
    at = np.zeros(n, int)
    at[-1] = int(total.argmin())
    for k in range(n - 1, 0, -1):
        at[k - 1] = at[k] + came[k][at[k]]
    move = gaussian_filter1d(t[at], 1.5, mode="wrap")
    return np.where(near[:, None], ring + normal * move[:, None], ring)


# --- the queue -----------------------------------------------------------------------------------


DRAW_S = 120.0


class Judging:
    """The queue and its workers. `make_executor` is called at the start and again whenever a worker's
    death breaks the pool."""

    def __init__(
        self, yard: Yard, settings: Settings, make_executor: Callable[[], Executor], workers: int
    ) -> None:
        self.yard, self.settings, self.workers = yard, settings, workers
        self._make = make_executor
        self._executor: Executor | None = None
        self._lines: OrderedDict[str, deque[str]] = OrderedDict()
        self._busy: dict[Future[bytes], str] = {}
        self._deaths: dict[str, int] = {}
        self._drawing: dict[str, Future[None]] = {}
        self._room = threading.Condition(threading.RLock())
        self._quick = threading.BoundedSemaphore(MAX_QUICK)
        self.leaving = False
        """Whether the server is about to stop: nobody waits for anything then. Set from a
        signal's handler."""
        self._stopped = False
        self._thread = threading.Thread(target=self._run, name="judging", daemon=True)

    def start(self) -> None:
        """Begin, with what the last server left waiting."""
        with self._room:
            for upload in self.yard.all():
                if upload.state == "waiting":
                    self._line(upload.owner).append(upload.id)
            with contextlib.suppress(BrokenExecutor):  # the first photo then tells
                for _ in range(self.workers):
                    self._pool().submit(warm_task)
        self._thread.start()

    def stop(self) -> None:
        """Stop; what waits stays on the disk."""
        with self._room:
            self._stopped = True
            self._room.notify_all()
        self._thread.join(timeout=30)
        if self._executor is not None:
            self._executor.shutdown(wait=True, cancel_futures=True)

    @property
    def full(self) -> bool:
        """Whether no more photos can wait."""
        with self._room:
            return sum(map(len, self._lines.values())) >= MAX_WAITING

    def add(self, upload: Upload, urgent: bool = False) -> None:
        """Put a photo into its phone's line, an urgent one first."""
        with self._room:
            if urgent:
                self._line(upload.owner).appendleft(upload.id)
            else:
                self._line(upload.owner).append(upload.id)
            self._room.notify_all()

    def draw(self, photo: Path, record: bytes | None) -> bytes:
        """A picture for the page, made by a worker (`draw_task`)."""
        with self._room:
            if self._stopped:
                raise UsageError("The server is stopping.", "Load the page again in a moment.")
            future = self._pool().submit(draw_task, photo, record)
        if not self._await(future):
            raise UsageError("The server is stopping.", "Load the page again in a moment.")
        try:
            return future.result()
        except BrokenExecutor as e:
            self._renew()
            raise InputUnreadable(
                "The picture can't be made.",
                "Load the page again; if that doesn't help, take the photo again.",
            ) from e

    def _draw_soon(self, upload: Upload, record: bytes) -> None:
        """Have a judgement drawn while the book takes it in and the page is sent."""
        digest = hashlib.sha256(record).hexdigest()
        assert upload.photo is not None
        with (
            self._room,
            contextlib.suppress(Exception),
        ):  # whatever hinders it, the judgement stands, and it is drawn when somebody asks
            if self._stopped:
                return
            future = self._pool().submit(
                overlay_task, self.yard.photos / upload.photo, record, self.yard.overlay_file(digest)
            )
            self._drawing[digest] = future
            future.add_done_callback(lambda _: self._drawing.pop(digest, None))

    def await_overlay(self, digest: str) -> None:
        """Wait for a picture that is being drawn now, if there is one; whether it got there
        shows in the yard."""
        future = self._drawing.get(digest)
        if future is not None:
            self._await(future)

    def _await(self, future: Future[Any]) -> bool:
        """Wait for a worker, but not into the server's end. Whether it is done."""
        until = time.monotonic() + DRAW_S
        while not self.leaving and time.monotonic() < until and not wait([future], timeout=0.2).done:
            pass
        return future.done()

    def quick(self, copy: bytes) -> tuple[Reason, ...] | None:
        """What a reduced copy of a photo shows to be wrong (`quick.quick_look`); None where there is no
        time for it now.

        Raises
        ------
        InputUnreadable
            The copy isn't a picture.
        """
        from anodewane.web.quick import quick_look

        if not self._quick.acquire(blocking=False):
            return None
        try:
            with self._room:
                if self._stopped:
                    return None
                future = self._pool().submit(quick_look, copy, self.settings)
            return future.result(timeout=QUICK_S)
        except BrokenExecutor:
            self._renew()
            return None
        except TimeoutError:
            return None
        finally:
            self._quick.release()

    def _line(self, owner: str) -> deque[str]:
        return self._lines.setdefault(owner, deque())

    def _pool(self) -> Executor:
        if self._executor is None:
            self._executor = self._make()
        return self._executor

    def _renew(self) -> None:
        with self._room:
            if self._executor is not None:
                self._executor.shutdown(wait=False, cancel_futures=True)
            self._executor = None

    def _next(self) -> str | None:
        """The first of the line whose turn it is; that line then goes to the end."""
        for owner in list(self._lines):
            line = self._lines[owner]
            if not line:
                del self._lines[owner]
                continue
            self._lines.move_to_end(owner)
            return line.popleft()
        return None

    def _run(self) -> None:
        while True:
            with self._room:
                while not self._stopped and (
                    len(self._busy) >= self.workers or not any(self._lines.values())
                ):
                    self._room.wait()
                if self._stopped:
                    return
                number = self._next()
                if number is None:
                    continue
                upload = self.yard.get(number)
                if upload is None:
                    continue
                try:
                    future = self._pool().submit(judge_task, self._task(upload))
                except AnodewaneError as e:
                    self._fail(upload, e.message, e.remedy)
                    continue
                except BrokenExecutor:
                    self._renew()
                    self.add(upload, urgent=True)
                    continue
                except Exception as e:
                    self._fault(upload, e)
                    continue
                self._busy[future] = number
            future.add_done_callback(self._done)

    def _task(self, upload: Upload) -> Task:
        from anodewane.book.intake import part_at, settings_for
        from anodewane.book.store import open_book

        assert upload.photo is not None
        with open_book(self.yard.book) as book:
            part = part_at(book, upload.boat, upload.position, date.fromisoformat(upload.hauled_on))
            template = book.template(part.template) if part else None
            settings = settings_for(book, template.name, self.settings) if template else self.settings
            task = Task(self.yard.photos / upload.photo, template, settings)
            if upload.corrects is None or upload.handed is None:
                return task
            when = datetime.fromtimestamp(upload.begun_at, UTC).isoformat(timespec="seconds")
            handed = (self.yard.handed / f"{upload.handed}.json").read_bytes()
            return replace(task, handed=handed, by=upload.by, when=when)

    def _done(self, future: Future[bytes]) -> None:
        with self._room:
            upload = self.yard.get(self._busy[future])
            stopped = self._stopped
            if upload is not None and not future.cancelled() and future.exception() is None:
                self._draw_soon(upload, future.result())  # before the next photo takes the worker
            number = self._busy.pop(future)
            self._room.notify_all()
        if upload is None or future.cancelled():
            return
        try:
            record = future.result()
        except BrokenExecutor:
            if stopped:
                return  # it waits on the disk
            self._renew()
            deaths = self._deaths[number] = self._deaths.get(number, 0) + 1
            if deaths >= 3:  # others that were in flight die with it once or twice
                self._fail(
                    upload,
                    "The photo can't be judged: it takes more memory than there is, or breaks a decoder.",
                    "Take it again at a lower resolution.",
                )
            else:
                self.add(upload)
            return
        except AnodewaneError as e:
            self._fail(upload, e.message, e.remedy)
            return
        except Exception as e:
            self._fault(upload, e)
            return
        try:
            self.yard.put(replace(upload, state="done", judgement=self._keep(upload, record)))
        except AnodewaneError as e:
            self._fail(upload, e.message, e.remedy)
        except Exception as e:
            self._fault(upload, e)

    def _keep(self, upload: Upload, record: bytes) -> int:
        from anodewane.book.entries import NewJudgement
        from anodewane.book.store import open_book

        digest = hashlib.sha256(record).hexdigest()
        day = date.fromisoformat(upload.hauled_on)
        with open_book(self.yard.book) as book:
            by = upload.by if upload.handed else None
            book.record(
                [NewJudgement(upload.boat, upload.position, day, record, datetime.now(UTC), judged_by=by)],
                self.settings,
            )
            return next(
                j.id
                for j in reversed(book.judgements(upload.boat, upload.position, day))
                if j.reading.record_sha256 == digest
            )

    def _fault(self, upload: Upload, e: Exception) -> None:
        """The page says nothing of the inside; the terminal gets one line."""
        print(f"anodewane: unexpected fault with {upload.photo}: {type(e).__name__}: {e}", file=sys.stderr)  # noqa: T201 - no logging elsewhere
        self._fail(upload, FAULT, REMEDY)

    def _fail(self, upload: Upload, says: str, remedy: str) -> None:
        with contextlib.suppress(AnodewaneError):  # a full disk: it then waits for the next start
            self.yard.put(replace(upload, state="failed", says=says, remedy=remedy))
