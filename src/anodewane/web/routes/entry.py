"""Getting in: pairing a phone or a desk, and leaving; and the page's own files."""

from __future__ import annotations

import io
from urllib.parse import parse_qsl

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from anodewane.book.names import clean_name
from anodewane.errors import UsageError
from anodewane.web.answers import (
    body_of,
    context_of,
    fields_of,
    page,
    query_arg,
    session_of,
    static_file,
)
from anodewane.web.guard import COOKIE

STATIC = {
    "page.css": "text/css",
    "queue.js": "text/javascript",
    "waiting.js": "text/javascript",
    "zoom.js": "text/javascript",
    "correct.js": "text/javascript",
}
LINK_USED = "This pairing link has been used or is too old."


async def how_in(request: Request) -> Response:
    """What a device that isn't paired sees."""
    return page(request, "in.html", token=None, says=None)


async def link(request: Request) -> Response:
    """A pairing link, opened: who are you?"""
    token = request.path_params["token"]
    if not context_of(request).sessions.is_link(token):
        return page(request, "in.html", 403, token=None, says=LINK_USED)
    return page(request, "in.html", token=token, says=None)


async def pair(request: Request) -> Response:
    """Use the link up: this device is paired."""
    token = request.path_params["token"]
    body = await body_of(request)
    try:
        form = dict(parse_qsl(body[:5000].decode("utf-8"), max_num_fields=5))
        name = clean_name(form.get("by", ""), "user")
    except (ValueError, UnicodeError, UsageError):
        says = "Say who you are, in up to 80 characters."
        return page(request, "in.html", 422, token=token, says=says)
    context = context_of(request)
    session = await run_in_threadpool(context.sessions.pair, token, name)
    if session is None:
        return page(request, "in.html", 403, token=None, says=LINK_USED)
    response = RedirectResponse("/", 303)
    # not Secure: the page is plain http inside the yard (docs/threat-model.md)
    response.set_cookie(
        COOKIE, session, max_age=int(context.limits.session_s), path="/", httponly=True, samesite="strict"
    )
    return response


async def show_pairing(request: Request) -> Response:
    """A new link for one more device, and its code."""
    context = context_of(request)
    token, base = context.sessions.new_link(), context.bases[0]
    local = base.startswith("http://127.")
    return page(request, "pair.html", address=f"{base}/in/{token}", token=token, local=local)


async def pairing_code(request: Request) -> Response:
    """That link as a QR code."""
    import segno

    context = context_of(request)
    token = query_arg(request, "t")
    if not context.sessions.is_link(token):
        raise HTTPException(404)
    out = io.BytesIO()
    code = segno.make(f"{context.bases[0]}/in/{token}", error="m")
    code.save(out, kind="svg", scale=6, border=4, dark="#000", light="#fff")
    return Response(out.getvalue(), media_type="image/svg+xml")


async def leave(request: Request) -> Response:
    """Send this device away."""
    await fields_of(request)
    await run_in_threadpool(context_of(request).sessions.end, session_of(request))
    response = RedirectResponse("/in", 303)
    response.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
    return response


async def static(request: Request) -> Response:
    """A script or the style, by its name."""
    name = request.path_params["name"]
    if name not in STATIC:
        raise HTTPException(404)
    keep = {"cache-control": "private, max-age=604800, immutable"}
    return Response(static_file(name), media_type=STATIC[name], headers=keep)


async def favicon(_request: Request) -> Response:
    """None, but browsers ask."""
    return Response(status_code=204)


ROUTES = [
    Route("/in", how_in),
    Route("/in/{token}", link),
    Route("/in/{token}", pair, methods=["POST"]),
    Route("/pair", show_pairing),
    Route("/pair.svg", pairing_code),
    Route("/leave", leave, methods=["POST"]),
    Route("/static/{name}", static),
    Route("/favicon.ico", favicon),
]
