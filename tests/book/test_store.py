"""The book's file: what goes in comes out, nothing is overwritten silently, and nobody's file is
damaged. Checked by SQLite's own checks and its command-line shell."""

from __future__ import annotations

import hashlib
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import closing
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from anodewane import open_book
from anodewane.book.file import APPLICATION_ID, VERSION, on_network_disk
from anodewane.book.store import new_book
from anodewane.catalog.templates import builtin_templates, template_digest
from anodewane.errors import InputUnreadable, OutputNotWritable, UsageError
from anodewane.record import Interval, MassFigures
from made.books import HAULED, PLATE, marram, new, plate, seen
from made.hand_made import refused, signed

V1, V2, V4 = (Path(__file__).parent / "fixtures" / f"book_v{v}.sql" for v in (1, 2, 4))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "yard.book"


@pytest.fixture
def book(path: Path):
    with marram(path) as made:
        yield made


def sound(path: Path) -> None:
    """By SQLite itself, through a connection of its own."""
    db = sqlite3.connect(path)
    assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert db.execute("PRAGMA foreign_key_check").fetchall() == []
    db.close()


# --- what goes in comes out ----------------------------------------------------------------------


def test_what_goes_in_comes_out(book, path):
    book.record([new(seen(40.0), at=12)])
    book.weigh("Marram", "rudder port", HAULED, 900.0, by="M. Example")
    (e,) = book.entries()
    assert (e.boat.name, e.boat.water) == ("Marram", "salt")
    assert [(p.name, p.pair, p.fixings) for p in e.positions] == [
        ("rudder port", "rudder", "2 x M10 bolt with washer"),
        ("rudder starboard", "rudder", "2 x M10 bolt with washer"),
    ]
    assert [(f.position, f.template, f.alloy, f.fitted_on, f.removed_on) for f in e.fittings] == [
        (f"rudder {s}", PLATE, "zinc", date(2026, 4, 18), None) for s in ("port", "starboard")
    ]
    assert [(h.hauled_on, h.launched_on) for h in e.haul_outs] == [
        (date(2026, 4, 10), date(2026, 5, 2)),
        (HAULED, None),
    ]
    (r,) = e.readings
    assert (r.kind, r.status, r.verdict, r.template, r.weighed_g, r.photo_sha256) == (
        "wear",
        "judged",
        "monitor",
        PLATE,
        900.0,
        "a" * 64,
    )
    assert r.reasons == ("past_limit",)
    assert dict(r.budget) == {"print_scale": 0.8, "edge": 0.35}
    assert template_digest(book.template(PLATE)) == template_digest(plate())
    assert book.record_json(r.record_sha256) == new(seen(40.0)).record
    assert hashlib.sha256(book.record_json(r.record_sha256)).hexdigest() == r.record_sha256
    sound(path)
    with open_book(path) as again:
        assert again.entries() == book.entries()


def test_a_weight_after_the_photo_stands_in_for_its_mass_and_narrows(book):
    """900 g left of 1530 g new is 100 (1 - 900/1530) % gone, by hand."""
    book.record([new(seen(40.0))])
    (before,) = book.readings()
    book.weigh("Marram", "rudder port", HAULED, 1200.0)
    book.weigh("Marram", "rudder port", HAULED, 900.0)
    (after,) = book.readings()
    assert after.consumed_pct.value == pytest.approx(100 * (1 - 900 / 1530))
    assert after.seen_pct == before.consumed_pct
    assert (
        after.consumed_pct.high - after.consumed_pct.low < before.consumed_pct.high - before.consumed_pct.low
    )
    assert after.verdict == before.verdict, "the photo's own verdict stays"
    assert [w.mass_g for w in book.weighings()] == [1200.0, 900.0], "both are kept"


def test_a_record_judged_with_a_weight_brings_it(book):
    weighed = replace(seen(41.0), mass=MassFigures(1530.0, Interval(902.7, 899.0, 906.0), "weighed"))
    book.record([new(weighed)])
    (r,) = book.readings()
    assert r.weighed_g == 902.7
    assert r.consumed_pct == Interval(41.0, 31.0, 51.0), "as the record has it"
    assert r.seen_pct is not None
    assert r.seen_pct.high - r.seen_pct.low > 5, "what the photo alone says is wide"


def test_by_whom_a_handed_outline_was(book):
    book.record([new(signed(seen(40.0)))])
    (j,) = book.judgements("Marram")
    assert (j.judged_by, j.photo_name, j.judged_at, j.mass_method) == (
        "M. Example",
        "a.jpg",
        "2026-10-05T12:00:00.000Z",
        "recession",
    )


# --- several judgements of one part --------------------------------------------------------------


def test_the_latest_judged_one_counts_whatever_the_order(book):
    book.record([new(seen(45.0, photo="b"), at=14), new(seen(30.0, photo="a"), at=9)])
    assert [r.photo_sha256[0] for r in book.readings()] == ["b"]
    assert [(j.reading.photo_sha256[0], j.counts) for j in book.judgements("Marram")] == [
        ("a", False),
        ("b", True),
    ]
    book.record([new(seen(20.0, photo="c"), at=15)])
    assert [r.photo_sha256[0] for r in book.readings()] == ["c"]


def test_a_refusal_never_hides_a_verdict(book):
    book.record([new(seen(45.0, photo="b"), at=9), new(refused(), at=15)])
    assert [r.status for r in book.readings()] == ["judged"]
    book.record([new(refused(), "rudder starboard", at=15)])
    assert [r.status for r in book.readings(position="rudder starboard")] == ["cannot_judge"]


def test_a_withdrawn_one_never_counts_and_comes_back(book):
    book.record([new(seen(45.0, photo="b"), at=14), new(seen(30.0, photo="a"), at=9)])
    last = next(j for j in book.judgements("Marram") if j.counts)
    book.withdraw(last.id, "the wrong boat", "M. Example")
    assert [r.photo_sha256[0] for r in book.readings()] == ["a"]
    assert [j.withdrawn for j in book.judgements("Marram")] == [None, "the wrong boat"]
    book.withdraw(last.id, "the right one after all", undo=True)
    assert [r.photo_sha256[0] for r in book.readings()] == ["b"]
    first = next(j for j in book.judgements("Marram") if not j.counts)
    book.withdraw(first.id, "x")
    book.withdraw(last.id, "x")
    assert book.readings() == ()


def test_the_same_again_changes_nothing(book, path):
    js = [new(seen(45.0, photo="b")), new(seen(30.0, photo="a"), "rudder starboard")]
    assert book.record(js).new == 2
    before = [list(book.rows(t)) for t in ("judgements", "records", "weighings")]
    assert (book.record(js).new, book.record(js).known) == (0, 2)
    assert [list(book.rows(t)) for t in ("judgements", "records", "weighings")] == before


def test_wear_and_refit_count_apart(book):
    book.record([new(seen(45.0, photo="b")), new(seen(0.0, photo="n"), kind="refit")])
    assert {r.kind for r in book.readings()} == {"wear", "refit"}


def test_half_a_batch_is_no_batch(book):
    with pytest.raises(UsageError, match="no position 'skeg'"):
        book.record([new(seen(45.0)), new(seen(30.0, photo="c"), "skeg")])
    assert book.readings() == ()
    with pytest.raises(InputUnreadable, match="isn't one"):
        book.record([new(seen(45.0)), replace(new(seen()), record=b'{"schema_version": "1.0"}')])
    assert list(book.rows("records")) == []


# --- corrections leave a trace -------------------------------------------------------------------


def test_a_new_name_takes_everything_along_and_leaves_a_trace(book, path):
    book.record([new(seen(45.0))])
    book.weigh("Marram", "rudder port", HAULED, 900.0)
    book.change_boat("Marram", rename="Marram II", why="she was renamed", by="M. Example")
    book.change_position("Marram II", "rudder port", rename="rudder, port")
    (r,) = book.readings("Marram II")
    assert (r.boat, r.position, r.weighed_g) == ("Marram II", "rudder, port", 900.0)
    c = next(c for c in book.changes() if c.what == "boats")
    assert (c.before["name"], c.after["name"], c.why, c.by) == (
        "Marram",
        "Marram II",
        "she was renamed",
        "M. Example",
    )
    sound(path)


def test_a_haul_out_is_re_dated_with_its_judgements(book):
    book.record([new(seen(45.0))])
    book.change_haul_out("Marram", HAULED, hauled=date(2026, 10, 3))
    assert [r.hauled_on for r in book.readings()] == [date(2026, 10, 3)]
    assert [
        (c.before["hauled_on"], c.after["hauled_on"]) for c in book.changes() if c.what == "haul_outs"
    ] == [("2026-10-04", "2026-10-03")]


def test_a_new_part_ends_the_old_one_s_stay(book):
    book.fit("Marram", "rudder port", plate(), date(2026, 11, 1), new_mass_g=1519.0)
    stay = [(f.fitted_on, f.removed_on) for f in book.fittings("Marram", "rudder port")]
    assert stay == [(date(2026, 4, 18), date(2026, 11, 1)), (date(2026, 11, 1), None)]
    assert any(c.what == "fittings" for c in book.changes())
    book.change_fitting("Marram", "rudder port", date(2026, 11, 1), fitted=date(2026, 11, 2))
    with pytest.raises(UsageError, match="Another part sat"):
        book.change_fitting("Marram", "rudder port", date(2026, 11, 2), fitted=date(2026, 9, 1))
    with pytest.raises(UsageError, match="Another part sat"):
        book.fit("Marram", "rudder port", plate(), date(2026, 5, 1))


def test_the_file_itself_refuses_to_lose_evidence(book, path):
    """Whoever opens it, by whatever program."""
    book.record([new(seen(45.0))])
    book.weigh("Marram", "rudder port", HAULED, 900.0)
    book.change_boat("Marram", note="red hull")
    db = sqlite3.connect(path)
    db.execute("PRAGMA foreign_keys = ON")
    for sql in (
        "DELETE FROM judgements", ("UPDATE judgements SET verdict = "
                                  "'ok'"), ("UPDATE records SET json = "
                                          "'x'"), "DELETE FROM records", "DELETE FROM weighings",
        ("UPDATE weighings SET mass_g = "
        "1"), "DELETE FROM changes", "DELETE FROM boats", "UPDATE haul_outs SET hauled_on = '2026-13-01'",
        ("UPDATE fittings SET fitted_on = "
        "'2026-02-30'"), ("INSERT INTO boats VALUES ('', NULL, "
                        "NULL)"), "INSERT INTO boats VALUES (1.5, 'sea', NULL)",
    ):  # fmt: skip
        with pytest.raises(sqlite3.IntegrityError):
            db.execute(sql)
    db.close()


def test_names_that_look_alike_are_one_boat(book):
    for twin in ("marram", "MARRAM", " Mar ram", "Marràm"):
        with pytest.raises(UsageError, match="already"):
            book.add_boat(twin)
    book.add_boat("N\u0303andu\u0301")
    assert book.boat("\u00d1and\u00fa").name == "\u00d1and\u00fa", (
        "folders of some systems write accents apart"
    )
    assert book.boat("\u00f1andu").name == "\u00d1and\u00fa"
    with pytest.raises(UsageError, match="Did you mean 'Marram'"):
        book.boat("Maram")
    for bad in ("", "  ", "a\x00b", "x" * 81, "a\u202eb"):
        with pytest.raises(UsageError):
            book.add_boat(bad)


def test_another_template_of_the_same_name_is_refused(book):
    other = replace(plate(), thickness_mm=21.0)
    with pytest.raises(UsageError, match="another template"):
        book.fit("Marram", "rudder port", other, date(2026, 11, 1))
    assert len(book.fittings("Marram", "rudder port")) == 1


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda b: b.haul_out("Marram", date(2026, 4, 20)), "stood ashore"),
        (lambda b: b.haul_out("Marram", date(2026, 4, 1), date(2026, 4, 15)), "stood ashore"),
        (lambda b: b.launch("Marram", date(2026, 10, 1)), "was launched on 2026-05-02"),
        (lambda b: b.launch("Marram", date(2020, 1, 1)), "wasn't hauled out"),
        (lambda b: b.weigh("Marram", "rudder port", date(2026, 1, 1), 5.0), "wasn't hauled out"),
        (lambda b: b.weigh("Marram", "rudder port", HAULED, float("nan")), "isn't a mass"),
        (lambda b: b.add_boat("Sea Aster", "lake"), "isn't a water"),
        (lambda b: b.withdraw(99, "x"), "no judgement 99"),
        (lambda b: b.overrule("Marram", "rudder port", HAULED, "ok", " ", "M."), "for a reason"),
        (lambda b: b.record_json("0" * 64), "no record"),
        (lambda b: b.template("x"), "no template"),
        (lambda b: b.change_haul_out("Marram", date(2020, 1, 1)), "wasn't hauled out"),
        (lambda b: b.change_fitting("Marram", "rudder port", date(2020, 1, 1)), "No part was fitted"),
        (
            lambda b: b.fit("Marram", "rudder port", plate(), date(2027, 1, 1), removed_on=date(2026, 12, 1)),
            "before it was fitted",
        ),
    ],
)
def test_what_can_t_be_is_told_in_a_sentence(book, call, says):
    before = book.entries()
    with pytest.raises(UsageError, match=says):
        call(book)
    assert book.entries() == before


def test_an_accept_belongs_to_one_judgement_and_one_person(book, path):
    book.record([new(seen(40.0, photo="a"), at=9)])
    (first,) = book.judgements("Marram")
    book.accept(first.id, "M. Example")
    book.accept(first.id, "M. Example")  # a second tap
    book.accept(first.id, "N. Other")
    with pytest.raises(UsageError, match="somebody"):
        book.accept(first.id, " ")
    with pytest.raises(UsageError, match="no judgement 99"):
        book.accept(99, "M. Example")
    assert [
        (a.judgement, a.boat, a.position, a.hauled_on, a.record_sha256, a.by) for a in book.accepts("Marram")
    ] == [
        (first.id, "Marram", "rudder port", HAULED, first.reading.record_sha256, by)
        for by in ("M. Example", "N. Other")
    ]
    assert book.accepts("nobody") == ()
    # a later photo has to be accepted anew, and the earlier one can't be any more; a refusal never
    book.record([new(seen(50.0, photo="b"), at=10), new(refused(), "rudder starboard", at=11)])
    with pytest.raises(UsageError, match="doesn't count"):
        book.accept(first.id, "P. Third")
    no = next(j.id for j in book.judgements("Marram", "rudder starboard"))
    with pytest.raises(UsageError, match="refusal"):
        book.accept(no, "M. Example")
    assert len(book.accepts()) == 2
    db = sqlite3.connect(path)  # whatever program tries
    for sql in ("DELETE FROM accepts", "UPDATE accepts SET by = 'somebody else'"):
        with pytest.raises(sqlite3.IntegrityError, match="only added"):
            db.execute(sql)
    db.close()


def test_overrules_stand_beside_the_photo(book):
    book.record([new(seen(45.0))])
    book.overrule("Marram", "rudder port", HAULED, "replace", "it flakes when tapped", "M. Example")
    book.overrule("Marram", "rudder port", HAULED, None, "mistaken", "M. Example")
    assert [(o.verdict, o.why) for o in book.overrules("Marram")] == [
        ("replace", "it flakes when tapped"),
        (None, "mistaken"),
    ]
    assert [r.verdict for r in book.readings()] == ["monitor"]


# --- opening -------------------------------------------------------------------------------------


def test_a_new_book_is_known_for_one(path):
    new_book(path).close()
    head = path.read_bytes()[:100]
    assert head[:16] == b"SQLite format 3\0"
    assert int.from_bytes(head[68:72], "big") == APPLICATION_ID
    assert int.from_bytes(head[60:64], "big") == VERSION
    assert [p.name for p in path.parent.iterdir()] == [path.name], "one file, nothing beside it"
    sound(path)
    db = sqlite3.connect(path)
    assert db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    strict = dict(
        db.execute(
            "SELECT name, strict FROM pragma_table_list WHERE schema = 'main' AND name NOT LIKE 'sqlite_%'"
        )
    )
    db.close()
    assert set(strict.values()) == {1}, strict
    with pytest.raises(OutputNotWritable, match="already"):
        new_book(path)
    with pytest.raises(OutputNotWritable, match="no folder"):
        new_book(path.parent / "none" / "x.book")


@pytest.mark.skipif(shutil.which("sqlite3") is None, reason="needs the sqlite3 shell")
def test_sqlite_s_own_shell_reads_it(book, path):
    book.record([new(seen(45.0))])
    done = subprocess.run(
        ["sqlite3", str(path), ("PRAGMA integrity_check; PRAGMA foreign_key_check; SELECT boat, position, "
                               "verdict FROM judgements WHERE counts = 1;")],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    assert done.stdout == "ok\nMarram|rudder port|monitor\n"


def header(version: int, application: int = APPLICATION_ID) -> bytes:
    with closing(sqlite3.connect(":memory:")) as db:
        db.execute("CREATE TABLE t (a)")
        db.execute(f"PRAGMA application_id = {application}")
        db.execute(f"PRAGMA user_version = {version}")
        return bytes(db.serialize())


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "isn't a SQLite database"),
        (b"boat,position\n", "isn't a SQLite database"),
        (b"SQLite format 3\0", "isn't a SQLite database"),
        (header(2, 0), "another program's database"),
        (header(2, 0x47504B47), "another program's database"),  # GeoPackage's own, by its standard
        (header(VERSION + 1), f"of version {VERSION + 1} of the tables"),
        (header(0), "no version"),
        (header(VERSION)[:150], "damaged"),
        (header(VERSION)[:100] + b"\xff" * 8092, "damaged"),
    ],
    ids=[
        "empty",
        "text",
        "sixteen bytes",
        "another's",
        "a GeoPackage",
        "newer",
        "no version",
        "cut off",
        "garbled",
    ],
)
def test_what_is_no_book_of_ours_is_refused_untouched(path, content, says):
    path.write_bytes(content)
    before = (path.stat().st_mtime_ns, content)
    with pytest.raises(InputUnreadable, match=says) as e:
        open_book(path)
    assert e.value.remedy
    assert (path.stat().st_mtime_ns, path.read_bytes()) == before
    assert [p.name for p in path.parent.iterdir()] == [path.name]


def test_missing_and_folder(tmp_path):
    with pytest.raises(InputUnreadable, match="no book"):
        open_book(tmp_path / "none.book")
    with pytest.raises(InputUnreadable, match="a folder"):
        open_book(tmp_path)
    assert list(tmp_path.iterdir()) == [], "opening makes nothing"


# --- versions ------------------------------------------------------------------------------------


def old_book(path: Path, frozen: Path = V1) -> Path:
    db = sqlite3.connect(path)
    db.executescript(frozen.read_text("utf-8"))
    db.close()
    return path


def dump(path: Path, tables: list[str]) -> dict[str, list]:
    db = sqlite3.connect(path)
    out = {t: sorted(db.execute(f"SELECT * FROM {t}").fetchall(), key=repr) for t in tables}
    db.close()
    return out


def tables_of(path: Path) -> list[str]:
    db = sqlite3.connect(path)
    out = [r[0] for r in db.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")]
    db.close()
    return out


def test_a_book_of_version_1_is_brought_up_to_date(path):
    old_book(path)
    tables = tables_of(path)
    before, old_bytes = dump(path, tables), path.read_bytes()
    with open_book(path) as book:
        assert [b.name for b in book.boats()] == ["Marram", "\u00d1and\u00fa"]
        (r,) = book.readings()
        assert (r.verdict, r.weighed_g, r.seen_pct) == ("monitor", 1033.0, Interval(33.5, 28.5, 38.5))
        book.overrule("Marram", "rudder port", date(2024, 10, 6), "replace", "flaking", "M. Example")
        assert book.check() == ()
    assert dump(path, tables) == before, "every row of the old tables is as it was"
    backup = path.with_name("yard.book.v1.bak")
    assert dump(backup, tables) == before
    assert int.from_bytes(backup.read_bytes()[60:64], "big") == 1
    sound(path)
    sound(backup)
    # the copy opens too, as a book of its own
    shutil.copy(backup, path.with_name("again.book"))
    with open_book(path.with_name("again.book")) as again:
        assert len(again.readings()) == 1
    assert old_bytes[60:64] == backup.read_bytes()[60:64]


def test_a_book_of_version_2_is_brought_up_to_date(path):
    old_book(path, V2)
    tables = tables_of(path)
    before = dump(path, tables)
    assert before["overrules"]
    assert before["reckoned"] == []
    with open_book(path) as book:
        assert book.accepts() == ()
        (j,) = (j for j in book.judgements("Marram") if j.counts and j.reading.kind == "wear")
        book.accept(j.id, "M. Example")
        assert [a.judgement for a in book.accepts()] == [j.id]
        assert book.check() == ()
    assert dump(path, tables) == before, "every row of the old tables is as it was"
    assert int.from_bytes(path.with_name("yard.book.v2.bak").read_bytes()[60:64], "big") == 2
    sound(path)


def test_a_book_of_version_4_is_brought_up_to_date(path):
    old_book(path, V4)
    tables = tables_of(path)
    before = dump(path, tables)
    with open_book(path) as book:
        (o,) = book.overrules()
        counting = next(j for j in book.judgements("Marram", "rudder starboard") if j.counts)
        assert o.judgement == counting.id
        assert book.check() == ()
    assert dump(path, tables) == before, "every row of the old tables is as it was"
    sound(path)


@pytest.mark.parametrize("frozen", [V1, V2, V4], ids=["1", "2", "4"])
def test_a_migrated_book_has_the_tables_of_a_new_one(path, tmp_path, frozen):
    old_book(path, frozen)
    open_book(path).close()
    fresh = tmp_path / "fresh.book"
    new_book(fresh).close()

    def schema(p: Path) -> list:
        db = sqlite3.connect(p)
        out = sorted(
            (r[0], r[1], " ".join(r[2].split()))
            for r in db.execute("SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL")
        )
        db.close()
        return out

    assert schema(path) == schema(fresh)


def test_an_earlier_copy_is_never_written_over(path):
    path.with_name("yard.book.v1.bak").write_bytes(b"precious")
    old_book(path)
    open_book(path).close()
    assert path.with_name("yard.book.v1.bak").read_bytes() == b"precious"
    assert path.with_name("yard.book.v1-2.bak").exists()


def test_a_migration_that_fails_leaves_the_old_book(path, monkeypatch):
    from anodewane.book import file

    old_book(path)
    before = dump(path, tables_of(path))
    real = file._migration
    monkeypatch.setattr(file, "_migration", lambda v: real(v) + "\nINSERT INTO nowhere VALUES (1);\n")
    with pytest.raises(sqlite3.OperationalError, match="nowhere"):
        open_book(path)
    assert dump(path, tables_of(path)) == before
    monkeypatch.undo()
    with open_book(path) as book:
        assert len(book.readings()) == 1


def test_two_who_open_an_old_book_at_once_migrate_it_once(path):
    old_book(path)
    faults = []

    def work():
        try:
            open_book(path).close()
        except Exception as e:
            faults.append(e)

    threads = [threading.Thread(target=work) for _ in range(4)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert faults == []
    assert len(list(path.parent.glob("*.bak"))) == 1
    sound(path)


def test_an_older_book_is_refused_where_it_can_t_be_written(path):
    old_book(path)
    before = path.read_bytes()
    with pytest.raises(OutputNotWritable, match="of version 1"):
        open_book(path, read_only=True)
    assert path.read_bytes() == before


# --- hard times ----------------------------------------------------------------------------------

WRITER = """
import sys, itertools
sys.path.insert(0, {tests!r})
from made.books import new, seen
from anodewane.book.store import open_book
book = open_book({path!r})
start = len(book.judgements("Marram"))
for i in itertools.count(start):
    # two records in one go: both or none
    port, starboard = (seen(10 + i % 50, photo=p, budget={{"n": float(i)}}) for p in "ab")
    book.record([new(port, at=1), new(starboard, "rudder starboard", at=1)])
    print(flush=True)
"""


def writer(path: Path) -> subprocess.Popen:
    code = WRITER.format(tests=str(Path(__file__).parents[1]), path=str(path))
    p = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert p.stdout.readline() == b"\n", "it has written once"
    return p


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="kill -9")
def test_kill_9_during_a_write_leaves_a_readable_book(path):
    marram(path).close()
    seen_so_far = 0
    for wait in (0.011, 0.043, 0.027):
        p = writer(path)
        time.sleep(wait)
        p.send_signal(signal.SIGKILL)
        p.wait()
        p.stdout.close()
        p.stderr.close()
        with open_book(path) as book:
            assert book.check() == ()
            sides = [sum(1 for j in book.judgements("Marram", f"rudder {s}")) for s in ("port", "starboard")]
            assert sides[0] == sides[1] > seen_so_far, (
                "a transaction is whole or not there, and what was written stays"
            )
            seen_so_far = sides[0]
        sound(path)


def test_one_writes_while_another_lists(path):
    marram(path).close()
    p = writer(path)
    try:
        with open_book(path) as book:
            counts = []
            end = time.monotonic() + 30
            while time.monotonic() < end and (len(counts) < 20 or counts[-1] < counts[0] + 10):
                counts.append(len(book.judgements("Marram")))
                assert counts[-1] % 2 == 0, "half a transaction was seen"
            book.weigh("Marram", "rudder port", HAULED, 900.0)  # waits its turn
            assert counts[-1] > counts[0]
            assert len(book.weighings()) == 1
    finally:
        p.kill()
        p.wait()
        p.stdout.close()
        p.stderr.close()


def test_a_book_that_is_held_too_long_is_told(path, monkeypatch):
    from anodewane.book import file

    marram(path).close()
    holder = sqlite3.connect(path, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    monkeypatch.setattr(file, "BUSY_S", 0.05)
    with open_book(path) as book, pytest.raises(OutputNotWritable, match="written by another program"):
        book.add_boat("Sea Aster")
    holder.execute("ROLLBACK")
    holder.close()


def test_a_full_disk_loses_nothing(book, path):
    """SQLite's own limit of pages gives the same SQLITE_FULL as a disk."""
    book.record([new(seen(45.0))])
    pages = book._one("PRAGMA page_count")[0]
    book._all(f"PRAGMA max_page_count = {pages + 2}")
    with pytest.raises(OutputNotWritable, match="can't be written"):
        book.record([new(seen(10.0 + i, photo=c), "rudder starboard") for i, c in enumerate("bcdef")])
    assert len(book.judgements("Marram")) == 1
    book._all("PRAGMA max_page_count = 1000000")
    book.record([new(seen(45.0, photo="c"), "rudder starboard")])
    assert len(book.readings()) == 2
    sound(path)


@pytest.mark.skipif(sys.platform == "win32", reason="limits of a process")
def test_a_file_that_can_t_grow_loses_nothing(path):
    """The system refuses to write past a size, as a full disk or quota does."""
    marram(path).close()
    code = (
        f"import sys, resource, signal\nsys.path.insert(0, {str(Path(__file__).parents[1])!r})\n"
        "from made.books import new, seen\nfrom anodewane.errors import AnodewaneError\n"
        "from anodewane.book.store import open_book\nbook = "
        f"open_book({str(path)!r})\nsignal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, 300_000))\ndone = 0\ntry:\n    for i in "
        "range(1000):\n"
        "        book.record([new(seen(20.0, budget={'n': float(i)}))])\n        done += 1\nexcept "
        "AnodewaneError as e:\n    print(done, int(e.exit_code), e)\n"
    )
    out = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout
    done, exit_code = (int(v) for v in out.split()[:2])
    assert exit_code == 5
    assert "can't be written" in out
    with open_book(path) as book:
        assert len(book.judgements("Marram")) == done > 0
        assert book.check() == ()


def test_read_only(path):
    marram(path).close()
    with open_book(path, read_only=True) as book:
        assert book.read_only
        assert len(book.boats()) == 1
        with pytest.raises(OutputNotWritable, match="read only"):
            book.add_boat("x")


@pytest.mark.skipif(sys.platform == "win32" or not hasattr(os, "fork"), reason="needs another user")
def test_a_file_and_folder_that_may_not_be_written_can_be_read():
    """As a DVD or another's folder; root may write anywhere, so it is done as nobody."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "yard.book"
        marram(path).close()
        path.chmod(0o444)
        Path(folder).chmod(0o555)
        code = "import os, sys\nfrom anodewane.book.store import open_book\n" + (
            "import anodewane.book.calibrate, sqlite3, urllib.parse\nos.setgid(65534)\nos.setuid(65534)\n"
            if os.geteuid() == 0
            else ""
        )
        code += f"book = open_book({str(path)!r})\n"
        code += "print(book.read_only, len(book.boats()), len(book.entries()))\n"
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
        Path(folder).chmod(0o755)
    assert done.stdout == "True 1 1\n", done.stderr


def test_damage_is_found(book, path):
    book.record([new(seen(45.0))])
    assert book.check() == ()
    book._db.execute("DROP TRIGGER records_stay")
    book._db.execute("UPDATE records SET json = json || ' '")
    assert "isn't what was judged" in book.check()[0]


def test_a_disk_here_is_no_network_disk(path):
    assert not on_network_disk(Path("/tmp/x.book" if sys.platform != "win32" else "C:\\x.book"))


def test_on_a_network_disk_there_is_no_write_ahead_log(path, monkeypatch):
    from anodewane.book import file

    monkeypatch.setattr(file, "on_network_disk", lambda _p: True)
    marram(path).close()
    db = sqlite3.connect(path)
    assert db.execute("PRAGMA journal_mode").fetchone()[0] == "delete"
    db.execute("PRAGMA journal_mode = WAL")
    db.close()
    open_book(path).close()  # one that was copied there
    db = sqlite3.connect(path)
    assert db.execute("PRAGMA journal_mode").fetchone()[0] == "delete"
    db.close()


def test_a_library_part_keeps_its_shape_in_the_book(book):
    for name, part in builtin_templates().items():
        book.keep_template(part)
        assert template_digest(book.template(name)) == template_digest(part)
