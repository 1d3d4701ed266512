"""The book as CSV in a zip: what comes back is what went out, table by table; spreadsheets are safe
from it, and it is safe from what else calls itself a zip."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
import os
import sys
import tempfile
import zipfile
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from anodewane.book.exchange import RISKY, cell, export_book, import_book
from anodewane.book.file import TABLES, make_empty
from anodewane.book.store import Book, new_book, open_book
from anodewane.errors import AnodewaneError, InputUnreadable, OutputNotWritable, UsageError
from made.books import HAULED, marram, new, plate, seen


def tables(book: Book) -> dict[str, list[tuple]]:
    return {t: list(book.rows(t)) for t in TABLES}


def full(path: Path) -> Book:
    """A book with something in every table."""
    book = marram(path)
    book.record(
        [new(seen(45.0, photo="b"), at=14), new(seen(30.0), at=9), new(seen(0.0, photo="n"), kind="refit")]
    )
    book.weigh("Marram", "rudder port", HAULED, 900.1, note='=HYPERLINK(1)\nsecond line, "quoted"')
    book.weigh("Marram", "rudder port", HAULED, 1100.1)
    book.withdraw_weighing("Marram", "rudder port", HAULED, "=the other one")
    book.launch("Marram", date(2027, 4, 1))
    book.haul_out("Marram", date(2027, 9, 1))
    book.withdraw_haul_out("Marram", date(2027, 9, 1), "+still afloat", "@M. Example")
    book.withdraw(1, "@wrong boat")
    book.overrule("Marram", "rudder port", HAULED, "replace", "-it flakes", "'M. Example")
    book.accept(
        next(j.id for j in book.judgements("Marram") if j.counts and j.reading.kind == "wear"), "=M. Example"
    )
    book.change_boat("Marram", note="+49 1 23", why="'tis so")
    book.add_boat("=cmd|' /C calc'!A0")
    from anodewane.book.calibrate import calibrate, weighings_of
    from anodewane.settings import Settings

    made = calibrate(plate(), weighings_of(plate(), book.readings(), book.fittings(), Settings()), Settings())
    assert made is not None
    book.keep_calibration(made)
    assert all(tables(book).values()), "a table is empty"
    return book


def test_what_comes_back_is_what_went_out(tmp_path):
    with full(tmp_path / "a.book") as a:
        rows = export_book(a, tmp_path / "a.zip")
        assert rows == sum(map(len, tables(a).values()))
        with import_book(tmp_path / "a.zip", tmp_path / "b.book") as b:
            assert tables(b) == tables(a)
            assert b.check() == ()
            assert b.entries() == a.entries()
            export_book(b, tmp_path / "b.zip")
    assert (tmp_path / "b.zip").read_bytes() == (tmp_path / "a.zip").read_bytes(), (
        "the same book, the same bytes"
    )


NAME = st.text(st.characters(codec="utf-8", exclude_categories=("C", "Zl", "Zp")), min_size=1, max_size=12)
NOTE = st.one_of(st.none(), st.text(st.sampled_from("=+-@'\"\t\n,;aé漢 "), max_size=12))
DAY = st.dates(date(1990, 1, 1), date(2090, 1, 1))
GRAMS = st.floats(0.1, 1e6, allow_nan=False)


@st.composite
def made_books(draw):
    """Calls on an empty book; those that the book refuses are part of life."""
    names = draw(st.lists(NAME, min_size=1, max_size=3))
    calls = []
    for name in names:
        calls.append(
            ("add_boat", (name, draw(st.sampled_from([None, "salt", "brackish", "fresh"])), draw(NOTE)))
        )
        for position in draw(st.lists(NAME, max_size=2)):
            calls.append(("add_position", (name, position, draw(st.one_of(st.none(), NAME)), draw(NOTE))))
            for day in draw(st.lists(DAY, max_size=2)):
                mass = draw(st.one_of(st.none(), GRAMS))
                calls.append(("fit", (name, position, plate(), day), {"new_mass_g": mass, "sure": True}))
            for day in draw(st.lists(DAY, max_size=2)):
                calls.append(
                    ("haul_out", (name, day, draw(st.one_of(st.none(), st.just(day + timedelta(days=9))))))
                )
                gone = draw(st.floats(-5, 99))
                photo = draw(st.sampled_from("abc"))
                calls.append(
                    (
                        "record",
                        (
                            [
                                new(
                                    seen(round(gone, 2), photo=photo),
                                    position,
                                    boat=name,
                                    hauled=day,
                                    at=draw(st.integers(0, 23)),
                                )
                            ],
                        ),
                    )
                )
                calls.append(
                    (
                        "weigh",
                        (name, position, day, draw(GRAMS), draw(st.one_of(st.none(), NAME)), draw(NOTE)),
                    )
                )
                calls.append(
                    (
                        "overrule",
                        (
                            name,
                            position,
                            day,
                            draw(st.sampled_from([None, "ok", "replace"])),
                            draw(NAME),
                            draw(NAME),
                        ),
                    )
                )
                calls.append(("withdraw", (draw(st.integers(1, 3)), draw(NAME))))
                calls.append(("accept", (draw(st.integers(1, 3)), draw(NAME))))
        calls.append(
            (
                "change_boat",
                (name,),
                {"rename": draw(st.one_of(st.none(), NAME)), "note": draw(NOTE), "why": draw(NOTE)},
            )
        )
    return calls


@pytest.mark.slow
@settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
@given(made_books())
def test_any_book_comes_back(calls):
    with tempfile.TemporaryDirectory() as folder, new_book(Path(folder) / "a.book") as a:
        for method, args, *kwargs in calls:
            try:
                getattr(a, method)(*args, **(kwargs[0] if kwargs else {}))
            except UsageError:
                continue
        export_book(a, Path(folder) / "a.zip")
        with import_book(Path(folder) / "a.zip", Path(folder) / "b.book") as b:
            assert tables(b) == tables(a)
            assert b.check() == ()
            export_book(b, Path(folder) / "b.zip")
        assert (Path(folder) / "b.zip").read_bytes() == (Path(folder) / "a.zip").read_bytes()


# --- for others to read --------------------------------------------------------------------------


def test_python_s_csv_reads_every_table_and_no_cell_is_a_formula(tmp_path):
    """OWASP's list of what begins a formula: = + - @, tab, carriage return (CSV Injection)."""
    with full(tmp_path / "a.book") as a:
        export_book(a, tmp_path / "a.zip")
        have = tables(a)
    with zipfile.ZipFile(tmp_path / "a.zip") as z:
        assert z.testzip() is None
        manifest = json.loads(z.read("manifest.json"))
        assert set(z.namelist()) == {
            "manifest.json",
            *(f"{t}.csv" for t in TABLES if t != "records"),
            *(f"records/{r[0]}.json" for r in have["records"]),
        }
        for table, said in manifest["tables"].items():
            data = z.read(f"{table}.csv")
            assert hashlib.sha256(data).hexdigest() == said["sha256"]
            head, *rows = csv.reader(io.StringIO(data.decode("utf-8"), newline=""))
            assert head == said["columns"]
            assert len(rows) == said["rows"] == len(have[table])
            for text in (c for row in rows for c in row):
                if text.startswith(("=", "+", "-", "@", "\t", "\r")):
                    float(text)  # a number, and nothing else
        for sha256, text in have["records"]:
            assert z.read(f"records/{sha256}.json") == text.encode()


@given(
    st.one_of(st.text(), st.floats(allow_nan=False, allow_infinity=False), st.integers(-(2**63), 2**63 - 1))
)
def test_a_cell_comes_back_to_the_bit(value):
    from anodewane.book.exchange import _value

    kind = {str: "TEXT", float: "REAL", int: "INTEGER"}[type(value)]
    back = _value(cell(value), kind, "", "", lambda why: AssertionError(why))
    assert back == value or (value == "" and back is None)
    if isinstance(value, float):
        assert math.copysign(1, back) == math.copysign(1, value)
    if isinstance(value, str) and value:
        assert not cell(value).startswith(RISKY[:-1])


# --- what isn't an export ------------------------------------------------------------------------


@pytest.fixture(scope="module")
def good(tmp_path_factory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("good")
    with full(folder / "a.book") as a:
        export_book(a, folder / "a.zip")
    with zipfile.ZipFile(folder / "a.zip") as z:
        return {n: z.read(n) for n in z.namelist()}


def packed(files: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as z:
        for name, data in files.items():
            z.writestr(name, data)
    return out.getvalue()


def altered(good: dict[str, bytes], table: str, change) -> dict[str, bytes]:
    """With a table changed and the manifest made to fit: only the book's own rules can tell."""
    rows = list(csv.reader(io.StringIO(good[f"{table}.csv"].decode(), newline="")))
    change(rows)
    out = io.StringIO(newline="")
    csv.writer(out).writerows(rows)
    data = out.getvalue().encode()
    manifest = json.loads(good["manifest.json"])
    manifest["tables"][table] |= {"sha256": hashlib.sha256(data).hexdigest(), "rows": len(rows) - 1}
    return {**good, f"{table}.csv": data, "manifest.json": json.dumps(manifest).encode()}


def put(table_row: int, column: str, value: str):
    def change(rows):
        rows[table_row][rows[0].index(column)] = value

    return change


def manifest_with(good, **values) -> dict[str, bytes]:
    return {**good, "manifest.json": json.dumps({**json.loads(good["manifest.json"]), **values}).encode()}


def manifest_with_table(good, table: str, **values) -> dict[str, bytes]:
    listed = json.loads(good["manifest.json"])["tables"]
    return manifest_with(good, tables={**listed, table: {**listed[table], **values}})


HOSTILE = {
    "not a zip": (lambda g: b"boat,position\n", "isn't a whole zip"),
    "empty": (lambda g: b"", "isn't a whole zip"),
    "cut off": (lambda g: packed(g)[:-200], "isn't a whole zip"),
    "a byte changed": (lambda g: (lambda d: d[:2000] + bytes([d[2000] ^ 255]) + d[2001:])(packed(g)),
    "can't be taken in"),
    "path upwards": (lambda g: packed({**g, "../../evil.json": b"x"}), "no export holds"),
    "absolute path": (lambda g: packed({**g, "/etc/cron.d/evil": b"x"}), "no export holds"),
    "record with a path": (lambda g: packed({**g, "records/../x.json": b"x"}), "no export holds"),
    "windows path": (lambda g: packed({**g, "records\\..\\..\\x.json": b"x"}), "no export holds"),
    "a bomb": (lambda g: packed({**g, f"records/{'0' * 64}.json": b" " * 150_000_000}), "unpacks to 150 MB"),
    "many small bombs": (lambda g: packed({**g,
    **{f"records/{i:064x}.json": b" " * 15_000_000 for i in range(6)}}), "unpack to"),
    "no manifest": (lambda g: packed({k: v for k, v in g.items() if k != "manifest.json"}), "no manifest"),
    "manifest not JSON": (lambda g: packed({**g, "manifest.json": b"{"}), "isn't JSON"),
    "manifest too deep": (lambda g: packed({**g, "manifest.json": b"[" * 100_000}), "isn't JSON"),
    "manifest of another": (lambda g: packed({**g, "manifest.json": b"[]"}), "something else"),
    "newer": (lambda g: packed(manifest_with(g, schema_version=99)), "of version 99"),
    "version text": (lambda g: packed(manifest_with(g, schema_version="2")), "no version"),
    "version true": (lambda g: packed(manifest_with(g, schema_version=True)), "no version"),
    "no tables": (lambda g: packed(manifest_with(g, tables=3)), "lists no tables"),
    "table missing": (lambda g: packed({k: v for k, v in g.items() if k != "boats.csv"}),
    "'boats' is missing"),
    "table not listed": (lambda g: packed(manifest_with(g, tables={})), "is missing"),
    "table altered": (lambda g: packed({**g, "boats.csv": g["boats.csv"].replace(b"salt", b"fresh")}),
    "boats.csv was altered"),
    "record altered": (lambda g: packed({k: v + b" " if k.startswith("records/") else v for k,
    v in g.items()}), "was altered"),
    "record missing": (lambda g: packed({k: v for k, v in g.items() if not k.startswith("records/")}),
    "0 records where"),
    "row count": (lambda g: packed(manifest_with_table(g, "boats", rows=7)), "rows where"),
    "text for a number": (lambda g: packed(altered(g, "weighings", put(1, "mass_g", "heavy"))),
    "isn't a number"),
    "infinite": (lambda g: packed(altered(g, "weighings", put(1, "mass_g", "inf"))), "isn't a finite number"),
    "huge integer": (lambda g: packed(altered(g, "weighings", put(1, "id", "9" * 30))), ("breaks the book's "
                                                                                        "rules")),
    "no such water": (lambda g: packed(altered(g, "boats", put(2, "water", "sea"))), ("line 3 of boats.csv "
                                                                                     "breaks")),
    "no such day": (lambda g: packed(altered(g, "haul_outs", put(1, "hauled_on", "2026-02-30"))),
    "breaks the book's rules"),
    "missing value": (lambda g: packed(altered(g, "weighings", put(1, "mass_g", ""))), ("breaks the book's "
                                                                                       "rules")),
    "orphan": (lambda g: packed(altered(g, "positions", put(1, "boat", "Nobody's"))), "lacks its parent"),
    "false count": (lambda g: packed(altered(g, "judgements", put(1, "counts", "1"))), "whether it counts"),
    "columns": (lambda g: packed(altered(g, "boats", put(0, "water", "waters"))), "hasn't the columns"),
    "a cell too many": (lambda g: packed(altered(g, "boats", lambda rows: rows[1].append("x"))),
    "4 cells where 3"),
    "not UTF-8": (
        lambda g: packed({**manifest_with_table(g, "boats", rows=1,
        sha256=hashlib.sha256(b"\xff").hexdigest()), "boats.csv": b"\xff"}), "can't be taken in",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", HOSTILE)
def test_what_isn_t_an_export_is_refused_in_a_sentence(tmp_path, good, case):
    make, says = HOSTILE[case]
    (tmp_path / "in.zip").write_bytes(make(good))
    with pytest.raises(InputUnreadable) as e:
        import_book(tmp_path / "in.zip", tmp_path / "out.book")
    assert says in e.value.message
    assert e.value.remedy
    assert [p.name for p in tmp_path.iterdir()] == ["in.zip"], (
        "nothing is left behind, nothing is made elsewhere"
    )


def test_a_file_twice_is_refused(tmp_path, good):
    with zipfile.ZipFile(tmp_path / "in.zip", "w") as z, pytest.warns(UserWarning, match="Duplicate"):
        for name in ("manifest.json", "manifest.json"):
            z.writestr(name, good["manifest.json"])
    with pytest.raises(InputUnreadable, match="twice"):
        import_book(tmp_path / "in.zip", tmp_path / "out.book")


def test_nothing_is_written_over(tmp_path, good):
    (tmp_path / "in.zip").write_bytes(packed(good))
    (tmp_path / "out.book").write_bytes(b"precious")
    with pytest.raises(OutputNotWritable, match="already"):
        import_book(tmp_path / "in.zip", tmp_path / "out.book")
    assert (tmp_path / "out.book").read_bytes() == b"precious"
    with full(tmp_path / "a.book") as a, pytest.raises(OutputNotWritable, match="already"):
        export_book(a, tmp_path / "in.zip")
    with pytest.raises(InputUnreadable, match="no export"):
        import_book(tmp_path / "none.zip", tmp_path / "b.book")
    with pytest.raises(AnodewaneError):
        import_book(tmp_path, tmp_path / "b.book")


@pytest.mark.skipif(not Path("/dev/full").exists() or os.name == "nt", reason="needs a limit of file sizes")
def test_an_export_that_doesn_t_fit_leaves_nothing(tmp_path):
    import subprocess

    with full(tmp_path / "a.book"):
        pass
    code = (
        "import resource, signal, sys\nfrom pathlib import Path\nfrom anodewane.book.exchange import "
        "export_book\nfrom anodewane.book.store import open_book\n"
        "from anodewane.errors import AnodewaneError\nb = "
        "open_book(sys.argv[1])\nsignal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (2000, 2000))\n"
        "try:\n    export_book(b, Path(sys.argv[2]))\nexcept AnodewaneError as e:\n    "
        "print(int(e.exit_code))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "a.book"), str(tmp_path / "a.zip")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stdout == "5\n", done.stderr
    assert not list(tmp_path.glob("*.zip"))
    assert not list(tmp_path.glob("*.part"))


def test_an_export_of_version_1_comes_in(tmp_path):
    """Made by hand from the frozen book of version 1, as that version's export was: its tables,
    and no others."""
    import sqlite3

    old = tmp_path / "old.book"
    db = sqlite3.connect(old)
    db.executescript((Path(__file__).parent / "fixtures" / "book_v1.sql").read_text("utf-8"))
    files, manifest = {}, {"format": "anodewane book", "schema_version": 1, "tables": {}, "records": 0}
    names = [r[0] for r in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    for table in names:
        rows = db.execute(f"SELECT * FROM {table}").fetchall()
        if table == "records":
            files |= {f"records/{s}.json": t.encode() for s, t in rows}
            manifest["records"] = len(rows)
            continue
        out = io.StringIO(newline="")
        csv.writer(out).writerows(
            [
                [c[1] for c in db.execute(f"PRAGMA table_info({table})")],
                *([cell(v) for v in row] for row in rows),
            ]
        )
        files[f"{table}.csv"] = out.getvalue().encode()
        manifest["tables"][table] = {
            "rows": len(rows),
            "sha256": hashlib.sha256(files[f"{table}.csv"]).hexdigest(),
        }
    db.close()
    (tmp_path / "in.zip").write_bytes(packed({**files, "manifest.json": json.dumps(manifest).encode()}))
    with import_book(tmp_path / "in.zip", tmp_path / "new.book") as book, open_book(old) as there:
        assert tables(book) == tables(there)


def test_moments_are_of_one_form():
    from anodewane.book.findings import moment

    assert moment(datetime(2026, 10, 5, 12, 0, 0, 999_999, tzinfo=UTC)) == "2026-10-05T12:00:00.999Z"
    assert make_empty
