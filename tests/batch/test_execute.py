"""Running over any executor: a bounded window, worker deaths pinned on the guilty, and errors
that stop the run."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import pytest

from anodewane.batch.execute import Engine, default_workers, local_engine, run
from anodewane.batch.place import LocalFolder
from anodewane.batch.work import Item, Outcome, RunConfig
from anodewane.catalog.templates import load_template
from anodewane.errors import OutputNotWritable, UsageError
from anodewane.judgement.method import Method
from anodewane.records import Given
from made.batch_doubles import (
    TEMPLATE,
    BreakingPool,
    InProcess,
    cheap_work,
    deadly_work,
    die_at_start,
    in_process,
    telling_work,
)


@pytest.fixture
def config(tmp_path: Path) -> RunConfig:
    photos, out = tmp_path / "photos", tmp_path / "out"
    photos.mkdir()
    out.mkdir()
    (out / "anodewane-ledger.jsonl").touch()
    return RunConfig(LocalFolder(photos), LocalFolder(out), Method(), {})


def items(config: RunConfig, names: list[str]) -> list[Item]:
    assert isinstance(config.source, LocalFolder)
    for name in names:
        (config.source.path / name).write_text(f"r {name}")
    return [Item(name, name, None, Given(), "digest") for name in names]


def statuses(outcomes: list[Outcome]) -> dict[str, str]:
    return {o.name: o.status for o in outcomes}


def test_the_window_is_never_overdrawn(config: RunConfig) -> None:
    """Items are drawn as room comes free, so that a million of them take no memory."""
    drawn, finished, most = 0, 0, 0

    class Lazy(InProcess):
        def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
            nonlocal most
            most = max(most, drawn - finished)
            return super().submit(fn, *args, **kwargs)

    def source() -> Iterator[Item]:
        nonlocal drawn
        for item in items(config, [f"{i}.jpg" for i in range(40)]):
            drawn += 1
            yield item

    def on_result(_: Outcome) -> None:
        nonlocal finished
        finished += 1

    run(source(), cheap_work, config, Engine(Lazy, 2, window=6), on_result)
    assert (drawn, finished) == (40, 40)
    assert most <= 6


def test_only_the_guilty_photo_becomes_a_row_crashed(config: RunConfig) -> None:
    log: list[str] = []
    outcomes: list[Outcome] = []
    engine = Engine(lambda: BreakingPool(lambda item: "deadly" in item.name, log), 2, window=3)
    names = ["a.jpg", "b.jpg", "c deadly.jpg", "d.jpg", "e.jpg", "f deadly.jpg"]
    run(items(config, names), cheap_work, config, engine, outcomes.append)
    assert statuses(outcomes) == {n: "crashed" if "deadly" in n else "judged" for n in names}
    assert not any(o.final for o in outcomes if o.status == "crashed")
    assert log.count("broken by c deadly.jpg") == 2  # in company, and alone


@pytest.mark.slow
def test_a_real_worker_that_the_system_kills(config: RunConfig) -> None:
    outcomes: list[Outcome] = []
    names = ["a.jpg", "b.jpg", "c deadly.jpg", "d.jpg", "e.jpg"]
    run(items(config, names), deadly_work, config, local_engine(2), outcomes.append)
    assert statuses(outcomes) == {n: "crashed" if "deadly" in n else "judged" for n in names}


def test_a_worker_takes_the_configuration_once(config: RunConfig) -> None:
    """What is kept for a template is found again only where it is the same object."""
    outcomes: list[Outcome] = []
    config = replace(config, templates={"t": load_template(TEMPLATE)})
    names = [f"{i}.jpg" for i in range(5)]
    run(items(config, names), telling_work, config, local_engine(1), outcomes.append)
    assert len(outcomes) == 5
    assert len({o.template for o in outcomes}) == 1


@pytest.mark.slow
def test_workers_that_die_at_once_blame_no_photo(config: RunConfig) -> None:
    def pool() -> ProcessPoolExecutor:
        return ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=die_at_start)

    outcomes: list[Outcome] = []
    with pytest.raises(UsageError, match="die as soon as they start"):
        run(items(config, ["a.jpg", "b.jpg"]), cheap_work, config, Engine(pool, 1), outcomes.append)
    assert outcomes == []


class GoneForGoodError(Exception):
    """What a distributed engine raises for an item that killed several workers."""


def test_an_engine_that_tells_the_guilty_itself(config: RunConfig) -> None:
    def killer(item: Item, config: RunConfig) -> Outcome:
        if item.name == "b.jpg":
            raise GoneForGoodError
        return cheap_work(item, config)

    outcomes: list[Outcome] = []
    engine = Engine(InProcess, 1, killed=(GoneForGoodError,))
    run(items(config, ["a.jpg", "b.jpg", "c.jpg"]), killer, config, engine, outcomes.append)
    assert statuses(outcomes) == {"a.jpg": "judged", "b.jpg": "crashed", "c.jpg": "judged"}


def test_what_merely_waited_behind_the_guilty_is_judged_in_the_end(config: RunConfig) -> None:
    """Dask blames every task that was processing on a worker as it died (SchedulerState.remove_worker:
    "suspicious"), those not begun as well."""
    calls: list[str] = []

    def killer(item: Item, config: RunConfig) -> Outcome:
        calls.append(item.name)
        if item.name == "deadly.jpg" or (item.name == "behind it.jpg" and calls.count(item.name) == 1):
            raise GoneForGoodError
        return cheap_work(item, config)

    outcomes: list[Outcome] = []
    run(
        items(config, ["deadly.jpg", "behind it.jpg", "c.jpg"]),
        killer,
        config,
        Engine(InProcess, 1, killed=(GoneForGoodError,)),
        outcomes.append,
    )
    assert statuses(outcomes) == {"deadly.jpg": "crashed", "behind it.jpg": "judged", "c.jpg": "judged"}
    assert calls == [
        "deadly.jpg",
        "behind it.jpg",
        "c.jpg",
        "deadly.jpg",
        "behind it.jpg",
    ]  # once more, one by one, when nothing else was left


def test_what_befalls_every_photo_stops_the_run_with_the_finished_handed_over(config: RunConfig) -> None:
    def full(number: int, item: Item, config: RunConfig) -> Outcome:
        if item.name == "c.jpg":
            raise OutputNotWritable("The disk is full.", "Free some space.")
        return cheap_work(item, config)

    outcomes: list[Outcome] = []
    with pytest.raises(OutputNotWritable, match="disk is full"):
        run(
            items(config, ["a.jpg", "b.jpg", "c.jpg", "d.jpg", "e.jpg"]),
            partial(full, 1),
            config,
            Engine(InProcess, 1, window=4),
            outcomes.append,
        )
    assert {"a.jpg", "b.jpg"} <= set(statuses(outcomes))
    assert "c.jpg" not in statuses(outcomes)


def test_an_interruption_hands_over_what_has_finished(config: RunConfig) -> None:
    outcomes: list[Outcome] = []

    def on_result(outcome: Outcome) -> None:
        outcomes.append(outcome)
        if len(outcomes) == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run(
            items(config, [f"{i}.jpg" for i in range(9)]),
            cheap_work,
            config,
            Engine(InProcess, 1, window=3),
            on_result,
        )
    assert len(outcomes) == 3  # two, and the one more that was in flight


def test_nothing_to_do_starts_nothing(config: RunConfig) -> None:
    run([], cheap_work, config, Engine(lambda: pytest.fail("an executor was made"), 1), lambda _: None)
    run(items(config, ["a.jpg"]), cheap_work, config, in_process(), lambda _: None)


def test_workers_fit_the_machine() -> None:
    assert default_workers() >= 1
    assert local_engine(8, at_most=3).workers == 3
