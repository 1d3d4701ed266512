"""The catalogues are complete and say the same; text from outside is made harmless."""

from __future__ import annotations

import pytest

from anodewane.errors import UsageError
from anodewane.refusals import FINDINGS, REFUSALS
from anodewane.report.texts import LANGUAGES, clean, load_catalogue, placeholders, same_name, shortened

OTHERS = [c for c in LANGUAGES if c != "en"]
CODES = {**REFUSALS, **FINDINGS}


@pytest.mark.parametrize("code", OTHERS)
def test_no_key_is_missing_and_none_is_left_over(code: str) -> None:
    english, other = load_catalogue("en").texts, load_catalogue(code).texts
    assert {k for k in other if not k.startswith(("reason.", "remedy."))} == set(english)


@pytest.mark.parametrize("code", OTHERS)
def test_placeholders_agree(code: str) -> None:
    english, other = load_catalogue("en").texts, load_catalogue(code).texts
    unlike = {k for k in english if placeholders(english[k]) != placeholders(other[k])}
    assert not unlike


@pytest.mark.parametrize("code", OTHERS)
def test_every_refusal_and_finding_is_translated(code: str) -> None:
    texts = load_catalogue(code).texts
    assert {k.removeprefix("reason.") for k in texts if k.startswith("reason.")} == set(CODES)
    assert {k.removeprefix("remedy.") for k in texts if k.startswith("remedy.")} == {
        c for c, (_, remedy) in CODES.items() if remedy
    }
    assert not any(placeholders(t) for k, t in texts.items() if k.startswith(("reason.", "remedy.")))


@pytest.mark.parametrize("code", LANGUAGES)
def test_no_sentence_is_empty(code: str) -> None:
    assert all(t.strip() == t and t for t in load_catalogue(code).texts.values())


def test_every_budget_cause_has_a_name() -> None:
    """The causes that `stages.wear` can give; one that has no name would be printed as its key."""
    from pathlib import Path

    from anodewane.stages import wear
    from anodewane.views import mass
    from anodewane.wear import left, weighed

    source = "".join(Path(m.__file__ or "").read_text(encoding="utf-8") for m in (wear, left, weighed, mass))
    for cause in (
        "print_scale",
        "camera",
        "edge",
        "limb",
        "thickness",
        "casting",
        "round_section",
        "scales",
        "fit",
        "unseen",
    ):
        assert f'"{cause}"' in source
        assert load_catalogue("en").has(f"cause.{cause}")


def test_an_unknown_language_is_refused() -> None:
    with pytest.raises(UsageError, match="'xx'"):
        load_catalogue("xx")


def test_a_translation_keeps_the_record_s_own_words() -> None:
    said, remedy, own = load_catalogue("de").reason("watch", "Wear has begun (40 %).", "Look again.")
    assert said == "Der Abtrag hat begonnen."
    assert remedy is not None
    assert own == "Wear has begun (40 %). Look again."
    assert load_catalogue("en").reason("watch", "Wear has begun (40 %).", None) == (
        "Wear has begun (40 %).",
        None,
        None,
    )


def test_numbers_are_written_as_the_language_does() -> None:
    assert load_catalogue("en").number(-1.25, 1) == "\N{MINUS SIGN}1.3"
    assert load_catalogue("de").number(10.663, 1) == "10,7"
    assert load_catalogue("en").number(-0.04, 1) == "0.0"


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("rudder\u202egnp.exe", "rudder[U+202E]gnp.exe"),
        ("a\x00b\x1bc", "a[U+0000]b[U+001B]c"),
        ("a\nb\tc", "a b c"),
        ("zero\u200bwidth", "zero[U+200B]width"),
        ("e\u0301", "é"),
        ("\ud800", "[U+D800]"),
        ("שם", "\u2068שם\u2069"),
        ("اسم.jpg", "\u2068اسم.jpg\u2069"),
        ("Ñandú ⚓ фото", "Ñandú ⚓ фото"),
        ("<script>", "<script>"),
    ],
)
def test_what_cannot_be_seen_is_made_visible_and_nothing_is_dropped(text: str, shown: str) -> None:
    """Direction overrides are the trick of Unicode Technical Report 36 (2.4); isolates are those of
    Standard Annex 9."""
    assert clean(text) == shown


def test_lines_of_a_note_are_kept() -> None:
    assert clean("a\r\nb\nc", lines=True) == "a\nb\nc"


def test_a_shortened_isolate_is_closed() -> None:
    cut = shortened(clean("ש" * 100), 20)
    assert cut.count("\u2068") == cut.count("\u2069") == 1
    assert len(cut) <= 21


def test_names_are_compared_as_people_do() -> None:
    assert same_name(" Rudder, Port ", "rudder, port")
    assert same_name("e\u0301", "é")
    assert not same_name("rudder", "keel")
