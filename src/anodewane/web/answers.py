"""What every route needs: the application's parts, pages from templates, refusals, and what a request
carries, bounded and checked."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import json
import re
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import lru_cache
from html import escape
from importlib.resources import files
from typing import Any
from urllib.parse import parse_qsl, quote

from starlette.concurrency import run_in_threadpool
from starlette.convertors import Convertor, register_url_convertor
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, JSONResponse, Response

from anodewane.book.store import Book, open_book
from anodewane.errors import AnodewaneError, InputUnreadable, OutputNotWritable
from anodewane.settings import Settings
from anodewane.web.guard import MESSAGES, Session, Sessions, csrf_good
from anodewane.web.judging import Judging
from anodewane.web.limits import Limits
from anodewane.web.yard import Yard

MAX_FORM_BYTES = 20_000
BUSY_AGAIN_S = "5"
"""When a phone that was sent away may ask again."""


@dataclass(frozen=True, slots=True)
class AppContext:
    """What the routes need. bases : addresses of this server for pairing links, the first one for phones;
    clock : seconds since 1970."""

    yard: Yard
    sessions: Sessions
    judging: Judging
    settings: Settings
    limits: Limits
    bases: tuple[str, ...]
    clock: Callable[[], float]

    @property
    def today(self) -> date:
        """The yard's own day."""
        return datetime.fromtimestamp(self.clock(), UTC).astimezone().date()


def context_of(request: Request) -> AppContext:
    """The application's parts."""
    context: AppContext = request.app.state.context
    return context


def session_of(request: Request) -> Session:
    """Who asks; every route behind the guard has one."""
    session: Session = request.scope["session_of_page"]
    return session


# --- pages ---------------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def _templates() -> Any:
    from anodewane.show.html import environment

    env = environment("web")
    # named by its content, so that a phone fetches it once
    env.globals["static"] = lambda name: (
        f"/static/{name}?v={hashlib.sha256(static_file(name)).hexdigest()[:12]}"
    )
    env.filters["q"] = lambda text: quote(str(text), safe="")
    return env


@lru_cache(maxsize=8)
def static_file(name: str) -> bytes:
    """A file of the page's own, by its name."""
    return files("anodewane.web").joinpath("static", name).read_bytes()


def page(request: Request, name: str, status: int = 200, **values: Any) -> HTMLResponse:
    """A page from its template; every value is escaped."""
    session: Session | None = request.scope.get("session_of_page")
    return HTMLResponse(_templates().get_template(name).render(session=session, **values), status)


def page_with_style(html: str, boat: str = "") -> HTMLResponse:
    """A page made elsewhere, with its style in it: exactly that style is let through, and nothing else.
    boat : whose page to lead back to; "" to all of them."""
    href = f"/boat?name={quote(boat, safe='')}" if boat else "/"
    way_back = f'<nav aria-label="Main"><p><a href="{href}">‹ {escape(boat or "Boats")}</a></p></nav>'
    html = html.replace("<body>", f"<body>\n{way_back}", 1)
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


def from_book(
    name: str, gather: Callable[[Request, Book], dict[str, Any]]
) -> Callable[[Request], Awaitable[Response]]:
    """A route that shows a page of what the book says."""

    def answer(request: Request) -> Response:
        with open_book(context_of(request).yard.book) as book:
            values = gather(request, book)
        return page(request, name, **values)

    async def endpoint(request: Request) -> Response:
        return await run_in_threadpool(answer, request)

    return endpoint


# --- refusals ------------------------------------------------------------------------------------


def error_page(
    request: Request, status: int, message: str | None = None, remedy: str | None = None
) -> Response:
    """A plain page that says what is wrong and what to do."""
    usual = MESSAGES.get(status, MESSAGES[400])
    return page(
        request,
        "error.html",
        status,
        says=message or usual[0],
        remedy=usual[1] if remedy is None else remedy,
    )


def refusal(request: Request, status: int, message: str | None = None, remedy: str | None = None) -> Response:
    """The same as a page, or as JSON for a script."""
    if "text/html" in request.headers.get("accept", ""):
        return error_page(request, status, message, remedy)
    usual = MESSAGES.get(status, MESSAGES[400])
    return JSONResponse({"says": message or usual[0], "remedy": remedy or usual[1]}, status)


def busy() -> Response:
    """Not now; the phone asks again."""
    says, remedy = MESSAGES[503]
    return JSONResponse({"says": says, "remedy": remedy}, 503, {"retry-after": BUSY_AGAIN_S})


async def on_http_error(request: Request, e: Exception) -> Response:
    """What Starlette and the routes refuse."""
    assert isinstance(e, HTTPException)
    return refusal(request, e.status_code)


async def on_known_error(request: Request, e: Exception) -> Response:
    """What the program says of itself, with its remedy."""
    assert isinstance(e, AnodewaneError)
    if isinstance(e, OutputNotWritable):
        status = 507
    elif isinstance(e, InputUnreadable):
        status = 422
    else:
        status = 409 if request.method == "POST" else 404
    return refusal(request, status, e.message, e.remedy)


# --- what a request carries ----------------------------------------------------------------------


class NumberConvertor(Convertor[int]):
    """A number in a path, of as many digits as the book can count to."""

    regex = "[0-9]{1,15}"

    def convert(self, value: str) -> int:
        return int(value)

    def to_string(self, value: int) -> str:
        return str(value)


register_url_convertor("number", NumberConvertor())


async def body_of(request: Request) -> bytes:
    """The body, given up after `Limits.body_s`; its size is bounded by the application."""
    try:
        return await asyncio.wait_for(request.body(), context_of(request).limits.body_s)
    except (TimeoutError, ClientDisconnect) as e:  # the phone went to another page, or out of range
        raise HTTPException(400) from e


async def fields_of(request: Request) -> dict[str, str]:
    """A form's fields, once its token is found good."""
    body = await body_of(request)
    if len(body) > MAX_FORM_BYTES:
        raise HTTPException(413)
    try:
        found = dict(parse_qsl(body.decode("utf-8"), max_num_fields=20, errors="strict"))
    except (ValueError, UnicodeError) as e:
        raise HTTPException(400) from e
    if not csrf_good(request, found.get("csrf")):
        raise HTTPException(403)
    return found


async def bytes_of(request: Request) -> bytes:
    """A body of at most a piece, once the header's token is found good."""
    need_csrf(request)
    body = await body_of(request)
    if len(body) > context_of(request).limits.piece_bytes:
        raise HTTPException(413)
    return body


async def json_of(request: Request) -> tuple[bytes, dict[str, Any]]:
    """A JSON object, once the header's token is found good."""
    need_csrf(request)
    body = await body_of(request)
    try:
        plain = json.loads(body)
    except (ValueError, RecursionError) as e:
        raise HTTPException(400) from e
    if not isinstance(plain, dict):
        raise HTTPException(400)
    return body, plain


def need_csrf(request: Request) -> None:
    """See that the header's token is this session's."""
    if not csrf_good(request, None):
        raise HTTPException(403)


def query_arg(request: Request, name: str, most: int = 200) -> str:
    """A query's value as text, "" without."""
    return request.query_params.get(name, "")[:most]
