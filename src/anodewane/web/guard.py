"""Who may come in: pairing, sessions, CSRF tokens, Origin checks, rates and the headers of every
answer. Every request passes `Guard` before any page sees it."""

from __future__ import annotations

import hashlib
import hmac
import json
import secrets
import sys
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from anodewane.files import write_atomic
from anodewane.web.limits import LIMITS, Limits, Rate

COOKIE = "anodewane"
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",  # "no-referrer" would make browsers send Origin: null
    "cross-origin-resource-policy": "same-origin",
    "x-frame-options": "DENY",
    "permissions-policy": "geolocation=(), microphone=()",
}


@dataclass(frozen=True, slots=True)
class Session:
    """A paired phone or desk. id : SHA-256 of its token (the token itself is never kept); by : who uses
    it, as they said; csrf : goes with every request that changes."""

    id: str
    by: str
    csrf: str


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()


class Sessions:
    """Paired devices, kept over a restart, and pairing links, which are not."""

    def __init__(self, file: Path, limits: Limits = LIMITS, clock: Callable[[], float] = time.time) -> None:
        self._file, self._lock, self._limits, self._clock = file, threading.Lock(), limits, clock
        self._links: OrderedDict[str, float] = OrderedDict()
        self._known: dict[str, dict[str, Any]] = {}
        try:
            for key, value in json.loads(file.read_text("utf-8")).items():
                self._known[str(key)] = {"by": str(value["by"]), "until": float(value["until"])}
        except (OSError, ValueError, TypeError, KeyError, AttributeError):
            self._known = {}

    def new_link(self) -> str:
        """A token for one pairing, good for `Limits.pairing_s`."""
        token = secrets.token_urlsafe(24)
        with self._lock:
            self._links[_digest(token)] = self._clock() + self._limits.pairing_s
            while len(self._links) > self._limits.links:
                self._links.popitem(last=False)
        return token

    def is_link(self, token: str) -> bool:
        """Whether a pairing link is still good. Asking doesn't use it up: phones look at a link
        before they open it."""
        with self._lock:
            return self._links.get(_digest(token), 0.0) > self._clock()

    def pair(self, token: str, by: str) -> str | None:
        """Use a link up and return the new session's token; None where the link isn't good."""
        with self._lock:
            if self._links.pop(_digest(token), 0.0) <= self._clock():
                return None
            session = secrets.token_urlsafe(32)
            now = self._clock()
            self._known = {k: v for k, v in self._known.items() if v["until"] > now}
            while len(self._known) >= self._limits.sessions:
                del self._known[min(self._known, key=lambda k: self._known[k]["until"])]
            self._known[_digest(session)] = {"by": by, "until": now + self._limits.session_s}
            self._save()
            return session

    def find(self, token: str | None) -> Session | None:
        """The session of a cookie's token."""
        if not token:
            return None
        digest = _digest(token)
        with self._lock:
            known = self._known.get(digest)
        if known is None or known["until"] <= self._clock():
            return None
        return Session(digest, known["by"], hmac.new(token.encode(), b"csrf", "sha256").hexdigest())

    def end(self, session: Session) -> None:
        """Send a device away."""
        with self._lock:
            self._known.pop(session.id, None)
            self._save()

    def _save(self) -> None:
        write_atomic(self._file, json.dumps(self._known).encode())
        self._file.chmod(0o600)


class Rates:
    """Token buckets by key, a bounded number of them."""

    def __init__(self) -> None:
        self._buckets: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def allow(self, key: str, rate: Rate) -> bool:
        """Whether one more request is within the rate."""
        a_second, at_once = rate
        now = time.monotonic()
        left, then = self._buckets.pop(key, (at_once, now))
        left = min(at_once, left + (now - then) * a_second)
        self._buckets[key] = (left - 1 if left >= 1 else left, now)
        while len(self._buckets) > 5000:
            self._buckets.popitem(last=False)
        return left >= 1


class Guard:
    """Outermost ASGI layer but for the Host check."""

    def __init__(self, app: ASGIApp, sessions: Sessions, error_page: Any, limits: Limits = LIMITS) -> None:
        self.app, self.sessions, self.error_page, self.limits = app, sessions, error_page, limits
        self.rates = Rates()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":  # no sockets here
            return
        begun = False

        async def guarded(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                names = {k.lower() for k, _ in message["headers"]}
                more = {**HEADERS, "content-security-policy": POLICY, "cache-control": "no-store"}
                message["headers"] = [
                    *message["headers"],
                    *((k.encode(), v.encode()) for k, v in more.items() if k.encode() not in names),
                ]
            await send(message)

        request = Request(scope, receive)
        try:
            refused = self.refusal(request)
            await (refused or self.app)(scope, receive, guarded)
        except Exception as e:
            # its own way of ending a request whose body is too large: answered already
            if type(e).__module__.startswith("starlette."):
                raise
            # the last resort: the page says nothing of the inside, the terminal gets one line
            where = f"{request.method} {request.url.path}"
            text = f"anodewane: unexpected fault at {where}: {type(e).__name__}: {e}"
            print(text, file=sys.stderr)  # noqa: T201 - no logging elsewhere
            if not begun:
                await self.error_page(request, 500)(scope, receive, guarded)

    def refusal(self, request: Request) -> Response | None:
        """Why a request may not go on; None where it may."""
        session = self.sessions.find(request.cookies.get(COOKIE))
        request.scope["session_of_page"] = session
        path = request.url.path
        client = request.client.host if request.client else "?"
        if (
            session is None
            and path.startswith("/in/")
            and request.method == "POST"
            and not self.rates.allow(f"in {client}", self.limits.pairing_rate)
        ):
            return self._no(request, 429)
        rate = self.limits.paired_rate if session else self.limits.stranger_rate
        if not self.rates.allow(session.id if session else client, rate):
            return self._no(request, 429)
        if request.method not in ("GET", "HEAD"):
            if not same_origin(request):
                return self._no(request, 403)
            if session is not None and not path.startswith("/in/"):
                request.scope["csrf_by_header"] = hmac.compare_digest(
                    request.headers.get("x-csrf", "").encode(), session.csrf.encode()
                )
        if session is None and not (path.startswith(("/in/", "/static/")) or path in ("/in", "/favicon.ico")):
            if request.method in ("GET", "HEAD") and "text/html" in request.headers.get("accept", ""):
                return RedirectResponse("/in", 303)
            return self._no(request, 401)
        return None

    def _no(self, request: Request, status: int) -> Response:
        if "text/html" in request.headers.get("accept", ""):
            response: Response = self.error_page(request, status)
        else:
            response = JSONResponse({"says": MESSAGES[status][0], "remedy": MESSAGES[status][1]}, status)
        if status == 429:
            response.headers["retry-after"] = "5"
        return response


def same_origin(request: Request) -> bool:
    """Whether a request that changes something comes from this very page: its Origin is the Host
    that was asked."""
    origin = request.headers.get("origin")
    if not origin or origin == "null":
        return False
    try:
        parts = urlsplit(origin)
    except ValueError:
        return False
    return parts.scheme in ("http", "https") and parts.netloc == request.headers.get("host", "")


def csrf_good(request: Request, given: str | None) -> bool:
    """Whether the form's token, or the header's, is this session's."""
    session: Session | None = request.scope.get("session_of_page")
    if session is None:
        return False
    return bool(request.scope.get("csrf_by_header")) or hmac.compare_digest(
        (given or "").encode(), session.csrf.encode()
    )


MESSAGES = {
    400: ("That can't be read.", "Go back and try again."),
    401: (
        "This device isn't paired.",
        "Open a pairing link: the terminal and the desk's page 'Pair a phone' have one.",
    ),
    403: ("That didn't come from this page.", "Load the page again and repeat it."),
    404: ("There is no such page.", "Go to the list of boats."),
    405: ("That can't be done here.", "Go to the list of boats."),
    409: ("That doesn't fit what the book has.", "Load the page again."),
    413: ("That is too large.", "Take photos with the phone's usual camera settings."),
    422: ("That can't be read.", "Go back and try again."),
    429: ("Too much at once.", "Wait a few seconds."),
    500: ("An unexpected fault.", "Try again; what was taken is kept."),
    503: ("Too many photos wait already.", "The phone keeps the photo and tries again."),
    507: (
        "This can't be written.",
        "Free some space on the machine that serves; photos stay on the phone until then.",
    ),
}
