"""What the page's quick look warns of: wrongly on good photos, rightly on spoilt ones, against the
judgement of the same photos at full size.

    OMP_NUM_THREADS=1 python docs/bench/bench_quick_look.py FOLDER [--spoilt]

FOLDER holds composed photos (tools/compose.py of the trial photos): `*.jpg` with `*.metal.png`. Each is
reduced to 1280 px as the page's script does it. A warning is wrong where the judgement neither refuses
nor says the same. With `--spoilt`, each photo is also blurred (by 7 and 12 % of a square's side),
shaken (25 %), darkened to a twentieth, robbed of its sheet (painted over), and cut through the part's
middle; the judgement's own answer stands beside the quick look's.
"""

from __future__ import annotations

import argparse
import io
import statistics
import time
from collections import Counter, defaultdict
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image

from anodewane.geometry.camera import project
from anodewane.judgement.method import Method
from anodewane.judgement.pipeline import judge
from anodewane.records import Given
from anodewane.settings import Settings
from anodewane.stages.card import find_card
from anodewane.stages.load import load_photo
from anodewane.stages.plane import locate_camera
from anodewane.web.quick import quick_look
from anodewane.web.views import NOTICES

COPY_PX = 1280


def jpeg(image: Any, exif: Any, quality: int) -> bytes:
    out = io.BytesIO()
    image.convert("RGB").save(out, "JPEG", quality=quality, exif=exif)
    return out.getvalue()


def reduced(data: bytes) -> bytes:
    image = Image.open(io.BytesIO(data))
    exif = image.getexif()
    image.thumbnail((COPY_PX, COPY_PX))
    return jpeg(image, exif, 85)


def spoilt(file: Path) -> dict[str, bytes]:
    """Versions of a photo that nobody should judge."""
    photo = load_photo(file.read_bytes(), file.name)
    exif = Image.open(file).getexif()
    rgb = np.asarray(photo.rgb)
    sighting = find_card(photo)
    camera = locate_camera(photo, sighting, Settings()).camera
    half = np.array(sighting.layout.size_mm) / 2
    sheet = project(camera, np.c_[np.array([(-1, 1), (1, 1), (1, -1), (-1, -1)]) * half, np.zeros(4)])
    square = float(
        np.linalg.norm(
            np.diff(project(camera, np.array([[0, 0, 0], [sighting.layout.square_mm, 0, 0.0]])), axis=0)
        )
    )
    painted = rgb.copy()
    cv2.fillPoly(
        painted, [np.round(sheet).astype(np.int32)], [int(c) for c in np.median(rgb.reshape(-1, 3), axis=0)]
    )
    n = max(3, round(0.25 * square) | 1)
    shake = np.zeros((n, n), np.float32)
    shake[n // 2] = 1 / n
    versions = {
        "without its sheet": painted,
        "blurred by 7 %": cv2.GaussianBlur(rgb, (0, 0), 0.07 * square),
        "blurred by 12 %": cv2.GaussianBlur(rgb, (0, 0), 0.12 * square),
        "shaken by 25 %": cv2.filter2D(rgb, -1, shake),
        "dark": (rgb * 0.05).astype(np.uint8),
    }
    mask: Any = (
        np.asarray(Image.open(file.with_suffix(".metal.png")).convert("L").resize(rgb.shape[1::-1])) > 127
    )
    rows, columns = np.nonzero(mask)
    if len(rows):
        x, y = int(columns.mean()), int(rows.mean())
        away = np.array([x, y]) - sheet.mean(0)
        beside = rgb[:, :x] if away[0] > 0 else rgb[:, x:]
        below = rgb[:y] if away[1] > 0 else rgb[y:]
        versions["part cut through"] = np.ascontiguousarray(beside if abs(away[0]) > abs(away[1]) else below)
    return {name: jpeg(Image.fromarray(v), exif, 92) for name, v in versions.items()}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--spoilt", action="store_true")
    arguments = parser.parse_args()
    files = sorted(arguments.folder.glob("*.jpg"))
    wrong, told, seconds, ratios, sizes = [], Counter(), [], [], []
    for file in files:
        data = file.read_bytes()
        begun = time.perf_counter()
        record = judge(load_photo(data, file.name))
        full = time.perf_counter() - begun
        copy = reduced(data)
        begun = time.perf_counter()
        found = [r.code for r in quick_look(copy, Given(), Method())]
        seconds.append(time.perf_counter() - begun)
        ratios.append(seconds[-1] / full)
        sizes.append(len(copy))
        told.update(found)
        said = {r.code for r in record.reasons}
        wrong += [(file.name, c) for c in found if c not in said and c not in NOTICES]
    print(
        f"{len(files)} photos as they are: told to be taken again "
        f"{sum(n for c, n in told.items() if c not in NOTICES)}, wrongly {len(wrong)} {wrong}"
    )
    print(f"    told that the camera was near, and judged all the same: {told['close_camera']}")
    kilobytes = statistics.median(sizes) / 1000
    print(
        f"    copies of {kilobytes:.0f} kB, {statistics.median(seconds):.3f} s each (median), "
        f"{statistics.median(ratios):.2f} of judge without a template"
    )
    if not arguments.spoilt:
        return
    pairs: dict[str, Counter[tuple[str, str]]] = defaultdict(Counter)
    for file in files:
        for name, data in spoilt(file).items():
            found = [r.code for r in quick_look(reduced(data), Given(), Method()) if r.code not in NOTICES]
            record = judge(load_photo(data, file.name))
            pairs[name][
                found[0] if found else "nothing",
                "judged" if record.status == "judged" else record.reasons[0].code,
            ] += 1
    for name, counts in pairs.items():
        caught = sum(n for (quick, _), n in counts.items() if quick != "nothing")
        both = sum(n for (quick, full), n in counts.items() if quick != "nothing" and full != "judged")
        refused = sum(n for (_, full), n in counts.items() if full != "judged")
        print(
            f"{name}: told of {caught} of {counts.total()}; of {refused} that the judgement refuses, {both}"
        )
        for (quick, full), n in counts.most_common():
            print(f"    {n:3d}  quick look: {quick}; judgement: {full}")


if __name__ == "__main__":
    main()
