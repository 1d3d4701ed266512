"""The label's text: a fixed example, round trips of any names, and everything that must not pass for a
label. CRC-32 is held to the standard's own check value."""

from __future__ import annotations

import unicodedata
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from anodewane.catalog.sheet_label import LABEL_MAX_BYTES, code_size, encode, label_of, labels_from_csv, parse
from anodewane.errors import InputUnreadable, UsageError
from anodewane.record import Label

LETTERS = "abcdefghijklmnopqrstuvwxyz ABCXYZ0123456789-.,'/&+#()ÅÄÖåäöøæéßñçŁłŠšŽžțΑΒΓαβγδЖЯжщий№’"
NAMES = st.text(alphabet=LETTERS, min_size=1, max_size=24).filter(lambda s: s.strip() != "")


def by_hand(boat: str, position: str) -> bytes:
    """The payload built from the format's description alone. Crockford's base 32: digits, then letters
    without I, L, O and U."""
    digits = [c for c in "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ" if c not in "ILOU"]
    body = f"AW1\n{boat}\n{position}\n"
    bits = f"{zlib.crc32(body.encode()):032b}"[:25]
    return (body + "".join(digits[int(bits[i : i + 5], 2)] for i in range(0, 25, 5))).encode()


def test_the_payload_is_what_the_format_says() -> None:
    assert (
        zlib.crc32(b"123456789") == 0xCBF43926
    )  # the check value of CRC-32/ISO-HDLC (ITU-T V.42 polynomial)
    assert encode(label_of("Sea Aster", "port quarter")) == by_hand("Sea Aster", "port quarter")
    assert encode(label_of("Sea Aster", "port quarter")).startswith(b"AW1\nSea Aster\nport quarter\n")


@given(NAMES, NAMES)
def test_what_is_encoded_is_read_back_exactly_or_refused(boat: str, position: str) -> None:
    try:
        label = label_of(boat, position)
    except UsageError as e:
        assert "bytes" in e.message
        return
    payload = encode(label)
    assert parse(payload) == label
    assert len(payload) <= 62  # version 4-M (ISO/IEC 18004:2015, table 7)
    assert label.boat == unicodedata.normalize("NFC", " ".join(boat.split()))


@given(NAMES, NAMES, st.data())
def test_a_changed_byte_is_no_label(boat: str, position: str, data: st.DataObject) -> None:
    payload = bytearray(by_hand(" ".join(boat.split())[:20], " ".join(position.split())[:20]))
    where = data.draw(st.integers(0, len(payload) - 1))
    payload[where] ^= data.draw(st.integers(1, 255))
    got = parse(bytes(payload))
    assert got is None


@given(st.binary(max_size=80))
def test_other_bytes_are_no_label_and_no_fault(payload: bytes) -> None:
    assert parse(payload) is None


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"https://example.org/AW1",
        b"AW1\n\n\n",
        b"AW1\nTern\nkeel\n",
        b"AW1\nTern\nkeel\n00000",
        by_hand("Tern", "keel").replace(b"AW1", b"AW2"),  # of a later version
        by_hand("Tern", "keel") + b"\n",
        by_hand("Tern", "keel").lower(),
        by_hand("", "keel"),
        by_hand("Tern", " keel"),  # as we would never write it
        by_hand("Tern\x1b[31m", "keel"),  # with a terminal's control sequence, its checksum right
        by_hand("Tern\u202e", "keel"),  # turns what follows round on the screen
        by_hand("Tern\x00", "keel"),
        by_hand("T" * 60, "keel"),
        by_hand("A\u030a", "keel"),  # not composed
        by_hand("Tern", "keel\nextra"),
        "AW1\nTern\nkeel\n".encode("utf-16"),
    ],
)
def test_what_is_not_exactly_ours_is_no_label(payload: bytes) -> None:
    assert parse(payload) is None


@pytest.mark.parametrize(
    ("boat", "position", "word"),
    [
        ("", "keel", "no boat"),
        ("Tern", " \t\n", "no position"),
        ("x" * 40, "y" * 12, "52 bytes; 51 fit"),
        ("я" * 20, "ж" * 6, "52 bytes; 51 fit"),
        ("錨", "keel", "character '\\u9328'"),
        ("Tern", "⚓", "sheet can't print"),
        ("Te\x07rn", "keel", "character '\\x07'"),
        ("Te\u200brn", "keel", "character"),
        ("Te\u00adrn", "keel", "character '\\xad'"),
    ],
)
def test_a_name_that_does_not_fit_is_refused_with_a_remedy_never_cut(
    boat: str, position: str, word: str
) -> None:
    with pytest.raises(UsageError) as caught:
        label_of(boat, position)
    assert word in caught.value.message
    assert caught.value.remedy


def test_names_are_tidied_alike() -> None:
    assert label_of(" Sea \n Aster ", "A\u030alborg") == Label("Sea Aster", "Ålborg")


def test_short_labels_get_large_modules() -> None:
    sizes = [
        code_size(encode(label_of("x" * n, "y"))) for n in (1, 2, 3, 14, 15, 30, 31, LABEL_MAX_BYTES - 1)
    ]
    assert sizes == [(25, "H"), (25, "H"), (25, "Q"), (25, "M"), (29, "Q"), (29, "M"), (33, "Q"), (33, "M")]


def test_the_font_has_every_character_that_is_let_through() -> None:
    """Against the font's own table, where a copy of DejaVu Sans Mono (Debian: fonts-dejavu-core) is to
    be found; the wheel that sets the sheet has the same font."""
    from pathlib import Path

    from fontTools.ttLib import TTFont

    fonts = [
        Path(f"/usr/share/fonts/truetype/dejavu/{name}.ttf")
        for name in ("DejaVuSansMono", "DejaVuSansMono-Bold")
    ]
    if not all(f.exists() for f in fonts):
        pytest.skip("fonts-dejavu-core isn't installed")
    have = set.intersection(*(set(TTFont(f).getBestCmap()) for f in fonts))

    def let_through(c: str) -> bool:
        try:
            return label_of(f"a{c}b", "k").boat == f"a{c}b"
        except UsageError:
            return False

    through = {i for i in range(0x20, 0x3000) if let_through(chr(i))}
    assert through - have == set()
    assert len(through) > 450


# --- a list --------------------------------------------------------------------------------------


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_a_list_has_each_label_once_in_order_whatever_else_it_holds(delimiter: str) -> None:
    rows = [
        ["Position", "photo", " BOAT "],
        ["keel", "a.jpg", "Tern"],
        ["skeg", "b.jpg", "Tern"],
        ["keel", "c.jpg", "Tern"],
        ["", "", ""],
        ['"rudder"', "d.jpg", "Skua"],
    ]
    text = "\r\n".join(delimiter.join(r) for r in rows)
    assert labels_from_csv(text) == (Label("Tern", "keel"), Label("Tern", "skeg"), Label("Skua", "rudder"))


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "no columns"),
        ("name,place\nTern,keel\n", "no columns"),
        ("boat,position\n", "no rows"),
        ("boat,position\nTern,keel\nTern\n", "Line 3"),
        ("boat,position\nTern,錨\n", "Line 2"),
        ("boat,position\n" + "".join(f"b{i},p\n" for i in range(2001)), "2001 labels"),
    ],
)
def test_a_list_that_cannot_be_printed_is_refused_with_its_line(text: str, word: str) -> None:
    with pytest.raises(InputUnreadable) as caught:
        labels_from_csv(text)
    assert word in caught.value.message
