"""`anodewane season`: a yard's season from an empty book to the order list, and what the command says
when it can't."""

from __future__ import annotations

import csv
import json
import os
import shutil
import zipfile
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from anodewane import open_book
from anodewane.book.yard_list import EXAMPLE
from anodewane.cli import main
from anodewane.errors import ExitCode
from anodewane.show.record_json import verdict_to_json
from made.books import PLATE, seen
from made.hand_made import refused

SAMPLES = Path(__file__).parents[2] / "sample_images"

LIST = """boat,water,position,pair,fixings,template,fitted_on,hauled_on,launched_on
Marram,salt,rudder port,rudder,2 x M10 bolt with washer,plate-150x75x20-2slots,2026-04-18,2026-04-10,\
2026-05-02
,,rudder starboard,rudder,2 x M10 bolt with washer,plate-150x75x20-2slots,2026-04-18,,
Sea Aster,fresh,keel,,,plate-150x75x20-2slots,2026-04-18,2026-04-10,2026-05-02
"""


def run(capsys, *argv, code=ExitCode.JUDGED):
    got = main(["season", *map(str, argv)])
    out, err = capsys.readouterr()
    assert got == code, err
    assert "Traceback" not in err
    return out, err


@pytest.fixture
def yard(tmp_path, capsys):
    """A book with three parts, hauled out."""
    book = tmp_path / "yard.book"
    (tmp_path / "list.csv").write_text(LIST)
    run(capsys, "new", book)
    run(capsys, "import-list", book, tmp_path / "list.csv")
    for boat in ("Marram", "Sea Aster"):
        run(capsys, "haul-out", book, boat, "2026-10-04")
    return book


def batch_out(folder: Path, rows: list[dict]) -> Path:
    """A batch's output folder as `anodewane batch` writes it, as far as the book reads it."""
    folder.mkdir()
    lines = []
    for i, row in enumerate(rows):
        verdict = row.pop("verdict_record", None)
        if verdict is not None:
            (folder / f"{i}.json").write_text(verdict_to_json(verdict), "utf-8")
            row |= {"record": f"{i}.json", "status": verdict.status}
        lines.append(json.dumps({"path": f"p{i}.jpg", "record": None, "duplicate_of": None, **row}))
    (folder / "summary.jsonl").write_text("\n".join(lines) + "\n", "utf-8")
    return folder


def unjudged():
    """A refusal of a photo of that haul-out."""
    made = refused()
    return replace(made, photo=replace(made.photo, taken="2026-10-05T11:12:13"))


def a_season(tmp_path) -> Path:
    return batch_out(
        tmp_path / "out",
        [
            {
                "boat": "Marram",
                "position": "rudder port",
                "verdict_record": seen(35.0, verdict="monitor", photo="a"),
            },
            {
                "boat": "Marram",
                "position": "rudder starboard",
                "verdict_record": seen(60.0, verdict="replace", photo="b"),
            },
            {"boat": "Sea Aster", "position": "keel", "verdict_record": unjudged()},
            {"boat": "Sea Aster", "position": "keel", "status": "unreadable"},
            {
                "boat": "Marram",
                "position": "rudder port",
                "record": "0.json",
                "status": "judged",
                "duplicate_of": "p0.jpg",
            },
        ],
    )


# --- a season ------------------------------------------------------------------------------------


def test_a_yard_s_season(tmp_path, capsys, yard):
    out, err = run(capsys, "record", yard, a_season(tmp_path))
    assert out == ""
    assert "3 judgements taken in." in err
    assert "p3.jpg: unreadable" in err
    assert "p4.jpg: the same photo as p0.jpg" in err
    _, err = run(capsys, "record", yard, tmp_path / "out")
    assert "0 judgements taken in, 3 known already." in err

    out, err = run(capsys, "show", yard)
    lines = out.splitlines()
    assert lines[0].split()[:4] == ["boat", "position", "verdict", "photo"]
    assert "Marram" in lines[1]
    assert "replace ^" in lines[1], "35 % after one season won't last another: raised, and marked"
    assert "monitor" in lines[1], "the photo's own verdict stands beside it"
    assert "35 (25 to 45)" in lines[1]
    assert "cannot judge" in lines[3]
    (port, starboard, keel) = json.loads(run(capsys, "show", yard, "--json")[0])
    assert (port["photo_verdict"], port["verdict"], port["consumed_pct"]) == (
        "monitor",
        "replace",
        {"value": 35.0, "low": 25.0, "high": 45.0},
    )
    # 2 May to 4 October is 155 days of 30.4375 a month, by hand
    assert port["points_per_month"]["value"] == pytest.approx(35 / (155 / 30.4375), abs=0.01)
    assert (starboard["verdict"], keel["status"], keel["verdict"]) == ("replace", "cannot_judge", None)
    assert len(json.loads(run(capsys, "show", yard, "marram", "--json")[0])) == 2, (
        "a boat is found in any case"
    )
    assert "60 (50 to 70)" in run(capsys, "show", yard, "--hauled", "2026-10-04")[0]
    assert len(json.loads(run(capsys, "show", yard, "--hauled", "2026-10-04", "--json")[0])) == 3

    out, _ = run(capsys, "warnings", yard)
    assert "zinc" in out, "zinc in fresh water"
    assert "qualified" in out
    codes = {w["code"] for w in json.loads(run(capsys, "warnings", yard, "--json")[0])}
    assert "alloy_for_water" in codes

    out, _ = run(capsys, "order", yard, "--csv", tmp_path / "order.csv", "--page", tmp_path / "order.html")
    assert f"2  {PLATE}" in out
    assert "Look at these first" in out
    rows = list(csv.DictReader((tmp_path / "order.csv").read_text("utf-8-sig").splitlines()))
    assert [(r["order"], r["position"]) for r in rows] == [
        ("1", "rudder port"),
        ("1", "rudder starboard"),
        ("0", "keel"),
    ]
    assert "2 x M10 bolt with washer" in (tmp_path / "order.html").read_text("utf-8")
    orders = json.loads(run(capsys, "order", yard, "Marram", "--json")[0])
    assert [(c["what"], c["count"]) for c in orders["parts"]] == [(PLATE, 2)]

    out, _ = run(capsys, "history", yard, "Marram")
    assert "counts" in out
    assert "b.jpg" in out
    history = json.loads(run(capsys, "history", yard, "Marram", "rudder port", "--json")[0])
    assert [j["reading"]["verdict"] for j in history["judgements"]] == ["monitor"]
    assert all(f["position"] == "rudder port" for f in history["fittings"])

    run(capsys, "plot", yard, "Marram", "--svg", tmp_path / "m.svg", "--page", tmp_path / "m.html")
    assert (tmp_path / "m.svg").read_text("utf-8").startswith("<svg")
    assert "rudder starboard" in (tmp_path / "m.html").read_text("utf-8")
    _, err = run(capsys, "check", yard)
    assert "sound" in err


def test_a_kept_listing_follows_every_change(tmp_path, capsys, yard):
    """The listing read from the book equals one reckoned anew, after each kind of change."""
    run(capsys, "record", yard, a_season(tmp_path))
    from anodewane.book.listing import _computed, _digest, _overruled, position_lines
    from anodewane.settings import BookRules, Settings

    changes = [
        ("weigh", yard, "Marram", "rudder port", 900),
        ("overrule", yard, "Marram", "rudder port", "ok", "--why", "looked at", "--by", "M. Example"),
        ("withdraw", yard, 2, "--why", "wrong boat"),
        ("haul-out", yard, "Marram", "2026-10-04", "--correct", "2026-10-02"),
        ("boat", yard, "Marram", "--rename", "Glasswort", "--water", "brackish", "--correct"),
        ("position", yard, "Glasswort", "rudder port", "--pair", "-", "--correct"),
        ("launch", yard, "Glasswort", "2027-04-01"),
        ("fit", yard, "Glasswort", "rudder port", "--on", "2027-03-20", "--template", PLATE),
        ("position", yard, "Glasswort", "skeg"),
    ]
    seen_before = None
    for change in changes:
        run(capsys, *change)
        with open_book(yard) as book:
            kept = position_lines(book, None, Settings(), BookRules())
            anew = _computed(book.entries(), _overruled(book.overrules()), Settings(), BookRules(), None)
            assert book.not_kept(_digest(Settings(), BookRules())) == []
        assert kept == [line for parts in anew.values() for line in json.loads(parts[0])], change
        assert kept != seen_before or change[0] == "launch", (
            f"{change} changed nothing"
        )  # a launch tells nothing until the next haul-out
        seen_before = kept


def test_a_listing_answers_while_another_holds_the_book(tmp_path, capsys, yard, monkeypatch):
    """What isn't kept yet is then reckoned and not kept."""
    import sqlite3

    from anodewane.book import file

    run(capsys, "record", yard, a_season(tmp_path))
    expected = run(capsys, "show", yard)
    monkeypatch.setattr(file, "BUSY_S", 0.05)
    holder = sqlite3.connect(yard, isolation_level=None)
    holder.execute("DELETE FROM reckoned")
    holder.execute("BEGIN IMMEDIATE")
    assert run(capsys, "show", yard) == expected
    holder.execute("ROLLBACK")
    holder.close()
    assert run(capsys, "show", yard) == expected
    assert sorted(p.name for p in yard.parent.glob("yard.book*")) == ["yard.book"], (
        "nothing is left beside it"
    )


def test_an_own_verdict_decides_what_is_bought(tmp_path, capsys, yard):
    run(capsys, "record", yard, a_season(tmp_path))
    run(
        capsys,
        "overrule",
        yard,
        "Marram",
        "rudder starboard",
        "ok",
        "--why",
        "a paint run on the photo",
        "--by",
        "M. Example",
    )
    out, _ = run(capsys, "show", yard, "Marram")
    assert "ok !" in out
    assert [
        o["position"] for o in json.loads(run(capsys, "order", yard, "Marram", "--json")[0])["lines"]
    ] == ["rudder port"]
    run(
        capsys,
        "overrule",
        yard,
        "Marram",
        "rudder starboard",
        "none",
        "--why",
        "no, it is worn",
        "--by",
        "M. Example",
    )
    assert len(json.loads(run(capsys, "order", yard, "Marram", "--json")[0])["lines"]) == 2


def test_who_stands_by_a_judgement_is_in_the_history(tmp_path, capsys, yard):
    run(capsys, "record", yard, a_season(tmp_path))
    number = next(
        j["id"]
        for j in json.loads(run(capsys, "history", yard, "Marram", "--json")[0])["judgements"]
        if j["counts"]
    )
    run(capsys, "accept", yard, number, "--by", "M. Example")
    mine = json.loads(run(capsys, "history", yard, "Marram", "--json")[0])
    assert [(a["judgement"], a["by"]) for a in mine["accepts"]] == [(number, "M. Example")]
    assert mine["accepts"][0]["record_sha256"] == next(
        j["reading"]["record_sha256"] for j in mine["judgements"] if j["id"] == number
    )
    text = run(capsys, "history", yard, "Marram")[0]
    assert "M. Example" in text.split("Accepted")[1]


def test_other_limits_and_next_dates_are_reckoned_anew(tmp_path, capsys, yard):
    run(capsys, "record", yard, a_season(tmp_path))
    port = json.loads(run(capsys, "show", yard, "Marram", "--limit", 80, "--json")[0])[0]
    assert port["verdict"] == "monitor", "35 % and as much again stay under 80"
    port = json.loads(run(capsys, "show", yard, "Marram", "--next", "2026-11-01", "--json")[0])[0]
    assert port["verdict"] == "monitor", "four weeks more"
    _, err = run(capsys, "show", yard, "Marram", "--next", "2026-09-01", code=ExitCode.USAGE)
    assert "isn't after the last one" in err
    (tmp_path / "s.toml").write_text("[book]\nlasts_probability = 0.0001\n")
    assert (
        json.loads(run(capsys, "show", yard, "Marram", "--settings", tmp_path / "s.toml", "--json")[0])[0][
            "verdict"
        ]
        == "monitor"
    )


def test_weighings_calibrate(tmp_path, capsys, yard):
    run(capsys, "record", yard, a_season(tmp_path))
    run(capsys, "weigh", yard, "Marram", "rudder port", "1010.5", "--by", "M. Example")
    run(capsys, "weigh", yard, "Marram", "rudder starboard", "600", "--hauled", "2026-10-04")
    out, _ = run(capsys, "calibrate", yard)
    assert PLATE in out
    (c,) = json.loads(run(capsys, "calibrate", yard, PLATE, "--keep", "--json")[0])
    before, after = c["calibration"]["half_gone_before"], c["calibration"]["half_gone_after"]
    assert c["weighed"] == 2
    assert after["high"] - after["low"] > 0.5 * (before["high"] - before["low"]), (
        "two weighed parts never make it over-sure"
    )
    with open_book(yard) as book:
        assert book.calibration(PLATE).n == 2
    assert "weighed" in run(capsys, "show", yard, "--hauled", "2026-10-04")[0]


def test_export_and_import(tmp_path, capsys, yard):
    run(capsys, "record", yard, a_season(tmp_path))
    run(capsys, "export", yard, tmp_path / "yard.zip")
    with zipfile.ZipFile(tmp_path / "yard.zip") as z:
        assert "boats.csv" in z.namelist()
    run(capsys, "import", tmp_path / "yard.zip", tmp_path / "again.book")
    assert run(capsys, "show", tmp_path / "again.book") == run(capsys, "show", yard)
    _, err = run(capsys, "import", tmp_path / "yard.zip", yard, code=ExitCode.OUTPUT_NOT_WRITABLE)
    assert "already" in err


# --- photos --------------------------------------------------------------------------------------


def test_judge_into_the_book(tmp_path, capsys, yard):
    photo = SAMPLES / "replace.jpg"
    argv = [
        "judge",
        str(photo),
        "--book",
        str(yard),
        "--boat",
        "Marram",
        "--position",
        "rudder port",
        "--segmenter",
        "classical",
        "--out",
        str(tmp_path / "r.json"),
    ]
    code = main(argv)
    out, err = capsys.readouterr()
    assert code in (ExitCode.JUDGED, ExitCode.CANNOT_JUDGE), err
    record = json.loads(out)
    assert record["template"] is None or record["template"]["name"] == PLATE
    with open_book(yard) as book:
        (j,) = book.judgements("Marram")
        assert book.record_json(j.reading.record_sha256).decode() == out, "byte for byte what was printed"
        assert j.reading.status == record["status"]
    for more, says in (
        (["--boat", "Marram"], "needs the boat and the position"),
        (["--boat", "Maram", "--position", "x"], "Did you mean 'Marram'"),
        (
            ["--boat", "Marram", "--position", "rudder port", "--template", "disc-160x30-4holes"],
            "not 'disc-160x30-4holes'",
        ),
    ):
        assert main(["judge", str(photo), "--book", str(yard), *more]) == ExitCode.USAGE
        assert says in capsys.readouterr().err
    assert main(["judge", str(photo), "--boat", "Marram"]) == ExitCode.USAGE
    assert "belong to a book" in capsys.readouterr().err


@pytest.mark.slow
def test_a_batch_into_the_book(tmp_path, capsys, yard):
    """Each photo meets the part that the book has at its place; what has no place stays in the batch's
    folder and is told."""
    for place in ("Marram/rudder port", "Marram/skeg"):
        (tmp_path / "photos" / place).mkdir(parents=True)
    shutil.copy(SAMPLES / "replace.jpg", tmp_path / "photos/Marram/rudder port/a.jpg")
    shutil.copy(SAMPLES / "sound.jpg", tmp_path / "photos/Marram/skeg/b.jpg")
    argv = [
        "batch",
        str(tmp_path / "photos"),
        "--out",
        str(tmp_path / "out"),
        "--book",
        str(yard),
        "--workers",
        "1",
    ]
    assert main([*argv, "--dry-run"]) == 0
    assert "'skeg' of 'Marram' isn't in the book" in capsys.readouterr().out
    assert main(argv) == ExitCode.USAGE  # told before anything is judged
    assert "'skeg' of 'Marram' isn't in the book" in capsys.readouterr().err
    assert not (tmp_path / "out/summary.jsonl").exists()
    code = main([*argv, "--skip"])
    err = capsys.readouterr().err
    assert code == ExitCode.BATCH_INCOMPLETE
    assert "1 taken into the book" in err
    rows = {
        r["path"]: r
        for r in map(json.loads, (tmp_path / "out/summary.jsonl").read_text("utf-8").splitlines())
    }
    assert (
        rows["Marram/rudder port/a.jpg"]["template"],
        rows["Marram/rudder port/a.jpg"]["template_chosen"],
    ) == (PLATE, False)
    with open_book(yard) as book:
        (r,) = book.readings()
        assert (r.position, r.verdict) == ("rudder port", "replace")
    assert (
        main(["batch", str(tmp_path / "photos"), "--out", str(tmp_path / "out"), "--hauled", "2026-10-04"])
        == ExitCode.USAGE
    )
    assert "no book" in capsys.readouterr().err


def test_a_kept_calibration_is_how_photos_are_read(capsys, yard):
    from anodewane.book.calibrate import Calibration
    from anodewane.book.parts import BookParts, with_face_scale
    from anodewane.judgement.method import FaceScale, Method
    from anodewane.record import Interval
    from anodewane.settings import Settings

    with open_book(yard) as book:
        part = book.template(PLATE)
        assert with_face_scale(Method(), book, part).settings_for(part) == Settings()
        book.keep_calibration(
            Calibration(PLATE, 4, 1.3, 0.1, 0.2, Interval(50.0, 40.0, 65.0), Interval(55.0, 47.0, 66.0))
        )
        read = with_face_scale(Method(), book, part).settings_for(part)
        assert (read.face_scale, read.face_scale_sd, read.face_ratio_sd) == (1.3, 0.1, 0.2)
        parts = BookParts(book)
        assert parts.face_scales == {PLATE: FaceScale(1.3, 0.1, 0.2)}
        assert parts.template_at("Marram", "rudder port").name == PLATE
        assert parts.template_at("Marram", "nowhere") is None


def test_the_refit_check(tmp_path, capsys, yard):
    """A new part passes and becomes the baseline; a worn one and another template don't."""
    new, worn = seen(1.0, verdict="ok", wide=4.0, photo="n"), seen(35.0, photo="w")
    other = replace(worn, template=replace(worn.template, name="disc-160x30-4holes"))
    for name, verdict in {"new": new, "worn": worn, "other": other}.items():
        (tmp_path / f"{name}.json").write_text(verdict_to_json(verdict), "utf-8")
    here = ("--boat", "Marram", "--position", "rudder port")
    _, err = run(capsys, "refit", yard, tmp_path / "new.json", *here, code=ExitCode.USAGE)
    assert "Give --on" in err
    for bad, says in (("worn", "35 % gone"), ("other", "disc-160x30-4holes")):
        out, _ = run(
            capsys,
            "refit",
            yard,
            tmp_path / f"{bad}.json",
            *here,
            "--on",
            "2026-10-20",
            code=ExitCode.BATCH_INCOMPLETE,
        )
        assert out.startswith("WRONG")
        assert says in out
    with open_book(yard) as book:
        assert book.readings() == ()
        assert len(book.fittings("Marram", "rudder port")) == 1
    out, _ = run(
        capsys, "refit", yard, tmp_path / "new.json", *here, "--on", "2026-10-20", "--new-mass", 1525
    )
    assert out.startswith("right")
    with open_book(yard) as book:
        assert [r.kind for r in book.readings()] == ["refit"]
        assert [(str(f.fitted_on), f.new_mass_g) for f in book.fittings("Marram", "rudder port")] == [
            ("2026-04-18", None),
            ("2026-10-20", 1525.0),
        ]
    (check,) = json.loads(run(capsys, "refit", yard, tmp_path / "new.json", *here, "--json")[0])
    assert check["passed"] is True


# --- what has no place ---------------------------------------------------------------------------


def test_what_has_no_place_is_listed_and_nothing_is_taken(tmp_path, capsys, yard):
    disc = seen(20.0, photo="d")
    out = batch_out(
        tmp_path / "out",
        [
            {"boat": "Marram", "position": "rudder port", "verdict_record": seen(35.0, photo="a")},
            {"boat": "Samphire", "position": "keel", "verdict_record": seen(35.0, photo="b")},
            {"boat": None, "position": None, "verdict_record": seen(35.0, photo="c")},
            {
                "boat": "Marram",
                "position": "rudder starboard",
                "verdict_record": replace(disc, template=replace(disc.template, name="disc-160x30-4holes")),
            },
        ],
    )
    _, err = run(capsys, "record", yard, out, "--hauled", "2026-10-04", code=ExitCode.USAGE)
    assert "3 of the judgements have no place" in err
    for says in (
        "'keel' of 'Samphire' isn't in the book",
        "p2.jpg: no boat or position",
        "p3.jpg: judged against disc-160x30-4holes, but plate-150x75x20-2slots sits",
    ):
        assert says in err
    with open_book(yard) as book:
        assert book.readings() == ()
    out_json, err = run(
        capsys,
        "record",
        yard,
        out,
        "--hauled",
        "2026-10-04",
        "--add",
        "--skip",
        "--json",
        code=ExitCode.BATCH_INCOMPLETE,
    )
    assert json.loads(out_json)["new"] == 2
    assert "Left out: p2.jpg" in err
    with open_book(yard) as book:
        assert [b.name for b in book.boats()] == ["Marram", "Samphire", "Sea Aster"]
        assert len(book.readings()) == 2
    assert "35 (25 to 45)" in run(capsys, "show", yard, "Samphire")[0], (
        "what the photo says, though nobody knows since when the part sits there"
    )


def test_a_boat_in_the_water_needs_the_date(tmp_path, capsys, yard):
    run(capsys, "launch", yard, "Marram", "2026-10-20")
    (tmp_path / "r.json").write_text(verdict_to_json(seen(35.0)), "utf-8")
    _, err = run(
        capsys,
        "record",
        yard,
        tmp_path / "r.json",
        "--boat",
        "Marram",
        "--position",
        "rudder port",
        code=ExitCode.USAGE,
    )
    assert "isn't ashore, by the book" in err
    run(
        capsys,
        "record",
        yard,
        tmp_path / "r.json",
        "--boat",
        "Marram",
        "--position",
        "rudder port",
        "--hauled",
        "2026-10-04",
    )
    _, err = run(capsys, "weigh", yard, "Marram", "rudder port", 900, code=ExitCode.USAGE)
    assert "Give --hauled" in err


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("path\n", "isn't a row"),
        ('{"path": "a", "record": "../../evil.json", "status": "judged"}\n', "outside the folder"),
        ('{"path": "a", "record": "none.json", "status": "judged"}\n', "There is no record"),
        ('{"path": "a", "record": 3, "status": "judged"}\n', "isn't a row"),
    ],
)
def test_a_summary_that_isn_t_one(tmp_path, capsys, yard, content, says):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "summary.jsonl").write_text(content)
    (tmp_path / "evil.json").write_text("{}")
    _, err = run(capsys, "record", yard, tmp_path / "out", code=ExitCode.INPUT_UNREADABLE)
    assert says in err


def test_no_batch_and_no_record(tmp_path, capsys, yard):
    assert "no summary.jsonl" in run(capsys, "record", yard, tmp_path, code=ExitCode.INPUT_UNREADABLE)[1]
    assert (
        "isn't a record"
        in run(capsys, "record", yard, tmp_path / "list.csv", code=ExitCode.INPUT_UNREADABLE)[1]
    )


# --- a yard's list -------------------------------------------------------------------------------


def test_the_example_list_comes_in_as_it_stands(tmp_path, capsys):
    assert main(["season", "import-list", "--example"]) == 0
    out = capsys.readouterr().out
    assert out == EXAMPLE
    (tmp_path / "l.csv").write_text(out)
    run(capsys, "new", tmp_path / "b.book")
    _, err = run(capsys, "import-list", tmp_path / "b.book", tmp_path / "l.csv", "--dry-run")
    assert "2 boats, 3 positions, 3 parts and 1 haul-out" in err
    assert run(capsys, "show", tmp_path / "b.book")[0].count("\n") == 1, "nothing but the heads"
    run(capsys, "import-list", tmp_path / "b.book", tmp_path / "l.csv")
    _, err = run(capsys, "import-list", tmp_path / "b.book", tmp_path / "l.csv")
    assert "0 boats, 0 positions, 0 parts and 0 haul-outs" in err, "again changes nothing"


@pytest.mark.parametrize("form", ["semicolons", "tabs in UTF-16", "a byte-order mark"])
def test_lists_as_spreadsheets_save_them(tmp_path, capsys, form):
    text = EXAMPLE
    if form == "semicolons":
        data = text.replace(",", ";").replace("1522", "1522,5").encode()
    elif form.startswith("tabs"):
        data = text.replace(",", "\t").replace("\n", "\r\n").encode("utf-16")
    else:
        data = text.encode("utf-8-sig")
    (tmp_path / "l.csv").write_bytes(data)
    run(capsys, "new", tmp_path / "b.book")
    run(capsys, "import-list", tmp_path / "b.book", tmp_path / "l.csv")
    with open_book(tmp_path / "b.book") as book:
        assert len(book.positions()) == 3
        assert book.fittings("Marram")[0].new_mass_g == (1522.5 if form == "semicolons" else 1522.0)


def test_every_wrong_line_is_told_by_number_and_nothing_is_taken(tmp_path, capsys):
    wrong = LIST + (
        "Samphire,salt,keel,,,no-such-template,2026-04-18,,\n"
        "Samphire,salt,skeg,,,plate-150x75x20-2slots,18.4.2026,,\nMarram,fresh,bow,,,,,,\n"
        "Samphire,sea,,,,,,,\nSamphire,salt,prop,,,plate-150x75x20-2slots,,,\nSamphire,,,a pair,,,,,\n"
    )
    (tmp_path / "l.csv").write_text(wrong)
    run(capsys, "new", tmp_path / "b.book")
    _, err = run(capsys, "import-list", tmp_path / "b.book", tmp_path / "l.csv", code=ExitCode.USAGE)
    for says in (
        "6 wrong lines", ("line 5: There is no template "
                         "'no-such-template'"), ("line 6: The fitted_on '18.4.2026' isn't a "
                                               "date"), "line 7: 'Marram' lies in salt water",
        "line 8: ", ("line 9: 'prop' of 'Samphire' has a template but no "
                    "fitted_on"), "line 10: There is a pair but no position",
    ):  # fmt: skip
        assert says in err
    assert run(capsys, "show", tmp_path / "b.book")[0].count("\n") == 1


@pytest.mark.parametrize(
    ("content", "says", "code"),
    [
        (b"boat,colour\nMarram,red\n", "a column 'colour'", ExitCode.USAGE),
        (b"name\nMarram\n", "a column 'name'", ExitCode.USAGE),
        (b"water,position\nsalt,keel\n", "no column 'boat'", ExitCode.USAGE),
        (b"boat,boat\nMarram,x\n", "a column twice", ExitCode.USAGE),
        ("boat\nÑandú\n".encode("latin-1"), "isn't text in UTF-8", ExitCode.INPUT_UNREADABLE),
        (b"boat,position\n,keel\n", "line 2: there is no boat", ExitCode.USAGE),
        (b"", "no column 'boat'", ExitCode.USAGE),
    ],
)
def test_what_is_no_list(tmp_path, capsys, content, says, code):
    (tmp_path / "l.csv").write_bytes(content)
    run(capsys, "new", tmp_path / "b.book")
    assert says in run(capsys, "import-list", tmp_path / "b.book", tmp_path / "l.csv", code=code)[1]


# --- the file ------------------------------------------------------------------------------------


def test_a_newer_book_is_exit_3_and_untouched(tmp_path, capsys, yard):
    data = bytearray(yard.read_bytes())
    data[60:64] = (99).to_bytes(4, "big")
    yard.write_bytes(data)
    _, err = run(capsys, "show", yard, code=ExitCode.INPUT_UNREADABLE)
    assert "version 99" in err
    assert yard.read_bytes() == bytes(data)


def test_no_book(tmp_path, capsys):
    _, err = run(capsys, "show", tmp_path / "none.book", code=ExitCode.INPUT_UNREADABLE)
    assert "season new" in err
    assert list(tmp_path.iterdir()) == []


def test_outputs_never_take_the_book_s_place(tmp_path, capsys, yard):
    before = yard.read_bytes()
    for argv in (("order", yard, "--csv", yard), ("plot", yard, "--page", yard), ("export", yard, yard)):
        code = main(["season", *map(str, argv)])
        assert code in (ExitCode.USAGE, ExitCode.OUTPUT_NOT_WRITABLE)
        assert "Traceback" not in capsys.readouterr().err
    assert yard.read_bytes() == before


def test_wrong_dates_and_options_are_usage(capsys, yard):
    for argv, says in (
        (("haul-out", yard, "Marram", "4.10.2026"), "isn't a date such as"),
        (("boat", yard, "Marram", "--rename", "x"), "belongs to a correction"),
        (("plot", yard), "nothing to write"),
        (("plot", yard, "--svg", "x.svg"), "of one boat"),
        (("fit", yard, "Marram", "rudder port", "--on", "2027-01-01"), "needs its template"),
        (("refit", yard, "photo.jpg"), "needs its boat and position"),
        (("record", yard, "a", "b", "--position", "x"), "can't stand for several"),
    ):
        assert says in run(capsys, *argv, code=ExitCode.USAGE)[1]


@pytest.mark.skipif(shutil.which("sqlite3") is None or os.name == "nt", reason="needs the sqlite3 shell")
def test_the_shell_finds_it_sound(capsys, yard):
    import subprocess

    done = subprocess.run(
        ["sqlite3", str(yard), "PRAGMA integrity_check; PRAGMA foreign_key_check;"],
        check=True,
        capture_output=True,
        text=True,
    )
    assert done.stdout == "ok\n"


def test_photos_of_another_haul_out_are_told(tmp_path, capsys, yard):
    """Last year's photos, given again: by their date, and because the book has them."""
    out = a_season(tmp_path)
    run(capsys, "record", yard, out)
    run(capsys, "launch", yard, "Marram", "2027-04-01")
    run(capsys, "haul-out", yard, "Marram", "2027-10-09", "--launched", "2028-04-01", code=ExitCode.USAGE)
    with open_book(yard) as book:
        book.haul_out("Marram", date(2027, 10, 9))
    _, err = run(capsys, "record", yard, out, code=ExitCode.USAGE)
    assert "the book has this photo at 'rudder port' of 'Marram', hauled out 2026-10-04" in err
    (tmp_path / "old.json").write_text(verdict_to_json(seen(30.0, photo="f")), "utf-8")
    here = ("--boat", "Marram", "--position", "rudder port")
    _, err = run(capsys, "record", yard, tmp_path / "old.json", *here, code=ExitCode.USAGE)
    assert "it was taken on 2026-10-05, before 'Marram' was hauled out on 2027-10-09" in err
    run(capsys, "record", yard, tmp_path / "old.json", *here, "--any-date")
    with open_book(yard) as book:
        assert [str(r.hauled_on) for r in book.readings("Marram", "rudder port")] == [
            "2026-10-04",
            "2027-10-09",
        ]


def test_a_haul_out_isn_t_made_up_by_a_record(tmp_path, capsys, yard):
    (tmp_path / "r.json").write_text(verdict_to_json(seen(30.0)), "utf-8")
    here = (tmp_path / "r.json", "--boat", "Marram", "--position", "rudder port", "--hauled", "2026-10-05")
    _, err = run(capsys, "record", yard, *here, code=ExitCode.USAGE)
    assert "'Marram' wasn't hauled out on 2026-10-05, by the book; it was on 2026-04-10, 2026-10-04" in err
    _, err = run(capsys, "record", yard, *here, "--new-haul-out", code=ExitCode.USAGE)
    assert "stands ashore since 2026-10-04" in err  # no launch between


def test_a_label_of_another_place_is_told(tmp_path, capsys, yard):
    from anodewane.catalog.sheet_label import label_of

    verdict = replace(seen(30.0), label=label_of("Sea Aster", "keel"))
    (tmp_path / "r.json").write_text(verdict_to_json(verdict), "utf-8")
    here = (tmp_path / "r.json", "--boat", "Marram", "--position", "rudder port")
    _, err = run(capsys, "record", yard, *here)
    assert "the label on its sheet says 'keel' of 'Sea Aster'" in err


@pytest.mark.parametrize(
    "command",
    [
        ("weigh", "Marram", "rudder port", "900"),
        ("overrule", "Marram", "rudder port", "ok", "--why", "x", "--by", "M. Example"),
    ],
)
def test_nothing_is_found_at_a_haul_out_to_come(capsys, yard, command):
    _, err = run(capsys, command[0], yard, *command[1:], "--hauled", "2207-10-09", code=ExitCode.USAGE)
    assert "2207-10-09 is still to come" in err
    _, err = run(capsys, "haul-out", yard, "Marram", "2207-10-09", code=ExitCode.USAGE)
    assert "2207-10-09 is still to come" in err
