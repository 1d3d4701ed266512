"""`anodewane card`: write the printed scale sheet."""

from __future__ import annotations

from pathlib import Path

import click

SHEETS = ("card", "mat-a4", "mat-letter")


@click.command()
@click.argument("sheet", type=click.Choice(SHEETS), default="card")
@click.option(
    "--out", type=click.Path(path_type=Path), help="File to write, .pdf or .png.  [default: SHEET.pdf]"
)
@click.option(
    "--dpi", type=click.FloatRange(72, 1200), help="Resolution of a PNG, dots per inch.  [default: 600]"
)
@click.option(
    "--label",
    "pairs",
    nargs=2,
    multiple=True,
    metavar="BOAT POSITION",
    help="Print boat and position on the sheet, in words and as a code that 'judge' and 'batch' read in "
    "the photo; repeat it for more pages.",
)
@click.option(
    "--labels",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="CSV with columns boat and position: a page for each.",
)
def card(
    sheet: str, out: Path | None, dpi: float | None, pairs: tuple[tuple[str, str], ...], labels: Path | None
) -> None:
    """Write the scale sheet to print: 'card' (A5) lies beside the part, 'mat-a4' and
    'mat-letter' lie under it.

    Print it at 100 % ("actual size"), then measure its two lines of 100 mm. Where they measure
    otherwise, give 'judge' the length with --check-line.
    """
    from anodewane.catalog.print_sheet import sheet_pdf, sheet_png
    from anodewane.catalog.sheet_label import label_of, labels_from_csv
    from anodewane.errors import UsageError
    from anodewane.files import check_writable, read_text, write_atomic

    path = out if out is not None else Path(f"{sheet}.pdf")
    kind = path.suffix.lower()
    if kind not in (".pdf", ".png"):
        raise UsageError(
            f"The sheet can't be written as '{path.suffix or path.name}'.", "End the name in .pdf or .png."
        )
    if dpi is not None and kind == ".pdf":
        raise UsageError(
            "A PDF has no dots per inch: it is drawn in exact millimetres.",
            "Leave --dpi out, or end the name in .png.",
        )
    asked = [label_of(*pair) for pair in pairs]
    if labels is not None:
        asked += labels_from_csv(read_text(labels, "list of labels"))
    if len(asked) > 1 and kind == ".png":
        raise UsageError(
            f"A PNG holds one sheet, and there are {len(asked)} labels.",
            "End the name in .pdf: it has a page for each.",
        )
    check_writable(path)
    write_atomic(
        path,
        sheet_pdf(sheet, asked)
        if kind == ".pdf"
        else sheet_png(sheet, dpi or 600.0, asked[0] if asked else None),
    )
    pages = f"{len(asked)} pages, each for one part; " if len(asked) > 1 else ""
    click.echo(f"Wrote {path}: {pages}print it at 100 % and measure both lines of 100 mm.", err=True)


command = card
