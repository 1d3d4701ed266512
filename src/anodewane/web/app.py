"""The pages and what they send: each request is looked up in the book, and nothing that a client names
becomes a path."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import json
import re
import time
from collections.abc import Awaitable, Callable
from concurrent.futures import Executor
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, quote

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from anodewane.book.names import clean_name
from anodewane.book.store import Book, open_book
from anodewane.errors import AnodewaneError, InputUnreadable, OutputNotWritable, UsageError
from anodewane.settings import BookRules, Settings
from anodewane.web import views
from anodewane.web.guard import COOKIE, SAYS, SESSION_S, Guard, Session, Sessions, csrf_good
from anodewane.web.judging import Judging, read_correction
from anodewane.web.quick import MAX_QUICK_PIXELS
from anodewane.web.yard import HEX32, Upload, Yard

MAX_BODY_BYTES = 2_000_000
"""Of any request; photos come in pieces of `PIECE_BYTES`."""

PIECE_BYTES = 1_000_000
BODY_S = 60.0
"""A body that takes longer is given up; the phone sends the piece again."""

CSV_COLUMNS = (
    "number", "boat", "position", "hauled_on", "verdict", "consumed_pct", "consumed_low_pct", "consumed_high_pct", "template", "judged_at", "by", "photo_sha256",
    "accepted_by", "accepted_at",
)  # fmt: skip

WAIT_S = 5.0
"""How long an answer waits for a judgement before it says that there is none yet."""

STATIC = {
    "page.css": "text/css",
    "queue.js": "text/javascript",
    "zoom.js": "text/javascript",
    "correct.js": "text/javascript",
}


@dataclass(frozen=True, slots=True)
class Yonder:
    """What the pages need. bases : addresses of this server for pairing links, the first one for phones."""

    yard: Yard
    sessions: Sessions
    judging: Judging
    settings: Settings
    bases: tuple[str, ...]


# --- answers -------------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def _pages() -> Any:
    from anodewane.show.html import environment

    env = environment("web")
    # named by its content, so that a phone fetches it once
    env.globals["static"] = lambda name: f"/static/{name}?v={hashlib.sha256(_static(name)).hexdigest()[:12]}"
    env.filters["q"] = lambda text: quote(str(text), safe="")
    return env


def page(request: Request, name: str, status: int = 200, **context: Any) -> HTMLResponse:
    """A page from its template; every value is escaped."""
    session: Session | None = request.scope.get("session_of_page")
    return HTMLResponse(_pages().get_template(name).render(session=session, **context), status)


def error_page(request: Request, status: int, says: str | None = None, remedy: str | None = None) -> Response:
    """A plain page that says what is wrong and what to do."""
    usual = SAYS.get(status, SAYS[400])
    return page(
        request, "error.html", status, says=says or usual[0], remedy=usual[1] if remedy is None else remedy
    )


def _refusal(request: Request, status: int, says: str | None = None, remedy: str | None = None) -> Response:
    if "text/html" in request.headers.get("accept", ""):
        return error_page(request, status, says, remedy)
    usual = SAYS.get(status, SAYS[400])
    return JSONResponse({"says": says or usual[0], "remedy": remedy or usual[1]}, status)


async def _on_http(request: Request, e: Exception) -> Response:
    assert isinstance(e, HTTPException)
    return _refusal(request, e.status_code)


async def _on_known(request: Request, e: Exception) -> Response:
    assert isinstance(e, AnodewaneError)
    status = (
        507
        if isinstance(e, OutputNotWritable)
        else 422
        if isinstance(e, InputUnreadable)
        else 409
        if request.method == "POST"
        else 404
    )
    return _refusal(request, status, e.message, e.remedy)


async def body_of(request: Request) -> bytes:
    """The body, given up after `BODY_S`; its size is bounded by the application."""
    try:
        return await asyncio.wait_for(request.body(), BODY_S)
    except TimeoutError as e:
        raise HTTPException(400) from e


async def fields_of(request: Request) -> dict[str, str]:
    """A form's fields, once its token is found good."""
    body = await body_of(request)
    if len(body) > 20_000:
        raise HTTPException(413)
    try:
        found = dict(parse_qsl(body.decode("utf-8"), max_num_fields=20, errors="strict"))
    except (ValueError, UnicodeError) as e:
        raise HTTPException(400) from e
    if not csrf_good(request, found.get("csrf")):
        raise HTTPException(403)
    return found


async def json_of(request: Request) -> tuple[bytes, dict[str, Any]]:
    """A JSON object, once the header's token is found good."""
    if not csrf_good(request, None):
        raise HTTPException(403)
    body = await body_of(request)
    try:
        plain = json.loads(body)
    except (ValueError, RecursionError) as e:
        raise HTTPException(400) from e
    if not isinstance(plain, dict):
        raise HTTPException(400)
    return body, plain


def asked(request: Request, name: str, most: int = 200) -> str:
    """A query's value as text, "" without."""
    return request.query_params.get(name, "")[:most]


# --- the application -----------------------------------------------------------------------------


def make_app(
    book: Path,
    settings: Settings,
    make_executor: Callable[[], Executor],
    workers: int,
    hosts: list[str],
    bases: tuple[str, ...],
) -> Starlette:
    """The application over a book. hosts : names that the Host header may have; anything else is
    refused, so that no foreign name can be pointed here.

    Raises
    ------
    UsageError, InputUnreadable, OutputNotWritable
        The book or its folder can't be had.
    """
    open_book(book).close()
    yard = Yard(book)
    yonder = Yonder(
        yard,
        Sessions(yard.folder / "sessions.json"),
        Judging(yard, settings, make_executor, workers),
        settings,
        bases,
    )

    @asynccontextmanager
    async def lifespan(_app: Starlette) -> Any:
        yonder.judging.start()
        try:
            yield
        finally:
            await run_in_threadpool(yonder.judging.stop)
            yard.close()

    app = Starlette(
        routes=_routes(yonder),
        middleware=[
            Middleware(TrustedHostMiddleware, allowed_hosts=hosts),
            Middleware(Guard, sessions=yonder.sessions, error_page=error_page),
        ],
        exception_handlers={HTTPException: _on_http, AnodewaneError: _on_known},
        lifespan=lifespan,
        max_body_size=MAX_BODY_BYTES,
    )
    app.state.yonder = yonder
    return app


def _routes(y: Yonder) -> list[Route]:
    """Every route, each a function of the request."""

    def with_book(
        name: str, gather: Callable[[Request, Book], dict[str, Any]]
    ) -> Callable[[Request], Awaitable[Response]]:
        def answer(request: Request) -> Response:
            with open_book(y.yard.book) as book:
                context = gather(request, book)
            return page(request, name, **context)

        async def endpoint(request: Request) -> Response:
            return await run_in_threadpool(answer, request)

        return endpoint

    # --- getting in

    async def how_in(request: Request) -> Response:
        return page(request, "in.html", token=None, says=None)

    async def link(request: Request) -> Response:
        token = request.path_params["token"]
        if not y.sessions.is_link(token):
            return page(
                request, "in.html", 403, token=None, says="This pairing link has been used or is too old."
            )
        return page(request, "in.html", token=token, says=None)

    async def pair(request: Request) -> Response:
        body = await body_of(request)
        try:
            name = clean_name(
                dict(parse_qsl(body[:5000].decode("utf-8"), max_num_fields=5)).get("by", ""), "user"
            )
        except (ValueError, UnicodeError, UsageError):
            return page(
                request,
                "in.html",
                422,
                token=request.path_params["token"],
                says="Say who you are, in up to 80 characters.",
            )
        session = await run_in_threadpool(y.sessions.pair, request.path_params["token"], name)
        if session is None:
            return page(
                request, "in.html", 403, token=None, says="This pairing link has been used or is too old."
            )
        response = RedirectResponse("/", 303)
        # not Secure: the page is plain http inside the yard (docs/threat-model.md)
        response.set_cookie(COOKIE, session, max_age=SESSION_S, path="/", httponly=True, samesite="strict")
        return response

    async def show_pairing(request: Request) -> Response:
        token = y.sessions.new_link()
        return page(
            request,
            "pair.html",
            address=f"{y.bases[0]}/in/{token}",
            token=token,
            local=y.bases[0].startswith("http://127."),
        )

    async def pairing_code(request: Request) -> Response:
        import io

        import segno

        token = asked(request, "t")
        if not y.sessions.is_link(token):
            raise HTTPException(404)
        out = io.BytesIO()
        segno.make(f"{y.bases[0]}/in/{token}", error="m").save(
            out, kind="svg", scale=6, border=4, dark="#000", light="#fff"
        )
        return Response(out.getvalue(), media_type="image/svg+xml")

    async def leave(request: Request) -> Response:
        await fields_of(request)
        await run_in_threadpool(y.sessions.end, request.scope["session_of_page"])
        response = RedirectResponse("/in", 303)
        response.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
        return response

    # --- the visit

    def part(request: Request, book: Book) -> dict[str, Any]:
        return views.part(book, y.yard, asked(request, "boat"), asked(request, "position"))

    async def haul_out(request: Request) -> Response:
        form = await fields_of(request)

        def note() -> str:
            with open_book(y.yard.book) as book:
                return book.haul_out(form.get("boat", ""), datetime.now().astimezone().date()).boat

        return RedirectResponse(f"/boat?name={quote(await run_in_threadpool(note), safe='')}", 303)

    def told(upload: Upload) -> Response:
        return JSONResponse(
            {
                "id": upload.id, "state": upload.state, "received": y.yard.received(upload.id) if upload.state == "receiving" else upload.size, "size": upload.size,
                "judgement": upload.judgement, "says": upload.says, "remedy": upload.remedy,
            }
        )  # fmt: skip

    def mine(request: Request) -> Upload:
        number = request.path_params["id"]
        upload = y.yard.get(number) if HEX32.fullmatch(number) else None
        if upload is None or upload.owner != request.scope["session_of_page"].id:
            raise HTTPException(404)
        return upload

    async def begin(request: Request) -> Response:
        _, plain = await json_of(request)
        session: Session = request.scope["session_of_page"]
        if (
            not all(isinstance(plain.get(k), str) for k in ("id", "boat", "position"))
            or type(plain.get("size")) is not int
        ):
            raise HTTPException(422)

        def announce() -> Upload | None:
            have = y.yard.get(plain["id"]) if HEX32.fullmatch(plain["id"]) else None
            if have is None and y.judging.full:
                return None
            with open_book(y.yard.book) as book:
                place = book.position(plain["boat"], plain["position"])
                from anodewane.book.intake import open_haul_out

                ashore = open_haul_out(book, place.boat)
            if ashore is None:
                raise UsageError(
                    f"'{place.boat}' isn't ashore, by the book.",
                    "Note that it was hauled out: the boat's page has a button.",
                )
            day = ashore.hauled_on.isoformat()
            return y.yard.begin(
                Upload(
                    plain["id"],
                    session.id,
                    place.boat,
                    place.name,
                    day,
                    session.by,
                    plain["size"],
                    time.time(),
                )
            )

        upload = await run_in_threadpool(announce)
        return (
            told(upload)
            if upload is not None
            else JSONResponse({"says": SAYS[503][0], "remedy": SAYS[503][1]}, 503, {"retry-after": "5"})
        )

    async def piece(request: Request) -> Response:
        if not csrf_good(request, None):
            raise HTTPException(403)
        upload = mine(request)
        offset = asked(request, "offset")
        if not re.fullmatch(r"[0-9]{1,9}", offset):
            raise HTTPException(422)
        data = await body_of(request)

        def write() -> Upload:
            if len(data) > PIECE_BYTES:
                raise HTTPException(413)
            if y.yard.append(upload, int(offset), data) == upload.size:
                now = y.yard.finish(upload)
                if now.state == "waiting" and upload.state == "receiving":
                    y.judging.add(now)
                return now
            return y.yard.get(upload.id) or upload

        return told(await run_in_threadpool(write))

    async def drop(request: Request) -> Response:
        """The phone lets go of a photo that was taken again before it was whole here; one that
        is whole stays."""
        if not csrf_good(request, None):
            raise HTTPException(403)
        return told(await run_in_threadpool(y.yard.drop, mine(request)))

    async def quick(request: Request) -> Response:
        """What a reduced copy shows to be wrong, while the photo itself is on its way. Nothing
        of it is kept."""
        if not csrf_good(request, None):
            raise HTTPException(403)
        copy = await body_of(request)
        if len(copy) > PIECE_BYTES:
            raise HTTPException(413)

        def look() -> list[dict[str, Any]] | None:
            from anodewane.stages.load import read_size

            _, width, height = read_size(copy, "photo")
            if width * height > MAX_QUICK_PIXELS:
                raise HTTPException(413)
            seen = y.judging.quick(copy)
            return None if seen is None else [views.warning(r) for r in seen]

        found = await run_in_threadpool(look)
        if found is None:
            return JSONResponse({"says": SAYS[503][0], "remedy": SAYS[503][1]}, 503, {"retry-after": "5"})
        return JSONResponse({"found": found})

    async def ask(request: Request) -> Response:
        upload = mine(request)
        if (
            asked(request, "wait") == "1"
        ):  # answered as soon as it is judged: nobody looks at a finished verdict later than need be
            until = time.monotonic() + WAIT_S
            while upload.state == "waiting" and time.monotonic() < until and not y.judging.leaving:
                await asyncio.sleep(0.008)
                upload = mine(request)
        return told(upload)

    # --- a judgement

    def number_of(request: Request) -> int:
        number = int(request.path_params["number"])
        if number > 2**53:
            raise HTTPException(404)
        return number

    def verdict(request: Request, book: Book) -> dict[str, Any]:
        return views.judgement(book, y.yard, number_of(request), request.scope["session_of_page"].by)

    def correcting(request: Request, book: Book) -> dict[str, Any]:
        return {**verdict(request, book), "outline": views.outline(book, number_of(request))}

    async def picture(request: Request) -> Response:
        what = request.path_params["what"]

        def find() -> bytes | None:
            overlay = what == "overlay"
            with open_book(y.yard.book) as book:
                reading = book.judgement(number_of(request)).reading
                record = book.record_json(reading.record_sha256) if overlay else None
            photo = y.yard.photo_of(reading.photo_sha256)
            if photo is None:
                return None
            file = (
                y.yard.overlay_file(reading.record_sha256)
                if overlay
                else y.yard.view_file(reading.photo_sha256)
            )
            if overlay:
                y.judging.await_overlay(reading.record_sha256)
            if not file.is_file():
                from anodewane.files import write_atomic

                write_atomic(file, y.judging.draw(photo, record))
            return file.read_bytes()

        if what not in ("overlay", "photo"):
            raise HTTPException(404)
        data = await run_in_threadpool(find)
        if data is None:
            raise HTTPException(404)
        return Response(data, media_type="image/jpeg", headers={"cache-control": "private, max-age=86400"})

    async def correct(request: Request) -> Response:
        body, _ = await json_of(request)
        session: Session = request.scope["session_of_page"]

        def hand_in() -> Upload:
            read_correction(body)
            with open_book(y.yard.book) as book:
                r = book.judgement(number_of(request)).reading
            photo = y.yard.photo_of(r.photo_sha256)
            if photo is None:
                raise UsageError(
                    "The photo of this judgement isn't here.", "Judge it with 'anodewane judge --outline'."
                )
            if y.judging.full:
                raise HTTPException(503)
            number = hashlib.sha256(f"{session.id} {time.time_ns()}".encode() + body).hexdigest()[:32]
            upload = Upload(
                number, session.id, r.boat, r.position, r.hauled_on.isoformat(), session.by, len(body), time.time(), "waiting", photo.name,
                corrects=number_of(request), handed=y.yard.keep_handed(body),
            )  # fmt: skip
            y.yard.put(upload)
            y.judging.add(upload, urgent=True)
            return upload

        return told(await run_in_threadpool(hand_in))

    async def overrule(request: Request) -> Response:
        form = await fields_of(request)
        grade = form.get("verdict", "")
        if grade not in ("replace", "monitor", "ok", "back"):
            raise HTTPException(422)
        session: Session = request.scope["session_of_page"]

        def note() -> None:
            with open_book(y.yard.book) as book:
                r = book.judgement(number_of(request)).reading
                book.overrule(
                    r.boat,
                    r.position,
                    r.hauled_on,
                    None if grade == "back" else grade,  # type: ignore[arg-type]  # one of the three
                    form.get("why", ""),
                    session.by,
                )

        await run_in_threadpool(note)
        return RedirectResponse(f"/judgement/{number_of(request)}", 303)

    async def accept(request: Request) -> Response:
        form = await fields_of(request)
        session: Session = request.scope["session_of_page"]

        def note() -> str:
            with open_book(y.yard.book) as book:
                book.accept(number_of(request), session.by)
                r = book.judgement(number_of(request)).reading
                if form.get("stay") == "1":
                    return f"/judgement/{number_of(request)}"
                seen = views.visit(book, y.yard, r.boat)
            following = (
                next((n for n in seen["left"] if n != r.position), None)
                if seen["day"] == r.hauled_on.isoformat()
                else None
            )
            boat = quote(r.boat, safe="")
            return (
                f"/part?boat={boat}&position={quote(following, safe='')}"
                if following
                else f"/boat?name={boat}"
            )

        return RedirectResponse(await run_in_threadpool(note), 303)

    # --- lists, reports and the desk

    async def order(request: Request) -> Response:
        def make() -> str:
            from anodewane.book.listing import orders_of
            from anodewane.book.orders import order_page

            with open_book(y.yard.book) as book:
                boat = book.boat(asked(request, "boat")).name if asked(request, "boat") else None
                made = orders_of(book, boat, y.settings, BookRules())
            return order_page(
                made, f"Order list, {boat}" if boat else "Order list", datetime.now().astimezone().date()
            )

        return _foreign(await run_in_threadpool(make))

    async def report(request: Request) -> Response:
        form = asked(request, "form") or "html"
        day = asked(request, "day") or None
        if form not in ("html", "pdf"):
            raise HTTPException(404)

        def make() -> bytes:
            from anodewane.report.from_book import read_haul_out
            from anodewane.report.request import Choices, assemble

            if day is not None:
                try:
                    date.fromisoformat(day)
                except ValueError as e:
                    raise HTTPException(404) from e
            made = assemble(
                read_haul_out(y.yard.book, asked(request, "boat"), day), Choices(photos=(y.yard.photos,))
            ).report
            if form == "pdf":
                from anodewane.report.pdf import report_pdf

                return report_pdf(made)
            from anodewane.report.html import report_html

            return report_html(made)

        data = await run_in_threadpool(make)
        if form == "pdf":
            return Response(
                data,
                media_type="application/pdf",
                headers={"content-disposition": 'inline; filename="report.pdf"'},
            )
        return _foreign(data.decode("utf-8"))

    def desk(request: Request, book: Book) -> dict[str, Any]:
        return views.desk(book, **{k: asked(request, k) for k in ("boat", "verdict", "year", "only")})

    async def desk_csv(request: Request) -> Response:
        def make() -> str:
            import csv
            import io

            with open_book(y.yard.book) as book:
                rows = desk(request, book)["rows"]
            out = io.StringIO()
            writer = csv.writer(out)
            writer.writerow(CSV_COLUMNS)
            for r in rows:
                c = r["consumed"]
                gone = ("", "", "") if c is None else tuple(f"{v:.1f}" for v in (c.value, c.low, c.high))
                by = r["overruled_by"] or r["by"] or ""
                cells = (
                    r["id"],
                    r["boat"],
                    r["position"],
                    r["day"],
                    r["verdict"],
                    *gone,
                    r["template"],
                    r["judged_at"],
                    by,
                    r["photo_sha256"],
                )
                cells = (*cells, r["accepted_by"] or "", r["accepted_at"] or "")
                # a spreadsheet takes text that begins so for a formula
                writer.writerow(
                    [f"'{v}" if isinstance(v, str) and v[:1] in "=+-@\t\r" and v else v for v in cells]
                )
            return out.getvalue()

        return Response(
            await run_in_threadpool(make),
            media_type="text/csv",
            headers={"content-disposition": 'attachment; filename="judgements.csv"'},
        )

    async def export(_request: Request) -> Response:
        def make() -> bytes:
            import tempfile

            from anodewane.book.exchange import export_book

            with tempfile.TemporaryDirectory(dir=y.yard.folder) as folder, open_book(y.yard.book) as book:
                export_book(book, Path(folder) / "book.zip")
                return (Path(folder) / "book.zip").read_bytes()

        name = f"book-{datetime.now(UTC).date().isoformat()}.zip"
        return Response(
            await run_in_threadpool(make),
            media_type="application/zip",
            headers={"content-disposition": f'attachment; filename="{name}"'},
        )

    async def static(request: Request) -> Response:
        name = request.path_params["name"]
        if name not in STATIC:
            raise HTTPException(404)
        return Response(
            _static(name),
            media_type=STATIC[name],
            headers={"cache-control": "private, max-age=604800, immutable"},
        )

    async def favicon(_request: Request) -> Response:
        return Response(status_code=204)

    return [
        Route("/", with_book("boats.html", lambda _, b: {"boats": views.boats(b)})),
        Route("/in", how_in),
        Route("/in/{token}", link),
        Route("/in/{token}", pair, methods=["POST"]),
        Route("/pair", show_pairing),
        Route("/pair.svg", pairing_code),
        Route("/leave", leave, methods=["POST"]),
        Route("/boat", with_book("boat.html", lambda r, b: views.visit(b, y.yard, asked(r, "name")))),
        Route("/haul-out", haul_out, methods=["POST"]),
        Route("/part", with_book("part.html", part)),
        Route("/compare", with_book("compare.html", lambda r, b: views.compare(b, y.yard, asked(r, "boat")))),
        Route("/upload", begin, methods=["POST"]),
        Route("/quick", quick, methods=["POST"]),
        Route("/upload/{id}", ask),
        Route("/upload/{id}", piece, methods=["PUT"]),
        Route("/upload/{id}", drop, methods=["DELETE"]),
        Route("/judgement/{number:int}", with_book("judgement.html", verdict)),
        Route("/judgement/{number:int}/correct", with_book("correct.html", correcting)),
        Route("/judgement/{number:int}/correct", correct, methods=["POST"]),
        Route("/judgement/{number:int}/overrule", overrule, methods=["POST"]),
        Route("/judgement/{number:int}/accept", accept, methods=["POST"]),
        Route("/judgement/{number:int}/{what}.jpg", picture),
        Route("/order", order),
        Route("/report", report),
        Route("/desk", with_book("desk.html", desk)),
        Route("/desk.csv", desk_csv),
        Route("/desk/seasons", with_book("seasons.html", lambda r, b: views.seasons(b, asked(r, "boat")))),
        Route("/export.zip", export),
        Route("/static/{name}", static),
        Route("/favicon.ico", favicon),
    ]


@lru_cache(maxsize=8)
def _static(name: str) -> bytes:
    return files("anodewane.web").joinpath("static", name).read_bytes()


def _foreign(html: str) -> HTMLResponse:
    """A page made elsewhere, with its style in it: exactly that style is let through, and nothing else."""
    styles = [
        base64.b64encode(hashlib.sha256(s.encode()).digest()).decode()
        for s in re.findall(r"<style>(.*?)</style>", html, re.S)
    ]
    allowed = " ".join(f"'sha256-{s}'" for s in styles) or "'none'"
    policy = (
        f"default-src 'none'; img-src data:; style-src {allowed}; form-action 'none'; base-uri 'none'; "
        "frame-ancestors 'none'"
    )
    return HTMLResponse(html, headers={"content-security-policy": policy})
