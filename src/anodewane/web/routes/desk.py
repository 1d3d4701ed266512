"""The desk: all judgements, seasons, the order list, the report, exports."""

from __future__ import annotations

import csv
import hashlib
import io
import tempfile
from datetime import date
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from anodewane.book.store import Book, open_book
from anodewane.settings import BookRules
from anodewane.version import own_version
from anodewane.web import views
from anodewane.web.answers import context_of, from_book, page_with_style, query_arg
from anodewane.web.yard import Yard

CSV_COLUMNS = (
    "number", "boat", "position", "hauled_on", "verdict", "consumed_pct", "consumed_low_pct",
    "consumed_high_pct", "template", "judged_at", "by", "photo_sha256", "accepted_by", "accepted_at",
)  # fmt: skip


def desk(request: Request, book: Book) -> dict[str, Any]:
    """Judgements by what was asked for."""
    return views.desk(book, **{k: query_arg(request, k) for k in ("boat", "verdict", "year", "only")})


def seasons(request: Request, book: Book) -> dict[str, Any]:
    """A boat's haul-outs side by side."""
    return views.seasons(book, query_arg(request, "boat"))


async def order(request: Request) -> Response:
    """What to buy, for one boat or all."""
    return page_with_style(await run_in_threadpool(_order_page, request), query_arg(request, "boat"))


def _order_page(request: Request) -> str:
    from anodewane.book.listing import orders_of
    from anodewane.book.orders import order_page

    context = context_of(request)
    with open_book(context.yard.book) as book:
        name = query_arg(request, "boat")
        boat = book.boat(name).name if name else None
        orders = orders_of(book, boat, context.settings, BookRules())
    title = f"Order list, {boat}" if boat else "Order list"
    return order_page(orders, title, context.today)


async def report(request: Request) -> Response:
    """A haul-out's report, as a page or as PDF."""
    form = query_arg(request, "form") or "html"
    if form not in ("html", "pdf"):
        raise HTTPException(404)
    data = await run_in_threadpool(_report, request, form)
    if form == "html":
        return page_with_style(data.decode("utf-8"), query_arg(request, "boat"))
    return _file(data, "application/pdf", "report.pdf", "inline")


def _report(request: Request, form: str) -> bytes:
    """The report, made once as long as nothing of the boat changes in the book."""
    from anodewane.files import write_atomic

    day = query_arg(request, "day") or None
    if day is not None:
        try:
            date.fromisoformat(day)
        except ValueError as e:
            raise HTTPException(404) from e
    yard = context_of(request).yard
    with open_book(yard.book) as book:
        state = book.state_digest(book.boat(query_arg(request, "boat")).name)
    photos = "".join(sorted(p.name for p in yard.photos.iterdir()))
    text = f"{own_version()} {state} {day} {hashlib.sha256(photos.encode()).hexdigest()}"
    file = yard.report_file(hashlib.sha256(text.encode()).hexdigest(), form)
    if not file.is_file():
        write_atomic(file, _made_report(yard, query_arg(request, "boat"), day, form))
    return file.read_bytes()


def _made_report(yard: Yard, boat: str, day: str | None, form: str) -> bytes:
    from anodewane.report.from_book import read_haul_out
    from anodewane.report.request import Choices, assemble

    made = assemble(read_haul_out(yard.book, boat, day), Choices(photos=(yard.photos,))).report
    if form == "pdf":
        from anodewane.report.pdf import report_pdf

        return report_pdf(made)
    from anodewane.report.html import report_html

    return report_html(made)


async def desk_csv(request: Request) -> Response:
    """The desk's table for spreadsheets."""
    text = await run_in_threadpool(_desk_csv, request)
    return _file(text.encode(), "text/csv", "judgements.csv")


def _desk_csv(request: Request) -> str:
    with open_book(context_of(request).yard.book) as book:
        rows = desk(request, book)["rows"]
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(CSV_COLUMNS)
    for r in rows:
        c = r["consumed"]
        cells = (
            r["id"],
            r["boat"],
            r["position"],
            r["day"],
            r["verdict"],
            *(("", "", "") if c is None else (f"{v:.1f}" for v in (c.value, c.low, c.high))),
            r["template"],
            r["judged_at"],
            r["overruled_by"] or r["by"] or "",
            r["photo_sha256"],
            r["accepted_by"] or "",
            r["accepted_at"] or "",
        )
        writer.writerow(_no_formula(v) for v in cells)
    return out.getvalue()


def _no_formula(value: Any) -> Any:
    """A spreadsheet takes text that begins so for a formula."""
    return f"'{value}" if isinstance(value, str) and value.startswith(tuple("=+-@\t\r")) else value


async def export(request: Request) -> Response:
    """The whole book."""
    name = f"book-{context_of(request).today.isoformat()}.zip"
    return _file(await run_in_threadpool(_export, request), "application/zip", name)


def _export(request: Request) -> bytes:
    from anodewane.book.exchange import export_book

    yard = context_of(request).yard
    with tempfile.TemporaryDirectory(dir=yard.folder) as folder, open_book(yard.book) as book:
        export_book(book, Path(folder) / "book.zip")
        return (Path(folder) / "book.zip").read_bytes()


def _file(data: bytes, kind: str, name: str, how: str = "attachment") -> Response:
    return Response(data, media_type=kind, headers={"content-disposition": f'{how}; filename="{name}"'})


ROUTES = [
    Route("/order", order),
    Route("/report", report),
    Route("/desk", from_book("desk.html", desk)),
    Route("/desk.csv", desk_csv),
    Route("/desk/seasons", from_book("seasons.html", seasons)),
    Route("/export.zip", export),
]
