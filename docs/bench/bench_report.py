"""How long a report of 40 parts takes, how large it comes out and how much memory it needs; and what
three PDF libraries make of the same content.

    python docs/bench/bench_report.py                 # the report
    python docs/bench/bench_report.py --engines       # the libraries (pip install weasyprint fpdf2;
                                                      # weasyprint also needs libpango)

The 40 photos are the sample photos, each with noise of its own, enlarged to 12 megapixels as a phone
takes them, with their records moved along.
"""

from __future__ import annotations

import argparse
import hashlib
import io
import json
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_images"
NAMES = ("replace", "watch", "sound", "no-wear", "rod", "turned")
GROWN = 2
"""2016 x 1512 to 4032 x 3024."""


def make_parts(folder: Path, n: int) -> list[Path]:
    """Photos and records of n parts; returns the records."""
    import cv2
    import numpy as np
    from PIL import Image

    from anodewane.catalog.templates import load_template
    from anodewane.judgement.pipeline import judge
    from anodewane.show.record_json import verdict_to_plain
    from anodewane.stages.load import load_photo

    judged = {}
    for name in NAMES:
        truth = json.loads((SAMPLES / f"{name}.truth.json").read_text(encoding="utf-8"))
        data = (SAMPLES / f"{name}.jpg").read_bytes()
        template = load_template(str(SAMPLES / truth["template"]))
        judged[name] = (
            load_photo(data, name).rgb,
            verdict_to_plain(judge(load_photo(data, f"{name}.jpg"), template)),
        )
    out = []
    for k in range(n):
        rgb, plain = judged[NAMES[k % len(NAMES)]]
        large = cv2.resize(np.asarray(rgb), None, fx=GROWN, fy=GROWN, interpolation=cv2.INTER_CUBIC)
        noise = np.random.default_rng(k).normal(0, 4, large.shape[:2])[..., None]
        buffer = io.BytesIO()
        exif = Image.Exif()
        if plain["photo"]["taken"]:
            exif.get_ifd(0x8769)[0x9003] = plain["photo"]["taken"].replace("-", ":").replace("T", " ")
        Image.fromarray(np.clip(large + noise, 0, 255).astype(np.uint8)).save(
            buffer, "JPEG", quality=88, exif=exif.tobytes()
        )
        record = grown(json.loads(json.dumps(plain)))
        record["photo"].update(
            name=f"part-{k:02d}.jpg",
            sha256=hashlib.sha256(buffer.getvalue()).hexdigest(),
            width_px=large.shape[1],
            height_px=large.shape[0],
        )
        (folder / f"part-{k:02d}.jpg").write_bytes(buffer.getvalue())
        (folder / f"part-{k:02d}.json").write_text(json.dumps(record), encoding="utf-8")
        out.append(folder / f"part-{k:02d}.json")
    return out


def grown(value: Any, key: str = "") -> Any:
    """A record with its photo pixels moved to the enlarged photo (pixel centres at integers)."""
    if isinstance(value, dict):
        return {
            k: grown(v, k if k.endswith("_px") and k != "residual_px" else "" if isinstance(v, dict) else key)
            for k, v in value.items()
        }
    if isinstance(value, list):
        return [grown(v, key) for v in value]
    return (value + 0.5) * GROWN - 0.5 if key and isinstance(value, float) else value


def report(n: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        records = make_parts(folder, n)
        photos = sum(f.stat().st_size for f in folder.glob("*.jpg")) / 1e6
        command = [
            "report",
            *map(str, records),
            "--template",
            str(SAMPLES / "templates" / "teardrop-plain.toml"),
        ]
        for outputs in (["r.pdf"], ["r.html"], ["r.pdf", "r.html"]):
            args = [a for f in outputs for a in ("--out", str(folder / f))]
            began = time.perf_counter()
            done = subprocess.run(
                [sys.executable, "-c", MEASURED, *command, *args], capture_output=True, check=True
            )
            seconds = time.perf_counter() - began
            said = json.loads(done.stdout)
            sizes = ", ".join(f"{f} {(folder / f).stat().st_size / 1e6:.1f} MB" for f in outputs)
            peak = int(done.stderr.split()[-2]) / 1024
            print(
                f"{n} parts of 12 MP ({photos:.0f} MB of photos) in {seconds:.1f} s: {sizes}; peak memory "
                f"{peak:.0f} MB; to look at: {len(said['look_at'])}"
            )


MEASURED = """
import sys
from anodewane.cli import main
code = main(sys.argv[1:])
print(*[line for line in open("/proc/self/status") if line.startswith("VmHWM")], file=sys.stderr)
sys.exit(code)
"""
"""The command in a process that tells its own peak: getrusage would count the bench's memory at the
moment of the fork."""


# --- the libraries -------------------------------------------------------------------------------


def engines(n: int) -> None:
    from anodewane.report.gather import Photos, Templates, gather, read_record
    from anodewane.report.html import report_html
    from anodewane.report.model import Cover
    from anodewane.report.pdf import report_pdf
    from anodewane.report.texts import load_catalogue
    from anodewane.report.write import make_report

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        records = [read_record(r) for r in make_parts(folder, n)]
        parts = tuple(gather(records, Photos([folder]), Templates()))
    made = make_report(parts, Cover(dated="2026-10-06"), (), load_catalogue("en"))
    page = report_html(made).decode()

    def by_weasyprint() -> bytes:
        import weasyprint

        pdf: bytes = weasyprint.HTML(string=page).write_pdf(pdf_variant="pdf/a-2a")
        return pdf

    def by_fpdf2() -> bytes:
        from datetime import UTC, datetime

        from fpdf import FPDF

        fonts = ROOT / "src" / "anodewane" / "fonts"
        pdf = FPDF(format="A4", enforce_compliance="PDF/A-2B")
        pdf.set_lang("en")
        pdf.set_title(made.title)
        pdf.set_creation_date(datetime(2026, 10, 6, tzinfo=UTC))
        pdf.add_font("D", "", str(fonts / "DejaVuSans.ttf"))
        pdf.add_font("D", "B", str(fonts / "DejaVuSans-Bold.ttf"))
        for p in made.parts:
            pdf.add_page()
            pdf.set_font("D", "B", 14)
            pdf.multi_cell(0, 8, p.heading, new_x="LMARGIN", new_y="NEXT")
            if p.photo is not None:
                pdf.image(io.BytesIO(p.photo.jpeg), w=80, alt_text=p.photo_alt)
            for d in (p.profile, p.drawing, p.budget):
                if d is not None:
                    pdf.image(io.BytesIO(d.svg.encode()), w=d.width_mm, alt_text=d.alt)
            pdf.set_font("D", "", 8)
            with pdf.table() as table:
                for row in (*p.figures, *p.more):
                    table.row(row)
        return bytes(pdf.output())

    for label, make in (
        ("typst", lambda: report_pdf(made)),
        ("weasyprint", by_weasyprint),
        ("fpdf2", by_fpdf2),
    ):
        try:
            began = time.perf_counter()
            pdf = make()
            seconds = time.perf_counter() - began
            again = make()
        except Exception as e:
            print(f"{label}: fails: {type(e).__name__}: {str(e)[:160]}")
            continue
        print(
            f"{label}: {n} parts in {seconds:.2f} s, {len(pdf) / 1e6:.2f} MB; {facts(pdf)}; same bytes "
            f"twice: {pdf == again}"
        )


def facts(pdf: bytes) -> str:
    """What the file says of itself."""
    import pypdf

    reader = pypdf.PdfReader(io.BytesIO(pdf))
    root: Any = reader.trailer["/Root"]
    xmp = root["/Metadata"].get_object().get_data().decode("utf-8", "replace") if "/Metadata" in root else ""
    resources = [p["/Resources"] for p in reader.pages]
    fonts = [f.get_object() for r in resources for f in r.get("/Font", {}).values()]
    embedded = all(
        "/DescendantFonts" in f
        and {"/FontFile2", "/FontFile3"}
        & set(f["/DescendantFonts"][0].get_object()["/FontDescriptor"].get_object())
        for f in fonts
    )
    figures: list[bool] = []

    def walk(node: Any) -> None:
        node = node.get_object()
        if isinstance(node, dict):
            if node.get("/S") == "/Figure":
                figures.append(bool(str(node.get("/Alt", "")).strip()))
            kids = node.get("/K")
            for kid in kids if isinstance(kids, list) else [kids]:
                if hasattr(kid, "get_object"):
                    walk(kid)

    if "/StructTreeRoot" in root:
        walk(root["/StructTreeRoot"])
    said = re.search(r"pdfaid:part(?:>|=.)(\d)", xmp), re.search(r"pdfaid:conformance(?:>|=.)([A-Z])", xmp)
    part = f"PDF/A-{said[0].group(1)}{said[1].group(1)}" if said[0] and said[1] else "no PDF/A"
    text = " ".join((p.extract_text() or "") for p in reader.pages)
    tagged = "tagged" if "/StructTreeRoot" in root else "not tagged"
    return (
        f"{part}, {tagged}, figures with words {sum(figures)} of {len(figures)}, fonts embedded: {embedded}, "
        f"words of drawings in the text: {'way round' in text}"
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--engines", action="store_true")
    parser.add_argument("--parts", type=int, default=40)
    given = parser.parse_args()
    (engines if given.engines else report)(given.parts)
