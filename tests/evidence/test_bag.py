"""Bags against the BagIt standard (RFC 8493), against an independent reader of it, and against whoever
packed one in bad faith."""

from __future__ import annotations

import hashlib
import logging
import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import bagit
import pytest

from anodewane.errors import InputUnreadable, OutputNotWritable
from anodewane.evidence import bag as bag_module
from anodewane.evidence.bag import BagFile, check_bag, safe_name, write_bag

FILES = [
    BagFile("data/a.txt", b"alpha\n"),
    BagFile("data/sub/b.bin", bytes(range(256))),
    BagFile("data/empty.txt", b""),
]


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    write_bag(tmp_path / "bag", FILES, [("Bag-Software-Agent", "test")])
    return tmp_path / "bag"


def sealed(bag: Path) -> None:
    """Make the tag manifest right again after a tag file was changed: what a forger would do."""
    lines = [
        f"{hashlib.sha256((bag / n).read_bytes()).hexdigest()}  {n}\n"
        for n in ("bag-info.txt", "bagit.txt", "manifest-sha256.txt")
    ]
    (bag / "tagmanifest-sha256.txt").write_text("".join(lines))


def independent(bag: Path) -> bool:
    """What the `bagit` package (Library of Congress) says."""
    logging.disable(logging.CRITICAL)
    try:
        return bool(bagit.Bag(str(bag)).is_valid())
    except bagit.BagError:
        return False
    finally:
        logging.disable(logging.NOTSET)


def test_a_fresh_bag_is_valid_by_us_by_the_independent_reader_and_by_sha256sum(bag: Path) -> None:
    assert check_bag(bag) == ()
    assert independent(bag)
    if shutil.which("sha256sum"):
        for manifest in ("manifest-sha256.txt", "tagmanifest-sha256.txt"):
            assert (
                subprocess.run(["sha256sum", "-c", "--quiet", manifest], cwd=bag, check=False).returncode == 0
            )


def test_odd_names_are_percent_encoded(tmp_path: Path) -> None:
    """RFC 8493 2.1.3: carriage return, line feed and per cent. (The independent reader knows the first
    two only, so it isn't asked.)"""
    write_bag(tmp_path / "bag", [BagFile("data/100%.txt", b"a"), BagFile("data/two\nlines", b"b")], [])
    text = (tmp_path / "bag" / "manifest-sha256.txt").read_text()
    assert "data/100%25.txt\n" in text
    assert "data/two%0Alines\n" in text
    assert check_bag(tmp_path / "bag") == ()


def test_a_bag_of_the_independent_packer_is_valid_by_us(tmp_path: Path) -> None:
    folder = tmp_path / "other"
    folder.mkdir()
    (folder / "x.txt").write_text("x")
    bagit.make_bag(str(folder), checksums=["sha256", "sha512", "md5"])
    assert check_bag(folder) == ()
    (folder / "data" / "x.txt").write_text("y")
    assert {f.file for f in check_bag(folder) if f.kind == "changed"} == {"data/x.txt"}


def test_the_same_files_give_the_same_bag(tmp_path: Path) -> None:
    seals = {write_bag(tmp_path / name, FILES, [("Bagging-Date", "2026-10-06")]) for name in ("one", "two")}
    assert len(seals) == 1
    assert (
        tmp_path / "one" / "bag-info.txt"
    ).read_text() == "Bagging-Date: 2026-10-06\nPayload-Oxum: 262.3\n"


@pytest.mark.parametrize(
    "name", ["data/a.txt", "data/sub/b.bin", "bag-info.txt", "bagit.txt", "manifest-sha256.txt"]
)
def test_a_changed_byte_in_any_file_is_named(name: str, bag: Path) -> None:
    data = bytearray((bag / name).read_bytes())
    data[len(data) // 2] ^= 1
    (bag / name).write_bytes(bytes(data))
    try:
        assert name in {f.file for f in check_bag(bag)}
    except InputUnreadable:
        assert name == "bagit.txt"
    assert not independent(bag)


def test_missing_and_extra_files_are_named(bag: Path) -> None:
    (bag / "data" / "a.txt").unlink()
    (bag / "data" / "new.txt").write_text("new")
    (bag / "loose.txt").write_text("loose")
    found = {(f.kind, f.file) for f in check_bag(bag)}
    assert {("missing", "data/a.txt"), ("extra", "data/new.txt"), ("extra", "loose.txt")} <= found
    assert not independent(bag)


def test_stamp_and_signature_may_be_added(bag: Path) -> None:
    (bag / "stamp").mkdir()
    (bag / "stamp" / "x.tsr").write_bytes(b"x")
    assert check_bag(bag) == ()
    assert independent(bag)


def listed(text: str) -> Callable[[Path], None]:
    def do(bag: Path) -> None:
        with (bag / "manifest-sha256.txt").open("a", encoding="utf-8", errors="surrogateescape") as f:
            f.write(text)
        sealed(bag)

    return do


def written(name: str, content: bytes) -> Callable[[Path], None]:
    def do(bag: Path) -> None:
        (bag / name).parent.mkdir(exist_ok=True, parents=True)
        (bag / name).write_bytes(content)
        if not name.startswith("tagmanifest"):
            sealed(bag)

    return do


ZERO = "0" * 64
TRICKS: dict[str, Callable[[Path], None]] = {
    "up and out": listed(f"{ZERO}  data/../../secret\n"),
    "absolute": listed(f"{ZERO}  /etc/passwd\n"),
    "home": listed(f"{ZERO}  ~/x\n"),
    "a drive": listed(f"{ZERO}  C:/x\n"),
    "backslashes": listed(f"{ZERO}  data\\..\\x\n"),
    "outside data": listed(f"{ZERO}  bagit.txt\n"),
    "a control character": listed(f"{ZERO}  data/\x1b[2J\n"),
    "encoded ways up": listed(f"{ZERO}  data/%2e%2e/%2e%2e/x\n"),
    "named twice": listed(f"{hashlib.sha256(b'alpha' + bytes([10])).hexdigest()}  data/a.txt\n"),
    "named in capitals too": listed(f"{ZERO}  data/A.TXT\n"),
    "not a checksum": listed("xyz  data/a.txt\n"),
    "a short checksum": listed("abcd  data/a.txt\n"),
    "no name": listed(f"{ZERO}\n"),
    "a very long name": listed(f"{ZERO}  data/{'x' * 5000}\n"),
    "manifest not UTF-8": written("manifest-sha256.txt", b"\xff\xfe" + b"0" * 64 + b"  data/\xe9.txt\n"),
    "manifest in UTF-16": written("manifest-sha256.txt", f"{ZERO}  data/a.txt\n".encode("utf-16")),
    "declared in another encoding": written(
        "bagit.txt", b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-16\n"
    ),
    "declared with a byte-order mark": written(
        "bagit.txt", b"\xef\xbb\xbfBagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    ),
    "another version": written("bagit.txt", b"BagIt-Version: 9.0\nTag-File-Character-Encoding: UTF-8\n"),
    "to be fetched": written("fetch.txt", b"https://example.org/x 10 data/x\n"),
    "an unknown checksum": written("manifest-crc32.txt", b"00000000  data/a.txt\n"),
    "a wrong sum of sizes": written("bag-info.txt", b"Payload-Oxum: 1.1\n"),
    "info not UTF-8": written("bag-info.txt", b"\xff\xff"),
    "no tag manifest": lambda bag: (bag / "tagmanifest-sha256.txt").unlink(),
    "no manifest": lambda bag: (bag / "manifest-sha256.txt").unlink(),
    "a link to a file": lambda bag: (
        (bag / "data" / "a.txt").unlink(),
        (bag / "data" / "a.txt").symlink_to("/etc/hostname"),
    )[-1],
    "a link to a folder": lambda bag: (
        shutil.rmtree(bag / "data" / "sub"),
        (bag / "data" / "sub").symlink_to("/etc"),
    )[-1],
    "the manifest is a link": lambda bag: (
        (bag / "manifest-sha256.txt").rename(bag.parent / "m"),
        (bag / "manifest-sha256.txt").symlink_to(bag.parent / "m"),
    )[-1],
    "a pipe": lambda bag: ((bag / "data" / "a.txt").unlink(), os.mkfifo(bag / "data" / "a.txt"))[-1],
    "a payload file in the tag manifest": lambda bag: (bag / "tagmanifest-sha256.txt").write_text(
        f"{ZERO}  data/a.txt\n"
    ),
}


@pytest.mark.parametrize("trick", TRICKS)
def test_a_hostile_bag_is_told_and_nothing_is_followed(
    trick: str, bag: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    TRICKS[trick](bag)
    opened: list[Path] = []
    real = bag_module.open_plain
    monkeypatch.setattr(bag_module, "open_plain", lambda path: (opened.append(path), real(path))[1])
    faults = check_bag(bag)
    assert faults, trick
    assert all(f.text for f in faults)
    for path in opened:
        assert path.resolve().is_relative_to(bag.resolve()), path


def test_a_bag_by_weak_checksums_alone_proves_nothing(bag: Path) -> None:
    (bag / "manifest-sha256.txt").unlink()
    (bag / "tagmanifest-sha256.txt").unlink()
    lines = [
        f"{hashlib.md5(f.content if isinstance(f.content, bytes) else b'').hexdigest()}  {f.name}\n"
        for f in FILES
    ]
    (bag / "manifest-md5.txt").write_text("".join(lines))
    texts = [f.text for f in check_bag(bag)]
    assert any("SHA-256 or SHA-512" in t for t in texts)


def test_a_huge_manifest_is_refused_unread(bag: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bag_module, "MAX_TAG_BYTES", 1000)
    listed("".join(f"{ZERO}  data/{i}\n" for i in range(100)))(bag)
    assert ("refused", "manifest-sha256.txt") in {(f.kind, f.file) for f in check_bag(bag)}


def test_very_many_files_are_refused(bag: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bag_module, "MAX_FILES", 2)
    with pytest.raises(InputUnreadable, match="more than 2 files"):
        check_bag(bag)


def test_folders_without_end_are_refused(bag: Path) -> None:
    deep = bag / "data"
    for _ in range(40):
        deep = deep / "d"
    deep.mkdir(parents=True)
    (deep / "x").write_text("x")
    assert any(f.kind == "refused" for f in check_bag(bag))


@pytest.mark.parametrize(
    "make",
    [lambda p: None, lambda p: p.mkdir(), lambda p: p.write_text("x"), lambda p: p.symlink_to("/")],
    ids=["nothing", "empty folder", "file", "link"],
)
def test_what_is_no_bag_is_said_to_be_none(make: Callable[[Path], None], tmp_path: Path) -> None:
    make(tmp_path / "bag")
    with pytest.raises(InputUnreadable):
        check_bag(tmp_path / "bag")


def test_a_bag_is_never_written_over(bag: Path) -> None:
    with pytest.raises(OutputNotWritable, match="already"):
        write_bag(bag, FILES, [])


def test_a_failed_packing_leaves_nothing(tmp_path: Path) -> None:
    def fails() -> bytes:
        raise OSError(28, "No space left on device")

    with pytest.raises(OutputNotWritable, match="No space left"):
        write_bag(tmp_path / "bag", [BagFile("data/a", b"a"), BagFile("data/b", fails)], [])
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("name", "safe"),
    [
        ("Ñandú 3.jpg", "Nandu_3.jpg"),
        ("../../x", "x"),
        ("rudder, port", "rudder_port"),
        ("\u202e", "file"),
        ("a" * 300 + ".heic", "a" * 55 + ".heic"),
        ("CON:*?", "CON"),
    ],
)
def test_names_in_a_bag_suit_every_disk(name: str, safe: str) -> None:
    assert safe_name(name) == safe
