"""Files are read in one piece and written whole or not at all."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from anodewane.errors import InputUnreadable, OutputNotWritable
from anodewane.files import check_folder, check_writable, read_bytes, read_text, write_atomic

as_root = hasattr(os, "geteuid") and os.geteuid() == 0


def names(folder: Path) -> list[str]:
    return [p.name for p in folder.iterdir()]


def test_a_written_file_holds_what_was_given_and_leaves_nothing_beside_it(tmp_path: Path) -> None:
    target = tmp_path / "Ñandú ⚓.json"
    write_atomic(target, b"one")
    write_atomic(target, b"two")
    assert target.read_bytes() == b"two"
    assert names(tmp_path) == [target.name]


def test_a_new_file_has_the_permissions_that_the_user_s_umask_gives(tmp_path: Path) -> None:
    (tmp_path / "plain").write_bytes(b"")
    write_atomic(tmp_path / "atomic", b"x")
    assert (tmp_path / "atomic").stat().st_mode == (tmp_path / "plain").stat().st_mode


def test_an_existing_file_keeps_its_permissions_and_a_link_stays_a_link(tmp_path: Path) -> None:
    target, link = tmp_path / "a", tmp_path / "b"
    target.write_bytes(b"old")
    target.chmod(0o640)
    link.symlink_to(target)
    write_atomic(link, b"new")
    assert link.is_symlink()
    assert target.read_bytes() == b"new"
    assert target.stat().st_mode & 0o777 == 0o640


def test_a_write_that_fails_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "a"
    target.write_bytes(b"old")

    def full(_fd: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputNotWritable, match="No space left on device"):
        write_atomic(target, b"new")
    assert target.read_bytes() == b"old"
    assert names(tmp_path) == ["a"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_a_full_device_is_told(tmp_path: Path) -> None:
    with pytest.raises(OutputNotWritable, match="/dev/full"):
        write_atomic(Path("/dev/full"), b"x" * 100_000)
    write_atomic(Path(os.devnull), b"x")


def test_what_can_t_be_written_is_found_before(tmp_path: Path) -> None:
    check_writable(tmp_path / "new")
    assert names(tmp_path) == []
    with pytest.raises(OutputNotWritable, match="There is no folder"):
        check_writable(tmp_path / "missing" / "x.json")
    with pytest.raises(OutputNotWritable, match="is a folder"):
        check_writable(tmp_path)
    check_folder(tmp_path / "made" / "deep")
    assert (tmp_path / "made" / "deep").is_dir()
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(OutputNotWritable, match="can't be made"):
        check_folder(tmp_path / "file" / "x")


@pytest.mark.skipif(as_root or sys.platform == "win32", reason="root may write anywhere")
def test_a_folder_without_permission_is_told(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    with pytest.raises(OutputNotWritable, match="can't be written"):
        check_writable(tmp_path / "x")


def test_what_can_t_be_read_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputUnreadable, match="There is no photo"):
        read_bytes(tmp_path / "x.jpg")
    with pytest.raises(InputUnreadable, match="is a folder, not a photo"):
        read_bytes(tmp_path)
    (tmp_path / "s.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputUnreadable, match="isn't text in UTF-8"):
        read_text(tmp_path / "s.toml", "settings file")
    (tmp_path / "s.toml").write_bytes(b"\xef\xbb\xbfa = 1")
    assert read_text(tmp_path / "s.toml", "settings file") == "a = 1"


def test_a_file_that_is_too_large_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("anodewane.files.MAX_INPUT_BYTES", 10)
    (tmp_path / "x").write_bytes(b"12345678901")
    with pytest.raises(InputUnreadable, match="larger than"):
        read_bytes(tmp_path / "x")
