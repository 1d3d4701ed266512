#!/usr/bin/env python3
"""How long a judgement takes against decoding the photo's JPEG, stage by stage, in a warm process on
one thread; and peak memory at 12 and 48 MP.

    OMP_NUM_THREADS=1 python docs/bench/bench_judge.py [PHOTO TEMPLATE]
    OMP_NUM_THREADS=1 python docs/bench/bench_judge.py --over FOLDER

The photo (by default a sample) is enlarged to the size under test, with noise, so that the JPEG has a
phone's weight. --over does so with every photo of a folder that has a truth beside it (score_check.py),
and says how the network's share and the whole are spread.
"""

from __future__ import annotations

import json
import os
import platform
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from anodewane.judgement.method import Method

ROOT = Path(__file__).resolve().parents[2]
RUNS = 9
SIZES = {"12 MP": (4032, 3024), "48 MP": (8064, 6048)}


def enlarged(photo: Path, size: tuple[int, int]) -> bytes:
    """The photo at another size as JPEG with its focal length, with the noise of a phone."""
    import io

    import cv2
    import numpy as np
    from PIL import Image

    with Image.open(photo) as image:
        exif = image.getexif().tobytes()
        rgb = np.asarray(image.convert("RGB"))
    if rgb.shape[0] > rgb.shape[1]:
        size = size[::-1]
    large: Any = cv2.resize(rgb, size, interpolation=cv2.INTER_CUBIC)
    large = (
        large.astype(np.int16)
        + np.random.default_rng(1).normal(0, 5, large.shape[:2]).round().astype(np.int16)[..., None]
    )
    buffer = io.BytesIO()
    Image.fromarray(np.clip(large, 0, 255).astype(np.uint8)).save(buffer, "JPEG", quality=90, exif=exif)
    return buffer.getvalue()


def stage_times(photo: Path, template_name: str, size: tuple[int, int]) -> None:
    import cv2
    import simplejpeg

    from anodewane.catalog.templates import load_template
    from anodewane.judgement.pipeline import judge
    from anodewane.settings import Settings
    from anodewane.show.record_json import verdict_to_json
    from anodewane.stages.align import align
    from anodewane.stages.card import find_card
    from anodewane.stages.load import load_photo
    from anodewane.stages.plane import locate_camera
    from anodewane.stages.refine import refine
    from anodewane.stages.segment import find_part, get_segmenter
    from anodewane.stages.wear import measure

    cv2.setNumThreads(1)
    data, template, settings = enlarged(photo, size), load_template(template_name), Settings()
    segmenter = get_segmenter("network")
    rows: dict[str, list[float]] = {}

    def row(name: str, work: Callable[..., Any], *args: Any, **more: Any) -> Any:
        start = time.perf_counter()
        result = work(*args, **more)
        rows.setdefault(name, []).append(1000 * (time.perf_counter() - start))
        return result

    for _ in range(RUNS + 1):  # the first one warms up
        row("decode", simplejpeg.decode_jpeg, data)
        p = row("load", load_photo, data, photo.name)
        s = row("card", find_card, p)
        plane = row("plane", locate_camera, p, s, settings)
        soft = row("segment", find_part, p, plane, s, segmenter, settings)
        mask = row("refine", refine, p, plane, soft, settings)
        placed = row("align", align, mask, plane, template, settings)
        row("wear", measure, placed, mask, plane, settings)
        verdict = row("judge, whole", judge, data, photo.name, template, settings, segmenter=segmenter)
        row("to JSON", verdict_to_json, verdict)
    decode = statistics.median(rows["decode"][1:])
    print(
        f"JPEG of {len(data) / 1e6:.1f} MB, {size[0]} x {size[1]}, verdict: "
        f"{verdict.verdict or verdict.status}"
    )
    print(f"{'':14} {'median ms':>10} {'best ms':>9} {'decodes':>8}")
    for name, t in rows.items():
        print(
            f"{name:14} {statistics.median(t[1:]):10.1f} {min(t[1:]):9.1f} "
            f"{statistics.median(t[1:]) / decode:8.2f}"
        )
    without = statistics.median(rows["judge, whole"][1:]) - statistics.median(rows["segment"][1:])
    print(f"{'less segment':14} {without:10.1f} {'':9} {without / decode:8.2f}")


def over(folder: Path) -> None:
    """The network, the stage around its two looks, and the whole judgement of each photo of a folder at
    12 MP, in decodes of the same JPEG: best of three."""
    import cv2
    import numpy as np
    import simplejpeg

    from anodewane.errors import CannotJudge
    from anodewane.judgement.pipeline import judge
    from anodewane.settings import Settings
    from anodewane.stages import segment
    from anodewane.stages.card import find_card
    from anodewane.stages.load import load_photo
    from anodewane.stages.plane import locate_camera
    from anodewane.testing.truth import template_of_truth

    cv2.setNumThreads(1)
    settings, segmenter = Settings(), segment.get_segmenter("network")
    session, lock = segment.shared_session()

    class Timed:
        taken = 0.0

        def run(self, *arguments: Any) -> Any:
            start = time.perf_counter()
            result = session.run(*arguments)
            self.taken += time.perf_counter() - start
            return result

    timed = Timed()
    segment.shared_session = lambda: (timed, lock)  # type: ignore[assignment,misc]

    def networks(work: Callable[[], Any]) -> float:
        taken = []
        for _ in range(3):
            timed.taken = 0.0
            work()
            taken.append(timed.taken)
        return min(taken)

    def best(work: Callable[[], Any]) -> float:
        taken = []
        for _ in range(3):
            start = time.perf_counter()
            work()
            taken.append(time.perf_counter() - start)
        return min(taken)

    rows = []
    for truth_file in sorted(folder.glob("*.truth.json")):
        photo = truth_file.with_name(truth_file.name.replace(".truth.json", ".jpg"))
        data, template = (
            enlarged(photo, SIZES["12 MP"]),
            template_of_truth(json.loads(truth_file.read_text(encoding="utf-8"))),
        )
        loaded = load_photo(data, photo.name)
        try:
            sheet = find_card(loaded, settings=settings)
            plane = locate_camera(loaded, sheet, settings)
            segment.find_part(loaded, plane, sheet, segmenter, settings)
        except CannotJudge:
            continue
        decode = best(lambda data=data: simplejpeg.decode_jpeg(data))  # type: ignore[misc]
        look = partial(segment.find_part, loaded, plane, sheet, segmenter, settings)
        looks, network = best(look), networks(look)
        whole = best(
            lambda data=data, name=photo.name, t=template: judge(
                load_photo(data, name), t, method=Method(settings, segmenter=segmenter)
            )
        )  # type: ignore[misc]
        rows.append((network / decode, looks / decode, whole / decode))
    for name, column in zip(("the network", "its stage", "the whole"), np.array(rows).T, strict=True):
        print(
            f"{name:11}: median {np.median(column):.2f} decodes, from {column.min():.2f} to "
            f"{column.max():.2f}, 90th of a hundred {np.percentile(column, 90):.2f}"
        )
    print(f"{len(rows)} photos")


def peak_memory(photo: Path, template_name: str, size: tuple[int, int]) -> None:
    """In a process of its own, which only reads and judges: making the photo must not count."""
    target = Path(os.environ.get("TMPDIR", "/tmp")) / f"anodewane-bench-{os.getpid()}.jpg"
    target.write_bytes(enlarged(photo, size))
    try:
        done = subprocess.run(
            [sys.executable, __file__, "--memory", str(target), template_name],
            check=True,
            capture_output=True,
            text=True,
        )
    finally:
        target.unlink()
    print(f"peak memory at {size[0]} x {size[1]}: {json.loads(done.stdout.splitlines()[-1])} MB")


def main() -> None:
    if sys.argv[1:2] == ["--memory"]:
        from anodewane.cli import main as command

        devnull = os.open(os.devnull, os.O_WRONLY)
        keep = os.dup(1)
        os.dup2(devnull, 1)
        command(["judge", sys.argv[2], "--template", sys.argv[3]])
        os.dup2(keep, 1)
        print(json.dumps(round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)))
        return
    if sys.argv[1:2] == ["--over"]:
        over(Path(sys.argv[2]))
        return
    photo = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "sample_images" / "replace.jpg"
    template = sys.argv[2] if len(sys.argv) > 2 else "plate-150x75x20-2slots"
    print(
        f"Python {platform.python_version()}, {platform.machine()}, {os.cpu_count()} cores, "
        f"OMP_NUM_THREADS={os.environ.get('OMP_NUM_THREADS', 'not set')}"
    )
    stage_times(photo, template, SIZES["12 MP"])
    for size in SIZES.values():
        peak_memory(photo, template, size)


if __name__ == "__main__":
    main()
