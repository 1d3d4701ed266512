"""Several photos of one part: how near, how sure, how fast, and whether what doesn't belong
together is found out.

    python docs/bench/bench_views.py render FOLDER --parts 12
        parts of our own renderer: from above, three from half-way up, one low; and what should be refused
    python docs/bench/bench_views.py refusals FOLDER
        what of it is refused: lying still, moved by how much, another part
    python docs/bench/bench_views.py score FOLDER
        the photos of FOLDER, with true masks and with the network
    python docs/bench/bench_views.py trial FOLDER
        trial photos with the sheet printed on (NNNN-0 from above, NNNN-1 ... from the side)
    python docs/bench/bench_views.py speed
        three 12 MP photos together against one, in one run

Figures: docs/decisions/0030-several-photos.md.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from anodewane.geometry.rings import from_shapely
from anodewane.record import Manual
from anodewane.records import ManualOutline, Template
from anodewane.stages.load import load_photo
from anodewane.stages.refine import mask_from_pixels
from anodewane.testing.truth import template_of_truth
from anodewane.views.together import judge_together

WIDTH, LOW_WIDTH = 1600, 2816
SMALL_MOVES = {
    "moved4": (4.0, 0.0),
    "moved6": (6.0, 0.0),
    "moved8": (8.0, 0.0),
    "turned3": (0.0, 3.0),
    "turned5": (0.0, 5.0),
}
"""By how many mm and degrees a part was moved between the photo from above and the one from half-way up."""


# --- photos of our own ---------------------------------------------------------------------------


def make(folder: Path, parts: int, seed: int) -> None:
    from anodewane.testing import (
        look_at,
        place_part,
        placement,
        random_scene,
        random_template,
        random_wear,
        render,
    )

    folder.mkdir(parents=True, exist_ok=True)
    for i in range(parts):
        rng = np.random.default_rng([seed, i])
        template = random_template(rng, longest_mm=130.0)
        layout = "card" if i % 3 else "mat-a4"
        worn = random_wear(rng, template, float(rng.uniform(0.08, 0.75)))
        twin = random_wear(rng, template, float(rng.uniform(0.08, 0.75)))
        motion = place_part(rng, template, layout)
        scene = replace(random_scene(rng, layout), barnacles=0, bolts=0)
        aim = motion.shift * (0.5 if layout == "card" else 0.3)
        start = float(rng.uniform(0, 360))
        turn, shift = float(rng.choice([-1, 1]) * rng.uniform(3, 9)), rng.normal(size=2)
        shift *= rng.uniform(5, 12) / np.linalg.norm(shift)
        angle = float(np.degrees(motion.angle_rad)) + turn
        gone = placement(angle, tuple((motion.shift + shift).tolist()))
        shots = [("above", float(rng.uniform(2, 15)), start, worn, motion)]
        shots += [
            (
                f"side{k}",
                float(rng.uniform(40, 56)),
                start + 120 * k + float(rng.uniform(-25, 25)),
                worn,
                motion,
            )
            for k in range(3)
        ]
        shots += [("low", float(rng.uniform(75, 82)), start + float(rng.uniform(0, 360)), worn, motion)]
        shots += [
            ("shifted", shots[1][1], shots[1][2], worn, gone),
            ("twin", shots[1][1], shots[1][2], twin, motion),
        ]
        way = rng.normal(size=2)
        way /= np.linalg.norm(way)
        for name, (mm, degrees) in SMALL_MOVES.items():
            at = motion.shift + mm * way
            shots.append(
                (
                    name,
                    shots[1][1],
                    shots[1][2],
                    worn,
                    placement(angle - turn + float(np.sign(turn)) * degrees, (float(at[0]), float(at[1]))),
                )
            )
        for name, tilt, azimuth, solid, where in shots:
            path = folder / f"{i:02d}-{name}"
            if path.with_suffix(".truth.json").exists():
                continue
            width = LOW_WIDTH if name == "low" else WIDTH
            size = {"width": width, "height": width * 3 // 4}
            distance = float(
                np.hypot(template.thickness_mm, np.ptp(np.asarray(template.rings[0]), axis=0).max()) * 1.1
                + (430 if layout == "card" else 330)
            )
            camera = look_at(
                (float(aim[0]), float(aim[1])),
                distance_mm=distance,
                tilt_deg=tilt,
                azimuth_deg=azimuth,
                f35=26.0,
                **size,
            )
            own = (
                replace(scene, seed=scene.seed + 1) if name == "twin" else scene
            )  # another casting has other stains
            render(template, solid, camera, own, sheet_from_part=where, **size).write(folder, path.name)
            print(
                path.name,
                template.name,
                template.mount,
                f"{100 * solid.consumed_volume:.0f} % gone",
                flush=True,
            )


# --- judging -------------------------------------------------------------------------------------


def judged(folder: Path, stems: list[str], truth: dict[str, Any], true_masks: bool) -> Any:
    photos = [load_photo((folder / f"{s}.jpg").read_bytes(), f"{s}.jpg") for s in stems]
    outlines = None
    if true_masks:
        nobody = Manual(None, None, "0" * 64)
        outlines = [
            ManualOutline(
                mask_from_pixels(np.asarray(Image.open(folder / f"{s}.metal.png").convert("L"))), nobody
            )
            for s in stems
        ]
    return judge_together(photos, template_of_truth(truth), outlines=outlines)


def figures(name: str, rows: list[tuple[float, float, float, bool, float]], refused: int) -> None:
    if not rows:
        print(f"{name}: none judged, {refused} refused")
        return
    a = np.array(rows, float)
    mass, area, above = np.abs(a[:, 0]), np.abs(a[:, 1]), np.abs(a[:, 2])
    print(
        f"{name}: n {len(a)}, refused {refused}; mass median {np.median(mass):.1f} worst {mass.max():.1f} "
        f"bias {a[:, 0].mean():+.1f}; "
        f"area median {np.median(area):.2f} worst {area.max():.2f} (above alone {np.median(above):.2f}, "
        f"{above.max():.2f}); "
        f"interval holds {int(a[:, 3].sum())}; width over one photo's: median {np.median(a[:, 4]):.2f} "
        f"mean {a[:, 4].mean():.2f}",
        flush=True,
    )


def row(verdict: Any, truth: dict[str, Any]) -> tuple[float, float, float, bool, float]:
    mass, gone = verdict.consumed.mass_pct, 100 * truth["consumed_volume"]
    before = verdict.together.mass_before_pct
    area = 100 * truth["consumed_area"]
    held = mass.low <= gone <= mass.high
    return (
        mass.value - gone,
        verdict.consumed.area_pct.value - area,
        verdict.together.area_before_pct.value - area,
        held,
        (mass.high - mass.low) / (before.high - before.low),
    )


def run(folder: Path, sets: dict[str, list[list[str]]], true_masks: bool) -> None:
    for name, groups in sets.items():
        rows, refused = [], 0
        for stems in groups:
            truth = json.loads((folder / f"{stems[0]}.truth.json").read_text())
            verdict = judged(folder, stems, truth, true_masks)
            if verdict.status != "judged":
                refused += 1
                print("  refused:", stems[0], verdict.reasons[0].message)
            else:
                rows.append(row(verdict, truth))
        figures(f"{'true masks' if true_masks else 'network'}, {name}", rows, refused)


def score(folder: Path, true_masks: bool) -> None:
    parts = sorted({p.name.split("-")[0] for p in folder.glob("*-above.truth.json")})
    names = {
        "above + half-way": ["above", "side0"],
        "above + low": ["above", "low"],
        "above + half-way + low": ["above", "side1", "low"],
    }
    names["above + three half-way + low"] = ["above", "side0", "side1", "side2", "low"]
    run(
        folder,
        {name: [[f"{p}-{s}" for s in shots] for p in parts] for name, shots in names.items()},
        true_masks,
    )


def refusals(folder: Path, true_masks: bool) -> None:
    parts = sorted({p.name.split("-")[0] for p in folder.glob("*-above.truth.json")})
    counts: dict[str, list[int]] = {}
    for k, part in enumerate(parts):
        truth = json.loads((folder / f"{part}-above.truth.json").read_text())
        sheet = truth["sheet"]
        like = [
            p
            for p in (parts[k + 1 :] + parts[:k])
            if json.loads((folder / f"{p}-above.truth.json").read_text())["sheet"] == sheet
        ]
        other = like[0] if like else parts[(k + 1) % len(parts)]
        stems = [
            (what, f"{part}-{what}")
            for what in ("side0", "side1", "side2", "low", "shifted", "twin", *SMALL_MOVES)
        ]
        for what, stem in (*stems, ("swapped", f"{other}-side0")):
            if not (folder / f"{stem}.jpg").exists():
                continue
            verdict = judged(folder, [f"{part}-above", stem], truth, true_masks)
            found = counts.setdefault("still" if what[:3] in ("sid", "low") else what, [0, 0])
            found[0] += bool(verdict.reasons) and verdict.reasons[0].code == "photos_disagree"
            found[1] += 1
            print("  ", part, what, verdict.status, verdict.reasons[0].message[:110], flush=True)
    print(
        "refused as not one part that lay still:",
        ", ".join(f"{what} {n} of {of}" for what, (n, of) in counts.items()),
    )


def trial(folder: Path, true_masks: bool) -> None:
    parts = sorted({p.name.split("-")[0] for p in folder.glob("*-0.truth.json")})
    six = [[f"{p}-{k}" for k in range(6)] for p in parts]
    pairs = [[f"{p}-0", f"{p}-{k}"] for p in parts for k in range(1, 6)]
    run(folder, {"above + one of five": pairs, "all six": six}, true_masks)


def speed() -> None:
    """One photo and three, each 12 MP, by the network: the median of five of each, turn about."""
    from shapely import box

    from anodewane.judgement.pipeline import judge
    from anodewane.testing import Scene, WearPattern, erode, look_at, placement, render

    template = Template(
        "bench",
        from_shapely(box(-50, -28, 50, 28).buffer(-5).buffer(5)),
        20.0,
        "flush",
        "plate",
        "zinc",
        None,
        1.0,
        (),
        None,
        False,
    )
    worn = erode(template, WearPattern(depth_mm=2.5, unevenness=0.25, seed=2))
    motion = placement(15.0, (0.0, -118.0))
    files = []
    for k, (tilt, azimuth) in enumerate(((8, 250), (46, 200), (50, 310))):
        camera = look_at(
            (0.0, -60.0),
            distance_mm=430.0,
            tilt_deg=tilt,
            azimuth_deg=azimuth,
            f35=26.0,
            width=1440,
            height=1080,
        )
        photo = render(template, worn, camera, Scene(seed=3), sheet_from_part=motion, width=1440, height=1080)
        big = Image.fromarray(np.asarray(photo.rgb)).resize((4032, 3024), Image.Resampling.BICUBIC)
        from anodewane.testing import encode_jpeg

        files.append((encode_jpeg(np.asarray(big), f35=26.0, quality=90, orientation=1, seed=k), f"{k}.jpg"))
    one, three = [], []
    for _ in range(6):
        begin = time.perf_counter()
        single = judge(load_photo(*files[0]), template)
        middle = time.perf_counter()
        together = judge_together([load_photo(*f) for f in files], template)
        one.append(middle - begin)
        three.append(time.perf_counter() - middle)
        assert single.status == together.status == "judged"
    ratio = np.median(np.array(three[1:]) / np.array(one[1:]))
    print(
        f"three 12 MP photos together: {ratio:.1f} times one photo's judgement ({np.median(three[1:]):.2f} "
        f"s against {np.median(one[1:]):.2f} s)"
    )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("what", choices=["render", "score", "refusals", "trial", "speed"])
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--parts", type=int, default=12)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--masks", choices=["true", "network"], default="true")
    given = parser.parse_args()
    if given.what == "speed":
        speed()
    elif given.what == "render":
        make(given.folder, given.parts, given.seed)
    else:
        {"score": score, "refusals": refusals, "trial": trial}[given.what](
            given.folder, given.masks == "true"
        )


if __name__ == "__main__":
    main()
