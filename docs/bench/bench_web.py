"""From "the upload is finished" to "the overlay is there" through the page, against `judge` on the same
photo in the same run.

    OMP_NUM_THREADS=1 python docs/bench/bench_web.py [--runs 7]

Starts `anodewane serve` with one worker over a book made here, sends a sample photo (2016 x 1512) and
the same photo enlarged to 12 MP, and times from sending the last piece to having the overlay's bytes,
asked for as the page's script does it. Beside it: `pipeline.judge` in a warm process. Median of the
runs' ratios, and where the time went. Then the quick look by itself, from sending a copy to its answer:
a phone asks for one only while a photo takes longer to send than 0.4 s, so it's never in the way of the
judgement of the same photo.
"""

from __future__ import annotations

import argparse
import http.cookiejar
import io
import json
import os
import re
import signal
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from datetime import date
from itertools import pairwise
from pathlib import Path

from anodewane.book.store import new_book
from anodewane.catalog.templates import load_template
from anodewane.judgement.pipeline import judge
from anodewane.stages.load import load_photo

SAMPLES = Path(__file__).parents[2] / "sample_images"


def enlarged(data: bytes) -> bytes:
    from PIL import Image

    image = Image.open(io.BytesIO(data))
    out = io.BytesIO()
    image.resize((4032, 3024), Image.Resampling.BICUBIC).save(out, "JPEG", quality=92)
    return out.getvalue()


def small_copy(data: bytes) -> bytes:
    """As the page's script makes it."""
    from PIL import Image

    image = Image.open(io.BytesIO(data))
    exif = image.getexif()
    image.thumbnail((1280, 1280))
    out = io.BytesIO()
    image.save(out, "JPEG", quality=85, exif=exif)
    return out.getvalue()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--runs", type=int, default=7)
    runs = parser.parse_args().runs
    template = load_template(str(SAMPLES / "templates" / "plate-120x60x16-2holes.toml"))
    small = (SAMPLES / "watch.jpg").read_bytes()
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "bench.book"
        with new_book(file) as book:
            book.add_boat("Marram")
            book.add_position("Marram", "transom")
            book.fit("Marram", "transom", template, date(2026, 4, 18))
            book.haul_out("Marram", date(2026, 10, 4))
        command = [sys.executable, "-m", "anodewane", "serve", str(file), "--port", "0", "--workers", "1"]
        server = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
        try:
            said = ""
            while "Ctrl-C stops it" not in said:
                said += server.stderr.readline()
            link = re.search(r"http://\S+/in/\S+", said)[0]
            base = link.split("/in/")[0]
            opener = urllib.request.build_opener(
                urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar())
            )
            token = ""

            def call(method: str, url: str, data: bytes | None = None) -> bytes:
                request = urllib.request.Request(url, data, {"Origin": base, "X-CSRF": token}, method=method)
                with opener.open(request, timeout=120) as answer:
                    return answer.read()

            token = re.search(rb'csrf" content="([0-9a-f]+)', call("POST", link, b"by=Bench"))[1].decode()

            def quick(copy: bytes) -> float:
                begun = time.perf_counter()
                call("POST", f"{base}/quick", copy)
                return time.perf_counter() - begun

            def through_the_page(data: bytes) -> tuple[float, ...]:
                number = os.urandom(16).hex()
                told = json.loads(
                    call(
                        "POST",
                        f"{base}/upload",
                        json.dumps(
                            {"id": number, "boat": "Marram", "position": "transom", "size": len(data)}
                        ).encode(),
                    )
                )
                while True:
                    at = told["received"]
                    begun = time.perf_counter()
                    told = json.loads(
                        call("PUT", f"{base}/upload/{number}?offset={at}", data[at : at + 131072])
                    )
                    if told["state"] != "receiving":
                        break
                while told["state"] == "waiting":
                    told = json.loads(call("GET", f"{base}/upload/{number}?wait=1"))
                assert told["state"] == "done", told
                marks = [begun, time.perf_counter()]
                for url in (
                    f"{base}/judgement/{told['judgement']}",
                    f"{base}/judgement/{told['judgement']}/overlay.jpg",
                ):
                    call("GET", url)
                    marks.append(time.perf_counter())
                return tuple(b - a for a, b in pairwise(marks))

            print(f"seconds, median of {runs}; load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
            for name, data in (("3 MP", small), ("12 MP", enlarged(small))):
                alone, page, parts = [], [], []
                copy = small_copy(data)
                for run in range(runs + 1):  # the first one warms both
                    fresh = data + b"\0" * run  # what stands behind a JPEG's end isn't read
                    begun = time.perf_counter()
                    judge(load_photo(fresh, "a.jpg"), template)
                    if run:
                        alone.append(time.perf_counter() - begun)
                    seconds = through_the_page(fresh)
                    if run:
                        page.append(sum(seconds))
                        parts.append(seconds)
                ratio = statistics.median(p / a for p, a in zip(page, alone, strict=True))
                print(
                    f"{name}: judge {statistics.median(alone):.3f}, page {statistics.median(page):.3f}, "
                    f"ratio {ratio:.2f}"
                )
                least = min(page) / min(alone)
                print(
                    f"    the quickest of {runs}: judge {min(alone):.3f}, page {min(page):.3f}, ratio "
                    f"{least:.2f} (other work on the machine counts for less)"
                )
                judged, shown, drawn = (statistics.median(p[i] for p in parts) for i in range(3))
                print(
                    f"    to the judgement and its overlay {judged:.3f}, the verdict's page {shown:.3f}, "
                    f"the picture's bytes {drawn:.3f}"
                )
                looks = [quick(copy) for _ in range(runs)]
                look = statistics.median(looks)
                print(
                    f"    quick look at a copy of {len(copy) // 1000} kB: {look:.3f}, "
                    f"{look / statistics.median(alone):.2f} of judge"
                )
        finally:
            server.send_signal(signal.SIGINT)
            server.wait(timeout=40)


if __name__ == "__main__":
    main()
