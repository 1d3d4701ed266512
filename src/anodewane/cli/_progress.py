"""Progress on standard error: a bar on a terminal, a plain line every half minute elsewhere."""

from __future__ import annotations

import sys
import time
from collections import Counter
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from anodewane.batch.work import Outcome

PLAIN_EVERY_S = 30.0
WORDS = {"cannot_judge": "cannot judge", "unreadable": "not readable", "fault": "failed"}


def counted(counts: dict[str, int]) -> str:
    """ "12 replace, 3 ok" """
    return ", ".join(f"{n} {WORDS.get(grade, grade)}" for grade, n in counts.items() if n)


class ConsoleProgress:
    """Rate, time left and verdicts. Use as a context manager, so that the terminal is left as it was."""

    def __init__(self) -> None:
        self._counts: Counter[str] = Counter()
        self._total = self._done = 0
        self._began = self._told = time.monotonic()
        self._bar: Any = None
        self._task: Any = None

    def __enter__(self) -> ConsoleProgress:
        return self

    def __exit__(self, *_: object) -> None:
        if self._bar is not None:
            self._bar.stop()

    def labels(self, to_read: int) -> None:
        click.echo(
            f"Looking for labels in {to_read} {'photo' if to_read == 1 else 'photos'}: what is judged "
            "together goes by them.",
            err=True,
        )

    def begin(self, to_judge: int, kept: int) -> None:
        self._total, self._began, self._told = to_judge, time.monotonic(), time.monotonic()
        if kept:
            click.echo(f"{kept} done already, {to_judge} to judge.", err=True)
        if not to_judge or not sys.stderr.isatty():
            return
        from rich.console import Console
        from rich.progress import (
            BarColumn,
            MofNCompleteColumn,
            Progress,
            TextColumn,
            TimeElapsedColumn,
            TimeRemainingColumn,
        )

        columns = (
            BarColumn(bar_width=24),
            MofNCompleteColumn(),
            TextColumn("{task.fields[rate]}"),
            TimeElapsedColumn(),
            TextColumn("left"),
            TimeRemainingColumn(),
            TextColumn("{task.fields[verdicts]}"),
        )
        self._bar = Progress(*columns, console=Console(stderr=True, highlight=False, markup=False))
        self._task = self._bar.add_task("", total=to_judge, rate="", verdicts="")
        self._bar.start()

    def step(self, outcome: Outcome) -> None:
        self._done += 1
        self._counts[outcome.verdict or outcome.status] += 1
        now = time.monotonic()
        rate = self._done / max(now - self._began, 1e-6)
        if self._bar is not None:
            self._bar.update(
                self._task, completed=self._done, rate=f"{rate:.1f} a second", verdicts=counted(self._counts)
            )
        elif now - self._told >= PLAIN_EVERY_S:
            self._told = now
            left = (self._total - self._done) / rate
            click.echo(
                f"{self._done} of {self._total}, {rate:.1f} a second, {duration(left)} left: "
                f"{counted(self._counts)}",
                err=True,
            )


def duration(seconds: float) -> str:
    """ "45 s", "12 min", "3 h 05 min" """
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60:02d} min"
