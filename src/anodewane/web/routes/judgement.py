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
    context = context_of(request)
    return views.judgement(book, context.yard, _number(request), session_of(request).by, context.settings)


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
    read_correction(body)
    handed = context_of(request).yard.keep_handed(body)
    return _judge_again(request, handed=handed, size=len(body), corrects=_number(request))


def _judge_again(request: Request, place: tuple[str, str, str] | None = None, **more: Any) -> Upload:
    """Have the photo of this judgement judged once more: at another place, or with what a person says.
    place : boat, position and haul-out, None for the judgement's own."""
    context, session = context_of(request), session_of(request)
    with open_book(context.yard.book) as book:
        r = book.judgement(_number(request)).reading
    photo = context.yard.photo_of(r.photo_sha256)
    if photo is None:
        raise UsageError("The photo of this judgement isn't here.", "Take the photo again.")
    if context.judging.full:
        raise HTTPException(503)
    boat, position, hauled_on = place or (r.boat, r.position, r.hauled_on.isoformat())
    if place is None:
        more.setdefault("template", r.template or None)
    upload = Upload(
        id=secrets.token_hex(16),
        owner=session.id,
        boat=boat,
        position=position,
        hauled_on=hauled_on,
        by=session.by,
        size=more.pop("size", photo.stat().st_size),
        begun_at=context.clock(),
        state="waiting",
        photo=photo.name,
        **more,
    )
    context.yard.put(upload)
    context.judging.add(upload, urgent=True)
    return upload


async def move(request: Request) -> Response:
    """The photo is of the part that its label names: withdraw it here and judge it there."""
    await fields_of(request)
    upload = await run_in_threadpool(_move, request)
    boat, position = (quote(t, safe="") for t in (upload.boat, upload.position))
    return RedirectResponse(f"/part?boat={boat}&position={position}", 303)


def _move(request: Request) -> Upload:
    from anodewane.book.parts import open_haul_out, part_at

    context = context_of(request)
    with open_book(context.yard.book) as book:
        label = views.label_elsewhere(book, book.judgement(_number(request)))
        if label is None or label["place"] is None:
            raise UsageError("The label names no other position of the book.", "Load the page again.")
        boat, position = label["place"]
        ashore = open_haul_out(book, boat)
        if ashore is None:
            raise UsageError(
                f"'{boat}' isn't ashore, by the book.",
                "Note that it was hauled out: the boat's page has a button.",
            )
        if part_at(book, boat, position, ashore.hauled_on) is None:
            raise UsageError(
                f"The book has no part at '{position}' of '{boat}'.",
                "Go there, choose the part, and take the photo again.",
            )
    upload = _judge_again(request, (boat, position, ashore.hauled_on.isoformat()))
    with open_book(context.yard.book) as book:
        why = f"moved to '{position}' of '{boat}', as the label says"
        book.withdraw(_number(request), why, session_of(request).by)
    return upload


async def withdraw(request: Request) -> Response:
    """The photo isn't of this part: take its judgement out of the count."""
    await fields_of(request)

    def note() -> str:
        with open_book(context_of(request).yard.book) as book:
            book.withdraw(_number(request), "not this part", session_of(request).by)
            r = book.judgement(_number(request)).reading
        return f"/part?boat={quote(r.boat, safe='')}&position={quote(r.position, safe='')}"

    return RedirectResponse(await run_in_threadpool(note), 303)


async def measured(request: Request) -> Response:
    """Judge once more with a weight or a thickness that was measured."""
    form = await fields_of(request)
    found: dict[str, float] = {}
    for name, most in (("weighed_g", 1e6), ("thickness_mm", 1e3)):
        text = form.get(name, "").strip().replace(",", ".")
        if text:
            try:
                found[name] = float(text)
            except ValueError as e:
                raise HTTPException(422) from e
            if not 0 < found[name] < most:
                raise HTTPException(422)
    if not found:
        raise HTTPException(422)
    upload = await run_in_threadpool(_judge_measured, request, found)
    boat, position = (quote(t, safe="") for t in (upload.boat, upload.position))
    return RedirectResponse(f"/part?boat={boat}&position={position}", 303)


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


def _judge_measured(request: Request, found: dict[str, float]) -> Upload:
    return _judge_again(
        request,
        corrects=_number(request),
        weighed_g=found.get("weighed_g"),
        thickness_mm=found.get("thickness_mm"),
    )


ROUTES = [
    Route("/judgement/{number:number}", from_book("judgement.html", verdict)),
    Route("/judgement/{number:number}/correct", from_book("correct.html", correcting)),
    Route("/judgement/{number:number}/correct", correct, methods=["POST"]),
    Route("/judgement/{number:number}/overrule", overrule, methods=["POST"]),
    Route("/judgement/{number:number}/accept", accept, methods=["POST"]),
    Route("/judgement/{number:number}/move", move, methods=["POST"]),
    Route("/judgement/{number:number}/withdraw", withdraw, methods=["POST"]),
    Route("/judgement/{number:number}/measured", measured, methods=["POST"]),
    Route("/judgement/{number:number}/{what}.jpg", picture),
]
