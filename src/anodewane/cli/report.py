"""``anodewane report``: records in, a PDF to sign and a page for the phone out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from anodewane.cli._reporting import PATH, REPORTING, sources_and_choices
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
def report(outputs: tuple[Path, ...], **asked: Any) -> None:
    """Write a report of judged parts: a cover with all positions at a glance, a page for each part, the
    method, its limits, cautions, and hashes.

    RECORD is a file that 'judge --out' wrote, FOLDER the results of 'batch'. What is missing or
    contradicts itself is said on the cover and on standard error; no part is left out. The same
    input gives the same bytes. Standard output gets one line of JSON: what was written, the counts,
    and what to look at.
    """
    from anodewane.cli._stdout import answer_only

    with answer_only() as answer:
        import json

        from anodewane.files import check_writable, write_atomic

        for f in outputs:
            if f.suffix.lower() not in (".pdf", ".html", ".htm"):
                raise UsageError(
                    f"'{f.name}' is neither a PDF nor an HTML page.", "End it with .pdf or .html."
                )
            check_writable(f)
        if len({f.resolve() for f in outputs}) < len(outputs) or {f.resolve() for f in outputs} & {
            s.resolve() for s in asked["sources"]
        }:
            raise UsageError(
                "A file is named twice, once as an output.", "Give each output a name of its own."
            )
        sources, choices = sources_and_choices(**asked)

        from anodewane.report.request import assemble

        made = assemble(sources, choices).report
        for f in outputs:
            if f.suffix.lower() == ".pdf":
                from anodewane.report.pdf import report_pdf

                write_atomic(f, report_pdf(made))
            else:
                from anodewane.report.html import report_html

                write_atomic(f, report_html(made))
        for line in made.attention if made.looks_wrong else ():
            click.echo(f"Look at: {line}", err=True)
        counts = {g: sum(r.grade == g for r in made.glance) for g in ("replace", "monitor", "ok", None)}
        counts["cannot_judge"] = counts.pop(None)
        answer(
            json.dumps(
                {
                    "written": [str(f) for f in outputs],
                    "positions": len(made.glance),
                    "counts": counts,
                    "look_at": list(made.attention) if made.looks_wrong else [],
                },
                ensure_ascii=False,
            )
            + "\n"
        )
