"""The PDF: the same bytes each time, tagged PDF/A with its fonts in it, every figure in its text, true
to scale, and unmoved by what is put into it."""

from __future__ import annotations

import io
import json
import shutil
import subprocess
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path
from typing import Any

import pdfplumber
import pypdf
import pytest

import anodewane
from anodewane.record import Interval, Verdict
from anodewane.report.model import Cover, Earlier, Finding, Report
from anodewane.report.pdf import covered, printable, report_pdf
from anodewane.report.texts import clean, load_catalogue
from anodewane.show.record_json import verdict_from_json, verdict_to_json
from made.hand_made import judged, refused
from made.report_made import FINDING, HOSTILE, hostile_record, part_of, pdf_text, report_of, sample_parts
from made.report_samples import POSITIONS, SAMPLES, TEARDROP, Judged

needs_poppler = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="needs pdftotext (package poppler-utils)"
)
needs_qpdf = pytest.mark.skipif(shutil.which("qpdf") is None, reason="needs qpdf")
PT_PER_MM = 72 / 25.4


@pytest.fixture(scope="module")
def sample_report(judged_samples: Judged) -> Report:
    parts = sample_parts(judged_samples.folder, POSITIONS, SAMPLES, (TEARDROP,))
    return report_of(
        *parts, cover=Cover("Autumn haul-out", "Marram", "2026-10-04", "2026-10-06"), findings=(FINDING,)
    )


@pytest.fixture(scope="module")
def sample_pdf(sample_report: Report) -> bytes:
    return report_pdf(sample_report)


def test_the_same_report_gives_the_same_bytes(sample_report: Report, sample_pdf: bytes) -> None:
    assert report_pdf(sample_report) == sample_pdf


def test_it_says_that_it_is_tagged_pdf_a(sample_pdf: bytes) -> None:
    """What the file declares: PDF/A-2a (ISO 19005-2) and PDF/UA-1 (ISO 14289-1) in its XMP, structure
    tree, language, title. No validator is at hand."""
    reader = pypdf.PdfReader(io.BytesIO(sample_pdf))
    root: Any = reader.trailer["/Root"]
    xmp = root["/Metadata"].get_object().get_data().decode()
    assert "<pdfaid:part>2</pdfaid:part>" in xmp
    assert "<pdfaid:conformance>A</pdfaid:conformance>" in xmp
    assert "<pdfuaid:part>1</pdfuaid:part>" in xmp
    assert root["/MarkInfo"]["/Marked"]
    assert "/StructTreeRoot" in root
    assert root["/Lang"] == "en"
    assert root["/OutputIntents"]
    assert reader.metadata is not None
    assert reader.metadata.title == "Autumn haul-out"


def test_every_font_is_embedded(sample_pdf: bytes) -> None:
    reader = pypdf.PdfReader(io.BytesIO(sample_pdf))
    seen = 0
    for page in reader.pages:
        for font in page["/Resources"].get("/Font", {}).values():  # type: ignore[union-attr]
            below = font.get_object()["/DescendantFonts"][0].get_object()
            assert {"/FontFile2", "/FontFile3"} & set(below["/FontDescriptor"].get_object())
            seen += 1
    assert seen


def test_every_picture_has_words_for_those_who_do_not_see_it(sample_pdf: bytes) -> None:
    figures: list[Any] = []

    def walk(node: Any) -> None:
        node = node.get_object()
        if isinstance(node, dict):
            if node.get("/S") == "/Figure":
                figures.append(node)
            kids = node.get("/K")
            for kid in kids if isinstance(kids, list) else [kids] if kids is not None else []:
                if hasattr(kid, "get_object"):
                    walk(kid)

    walk(pypdf.PdfReader(io.BytesIO(sample_pdf)).trailer["/Root"]["/StructTreeRoot"])  # type: ignore[index]
    assert len(figures) > 20
    assert all(str(f.get("/Alt", "")).strip() for f in figures)


@needs_qpdf
def test_qpdf_finds_nothing_wrong(sample_pdf: bytes, tmp_path: Path) -> None:
    file = tmp_path / "r.pdf"
    file.write_bytes(sample_pdf)
    done = subprocess.run(["qpdf", "--check", str(file)], capture_output=True, check=False)
    assert done.returncode == 0, done.stdout.decode() + done.stderr.decode()


def figures_of(v: Verdict, language: str) -> list[str]:
    """What a part's page must say, straight from the record, by decimal arithmetic."""
    comma = (lambda s: s.replace(".", ",")) if language == "de" else (lambda s: s)
    to = "bis" if language == "de" else "to"

    def minus(text: str) -> str:
        return text.replace("-", "\N{MINUS SIGN}") if float(text) != 0 else text.replace("-", "")

    def number(value: float, digits: int) -> str:
        exact = Decimal(str(value)).quantize(Decimal(1).scaleb(-digits), ROUND_HALF_UP)
        return comma(minus(f"{exact:f}"))

    def spread(i: Interval, digits: int, unit: str) -> str:
        return f"({number(i.low, digits)} {to} {number(i.high, digits)} {unit})"

    out = [
        number(v.limits.limit_pct, 1),
        number(v.limits.monitor_from_pct, 1),
        v.photo.name,
        v.photo.sha256,
        v.provenance.settings_digest,
    ]
    if v.consumed:
        out += [
            f"{number(v.consumed.mass_pct.value, 1)} % {spread(v.consumed.mass_pct, 1, '%')}",
            f"{number(v.consumed.area_pct.value, 1)} % {spread(v.consumed.area_pct, 1, '%')}",
        ]
    if v.mass:
        out += [
            f"{number(v.mass.remaining_g.value, 0)} g {spread(v.mass.remaining_g, 0, 'g')}",
            f"{number(v.mass.new_g, 0)} g",
        ]
    if v.area:
        out += [f"{number(v.area.remaining_mm2, 0)} mm²", f"{number(v.area.new_mm2, 0)} mm²"]
    if v.recession_mm:
        out += [f"{number(getattr(v.recession_mm, k), 1)} mm" for k in ("mean", "p95", "max")]
    if v.remaining_thickness_mm:
        out.append(
            f"{number(v.remaining_thickness_mm.value, 1)} mm {spread(v.remaining_thickness_mm, 1, 'mm')}"
        )
    for hole in v.holes:
        out += [
            f"{number(mm, 1)} mm" for mm in (hole.new_mm, hole.diameter_mm, hole.washer_mm) if mm is not None
        ]
    if v.scale:
        out += [
            f"{number(v.scale.distance_mm, 0)} mm",
            f"{number(v.scale.tilt_deg, 1)}°",
            f"{number(v.scale.sd_pct, 2)} %",
        ]
    if v.template:
        out += [v.template.name, v.template.sha256, f"{number(v.template.thickness_mm, 1)} mm"]
    if v.provenance.model_sha256:
        out.append(v.provenance.model_sha256)
    out += [number(sd, 2) for sd in v.budget.values()]
    return out


@needs_poppler
@pytest.mark.parametrize("language", ["en", "de"])
def test_every_figure_of_every_record_is_in_the_text(
    language: str, judged_samples: Judged, tmp_path: Path
) -> None:
    for name, position in POSITIONS.items():
        parts = sample_parts(judged_samples.folder, {name: position}, SAMPLES, (TEARDROP,))
        text = pdf_text(report_pdf(report_of(*parts, language=language)), tmp_path)
        v = verdict_from_json(verdict_to_json(judged_samples.verdicts[name]))
        missing = [f for f in figures_of(v, language) if f not in text]
        assert not missing, (name, missing)
        for reason in v.reasons:
            assert reason.message in text, name
            assert reason.remedy is None or reason.remedy in text, name
        assert load_catalogue(language).say(f"verdict.{v.verdict or 'cannot_judge'}") in text


@needs_poppler
def test_the_signer_s_finding_stands_and_the_tool_s_beside_it(sample_pdf: bytes, tmp_path: Path) -> None:
    text = pdf_text(sample_pdf, tmp_path)
    assert "A. Surveyor finds: REPLACE." in text
    assert "The tool found: MONITOR." in text
    assert "The signer's finding; Photo: MONITOR" in text
    assert "Rings dull when tapped." in text


@needs_poppler
def test_cautions_method_and_limits_are_printed(sample_pdf: bytes, tmp_path: Path) -> None:
    text = pdf_text(sample_pdf, tmp_path).lower()
    for word in (
        "key out",
        "cadmium",
        "two-person",
        "afloat",
        "shore-powered",
        "reference-cell",
        "qualified",
        "area is not mass",
    ):
        assert word in text, word


@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))])
def test_both_papers_at_their_true_size(paper: Any, size_mm: tuple[float, float]) -> None:
    """ISO 216; ANSI/ASME Y14.1."""
    page = pypdf.PdfReader(io.BytesIO(report_pdf(report_of(part_of(judged()), paper=paper)))).pages[0]
    assert float(page.mediabox.width) / PT_PER_MM == pytest.approx(size_mm[0], abs=0.1)
    assert float(page.mediabox.height) / PT_PER_MM == pytest.approx(size_mm[1], abs=0.1)


def test_the_scale_bar_is_true(judged_samples: Judged) -> None:
    """50 mm at 1:2 are 25 mm of paper, measured by pdfplumber: five pieces of 5 mm, black and
    white in turn."""
    parts = sample_parts(judged_samples.folder, {"watch": "transom"}, SAMPLES, ())
    report = report_of(*parts)
    assert "1:2" in report.parts[0].overlay_title
    with pdfplumber.open(io.BytesIO(report_pdf(report))) as pdf:
        pieces = [
            r
            for page in pdf.pages
            for r in page.rects
            if r["width"] / PT_PER_MM == pytest.approx(5.0, abs=0.3)
            and r["height"] / PT_PER_MM == pytest.approx(1.5, abs=0.3)
        ]
    assert len(pieces) == 10  # of the overlay and of the drawing
    for bar in (pieces[:5], pieces[5:]):
        starts = sorted(r["x0"] / PT_PER_MM for r in bar)
        assert starts[-1] - starts[0] == pytest.approx(20.0, abs=0.02)


@needs_poppler
@pytest.mark.parametrize("text", HOSTILE)
def test_nothing_breaks_out_of_any_field(text: str, tmp_path: Path) -> None:
    v = hostile_record(text)
    finding = Finding(text, "ok", text, text)
    part = part_of(v, text, note=text, history=(Earlier(text, "refit"),))
    pdf = report_pdf(report_of(part, cover=Cover(text, text, text, None), findings=(finding,)))
    seen = pdf_text(pdf, tmp_path).replace(" ", "")
    want = printable(clean(text)).replace("\u200b", "").replace(" ", "")
    if any("\u0590" <= c <= "\u06ff" for c in text):
        assert (
            any(word in seen for word in (want.strip("\u2068\u2069"), want.strip("\u2068\u2069")[::-1]))
            or "\u2068" in want
        )
    else:
        assert want[:60] in seen


@needs_poppler
def test_a_long_note_is_printed_whole(tmp_path: Path) -> None:
    """10 000 characters, in words and in one run without a space."""
    words = " ".join(f"w{i}" for i in range(1800))
    run = "".join(chr(ord("a") + i % 26) for i in range(10_000))
    text = pdf_text(report_pdf(report_of(part_of(judged(), note=f"{words}\n{run}"))), tmp_path)
    assert "w0 w1 w2" in text
    assert "w1799" in text
    assert run[-200:] in text.replace(" ", "")


def test_the_table_of_characters_is_what_the_fonts_have() -> None:
    """By fontTools."""
    from fontTools.ttLib import TTFont

    folder = Path(anodewane.__file__).parent / "fonts"
    regular, bold = (set(TTFont(f).getBestCmap()) for f in sorted(folder.glob("*.ttf")))
    assert covered() == regular & bold


def test_a_character_that_the_fonts_lack_is_printed_as_its_number() -> None:
    assert ord("中") not in covered()
    assert printable("中 a") == "[U+4E2D] a"
    assert printable("Ñandú Ω Щ ש ع") == "Ñandú Ω Щ ש ع"
    report_pdf(report_of(part_of(judged(), "中")))  # PDF/A would fail on a missing glyph


def test_hashes_are_not_cut() -> None:
    assert printable("ab" * 32) == "ab" * 32
    assert "\u200b" in printable("g" * 64)


def test_refusals_and_bare_records_get_a_page() -> None:
    bare = json.loads(verdict_to_json(refused()))
    report = report_of(
        part_of(refused(), "skeg"),
        part_of(judged(), "keel"),
        part_of(verdict_from_json(json.dumps(bare)), "bow"),
    )
    assert [p.position for p in report.parts] == ["skeg", "keel", "bow"]
    assert len(pypdf.PdfReader(io.BytesIO(report_pdf(report))).pages) >= 6
    assert report.parts[0].reasons[0].remedy == "Lay the printed sheet flat beside the part."
