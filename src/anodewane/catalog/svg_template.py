"""A template from an SVG drawing at true size. svgelements reads it, after the document has been held
to what can be trusted.

Only documents that state a width and a height in mm, cm or in, and a viewBox, have a size: in others a
unit is a guess (svgelements with ``ppi=25.4`` then errs by 14 or 100 times). The XML parser behind it
expands entities, so a DOCTYPE is refused before it is reached; so are `use` elements, which may refer
to themselves.
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from typing import Any, Unpack

import numpy as np

from anodewane.catalog.drawing import DrawingOptions, rounded, template_from_drawn_rings
from anodewane.catalog.paths import rings_from_segments
from anodewane.errors import InputUnreadable, UsageError
from anodewane.records import Template
from anodewane.units import Floats

MAX_SVG_BYTES = 20_000_000
CLOSED_GAP_MM = 0.01
_LENGTH = re.compile(r"\s*([0-9.eE+-]+)\s*(mm|cm|in)\s*")
_SVG = "{http://www.w3.org/2000/svg}"


def template_from_svg(
    data: bytes, name: str, thickness_mm: float, **options: Unpack[DrawingOptions]
) -> Template:
    """Make a template from an SVG drawing of the new part seen from above: the largest closed line is
    its outline, those inside are holes.

    Parameters
    ----------
    data : bytes
        The file. Its y runs down as SVG's does; the template is what the eye sees.
    name, thickness_mm, options
        What the drawing doesn't say; see `anodewane.catalog.drawing.template_from_drawn_rings`.

    Raises
    ------
    InputUnreadable
        Not an SVG document.
    UsageError
        No true size, a DOCTYPE, clones, open lines, or a part that can't be.
    """
    root = _document(data)
    _check_size(root)
    rings = _rings(data)
    return template_from_drawn_rings([rounded(r * [1, -1]) for r in rings], name, thickness_mm, **options)


def _document(data: bytes) -> Any:
    from xml.etree.ElementTree import ParseError

    import defusedxml
    from defusedxml.ElementTree import fromstring

    if len(data) > MAX_SVG_BYTES:
        raise InputUnreadable(
            f"The drawing is larger than {MAX_SVG_BYTES // 1_000_000} MB.",
            "Save the outline of the part alone.",
        )
    try:
        root = fromstring(data, forbid_dtd=True, forbid_entities=True, forbid_external=True)
    except defusedxml.DefusedXmlException as e:
        raise UsageError(
            "The drawing has a DOCTYPE, which could pull in other files.",
            "Save it as plain SVG, or delete its DOCTYPE line.",
        ) from e
    except (ParseError, ValueError, LookupError, RecursionError) as e:
        raise InputUnreadable(
            "The file isn't an SVG drawing: it isn't well-formed XML.", "Export the drawing again as SVG."
        ) from e
    if root.tag not in ("svg", f"{_SVG}svg"):
        raise InputUnreadable("The file is XML but no SVG drawing.", "Export the drawing as SVG.")
    for element in root.iter():
        if str(element.tag).rpartition("}")[2] == "use":
            raise UsageError(
                "The drawing has clones ('use' elements).",
                "Unlink the clones in the drawing program and save again.",
            )
    return root


def _check_size(root: Any) -> None:
    remedy = (
        "Set the document's width, height and units to mm in the drawing program, with a viewBox, and save "
        "again."
    )
    sides = []
    for side in ("width", "height"):
        match = _LENGTH.fullmatch(root.get(side) or "")
        if not match:
            raise UsageError(f"The drawing has no true size: its {side} is '{root.get(side) or ''}'.", remedy)
        sides.append(_float(match[1]) * {"mm": 1.0, "cm": 10.0, "in": 25.4}[match[2]])
    view = [_float(v) for v in re.split(r"[\s,]+", (root.get("viewBox") or "").strip()) if v]
    if len(view) != 4 or not np.isfinite([*view, *sides]).all() or min(*view[2:], *sides) <= 0:
        raise UsageError("The drawing has no usable viewBox.", remedy)
    if abs(sides[0] / view[2] / (sides[1] / view[3]) - 1) > 1e-3:
        raise UsageError(
            "The drawing is stretched: its width, height and viewBox give different scales in x and y.",
            remedy,
        )


def _float(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return float("nan")


def _rings(data: bytes) -> Sequence[Floats]:
    import svgelements

    try:
        drawing = svgelements.SVG.parse(io.BytesIO(data), ppi=25.4, reify=True)
        shapes = [e for e in drawing.elements() if isinstance(e, svgelements.Shape) and _is_drawn(e)]
        rings: list[Floats] = []
        for shape in shapes:
            path = abs(svgelements.Path(shape))
            if len(path):
                rings += rings_from_segments(path, "the drawing", CLOSED_GAP_MM)
    except UsageError:
        raise
    except Exception as e:  # whatever comes up inside the library: AttributeError, ValueError, RecursionError
        raise InputUnreadable(
            "The drawing's shapes can't be read.",
            "Turn its objects into paths in the drawing program and save it as plain SVG.",
        ) from e
    if not rings:
        raise UsageError(
            "The drawing has no closed line.",
            "Draw the part's outline and holes as closed lines; turn text and pictures into paths.",
        )
    return rings


def _is_drawn(element: Any) -> bool:
    values = element.values
    return values.get("display") != "none" and values.get("visibility") not in ("hidden", "collapse")
