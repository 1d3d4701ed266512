"""Templates from DXF drawings that ezdxf writes: units, bulges, circles, ellipses, splines, loose
lines, blocks and layers."""

from __future__ import annotations

import io
import math
import sys

import numpy as np
import pytest

from anodewane.catalog.dxf_template import template_from_dxf
from anodewane.errors import InputUnreadable, UsageError
from anodewane.geometry.rings import ring_area, rings_area

MM, INCH, CM, METRE = 4, 1, 5, 6  # $INSUNITS, DXF reference


def drawing(draw, units=MM, version="R2010"):
    import ezdxf

    document = ezdxf.new(version)
    document.units = units
    draw(document.modelspace(), document)
    text = io.StringIO()
    document.write(text)
    return text.getvalue().encode()


def outline(space, scale=1.0):
    space.add_lwpolyline(
        [(x * scale, y * scale) for x, y in ((0, 0), (120, 0), (120, 60), (0, 60))], close=True
    )


def plate(space, document=None, scale=1.0):
    outline(space, scale)
    space.add_circle((30 * scale, 30 * scale), 5 * scale)


@pytest.mark.parametrize(("units", "mm"), [(MM, 1.0), (CM, 10.0), (INCH, 25.4), (METRE, 1000.0)])
def test_the_header_s_units_are_honoured(units, mm):
    template = template_from_dxf(drawing(lambda s, d: plate(s, d, 1 / mm), units), "p", 20.0)
    assert np.ptp(template.rings[0], axis=0) == pytest.approx([120, 60], abs=1e-5)
    assert template.fixing_holes[0].diameter_mm == pytest.approx(10, abs=0.003)
    assert rings_area(template.rings) == pytest.approx(7200 - math.pi * 25, rel=1e-5)


def test_units_may_be_given_and_must_be_where_there_are_none():
    nameless = drawing(plate, units=0)
    with pytest.raises(UsageError, match="doesn't say what its unit is"):
        template_from_dxf(nameless, "p", 20.0)
    assert np.ptp(template_from_dxf(nameless, "p", 20.0, units="mm").rings[0], axis=0) == pytest.approx(
        [120, 60]
    )
    assert np.ptp(template_from_dxf(nameless, "p", 20.0, units="cm").rings[0], axis=0) == pytest.approx(
        [1200, 600]
    )
    with pytest.raises(UsageError, match="'ell' isn't a unit"):
        template_from_dxf(nameless, "p", 20.0, units="ell")


def bulged(space, _document):
    # a stadium: bulge 1 is half a turn
    space.add_lwpolyline([(0, 0, 0), (100, 0, 1), (100, 40, 0), (0, 40, 1)], format="xyb", close=True)


def chained(space, _document):
    space.add_line((0, 0), (100, 0))
    space.add_arc((100, 20), 20, 270, 90)
    space.add_line((0, 40), (100, 40.005))  # ends 5 micrometres apart meet
    space.add_arc((0, 20), 20, 90, 270)


def splined(space, _document):
    """The stadium with its round ends as rational splines, exact conics."""
    from ezdxf.entities import Spline
    from ezdxf.math import ConstructionArc, rational_bspline_from_arc

    space.add_line((0, 0), (100, 0))
    space.add_line((100, 40), (0, 40))
    for arc in (ConstructionArc((100, 20), 20, 270, 90), ConstructionArc((0, 20), 20, 90, 270)):
        curve = rational_bspline_from_arc(
            center=arc.center, radius=arc.radius, start_angle=arc.start_angle, end_angle=arc.end_angle
        )
        spline = Spline.new(dxfattribs={"layer": "0"}, doc=space.doc)
        spline.apply_construction_tool(curve)
        space.add_entity(spline)


def blocked(space, document):
    """In a block of its own, inserted turned and moved."""
    bulged(document.blocks.new("PART"), document)
    space.add_blockref("PART", (500, -300), dxfattribs={"rotation": 30})


@pytest.mark.parametrize("draw", [bulged, chained, splined, blocked])
@pytest.mark.parametrize("version", ["R2000", "R2018"])
def test_one_stadium_in_four_ways(draw, version):
    template = template_from_dxf(drawing(draw, version=version), "p", 20.0)
    assert ring_area(template.rings[0]) == pytest.approx(100 * 40 + math.pi * 400, rel=3e-4)
    if draw is not blocked:
        assert np.ptp(template.rings[0], axis=0) == pytest.approx([140, 40], abs=0.02)


def test_an_ellipse_is_a_hole_by_its_narrow_way():
    def draw(space, _document):
        outline(space)
        space.add_ellipse((60, 30), (12, 0), 0.5)

    template = template_from_dxf(drawing(draw), "p", 20.0)
    assert abs(ring_area(template.rings[1])) == pytest.approx(math.pi * 12 * 6, rel=3e-3)
    assert template.fixing_holes[0].diameter_mm == pytest.approx(12, abs=0.05)


def test_words_points_dimensions_and_layers_that_are_off_are_passed_over():
    def draw(space, document):
        plate(space)
        space.add_text("120 x 60")
        space.add_point((3, 3))
        space.add_linear_dim(base=(0, -10), p1=(0, 0), p2=(120, 0)).render()
        document.layers.add("CENTRE").off()
        space.add_line((0, 30), (200, 30), dxfattribs={"layer": "CENTRE"})

    template = template_from_dxf(drawing(draw), "p", 20.0)
    assert rings_area(template.rings) == pytest.approx(7200 - math.pi * 25, rel=1e-4)


def with_line(space, _document):
    plate(space)
    space.add_line((0, 100), (50, 130))


def two_parts(space, _document):
    plate(space)
    space.add_circle((300, 0), 20)


def many_of_nothing(space, document):
    """Blocks of blocks of nothing: a hundred million insertions in a small file."""
    document.blocks.new("B0")
    for level in range(1, 5):
        block = document.blocks.new(f"B{level}")
        for _ in range(100):
            block.add_blockref(f"B{level - 1}", (0, 0))
    space.add_blockref("B4", (0, 0))


def one_grid_of_nothing(space, document):
    document.blocks.new("B0")
    space.add_blockref("B0", (0, 0), dxfattribs={"row_count": 30_000, "column_count": 30_000})


@pytest.mark.parametrize(
    ("data", "error", "words"),
    [
        (b"", InputUnreadable, "isn't a whole DXF drawing"),
        (b"hello\n" * 100, InputUnreadable, "isn't a whole DXF drawing"),
        (b"hello\n" * 100 + b"EOF", InputUnreadable, "isn't a DXF drawing"),
        (drawing(plate)[:-2000], InputUnreadable, "end is missing"),
        (drawing(plate).replace(b"120.0", b"12o.0"), InputUnreadable, "numbers can't be read"),
        (drawing(plate).replace(b"\nLWPOLYLINE\n", b"\nLWPILYLINE\n"), InputUnreadable, "is damaged"),
        (drawing(lambda s, d: None), UsageError, "no closed line"),
        (drawing(with_line), UsageError, "isn't closed.*0.00, 100.00 to 50.00, 130.00"),
        (drawing(two_parts), UsageError, "outside the outline"),
        (drawing(many_of_nothing), UsageError, "more than 20000 things"),
        (drawing(one_grid_of_nothing), UsageError, "more than 20000 things"),
        (drawing(plate, METRE), UsageError, "no such part"),
    ],
)
def test_what_is_no_part_is_refused(data, error, words):
    with pytest.raises(error, match=words) as caught:
        template_from_dxf(data, "p", 20.0)
    assert caught.value.message.endswith(".")
    assert caught.value.remedy.endswith(".")


def test_without_ezdxf_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "ezdxf", None)
    with pytest.raises(UsageError, match="ezdxf") as refused:
        template_from_dxf(b"0\nEOF\n", "part", 20.0)
    assert 'pip install ".[all]"' in refused.value.remedy
