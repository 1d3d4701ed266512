"""One table of verdicts: words, signs and colours."""

from __future__ import annotations

from pathlib import Path

import pytest
from PIL import Image, ImageDraw, ImageFont

import anodewane
from anodewane.report.texts import load_catalogue
from anodewane.show.marks import MARKS, css, grade_of
from made.hand_made import judged, refused

FONTS = Path(anodewane.__file__).parent / "fonts"


def light(colour: tuple[int, int, int]) -> float:
    """Relative luminance, WCAG 2.2."""
    r, g, b = (v / 255 / 12.92 if v <= 10 else ((v / 255 + 0.055) / 1.055) ** 2.4 for v in colour)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


@pytest.mark.parametrize("grade", MARKS)
def test_words_can_be_read_on_their_ground(grade: str) -> None:
    """WCAG 2.2, 1.4.3: 4.5 to 1."""
    a, b = sorted((light(MARKS[grade].ground), light(MARKS[grade].ink)))
    assert (b + 0.05) / (a + 0.05) >= 4.5


def test_verdicts_differ_by_word_and_by_sign() -> None:
    verdicts = [MARKS[g] for g in ("replace", "monitor", "ok", "cannot_judge", "measured")]
    assert len({m.word for m in verdicts}) == len({m.sign for m in verdicts}) == len(verdicts)
    assert len({m.word for m in MARKS.values()}) == len(MARKS)


@pytest.mark.parametrize("grade", MARKS)
def test_the_fonts_that_come_along_have_the_sign(grade: str) -> None:
    """It isn't drawn as the box that stands for a missing character."""
    font = ImageFont.truetype(next(FONTS.glob("DejaVuSans.ttf")), 40)

    def drawn(c: str) -> bytes:
        picture = Image.new("L", (60, 60))
        ImageDraw.Draw(picture).text((5, 5), c, font=font, fill=255)
        return picture.tobytes()

    assert drawn(MARKS[grade].sign) not in (drawn("\U0010ffff"), drawn(" "))


def test_the_report_says_the_same_words() -> None:
    say = load_catalogue("en")
    for grade in ("replace", "monitor", "ok", "cannot_judge"):
        assert say.say(f"verdict.{grade}") == MARKS[grade].word


def test_a_record_s_grade_is_its_verdict_or_why_there_is_none() -> None:
    assert grade_of(judged(verdict="ok")) == "ok"
    assert grade_of(refused()) == "cannot_judge"


def test_colours_as_style_rules_write_them() -> None:
    assert css((213, 94, 0)) == "#d55e00"
