"""One judgement: its verdict, its pictures, and what a person says to it."""

from __future__ import annotations

import secrets
from typing import Any
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from anodewane.book.store import Book, open_book
from anodewane.errors import UsageError
from anodewane.web import views
from anodewane.web.answers import context_of, fields_of, from_book, json_of, session_of
from anodewane.web.corrections import read_correction
from anodewane.web.routes.visit import upload_answer
from anodewane.web.yard import Upload


def _number(request: Request) -> int:
    number: int = request.path_params["number"]
    return number


def verdict(request: Request, book: Book) -> dict[str, Any]:
    """What a photo says, and what can be done about it."""
    return views.judgement(book, context_of(request).yard, _number(request), session_of(request).by)


def correcting(request: Request, book: Book) -> dict[str, Any]:
    """The photo with its outline, to be corrected."""
    return {**verdict(request, book), "outline": views.outline(book, _number(request))}


async def picture(request: Request) -> Response:
    """The overlay, or the photo upright and without its EXIF."""
    if request.path_params["what"] not in ("overlay", "photo"):
        raise HTTPException(404)
    data = await run_in_threadpool(_picture, request, request.path_params["what"] == "overlay")
    if data is None:
        raise HTTPException(404)
    return Response(data, media_type="image/jpeg", headers={"cache-control": "private, max-age=86400"})


def _picture(request: Request, overlay: bool) -> bytes | None:
    from anodewane.files import write_atomic

    yard, judging = context_of(request).yard, context_of(request).judging
    with open_book(yard.book) as book:
        reading = book.judgement(_number(request)).reading
        record = book.record_json(reading.record_sha256) if overlay else None
    photo = yard.photo_of(reading.photo_sha256)
    if photo is None:
        return None
    if overlay:
        file = yard.overlay_file(reading.record_sha256)
        judging.await_overlay(reading.record_sha256)
    else:
        file = yard.view_file(reading.photo_sha256)
    if not file.is_file():
        write_atomic(file, judging.draw(photo, record))
    return file.read_bytes()


async def correct(request: Request) -> Response:
    """Judge once more by the outline that was handed in."""
    body, _ = await json_of(request)
    return upload_answer(request, await run_in_threadpool(_hand_in, request, body))


def _hand_in(request: Request, body: bytes) -> Upload:
    context, session = context_of(request), session_of(request)
    read_correction(body)
    with open_book(context.yard.book) as book:
        r = book.judgement(_number(request)).reading
    photo = context.yard.photo_of(r.photo_sha256)
    if photo is None:
        raise UsageError(
            "The photo of this judgement isn't here.", "Judge it with 'anodewane judge --outline'."
        )
    if context.judging.full:
        raise HTTPException(503)
    upload = Upload(
        id=secrets.token_hex(16),
        owner=session.id,
        boat=r.boat,
        position=r.position,
        hauled_on=r.hauled_on.isoformat(),
        by=session.by,
        size=len(body),
        begun_at=context.clock(),
        state="waiting",
        photo=photo.name,
        corrects=_number(request),
        handed=context.yard.keep_handed(body),
    )
    context.yard.put(upload)
    context.judging.add(upload, urgent=True)
    return upload


async def overrule(request: Request) -> Response:
    """Note a person's own verdict, or take it back."""
    form = await fields_of(request)
    grade = form.get("verdict", "")
    if grade not in ("replace", "monitor", "ok", "back"):
        raise HTTPException(422)

    def note() -> None:
        with open_book(context_of(request).yard.book) as book:
            r = book.judgement(_number(request)).reading
            book.overrule(
                r.boat,
                r.position,
                r.hauled_on,
                None if grade == "back" else grade,  # type: ignore[arg-type]  # one of the three
                form.get("why", ""),
                session_of(request).by,
            )

    await run_in_threadpool(note)
    return RedirectResponse(f"/judgement/{_number(request)}", 303)


async def accept(request: Request) -> Response:
    """Note that somebody stands by it, and go on to the next position."""
    form = await fields_of(request)
    return RedirectResponse(await run_in_threadpool(_accepted, request, form), 303)


def _accepted(request: Request, form: dict[str, str]) -> str:
    """Where to go once it is noted."""
    context = context_of(request)
    with open_book(context.yard.book) as book:
        book.accept(_number(request), session_of(request).by)
        r = book.judgement(_number(request)).reading
        if form.get("stay") == "1":
            return f"/judgement/{_number(request)}"
        visit = views.visit(book, context.yard, r.boat)
    boat = quote(r.boat, safe="")
    if visit["day"] == r.hauled_on.isoformat():
        following = next((n for n in visit["left"] if n != r.position), None)
        if following:
            return f"/part?boat={boat}&position={quote(following, safe='')}"
    return f"/boat?name={boat}"


ROUTES = [
    Route("/judgement/{number:number}", from_book("judgement.html", verdict)),
    Route("/judgement/{number:number}/correct", from_book("correct.html", correcting)),
    Route("/judgement/{number:number}/correct", correct, methods=["POST"]),
    Route("/judgement/{number:number}/overrule", overrule, methods=["POST"]),
    Route("/judgement/{number:number}/accept", accept, methods=["POST"]),
    Route("/judgement/{number:number}/{what}.jpg", picture),
]
