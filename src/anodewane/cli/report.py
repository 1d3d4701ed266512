"""``anodewane report``: records in, a PDF to sign and a page for the phone out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from anodewane.cli._judging import AS_JSON
from anodewane.cli._reporting import PATH, REPORTING, sources_and_choices
from anodewane.cli._stdout import Telling
from anodewane.errors import UsageError


@click.command(short_help="Write a report to sign.")
@REPORTING
@click.option(
    "--out",
    "outputs",
    metavar="FILE.pdf|html",
    multiple=True,
    required=True,
    type=PATH,
    help="Where to write it: a PDF, an HTML page, or both by giving it twice.",
)
@AS_JSON
def report(outputs: tuple[Path, ...], as_json: bool, **asked: Any) -> None:
    """Write a report of judged parts: a cover with all positions at a glance, a page for each part, the
    method, its limits, cautions, and hashes.

    RECORD is a file that 'judge --out' wrote, FOLDER the results of 'batch'. What is missing or
    contradicts itself is said on the cover and here; no part is left out. The same input gives the
    same bytes. Piped, standard output gets one line of JSON: what was written, the counts, and what to
    look at.
    """
    with Telling(as_json).answering() as told:
        from anodewane.files import check_writable, write_atomic

        for f in outputs:
            if f.suffix.lower() not in (".pdf", ".html", ".htm"):
                raise UsageError(
                    f"'{f.name}' is neither a PDF nor an HTML page.", "End it with .pdf or .html."
                )
            check_writable(f)
        named = {f.resolve() for f in outputs}
        if len(named) < len(outputs) or named & {s.resolve() for s in asked["sources"]}:
            raise UsageError(
                "A file is named twice, once as an output.", "Give each output a name of its own."
            )
        sources, choices = sources_and_choices(**asked)

        from anodewane.report.html import report_html
        from anodewane.report.pdf import report_pdf
        from anodewane.report.request import assemble

        made = assemble(sources, choices).report
        for f in outputs:
            write_atomic(f, report_pdf(made) if f.suffix.lower() == ".pdf" else report_html(made))
        look_at = list(made.attention) if made.looks_wrong else []
        for line in look_at:
            told.line(f"Look at: {line}")
        counts = {g: sum(r.grade == g for r in made.glance) for g in ("replace", "monitor", "ok", None)}
        counts["cannot_judge"] = counts.pop(None)
        told.line(f"{made.counts} Written: {', '.join(str(f) for f in outputs)}.")
        told.record(
            {
                "written": [str(f) for f in outputs],
                "positions": len(made.glance),
                "counts": counts,
                "look_at": look_at,
            }
        )
