"""The visit: boats, positions, and photos on their way."""

from __future__ import annotations

import asyncio
import re
import time
from typing import Any
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from anodewane.book.store import Book, open_book
from anodewane.errors import UsageError
from anodewane.web import views
from anodewane.web.answers import (
    busy,
    bytes_of,
    context_of,
    fields_of,
    from_book,
    json_of,
    need_csrf,
    query_arg,
    session_of,
)
from anodewane.web.yard import HEX32, Upload


def boats(_request: Request, book: Book) -> dict[str, Any]:
    """Every boat."""
    return {"boats": views.boats(book)}


def boat(request: Request, book: Book) -> dict[str, Any]:
    """One boat's positions."""
    context = context_of(request)
    return views.visit(book, context.yard, query_arg(request, "name"), context.settings)


def part(request: Request, book: Book) -> dict[str, Any]:
    """One position: take the photo."""
    yard = context_of(request).yard
    return views.part(book, yard, query_arg(request, "boat"), query_arg(request, "position"))


def compare(request: Request, book: Book) -> dict[str, Any]:
    """A boat's photos side by side."""
    return views.compare(book, context_of(request).yard, query_arg(request, "boat"))


async def haul_out(request: Request) -> Response:
    """Note that a boat came out today."""
    form = await fields_of(request)

    def note() -> str:
        today = context_of(request).today
        with open_book(context_of(request).yard.book) as book:
            boat = book.boat(form.get("boat", "")).name
            last = book.last_day(boat)
            if last is not None and today < last:
                raise UsageError(
                    f"It is {today} by the laptop's clock; the book's last word on '{boat}' is of {last}.",
                    "Set the laptop's clock, and try again; nothing was noted.",
                )
            return book.haul_out(boat, today).boat

    return RedirectResponse(f"/boat?name={quote(await run_in_threadpool(note), safe='')}", 303)


# --- a photo on its way --------------------------------------------------------------------------


def upload_answer(request: Request, upload: Upload) -> Response:
    """How far a photo is, for the script that sends it."""
    receiving = upload.state == "receiving"
    return JSONResponse(
        {
            "id": upload.id,
            "state": upload.state,
            "received": context_of(request).yard.received(upload.id) if receiving else upload.size,
            "size": upload.size,
            "judgement": upload.judgement,
            "says": upload.says,
            "remedy": upload.remedy,
        }
    )


def own_upload(request: Request) -> Upload:
    """The upload of the path, which has to be of the phone that asks."""
    number = request.path_params["id"]
    upload = context_of(request).yard.get(number) if HEX32.fullmatch(number) else None
    if upload is None or upload.owner != session_of(request).id:
        raise HTTPException(404)
    return upload


async def begin(request: Request) -> Response:
    """Announce a photo."""
    _, plain = await json_of(request)
    texts = (plain.get(k) for k in ("id", "boat", "position"))
    if not all(isinstance(t, str) for t in texts) or type(plain.get("size")) is not int:
        raise HTTPException(422)
    if not isinstance(plain.get("template", ""), str):
        raise HTTPException(422)
    upload = await run_in_threadpool(_announce, request, plain)
    return busy() if upload is None else upload_answer(request, upload)


def _announce(request: Request, plain: dict[str, Any]) -> Upload | None:
    """The upload, new or known; None where the queue is full."""
    from anodewane.book.parts import open_haul_out, part_at, template_by_name

    context, session = context_of(request), session_of(request)
    known = context.yard.get(plain["id"]) if HEX32.fullmatch(plain["id"]) else None
    if known is None and context.judging.full:
        return None
    with open_book(context.yard.book) as book:
        place = book.position(plain["boat"], plain["position"])
        ashore = open_haul_out(book, place.boat)
        if ashore is None:
            raise UsageError(
                f"'{place.boat}' isn't ashore, by the book.",
                "Note that it was hauled out: the boat's page has a button.",
            )
        chosen = None
        if part_at(book, place.boat, place.name, ashore.hauled_on) is None:
            if not plain.get("template"):
                raise UsageError(
                    f"The book has no part at '{place.name}' of '{place.boat}'.",
                    "Choose the part on the position's page, and take the photo again.",
                )
            chosen = template_by_name(book, plain["template"]).name
    return context.yard.begin(
        Upload(
            id=plain["id"],
            owner=session.id,
            boat=place.boat,
            position=place.name,
            hauled_on=ashore.hauled_on.isoformat(),
            by=session.by,
            size=plain["size"],
            begun_at=context.clock(),
            template=chosen,
        )
    )


async def piece(request: Request) -> Response:
    """One piece of a photo, at its offset."""
    need_csrf(request)
    upload = own_upload(request)
    offset = query_arg(request, "offset")
    if not re.fullmatch(r"[0-9]{1,9}", offset):
        raise HTTPException(422)
    data = await bytes_of(request)
    context = context_of(request)

    def write() -> Upload:
        if context.yard.append(upload, int(offset), data) == upload.size:
            now = context.yard.finish(upload)
            if now.state == "waiting" and upload.state == "receiving":
                context.judging.add(now)
            return now
        return context.yard.get(upload.id) or upload

    return upload_answer(request, await run_in_threadpool(write))


async def drop(request: Request) -> Response:
    """The phone lets go of a photo that was taken again before it was whole here; one that is whole
    stays."""
    need_csrf(request)
    dropped = await run_in_threadpool(context_of(request).yard.drop, own_upload(request))
    return upload_answer(request, dropped)


async def progress(request: Request) -> Response:
    """How far a photo is. With `wait=1` answered as soon as it is judged: nobody looks at a finished
    verdict later than need be."""
    upload, context = own_upload(request), context_of(request)
    if query_arg(request, "wait") == "1":
        until = time.monotonic() + context.limits.wait_s
        while upload.state == "waiting" and time.monotonic() < until and not context.judging.leaving:
            await asyncio.sleep(0.008)
            upload = own_upload(request)
    return upload_answer(request, upload)


async def quick(request: Request) -> Response:
    """What a reduced copy shows to be wrong, while the photo itself is on its way. Nothing of it is kept."""
    copy = await bytes_of(request)
    context = context_of(request)

    def look() -> list[dict[str, Any]] | None:
        from anodewane.stages.load import read_size

        _, width, height = read_size(copy, "photo")
        if width * height > context.limits.quick_pixels:
            raise HTTPException(413)
        reasons = context.judging.quick(copy)
        return None if reasons is None else [views.warning(r) for r in reasons]

    found = await run_in_threadpool(look)
    return busy() if found is None else JSONResponse({"found": found})


ROUTES = [
    Route("/", from_book("boats.html", boats)),
    Route("/boat", from_book("boat.html", boat)),
    Route("/part", from_book("part.html", part)),
    Route("/compare", from_book("compare.html", compare)),
    Route("/haul-out", haul_out, methods=["POST"]),
    Route("/upload", begin, methods=["POST"]),
    Route("/quick", quick, methods=["POST"]),
    Route("/upload/{id}", progress),
    Route("/upload/{id}", piece, methods=["PUT"]),
    Route("/upload/{id}", drop, methods=["DELETE"]),
]
