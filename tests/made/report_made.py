"""Reports for tests, made from records by hand or from sample photos."""

from __future__ import annotations

import hashlib
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

from anodewane.record import Verdict
from anodewane.report.gather import Photos, Templates, gather, read_record
from anodewane.report.model import Cover, Finding, PartInput, Report
from anodewane.report.texts import load_catalogue
from anodewane.report.write import make_report
from anodewane.show.record_json import verdict_to_json
from made.hand_made import judged, signed

HOSTILE = [
    '<script>alert("x")</script>.jpg',
    '#image("/etc/passwd") *bold* _it_ $x^2$ @label <label> // comment',
    "\\ \" ' ` ${x} {{x}} %s %(x)s {position}",
    "=cmd|' /C calc'!A0",
    "\u202egpj.exe",
    "קורוזיה, ימין",
    "اسم القارب",
    "錨 🛥 ก",
    "a" * 500,
    "../../etc/passwd\x00.png",
]
"""Names that someone might try, or just have."""

FINDING = Finding("transom", "replace", "A. Surveyor", "Rings dull when tapped.", "2026-10-06")


def part_of(verdict: Verdict, position: str = "transom", **more: Any) -> PartInput:
    """A part without a photo."""
    return PartInput(position, verdict, hashlib.sha256(verdict_to_json(verdict).encode()).hexdigest(), **more)


def report_of(
    *parts: PartInput,
    cover: Cover | None = None,
    findings: tuple[Finding, ...] = (),
    language: str = "en",
    **more: Any,
) -> Report:
    return make_report(parts, cover or Cover(), findings, load_catalogue(language), **more)


def sample_parts(
    folder: Path, names: dict[str, str], photos: Path, templates: tuple[Path, ...]
) -> tuple[PartInput, ...]:
    """Parts of the sample photos by name and position."""
    records = [read_record(folder / f"{name}.json", position) for name, position in names.items()]
    return tuple(gather(records, Photos([photos]), Templates(templates)))


def pdf_text(pdf: bytes, tmp_path: Path) -> str:
    """A PDF's words by poppler's pdftotext, an independent reader; white space made single."""
    file = tmp_path / "read.pdf"
    file.write_bytes(pdf)
    done = subprocess.run(["pdftotext", "-enc", "UTF-8", str(file), "-"], capture_output=True, check=True)
    return " ".join(done.stdout.decode().replace("\u200b", "").split())


def hostile_record(text: str) -> Verdict:
    """A judged record that holds `text` in every field that a stranger could have filled."""
    v = judged()
    assert v.template is not None
    return replace(
        v,
        photo=replace(v.photo, name=text),
        template=replace(v.template, name=text),
        limits=replace(v.limits, basis=text),
        budget={text: 1.0, "edge": 0.5},
        provenance=replace(signed(v).provenance, libraries={text: text}, segmenter=text),
    )
