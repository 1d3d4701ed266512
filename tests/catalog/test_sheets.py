"""The printed sheets, measured with readers that aren't ours: pdfplumber for the PDF, PDFium for its
looks, OpenCV's own detectors for markers and QR code."""

from __future__ import annotations

import io

import cv2
import numpy as np
import pytest

from anodewane.catalog.print_sheet import Fill, display_list, sheet_pdf, sheet_picture, sheet_png
from anodewane.catalog.sheet_label import encode, label_of
from anodewane.catalog.sheets import DESIGNS, all_layouts, make_layout

MM_PER_POINT = 25.4 / 72
NAMES = tuple(DESIGNS)
PAPER_MM = {
    "card": (210.0, 148.0),  # A5, ISO 216:2007 table 1 (148 x 210)
    "mat-a4": (297.0, 210.0),  # A4, the same (210 x 297)
    "mat-letter": (11 * 25.4, 8.5 * 25.4),  # size A, ANSI/ASME Y14.1: 8.5 x 11 in
}


def find_markers(picture, dictionary):
    parameters = cv2.aruco.DetectorParameters()
    corners, ids, _ = cv2.aruco.ArucoDetector(
        cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary)), parameters
    ).detectMarkers(picture)
    return {int(i): np.reshape(c, (4, 2)) for i, c in zip(np.ravel(ids), corners, strict=True)}


@pytest.mark.parametrize("name", NAMES)
def test_the_page_has_the_paper_size_and_lines_of_100_mm_both_ways(name):
    pdfplumber = pytest.importorskip("pdfplumber")
    with pdfplumber.open(io.BytesIO(sheet_pdf(name))) as pdf:
        (page,) = pdf.pages
        assert float(page.width) * MM_PER_POINT == pytest.approx(PAPER_MM[name][0], abs=1e-3)
        assert float(page.height) * MM_PER_POINT == pytest.approx(PAPER_MM[name][1], abs=1e-3)
        segments = [
            tuple(MM_PER_POINT * float(v) for v in (line["x0"], line["top"], line["x1"], line["bottom"]))
            for line in page.lines
        ]
    long_x = [s for s in segments if abs(s[1] - s[3]) < 1e-6 and s[2] - s[0] > 60]
    long_y = [s for s in segments if abs(s[0] - s[2]) < 1e-6 and s[3] - s[1] > 60]
    assert len(long_x) == len(long_y) == 1
    x0, y, x1, _ = long_x[0]
    assert x1 - x0 == pytest.approx(100.0, abs=1e-3)
    ticks = sorted(s[0] for s in segments if abs(s[0] - s[2]) < 1e-6 and s[1] < y < s[3] and s[3] - s[1] < 60)
    assert ticks == pytest.approx([x0, x1], abs=1e-3)
    x, y0, _, y1 = long_y[0]
    assert y1 - y0 == pytest.approx(100.0, abs=1e-3)
    ticks = sorted(s[1] for s in segments if abs(s[1] - s[3]) < 1e-6 and s[0] < x < s[2] and s[2] - s[0] < 60)
    assert ticks == pytest.approx([y0, y1], abs=1e-3)


@pytest.mark.parametrize("name", NAMES)
def test_the_page_says_what_it_is_and_that_it_must_be_measured(name):
    pdfplumber = pytest.importorskip("pdfplumber")
    with pdfplumber.open(io.BytesIO(sheet_pdf(name))) as pdf:
        words = pdf.pages[0].extract_text()
    assert "anodewane" in words
    assert f"{name}, " in words and "version 1" in words
    assert "measure me: 100 mm, print at 100 %" in words
    assert "700 mm" in words and "2x lens" in words and "position" in words


def test_viewers_are_told_not_to_scale_and_the_bytes_never_change():
    from pypdf import PdfReader

    labels = [label_of("Tern", "port quarter"), label_of("Tern", "skeg")]
    first = sheet_pdf("card", labels)
    assert first == sheet_pdf("card", labels)
    assert (
        PdfReader(io.BytesIO(first)).trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"
    )  # ISO 32000-1, table 150


@pytest.mark.parametrize("name", NAMES)
def test_every_marker_and_saddle_of_the_pdf_lies_where_the_layout_says(name):
    """The PDF drawn by PDFium, an independent renderer, and read by OpenCV's own detector."""
    pdfium = pytest.importorskip("pypdfium2")
    px_per_mm = 12.0
    document = pdfium.PdfDocument(sheet_pdf(name))
    picture = np.asarray(
        document[0].render(scale=px_per_mm * MM_PER_POINT, grayscale=True).to_pil().convert("L")
    )
    layout = all_layouts()[name]
    half = np.array(layout.size_mm) / 2
    per_mm = np.array(picture.shape[::-1]) / layout.size_mm  # PDFium fits the page to whole pixels

    def pixels(mm):
        return (np.asarray(mm) * [1, -1] + half) * per_mm - 0.5

    seen = find_markers(picture, layout.dictionary)
    assert set(seen) == set(layout.marker_ids.tolist())
    for marker_id, corners in zip(layout.marker_ids, layout.marker_corners_mm, strict=True):
        # The unrefined corner lies on the marker's outermost dark pixel, so it may be one pixel inside
        # the true edge.
        assert np.abs(seen[int(marker_id)] - pixels(corners)).max() < 1.6
    guess = pixels(layout.saddles_mm).astype(np.float32)[:, None].copy()
    cv2.cornerSubPix(
        picture, guess, (8, 8), (-1, -1), (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 40, 0.001)
    )
    assert (
        np.abs(guess[:, 0] - pixels(layout.saddles_mm)).max() < 0.1
    )  # 8 micrometres: edges between pixels are drawn to 1/16 px or so
    document.close()


@pytest.mark.parametrize("name", NAMES)
def test_the_picture_agrees_with_the_layout(name):
    # The renderer places an edge to a quarter of a pixel upright and a sixteenth across: half of that
    # is the bound, unless edges fall on whole pixels.
    layout = all_layouts()[name]
    picture = sheet_picture(name, 6.0)
    assert picture.shape == tuple(round(6.0 * s) for s in layout.size_mm[::-1])
    want = (layout.saddles_mm * [1, -1] + np.array(layout.size_mm) / 2) * 6.0 - 0.5
    guess = want.astype(np.float32)[:, None].copy()
    cv2.cornerSubPix(
        picture, guess, (5, 5), (-1, -1), (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 40, 0.001)
    )
    assert np.all(
        np.abs(guess[:, 0] - want).max(axis=0) < ([0.02, 0.02] if name != "mat-letter" else [0.04, 0.14])
    )
    for quad, level in zip(layout.grey_mm, layout.grey_reflectance, strict=True):
        column, row = (
            ((quad.mean(0) * [1, -1] + np.array(layout.size_mm) / 2) * 6.0 - 0.5).round().astype(int)
        )
        light = picture[row, column] / 255.0
        assert ((light + 0.055) / 1.055) ** 2.4 == pytest.approx(level, abs=0.005)  # IEC 61966-2-1


def test_a_png_has_the_asked_resolution_and_the_paper_size():
    from PIL import Image

    with Image.open(io.BytesIO(sheet_png("card", 300))) as picture:
        assert picture.info["dpi"] == pytest.approx((300, 300), abs=0.01)
        assert picture.size == (2480, 1748)  # 210 and 148 mm at 300 dpi, to the nearest pixel


LABELS = [
    label_of("Tern", "keel"),
    label_of("Bjørnøya", "skeg aft"),
    label_of("Полярная", "левый борт"),
    label_of("W" * 30, "W" * 21),
    label_of("Sea Aster of the Marsh", "port quarter skeg aft, 2"),
]


def drawn_by_pdfium(pdf, page, px_per_mm=10.0):
    pdfium = pytest.importorskip("pypdfium2")
    document = pdfium.PdfDocument(pdf)
    picture = np.asarray(
        document[page].render(scale=px_per_mm * MM_PER_POINT, grayscale=True).to_pil().convert("L")
    )
    document.close()
    return picture


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_every_page_of_labels_is_read_by_an_independent_reader(name):
    """ZXing reads the code of each page, as PDFium draws it, where it should lie and at the size of
    ISO/IEC 18004; a marker is lost on none."""
    zxingcpp = pytest.importorskip("zxingcpp")
    pdf = sheet_pdf(name, LABELS)
    x, y, side = DESIGNS[name].label_mm
    for page, label in enumerate(LABELS):
        picture = drawn_by_pdfium(pdf, page)
        (code,) = zxingcpp.read_barcodes(picture)
        assert code.bytes == encode(label)
        assert code.text.split("\n")[1:3] == [label.boat, label.position]
        assert code.ec_level in ("M", "Q", "H")
        n = {26: 25, 42: 29, 62: 33}[
            min(c for c in (26, 42, 62) if len(encode(label)) <= c)
        ]  # bytes of versions 2-M, 3-M and 4-M: table 7
        module = side / (n + 8)
        assert module > 0.8  # mm: what a phone at arm's length still resolves
        corners = (
            np.array(
                [
                    (p.x, p.y)
                    for p in (
                        code.position.top_left,
                        code.position.top_right,
                        code.position.bottom_right,
                        code.position.bottom_left,
                    )
                ]
            )
            / 10
        )
        low, high = x + 4 * module, x + side - 4 * module
        want = np.array(
            [
                [low, y + side - 4 * module],
                [high, y + side - 4 * module],
                [high, y + 4 * module],
                [low, y + 4 * module],
            ]
        )
        want = want * [1, -1] + np.array(all_layouts()[name].size_mm) / 2
        assert np.abs(corners - want).max() < 1.2 * module
        assert set(find_markers(picture, all_layouts()[name].dictionary)) == set(
            all_layouts()[name].marker_ids.tolist()
        )


@pytest.mark.parametrize("name", NAMES)
def test_the_words_of_a_label_can_be_read_and_keep_inside_their_box(name):
    pdfplumber = pytest.importorskip("pdfplumber")
    x, y, width, height = DESIGNS[name].position_mm
    with pdfplumber.open(io.BytesIO(sheet_pdf(name, LABELS))) as pdf:
        for page, label in zip(pdf.pages, LABELS, strict=True):
            half_w, half_h = float(page.width) * MM_PER_POINT / 2, float(page.height) * MM_PER_POINT / 2
            box = [
                (half_w + x) / MM_PER_POINT,
                (half_h - y - height) / MM_PER_POINT,
                (half_w + x + width) / MM_PER_POINT,
                (half_h - y) / MM_PER_POINT,
            ]
            inside = page.within_bbox(box)
            assert "".join(inside.extract_text().split()) == "".join(f"{label.boat}{label.position}".split())
            sizes = [c["size"] for c in inside.chars]
            assert min(sizes) >= 5.5  # points: small print; the longest label that fits
            if len(label.boat) + len(label.position) < 25:
                assert min(sizes) >= 9.0  # points: as body text


@pytest.mark.parametrize("name", NAMES)
def test_nothing_is_printed_in_a_quiet_zone_or_off_the_field(name):
    """Every mark but squares and markers keeps inside the empty field; every marker has a white border
    of at least one of its cells."""
    from shapely import Polygon, box

    design = DESIGNS[name]
    layout = make_layout(design)
    blank = sheet_picture(name, 10.0, label_of("W" * 30, "W" * 21)) < 250
    for quad in [*layout.black_mm, *layout.marker_corners_mm]:
        (x0, y1), (x1, y0) = quad[0], quad[2]
        w, h = layout.size_mm
        r0, r1, c0, c1 = (10 * v for v in (h / 2 - y1, h / 2 - y0, x0 + w / 2, x1 + w / 2))
        blank[
            int(np.floor(r0 + 1e-6)) : int(np.ceil(r1 - 1e-6)),
            int(np.floor(c0 + 1e-6)) : int(np.ceil(c1 - 1e-6)),
        ] = False
    rows, cols = np.nonzero(blank)
    s = design.square_mm
    left, top = (
        -design.cols * s / 2 + design.clear_cols[0] * s,
        design.rows * s / 2 - design.clear_rows[0] * s,
    )
    right, bottom = (
        -design.cols * s / 2 + design.clear_cols[1] * s,
        design.rows * s / 2 - design.clear_rows[1] * s,
    )
    x, y = (cols + 0.5) / 10 - layout.size_mm[0] / 2, layout.size_mm[1] / 2 - (rows + 0.5) / 10
    assert x.min() > left + 0.3 and x.max() < right - 0.3 and y.min() > bottom + 0.3 and y.max() < top - 0.3
    # the marker's own border lies inside its white square: no black square comes nearer than one cell
    cell = np.ptp(layout.marker_corners_mm[0, :, 0]) / 7
    for quad in layout.marker_corners_mm[:: max(1, len(layout.marker_corners_mm) // 8)]:
        around = box(*Polygon(quad).bounds).buffer(cell, join_style="mitre")
        assert all(around.intersection(Polygon(b)).area < 1e-9 for b in layout.black_mm)


def test_ids_tell_the_sheets_apart():
    ids = np.concatenate([layout.marker_ids for layout in all_layouts().values()])
    assert len(np.unique(ids)) == len(ids) and ids.max() < 250


def test_shapes_of_a_marker_are_merged_and_never_abut():
    """Abutting cells leave hairline seams in print and on screen: no two filled shapes of one level may
    share an edge."""
    from shapely import Polygon, STRtree

    shapes = [
        Polygon(m.rings[0])
        for m in display_list(DESIGNS["card"], label_of("Tern", "keel"))
        if isinstance(m, Fill) and m.level == 0.0
    ]
    tree = STRtree(shapes)
    for i, shape in enumerate(shapes):
        for j in tree.query(shape):
            if j != i:
                assert shape.intersection(shapes[j]).length < 1e-6
