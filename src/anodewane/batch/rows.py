"""The summary of a batch: a row for every photo at every place where it lies, or for every part that
several photos show, as JSON Lines, CSV and XLSX."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from anodewane.batch.parts import Part
from anodewane.batch.placing import Placing, settle
from anodewane.batch.plan import SKIP_WORDS, PlannedPhoto, Skipped
from anodewane.batch.work import Outcome, overlay_name, record_name, thumbnail_name

STATUSES = ("judged", "cannot_judge", "unreadable", "crashed", "fault", "pending")
"""pending : not judged yet, where a run was interrupted or did some only."""

COLUMNS = (
    "path", "boat", "position", "placed_by", "verdict", "status",
    "consumed_pct", "consumed_low_pct", "consumed_high_pct", "area_pct",
    "template", "template_chosen", "alloy", "taken", "reasons", "what_to_do",
    "duplicate_of", "contradictions", "record", "overlay", "photo_sha256", "photos",
)  # fmt: skip
"""Of summary.csv and summary.xlsx."""

MAX_XLSX_ROWS = 1_048_575
MAX_XLSX_CELL = 32_000


@dataclass(frozen=True, slots=True)
class Row:
    """One photo at one place, or one part that several photos show. path : the photo's name there, fit
    for print, the first's of several; photos : the names of all of them; record, overlay, thumbnail :
    names under OUT, None where there are none. consumed_pct and its bounds : % of mass. duplicate_of :
    `path` of the photo with the same content that was judged."""

    path: str
    boat: str | None
    position: str | None
    placed_by: str | None
    photo_sha256: str | None
    record: str | None
    overlay: str | None
    thumbnail: str | None
    status: str
    verdict: str | None
    consumed_pct: float | None
    consumed_low_pct: float | None
    consumed_high_pct: float | None
    coverage: float | None
    area_pct: float | None
    template: str | None
    template_chosen: bool | None
    alloy: str | None
    taken: str | None
    duplicate_of: str | None
    contradictions: tuple[str, ...]
    reasons: tuple[tuple[str, str, str | None], ...]
    photos: tuple[str, ...]

    @property
    def grade(self) -> str:
        """The verdict, or what stands in its place: what `--only` names."""
        return self.verdict or self.status


def make_row(
    photo: PlannedPhoto, outcome: Outcome | None, original: PlannedPhoto | None, part: Part | None = None
) -> Row:
    """Put plan and outcome together; a label that was read on the sheet now has its say. part : that
    the photo is the first of."""
    placings = list(part.placings if part else photo.placings)
    if (
        outcome is not None
        and (outcome.label_boat or outcome.label_position)
        and not any(p.by == "label" for p in placings)
    ):
        placings.insert(
            sum(p.by == "csv" for p in placings), Placing(outcome.label_boat, outcome.label_position, "label")
        )
    settled = settle(tuple(placings))
    has_record = outcome is not None and bool(outcome.files)
    o = outcome
    return Row(
        path=photo.shown,
        boat=settled.boat,
        position=settled.position,
        placed_by=settled.placed_by,
        photo_sha256=o.photo_sha256 if o else photo.sha256,
        record=record_name(o.out_name) if o and has_record else None,
        overlay=overlay_name(o.out_name) if o and has_record else None,
        thumbnail=thumbnail_name(o.out_name) if o and has_record else None,
        status=o.status if o else "pending",
        verdict=o.verdict if o else None,
        consumed_pct=o.consumed_pct if o else None,
        consumed_low_pct=o.consumed_low_pct if o else None,
        consumed_high_pct=o.consumed_high_pct if o else None,
        coverage=o.coverage if o else None,
        area_pct=o.area_pct if o else None,
        template=o.template if o else None,
        template_chosen=o.template_chosen if o else None,
        alloy=o.alloy if o else None,
        taken=o.taken if o else None,
        duplicate_of=original.shown if original else None,
        contradictions=settled.contradictions,
        reasons=o.reasons if o else (),
        photos=tuple(p.shown for p in part.photos) if part else (photo.shown,),
    )


def summary_jsonl(rows: Iterable[Row]) -> bytes:
    """One JSON object a line. `consumed` is shaped as in the record: {"mass_pct": {value, low, high},
    "area_pct": value, "coverage"}, or null."""
    return b"".join(
        json.dumps(_plain(row), ensure_ascii=False, separators=(", ", ": ")).encode() + b"\n" for row in rows
    )


def _plain(row: Row) -> dict[str, Any]:
    consumed = None
    if row.consumed_pct is not None:
        mass = {"value": row.consumed_pct, "low": row.consumed_low_pct, "high": row.consumed_high_pct}
        consumed = {"mass_pct": mass, "area_pct": row.area_pct, "coverage": row.coverage}
    return {
        "path": row.path,
        "boat": row.boat,
        "position": row.position,
        "placed_by": row.placed_by,
        "photo_sha256": row.photo_sha256,
        "record": row.record,
        "overlay": row.overlay,
        "status": row.status,
        "verdict": row.verdict,
        "consumed": consumed,
        "template": row.template,
        "template_chosen": row.template_chosen,
        "alloy": row.alloy,
        "taken": row.taken,
        "duplicate_of": row.duplicate_of,
        "contradictions": list(row.contradictions),
        "reasons": [{"code": c, "message": m, "remedy": r} for c, m, r in row.reasons],
        "photos": list(row.photos),
    }


def summary_csv(rows: Iterable[Row]) -> bytes:
    """UTF-8 with a byte-order mark, so that spreadsheets read it right; text that a spreadsheet would
    take for a formula gets an apostrophe in front."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(COLUMNS)
    for row in rows:
        writer.writerow([_csv_cell(v) for v in _cells(row)])
    return text.getvalue().encode("utf-8-sig")


def _csv_cell(value: Any) -> Any:
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return "'" + value
    return "" if value is None else value  # CSV knows no null


def _cells(row: Row) -> list[Any]:
    chosen = None if row.template_chosen is None else "yes" if row.template_chosen else "no"
    reasons, remedies = (
        " ".join(m for _, m, _ in row.reasons),
        " ".join(dict.fromkeys(r for _, _, r in row.reasons if r)),
    )
    return [
        row.path, row.boat, row.position, row.placed_by, row.grade, row.status,
        row.consumed_pct, row.consumed_low_pct, row.consumed_high_pct, row.area_pct,
        row.template, chosen, row.alloy, row.taken, reasons, remedies,
        row.duplicate_of, "; ".join(row.contradictions) or None,
        row.record, row.overlay, row.photo_sha256, "; ".join(row.photos),
    ]  # fmt: skip


def summary_xlsx(rows: Sequence[Row], skipped: Iterable[Skipped], notes: Iterable[str]) -> bytes:
    """A workbook with the photos, and what was left out and told on sheets of their own. Text can't
    become a formula or a link; the same rows give the same bytes."""
    from datetime import datetime

    import xlsxwriter

    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(
        buffer,
        {
            "in_memory": True,
            "strings_to_formulas": False,
            "strings_to_urls": False,
            "strings_to_numbers": False,
        },
    )
    # not the time: a file of the same rows has the same bytes
    book.set_properties({"title": "anodewane batch", "created": datetime(2000, 1, 1)})  # noqa: DTZ001
    bold, wrap = (
        book.add_format({"bold": True, "bottom": 1, "valign": "top"}),
        book.add_format({"text_wrap": True, "valign": "top"}),
    )
    plain, figure = (
        book.add_format({"valign": "top"}),
        book.add_format({"num_format": "0.0", "valign": "top"}),
    )
    widths = {
        "path": 40,
        "boat": 18,
        "position": 20,
        "verdict": 14,
        "reasons": 60,
        "what_to_do": 60,
        "template": 28,
        "record": 40,
        "overlay": 40,
        "contradictions": 40,
        "photos": 40,
    }
    sheet = book.add_worksheet("Photos")
    for c, name in enumerate(COLUMNS):
        sheet.write_string(0, c, name, bold)
        sheet.set_column(c, c, widths.get(name, 14))
    for r, row in enumerate(rows[:MAX_XLSX_ROWS], start=1):
        for c, value in enumerate(_cells(row)):
            if isinstance(value, (int, float)):
                sheet.write_number(r, c, value, figure)
            elif value is not None:
                sheet.write_string(
                    r,
                    c,
                    str(value)[:MAX_XLSX_CELL],
                    wrap if COLUMNS[c] in ("reasons", "what_to_do", "contradictions", "photos") else plain,
                )
    sheet.freeze_panes(1, 1)
    sheet.autofilter(0, 0, min(len(rows), MAX_XLSX_ROWS), len(COLUMNS) - 1)
    sheet.set_landscape()
    sheet.repeat_rows(0)
    for title, header, lines in (
        ("Left out", ("what", "why", "detail"), [(s.shown, SKIP_WORDS[s.reason], s.detail) for s in skipped]),
        ("Told", ("note",), [(n,) for n in notes]),
    ):
        sheet = book.add_worksheet(title)
        for c, name in enumerate(header):
            sheet.write_string(0, c, name, bold)
        sheet.set_column(0, len(header) - 1, 50)
        for r, line in enumerate(lines[:MAX_XLSX_ROWS], start=1):
            for c, text in enumerate(line):
                sheet.write_string(r, c, text[:MAX_XLSX_CELL], plain)
    book.close()
    return buffer.getvalue()
