"""The summary of a run: its rows, its counts, and the files that hold them."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from anodewane.batch.job import GRADES, Job
from anodewane.batch.ledger import Ledger
from anodewane.batch.place import Place, shown_name
from anodewane.batch.plan import Plan
from anodewane.batch.rows import Row, make_row, summary_csv, summary_jsonl, summary_xlsx
from anodewane.batch.work import Outcome
from anodewane.errors import InputUnreadable


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


def rows_of(job: Job, outcomes: Mapping[str, Outcome]) -> list[Row]:
    """A row for each photo, or for each part of several."""
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


def summed_up(
    job: Job, rows: Sequence[Row], target: Place, ledger: Ledger, judged_now: int, kept: int, began: float
) -> BatchSummary:
    """What became of the folder; `began` by the monotonic clock."""
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


def write_summaries(
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
