"""The contact sheet: every photo of a batch small, with its verdict in words, on pages that need
nothing but a browser and work from a folder.

Verdicts are told by word and by the shape of sign and frame first, by colour second, so that a
black-and-white print says the same. Filtering is done by style rules alone: there is no script,
and none may run.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape
from urllib.parse import quote

from anodewane.batch.plan import SKIP_WORDS, Skipped
from anodewane.batch.rows import Row

PHOTOS_A_PAGE = 400

GRADES: dict[str, tuple[str, str]] = {
    "replace": ("REPLACE", "✕"),
    "monitor": ("MONITOR", "◐"),
    "ok": ("OK", "✓"),
    "cannot_judge": ("CANNOT JUDGE", "?"),
    "unreadable": ("NOT READABLE", "⊘"),
    "crashed": ("NOT JUDGED", "⊘"),
    "fault": ("NOT JUDGED", "⊘"),
    "pending": ("NOT YET JUDGED", "…"),
}
"""Word and sign of each verdict, and of what stands in its place."""

SAID_ALREADY = frozenset(
    ("past_limit", "sound", "template_chosen", "print_scale_unmeasured", "pose_ambiguous")
)
"""Reasons that word, figure and template line say, or that are the same on every card; the
record has them all."""

# colours: Okabe and Ito 2008, as in draw.py
STYLE = """
:root{color-scheme:light}
*{box-sizing:border-box}
body{margin:0;padding:1rem 1.2rem 3rem;font:15px/1.4 system-ui,"DejaVu Sans",sans-serif;color:#181818;background:#fff}
h1{font-size:1.35rem;margin:0 0 .3rem}
h2{break-after:avoid;font-size:1.1rem;margin:1.6rem 0 .5rem;padding-bottom:.2rem;border-bottom:2px solid #181818}
h2 small{font-weight:normal;color:#5c5c5c;margin-left:.6rem}
p{margin:.3rem 0}
.filter{position:absolute;opacity:0}
.bar{display:flex;flex-wrap:wrap;gap:.4rem;margin:.8rem 0;position:sticky;top:0;background:#fff;padding:.5rem 0;border-bottom:1px solid #cdcdcd;z-index:1}
.bar label{border:1.5px solid #181818;border-radius:1rem;padding:.3rem .8rem;cursor:pointer}
.cards{display:grid;grid-template-columns:repeat(auto-fill,minmax(15rem,1fr));gap:.8rem}
.card{border:1.5px solid #5c5c5c;border-radius:.4rem;padding:.5rem;break-inside:avoid;overflow-wrap:anywhere;display:flex;flex-direction:column}
.card a{color:inherit}
.picture{display:flex;align-items:center;justify-content:center;height:11rem;background:#f2f2f2;margin-bottom:.5rem}
.picture img{max-width:100%;max-height:11rem}
.picture span{color:#5c5c5c}
.verdict{font-weight:bold;display:inline-block;border:1.5px solid #181818;border-radius:.25rem;padding:.05rem .5rem;margin-bottom:.25rem;align-self:flex-start}
.sign{display:inline-block;min-width:1.2em}
.replace{border:4px solid #181818}.replace .verdict{background:#d55e00;color:#fff;-webkit-print-color-adjust:exact;print-color-adjust:exact}
.monitor{border:3px dashed #181818}.monitor .verdict{background:#f0e442}
.ok .verdict{background:#009e73;color:#fff;-webkit-print-color-adjust:exact;print-color-adjust:exact}
.cannot_judge,.unreadable,.crashed,.fault,.pending{border:3px dotted #181818}
.cannot_judge .verdict,.unreadable .verdict,.crashed .verdict,.fault .verdict,.pending .verdict{background:#fff}
.place{font-weight:bold}
.quiet{color:#5c5c5c;font-size:.87em}
.told{border-left:3px solid #181818;padding-left:.5rem;font-size:.87em}
table{border-collapse:collapse}td,th{text-align:left;vertical-align:top;padding:.15rem .8rem .15rem 0}
details{margin-top:1.2rem}
nav{margin:.6rem 0}nav a,nav b{margin-right:.6rem}
@media print{.bar,nav{display:none}.card{border-radius:0}.cards{grid-template-columns:repeat(3,1fr)}body{padding:0;font-size:10px}.card{padding:.3rem}
.picture{height:8rem}.picture img{max-height:8rem}}
"""


def contact_sheet(
    rows: Sequence[Row], skipped: Sequence[Skipped], notes: Sequence[str], cautions: Sequence[str], title: str
) -> Iterator[tuple[str, bytes]]:
    """Yield (name, HTML) of each page: index.html, index-2.html and so on; by boat, then position,
    unknown ones last."""
    ordered = sorted(
        rows,
        key=lambda r: (
            r.boat is None,
            (r.boat or "").casefold(),
            r.position is None,
            (r.position or "").casefold(),
            r.path,
        ),
    )
    pages = [ordered[i : i + PHOTOS_A_PAGE] for i in range(0, len(ordered), PHOTOS_A_PAGE)] or [[]]
    for number, page in enumerate(pages, start=1):
        yield (
            page_name(number),
            _page(page, ordered, number, len(pages), skipped, notes, cautions, title).encode(),
        )


def page_name(number: int) -> str:
    """File name of a page, counted from 1."""
    return "index.html" if number == 1 else f"index-{number}.html"


def _page(
    page: Sequence[Row],
    every: Sequence[Row],
    number: int,
    n_pages: int,
    skipped: Sequence[Skipped],
    notes: Sequence[str],
    cautions: Sequence[str],
    title: str,
) -> str:
    counts = {grade: sum(r.grade == grade for r in every) for grade in GRADES}
    here = {grade: sum(r.grade == grade for r in page) for grade in GRADES}
    shown = [g for g in GRADES if here[g]]
    rules = "".join(
        f"#only-{g}:checked~main .card:not(.{g}),#only-{g}:checked~main section:not(:has(.{g})){{display:none}}"
        for g in shown
    )
    for g in ("all", *shown):
        rules += f"#only-{g}:checked~.bar [for=only-{g}]{{background:#181818;color:#fff}}#only-{g}:focus-visible~.bar [for=only-{g}]{{outline:3px solid #0072b2}}"
    inputs = '<input type="radio" class="filter" name="only" id="only-all" checked>' + "".join(
        f'<input type="radio" class="filter" name="only" id="only-{g}">' for g in shown
    )
    labels = f'<label for="only-all">all {len(page)}</label>' + "".join(
        f'<label for="only-{g}"><span class="sign" aria-hidden="true">{GRADES[g][1]}</span> {_grade_words(g)} {here[g]}</label>'
        for g in shown
    )
    totals = ", ".join(f"{counts[g]} {_grade_words(g)}" for g in GRADES if counts[g])
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">\n'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"script-src 'none'; object-src 'none'; base-uri 'none'; form-action 'none'\">\n"
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{STYLE}{rules}</style></head>\n<body>\n"
        f"<h1>{escape(title)}</h1>\n<p><b>{_how_many(every)}</b>: {totals or 'none'}.</p>\n"
        f'{_pager(number, n_pages)}{inputs}\n<div class="bar">{labels}</div>\n<main>\n{"".join(_boats(page))}</main>\n{_pager(number, n_pages)}'
        f"{_told(skipped, notes) if number == n_pages else ''}"
        f'<p class="quiet">Figures are the share of the metal that is gone, with the interval that should hold the truth. {escape(" ".join(cautions))}</p>\n'
        "</body></html>\n"
    )


def _how_many(rows: Sequence[Row]) -> str:
    photos = sum(len(r.photos) for r in rows)
    return f"{photos} photos" if photos == len(rows) else f"{photos} photos of {len(rows)} parts"


def _grade_words(grade: str) -> str:
    return {
        "unreadable": "not readable",
        "crashed": "crashed",
        "fault": "failed",
        "pending": "not yet judged",
    }.get(grade, grade.replace("_", " "))


def _pager(number: int, n_pages: int) -> str:
    if n_pages == 1:
        return ""
    links = "".join(
        f"<b>{n}</b>" if n == number else f'<a href="{page_name(n)}">{n}</a>' for n in range(1, n_pages + 1)
    )
    return f"<nav>Page {links}</nav>\n"


def _boats(page: Sequence[Row]) -> Iterator[str]:
    boat_rows: list[Row] = []
    for i, row in enumerate(page):
        boat_rows.append(row)
        if i + 1 == len(page) or page[i + 1].boat != row.boat:
            counts = [(g, sum(r.grade == g for r in boat_rows)) for g in GRADES]
            words = ", ".join(f"{n} {_grade_words(g)}" for g, n in counts if n)
            cards = "".join(map(_card, boat_rows))
            yield f'<section><h2>{escape(row.boat or "Boat not known")}<small>{words}</small></h2>\n<div class="cards">\n{cards}</div></section>\n'
            boat_rows = []


def _card(row: Row) -> str:
    word, sign = GRADES[row.grade]
    picture = (
        f'<img src="{_link(row.thumbnail)}" alt="{word.capitalize()}: {escape(row.path)}" loading="lazy">'
        if row.thumbnail
        else "<span>no picture</span>"
    )
    picture = (
        f'<a class="picture" href="{_link(row.overlay)}">{picture}</a>'
        if row.overlay
        else f'<div class="picture">{picture}</div>'
    )
    lines = [f'<div class="place">{escape(row.position or "position not known")}</div>']
    no_wear = any(c == "no_measurable_wear" for c, _, _ in row.reasons)  # its sentence has the figure
    if (
        not no_wear
        and row.consumed_pct is not None
        and row.consumed_low_pct is not None
        and row.consumed_high_pct is not None
    ):
        lines.append(
            f"<div>{row.consumed_pct:.0f} % gone ({row.consumed_low_pct:.0f} to {row.consumed_high_pct:.0f} %)</div>"
        )
    told = [(m, r) for c, m, r in row.reasons if c not in SAID_ALREADY]
    for i, (message, remedy) in enumerate(told):
        again = remedy in [
            r for _, r in told[i + 1 :]
        ]  # one remedy for several reasons is said once, behind the last
        lines.append(f"<div>{escape(message)}{' ' + escape(remedy) if remedy and not again else ''}</div>")
    if row.template:
        lines.append(
            f'<div class="quiet">template {escape(row.template)}{" (best fit)" if row.template_chosen else ""}</div>'
        )
    if row.duplicate_of:
        lines.append(f'<div class="told">same photo as {escape(row.duplicate_of)}</div>')
    lines += [f'<div class="told">{escape(c)}</div>' for c in row.contradictions]
    name = escape(row.path)
    if len(row.photos) > 1:
        folder = row.path[: row.path.rfind("/") + 1]
        name = f"{len(row.photos)} photos together: {escape(', '.join((row.path, *(p.removeprefix(folder) for p in row.photos[1:]))))}"
    taken = f" · taken {escape(row.taken.replace('T', ' '))}" if row.taken else ""
    record = f' · <a href="{_link(row.record)}">record</a>' if row.record else ""
    lines.append(f'<div class="quiet">{name}{taken}{record}</div>')
    return f'<article class="card {row.grade}">{picture}<div class="verdict"><span class="sign" aria-hidden="true">{sign}</span> {word}</div>{"".join(lines)}</article>\n'


def _link(name: str | None) -> str:
    """A relative address; ":" and the like can't turn it into one of another kind."""
    return quote(name or "", safe="/")


def _told(skipped: Sequence[Skipped], notes: Sequence[str]) -> str:
    out = ""
    if notes:
        out += (
            f"<details open><summary>{len(notes)} {'thing' if len(notes) == 1 else 'things'} to look at</summary><ul>"
            + "".join(f"<li>{escape(n)}</li>" for n in notes)
            + "</ul></details>\n"
        )
    if skipped:
        rows = "".join(
            f"<tr><td>{escape(s.shown)}</td><td>{SKIP_WORDS[s.reason]}</td><td>{escape(s.detail)}</td></tr>"
            for s in skipped
        )
        out += f"<details><summary>{len(skipped)} files and folders left out</summary><table>{rows}</table></details>\n"
    return out
