"""A book of one boat with six positions, the sample photos that were drawn of such parts, and the
application over it."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from anodewane.book.store import new_book
from anodewane.catalog.templates import load_template
from anodewane.judgement.method import Method
from anodewane.records import Given

SAMPLES = Path(__file__).parents[2] / "sample_images"
WATCH = (SAMPLES / "watch.jpg").read_bytes()
BOAT = "Marram"
HAULED = date(2026, 10, 4)
PARTS = {
    "rudder port": ("replace.jpg", "plate-150x75x20-2slots", "rudder"),
    "rudder starboard": ("turned.jpg", None, "rudder"),
    "transom": ("watch.jpg", "plate-120x60x16-2holes", None),
    "keel aft": ("sound.jpg", "ring-90x42x18", None),
    "strainer": ("rod.jpg", "rod-180x25", None),
    "bracket": ("no-wear.jpg", None, None),
}
"""Position: its sample photo, the template beside the samples (None: as its truth says), its pair."""
HOST = "http://127.0.0.1:8765"


class Here(Executor):
    """Runs at once in the thread that asks: what a worker process would do, without the process."""

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as e:
            future.set_exception(e)
        return future


def template_file(position: str) -> Path:
    import json

    sample, _, _ = PARTS[position]
    return SAMPLES / str(json.loads((SAMPLES / sample).with_suffix(".truth.json").read_text())["template"])


def make_yard(folder: Path) -> Path:
    """The book, with last season's judgement at the transom."""
    file = folder / "yard.book"
    with new_book(file) as book:
        book.add_boat(BOAT, "salt")
        book.add_boat("Sea Aster <script>alert(1)</script>", "salt")
        for position, (_, _, pair) in PARTS.items():
            book.add_position(BOAT, position, pair, "2 x M10 bolt with washer")
            book.fit(BOAT, position, load_template(str(template_file(position))), date(2026, 4, 18))
        book.haul_out(BOAT, date(2026, 4, 10), date(2026, 5, 2))
        book.haul_out(BOAT, HAULED)
    return file


def add_keel(book: Path, boat: str = BOAT) -> None:
    """A seventh position, with the part of the sample photo in HEIC."""
    from anodewane.book.store import open_book

    with open_book(book) as opened:
        opened.add_position(boat, "keel forward")
        opened.fit(
            boat,
            "keel forward",
            load_template(str(SAMPLES / "templates" / "plate-95x95x18-1hole.toml")),
            date(2026, 4, 18),
        )


@dataclass
class Page:
    """A paired client of the application."""

    client: Any
    book: Path
    app: Any
    csrf: str

    def get(self, url: str, **more: Any) -> Any:
        return self.client.get(url, **more)

    def post(self, url: str, **more: Any) -> Any:
        headers = {"origin": HOST, "x-csrf": self.csrf, **more.pop("headers", {})}
        return self.client.post(url, headers=headers, **more)

    def put(self, url: str, **more: Any) -> Any:
        headers = {"origin": HOST, "x-csrf": self.csrf, **more.pop("headers", {})}
        return self.client.put(url, headers=headers, **more)

    def upload(self, data: bytes, position: str, number: str, piece: int = 200_000) -> dict[str, Any]:
        """Send a photo in pieces as the script does, and wait for its judgement."""
        import time

        told = self.post(
            "/upload", json={"id": number, "boat": BOAT, "position": position, "size": len(data)}
        ).json()
        while told.get("state") == "receiving":
            at = told["received"]
            told = self.put(f"/upload/{number}?offset={at}", content=data[at : at + piece]).json()
        began = time.monotonic()
        while told.get("state") == "waiting" and time.monotonic() - began < 60:
            time.sleep(0.01)
            told = self.get(f"/upload/{number}").json()
        return told


class Direct:
    """A client that asks the application itself, in this thread and one event loop: for requests by the
    thousand. The application has to be running already."""

    def __init__(self, app: Any, **more: Any) -> None:
        import asyncio

        import httpx2

        self._loop = asyncio.Runner()
        self._client = httpx2.AsyncClient(transport=httpx2.ASGITransport(app), base_url=HOST, **more)

    def request(self, method: str, url: str, **more: Any) -> Any:
        return self._loop.run(self._client.request(method, url, **more))

    def drive(self, work: Any) -> None:
        """Run `await work(client)`: one run for many requests, as each run begins with threads of its own."""
        self._loop.run(work(self._client))

    def get(self, url: str, **more: Any) -> Any:
        return self.request("GET", url, **more)

    def post(self, url: str, **more: Any) -> Any:
        return self.request("POST", url, **more)

    def close(self) -> None:
        self._loop.run(self._client.aclose())
        self._loop.close()


def pair(client: Any, app: Any) -> str:
    token = app.state.context.sessions.new_link()
    answer = client.post(
        f"/in/{token}", data={"by": "Robin"}, headers={"origin": HOST}, follow_redirects=True
    )
    assert answer.status_code == 200
    found = re.search(r'name="csrf" content="([0-9a-f]{64})"', answer.text)
    assert found
    return found[1]


def application(book: Path, make_executor: Callable[[], Executor] = Here, **more: Any) -> Any:
    """The application; more : its limits, its clock."""
    from anodewane.web.app import make_app

    return make_app(book, Given(), Method(), make_executor, 1, ["127.0.0.1", "localhost"], (HOST,), **more)


@contextmanager
def running(app: Any, book: Path, **more: Any) -> Iterator[Page]:
    """A running application and a paired client of it."""
    from starlette.testclient import TestClient

    with TestClient(app, base_url=HOST, raise_server_exceptions=True, **more) as client:
        yield Page(client, book, app, pair(client, app))


def begin(page: Page, number: str, size: int, position: str = "transom") -> Any:
    """Announce a photo."""
    return page.post("/upload", json={"id": number, "boat": BOAT, "position": position, "size": size})


class Never(Here):
    """A worker that never comes to its work, or to none of the kinds named."""

    def __init__(self, *kinds: Any) -> None:
        self.kinds = kinds

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        if self.kinds and fn not in self.kinds:
            return super().submit(fn, *args, **kwargs)
        return Future()


class Dying(Executor):
    """Its workers die over every photo."""

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        future.set_exception(BrokenExecutor("a worker died"))
        return future


class Server:
    """`anodewane serve` as its user starts it."""

    def __init__(self, book: Path) -> None:
        self.book, self.port, self.links = book, 0, ""
        self.start()

    def start(self) -> None:
        command = [
            sys.executable,
            "-m",
            "anodewane",
            "serve",
            str(self.book),
            "--port",
            str(self.port),
            "--workers",
            "1",
        ]
        self.process = subprocess.Popen(
            command,
            stderr=subprocess.PIPE,
            stdin=subprocess.DEVNULL,
            text=True,
            env={**os.environ, "OMP_NUM_THREADS": "1"},
        )
        assert self.process.stderr is not None
        said = ""
        for line in self.process.stderr:
            said += line
            if "Ctrl-C stops it" in line:
                break
        found = re.search(r"http://127\.0\.0\.1:(\d+)/in/\S+", said)
        assert found, said
        self.port, self.link, self.base = int(found[1]), found[0], f"http://127.0.0.1:{found[1]}"

    def kill(self) -> None:
        self.process.kill()
        self.process.wait(timeout=20)
        self._shut()

    def stop(self) -> int:
        self.process.send_signal(signal.SIGINT)
        assert self.process.stderr is not None
        said = self.process.stderr.read()
        code = self.process.wait(timeout=40)
        self._shut()
        assert said == "Stopped.\n", said
        return code

    def _shut(self) -> None:
        assert self.process.stderr is not None
        self.process.stderr.close()
