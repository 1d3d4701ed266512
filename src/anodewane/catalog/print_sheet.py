"""Draw a sheet: one display list in millimetres, written as an exact vector PDF or as a picture.

The list holds filled polygons (a marker's black cells merged into one shape, because abutting cells
leave hairline seams that break detection), lines and words. Typst sets it with the fonts in its own
wheel, so a sheet comes out alike on every machine, and byte for byte the same each time.
"""

from __future__ import annotations

import json
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from anodewane.catalog.sheet_label import QUIET_MODULES, code_size, encode
from anodewane.catalog.sheets import (
    CHECK_LINE_MM,
    DESIGNS,
    GREY_REFLECTANCE,
    SHEET_VERSION,
    SheetDesign,
    make_layout,
)
from anodewane.record import Label
from anodewane.units import MM_PER_INCH, Bytes, Rings

FONT = "DejaVu Sans Mono"
"""In typst's wheel; covers Latin, Greek and Cyrillic."""

HAIR_MM = 0.25
TICK_MM = 4.0
NAME_MM = (5.0, 2.8, 1.8)
"""Size of the words beside a label's code: largest, smallest in one line, smallest. The shortest sheet
box holds the longest label at 2.2 mm."""

MEASURE_ME = "measure me: 100 mm, print at 100 %"
HOW_TO = {
    "card": (
        "Lay this sheet flat beside the part,",
        "on the same ground, its wasted face up.",
        "Hold the phone level above both,",
        "700 mm away or more, or use the 2x lens.",
        "All of the sheet and all of the part",
        "in the photo, in even light.",
    ),
    "mat": (
        "Lay this sheet flat and the part on it, its wasted face up. Hold the phone level",
        "above it, 700 mm away or more, or use the 2x lens. All of the sheet in the photo.",
    ),
}


@dataclass(frozen=True, slots=True)
class Fill:
    """A filled polygon. rings : sheet frame, mm, even-odd; level : sRGB-coded grey, 0 ink to 1 paper."""

    rings: Rings
    level: float


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line with butt ends. start, end : sheet frame, mm."""

    start: tuple[float, float]
    end: tuple[float, float]
    width_mm: float


@dataclass(frozen=True, slots=True)
class Words:
    """One line of words. at : left end of the base line, mm; size_mm : font size; upright : read from
    the right-hand side when False."""

    text: str
    at: tuple[float, float]
    size_mm: float
    upright: bool = True
    bold: bool = False


Mark = Fill | Line | Words


def srgb_level(reflectance: float) -> float:
    """sRGB-coded level (IEC 61966-2-1) of a share of the paper's light."""
    return 12.92 * reflectance if reflectance <= 0.0031308 else 1.055 * reflectance ** (1 / 2.4) - 0.055


def display_list(design: SheetDesign, label: Label | None = None) -> list[Mark]:
    """Everything that is printed on a sheet, in the sheet frame, mm: the label as a code and, in the
    box for the position, in words."""
    layout = make_layout(design)
    marks: list[Mark] = [Fill((quad,), 0.0) for quad in layout.black_mm]
    marks += _marker_fills(design.name)
    marks += [Fill((quad,), srgb_level(r)) for quad, r in zip(layout.grey_mm, GREY_REFLECTANCE, strict=True)]
    for (x, y), (dx, dy) in ((design.check_x_mm, (1, 0)), (design.check_y_mm, (0, 1))):
        ends = [(x, y), (x + CHECK_LINE_MM * dx, y + CHECK_LINE_MM * dy)]
        marks.append(Line(ends[0], ends[1], HAIR_MM))
        marks += [
            Line(
                (ex - dy * TICK_MM / 2, ey - dx * TICK_MM / 2),
                (ex + dy * TICK_MM / 2, ey + dx * TICK_MM / 2),
                HAIR_MM,
            )
            for ex, ey in ends
        ]
    # 0.602 em: advance of the font; words are centred on their line
    half = len(MEASURE_ME) * 0.602 * 2.6 / 2
    side = -1 if design.check_x_mm[1] > 0 else 1
    marks.append(
        Words(
            MEASURE_ME,
            (design.check_x_mm[0] + 50 - half, design.check_x_mm[1] + (1.4 if side > 0 else -3.3)),
            2.6,
        )
    )
    marks.append(
        Words(MEASURE_ME, (design.check_y_mm[0] + 3.3, design.check_y_mm[1] + 50 - half), 2.6, upright=False)
    )
    x, y = design.words_mm
    s = design.words_size_mm
    on_mat = design.name != "card"
    title = 2.0 * s
    marks.append(Words("anodewane", (x, y - 0.75 * title), title, bold=True))
    name = f"{design.name}, {design.paper}, version {SHEET_VERSION}"
    marks.append(
        Words(
            name,
            (x + 9.6 * 0.602 * title, y - 0.75 * title) if on_mat else (x, y - 0.75 * title - 1.9 * s),
            s,
        )
    )
    top = y - 0.75 * title - (1.5 if on_mat else 4.2) * s
    marks += [
        Words(line, (x, top - i * 1.45 * s), s) for i, line in enumerate(HOW_TO["mat" if on_mat else "card"])
    ]
    px, py, pw, ph = design.position_mm
    box_corners = [(px, py), (px + pw, py), (px + pw, py + ph), (px, py + ph)]
    marks += [
        Line(a, b, HAIR_MM) for a, b in zip(box_corners, box_corners[1:] + box_corners[:1], strict=True)
    ]
    if label is not None:
        marks.append(_qr_fill(encode(label), design.label_mm))
        marks += _name_words(label, design.position_mm)
    else:
        marks.append(Words("position", (px + 0.8, py + ph - 2.6), 2.0))
    return marks


@lru_cache(maxsize=4)
def _marker_fills(name: str) -> tuple[Mark, ...]:
    import cv2
    from shapely import box, union_all

    layout = make_layout(DESIGNS[name])
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, layout.dictionary))
    n = dictionary.markerSize + 2
    out: list[Mark] = []
    for marker_id, corners in zip(layout.marker_ids, layout.marker_corners_mm, strict=True):
        cells = cv2.aruco.generateImageMarker(dictionary, int(marker_id), n, borderBits=1) < 128
        left, top = corners[0]
        cell = (corners[1, 0] - left) / n
        out.append(Fill(_merged_cells(cells, float(left), float(top), float(cell), box, union_all), 0.0))
    return tuple(out)


def _merged_cells(black: Any, left: float, top: float, cell: float, box: Any, union_all: Any) -> Rings:
    """Rings of the union of the black cells; cells that touch at a corner only stay apart."""
    from anodewane.geometry.rings import from_shapely, polygons_of

    rows, cols = np.nonzero(black)
    # in whole cells the union is exact; millimetres come after
    merged = union_all([box(c, r, c + 1, r + 1) for r, c in zip(rows, cols, strict=True)])
    rings: list[Any] = []
    for polygon in polygons_of(merged):
        rings += [
            np.column_stack([left + cell * q[:, 0], top - cell * q[:, 1]])
            for q in from_shapely(polygon.simplify(0))
        ]
    return tuple(rings)


def _name_words(label: Label, place: tuple[float, float, float, float]) -> list[Mark]:
    """Boat (bold) and position, as large as their box allows: a line each down to a readable size, then
    in more lines."""
    x, y, width, height = place
    for size, may_wrap in [(s, False) for s in np.arange(NAME_MM[0], NAME_MM[1], -0.1)] + [
        (s, True) for s in np.arange(NAME_MM[1], NAME_MM[2], -0.1)
    ]:
        room = int((width - 2.4) / (0.602 * size))
        lines = [
            (line, bold)
            for text, bold in ((label.boat, True), (label.position, False))
            for line in textwrap.wrap(text, room)
        ]
        if len(lines) * 1.3 * size <= height - 1.0 and (may_wrap or len(lines) == 2):
            break
    top = y + height - (height - len(lines) * 1.3 * size) / 2  # centred between top and bottom
    return [
        Words(line, (x + 1.2, float(top - (i + 0.75) * 1.3 * size)), float(size), bold=bold)
        for i, (line, bold) in enumerate(lines)
    ]


def _qr_fill(payload: bytes, place: tuple[float, float, float]) -> Fill:
    from shapely import box, union_all

    code = qr_modules(payload)
    module = place[2] / (len(code) + 2 * QUIET_MODULES)
    left, top = place[0] + QUIET_MODULES * module, place[1] + place[2] - QUIET_MODULES * module
    return Fill(_merged_cells(code, left, top, module, box, union_all), 0.0)


def qr_modules(payload: bytes) -> Any:
    """Black modules, bool (n, n), of the QR code of a label's payload."""
    import cv2

    opencv: Any = cv2  # its stubs lack the encoder's parameters
    n, correction = code_size(payload)
    parameters = opencv.QRCodeEncoder_Params()
    parameters.correction_level = getattr(opencv, f"QRCODE_ENCODER_CORRECT_LEVEL_{correction}")
    parameters.mode = cv2.QRCODE_ENCODER_MODE_BYTE
    parameters.version = (n - 17) // 4
    code = np.asarray(cv2.QRCodeEncoder.create(parameters).encode(payload.decode())) < 128
    rows, cols = np.nonzero(code)
    code = code[rows.min() : rows.max() + 1, cols.min() : cols.max() + 1]
    if code.shape != (n, n):
        raise RuntimeError(f"the code came out with {code.shape} modules, not {n}")
    return code


def typst_source(design: SheetDesign, pages: Sequence[list[Mark]]) -> str:
    """The pages as typst markup: each of the sheet's size, every mark placed by its corner."""
    head = [
        f'#set document(title: "anodewane {design.name}", author: "anodewane", date: none)',
        f"#set page(width: {_mm(design.width_mm)}, height: {_mm(design.height_mm)}, margin: 0pt)",
        (
            f'#set text(font: "{FONT}", fallback: false, top-edge: "baseline", bottom-edge: "baseline", '
            "hyphenate: false, ligatures: false)"
        ),
    ]
    body = "\n#pagebreak()\n".join(
        "\n".join(_typst_mark(m, design.width_mm, design.height_mm) for m in marks) for marks in pages
    )
    return "\n".join(head) + "\n" + body + "\n"


def _typst_mark(mark: Mark, w: float, h: float) -> str:
    def at(p: Any) -> str:
        return f"({_mm(p[0] + w / 2)}, {_mm(h / 2 - p[1])})"

    if isinstance(mark, Fill):
        path = ", ".join(
            f"curve.move({at(r[0])}), " + ", ".join(f"curve.line({at(p)})" for p in r[1:]) + ", curve.close()"
            for r in mark.rings
        )
        return f'#place(curve(fill: luma({100 * mark.level:.4f}%), fill-rule: "even-odd", {path}))'
    if isinstance(mark, Line):
        stroke = f'(paint: black, thickness: {_mm(mark.width_mm)}, cap: "butt")'
        return f"#place(line(start: {at(mark.start)}, end: {at(mark.end)}, stroke: {stroke}))"
    weight = "bold" if mark.bold else "regular"
    body = f'text(size: {_mm(mark.size_mm)}, weight: "{weight}", {json.dumps(mark.text, ensure_ascii=False)})'
    if not mark.upright:
        body = f"rotate(-90deg, origin: left + bottom, reflow: false, box({body}))"
    return f"#place(dx: {_mm(mark.at[0] + w / 2)}, dy: {_mm(h / 2 - mark.at[1])}, {body})"


def _mm(value: float) -> str:
    return f"{value:.6f}mm"


def sheet_pdf(name: str, labels: Sequence[Label] = ()) -> bytes:
    """A sheet as a vector PDF that asks viewers not to scale it: one page without a label, or one for
    each. Same input, same bytes."""
    import io

    from pypdf import PdfReader, PdfWriter
    from pypdf.generic import NameObject

    writer = PdfWriter(clone_from=PdfReader(io.BytesIO(_compile(name, labels or (None,), "pdf", None))))
    # ISO 32000-1 12.2: the print dialogue's own default is "fit to page", which prints 3 to 6 % small
    writer.create_viewer_preferences()[NameObject("/PrintScaling")] = NameObject("/None")
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def sheet_png(name: str, dpi: float = 600.0, label: Label | None = None) -> bytes:
    """A sheet as a grey PNG, antialiased, with its resolution written into it."""
    import io

    from PIL import Image

    with Image.open(io.BytesIO(_compile(name, (label,), "png", dpi))) as picture:
        grey = picture.convert("L")
    out = io.BytesIO()
    grey.save(out, "PNG", dpi=(dpi, dpi), optimize=False)
    return out.getvalue()


def sheet_picture(name: str, px_per_mm: float, label: Label | None = None) -> Bytes:
    """A sheet as grey pixels, uint8 (h, w): pixel (0, 0) covers the sheet's upper left corner, so sheet
    x is ``(col + 0.5) / px_per_mm - width / 2``."""
    import io

    from PIL import Image

    with Image.open(io.BytesIO(_compile(name, (label,), "png", px_per_mm * MM_PER_INCH))) as picture:
        return np.asarray(picture.convert("L"))


def _compile(name: str, labels: Sequence[Label | None], kind: str, dpi: float | None) -> bytes:
    import typst

    design = DESIGNS[name]
    source = typst_source(design, [display_list(design, label) for label in labels]).encode()
    options: dict[str, Any] = {"ignore_system_fonts": True, "format": kind}
    if dpi is not None:
        options["ppi"] = dpi
    result, warnings = typst.compile_with_warnings(source, **options)
    if warnings:  # a missing font is only a warning there, and would change the sheet
        raise RuntimeError(f"typst warns about the sheet: {warnings[0]}")
    made = result if isinstance(result, (list, tuple)) else [result]
    if len(made) != 1:
        raise RuntimeError(f"the sheet came out as {len(made)} files")
    return bytes(made[0])
