"""The frame of the book's pages: one HTML file without anything from outside, readable on a screen and
printed in black and white."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

YARD_CAUTIONS = (
    "Heavy slabs are a two-person lift.",
    "Don't undo through-hull anode bolts afloat, and don't swim by shore-powered boats.",
    "Never paint an anode; bring the seat to bright metal; fit one alloy throughout.",
)
"""What fitting parts needs to be told beside the cautions of every record (usual cautions of the trade)."""

STYLE = """
  :root { color-scheme: light; }
  body { font: 15px/1.45 "DejaVu Sans", "Helvetica Neue", Helvetica, Arial, sans-serif; color: #111; background: #fff; }
  body { margin: 0 auto; max-width: 62rem; padding: 1.5rem; }
  h1 { font-size: 1.6rem; margin: 0 0 .2rem; }
  h2 { font-size: 1.2rem; margin: 2rem 0 .5rem; border-bottom: 2px solid #111; }
  h3 { font-size: 1rem; margin: 1.2rem 0 .3rem; }
  p.sub { margin: 0 0 1rem; color: #444; }
  table { border-collapse: collapse; width: 100%; margin: .5rem 0 1rem; }
  caption { text-align: left; font-weight: bold; padding: .3rem 0; }
  th, td { text-align: left; vertical-align: top; padding: .3rem .6rem .3rem 0; border-bottom: 1px solid #bbb; overflow-wrap: break-word; }
  thead th { border-bottom: 2px solid #111; }
  td.n, th.n { text-align: right; width: 1%; font-variant-numeric: tabular-nums; white-space: nowrap; }
  td.box { width: 1.4rem; }
  td.box span { display: inline-block; width: .95rem; height: .95rem; border: 1.5px solid #111; }
  ul { margin: .3rem 0; padding-left: 1.2rem; }
  li { margin: .25rem 0; }
  svg { max-width: 100%; height: auto; }
  .caution { border: 2px solid #111; padding: .4rem .9rem; margin-top: 2rem; }
  .caution h3 { margin-top: .3rem; }
  @media print {
    body { padding: 0; font-size: 9.5pt; max-width: none; }
    h2, h3 { break-after: avoid; }
    tr, li, svg, .caution { break-inside: avoid; }
    thead { display: table-header-group; }
  }
  @page { margin: 15mm; }
"""


def page(title: str, sub: str, body: str, cautions: Sequence[str] = ()) -> str:
    """A whole page. `title` and `sub` are text and escaped here; `body` is HTML."""
    end = (
        f'<section class="caution"><h3>Before you start</h3>{bullets(cautions)}</section>\n'
        if cautions
        else ""
    )
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n<h1>{escape(title)}</h1>\n"
        f'<p class="sub">{escape(sub)}</p>\n{body}\n{end}</body>\n</html>\n'
    )


def all_cautions() -> tuple[str, ...]:
    """The cautions of every record and those of fitting."""
    from anodewane.judgement.pipeline import CAUTIONS

    return (*CAUTIONS, *YARD_CAUTIONS)


def bullets(items: Iterable[str]) -> str:
    """A list of sentences, escaped."""
    return "<ul>" + "".join(f"<li>{escape(i)}</li>" for i in items) + "</ul>"


def table(
    head: Sequence[str],
    rows: Iterable[Sequence[str]],
    numbers: Sequence[int] = (),
    boxes: bool = False,
    caption: str | None = None,
) -> str:
    """A table of text, escaped. numbers : columns set to the right; boxes : a box to tick before each row."""
    kind = [' class="n"' if i in numbers else "" for i in range(len(head))]
    top = ('<th scope="col"></th>' if boxes else "") + "".join(
        f'<th scope="col"{k}>{escape(h)}</th>' for k, h in zip(kind, head, strict=True)
    )
    box = '<td class="box"><span></span></td>' if boxes else ""
    lines = [
        "<tr>" + box + "".join(f"<td{k}>{escape(c)}</td>" for k, c in zip(kind, row, strict=True)) + "</tr>"
        for row in rows
    ]
    name = f"<caption>{escape(caption)}</caption>" if caption else ""
    return (
        f"<table>{name}<thead><tr>{top}</tr></thead>\n<tbody>\n" + "\n".join(lines) + "\n</tbody></table>\n"
    )
