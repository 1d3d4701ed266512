"""Judge a folder of photos: plan, what is done already, the rest in parallel, and the summary.
Read this first.

What is judged is a part (`parts.Part`): a photo by itself, or with ``same_part`` the photos of one boat
and position together.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Protocol, Unpack

from anodewane.batch.execute import Engine, Work, local_engine, run
from anodewane.batch.job import Asked, Job, Request, label_reader, plan_job, with_hashes
from anodewane.batch.known import refuse_problems
from anodewane.batch.ledger import Ledger
from anodewane.batch.parts import Part
from anodewane.batch.place import PART_FILE, LocalFolder, Place
from anodewane.batch.plan import PHOTO_ENDINGS, Plan, PlannedPhoto, make_plan
from anodewane.batch.summary import BatchSummary, rows_of, summed_up, write_summaries
from anodewane.batch.work import (
    Item,
    Outcome,
    RunConfig,
    judge_item,
    overlay_name,
    read_label_item,
    record_name,
    thumbnail_name,
)
from anodewane.errors import InputUnreadable, UsageError
from anodewane.records import Given


class Progress(Protocol):
    """Who watches a run. Called in the thread that runs it."""

    def labels(self, to_read: int) -> None:
        """With `same_part`: so many photos are looked at for their labels first."""
        ...

    def begin(self, to_judge: int, kept: int) -> None:
        """The plan is made: so many photos are to be judged, so many are done already."""
        ...

    def step(self, outcome: Outcome) -> None:
        """One more is done and in the ledger."""
        ...


class NoProgress:
    """Nobody watches."""

    def labels(self, to_read: int) -> None:  # noqa: ARG002 - the protocol's argument
        return

    def begin(self, to_judge: int, kept: int) -> None:  # noqa: ARG002 - the protocol's arguments
        return

    def step(self, outcome: Outcome) -> None:  # noqa: ARG002 - the protocol's argument
        return


def judge_folder(
    folder: Path | str | Place,
    out: Path | str | Place,
    *,
    workers: int | None = None,
    engine: Engine | None = None,
    progress: Progress | None = None,
    **asked: Unpack[Asked],
) -> BatchSummary:
    """Judge every photo of a folder and write records, overlays and summaries into another. Run again,
    it goes on where it stopped.

    Parameters
    ----------
    folder, out : Path, str or Place
        Photos in any nesting; where results go. `out` may lie inside `folder`; it is then never
        taken as input.
    workers : int, optional
        Processes; None takes as many as there are cores and memory for.
    engine : Engine, optional
        Another executor than this machine's processes; `workers` then isn't used.
    progress : Progress, optional
    **asked
        `template`, `check_line_mm`, `method`, `only`, `levels`, `parts`, `skip`, `same_part`, as
        `job.Request` has them.

    Returns
    -------
    BatchSummary

    Raises
    ------
    InputUnreadable
        The folder isn't there, holds no photos, or vanished on the way.
    OutputNotWritable
        `out` can't be written to, or another run holds it.
    UsageError
        A photos.csv or template is wrong, or `only` names no verdict.
    ModelError
        The network's model is missing or altered.
    KeyboardInterrupt
        With everything finished so far in the ledger and in the summaries.

    Notes
    -----
    Workers are spawned processes: a script of your own must call this under ``if __name__ == "__main__":``.
    """
    began = time.monotonic()
    request, progress = Request(**asked), progress or NoProgress()
    source, target = _places(folder, out)
    if not source.is_there():
        _no_photos(source)
    target.prepare()
    with target.lock():
        ledger = Ledger.read(target)
        ledger.start()
        config = RunConfig(source, target, request.own_method, {})
        plan = _planned(source, ledger, request.levels)
        if request.same_part or request.parts is not None:
            given = Given(check_line_mm=request.check_line_mm)
            plan = _read_labels(plan, config, given, ledger, engine, workers, progress)
        job = plan_job(request, source, ledger, plan, target)
        if not request.skip:
            refuse_problems(job.problems)
        _keep_templates(job, target)
        results = _Results(job, source, target, ledger, progress, began)
        results.begin()
        config = replace(config, templates=dict(job.templates))
        try:
            if job.items:
                chosen = engine or local_engine(workers, len(job.items))
                run(job.items, WORK, config, chosen, results.take)
        except (KeyboardInterrupt, InputUnreadable):
            results.sum_up()  # what is there can be looked at
            raise
        if job.items:
            _clear_parts(target)  # of workers that died
        return results.sum_up()


WORK: Work = judge_item
"""What is done with each photo; tests put a double in its place."""
READ_LABEL: Work = read_label_item
"""The same of labels that are read beforehand."""


def plan_folder(folder: Path | str | Place, out: Path | str | Place, **asked: Unpack[Asked]) -> Job:
    """What `judge_folder` would do, without writing anything; labels that no run has read yet may put
    photos together otherwise. Parameters and errors as there."""
    request = Request(**asked)
    source, target = _places(folder, out)
    if not source.is_there():
        _no_photos(source)
    ledger = Ledger.read(target)
    ledger.write_nothing()
    plan = _planned(source, ledger, request.levels)
    if request.parts is not None:
        config = RunConfig(source, target, request.own_method, {})
        given = Given(check_line_mm=request.check_line_mm)
        plan = _read_labels(plan, config, given, ledger, None, None, NoProgress())
    return plan_job(request, source, ledger, plan, target)


@dataclass(slots=True)
class _Results:
    """Takes outcomes as they come: into the ledger, and into the summary."""

    job: Job
    source: Place
    target: Place
    ledger: Ledger
    progress: Progress
    began: float
    outcomes: dict[str, Outcome] = field(default_factory=dict)
    kept: int = 0
    by_name: dict[str, Part] = field(init=False)

    def __post_init__(self) -> None:
        self.by_name = {p.first.name: p for p in self.job.parts}

    def begin(self) -> None:
        """What holds already, and what need only be copied to a new name."""
        self.ledger.append_hashes(self.job.plan.hashes)
        self.ledger.append_taken(self.job.plan.taken)
        _clear_parts(self.target)
        self.outcomes |= self.job.kept
        for name, old in self.job.moved.items():
            self.outcomes[name] = _copy_outputs(self.by_name[name], old, self.target, self.ledger)
        self.kept = len(self.outcomes)
        self.progress.begin(len(self.job.items), self.kept)

    def take(self, outcome: Outcome) -> None:
        """One more is done."""
        if outcome.status == "unreadable" and not outcome.final and not self.source.is_there():
            raise InputUnreadable(
                f"The folder '{self.source.address}' has vanished.",
                "Plug its disk in again and run the same command again: it goes on where it stopped.",
            )
        if outcome.final and not outcome.files:  # what lies there is of another content
            for make in (record_name, overlay_name, thumbnail_name):
                self.target.remove(make(outcome.out_name))
        part = self.by_name[outcome.name]
        if len(outcome.others) + 1 != len(part.photos):
            outcome = replace(outcome, others=part.others)  # its worker died
        _remove_each_alone(part, self.target, self.ledger)
        self.ledger.append(outcome, part.first.likeness)
        self.outcomes[outcome.name] = outcome
        self.progress.step(outcome)

    def sum_up(self) -> BatchSummary:
        """Write the summaries of what there is."""
        rows = rows_of(self.job, self.outcomes)
        judged_now = len(self.outcomes) - self.kept
        summary = summed_up(self.job, rows, self.target, self.ledger, judged_now, self.kept, self.began)
        write_summaries(rows, self.job.plan, summary, self.source, self.target)
        return summary


def _planned(source: Place, ledger: Ledger, levels: tuple[str, ...] | None) -> Plan:
    plan = make_plan(source, ledger, levels)
    if not plan.photos:
        _no_photos(source)
    return plan


def _read_labels(
    plan: Plan,
    config: RunConfig,
    given: Given,
    ledger: Ledger,
    engine: Engine | None,
    workers: int | None,
    progress: Progress,
) -> Plan:
    """Read the labels of photos whose place photos.csv leaves open, and put them in the ledger: what is
    judged together goes by them. The plan with their hashes."""
    reader = label_reader()
    items: list[Item] = []
    planned: dict[str, PlannedPhoto] = {}
    found: dict[str, str] = {}
    for p in plan.photos:
        by_list = [g for g in p.placings if g.by == "csv"]
        settled = bool(by_list and by_list[0].boat and by_list[0].position)
        if (
            not settled
            and p.duplicate_of is None
            and (p.sha256 is None or ledger.label_of(p.sha256, reader) is None)
        ):
            items.append(Item(p.name, p.out_name, None, given, "", p.stamp))
            planned[p.name] = p

    def on_result(outcome: Outcome) -> None:
        sha256, p = outcome.photo_sha256, planned[outcome.name]
        if sha256 is None or not outcome.final:
            return
        found[p.name] = sha256
        ledger.append_hashes([(p.name, p.stamp or NO_STAMP, sha256, p.likeness)])
        ledger.append_label(sha256, reader, outcome.label_boat, outcome.label_position)

    if items:
        progress.labels(len(items))
        run(items, READ_LABEL, config, engine or local_engine(workers, len(items)), on_result)
    return with_hashes(plan, found)


TEMPLATES = "templates"
"""Folder of the results for templates that the library doesn't have."""

NO_STAMP = "-"
"""Stands for the stamp of a file that changed a moment ago, which can't be trusted: its hash is known
to the ledger, but not as that of the file's name."""


def _remove_each_alone(part: Part, target: Place, ledger: Ledger) -> None:
    """What was made of a part's further photos by themselves would tell of the part twice: the part's
    own outputs take its place."""
    for photo in part.photos[1:]:
        old = ledger.latest(photo.name)
        if old is not None:
            for name, _ in old.files:
                target.remove(name)


def _copy_outputs(part: Part, old: Outcome, target: Place, ledger: Ledger) -> Outcome:
    """A photo that was moved to another folder under its own name, or several together: their outputs
    would come out the same, so they are copied."""
    photo = part.first
    names = {make(old.out_name): make(photo.out_name) for make in (overlay_name, thumbnail_name, record_name)}
    for name, _ in old.files:
        target.write(names[name], target.read(name))
    new = replace(
        old,
        name=photo.name,
        out_name=photo.out_name,
        stamp=photo.stamp,
        files=tuple((names[n], size) for n, size in old.files),
        others=part.others,
    )
    _remove_each_alone(part, target, ledger)
    ledger.append(new, photo.likeness)
    return new


def _keep_templates(job: Job, target: Place) -> None:
    """Put the templates of a book's parts beside the results, so that reports and bags find them."""
    from anodewane.catalog.templates import builtin_templates, template_digest, template_to_toml

    known = {template_digest(t) for t in builtin_templates().values()}
    for digest, template in job.templates.items():
        if digest not in known:
            name = f"{TEMPLATES}/{digest[:16]}.toml"
            target.write(name, template_to_toml(template).encode())


# --- places --------------------------------------------------------------------------------------


def _places(folder: Path | str | Place, out: Path | str | Place) -> tuple[Place, Place]:
    target: Place = LocalFolder(Path(out)) if isinstance(out, (str, Path)) else out
    source: Place = (
        LocalFolder(Path(folder), exclude=Path(out) if isinstance(out, (str, Path)) else None)
        if isinstance(folder, (str, Path))
        else folder
    )
    if isinstance(source, LocalFolder) and isinstance(target, LocalFolder):
        photos, results = source.path.resolve(), target.path.resolve()
        if photos == results or results in photos.parents:
            raise UsageError(
                f"The results can't go to '{target.address}', where the photos are.",
                "Name a folder of their own with --out, such as one inside it.",
            )
    return source, target


def _no_photos(source: Place) -> None:
    for _ in source.entries():  # a folder that can't be read says so itself
        break
    raise InputUnreadable(
        f"There are no photos in '{source.address}'.",
        f"Photos end in {', '.join(PHOTO_ENDINGS)}; --dry-run tells what else is there.",
    )


def _clear_parts(target: Place) -> None:
    """Remove half-written files of a run or worker that was killed."""
    for name in [e.name for e in target.entries() if PART_FILE.fullmatch(e.name)]:
        target.remove(name)
