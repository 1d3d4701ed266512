"""The printed sheets as data: which markers and saddle points each has, and where.

A sheet is a chessboard of `square_mm` squares with an empty field in it; every white square of the
board carries a marker. The points that scale the photo are the saddle points, where four squares meet:
blur and ink spread move a marker's own corners but not a saddle (docs/decisions/0001-sheet-pattern.md).
Markers only say which saddle is which, and their ids say which sheet it is. Frame: sheet mm, origin at
the centre, y up (`anodewane.units`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from anodewane.records import SheetLayout

DICTIONARY = "DICT_5X5_250"
MARKER_FRAC = 0.74
"""Side of a marker over the side of its square: leaves a white border of about one marker cell at
15 mm squares."""

GREY_REFLECTANCE = (0.75, 0.5, 0.25)
"""Light sent back by the grey patches as a share of the paper's, if the printer were perfect. Nominal:
printers differ."""

CHECK_LINE_MM = 100.0


SHEET_VERSION = 1
"""Printed on every sheet. Raise it when squares, markers or patches move; ids must then change too,
because the layout is known from them."""


@dataclass(frozen=True, slots=True)
class SheetDesign:
    """What a layout is generated from, and where its words go. All in the sheet frame, mm; "place" is a
    lower left corner."""

    name: str
    paper: str
    width_mm: float
    height_mm: float
    square_mm: float
    cols: int
    rows: int
    clear_cols: tuple[int, int]
    """First and last+1 column of the empty field."""
    clear_rows: tuple[int, int]
    first_id: int
    check_x_mm: tuple[float, float]
    """Left end of the 100 mm line in x."""
    check_y_mm: tuple[float, float]
    """Lower end of the 100 mm line in y."""
    grey_mm: tuple[float, float]
    """Place of the first grey patch; the others follow to the right."""
    grey_side_mm: float
    words_mm: tuple[float, float]
    """Upper left corner of the name and the how-to."""
    words_size_mm: float
    position_mm: tuple[float, float, float, float]
    """Place, width and height of the box for a position written by hand."""
    label_mm: tuple[float, float, float]
    """Place and side of the square kept for the optional QR code, its quiet zone included."""


DESIGNS: dict[str, SheetDesign] = {
    d.name: d
    for d in (
        # ISO 216 A5 lying; three columns of squares on each side bracket the field with the check lines.
        SheetDesign(
            name="card", paper="A5", width_mm=210.0, height_mm=148.0, square_mm=15.0, cols=13, rows=9,
            clear_cols=(3, 10), clear_rows=(0, 9), first_id=0,
            check_x_mm=(-50.0, 62.0), check_y_mm=(-46.0, -50.0), grey_mm=(-34.0, -24.0), grey_side_mm=14.0,
            words_mm=(-34.0, 46.0), words_size_mm=2.9, position_mm=(-34.0, -62.0, 46.0, 18.0),
            label_mm=(15.0, -64.0, 35.0),
        ),
        # ISO 216 A4 lying; a frame two squares thick round the field for the part. What is printed in
        # the field keeps to its rim.
        SheetDesign(
            name="mat-a4", paper="A4", width_mm=297.0, height_mm=210.0, square_mm=15.0, cols=19, rows=13,
            clear_cols=(2, 17), clear_rows=(2, 11), first_id=60,
            check_x_mm=(-50.0, -63.0), check_y_mm=(-107.0, -50.0), grey_mm=(-92.0, -65.0), grey_side_mm=10.0,
            words_mm=(-107.0, 64.5), words_size_mm=2.4, position_mm=(64.0, 54.0, 46.0, 11.0),
            label_mm=(76.0, -65.0, 34.0),
        ),
        # US Letter lying, 11 x 8.5 inches (ANSI Y14.1 size A).
        SheetDesign(
            name="mat-letter", paper="US Letter", width_mm=279.4, height_mm=215.9, square_mm=15.0, cols=17,
            rows=13, clear_cols=(2, 15), clear_rows=(2, 11), first_id=130,
            check_x_mm=(-50.0, -63.0), check_y_mm=(-92.0, -50.0), grey_mm=(-84.0, -65.0), grey_side_mm=10.0,
            words_mm=(-92.0, 64.5), words_size_mm=2.4, position_mm=(49.0, 54.0, 46.0, 11.0),
            label_mm=(61.0, -65.0, 34.0),
        ),
    )
}  # fmt: skip


def make_layout(design: SheetDesign) -> SheetLayout:
    """Return the layout of a design: squares, markers, saddles and patches in the sheet frame."""
    s = design.square_mm
    left, top = -design.cols * s / 2, design.rows * s / 2

    def on_board(col: int, row: int) -> bool:
        inside = 0 <= col < design.cols and 0 <= row < design.rows
        clear = (
            design.clear_cols[0] <= col < design.clear_cols[1]
            and design.clear_rows[0] <= row < design.clear_rows[1]
        )
        return inside and not clear

    def is_black(col: int, row: int) -> bool:
        return (col + row) % 2 == 0

    def square(col: int, row: int, shrink: float = 1.0) -> list[tuple[float, float]]:
        cx, cy, r = left + (col + 0.5) * s, top - (row + 0.5) * s, s * shrink / 2
        return [(cx - r, cy + r), (cx + r, cy + r), (cx + r, cy - r), (cx - r, cy - r)]

    cells = [(c, r) for r in range(design.rows) for c in range(design.cols) if on_board(c, r)]
    black = [square(c, r) for c, r in cells if is_black(c, r)]
    markers = [square(c, r, MARKER_FRAC) for c, r in cells if not is_black(c, r)]
    saddles, phase = [], []
    for r in range(1, design.rows):
        for c in range(1, design.cols):
            if all(on_board(c + i, r + j) for i in (-1, 0) for j in (-1, 0)):
                saddles.append((left + c * s, top - r * s))
                phase.append(1 if is_black(c, r - 1) else -1)
    g, gx, gy = design.grey_side_mm, *design.grey_mm
    grey = [
        [(gx + i * g, gy + g), (gx + (i + 1) * g, gy + g), (gx + (i + 1) * g, gy), (gx + i * g, gy)]
        for i in range(len(GREY_REFLECTANCE))
    ]
    return SheetLayout(
        name=design.name,
        size_mm=(design.width_mm, design.height_mm),
        dictionary=DICTIONARY,
        square_mm=s,
        marker_ids=np.arange(design.first_id, design.first_id + len(markers)),
        marker_corners_mm=np.array(markers),
        saddles_mm=np.array(saddles),
        saddle_phase=np.array(phase),
        black_mm=np.array(black),
        grey_mm=np.array(grey),
        grey_reflectance=np.array(GREY_REFLECTANCE),
    )


def all_layouts() -> dict[str, SheetLayout]:
    """Return every sheet by name."""
    return {name: make_layout(d) for name, d in DESIGNS.items()}
