"""What is taken for a photo and what isn't, twins, duplicates, links, odd names, and the lists
beside the photos."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from anodewane.batch.ledger import Ledger
from anodewane.batch.place import LEDGER_NAME, LocalFolder, shown_name
from anodewane.batch.placing import settle
from anodewane.batch.plan import Plan, make_plan
from anodewane.errors import InputUnreadable, UsageError

posix = pytest.mark.skipif(sys.platform == "win32", reason="names and links of POSIX file systems")


@pytest.fixture
def put(tmp_path: Path) -> Callable[..., None]:
    def put(name: str, content: str | bytes | None = None) -> None:
        path = tmp_path / "photos" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(
            content.encode() if isinstance(content, str) else name.encode() if content is None else content
        )

    return put


def plan(tmp_path: Path, out: Path | None = None) -> Plan:
    return make_plan(
        LocalFolder(tmp_path / "photos", exclude=out), Ledger.read(LocalFolder(tmp_path / "out"))
    )


def names(found: Plan) -> list[str]:
    return [p.name for p in found.photos]


def left_out(found: Plan) -> dict[str, str]:
    return {s.shown: s.reason for s in found.skipped}


def test_photos_in_any_nesting_and_with_any_capitals(put: Callable[..., None], tmp_path: Path) -> None:
    wanted = ["a.jpg", "b/c.JPEG", "b/d/e.HeIC", "b/d/f.png", "b/d/g.WEBP", "h/i/j/k/l.heif"]
    for name in wanted:
        put(name)
    assert names(plan(tmp_path)) == wanted


def test_what_is_no_photo_is_counted_by_kind(put: Callable[..., None], tmp_path: Path) -> None:
    expected = {
        ".hidden.jpg": "dot_file",
        ".cache/x.jpg": "dot_file",
        "._IMG_1.jpg": "apple_double",
        "__MACOSX/b.jpg": "apple_double",
        "Thumbs.db": "system_file",
        "@eaDir/b.jpg": "system_file",
        "film.mp4": "video",
        "IMG_1.MOV": "video_of_photo",
        "notes.txt": "not_a_photo",
        "IMG_1.AAE": "not_a_photo",
        "photos.csv": "photo_list",
    }
    for name in expected:
        put(name, "file\n")
    put("img_1.HEIC")
    found = plan(tmp_path)
    assert names(found) == ["img_1.HEIC"]
    assert left_out(found) == expected
    assert next(s.detail for s in found.skipped if s.shown == "IMG_1.MOV") == "img_1.HEIC"


def test_results_are_never_input(put: Callable[..., None], tmp_path: Path) -> None:
    put("a.jpg")
    put("out/a.jpg.overlay.jpg")  # the folder that results go to, not yet marked
    put(f"older/{LEDGER_NAME}", '{"ledger": 1}\n')
    put("older/Kittiwake/a.jpg.overlay.jpg")
    found = plan(tmp_path, tmp_path / "photos" / "out")
    assert names(found) == ["a.jpg"]
    assert left_out(found) == {"out/": "output", "older/": "output"}


@posix
def test_links_are_followed_once(put: Callable[..., None], tmp_path: Path) -> None:
    put("boat/keel/a.jpg")
    put("../elsewhere/b.jpg")
    root = tmp_path / "photos"
    (root / "boat" / "loop").symlink_to("..")
    (root / "again").symlink_to("boat")
    (root / "b").symlink_to(tmp_path / "elsewhere")
    (root / "self").symlink_to("self")
    (root / "gone.jpg").symlink_to("nowhere.jpg")
    (root / "link.jpg").symlink_to("boat/keel/a.jpg")
    found = plan(tmp_path)
    assert names(found) == ["b/b.jpg", "boat/keel/a.jpg", "link.jpg"]
    assert left_out(found) == {
        "boat/loop/": "link_loop",
        "again/": "link_loop",
        "self": "not_a_photo",
        "gone.jpg": "broken_link",
    }
    assert found.photos[2].duplicate_of == "boat/keel/a.jpg"


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="names that aren't UTF-8")
def test_names_may_hold_any_bytes(put: Callable[..., None], tmp_path: Path) -> None:
    put("odd\n\tname.jpg")
    raw = os.fsencode(tmp_path / "photos") + b"/caf\xe9.jpg"
    Path(os.fsdecode(raw)).write_bytes(b"content")
    found = plan(tmp_path)
    assert [p.shown for p in found.photos] == ["caf%E9.jpg", "odd%0A%09name.jpg"]
    assert [p.out_name for p in found.photos] == ["caf%E9.jpg", "odd%0A%09name.jpg"]
    assert LocalFolder(tmp_path / "photos").read(found.photos[0].name) == b"content"
    for p in found.photos:
        p.shown.encode("utf-8")


@posix
def test_outputs_never_meet(put: Callable[..., None], tmp_path: Path) -> None:
    """Names that differ in ending stay as they are; names that some disks can't tell apart get a mark;
    too long ones are cut."""
    for name in ("a.jpg", "a.heic", "IMG.JPG", "img.jpg", "é" * 110 + ".jpg"):
        put(name)
    found = plan(tmp_path)
    out = {p.name: p.out_name for p in found.photos}
    assert out["a.jpg"] == "a.jpg"
    assert out["a.heic"] == "a.heic"
    assert out["IMG.JPG"].startswith("IMG.JPG~")
    assert out["img.jpg"].startswith("img.jpg~")
    assert len({o.casefold() for o in out.values()}) == len(out)
    assert all(len(f"{o}.overlay.jpg".encode()) <= 255 for o in out.values())


@pytest.mark.parametrize("name", ["../../a.jpg", "a/../../b.jpg", "/etc/a.jpg", "a//b.jpg", "./a.jpg"])
def test_no_key_of_a_store_leads_out_of_the_results(name: str, tmp_path: Path) -> None:
    """A file system has no such names; an object store's keys are any text."""
    from anodewane.batch.place import Entry

    class Store(LocalFolder):
        def entries(self, left_out: object = None) -> list[Entry]:  # type: ignore[override]
            return [Entry(name, 1, None, "1")]

    found = make_plan(Store(tmp_path), Ledger.read(LocalFolder(tmp_path / "out")))
    if "." in {part[:1] for part in name.split("/")}:
        assert left_out(found) == {name: "dot_file"}
    else:
        assert not {"", ".", ".."} & set(found.photos[0].out_name.split("/"))


def test_duplicates_are_told_and_judged_once(put: Callable[..., None], tmp_path: Path) -> None:
    put("A/keel/1.jpg", "same")
    put("B/rudder/2.jpg", "same")
    put("C/keel/3.jpg", "else")
    found = plan(tmp_path)
    assert [(p.name, p.duplicate_of) for p in found.photos] == [
        ("A/keel/1.jpg", None),
        ("B/rudder/2.jpg", "A/keel/1.jpg"),
        ("C/keel/3.jpg", None),
    ]
    assert found.notes == ("B/rudder/2.jpg is the same photo as A/keel/1.jpg, but its place is another.",)


def test_a_copy_with_another_weight_is_judged_too(put: Callable[..., None], tmp_path: Path) -> None:
    put("A/keel/1.jpg", "same")
    put("A/keel/2.jpg", "same")
    put("photos.csv", "file,weighed_g\nA/keel/2.jpg,812.5\n")
    found = plan(tmp_path)
    assert [p.duplicate_of for p in found.photos] == [None, None]
    assert found.photos[1].weighed_g == 812.5


def test_only_what_could_be_equal_is_read(put: Callable[..., None], tmp_path: Path) -> None:
    """A photo of a size of its own has no duplicate, so its content needn't be read to plan."""
    put("1.jpg", "x")
    put("2.jpg", "xx")
    put("3.jpg", "yy")
    assert [p.sha256 is None for p in plan(tmp_path).photos] == [True, False, False]


# --- one shot in two files -----------------------------------------------------------------------


def shot(kind: str, moment: str | None) -> bytes:
    from PIL import Image

    image = Image.new("RGB", (64, 64), "grey")
    exif = Image.Exif()
    if moment:
        exif.get_ifd(0x8769)[0x9003] = moment
    buffer = io.BytesIO()
    if kind == "HEIF":
        import pillow_heif

        pillow_heif.from_pillow(image).save(buffer, exif=exif.tobytes())
    else:
        image.save(buffer, kind, exif=exif.tobytes())
    return buffer.getvalue()


@pytest.mark.parametrize(
    ("heic", "jpeg", "judged"),
    [
        ("2026:10:14 10:11:12", "2026:10:14 10:11:12", ["A/keel/IMG_1.HEIC"]),
        ("2026:10:14 10:11:12", "2026:10:14 10:11:13", ["A/keel/IMG_1.HEIC", "A/keel/IMG_1.jpg"]),
        ("2026:10:14 10:11:12", None, ["A/keel/IMG_1.HEIC", "A/keel/IMG_1.jpg"]),
        (None, None, ["A/keel/IMG_1.HEIC", "A/keel/IMG_1.jpg"]),
    ],
    ids=["same moment", "another moment", "one doesn't tell", "neither tells"],
)
def test_heic_and_jpeg_of_one_shot(
    heic: str | None, jpeg: str | None, judged: list[str], put: Callable[..., None], tmp_path: Path
) -> None:
    put("A/keel/IMG_1.HEIC", shot("HEIF", heic))
    put("A/keel/IMG_1.jpg", shot("JPEG", jpeg))
    found = plan(tmp_path)
    assert names(found) == judged
    if len(judged) == 1:
        assert [(s.shown, s.reason, s.detail) for s in found.skipped] == [
            ("A/keel/IMG_1.jpg", "same_shot", "A/keel/IMG_1.HEIC")
        ]


def test_the_file_that_the_list_names_is_judged(put: Callable[..., None], tmp_path: Path) -> None:
    put("IMG_1.HEIC", shot("HEIF", "2026:10:14 10:11:12"))
    put("IMG_1.jpg", shot("JPEG", "2026:10:14 10:11:12"))
    put("photos.csv", "file,boat,position\nIMG_1.jpg,A,keel\n")
    assert names(plan(tmp_path)) == ["IMG_1.jpg"]


# --- photos.csv ----------------------------------------------------------------------------------


def placed(found: Plan) -> dict[str, tuple[str | None, str | None, str | None]]:
    return {p.name: (settle(p.placings).boat, settle(p.placings).position, p.template) for p in found.photos}


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_rows_for_photos_and_folders(delimiter: str, put: Callable[..., None], tmp_path: Path) -> None:
    rows = [
        "File,boat,position,template",
        "A,Aster,,rod-90x32",
        "A/keel/1.jpg,Sea Aster,fin,",
        "a\\RUDDER\\2.JPG,,,bar-230x40x34",
        ".,,,rod-180x25",
    ]
    put("photos.csv", "\ufeff" + "\r\n".join(rows).replace(",", delimiter))
    for name in ("A/keel/1.jpg", "A/rudder/2.jpg", "A/rudder/3.jpg", "B/keel/4.jpg"):
        put(name)
    assert placed(plan(tmp_path)) == {
        "A/keel/1.jpg": ("Sea Aster", "fin", "rod-90x32"),
        "A/rudder/2.jpg": ("Aster", "rudder", "bar-230x40x34"),
        "A/rudder/3.jpg": ("Aster", "rudder", "rod-90x32"),
        "B/keel/4.jpg": ("B", "keel", "rod-180x25"),
    }


def test_an_inner_list_is_believed_before_an_outer_one(put: Callable[..., None], tmp_path: Path) -> None:
    put("A/keel/1.jpg")
    put("photos.csv", "file,boat,position\nA/keel/1.jpg,outer,outer\n")
    put("A/photos.csv", "file,boat\nkeel/1.jpg,inner\n")
    found = plan(tmp_path)
    assert placed(found)["A/keel/1.jpg"][:2] == ("inner", "outer")
    assert any("contradicts 'inner' of A/photos.csv, line 2" in n for n in found.notes)


def test_what_is_odd_in_a_list_is_told(put: Callable[..., None], tmp_path: Path) -> None:
    put("A/keel/1.jpg")
    put("photos.csv", "file,boat,colour\nA/keel/1.jpg,B,red\nnope.jpg,C,\n,D,\n")
    assert plan(tmp_path).notes == (
        "photos.csv: columns that aren't used: colour.",
        "photos.csv, line 4: no file is named, so the line isn't used.",
        "photos.csv, line 3: there is no photo or folder 'nope.jpg'.",
        "A/keel/1.jpg: boat 'B' by photos.csv, 'A' by its folder; the first is taken.",
    )


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"name,boat\nx,y\n", "no column 'file'"),
        (b"", "no column 'file'"),
        ("file,boat\nx,é\n".encode("latin-1"), "isn't text in UTF-8"),
        (b'file,boat\n"x,y\n', "can't be read as CSV"),
        (b"file,weighed_g\na.jpg,heavy\n", "'heavy' in the column weighed_g"),
        (b"file,weighed_g\na.jpg,-3\n", "'-3' in the column weighed_g"),
    ],
)
def test_a_list_that_is_wrong_is_refused(
    content: bytes, words: str, put: Callable[..., None], tmp_path: Path
) -> None:
    put("a.jpg")
    put("photos.csv", content)
    with pytest.raises(UsageError, match=words):
        plan(tmp_path)


def test_a_decimal_comma_is_read(put: Callable[..., None], tmp_path: Path) -> None:
    put("a.jpg")
    put("photos.csv", "file;weighed_g;thickness_mm\na.jpg;812,5;12.25\n")
    (photo,) = plan(tmp_path).photos
    assert (photo.weighed_g, photo.thickness_mm) == (812.5, 12.25)


def test_a_folder_that_isn_t_there(tmp_path: Path) -> None:
    with pytest.raises(InputUnreadable, match="can't be read"):
        plan(tmp_path)
    (tmp_path / "photos").write_bytes(b"")
    with pytest.raises(InputUnreadable, match="isn't a folder"):
        plan(tmp_path)


def test_shown_names_are_always_printable_utf_8() -> None:
    assert shown_name("a\udce9b\x7f\n⚓") == "a%E9b%7F%0A⚓"
