"""Templates from SVG drawings: true sizes, traps of units and transforms, and what is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest

from anodewane.catalog.svg_template import template_from_svg
from anodewane.errors import InputUnreadable, UsageError
from anodewane.geometry.rings import ring_area, rings_area


def document(body, size='width="100mm" height="50mm" viewBox="0 0 100 50"', before=""):
    return f'{before}<svg xmlns="http://www.w3.org/2000/svg" {size}>{body}</svg>'.encode()


PLATE = '<rect x="5" y="5" width="90" height="40" rx="6"/><circle cx="25" cy="25" r="5.5"/>'
# Sampling arcs by chords of 0.02 mm takes at most 2/3 of that along them: less than 1e-4 of these areas.
AREA = 90 * 40 - (4 - math.pi) * 36 - math.pi * 5.5**2


@pytest.mark.parametrize(
    ("size", "body"),
    [
        ('width="100mm" height="50mm" viewBox="0 0 100 50"', PLATE),
        ('width="10cm" height="5cm" viewBox="0 0 100 50"', PLATE),
        ('width="4in" height="2in" viewBox="0 0 101.6 50.8"', PLATE),
        # the same at 300 dots an inch, and moved and scaled by nested groups
        (
            'width="100mm" height="50mm" viewBox="-20 10 1181.1024 590.5512"',
            '<g transform="translate(-20 10)"><g transform="scale(11.811024)">' + PLATE + "</g></g>",
        ),
        (
            'width="100mm" height="50mm" viewBox="0 0 100 50"',
            f'<g transform="rotate(90 50 25) scale(1)">{PLATE}</g>',
        ),
    ],
)
def test_a_drawing_is_read_at_true_size(size, body):
    template = template_from_svg(document(body, size), "plate", 20.0)
    assert rings_area(template.rings) == pytest.approx(AREA, rel=1e-4)
    assert sorted(np.ptp(template.rings[0], axis=0)) == pytest.approx([40, 90], rel=1e-5)
    assert template.fixing_holes[0].diameter_mm == pytest.approx(11, abs=0.003)
    np.testing.assert_allclose(template.rings[0].min(axis=0) + template.rings[0].max(axis=0), 0, atol=1e-5)


def test_the_part_is_what_the_eye_sees():
    """SVG's y runs down, the part's up: a hole drawn at the upper left is at the upper left of the part."""
    template = template_from_svg(
        document('<path d="M0 0H100V50H0Z"/><circle cx="20" cy="10" r="4"/>'), "plate", 20.0
    )
    x, y = template.rings[1].mean(axis=0)
    assert (x, y) == pytest.approx((-30, 15), abs=0.01)
    assert ring_area(template.rings[0]) > 0 > ring_area(template.rings[1])


def test_one_compound_path_and_separate_shapes_are_the_same_part():
    apart = template_from_svg(document('<path d="M0 0H100V50H0Z"/><path d="M10 10h20v20h-20z"/>'), "p", 20.0)
    compound = template_from_svg(document('<path d="M0 0H100V50H0ZM10 10h20v20h-20z"/>'), "p", 20.0)
    for a, b in zip(apart.rings, compound.rings, strict=True):
        np.testing.assert_allclose(a, b, atol=1e-6)


def test_a_fill_and_its_stroke_count_once_and_what_is_hidden_not_at_all():
    hidden = (
        '<path style="display:none" d="M0 0L9 9"/><circle visibility="hidden" cx="60" cy="25" r="3"/>'
        '<text x="3" y="3">20 mm</text>'
    )
    template = template_from_svg(document(PLATE + PLATE + hidden), "p", 20.0)
    assert rings_area(template.rings) == pytest.approx(AREA, rel=1e-4)


def test_what_the_drawing_does_not_say_is_passed_on():
    template = template_from_svg(
        document(PLATE),
        "p",
        18.0,
        mount="open",
        alloy="aluminium",
        washer_mm=24,
        core_depth_mm=9,
        fill_factor=0.9,
    )
    assert (
        template.mount,
        template.alloy,
        template.thickness_mm,
        template.core_depth_mm,
        template.fill_factor,
    ) == ("open", "aluminium", 18.0, 9.0, 0.9)
    assert template.fixing_holes[0].washer_mm == 24
    assert template_from_svg(document(PLATE), "p", 18.0, fixings="none").fixing_holes == ()


BOMB = '<!DOCTYPE svg [<!ENTITY a "x"><!ENTITY b "&a;&a;&a;">]>'


@pytest.mark.parametrize(
    ("data", "error", "words"),
    [
        (b"", InputUnreadable, "isn't well-formed XML"),
        (b"\xff\xd8\xff\xe0" + bytes(100), InputUnreadable, "isn't well-formed XML"),
        (document(PLATE)[:-20], InputUnreadable, "isn't well-formed XML"),
        (b"<html/>", InputUnreadable, "no SVG drawing"),
        (document(PLATE, before=BOMB), UsageError, "DOCTYPE"),
        (document(PLATE, before='<!DOCTYPE svg SYSTEM "file:///etc/passwd">'), UsageError, "DOCTYPE"),
        (document(PLATE + '<use href="#a" id="a"/>'), UsageError, "clones"),
        (document(PLATE, 'viewBox="0 0 100 50"'), UsageError, "width is ''"),
        (document(PLATE, 'width="100" height="50" viewBox="0 0 100 50"'), UsageError, "width is '100'"),
        (document(PLATE, 'width="100px" height="50px" viewBox="0 0 100 50"'), UsageError, "'100px'"),
        (document(PLATE, 'width="100%" height="50mm" viewBox="0 0 100 50"'), UsageError, "'100%'"),
        (document(PLATE, 'width="100mm" height="50mm"'), UsageError, "viewBox"),
        (document(PLATE, 'width="100mm" height="50mm" viewBox="0 0 0 50"'), UsageError, "viewBox"),
        (document(PLATE, 'width="100mm" height="60mm" viewBox="0 0 100 50"'), UsageError, "stretched"),
        (document(PLATE, 'width="1e999mm" height="50mm" viewBox="0 0 100 50"'), UsageError, "viewBox"),
        (document(""), UsageError, "no closed line"),
        (document(PLATE + '<line x1="0" y1="0" x2="9" y2="9"/>'), UsageError, "isn't closed"),
        (document('<path d="M0 0H100V50"/>'), UsageError, "isn't closed"),
        (document('<path d="M0 0L100 50L100 0L0 50Z"/>'), UsageError, "crosses or touches itself"),
        (
            document('<rect width="40" height="40"/><rect x="50" width="40" height="40"/>'),
            UsageError,
            "outside the outline",
        ),
        (document('<circle cx="5" cy="5" r="1"/>'), UsageError, "no such part"),
        (
            document(PLATE + "".join(f'<circle cx="{x / 9}" cy="9" r="0.01"/>' for x in range(300))),
            UsageError,
            "closed lines",
        ),
    ],
)
def test_what_is_no_part_at_true_size_is_refused(data, error, words):
    with pytest.raises(error, match=words) as caught:
        template_from_svg(data, "p", 20.0)
    assert caught.value.message.endswith(".")
    assert caught.value.remedy.endswith(".")


def test_the_tool_s_own_drawing_is_not_taken_for_a_part():
    """It has arrows and dimension lines: refused, not misread."""
    from anodewane.catalog.template_drawing import drawing_svg
    from anodewane.catalog.templates import builtin_templates

    with pytest.raises(UsageError):
        template_from_svg(drawing_svg(builtin_templates()["plate-150x75x20-2slots"]).encode(), "p", 20.0)
