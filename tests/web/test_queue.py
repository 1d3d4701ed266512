"""The queue before the workers: turns, fullness, workers that die, and the server's end."""

from __future__ import annotations

import threading
import time
from pathlib import Path

from anodewane.judgement.method import Method
from anodewane.records import Given
from anodewane.web.judging import Judging
from anodewane.web.limits import Limits
from anodewane.web.turns import Turns
from anodewane.web.worker import overlay_task
from anodewane.web.yard import Upload, Yard
from made.web_yard import BOAT, HAULED, WATCH, Dying, Here, Never, application, begin, make_yard, running


def waiting(owner: str, n: int) -> Upload:
    """A phone's photo, whole and waiting."""
    return Upload(
        f"{owner}{n:031x}", owner, BOAT, "transom", HAULED.isoformat(), "R", 1, float(n), "waiting", "x.jpg"
    )


def test_phones_take_turns_and_a_correction_goes_first() -> None:
    """A phone with ninety photos doesn't keep one with two waiting."""
    turns = Turns()
    for n in range(90):
        turns.add("a", f"a{n}")
    for n in range(2):
        turns.add("b", f"b{n}")
    turns.add("b", "b9", urgent=True)
    assert [turns.next() for _ in range(7)] == ["a0", "b9", "a1", "b0", "a2", "b1", "a3"]
    assert len(turns) == 86
    while turns.next():
        pass
    assert (len(turns), turns.next()) == (0, None)


def test_a_full_queue_says_so(tmp_path: Path) -> None:
    yard = Yard(make_yard(tmp_path))
    queue = Judging(yard, Given(), Method(), Here, 1, Limits(waiting_photos=3))
    for n in range(3):
        assert not queue.full
        queue.add(waiting("a", n))
    assert queue.full
    yard.close()


def test_a_full_queue_leaves_photos_on_their_phones(tmp_path: Path) -> None:
    book = make_yard(tmp_path)
    with running(application(book, limits=Limits(waiting_photos=0)), book) as page:
        answer = begin(page, "9" * 32, len(WATCH))
        assert (answer.status_code, answer.headers["retry-after"]) == (503, "5")


def test_a_photo_that_kills_its_workers_is_given_up_with_a_sentence(tmp_path: Path) -> None:
    yard = Yard(make_yard(tmp_path))
    queue = Judging(yard, Given(), Method(), Dying, 1)
    yard.put(waiting("a", 1))
    queue.start()
    began = time.monotonic()
    while (u := yard.get(waiting("a", 1).id)) and u.state == "waiting" and time.monotonic() - began < 20:
        time.sleep(0.01)
    queue.stop()
    yard.close()
    assert u is not None
    assert (u.state, "memory" in (u.says or "")) == ("failed", True)


def test_no_verdict_is_waited_for_when_the_server_leaves(tmp_path: Path) -> None:
    """Ctrl-C ends it at once though a page waits for a verdict that never comes."""
    book = make_yard(tmp_path)
    app = application(book, Never, limits=Limits(wait_s=1e6))
    with running(app, book) as page:
        begin(page, "1" * 32, len(WATCH))
        page.put("/upload/" + "1" * 32 + "?offset=0", content=WATCH)
        leave = threading.Timer(0.2, setattr, (app.state.context.judging, "leaving", True))
        leave.start()
        assert page.get("/upload/" + "1" * 32 + "?wait=1").json()["state"] == "waiting"
        leave.join()


def test_no_picture_is_waited_for_when_the_server_leaves(tmp_path: Path) -> None:
    book = make_yard(tmp_path)
    app = application(book, lambda: Never(overlay_task), limits=Limits(draw_s=1e6))
    with running(app, book) as page:
        number = page.upload(WATCH, "transom", "1" * 32)["judgement"]
        began = time.monotonic()
        leave = threading.Timer(0.2, setattr, (app.state.context.judging, "leaving", True))
        leave.start()
        page.get(f"/judgement/{number}/overlay.jpg")
        assert time.monotonic() - began < 60
        leave.join()
