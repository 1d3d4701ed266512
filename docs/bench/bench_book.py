#!/usr/bin/env python3
"""How long each listing of the season's book takes with 1 000 boats x 10 positions x 10 seasons, beside
a raw query for the same rows by sqlite3, in one run.

    python docs/bench/bench_book.py [BOATS POSITIONS SEASONS]

Judgements are of made-up wear; their records are short stand-ins (a listing reads none). Parts are
renewed when more than half gone. Best and median of 5, each with the book opened anew, as a command
does; processor time too, for a busy machine.
"""

from __future__ import annotations

import hashlib
import os
import platform
import random
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

RUNS = 5
REASON = '["print_scale_unmeasured"]'
BUDGET = (
    '{"print_scale": 0.251, "camera": 0.035, "edge": 0.406, "limb": 0.386, '
    '"thickness": 8.486, "casting": 0.465}'
)


def fill(path: Path, boats: int, positions: int, seasons: int) -> None:
    """Straight into the tables, in one transaction: how fast a book fills isn't measured here."""
    from anodewane.book.store import new_book
    from anodewane.catalog.templates import load_template

    part = load_template("plate-150x75x20-2slots")
    with new_book(path) as book:
        book.keep_template(part)
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA foreign_keys = ON")
    db.execute("BEGIN")
    random.seed(1)
    for b in range(boats):
        boat = f"Boat {b:04}"
        db.execute("INSERT INTO boats VALUES (?, 'salt', NULL)", (boat,))
        db.execute("INSERT INTO haul_outs VALUES (?, '2010-04-01', '2010-05-01')", (boat,))
        for s in range(seasons):
            last = s == seasons - 1
            db.execute(
                "INSERT INTO haul_outs VALUES (?, ?, ?)",
                (boat, f"{2010 + s}-10-{1 + b % 28:02}", None if last else f"{2011 + s}-05-{1 + b % 28:02}"),
            )
        for p in range(positions):
            position = f"position {p:02}"
            db.execute(
                "INSERT INTO positions VALUES (?, ?, ?, '2 x M10')", (boat, position, f"pair {p // 2}")
            )
            rate, gone, fitted = random.uniform(8, 30), 0.0, "2010-05-01"
            for s in range(seasons):
                hauled = f"{2010 + s}-10-{1 + b % 28:02}"
                gone = min(gone + rate * random.uniform(0.8, 1.2), 99.0)
                record = f"{boat} {position} {hauled}"
                digest = hashlib.sha256(record.encode()).hexdigest()
                db.execute("INSERT INTO records VALUES (?, ?)", (digest, record))
                verdict = "replace" if gone > 50 else "ok" if gone < 20 else "monitor"
                db.execute(
                    "INSERT INTO judgements (boat, position, hauled_on, kind, record_sha256, photo_sha256, "
                    "photo_name, judged_at, status, verdict, "
                    "template, mass_pct, mass_low_pct, "
                    "mass_high_pct, area_pct, area_low_pct, area_high_pct, coverage, new_g, remaining_g, "
                    "remaining_low_g, remaining_high_g, mass_method, reasons, budget) VALUES "
                    "(?, ?, ?, 'wear', ?, ?, 'photo.jpg', ?, 'judged', ?, ?, ?, ?, ?, ?, ?, ?, 0.9, 1530, "
                    "?, ?, ?, 'recession', ?, ?)",
                    (boat, position, hauled, digest, digest, f"{hauled}T12:00:00.000Z", verdict, part.name,
                     gone, gone * 0.8, gone * 1.2,
                     gone / 2, gone / 2 - 2, gone / 2 + 2,
                     1530 * (1 - gone / 100), 1400 * (1 - gone / 100), 1600 * (1 - gone / 100), REASON,
                     BUDGET),
                )  # fmt: skip
                if verdict == "replace" and s < seasons - 1:
                    db.execute(
                        "INSERT INTO fittings VALUES (?, ?, ?, ?, ?, 'zinc', NULL)",
                        (boat, position, fitted, hauled, part.name),
                    )
                    gone, fitted = 0.0, hauled
            db.execute(
                "INSERT INTO fittings VALUES (?, ?, ?, NULL, ?, 'zinc', NULL)",
                (boat, position, fitted, part.name),
            )
    db.execute("COMMIT")
    db.close()


def timed(work: Callable[[], Any]) -> tuple[float, float, float, int]:
    """Best and median ms by the clock, best ms of processor time, and how many things came back."""
    times, processor, n = [], [], 0
    for _ in range(RUNS):
        start, used = time.perf_counter(), time.process_time()
        n = len(work())
        times.append(1000 * (time.perf_counter() - start))
        processor.append(1000 * (time.process_time() - used))
    return min(times), statistics.median(times), min(processor), n


def raw(path: Path, sql: str, values: tuple[Any, ...] = ()) -> Callable[[], Any]:
    def work() -> Any:
        db = sqlite3.connect(path)
        rows = db.execute(sql, values).fetchall()
        db.close()
        return rows

    return work


def main() -> None:
    boats, positions, seasons = (int(a) for a in sys.argv[1:4]) if len(sys.argv) > 3 else (1000, 10, 10)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(os.environ.get("BOOK", str(Path(folder) / "bench.book")))
        if not path.exists():
            fill(path, boats, positions, seasons)
        measure(path)


def measure(path: Path) -> None:
    from anodewane.book.listing import (
        haul_out_lines,
        notice_lines,
        orders_of,
        position_cells,
        position_json,
        refresh,
    )
    from anodewane.book.store import open_book
    from anodewane.cli.season.tables import cells_table, haul_out_table
    from anodewane.settings import BookRules, Settings

    settings, rules, one, day = Settings(), BookRules(), "Boat 0500", date(2019, 10, 1)
    others = replace(settings, limit_pct=60.0)

    def read(listing: Callable[[Any], Any]) -> Callable[[], Any]:
        def work() -> Any:
            with open_book(path) as book:
                return listing(book)

        return work

    print(
        f"Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}, {platform.machine()}, "
        f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}"
    )
    print(f"{path.stat().st_size / 1e6:.0f} MB")
    with open_book(path) as book:
        start, used = time.perf_counter(), time.process_time()
        n = refresh(book)
        print(
            f"reckoned and kept: {n} boats in {1000 * (time.perf_counter() - start):.0f} ms, "
            f"{1000 * (time.process_time() - used):.0f} ms of processor time"
        )
    kept = "SELECT boat, lines FROM reckoned"
    by_boat = "SELECT * FROM judgements WHERE boat = ? AND counts = 1"
    rows: dict[str, tuple[Callable[[], Any], Callable[[], Any]]] = {
        "show, all, as a table": (
            read(lambda b: cells_table(position_cells(b, None, settings, rules)).splitlines()),
            raw(path, kept),
        ),
        "show, all, --json": (
            read(lambda b: position_json(b, None, settings, rules).splitlines()),
            raw(path, kept),
        ),
        "show BOAT": (
            read(lambda b: position_cells(b, one, settings, rules)),
            raw(path, f"{kept} WHERE boat = ?", (one,)),
        ),
        "show --hauled DAY": (
            read(lambda b: haul_out_table(haul_out_lines(b, day)).splitlines()),
            raw(path, "SELECT * FROM judgements WHERE hauled_on = ? AND counts = 1", (day.isoformat(),)),
        ),
        "history BOAT": (read(lambda b: b.judgements(one)), raw(path, by_boat, (one,))),
        "warnings, all": (
            read(lambda b: notice_lines(b, None, settings, rules)),
            raw(path, "SELECT boat, notices FROM reckoned"),
        ),
        "order, all": (
            read(lambda b: orders_of(b, None, settings, rules).lines),
            raw(path, "SELECT boat, orders FROM reckoned"),
        ),
        "boats": (read(lambda b: b.boats()), raw(path, "SELECT * FROM boats")),
        "show BOAT, other limit": (
            read(lambda b: position_cells(b, one, others, rules)),
            raw(path, by_boat, (one,)),
        ),
        "show all, other limit (reckoned anew)": (
            read(lambda b: position_cells(b, None, others, rules)),
            raw(path, "SELECT * FROM judgements WHERE counts = 1"),
        ),
    }
    print(
        f"{'':40} {'things':>7} {'best ms':>8} {'median':>7} {'processor':>9} {'raw query: best':>16} "
        f"{'processor':>9}"
    )
    for name, (listing, query) in rows.items():
        best, median, used, n = timed(listing)
        raw_best, _, raw_used, _ = timed(query)
        print(f"{name:40} {n:7} {best:8.1f} {median:7.1f} {used:9.1f} {raw_best:16.1f} {raw_used:9.1f}")


if __name__ == "__main__":
    main()
