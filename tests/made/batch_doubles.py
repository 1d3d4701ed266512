"""Doubles for the batch: work that is cheap, work that fails on purpose, an executor without processes,
and small photos."""

from __future__ import annotations

import hashlib
import io
import json
import os
import signal
from collections.abc import Callable
from concurrent.futures import Executor, Future
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from pathlib import Path
from typing import Any

from anodewane.batch.execute import Engine
from anodewane.batch.place import LEDGER_NAME, LOCK_NAME
from anodewane.batch.rows import Row
from anodewane.batch.work import Item, Outcome, RunConfig, overlay_name, record_name, thumbnail_name
from anodewane.errors import InputUnreadable

SAMPLES = Path(__file__).parents[2] / "sample_images"
TEMPLATE = "plate-150x75x20-2slots"

ROW = Row(
    path="Kittiwake/keel/1.jpg",
    boat="Kittiwake",
    position="keel",
    placed_by="folder",
    photo_sha256="ab" * 32,
    record="Kittiwake/keel/1.jpg.json",
    overlay="Kittiwake/keel/1.jpg.overlay.jpg",
    thumbnail="thumbnails/Kittiwake/keel/1.jpg.jpg",
    status="judged",
    verdict="replace",
    consumed_pct=62.25,
    consumed_low_pct=-1.5,
    consumed_high_pct=70.0,
    coverage=0.9,
    area_pct=35.2,
    template="rod-90x32",
    template_chosen=False,
    alloy="zinc",
    taken="2026-10-14T10:11:12",
    duplicate_of=None,
    contradictions=(),
    reasons=(("past_limit", "About 62 % of the metal is gone.", "Replace the part."),),
    photos=("Kittiwake/keel/1.jpg",),
)
"""A row of a summary."""


def small_photo(name: str = "replace.jpg", side: int = 800) -> bytes:
    """A sample photo, made small so that judging it is quick; it keeps its EXIF."""
    from PIL import Image

    with Image.open(SAMPLES / name) as image:
        exif = image.getexif().tobytes()
        image.thumbnail((side, side))
        buffer = io.BytesIO()
        image.save(buffer, "JPEG", quality=88, exif=exif)
    return buffer.getvalue()


def distinct(photo: bytes, number: int) -> bytes:
    """The same picture as another file: a JPEG may carry anything behind its end."""
    return photo + b"photo %d" % number


def tree(folder: Path) -> dict[str, bytes]:
    """Every file of a batch's output by name, but the ledger and the lock, which hold times."""
    return {
        str(p.relative_to(folder)): p.read_bytes()
        for p in sorted(folder.rglob("*"))
        if p.is_file() and p.name not in (LEDGER_NAME, LOCK_NAME)
    }


# --- work ----------------------------------------------------------------------------------------


def cheap_work(item: Item, config: RunConfig) -> Outcome:
    """Judges by the content's first letter: r(eplace), m(onitor), o(k), c(annot judge), u(nreadable);
    several together by the first's, x refuses them."""
    base = Outcome(item.name, item.out_name, item.digest, "unreadable", final=False, stamp=item.stamp)
    try:
        data = config.source.read(item.name)
    except InputUnreadable as e:
        return replace(base, reasons=(("unreadable", e.message, e.remedy),))
    sha256 = hashlib.sha256(data).hexdigest()
    others = tuple((name, config.source.read(name)) for name in item.others)
    base = replace(
        base,
        final=True,
        photo_sha256=sha256,
        size_bytes=len(data),
        others=tuple((n, hashlib.sha256(d).hexdigest()) for n, d in others),
    )
    verdict: Any = {b"r": "replace", b"m": "monitor", b"o": "ok"}.get(data[:1])
    if data[:1] == b"u":
        return replace(base, reasons=(("unreadable", "It isn't a photo.", "Take one."),))
    if any(d[:1] == b"x" for _, d in others):  # another part's
        verdict = None
    plain = {"name": item.name.rsplit("/", 1)[-1], "sha256": sha256, "verdict": verdict}
    if others:
        plain["others"] = [[n.rsplit("/", 1)[-1], s] for n, s in base.others]
    record = json.dumps(plain).encode()
    outputs = (
        (overlay_name(item.out_name), b"overlay"),
        (thumbnail_name(item.out_name), b"thumbnail"),
        (record_name(item.out_name), record),
    )
    for name, content in outputs:
        config.out.write(name, content)
    return replace(
        base,
        status="judged" if verdict else "cannot_judge",
        verdict=verdict,
        consumed_pct=60.0 if verdict else None,
        consumed_low_pct=50.0 if verdict else None,
        consumed_high_pct=70.0 if verdict else None,
        coverage=0.9 if verdict else None,
        files=tuple((name, len(content)) for name, content in outputs),
        label_boat="Label Boat" if b"labelled" in data else None,
        label_position="label position" if b"labelled" in data else None,
    )


def cheap_label(item: Item, config: RunConfig) -> Outcome:
    """Reads a label off contents such as "r one labelled Skua/fin"."""
    data = config.source.read(item.name)
    boat, _, position = data.decode("utf-8", "replace").partition(" labelled ")[2].partition("/")
    sha256 = hashlib.sha256(data).hexdigest()
    return Outcome(
        item.name,
        item.out_name,
        "",
        "judged",
        final=True,
        photo_sha256=sha256,
        label_boat=boat or None,
        label_position=position or None,
    )


def deadly_work(item: Item, config: RunConfig) -> Outcome:
    """As `cheap_work`, but a photo with "deadly" in its name ends its worker as the system does when
    memory runs out."""
    if "deadly" in item.name:
        os.kill(os.getpid(), signal.SIGKILL)
    return cheap_work(item, config)


def telling_work(item: Item, config: RunConfig) -> Outcome:
    """Tells by which process, configuration and template an item is judged."""
    told = f"{os.getpid()} {id(config)} {id(config.templates['t'])}"
    return Outcome(item.name, item.out_name, item.digest, "judged", final=True, template=told)


def faulty_work(item: Item, config: RunConfig) -> Outcome:
    """Raises what no work should."""
    raise RuntimeError(item.name)


def die_at_start() -> None:
    """An initializer under which no worker lives."""
    os._exit(3)


# --- engines -------------------------------------------------------------------------------------


class InProcess(Executor):
    """Runs each call at once, in this process. `before` is called with the number of the call first."""

    def __init__(self, before: Callable[[int], None] | None = None) -> None:
        self._before = before
        self._calls = 0

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        self._calls += 1
        try:
            if self._before is not None:
                self._before(self._calls)
            future.set_result(fn(*args, **kwargs))
        except Exception as e:
            future.set_exception(e)
        return future


def in_process(before: Callable[[int], None] | None = None) -> Engine:
    """An engine without processes."""
    return Engine(lambda: InProcess(before), 1, window=2)


class BreakingPool(Executor):
    """A pool that breaks whenever it is given a poisoned item, as a process pool does: everything in
    flight is lost with it."""

    def __init__(self, poison: Callable[[Item], bool], log: list[str]) -> None:
        self._poison, self._log = poison, log
        self._waiting: list[tuple[Future[Any], Callable[..., Any], tuple[Any, ...]]] = []
        self._broken = False

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        if self._broken:
            raise BrokenProcessPool("broken")
        future: Future[Any] = Future()
        if args and self._poison(args[0]):
            self._broken = True
            for other in (future, *(f for f, _, _ in self._waiting)):
                other.set_exception(BrokenProcessPool("a worker died"))
            self._waiting.clear()
            self._log.append(f"broken by {args[0].name}")
            return future
        self._waiting.append((future, fn, args))
        if len(self._waiting) >= 2 or not args:
            self._flush()
        return future

    def _flush(self) -> None:
        for future, fn, args in self._waiting:
            future.set_result(fn(*args))
        self._waiting.clear()

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        self._waiting.clear()
