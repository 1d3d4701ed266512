"""The queue before the page's workers.

The queue is bounded and fair: each phone has its own line, the lines take turns, and a correction that
somebody waits for goes before new photos of the same phone. What waits is on the disk (`yard`), so that
a restart loses nothing.
"""

from __future__ import annotations

import contextlib
import hashlib
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future, wait
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from anodewane.errors import AnodewaneError, InputUnreadable, UsageError
from anodewane.web.limits import LIMITS, Limits
from anodewane.web.turns import Turns
from anodewane.web.worker import Task, draw_task, judge_task, overlay_task, warm_task

if TYPE_CHECKING:
    from anodewane.judgement.method import Method
    from anodewane.record import Reason
    from anodewane.records import Given
    from anodewane.web.yard import Upload, Yard

FAULT = "The photo can't be judged: an unexpected fault."
REMEDY = "Take it again; if that doesn't help, judge it with 'anodewane judge' and report what it says."


class Judging:
    """The queue and its workers. `make_executor` is called at the start and again whenever a worker's
    death breaks the pool."""

    def __init__(
        self,
        yard: Yard,
        given: Given,
        method: Method,
        make_executor: Callable[[], Executor],
        workers: int,
        limits: Limits = LIMITS,
    ) -> None:
        self.yard, self.given, self.method = yard, given, method
        self.workers, self.limits = workers, limits
        self._make = make_executor
        self._executor: Executor | None = None
        self._turns = Turns()
        self._busy: dict[Future[bytes], str] = {}
        self._deaths: dict[str, int] = {}
        self._drawing: dict[str, Future[None]] = {}
        self._room = threading.Condition(threading.RLock())
        self._quick = threading.BoundedSemaphore(limits.quick_looks)
        self.leaving = False
        """Whether the server is about to stop: nobody waits for anything then. Set by a signal."""
        self._stopped = False
        self._thread = threading.Thread(target=self._run, name="judging", daemon=True)

    def start(self) -> None:
        """Begin, with what the last server left waiting."""
        with self._room:
            for upload in self.yard.all():
                if upload.state == "waiting":
                    self._turns.add(upload.owner, upload.id)
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
            return len(self._turns) >= self.limits.waiting_photos

    def add(self, upload: Upload, urgent: bool = False) -> None:
        """Put a photo into its phone's line, an urgent one first."""
        with self._room:
            self._turns.add(upload.owner, upload.id, urgent=urgent)
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
        # whatever hinders it, the judgement stands, and it is drawn when somebody asks
        with self._room, contextlib.suppress(Exception):
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
        until = time.monotonic() + self.limits.draw_s
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
                future = self._pool().submit(quick_look, copy, self.given, self.method)
            return future.result(timeout=self.limits.quick_s)
        except BrokenExecutor:
            self._renew()
            return None
        except TimeoutError:
            return None
        finally:
            self._quick.release()

    def _pool(self) -> Executor:
        if self._executor is None:
            self._executor = self._make()
        return self._executor

    def _renew(self) -> None:
        with self._room:
            if self._executor is not None:
                self._executor.shutdown(wait=False, cancel_futures=True)
            self._executor = None

    def _run(self) -> None:
        while True:
            with self._room:
                while not self._stopped and (len(self._busy) >= self.workers or not self._turns):
                    self._room.wait()
                if self._stopped:
                    return
                number = self._turns.next()
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
        from anodewane.book.parts import part_at, template_by_name, with_face_scale
        from anodewane.book.store import open_book

        assert upload.photo is not None
        with open_book(self.yard.book) as book:
            part = part_at(book, upload.boat, upload.position, date.fromisoformat(upload.hauled_on))
            name = part.template if part is not None else upload.template
            template = template_by_name(book, name) if name else None
            method = with_face_scale(self.method, book, template)
            given = replace(self.given, weighed_g=upload.weighed_g, thickness_mm=upload.thickness_mm)
            task = Task(self.yard.photos / upload.photo, template, given, method)
            if upload.handed is None:
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
                self.method.settings,
            )
            return next(
                j.id
                for j in reversed(book.judgements(upload.boat, upload.position, day))
                if j.reading.record_sha256 == digest
            )

    def _fault(self, upload: Upload, e: Exception) -> None:
        """The page says nothing of the inside; the terminal gets one line."""
        # no logging elsewhere
        print(f"anodewane: fault with {upload.photo}: {type(e).__name__}: {e}", file=sys.stderr)  # noqa: T201
        self._fail(upload, FAULT, REMEDY)

    def _fail(self, upload: Upload, says: str, remedy: str) -> None:
        with contextlib.suppress(AnodewaneError):  # a full disk: it then waits for the next start
            self.yard.put(replace(upload, state="failed", says=says, remedy=remedy))
