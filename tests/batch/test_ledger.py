"""The ledger and its cache of content hashes: trusted only where a change of content would show."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from anodewane.batch.ledger import Ledger
from anodewane.batch.place import LEDGER_NAME, LocalFolder
from anodewane.batch.plan import make_plan
from anodewane.batch.work import Outcome, outcome_from_plain, outcome_to_plain


def outcome(name: str = "a.jpg", **more: object) -> Outcome:
    return Outcome(
        name,
        name,
        "digest",
        "judged",
        final=True,
        photo_sha256="ab",
        verdict="ok",
        reasons=(("c", "m", None),),
        files=((f"{name}.json", 3),),
        **more,
    )  # type: ignore[arg-type]


@pytest.fixture
def place(tmp_path: Path) -> LocalFolder:
    return LocalFolder(tmp_path)


def test_round_trip(place: LocalFolder) -> None:
    ledger = Ledger.read(place)
    ledger.start()
    ledger.append(outcome("caf\udce9.jpg", stamp="s"), "9")
    ledger.append_hashes([("b.jpg", "t", "cd", "7")])
    ledger.append_taken([("b.jpg", "t", None)])
    again = Ledger.read(place)
    assert again.started
    assert again.finished("caf\udce9.jpg", "ab", "digest") == outcome("caf\udce9.jpg", stamp="s")
    assert again.finished("caf\udce9.jpg", "ab", "other digest") is None
    assert again.hash_of("caf\udce9.jpg", "s") == "ab"
    assert again.hash_of("b.jpg", "t") == "cd"
    assert again.hash_of("b.jpg", "u") is None
    assert again.hash_of("b.jpg", None) is None
    assert (again.knows_like("9"), again.knows_like("7"), again.knows_like("8")) == (True, True, False)
    assert again.taken_of("b.jpg", "t") == (None,)
    assert again.taken_of("b.jpg", "u") is None


def test_later_keys_are_passed_over_and_later_lines_win() -> None:
    plain = outcome_to_plain(outcome()) | {"key_of_a_later_version": 1}
    assert outcome_from_plain(plain) == outcome()


@pytest.mark.parametrize(
    "garbage",
    [
        b'{"name": "a.jpg", "pho',
        b"\x00\x00\x00",
        b"null",
        b"[]",
        b'"text"',
        b"{}",
        b'{"hashed": 3}',
        b"\xff\xfe",
    ],
)
def test_a_torn_line_costs_its_own_photo_only(garbage: bytes, place: LocalFolder) -> None:
    ledger = Ledger.read(place)
    ledger.start()
    ledger.append(outcome("a.jpg"))
    with (place.path / LEDGER_NAME).open("ab") as f:
        f.write(garbage)
    Ledger.read(place).append(outcome("b.jpg"))
    again = Ledger.read(place)
    assert again.finished("a.jpg", "ab", "digest")
    assert again.finished("b.jpg", "ab", "digest")


def test_hashes_are_cached_and_a_changed_content_is_noticed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Same size and the same time of last change, put back by hand: the time of the inode's
    change still tells."""
    photos, out = tmp_path / "photos", LocalFolder(tmp_path / "out")
    photos.mkdir()
    out.prepare()
    for i in range(4):
        (photos / f"{i}.jpg").write_text(f"content {i}")
    monkeypatch.setattr("anodewane.batch.place.FRESH_S", -1e9)  # as if the photos had been there for long
    read: list[str] = []
    real = LocalFolder.read
    monkeypatch.setattr(LocalFolder, "read", lambda self, name: read.append(name) or real(self, name))
    source = LocalFolder(photos)
    ledger = Ledger.read(out)
    ledger.start()
    plan = make_plan(source, ledger)
    assert len(read) == 4
    ledger.append_hashes(plan.hashes)
    read.clear()
    assert make_plan(source, Ledger.read(out)).photos == plan.photos
    assert read == []
    times = (photos / "2.jpg").stat()
    (photos / "2.jpg").write_text("CONTENT 2")
    os.utime(photos / "2.jpg", ns=(times.st_atime_ns, times.st_mtime_ns))
    changed = make_plan(source, Ledger.read(out))
    assert read == ["2.jpg"]
    assert changed.photos[2].sha256 != plan.photos[2].sha256


def test_a_file_changed_a_moment_ago_is_not_trusted(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_text("x")
    (entry,) = LocalFolder(tmp_path).entries()
    assert entry.stamp is None
