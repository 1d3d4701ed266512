"""The summary's tables: harmless in a spreadsheet whatever the photos are called, the same bytes for
the same rows, and read back by an independent program."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace

import openpyxl
import pytest

from anodewane.batch.plan import Skipped
from anodewane.batch.rows import COLUMNS, summary_csv, summary_jsonl, summary_xlsx
from made.batch_doubles import ROW

HOSTILE = [
    "=1+1",
    '=HYPERLINK("http://x","y")',
    "+1",
    "-1",
    "@SUM(A1)",
    "\t=1",
    "\r=1",
    'a"b,c\nd',
    "https://x",
    "{=1}",
    "12",
    "\x01\x02",
    "x" * 40_000,
]


def test_csv_is_read_back_by_the_standard_reader() -> None:
    data = summary_csv([ROW])
    assert data.startswith(b"\xef\xbb\xbf")
    (row,) = csv.DictReader(io.StringIO(data.decode("utf-8-sig")))
    assert tuple(row) == COLUMNS
    assert row["consumed_low_pct"] == "-1.5", "a number stays a number"
    assert row["duplicate_of"] == ""


@pytest.mark.parametrize("name", HOSTILE)
def test_no_cell_of_the_csv_begins_a_formula(name: str) -> None:
    """What OWASP's 'CSV Injection' page lists as beginnings of formulas."""
    data = summary_csv([replace(ROW, path=name, boat=name, position=name, taken=name)]).decode("utf-8-sig")
    (row,) = csv.DictReader(io.StringIO(data, newline=""))
    for column in ("path", "boat", "position", "taken"):
        assert row[column][:1] not in ("=", "+", "-", "@", "\t", "\r")
        assert row[column].removeprefix("'") == name


@pytest.mark.parametrize("name", HOSTILE)
def test_no_cell_of_the_workbook_is_a_formula_or_link(name: str) -> None:
    data = summary_xlsx(
        [replace(ROW, path=name, boat=name, reasons=((name, name, name),))],
        [Skipped(name, "dot_file", name)],
        [name],
    )
    book = openpyxl.load_workbook(io.BytesIO(data))
    cells = [c for sheet in book for line in sheet.iter_rows(min_row=2) for c in line if c.value is not None]
    assert {c.data_type for c in cells} <= {"s", "n"}
    assert not any(c.hyperlink for c in cells)
    if name.isprintable():
        assert str(book["Photos"]["A2"].value) == name[:32_000]


def test_workbook_holds_numbers_as_numbers_and_nothing_for_unknown() -> None:
    book = openpyxl.load_workbook(io.BytesIO(summary_xlsx([ROW], [], [])))
    values = {c.value: v.value for c, v in zip(book["Photos"][1], book["Photos"][2], strict=True)}
    assert values["consumed_pct"] == 62.25
    assert values["verdict"] == "replace"
    assert values["duplicate_of"] is None
    assert book.sheetnames == ["Photos", "Left out", "Told"]


def test_the_same_rows_give_the_same_bytes() -> None:
    assert summary_xlsx([ROW], [], ["note"]) == summary_xlsx([ROW], [], ["note"])


def test_json_lines_keep_unknown_as_null() -> None:
    pending = replace(ROW, status="pending", verdict=None, consumed_pct=None, record=None, photo_sha256=None)
    first, second = map(json.loads, summary_jsonl([ROW, pending]).decode().splitlines())
    assert first["consumed"] == {
        "mass_pct": {"value": 62.25, "low": -1.5, "high": 70.0},
        "area_pct": 35.2,
        "coverage": 0.9,
    }
    assert second["consumed"] is None
    assert second["record"] is None
    assert "" not in second.values()
