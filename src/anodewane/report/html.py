"""The page model as one HTML file that needs nothing else: pictures and style are in it, nothing is
loaded, no script runs.

Whatever is text becomes text: elements are built by `_el`, which escapes all that isn't already an
element. A content security policy in the page forbids the rest.
"""

from __future__ import annotations

import base64
import hashlib
from html import escape
from typing import Any

from anodewane.report.drawings import Drawing
from anodewane.report.pages import PartPage, ReasonText, Report, Rows
from anodewane.report.pictures import Picture
from anodewane.report.texts import Catalogue

STYLE = """
:root{color-scheme:light}
*{box-sizing:border-box}
body{margin:0;font:1rem/1.5 system-ui,"DejaVu Sans",Arial,sans-serif;color:#181818;background:#fff;overflow-wrap:anywhere}
main,header{max-width:62rem;margin:0 auto;padding:0 1rem}
h1{font-size:1.6rem;line-height:1.25;margin:1.2rem 0 .6rem}
h2{font-size:1.3rem;line-height:1.3;margin:0 0 .6rem}
h3{font-size:1.05rem;margin:1.1rem 0 .3rem}
p{margin:.4rem 0}
section{border-top:3px solid #181818;margin-top:2rem;padding-top:1rem}
table{border-collapse:collapse;width:100%}
th,td{text-align:left;vertical-align:top;padding:.35rem .5rem .35rem 0;border-bottom:1px solid #bbb}
.facts th,.figures th{font-weight:600;width:36%}
.sign{display:inline-block;width:1.5em;height:1.5em;vertical-align:-.4em;margin-right:.4em}
.sign svg,.drawing svg{display:block;width:100%;height:auto}
.grade{font-weight:700;white-space:nowrap}
.headline{font-size:1.15rem;font-weight:700}
.pair{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(24rem,100%),1fr));gap:1rem 1.5rem;align-items:start}
figure{margin:.6rem 0}
figcaption{font-weight:600;margin-bottom:.3rem}
.under{font-size:.9rem;margin-top:.3rem}
img{max-width:100%;height:auto;display:block}
.drawing{max-width:30rem}
.box{border:2px solid #181818;padding:.6rem .9rem;margin:1rem 0}
.box h3{margin-top:0}
.note{white-space:pre-wrap}
.hash{font-family:ui-monospace,"DejaVu Sans Mono",monospace;font-size:.82rem;overflow-wrap:anywhere}
ul,ol{padding-left:1.3rem;margin:.4rem 0}
.sign-here td{height:3.2rem;vertical-align:bottom}
a{color:#003a6b}
@media (max-width:40rem){.glance thead{position:absolute;width:1px;height:1px;overflow:hidden;clip-path:inset(50%)}
.glance,.glance tbody,.glance tr,.glance td,.glance th{display:block;border:0;padding:.05rem 0}
.glance tr{border-bottom:1px solid #bbb;padding:.5rem 0}
.facts th,.facts td,.figures th,.figures td{display:block;width:auto;border:0;padding:.1rem 0}
.facts tr,.figures tr{display:block;border-bottom:1px solid #bbb;padding:.3rem 0}}
@media print{section{break-before:page;border-top:0;margin-top:0}figure,.box,tr{break-inside:avoid}.drawing svg{width:auto}a{color:inherit;text-decoration:none}}
"""


class _Made(str):
    """Markup that was built here."""

    __slots__ = ()


def _el(tag: str, *children: Any, **attributes: Any) -> _Made:
    """An element; children that aren't markup are escaped, None is left out; `cls` and `for_` stand for
    class and for."""
    shown = "".join(
        f' {k.rstrip("_").replace("cls", "class").replace("_", "-")}="{escape(str(v))}"'
        for k, v in attributes.items()
        if v is not None
    )
    if tag in ("meta", "img"):
        return _Made(f"<{tag}{shown}>")
    inside = "".join(c if isinstance(c, _Made) else escape(str(c)) for c in children if c is not None)
    return _Made(f"<{tag}{shown}>{inside}</{tag}>")


def _all(*children: Any) -> _Made:
    return _Made("".join(c if isinstance(c, _Made) else escape(str(c)) for c in children if c is not None))


def report_html(report: Report) -> bytes:
    """Set the report as one HTML file in UTF-8. The same report gives the same bytes."""
    say = report.catalogue
    policy = base64.b64encode(hashlib.sha256(STYLE.encode()).digest()).decode()
    head = _el(
        "head",
        _el("meta", charset="utf-8"),
        _el("meta", name="viewport", content="width=device-width, initial-scale=1"),
        _el(
            "meta",
            http_equiv="Content-Security-Policy",
            content=f"default-src 'none'; img-src data:; style-src 'sha256-{policy}'; form-action 'none'; base-uri 'none'",
        ),
        _el("meta", name="referrer", content="no-referrer"),
        _el("title", report.title),
        _Made(f"<style>{STYLE}</style>"),
    )
    body = _el(
        "body",
        _el("header", _el("h1", report.title)),
        _el("main", _cover(report), *(_part(p, say) for p in report.parts), _method(say), _hashes(report)),
    )
    return f'<!doctype html>\n<html lang="{escape(report.language)}">{head}{body}</html>\n'.encode(
        "utf-8", "replace"
    )


def _table(rows: Rows, cls: str, caption: str | None = None) -> _Made:
    lines = [_el("tr", _el("th", label, scope="row"), _el("td", value)) for label, value in rows]
    return _el("table", _el("caption", caption) if caption else None, _el("tbody", *lines), cls=cls)


def _cover(report: Report) -> _Made:
    say = report.catalogue
    rows = []
    for r in report.glance:
        sign = _svg(report.signs[r.grade or "cannot_judge"], hidden=True)
        rows.append(
            _el(
                "tr",
                _el("th", _el("a", f"{r.number}. {r.position}", href=f"#{r.anchor}"), scope="row"),
                _el(
                    "td",
                    _el("span", sign, cls="sign"),
                    _el("span", r.verdict, cls="grade"),
                    _el("div", r.signer) if r.signer else None,
                ),
                _el("td", r.consumed),
                _el("td", r.to_do),
            )
        )
    heads = _el(
        "tr",
        *(
            _el("th", say.say(f"cover.column_{c}"), scope="col")
            for c in ("position", "verdict", "consumed", "do")
        ),
    )
    return _all(
        _table(report.facts, "facts"),
        _el("p", report.counts, cls="headline"),
        _el("h2", say.say("cover.at_a_glance")),
        _el("table", _el("thead", heads), _el("tbody", *rows), cls="glance"),
        _el("p", report.glance_note, cls="under") if report.glance_note else None,
        _el(
            "div",
            _el("h2", say.say("cover.attention")),
            _el("ul", *(_el("li", a) for a in report.attention)),
            cls="box",
        ),
        _el("h2", say.say("cover.signature")),
        _el(
            "table",
            _el(
                "tbody",
                *(
                    _el("tr", _el("th", say.say(f"cover.signature_{k}"), scope="row"), _el("td", "\u00a0"))
                    for k in ("name", "place", "hand")
                ),
            ),
            cls="facts sign-here",
        ),
    )


def _part(p: PartPage, say: Catalogue) -> _Made:
    photo = _el("p", p.photo_note) if p.photo is None else _picture(p.photo, p.photo_alt)
    return _el(
        "section",
        _el("h2", p.heading, id=f"{p.anchor}-h"),
        _el("p", p.position) if p.position not in p.heading else None,
        _el(
            "p",
            _el("span", _svg(p.sign, hidden=True), cls="sign"),
            _el("span", p.verdict, cls="grade headline"),
            " ",
            p.to_do,
        ),
        _el("p", p.headline, cls="headline"),
        _drawing(p.gauge),
        _el(
            "div",
            _el("h3", say.say("part.doubts")),
            _el("p", say.say("part.doubts_text")),
            _el("ul", *(_el("li", d) for d in p.doubts)),
            cls="box",
        )
        if p.doubts
        else None,
        *(
            _el(
                "div",
                _el("h3", say.say("part.finding")),
                _el("p", " ".join(f.lines)),
                _el("p", f.why, cls="note"),
                cls="box",
            )
            for f in p.findings
        ),
        _book(p, say),
        _el("h3", say.say("part.reasons")),
        _reasons(p.reasons),
        _el(
            "div",
            _figure(p.photo_title, photo, p.photo_note if p.photo is not None else None),
            _figure(
                say.say("part.overlay_plain") if p.overlay else None, _drawing(p.overlay), p.overlay_note
            ),
            _figure(p.profile_title if p.profile else None, _drawing(p.profile), p.profile_note),
            _figure(
                say.say("part.drawing_plain") if p.drawing else None, _drawing(p.drawing), p.drawing_note
            ),
            cls="pair",
        ),
        _el("h3", say.say("part.figures")),
        _table((*p.figures, *p.more), "figures"),
        _el("h3", say.say("part.how_sure")),
        _el("p", p.sure_text),
        _el("p", p.sure_more) if p.sure_more else None,
        _drawing(p.budget),
        _all(
            _el("h3", say.say("part.views")),
            _el("div", *(_figure(None, _picture(w.picture, w.alt), w.caption) for w in p.views), cls="pair"),
            _el("p", p.views_note) if p.views_note else None,
        )
        if p.views or p.views_note
        else None,
        _all(_el("h3", say.say("part.note")), _el("p", p.note, cls="note")) if p.note else None,
        _all(_el("h3", say.say("part.history")), _table(p.history, "figures")) if p.history else None,
        id=p.anchor,
        aria_labelledby=f"{p.anchor}-h",
    )


def _reasons(reasons: tuple[ReasonText, ...]) -> _Made:
    return _el(
        "ul",
        *(
            _el(
                "li",
                _el("strong", r.message),
                " ",
                r.remedy,
                _el("p", r.own_words, cls="under") if r.own_words else None,
            )
            for r in reasons
        ),
    )


def _book(p: PartPage, say: Catalogue) -> _Made | None:
    """What the season's book adds."""
    if not p.book and not p.book_verdict:
        return None
    return _el(
        "div",
        _el("h3", say.say("part.book")),
        _el("p", p.book_verdict) if p.book_verdict else None,
        _reasons(p.book),
        cls="box",
    )


def _figure(title: str | None, what: Any, under: str | None) -> _Made:
    return (
        _el(
            "figure",
            _el("figcaption", title) if title else None,
            what,
            _el("p", under, cls="under") if under else None,
        )
        if what is not None or under
        else _Made("")
    )


def _picture(picture: Picture, alt: str) -> _Made:
    return _el(
        "img",
        src=f"data:image/jpeg;base64,{base64.b64encode(picture.jpeg).decode()}",
        alt=alt,
        width=picture.width_px,
        height=picture.height_px,
    )


def _drawing(drawing: Drawing | None) -> _Made | None:
    return None if drawing is None else _el("div", _svg(drawing), cls="drawing")


def _svg(drawing: Drawing, hidden: bool = False) -> _Made:
    """A drawing in the page; hidden from readers aloud where the words stand beside it."""
    start = f'role="img" aria-label="{escape(drawing.alt)}"'
    return _Made(drawing.svg.replace(start, 'aria-hidden="true"', 1) if hidden else drawing.svg)


def _method(say: Catalogue) -> _Made:
    return _el(
        "section",
        _el("h2", say.say("method.title")),
        *(_el("p", say.say(f"method.p{i}")) for i in range(1, 5)),
        _el("h3", say.say("method.limits_title")),
        _el("ul", *(_el("li", say.say(f"method.l{i}")) for i in range(1, 6))),
        _el("h3", say.say("method.cautions_title")),
        _el("ul", *(_el("li", say.say(f"method.c{i}")) for i in range(1, 7))),
    )


def _hashes(report: Report) -> _Made:
    say = report.catalogue
    blocks = [
        _all(
            _el("h3", b.heading),
            _el(
                "table",
                _el(
                    "tbody",
                    *(_el("tr", _el("th", k, scope="row"), _el("td", v, cls="hash")) for k, v in b.rows),
                ),
                cls="figures",
            ),
        )
        for b in report.hashes
    ]
    return _el(
        "section",
        _el("h2", say.say("hashes.title")),
        _el("p", say.say("hashes.text")),
        *blocks,
        _el("p", say.say("hashes.place")),
    )
