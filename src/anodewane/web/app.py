"""The application over a book: each request is looked up in the book, and nothing that a client names
becomes a path."""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import Executor
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware

from anodewane.book.store import open_book
from anodewane.errors import AnodewaneError
from anodewane.judgement.method import Method
from anodewane.records import Given
from anodewane.web.answers import AppContext, error_page, on_http_error, on_known_error
from anodewane.web.guard import Guard, Sessions
from anodewane.web.judging import Judging
from anodewane.web.limits import LIMITS, Limits
from anodewane.web.yard import Yard


def make_app(
    book: Path,
    given: Given,
    method: Method,
    make_executor: Callable[[], Executor],
    workers: int,
    hosts: list[str],
    bases: tuple[str, ...],
    limits: Limits = LIMITS,
    clock: Callable[[], float] = time.time,
) -> Starlette:
    """The application over a book. hosts : names that the Host header may have; anything else is
    refused, so that no foreign name can be pointed here. clock : seconds since 1970.

    Raises
    ------
    UsageError, InputUnreadable, OutputNotWritable
        The book or its folder can't be had.
    """
    from anodewane.web.routes import desk, entry, judgement, visit

    open_book(book).close()
    yard = Yard(book, limits, clock)
    sessions = Sessions(yard.folder / "sessions.json", limits, clock)
    judging = Judging(yard, given, method, make_executor, workers, limits)

    @asynccontextmanager
    async def lifespan(_app: Starlette) -> Any:
        judging.start()
        try:
            yield
        finally:
            await run_in_threadpool(judging.stop)
            yard.close()

    app = Starlette(
        routes=[*entry.ROUTES, *visit.ROUTES, *judgement.ROUTES, *desk.ROUTES],
        middleware=[
            Middleware(TrustedHostMiddleware, allowed_hosts=hosts),
            Middleware(Guard, sessions=sessions, error_page=error_page, limits=limits),
        ],
        exception_handlers={HTTPException: on_http_error, AnodewaneError: on_known_error},
        lifespan=lifespan,
        max_body_size=limits.body_bytes,
    )
    app.state.context = AppContext(yard, sessions, judging, method.settings, limits, bases, clock)
    return app
