"""Photos and results on object storage: an S3, Google or Azure bucket as a `Place`, through obstore
(the extra ``cloud``).

A store has no folders, no appending and no locks that end with a process. So the ledger is a row of
small objects, each put only if it isn't there yet; lines are gathered for a moment first, since every
put is a request that costs time and money (a kill loses that moment's lines, and those photos are
judged again). The lock is an object with a lease: whoever holds it writes it anew again and again, each
time on the condition that nobody else has; one that has stood still for a lease, by the store's own
clock, is taken over. Even a driver that has lost its lease unawares can't spoil the ledger: its next
piece meets one that is there.

A place is its URL and nothing more. Credentials come from each machine's own environment and never travel.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import secrets
import socket
import threading
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from anodewane.batch.place import LEDGER_NAME, LOCK_NAME, Entry, LeftOut, Place
from anodewane.errors import AnodewaneError, InputUnreadable, OutputNotWritable, UsageError
from anodewane.files import MAX_INPUT_BYTES

URL = re.compile(r"([A-Za-z][A-Za-z0-9+.-]*)://")
SCHEMES = ("s3", "s3a", "gs", "az", "abfs", "abfss")

FLUSH_S = 2.0
"""Longest time that a ledger line waits for company."""

FLUSH_LINES = 1000
READERS = 16
"""Pieces of the ledger fetched at once."""

RETRY_S = 60

CONTENT_TAG = re.compile(r'"?[0-9a-f]{32}(-[0-9]+)?"?')
"""What S3 gives as an object's tag: MD5 of the content, or of its parts' MD5s. Other stores' tags say
nothing about content."""


@dataclass(frozen=True, slots=True)
class BucketFolder:
    """A bucket, or a folder in one. url : such as s3://bucket/photos; exclude : a folder in it that
    isn't gone into; lease_s : how long a lock outlives its holder."""

    url: str
    exclude: str | None = None
    lease_s: float = 30.0

    @property
    def address(self) -> str:
        return self.url

    def entries(self, left_out: list[LeftOut] | None = None) -> Iterator[Entry]:
        """See `Place.entries`."""
        left_out = [] if left_out is None else left_out
        found = []
        with _reading(f"'{self.url}'"):
            for chunk in _obstore().list(_store(self.url), chunk_size=1000):
                found += [(m["path"], m["size"], m["e_tag"], m["last_modified"]) for m in chunk]
        ledger = f"/{LEDGER_NAME}/"
        outputs = {path[: path.index(ledger) + 1] for path, *_ in found if ledger in path}
        if self.exclude is not None:
            outputs.add(f"{self.exclude}/")
        outputs = {o for o in outputs if not any(o != other and o.startswith(other) for other in outputs)}
        met = set()
        for path, size, tag, changed in found:
            inside = next((o for o in outputs if path.startswith(o)), None)
            if inside is not None:
                met.add(inside)
            elif size or "." in path.rsplit("/", 1)[-1]:  # else a folder's marker, as consoles make them
                likeness = f"{size}-{tag}" if tag and CONTENT_TAG.fullmatch(tag) else str(size)
                yield Entry(path, size, f"{size}-{tag}-{changed.timestamp():.3f}" if tag else None, likeness)
        left_out += [LeftOut(o, "output", "results of a batch") for o in sorted(met)]

    def read(self, name: str) -> bytes:
        with _reading(f"'{_shown(self.url, name)}'"):
            got = _obstore().get(_store(self.url), name)
            if got.meta["size"] > MAX_INPUT_BYTES:
                raise InputUnreadable(
                    f"'{_shown(self.url, name)}' is larger than {MAX_INPUT_BYTES // 1_000_000} MB.",
                    "Give the photo as the phone made it.",
                )
            return bytes(got.bytes())

    def is_there(self) -> bool:
        try:
            return any(len(chunk) for chunk in _obstore().list(_store(self.url), chunk_size=1))
        except (_base_error(), OSError, ValueError):
            return False

    def prepare(self) -> None:
        probe = f".anodewane-probe-{secrets.token_hex(4)}"
        with _writing(self.url):
            _put(self.url, probe, b"probe")
            _obstore().delete(_store(self.url), probe)

    def write(self, name: str, data: bytes) -> None:
        _held(self)
        with _writing(_shown(self.url, name)):
            _put(self.url, name, data)

    def remove(self, name: str) -> None:
        with _writing(_shown(self.url, name)), contextlib.suppress(FileNotFoundError):
            _obstore().delete(_store(self.url), name)

    def lines(self, name: str) -> Iterator[bytes]:
        """See `Place.lines`. The pieces are fetched some at a time, whatever their number."""
        from concurrent.futures import ThreadPoolExecutor

        pieces = self._pieces(name)
        with ThreadPoolExecutor(READERS) as pool:
            for i in range(0, len(pieces), 4 * READERS):
                for data in pool.map(self.read, pieces[i : i + 4 * READERS]):
                    yield from data.split(b"\n")[:-1]

    def append(self, name: str, lines: Iterable[bytes]) -> None:
        """See `Place.append`. While the lock is held, lines may wait up to `FLUSH_S` before
        they are for good."""
        held = _held(self)
        if held is not None:
            held.append(name, lines)
        else:
            self.put_piece(name, self.next_piece(name), b"".join(line + b"\n" for line in lines))

    @contextlib.contextmanager
    def lock(self) -> Iterator[None]:
        held = _Held(self)
        held.acquire()
        _HELD[self.url] = held
        try:
            yield
            held.flush()
        finally:
            del _HELD[self.url]
            held.release()

    # --- pieces of the ledger ---

    def _pieces(self, name: str) -> list[str]:
        with _reading(f"'{_shown(self.url, name)}'"):
            return sorted(
                m["path"]
                for chunk in _obstore().list(_store(self.url), prefix=name, chunk_size=1000)
                for m in chunk
            )

    def next_piece(self, name: str) -> int:
        """The number of the first piece that isn't there yet."""
        pieces = self._pieces(name)
        return int(pieces[-1].rsplit("/", 1)[-1].split(".")[0]) + 1 if pieces else 0

    def put_piece(self, name: str, number: int, data: bytes) -> None:
        """Add a piece. OutputNotWritable when it is there: another driver writes here."""
        try:
            with _writing(_shown(self.url, name)):
                _put(self.url, f"{name}/{number:012d}.jsonl", data, "create")
        except FileExistsError as e:
            raise _another(self.url) from e


def place_of(text: str) -> Path | Place:
    """A folder's path, or the bucket that a URL names.

    Raises
    ------
    UsageError
        A URL of a kind that can't be used, or the extra isn't installed.
    """
    kind = URL.match(text)
    if kind is None:
        return Path(text)
    scheme = kind.group(1).lower()
    if scheme == "file":
        return Path(text[len("file://") :])
    if scheme not in SCHEMES:
        raise UsageError(
            f"Photos and results can't lie at '{text}'.",
            f"Name a folder, or a URL that begins with {', '.join(f'{s}://' for s in SCHEMES)}.",
        )
    url = text.rstrip("/")
    try:
        _store(url)
    except (_base_error(), ValueError) as e:
        raise UsageError(
            f"The address '{text}' can't be used: {_short(e)}",
            "Write it as s3://bucket/folder, gs://bucket/folder or az://container/folder.",
        ) from e
    return BucketFolder(url)


def places_of(source: str, out: str) -> tuple[Path | Place, Path | Place]:
    """Where photos come from and where results go, as `place_of`, with results that lie among the
    photos left out of them.

    Raises
    ------
    UsageError
        As `place_of`; or the photos lie where the results would go.
    """
    photos, results = place_of(source), place_of(out)
    if isinstance(photos, BucketFolder) and isinstance(results, BucketFolder):
        if f"{photos.url}/".startswith(f"{results.url}/"):
            raise UsageError(
                f"The results can't go to '{out}', where the photos are.",
                "Name a folder of their own with --out, such as one inside it.",
            )
        if results.url.startswith(f"{photos.url}/"):
            photos = BucketFolder(photos.url, exclude=results.url[len(photos.url) + 1 :])
    return photos, results


# --- holding a place -----------------------------------------------------------------------------


class _Held:
    """A place's lock and the ledger lines that wait, in the driver's process. One thread renews the
    lease and puts lines that have waited long enough."""

    def __init__(self, place: BucketFolder) -> None:
        self.place = place
        self._tag: str | None = None
        self._beats = 0
        self._who = f"{socket.gethostname()} {os.getpid()} {secrets.token_hex(4)}"
        self._waiting: list[bytes] = []
        self._since = 0.0
        self._next: dict[str, int] = {}
        self._failed: AnodewaneError | None = None
        self._guard = threading.RLock()
        self._end = threading.Event()
        self._renewed = 0.0
        self._thread = threading.Thread(target=self._work, daemon=True)

    def acquire(self) -> None:
        with _writing(self.place.url):
            try:
                self._beat("create")
            except FileExistsError:
                self._take_over()
        self._thread.start()

    def _take_over(self) -> None:
        """The lock is there: wait until it is older than a lease, by the store's clock, or refuse when
        somebody renews it meanwhile."""
        obstore, store = _obstore(), _store(self.place.url)
        first = None
        while True:
            try:
                lock = obstore.head(store, LOCK_NAME)
            except FileNotFoundError:  # its holder has just ended
                self._beat("create")
                return
            if first is not None and lock["e_tag"] != first:
                raise _another(self.place.url)
            first = lock["e_tag"]
            probe = f".anodewane-probe-{secrets.token_hex(4)}"
            _put(self.place.url, probe, b"what time is it")
            now = obstore.head(store, probe)["last_modified"]
            obstore.delete(store, probe)
            if (now - lock["last_modified"]).total_seconds() > self.place.lease_s:
                try:
                    self._beat({"e_tag": first})
                except FileExistsError as e:
                    raise _another(self.place.url) from e
                return
            time.sleep(min(1.0, self.place.lease_s / 4))

    def _beat(self, mode: Any) -> None:
        """Write the lock anew. FileExistsError when somebody else has written it."""
        self._beats += 1
        body = json.dumps({"held_by": self._who, "beat": self._beats}).encode()
        self._tag = _put(self.place.url, LOCK_NAME, body, mode)["e_tag"]
        self._renewed = time.monotonic()

    def check(self) -> None:
        """OutputNotWritable when the lock was lost or lines couldn't be put."""
        if self._failed is not None:
            raise self._failed

    def append(self, name: str, lines: Iterable[bytes]) -> None:
        if name != LEDGER_NAME:
            raise ValueError(f"only the ledger is appended to, not {name}")
        with self._guard:
            first = name not in self._next
            if not self._waiting:
                self._since = time.monotonic()
            self._waiting += [line + b"\n" for line in lines]
            if first or len(self._waiting) >= FLUSH_LINES:  # the first line marks the place as results
                self.flush()

    def flush(self) -> None:
        """Put what waits. OutputNotWritable."""
        with self._guard:
            self.check()
            if not self._waiting:
                return
            if LEDGER_NAME not in self._next:
                self._next[LEDGER_NAME] = self.place.next_piece(LEDGER_NAME)
            self.place.put_piece(LEDGER_NAME, self._next[LEDGER_NAME], b"".join(self._waiting))
            self._next[LEDGER_NAME] += 1
            self._waiting.clear()

    def _work(self) -> None:
        tick = min(0.25, self.place.lease_s / 12)
        while not self._end.wait(tick):
            try:
                if time.monotonic() - self._renewed > self.place.lease_s / 3:
                    self._renew()
                with self._guard:
                    if self._waiting and time.monotonic() - self._since > FLUSH_S:
                        self.flush()
            except AnodewaneError as e:
                self._failed = e
                return

    def _renew(self) -> None:
        try:
            self._beat({"e_tag": self._tag})
        except FileExistsError as e:
            raise _another(self.place.url) from e
        except (_base_error(), OSError) as e:
            if time.monotonic() - self._renewed > self.place.lease_s:
                raise _not_writable(self.place.url, e) from e

    def release(self) -> None:
        self._end.set()
        self._thread.join()
        with contextlib.suppress(AnodewaneError):  # what ended the run is being told already
            self.flush()
        if self._failed is None:
            with contextlib.suppress(_base_error(), OSError):
                _obstore().delete(_store(self.place.url), LOCK_NAME)


_HELD: dict[str, _Held] = {}
"""The places that this process holds: they outlive no run, and a place that is pickled to a worker
isn't held there."""


def _held(place: BucketFolder) -> _Held | None:
    held = _HELD.get(place.url)
    if held is not None:
        held.check()
    return held


# --- obstore -------------------------------------------------------------------------------------


def _obstore() -> Any:
    try:
        import obstore
    except ImportError as e:
        raise UsageError(
            "Object storage needs the package obstore.", 'Install it: in the checkout, pip install ".[all]".'
        ) from e
    return obstore


def _base_error() -> type[Exception]:
    _obstore()
    from obstore.exceptions import BaseError

    return BaseError


@lru_cache(maxsize=8)
def _store(url: str) -> Any:
    """The store of a URL, with this process's own credentials; made once a process."""
    from datetime import timedelta

    _obstore()
    from obstore.store import from_url

    return from_url(url, retry_config={"retry_timeout": timedelta(seconds=RETRY_S)})


def _put(url: str, name: str, data: bytes, mode: Any = "overwrite") -> Any:
    """Put an object in one request, so that it is there whole or not at all. FileExistsError when the
    condition of `mode` doesn't hold."""
    from obstore.exceptions import AlreadyExistsError, PreconditionError

    try:
        return _obstore().put(_store(url), name, data, mode=mode, use_multipart=False)
    except (AlreadyExistsError, PreconditionError) as e:
        raise FileExistsError(name) from e


@contextlib.contextmanager
def _reading(what: str) -> Iterator[None]:
    from obstore.exceptions import InvalidPathError

    try:
        yield
    except FileNotFoundError as e:
        raise InputUnreadable(
            f"There is no {what}.", "Check the name; it may have been removed meanwhile."
        ) from e
    except InvalidPathError as e:
        message = f"A name in {what} can't be used: {_short(e)}"
        raise InputUnreadable(
            message, "Rename that object: names have no empty part, no '..' and no control characters."
        ) from e
    except (_base_error(), OSError, ValueError) as e:
        remedy = (
            "Check its address, the network and this machine's credentials, then run the same command again."
        )
        raise InputUnreadable(f"{what} can't be read: {_short(e)}", remedy) from e


@contextlib.contextmanager
def _writing(what: str) -> Iterator[None]:
    try:
        yield
    except FileExistsError:
        raise
    except (_base_error(), OSError, ValueError) as e:
        raise _not_writable(what, e) from e


def _not_writable(what: str, e: BaseException) -> OutputNotWritable:
    remedy = (
        "Check the network and this machine's credentials, then run the same command again: it goes on "
        "where it stopped."
    )
    return OutputNotWritable(f"'{what}' can't be written: {_short(e)}", remedy)


def _another(url: str) -> OutputNotWritable:
    return OutputNotWritable(
        f"Another batch is writing to '{url}' just now.",
        "Wait until it has ended, or name another folder with --out.",
    )


def _shown(url: str, name: str) -> str:
    from anodewane.batch.place import shown_name

    return f"{url}/{shown_name(name)}"


def _short(e: BaseException) -> str:
    """The first line of what a library says, in one sentence."""
    text = str(e).strip().split("\n", 1)[0].strip().rstrip(".")
    return f"{text[:300]}." if text else f"{type(e).__name__}."
