"""Run a function over many items on any `concurrent.futures.Executor`, a bounded number in flight, and lose none when a worker dies."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import TypeVar

from anodewane.batch.work import Item, Outcome, RunConfig

Work = Callable[[Item, RunConfig], Outcome]
MakeExecutor = Callable[[], Executor]
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Engine:
    """Something to run on.

    make_executor : called for a fresh executor at the start, and again whenever one breaks (`concurrent.futures.BrokenExecutor`).
    workers : how many photos are judged at once; `window` items are in flight, None takes four a worker.
    killed : exceptions of a future which say that this very item killed its worker for good, on engines that tell it themselves.
    """

    make_executor: MakeExecutor
    workers: int
    window: int | None = None
    killed: tuple[type[BaseException], ...] = ()


def run(
    items: Iterable[Item],
    work: Work,
    config: RunConfig,
    engine: Engine,
    on_result: Callable[[Outcome], None],
) -> None:
    """Run `work(item, config)` for every item and hand each outcome to `on_result` in this thread, in the order in which they finish.

    A worker that dies breaks its executor: a new one is made, the items that were in flight are run again one by one, and the one that breaks it alone becomes
    an outcome "crashed". `items` is drawn from as room comes free, so that it may be long.

    Raises
    ------
    Whatever `work` or `on_result` raises: outcomes of items that had finished are handed over first.
    KeyboardInterrupt
        After what was in flight has finished and been handed over; a second one doesn't wait.
    """
    raise NotImplementedError
