"""The page model as a PDF: tagged, PDF/A-2a and PDF/UA-1, fonts embedded, the same bytes for the same
report. Set by typst.

Text goes to typst as data and is never read as markup. The package's fonts cover Latin, Greek,
Cyrillic, Hebrew and most of Arabic; a character that they lack is printed as its number,
"[U+4E2D]", because PDF/A allows no missing glyph and nothing may be dropped unseen. The HTML page
shows it as it is.
"""

from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

from anodewane.report.model import PartPage, Report
from anodewane.report.texts import marked
from anodewane.show.svg import Drawing

FONTS = Path(__file__).parents[1] / "fonts"
STANDARDS: list[Literal["a-2a", "ua-1"]] = ["a-2a", "ua-1"]
UNKNOWN_DATE = "1970-01-01"
"""PDF/A demands a date. Where neither the report nor a photo has one, this stands for unknown, and the
cover says so."""

RUN = 40
"""Characters without a place to break a line, after which one is offered."""


def report_pdf(report: Report) -> bytes:
    """Set the report as a PDF. The same report gives the same bytes."""
    import tempfile

    import typst

    with tempfile.TemporaryDirectory(prefix="anodewane-") as folder:
        root = Path(folder)
        data = _data(report, root)
        (root / "data.json").write_text(json.dumps(_printable(data), ensure_ascii=False), encoding="utf-8")
        (root / "main.typ").write_bytes((Path(__file__).parent / "report.typ").read_bytes())
        main = str(root / "main.typ")
        pdf, warnings = typst.compile_with_warnings(
            main,
            root=str(root),
            font_paths=[str(FONTS)],
            ignore_system_fonts=True,
            pdf_standards=list(STANDARDS),
        )
    if warnings:  # a missing font is only a warning there, and would change every page
        raise RuntimeError(f"typst warns: {warnings[0].message}")
    return bytes(pdf)


def _data(report: Report, root: Path) -> dict[str, Any]:
    """What the typst file reads; pictures are put beside it."""
    say = report.catalogue
    count = 0

    def put(content: bytes, suffix: str) -> str:
        nonlocal count
        count += 1
        name = f"{count}.{suffix}"
        (root / name).write_bytes(content)
        return name

    def drawn(d: Drawing | None) -> Any:
        return (
            None
            if d is None
            else {"file": put(shown(d.svg).encode(), "svg"), "w": d.width_mm, "h": d.height_mm, "alt": d.alt}
        )

    def part(p: PartPage) -> dict[str, Any]:
        return {
            "anchor": p.anchor,
            "heading": p.heading,
            "position": None if p.position in p.heading else p.position,
            "verdict": p.verdict,
            "others": p.others,
            "headline": p.headline,
            "to_do": p.to_do,
            "sign": drawn(p.sign),
            "gauge": drawn(p.gauge),
            "photo": None
            if p.photo is None
            else {
                "file": put(p.photo.jpeg, "jpg"),
                "alt": p.photo_alt,
                "tall": p.photo.height_px > p.photo.width_px,
            },
            "photo_title": p.photo_title,
            "photo_note": p.photo_note,
            "overlay": drawn(p.overlay),
            "overlay_title": p.overlay_title,
            "overlay_note": p.overlay_note,
            "profile": drawn(p.profile),
            "profile_title": p.profile_title,
            "profile_note": p.profile_note,
            "drawing": drawn(p.drawing),
            "drawing_title": p.drawing_title,
            "drawing_note": p.drawing_note,
            "views": [
                {"file": put(w.picture.jpeg, "jpg"), "alt": w.alt, "caption": w.caption} for w in p.views
            ],
            "views_note": p.views_note,
            "figures": p.figures,
            "more": p.more,
            "reasons": [{"message": r.message, "remedy": r.remedy, "own": r.own_words} for r in p.reasons],
            "sure_text": p.sure_text,
            "sure_more": p.sure_more,
            "budget": drawn(p.budget),
            "findings": [{"lines": f.lines, "why": f.why} for f in p.findings],
            "note": p.note,
            "history": p.history,
            "before": {"file": put(p.before.picture.jpeg, "jpg"), "alt": p.before.alt} if p.before else None,
            "book": [{"message": r.message, "remedy": r.remedy, "own": r.own_words} for r in p.book],
            "book_verdict": p.book_verdict,
            "doubts": p.doubts,
        }

    signs = {k: drawn(d) for k, d in report.signs.items()}
    return {
        "language": report.language,
        "paper": {"a4": "a4", "letter": "us-letter"}[report.paper],
        "date": [int(v) for v in (_iso(report.date_iso) or UNKNOWN_DATE).split("-")],
        "title": report.title,
        "footer": report.footer,
        "facts": report.facts,
        "scope": report.scope,
        "actions": report.actions,
        "signature": report.signature,
        "counts": report.counts,
        "glance_note": report.glance_note,
        "glance": [
            {
                "anchor": r.anchor,
                "position": f"{r.number}. {r.position}",
                "sign": signs[r.grade or "cannot_judge"],
                "verdict": r.verdict,
                "others": r.others,
                "consumed": r.consumed,
                "to_do": r.to_do,
            }
            for r in report.glance
        ],
        "attention": report.attention,
        "season": drawn(report.season),
        "parts": [part(p) for p in report.parts],
        "hashes": [{"heading": b.heading, "rows": b.rows} for b in report.hashes],
        "words": {k: v for k, v in say.texts.items() if not k.startswith(("reason.", "remedy."))},
    }


def _iso(text: str | None) -> str | None:
    from datetime import date

    try:
        return date.fromisoformat(text).isoformat() if text else None
    except ValueError:
        return None


# --- what the fonts can show ---------------------------------------------------------------------


@lru_cache(maxsize=1)
def covered() -> frozenset[int]:
    """Characters that both of the package's fonts have, by the table beside them (`docs/generate.py`
    makes it from the fonts)."""
    found: set[int] = set()
    for run in (FONTS / "covered.txt").read_text("ascii").split():
        first, _, last = run.partition("-")
        found.update(range(int(first, 16), int(last or first, 16) + 1))
    return frozenset(found)


INVISIBLE = frozenset(ord(c) for c in "\n\u200b\u200c\u200d\u2068\u2069")
"""Never drawn, so no font needs them."""


def _printable(value: Any) -> Any:
    """Text as the fonts can print it, with places to break a line in runs that have none; everything
    else as it is."""
    if isinstance(value, str):
        return printable(value)
    if isinstance(value, dict):
        return {k: _printable(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_printable(v) for v in value]
    return value


def shown(text: str) -> str:
    """Text with every character that the fonts lack as its number."""
    known = covered()
    return "".join(c if ord(c) in known or ord(c) in INVISIBLE else marked(c) for c in text)


def printable(text: str) -> str:
    """Text as the PDF's fonts can print it."""
    words = shown(text).split(" ")
    return " ".join(
        "\u200b".join(w[i : i + RUN] for i in range(0, len(w), RUN))
        if len(w) > RUN and not _is_hash(w)
        else w
        for w in words
    )


def _is_hash(word: str) -> bool:
    """A SHA-256 fits on its line and must come out of the PDF in one piece."""
    return len(word) == 64 and all(c in "0123456789abcdef" for c in word)
