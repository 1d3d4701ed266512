"""Eight phones at once, against the server itself."""

from __future__ import annotations

import hashlib
import json
import threading
import time
import urllib.request
from http.cookiejar import CookieJar
from pathlib import Path
from typing import Any
from urllib.error import HTTPError

import pytest

from anodewane.book.store import open_book
from made.spoilt_photos import spoilt
from made.web_yard import BOAT, PARTS, SAMPLES, Server, make_yard

pytestmark = pytest.mark.slow


def test_eight_phones_at_once(tmp_path: Path) -> None:
    """Against the server itself, two photos a phone: no error, no photo lost or judged twice, memory of
    the serving process bounded (VmHWM, proc(5))."""
    server = Server(make_yard(tmp_path))
    opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(CookieJar()))
    faults: list[str] = []

    def call(who: Any, method: str, url: str, data: bytes | None = None, **headers: str) -> str:
        request = urllib.request.Request(
            server.base + url if url.startswith("/") else url,
            data,
            {"Origin": server.base, **headers},
            method=method,
        )
        with who.open(request, timeout=120) as answer:
            return str(answer.read().decode())

    def enter(who: Any, link: str, by: str) -> str:
        text = call(who, "POST", link, f"by={by}".encode())
        return text.split('name="csrf" content="')[1][:64]

    enter(opener, server.link, "Desk")
    links = [call(opener, "GET", "/pair").split('<p class="mono">')[1].split("</p>")[0] for _ in range(8)]
    samples = list(PARTS.items())
    copies = {sample: spoilt("no", sample) for sample, _, _ in PARTS.values()}

    def phone(n: int) -> None:
        try:
            who = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(CookieJar()))
            csrf = enter(who, links[n], f"Phone {n}")
            for k in range(2):
                position, (sample, _, _) = samples[(n + 3 * k) % 6]
                data = (SAMPLES / sample).read_bytes() + b"\0" * (
                    8 * k + n + 1
                )  # a photo of its own: what stands behind a JPEG's end isn't read
                number = f"{n:016x}{k:016x}"
                try:  # as on a slow link: a small copy goes ahead
                    if not k:
                        assert isinstance(
                            json.loads(call(who, "POST", "/quick", copies[sample], **{"X-CSRF": csrf}))[
                                "found"
                            ],
                            list,
                        )
                except HTTPError as e:
                    if e.code != 503:  # no time for it now
                        raise
                told = json.loads(
                    call(
                        who,
                        "POST",
                        "/upload",
                        json.dumps(
                            {"id": number, "boat": BOAT, "position": position, "size": len(data)}
                        ).encode(),
                        **{"X-CSRF": csrf},
                    )
                )
                while told["state"] == "receiving":
                    at = told["received"]
                    told = json.loads(
                        call(
                            who,
                            "PUT",
                            f"/upload/{number}?offset={at}",
                            data[at : at + 131072],
                            **{"X-CSRF": csrf},
                        )
                    )
                while told["state"] == "waiting":
                    time.sleep(0.2)
                    told = json.loads(call(who, "GET", f"/upload/{number}"))
                if told["state"] != "done":
                    faults.append(f"{n} {position}: {told}")
        except Exception as e:
            faults.append(f"{n}: {type(e).__name__} {e}")

    try:
        phones = [threading.Thread(target=phone, args=(n,)) for n in range(8)]
        for p in phones:
            p.start()
        for p in phones:
            p.join(timeout=180)
        status = Path(f"/proc/{server.process.pid}/status")
        if status.exists():
            peak = next(
                int(line.split()[1]) for line in status.read_text().splitlines() if line.startswith("VmHWM")
            )
            print(f"peak of the serving process: {peak} kB")
            assert peak < 500_000
    finally:
        code = server.stop()
    assert faults == []
    assert code == 0
    with open_book(server.book) as book:
        judged = book.judgements(BOAT)
        assert len(judged) == 16
        assert len({j.reading.photo_sha256 for j in judged}) == 16
    kept = list((tmp_path / "yard.book.yard" / "photos").iterdir())
    assert {hashlib.sha256(p.read_bytes()).hexdigest() for p in kept} == {
        j.reading.photo_sha256 for j in judged
    }
