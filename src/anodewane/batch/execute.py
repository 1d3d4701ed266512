"""Run a function over many items on any `concurrent.futures.Executor`, a bounded number in flight, and
lose none when a worker dies."""

from __future__ import annotations

import contextlib
import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, wait
from dataclasses import dataclass

from anodewane.batch.work import Item, Outcome, RunConfig
from anodewane.errors import UsageError

Work = Callable[[Item, RunConfig], Outcome]
MakeExecutor = Callable[..., Executor]

WORKER_BYTES = 1_000_000_000
"""Memory set aside for a worker: judging a 12 MP photo takes half of it at most (docs/bench), a 48 MP
one a little more than all."""


@dataclass(frozen=True, slots=True)
class Engine:
    """Something to run on."""

    make_executor: MakeExecutor
    """Called for a fresh executor at the start, and again whenever one breaks
    (`concurrent.futures.BrokenExecutor`)."""
    workers: int
    """How many photos are judged at once."""
    window: int | None = None
    """Items in flight; None takes four a worker."""
    killed: tuple[type[BaseException], ...] = ()
    """Exceptions of a future which say that its worker died too often, on engines that start workers anew
    themselves. What merely waited behind the culprit on the same worker may be told so too."""
    initialised: bool = False
    """Whether `make_executor` is called with the run's configuration, which its workers take once, as
    they start (`take_config`), so that what they keep for a template is found again; else the
    configuration goes with every item."""


_config: RunConfig | None = None
"""In a worker: the run's configuration, taken as it started."""


def take_config(config: RunConfig | None) -> None:
    """Make a configuration the one that this worker's items are judged with."""
    global _config
    _config = config


def at_work(work: Work, item: Item) -> Outcome:
    """Run by a worker that has taken its configuration."""
    if _config is None:
        raise RuntimeError("the worker was given no configuration")
    return work(item, _config)


def run(
    items: Iterable[Item],
    work: Work,
    config: RunConfig,
    engine: Engine,
    on_result: Callable[[Outcome], None],
) -> None:
    """Run `work(item, config)` for every item and hand each outcome to `on_result` in this thread, in
    the order in which they finish.

    A worker that dies breaks its executor: a new one is made, the items that were in flight are run
    again one by one, and the one that breaks it alone becomes an outcome "crashed". On an engine that
    tells what was `killed`, those items are run again one by one at the end. `items` is drawn from as
    room comes free, so that it may be long.

    Raises
    ------
    Whatever `work` or `on_result` raises: outcomes of items that had finished are handed over first.
    UsageError
        The workers die before they have anything to do.
    KeyboardInterrupt
        After what was being judged has finished and been handed over; a second one doesn't wait.
    """
    _Run(iter(items), work, config, engine, on_result).go()


class _Run:
    """One call of `run`: the executor of the moment and what is in flight on it."""

    def __init__(
        self,
        items: Iterator[Item],
        work: Work,
        config: RunConfig,
        engine: Engine,
        on_result: Callable[[Outcome], None],
    ) -> None:
        self.items, self.work, self.config, self.engine, self.on_result = (
            items,
            work,
            config,
            engine,
            on_result,
        )
        self.window = engine.window or 4 * engine.workers
        self.in_flight: dict[Future[Outcome], Item] = {}
        self.blamed: list[Item] = []
        self.executor: Executor | None = None
        self.proved = False  # whether any worker has ever finished anything

    def go(self) -> None:
        try:
            more = True
            while more or self.in_flight:
                try:
                    while more and len(self.in_flight) < self.window:
                        item = next(self.items, None)
                        if item is None:
                            more = False
                        else:
                            self._submit(item)
                    suspects = self._gather()
                except BrokenExecutor:  # raised by submit, whose item is among those in flight
                    suspects = self._gather(all_of_them=True)
                for suspect in suspects:
                    self._alone(suspect)
            for item in self.blamed:
                self._alone(item)
        except BaseException as e:
            self._wind_up(e)
            raise
        finally:
            self._close(wait_for_it=True)

    def _submit(self, item: Item) -> None:
        if self.executor is None:
            self.executor = self._fresh_executor()
        future: Future[Outcome]
        try:
            if self.engine.initialised:
                future = self.executor.submit(at_work, self.work, item)
            else:
                future = self.executor.submit(self.work, item, self.config)
        except BrokenExecutor as e:
            future = Future()
            future.set_exception(e)
            self.in_flight[future] = item
            raise
        self.in_flight[future] = item

    def _fresh_executor(self) -> Executor:
        return (
            self.engine.make_executor(self.config) if self.engine.initialised else self.engine.make_executor()
        )

    def _gather(self, all_of_them: bool = False) -> list[Item]:
        """Wait until something has finished and hand it over. Returns the suspects: items that were in
        flight when the executor broke."""
        if not self.in_flight:
            return []
        done = wait(self.in_flight, return_when=FIRST_COMPLETED).done
        broken = all_of_them or any(isinstance(f.exception(), BrokenExecutor) for f in done)
        if broken:
            done = wait(self.in_flight).done  # a broken executor fails them all at once
        suspects = []
        for future in sorted(done, key=list(self.in_flight).index):
            item = self.in_flight.pop(future)
            if isinstance(future.exception(), BrokenExecutor):
                suspects.append(item)
            elif self._was_killed(future):
                self.blamed.append(item)
            else:
                self._hand_over(future, item)
        if broken:
            self._close(wait_for_it=True)
        return suspects

    def _was_killed(self, future: Future[Outcome]) -> bool:
        return bool(self.engine.killed) and isinstance(future.exception(), self.engine.killed)

    def _hand_over(self, future: Future[Outcome], item: Item) -> None:
        outcome = crashed(item) if self._was_killed(future) else future.result()
        self.proved = True
        with _uninterrupted():
            self.on_result(outcome)

    def _alone(self, item: Item) -> None:
        """Run one suspect with nothing else in flight."""
        try:
            self._submit(item)
            (future,) = self.in_flight
            wait([future])
        except BrokenExecutor:
            (future,) = self.in_flight
        del self.in_flight[future]
        if not isinstance(future.exception(), BrokenExecutor):
            self._hand_over(future, item)
            return
        self._close(wait_for_it=True)
        if not self.proved:
            self._prove()
        with _uninterrupted():
            self.on_result(crashed(item))

    def _prove(self) -> None:
        """See whether a worker lives at all: where none can start, no photo is to blame."""
        self.executor = self._fresh_executor()
        try:
            self.executor.submit(os.getpid).result()
            self.proved = True
        except BrokenExecutor as e:
            self._close(wait_for_it=True)
            raise UsageError(
                "The workers die as soon as they start.",
                "Try --workers 1, and close what takes the memory; in a program of your own, call it under "
                "\"if __name__ == '__main__':\".",
            ) from e

    def _wind_up(self, e: BaseException) -> None:
        """Something went wrong: let what is being judged finish, drop what waits, and hand over
        what is whole."""
        for future in self.in_flight:
            future.cancel()
        if isinstance(e, KeyboardInterrupt | Exception):
            try:
                wait(self.in_flight)
            except KeyboardInterrupt:
                self._kill()
                raise
        for future in list(self.in_flight):
            del self.in_flight[future]
            if not future.cancelled() and future.done() and future.exception() is None:
                try:
                    with _uninterrupted():
                        self.on_result(future.result())
                except Exception:  # the ledger can't be written: that is what is being told already
                    return

    def _close(self, wait_for_it: bool) -> None:
        if self.executor is not None:
            self.executor.shutdown(wait=wait_for_it, cancel_futures=True)
            self.executor = None

    def _kill(self) -> None:
        """Second Ctrl-C: end local workers at once. Their outputs are written whole or not at all."""
        for process in list((getattr(self.executor, "_processes", None) or {}).values()):
            process.kill()


@contextlib.contextmanager
def _uninterrupted() -> Iterator[None]:
    """Hold Ctrl-C back until the block is done: an outcome is both in the ledger and known, or neither."""
    if threading.current_thread() is not threading.main_thread():
        yield  # it can't be interrupted here
        return
    pressed: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, _: pressed.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before or signal.default_int_handler)
    if pressed:
        raise KeyboardInterrupt


def crashed(item: Item) -> Outcome:
    """The outcome of a photo that killed its worker, alone and with nothing else running. Not final: a
    later run, with more memory, tries again."""
    reason = (
        "crashed",
        (
            "The program that judged this photo was ended from outside or crashed, twice: most likely it ran "
            "out of memory."
        ),
        (
            "Run the batch again with --workers 1 and other programs closed; if that doesn't help, save the "
            "photo again as JPEG at a smaller size."
        ),
    )
    return Outcome(item.name, item.out_name, item.digest, "crashed", final=False, reasons=(reason,))


# --- on this machine -----------------------------------------------------------------------------


def local_engine(workers: int | None = None, at_most: int | None = None) -> Engine:
    """Processes on this machine; None takes as many as there are cores, fewer where memory is short.
    at_most : photos there are."""
    count = min(workers or default_workers(), max(1, at_most or 1_000_000))
    return Engine(lambda config=None: _local_pool(count, config), count, initialised=True)


def default_workers() -> int:
    """Cores that this process may use, as far as there is memory for a worker each."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(1, min(cores, (_memory_bytes() or cores * WORKER_BYTES) // WORKER_BYTES))


def _memory_bytes() -> int | None:
    """What this machine, or the container that it is, has for us."""
    from pathlib import Path

    found = []
    try:
        found.append(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE"))
    except (AttributeError, ValueError, OSError):
        return None
    for limit in ("/sys/fs/cgroup/memory.max", "/sys/fs/cgroup/memory/memory.limit_in_bytes"):
        try:
            found.append(int(Path(limit).read_text(encoding="ascii")))
        except (OSError, ValueError):
            continue
    return min(found)


def _local_pool(workers: int, config: RunConfig | None) -> Executor:
    """Spawned, for a forked process inherits OpenCV's and onnxruntime's threads half alive. Never
    `max_tasks_per_child`: it hangs (cpython gh-115634)."""
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor

    return ProcessPoolExecutor(
        workers,
        mp_context=multiprocessing.get_context("spawn"),
        initializer=start_worker,
        initargs=(config,),
    )


def start_worker(config: RunConfig | None) -> None:
    """Make a process a worker: one thread a worker, Ctrl-C is the driver's affair, no worker outlives
    its driver, and the run's configuration is taken once."""
    import multiprocessing

    import cv2

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    cv2.setNumThreads(1)
    take_config(config)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    from multiprocessing.connection import wait as wait_for

    wait_for([sentinel])
    os._exit(1)
