"""Judge a folder of photos: plan, what is done already, the rest in parallel, and the summary.
Read this first.

What is judged is a part (`parts.Part`): a photo by itself, or with ``same_part`` the photos of one boat
and position together.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import Protocol

from anodewane.batch.execute import Engine, Work, local_engine, run
from anodewane.batch.known import KnownParts, refuse_problems
from anodewane.batch.ledger import Ledger
from anodewane.batch.parts import Part, each_alone, of_one_part, with_labels
from anodewane.batch.place import PART_FILE, LocalFolder, Place, shown_name
from anodewane.batch.placing import settle
from anodewane.batch.plan import PHOTO_ENDINGS, Plan, PlannedPhoto, hash_photos, make_plan
from anodewane.batch.rows import Row, make_row, summary_csv, summary_jsonl, summary_xlsx
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
from anodewane.judgement.method import Method
from anodewane.record import SCHEMA_VERSION
from anodewane.records import Given, Template

SUMMARIES = ("summary.csv", "summary.xlsx", "summary.jsonl", "index.html")

GRADES = ("replace", "monitor", "ok", "cannot_judge", "unreadable", "crashed", "fault")
"""What `only` may name: the verdicts and what stands in their place."""


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


@dataclass(frozen=True, slots=True)
class BatchSummary:
    """What became of a folder. photos : all there are, duplicates included; parts : rows of the
    summary, as many as photos unless several were judged together; counts : rows by verdict, or what
    stands in its place ("cannot_judge", "unreadable", "crashed", "fault", "pending"); judged_now, kept
    : photos, or parts, judged in this run and in earlier ones; gone : photos of earlier runs that are
    no longer in the folder, whose outputs are left as they are; skipped : what was left out, by reason;
    notes : contradictions and the like, in words."""

    out: str
    photos: int
    parts: int
    counts: Mapping[str, int]
    duplicates: int
    unplaced: int
    judged_now: int
    kept: int
    gone: int
    skipped: Mapping[str, int]
    notes: tuple[str, ...]
    seconds: float

    @property
    def not_judged(self) -> int:
        """Rows without a verdict."""
        return self.parts - sum(self.counts.get(g, 0) for g in ("replace", "monitor", "ok"))


@dataclass(frozen=True, slots=True)
class Job:
    """A folder's plan held against the ledger. items : what is to be judged; kept : outcomes that hold,
    by photo name; moved : outcomes whose outputs need only be copied to a new name, by photo name;
    parts : what is judged, every photo in one of them but for duplicates."""

    plan: Plan
    parts: tuple[Part, ...]
    items: tuple[Item, ...]
    kept: Mapping[str, Outcome]
    moved: Mapping[str, Outcome]
    templates: Mapping[str, Template]
    problems: tuple[str, ...] = ()
    """What the book can't take in, by photo; it isn't judged."""


def judge_folder(
    folder: Path | str | Place,
    out: Path | str | Place,
    *,
    template: Template | None = None,
    check_line_mm: tuple[float, float] | None = None,
    method: Method | None = None,
    workers: int | None = None,
    engine: Engine | None = None,
    only: Sequence[str] = (),
    levels: tuple[str, ...] | None = None,
    parts: KnownParts | None = None,
    same_part: bool = False,
    skip: bool = False,
    progress: Progress | None = None,
) -> BatchSummary:
    """Judge every photo of a folder and write records, overlays and summaries into another. Run again,
    it goes on where it stopped.

    Parameters
    ----------
    folder, out : Path, str or Place
        Photos in any nesting; where results go. `out` may lie inside `folder`; it is then never
        taken as input.
    template : Template, optional
        The new part, for photos to which no photos.csv gives another; None takes the best fit of the
        library, photo by photo.
    check_line_mm : (x, y), optional
        What the 100 mm lines of the sheet measure that all photos show.
    method : Method, optional
        As `pipeline.judge` has it; its segmenter by name.
    workers : int, optional
        Processes; None takes as many as there are cores and memory for.
    engine : Engine, optional
        Another executor than this machine's processes; `workers` then isn't used.
    only : sequence of str
        Judge again those photos only whose last outcome is one of these (`GRADES`), whatever settings
        it was made with; others stay as they are.
    levels : tuple of str, optional
        What the folders stand for, from `placing.parse_levels`.
    parts : KnownParts, optional
        Gives a template for each boat and position, before `template` and after photos.csv, and what
        weighed parts of each have shown. Labels are then read before anything is judged, and the library
        never stands in for a part that isn't known.
    skip : bool
        Judge what `parts` can take in and leave out the rest, instead of stopping before it.
    same_part : bool
        Judge two to eight photos of one boat and position together, as photos of one part that lay
        still; others by themselves (`parts.of_one_part`).
    progress : Progress, optional

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
    method, progress = _method(method, parts), progress or NoProgress()
    source, target = _places(folder, out)
    _check_only(only)
    if not source.is_there():
        _no_photos(source)
    target.prepare()
    with target.lock():
        ledger = Ledger.read(target)
        ledger.start()
        plan = _planned(source, ledger, levels)
        if same_part or parts is not None:
            plan = _read_labels(
                plan,
                RunConfig(source, target, method, {}),
                Given(check_line_mm=check_line_mm),
                ledger,
                engine,
                workers,
                progress,
            )
        job = plan_job(
            source, ledger, plan, target,
            template=template, check_line_mm=check_line_mm, method=method, only=only, levels=levels, parts=parts, same_part=same_part,
        )  # fmt: skip
        if not skip:
            refuse_problems(job.problems)
        _keep_templates(job, target)
        ledger.append_hashes(job.plan.hashes)
        ledger.append_taken(job.plan.taken)
        _clear_parts(target)
        outcomes = dict(job.kept)
        planned = {p.first.name: p for p in job.parts}
        for name, old in job.moved.items():
            outcomes[name] = _copy_outputs(planned[name], old, target, ledger)
        kept = len(outcomes)
        progress.begin(len(job.items), kept)

        def on_result(outcome: Outcome) -> None:
            if outcome.status == "unreadable" and not outcome.final and not source.is_there():
                raise InputUnreadable(
                    f"The folder '{source.address}' has vanished.",
                    "Plug its disk in again and run the same command again: it goes on where it stopped.",
                )
            if outcome.final and not outcome.files:  # what lies there is of another content
                for make in (record_name, overlay_name, thumbnail_name):
                    target.remove(make(outcome.out_name))
            part = planned[outcome.name]
            if len(outcome.others) + 1 != len(part.photos):
                outcome = replace(outcome, others=part.others)  # its worker died
            _remove_each_alone(part, target, ledger)
            ledger.append(outcome, part.first.likeness)
            outcomes[outcome.name] = outcome
            progress.step(outcome)

        def sum_up() -> BatchSummary:
            rows = _rows(job, outcomes)
            summary = _summary(job, rows, target, ledger, len(outcomes) - kept, kept, began)
            _write_summaries(rows, job.plan, summary, source, target)
            return summary

        config = RunConfig(source, target, method, dict(job.templates))
        try:
            if job.items:
                run(job.items, WORK, config, engine or local_engine(workers, len(job.items)), on_result)
        except (KeyboardInterrupt, InputUnreadable):
            sum_up()  # what is there can be looked at
            raise
        if job.items:
            _clear_parts(target)  # of workers that died
        return sum_up()


WORK: Work = judge_item
"""What is done with each photo; tests put a double in its place."""
READ_LABEL: Work = read_label_item
"""The same of labels that are read beforehand."""


def plan_folder(
    folder: Path | str | Place,
    out: Path | str | Place,
    *,
    template: Template | None = None,
    check_line_mm: tuple[float, float] | None = None,
    method: Method | None = None,
    only: Sequence[str] = (),
    levels: tuple[str, ...] | None = None,
    parts: KnownParts | None = None,
    same_part: bool = False,
) -> Job:
    """What `judge_folder` would do, without writing anything; labels that no run has read yet may put
    photos together otherwise. Parameters and errors as there."""
    source, target = _places(folder, out)
    _check_only(only)
    if not source.is_there():
        _no_photos(source)
    ledger = Ledger.read(target)
    ledger.write_nothing()
    plan = _planned(source, ledger, levels)
    if parts is not None:
        config = RunConfig(source, target, _method(method, parts), {})
        given = Given(check_line_mm=check_line_mm)
        plan = _read_labels(plan, config, given, ledger, None, None, NoProgress())
    return plan_job(
        source, ledger, plan, target,
        template=template, check_line_mm=check_line_mm, method=_method(method, parts), only=only, levels=levels, parts=parts, same_part=same_part,
    )  # fmt: skip


def _method(method: Method | None, parts: KnownParts | None) -> Method:
    """The method of a run, with what the book's weighed parts have shown."""
    method = method or Method()
    return replace(method, face_scales={**method.face_scales, **parts.face_scales}) if parts else method


def _planned(source: Place, ledger: Ledger, levels: tuple[str, ...] | None) -> Plan:
    plan = make_plan(source, ledger, levels)
    if not plan.photos:
        _no_photos(source)
    return plan


def _label_reader() -> str:
    """By which a label's reading is known in the ledger: a later version may read more of them."""
    from anodewane.version import own_version

    return own_version()


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
    reader = _label_reader()
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
    return _hashed(plan, found)


def _hashed(plan: Plan, found: Mapping[str, str]) -> Plan:
    return replace(
        plan, photos=tuple(replace(p, sha256=found[p.name]) if p.name in found else p for p in plan.photos)
    )


TEMPLATES = "templates"
"""Folder of the results for templates that the library doesn't have."""

NO_STAMP = "-"
"""Stands for the stamp of a file that changed a moment ago, which can't be trusted: its hash is known
to the ledger, but not as that of the file's name."""


def _labels(plan: Plan, ledger: Ledger) -> dict[str, tuple[str | None, str | None]]:
    """What is known of the photos' labels, by photo name."""
    reader = _label_reader()
    found = {p.name: ledger.label_of(p.sha256, reader) for p in plan.photos if p.sha256 is not None}
    return {name: label for name, label in found.items() if label is not None}


def plan_job(
    source: Place,
    ledger: Ledger,
    plan: Plan,
    target: Place,
    *,
    template: Template | None,
    check_line_mm: tuple[float, float] | None,
    method: Method,
    only: Sequence[str] = (),
    levels: tuple[str, ...] | None = None,
    parts: KnownParts | None = None,
    same_part: bool = False,
) -> Job:
    """Hold a plan against the ledger and the outputs that are there."""
    if same_part:
        plan, units = _put_together(plan, source, ledger, levels)
    else:
        units = each_alone(plan)
    digests = _Digests(method)
    templates: dict[str, Template] = {}
    default = digests.template(template, templates)
    keys: dict[tuple[str, str], str | None] = {}
    there = {e.name: e.size_bytes for e in target.entries()} if ledger.started else {}
    items: list[Item] = []
    kept: dict[str, Outcome] = {}
    moved: dict[str, Outcome] = {}
    problems: list[str] = []
    heard = {p.name: p.placings for p in with_labels(plan, _labels(plan, ledger)).photos} if parts else {}
    for unit in units:
        photo, others = unit.first, unit.others
        key = default
        if unit.template is not None:
            where = (unit.template_folder, unit.template)
            if where not in keys:
                keys[where] = digests.template(_listed_template(unit, source), templates)
            key = keys[where]
        if parts is not None:
            at = settle(unit.placings if others else heard[photo.name])
            named = templates[key] if key is not None else None
            part = parts.template_at(at.boat, at.position) if at.boat and at.position else None
            if unit.template is None and part is not None:
                key, named = digests.template(part, templates), None
            problem = parts.problem_at(at.boat, at.position, named)
            if problem is not None:
                problems.append(f"{photo.shown}: {problem}")
                continue
        given = Given(unit.weighed_g, unit.thickness_mm, check_line_mm)
        item = Item(
            photo.name,
            photo.out_name,
            key,
            given,
            digests.of(key, templates.get(key) if key else None, given, bool(others)),
            photo.stamp,
            tuple(n for n, _ in others),
        )
        if only:
            last = ledger.latest(photo.name)
            if last is not None and tuple(n for n, _ in last.others) != item.others:
                continue  # of another part
            if last is not None and (last.verdict or last.status) in only:
                items.append(item)
            elif (
                last is not None
                and (photo.sha256 is None or last.photo_sha256 in (None, photo.sha256))
                and last.others == others
            ):
                kept[photo.name] = last
            continue
        done = ledger.finished(photo.name, photo.sha256, item.digest, others) if photo.sha256 else None
        if done is not None and _whole(done, there) and done.out_name == photo.out_name:
            kept[photo.name] = done
            continue
        old = ledger.moved(photo.name, photo.sha256, item.digest, others) if photo.sha256 else None
        if old is not None and old.name != photo.name and _whole(old, there):
            moved[photo.name] = old
        else:
            items.append(item)
    return Job(
        plan,
        units,
        tuple(items),
        MappingProxyType(kept),
        MappingProxyType(moved),
        MappingProxyType(templates),
        tuple(problems),
    )


def _put_together(
    plan: Plan, source: Place, ledger: Ledger, levels: tuple[str, ...] | None
) -> tuple[Plan, tuple[Part, ...]]:
    """Photos by boat and position, labels heard; and the contents of those that are judged together
    hashed, for a result goes by all of them."""
    from anodewane.views.together import MOST

    plan, units = of_one_part(with_labels(plan, _labels(plan, ledger)), levels, MOST)
    unknown = [p.name for u in units if len(u.photos) > 1 for p in u.photos if p.sha256 is None]
    found = hash_photos(unknown, source)
    plan = _hashed(plan, found)
    by_name = {p.name: p for p in plan.photos}
    units = tuple(
        replace(u, photos=tuple(replace(p, sha256=by_name[p.name].sha256) for p in u.photos)) for u in units
    )
    hashes = tuple(
        (p.name, p.stamp, found[p.name], p.likeness)
        for p in plan.photos
        if p.stamp is not None and p.name in found
    )
    return replace(plan, hashes=(*plan.hashes, *hashes)), units


# --- what decides a result -----------------------------------------------------------------------


class _Digests:
    """Digests of everything besides the photo that decides a record: versions, model, segmenter,
    settings, template, lens."""

    def __init__(self, method: Method) -> None:
        from anodewane.catalog.lens import lens_profile_to_toml
        from anodewane.judgement.provenance import library_versions
        from anodewane.segment.model_file import load_model_bytes
        from anodewane.version import own_version

        model = None
        if method.segmenter == "network":
            model = load_model_bytes()[1][
                "sha256"
            ]  # a bad model or a wrong name is told before the work starts
        else:
            model = method.get_segmenter().model_sha256
        self._method = method
        self._fixed = [
            SCHEMA_VERSION,
            own_version(),
            method.segmenter if isinstance(method.segmenter, str) else method.segmenter.name,
            model,
            lens_profile_to_toml(method.lens) if method.lens else None,
            library_versions(),
        ]
        self._made: dict[tuple[object, ...], str] = {}

    def template(self, template: Template | None, into: dict[str, Template]) -> str | None:
        """A template's digest, under which it is put; None for a choice from the library."""
        from anodewane.catalog.templates import template_digest

        if template is None:
            return None
        key = template_digest(template)
        into[key] = template
        return key

    def of(self, key: str | None, template: Template | None, given: Given, together: bool) -> str:
        """The digest for a part."""
        known = (given.weighed_g, given.thickness_mm, given.check_line_mm)
        case = (key, known, together)
        if case not in self._made:
            text = json.dumps(
                [
                    *self._fixed,
                    self._method.settings_for(template).digest(),
                    known,
                    key or _library_digest(),
                    *(["together"] if together else []),
                ]
            )
            self._made[case] = hashlib.sha256(text.encode()).hexdigest()[:32]
        return self._made[case]


def _library_digest() -> str:
    from anodewane.catalog.templates import builtin_templates, template_digest

    return hashlib.sha256("".join(map(template_digest, builtin_templates().values())).encode()).hexdigest()


def _listed_template(part: Part, source: Place) -> Template:
    """The template that a photos.csv names: a built-in one, or a file beside the list."""
    from anodewane.catalog.templates import builtin_templates, load_template, template_from_toml

    assert part.template is not None
    try:
        if part.template in builtin_templates() or not part.template.casefold().endswith(".toml"):
            return load_template(part.template)
        return template_from_toml(
            source.read(f"{part.template_folder}{part.template.removeprefix('./')}").decode("utf-8-sig")
        )
    except (UsageError, InputUnreadable) as e:
        raise UsageError(
            f"The template '{part.template}' of photos.csv, for '{part.first.shown}', can't be used: {e.message}",
            e.remedy,
        ) from e
    except UnicodeDecodeError as e:
        raise UsageError(
            f"The template '{part.template}' of photos.csv, for '{part.first.shown}', isn't text in UTF-8.",
            "Save it as UTF-8 text.",
        ) from e


def _whole(outcome: Outcome, there: Mapping[str, int | None]) -> bool:
    """Whether its outputs lie there at the size that was written."""
    return all(there.get(name) == size for name, size in outcome.files)


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


def _check_only(only: Iterable[str]) -> None:
    for grade in only:
        if grade not in GRADES:
            raise UsageError(f"There is no outcome '{grade}' to judge again.", f"Known: {', '.join(GRADES)}.")


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


# --- the summary ---------------------------------------------------------------------------------


def _rows(job: Job, outcomes: Mapping[str, Outcome]) -> list[Row]:
    by_name = {p.name: p for p in job.plan.photos}
    parts = {u.first.name: u for u in job.parts if len(u.photos) > 1}
    of_a_part = {name for u in parts.values() for name in (*(p.name for p in u.photos[1:]), *u.twins)}
    rows = []
    for p in job.plan.photos:
        if p.name in parts:
            rows.append(make_row(p, outcomes.get(p.name), None, parts[p.name]))
        elif p.name not in of_a_part:
            rows.append(
                make_row(
                    p,
                    outcomes.get(p.duplicate_of or p.name),
                    by_name[p.duplicate_of] if p.duplicate_of else None,
                )
            )
    return rows


def _summary(
    job: Job, rows: Sequence[Row], target: Place, ledger: Ledger, judged_now: int, kept: int, began: float
) -> BatchSummary:
    from collections import Counter

    counts = Counter(r.grade for r in rows)
    skipped = Counter(s.reason for s in job.plan.skipped)
    notes = dict.fromkeys(
        (*job.plan.notes, *(f"{r.path}: {c}; the first is taken." for r in rows for c in r.contradictions))
    )
    planned = {p.name for p in job.plan.photos}
    return BatchSummary(
        out=target.address,
        photos=len(job.plan.photos),
        parts=len(rows),
        counts=MappingProxyType({g: counts[g] for g in (*GRADES, "pending") if counts[g]}),
        duplicates=sum(r.duplicate_of is not None for r in rows) + sum(len(u.twins) for u in job.parts),
        unplaced=sum(r.boat is None or r.position is None for r in rows),
        judged_now=judged_now,
        kept=kept,
        gone=sum(name not in planned for name in ledger.names()),
        skipped=MappingProxyType(dict(sorted(skipped.items()))),
        notes=tuple(notes),
        seconds=round(time.monotonic() - began, 2),
    )


def _write_summaries(
    rows: Sequence[Row], plan: Plan, summary: BatchSummary, source: Place, target: Place
) -> None:
    """The same rows give the same bytes, whenever and in how many goes they were judged."""
    from anodewane.batch.contact_sheet import contact_sheet, page_name
    from anodewane.judgement.to_record import CAUTIONS

    target.write("summary.jsonl", summary_jsonl(rows))
    target.write("summary.csv", summary_csv(rows))
    target.write("summary.xlsx", summary_xlsx(rows, plan.skipped, summary.notes))
    folder = shown_name(source.address.rstrip("/\\").replace("\\", "/").rsplit("/", 1)[-1])
    next_page = 1
    for name, html in contact_sheet(
        rows, plan.skipped, summary.notes, CAUTIONS, f"Anodes of {folder}" if folder else "Anodes"
    ):
        target.write(name, html)
        next_page += 1
    while _exists(target, page_name(next_page)):  # of a larger folder before
        target.remove(page_name(next_page))
        next_page += 1


def _exists(target: Place, name: str) -> bool:
    try:
        target.read(name)
    except InputUnreadable:
        return False
    return True
