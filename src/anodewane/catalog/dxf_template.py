"""A template from a DXF drawing at true size. ezdxf reads it: lines, arcs, circles, ellipses, splines,
polylines with bulges, and blocks."""

from __future__ import annotations

import io
import logging
from typing import Any, Unpack

import numpy as np

from anodewane.catalog.drawing import DrawingOptions, rounded, template_from_drawn_rings
from anodewane.catalog.outlines import CHORD_MM
from anodewane.errors import InputUnreadable, UsageError
from anodewane.records import Template
from anodewane.units import MM_PER_INCH, Floats

MAX_DXF_BYTES = 50_000_000
MAX_ENTITIES = 20_000
MAX_NESTING = 8
JOIN_GAP_MM = 0.01
"""Ends nearer than this meet."""

UNITS_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": MM_PER_INCH}
_OUTLINES = {"LINE", "ARC", "CIRCLE", "ELLIPSE", "SPLINE", "LWPOLYLINE", "POLYLINE"}


def template_from_dxf(
    data: bytes,
    name: str,
    thickness_mm: float,
    *,
    units: str | None = None,
    **options: Unpack[DrawingOptions],
) -> Template:
    """Make a template from the model space of a DXF drawing, seen from above: the largest closed line
    is the outline, those inside are holes.

    Words, dimensions, hatches and points are passed over, as are layers that are off or frozen. Lines
    and arcs that meet end to end are joined.

    Parameters
    ----------
    units : {"mm", "cm", "m", "in"}, optional
        Overrides the drawing's own; needed where its header has none.
    name, thickness_mm, options
        What the drawing doesn't say; see `anodewane.catalog.drawing.template_from_drawn_rings`.

    Raises
    ------
    InputUnreadable
        Not a DXF drawing.
    UsageError
        No units, open lines, or a part that can't be.
    """
    document = _document(data)
    scale = _scale(document, units)
    try:
        rings = [rounded(np.asarray(r, float) * scale) for r in _rings(document, scale)]
    except UsageError:
        raise
    # a mended drawing may hold things that lack what their kind has: DXFAttributeError, ValueError,
    # ZeroDivisionError
    except Exception as e:
        raise InputUnreadable(
            "The drawing is damaged: its lines can't be read.",
            "Export the drawing again as DXF (R2000 or later).",
        ) from e
    return template_from_drawn_rings(rings, name, thickness_mm, **options)


def _document(data: bytes) -> Any:
    try:
        from ezdxf import recover
        from ezdxf.audit import AuditError
    except ImportError as e:
        raise UsageError(
            "DXF drawings need the library ezdxf, which isn't installed.",
            'Install it: in the checkout, pip install ".[all]".',
        ) from e
    if len(data) > MAX_DXF_BYTES:
        raise InputUnreadable(
            f"The drawing is larger than {MAX_DXF_BYTES // 1_000_000} MB.",
            "Save the outline of the part alone.",
        )
    # The reader mends what it can, a drawing cut short included: half an outline must not become a part.
    if not data.startswith(b"AutoCAD Binary DXF") and not data.rstrip().endswith(b"EOF"):
        raise InputUnreadable(
            "The file isn't a whole DXF drawing: its end is missing.",
            "Export the drawing again as DXF (R2000 or later).",
        )
    log = logging.getLogger("ezdxf")
    if not log.handlers:
        log.addHandler(
            logging.NullHandler()
        )  # its notes on what it mended are for a log, not for whoever reads our one sentence
    try:
        document, auditor = recover.read(io.BytesIO(data))
    except (
        Exception
    ) as e:  # DXFStructureError, and whatever a file that only looks like DXF brings up inside the library
        raise InputUnreadable(
            "The file isn't a DXF drawing.", "Export the drawing again as DXF (R2000 or later)."
        ) from e
    if any(
        entry.code == AuditError.INVALID_FLOATING_POINT_VALUE for entry in (*auditor.errors, *auditor.fixes)
    ):
        # The reader takes what looks like a number out of "1.7x2": a guessed coordinate must not
        # become a part.
        raise InputUnreadable(
            "The drawing is damaged: some of its numbers can't be read.",
            "Export the drawing again as DXF (R2000 or later).",
        )
    return document


def _scale(document: Any, units: str | None) -> float:
    from ezdxf import units as units_module
    from ezdxf.enums import InsertUnits

    if units is not None:
        if units not in UNITS_MM:
            raise UsageError(
                f"'{units}' isn't a unit that a drawing can have here.",
                f"Give one of: {', '.join(UNITS_MM)}.",
            )
        return UNITS_MM[units]
    if not document.units:
        raise UsageError(
            "The drawing doesn't say what its unit is.", "Give it with --units (mm, cm, m or in)."
        )
    return float(units_module.conversion_factor(InsertUnits(document.units), InsertUnits.Millimeters))


def _rings(document: Any, scale: float) -> list[Floats]:
    from ezdxf import edgeminer, edgesmith, path

    entities = _entities(document)
    gap = JOIN_GAP_MM / scale
    chord = CHORD_MM / scale
    rings = []
    loose = []
    for entity in entities:
        if entity.dxftype() in ("LINE", "ARC"):
            loose.append(entity)
            continue
        line = path.make_path(entity)
        if len(line) == 0:
            continue
        if line.is_closed or line.start.distance(line.end) <= gap:
            rings.append(_points(line, chord))
        else:
            loose.append(entity)
    edges = list(edgesmith.edges_from_entities_2d(loose, gap_tol=gap))
    if edges:
        for chain in edgeminer.find_all_simple_chains(edgeminer.Deposit(edges, gap_tol=gap)):
            if len(chain) < 2 or not edgeminer.is_loop(chain, gap_tol=gap):
                a, b = chain[0].start * scale, chain[-1].end * scale
                raise UsageError(
                    "A line of the drawing isn't closed, or lines cross at its end: it runs from "
                    f"{a.x:.2f}, {a.y:.2f} to {b.x:.2f}, {b.y:.2f} mm.",
                    "Close it, or delete centre lines and other lines that are no outline, or put them on "
                    "a layer that is off.",
                )
            rings.append(_points(edgesmith.path2d_from_chain(chain), chord))
    if not rings:
        raise UsageError(
            "The drawing has no closed line in its model space.",
            "Draw the part's outline and holes as closed lines.",
        )
    return rings


def _entities(document: Any) -> list[Any]:
    hidden = {layer.dxf.name for layer in document.layers if layer.is_off() or layer.is_frozen()}
    found: list[Any] = []
    seen = 0

    def take(entities: Any, depth: int) -> None:
        nonlocal seen
        for entity in entities:
            seen += 1
            # A grid of insertions is walked whole, also where its spacing is 0 and it counts as one
            # (ezdxf's mcount).
            copies = (
                entity.dxf.get("row_count", 1) * entity.dxf.get("column_count", 1)
                if entity.dxftype() == "INSERT"
                else 1
            )
            if seen > MAX_ENTITIES or copies > MAX_ENTITIES:
                raise UsageError(
                    f"The drawing has more than {MAX_ENTITIES} things in it.",
                    "Keep the part's outline and holes alone.",
                )
            if entity.dxf.get("layer", "0") in hidden or entity.dxf.get("invisible", 0):
                continue
            if entity.dxftype() == "INSERT" and depth < MAX_NESTING:
                for insert in entity.multi_insert():
                    seen += 1
                    take(insert.virtual_entities(), depth + 1)
            elif entity.dxftype() in _OUTLINES:
                found.append(entity)

    # Dimensions are blocks of lines too: they are passed over, only blocks that somebody inserted are opened.
    take(document.modelspace(), 0)
    return found


def _points(line: Any, chord: float) -> Floats:
    points = np.array([(v.x, v.y) for v in line.flattening(chord)], float)
    return points[:-1] if len(points) > 1 and np.allclose(points[0], points[-1], atol=1e-9) else points
