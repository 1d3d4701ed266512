"""Lay photographed things, held out by object, beside printed sheets by computation: the set on which real
surfaces are judged.

    python real_set.py THINGS.zip OUT --card card.png --mat mat.png [--grounds DIR] [--kinds metal,coin]
    [--worn]

THINGS.zip is things.py's. card.png (210 x 148 mm) and mat.png (297 x 210 mm) are the sheets as `anodewane
card` writes
them, as pictures. Every photo gets NAME.jpg, NAME.metal.png (what is metal) and NAME.truth.json (the
template's
outline in mm from the mask, `consumed_area`), as trial photos have them. `--worn` cuts an uneven inward
offset, holes and bites
into the mask first, the template staying whole. Half of the things lie as they were photographed, on their
own white,
which takes the print; half are cut out and laid on a photographed ground with a made shadow.
"""

from __future__ import annotations

import argparse
import json
import zipfile
from pathlib import Path
from typing import Any

import cv2
import numpy as np

PX_PER_MM = 5
CANVAS_MM = (520.0, 400.0)
PHOTO = (2016, 1512)
F35 = 26.0
SHEETS_MM = {"card": (210.0, 148.0), "mat": (297.0, 210.0)}


def to_linear(x: np.ndarray) -> np.ndarray:
    x = x.astype(np.float32) / 255
    return np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4)


def to_srgb(x: np.ndarray) -> np.ndarray:
    x = np.clip(x, 0, 1)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)


def noise(rng: np.random.Generator, shape: tuple[int, int], cell: float) -> np.ndarray:
    """Smooth noise, mean 0, sd about 1, with features of `cell` px."""
    small = rng.standard_normal((int(shape[0] / cell) + 3, int(shape[1] / cell) + 3)).astype(np.float32)
    return cv2.resize(small, shape[::-1], interpolation=cv2.INTER_CUBIC)


def worn(mask: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The mask after wear: an uneven inward offset, bites at its edge, a slot or holes in it. uint8, 0 or
    255."""
    inside = (mask > 127).astype(np.uint8)
    extent = np.sqrt(inside.sum())
    depth = cv2.distanceTransform(inside, cv2.DIST_L2, 5)
    take = (
        extent
        * rng.uniform(0.005, 0.07)
        * (1 + 0.6 * noise(rng, mask.shape, extent / 4) + 0.3 * noise(rng, mask.shape, extent / 14))
    )
    left = ((depth > np.maximum(take, 0)) & (inside > 0)).astype(np.uint8)
    ys, xs = np.nonzero(inside)
    yy, xx = np.mgrid[: mask.shape[0], : mask.shape[1]].astype(np.float32)
    wobble = 1 + 0.25 * noise(rng, mask.shape, extent / 5)
    for _ in range(int(rng.integers(0, 4))):
        k = int(rng.integers(len(ys)))
        on_edge = rng.random() < 0.5
        at = (ys[k], xs[k])
        if on_edge:
            rim = np.nonzero(cv2.morphologyEx(inside, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)))
            k = int(rng.integers(len(rim[0])))
            at = (rim[0][k], rim[1][k])
        r = extent * (rng.uniform(0.06, 0.2) if on_edge else rng.uniform(0.03, 0.12))
        long = rng.uniform(1, 2.5)
        a = rng.uniform(0, np.pi)
        u = (xx - at[1]) * np.cos(a) + (yy - at[0]) * np.sin(a)
        v = -(xx - at[1]) * np.sin(a) + (yy - at[0]) * np.cos(a)
        left[np.hypot(u / long, v) < r * wobble] = 0
    n, labels, stats, _ = cv2.connectedComponentsWithStats(left)
    if n < 2:
        return mask
    main = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    return ((labels == main) * 255).astype(np.uint8)


def outline_wkt(mask: np.ndarray, to_mm: np.ndarray) -> tuple[str, float]:
    """The mask's largest outline, holes included, under an affine map (2 x 3) from its pixels to mm; and
    its area."""
    import shapely

    contours, tree = cv2.findContours((mask > 127).astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    polygons = []
    for k, contour in enumerate(contours):
        if tree[0][k][3] >= 0 or len(contour) < 20:
            continue
        holes, child = [], tree[0][k][2]
        while child >= 0:
            if cv2.contourArea(contours[child]) > 60:
                holes.append(contours[child][:, 0] @ to_mm[:, :2].T + to_mm[:, 2])
            child = tree[0][child][0]
        polygons.append(shapely.Polygon(contour[:, 0] @ to_mm[:, :2].T + to_mm[:, 2], holes).buffer(0))
    largest = max(polygons, key=lambda p: p.area)
    # contours run through the outermost pixels' centres
    grown = largest.buffer(0.5 * float(np.sqrt(abs(np.linalg.det(to_mm[:, :2]))))).simplify(0.05)
    return grown.wkt, grown.area


def lay(
    picture: np.ndarray,
    mask: np.ndarray,
    keep: np.ndarray,
    sheets: dict[str, np.ndarray],
    ground: np.ndarray | None,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray, dict[str, object], tuple[str, float]]:
    """One photo: 8-bit RGB, the mask of what is metal, and what is known of it. `mask`: of the whole thing;
    `keep`: of what is left of it."""
    side = picture.shape[0]
    layout = "mat" if rng.random() < 0.35 else "card"
    rows, cols = np.nonzero(mask > 127)
    extent_px = max(np.ptp(rows), np.ptp(cols))
    size_mm = rng.uniform(35, 110 if layout == "card" else 75)
    mm_px = size_mm / extent_px
    w, h = (round(c * PX_PER_MM) for c in CANVAS_MM)
    sheet_mm = SHEETS_MM[layout]
    middle = np.array([w / 2, h / 2])
    if layout == "card":
        sheet_at, part_at = (
            middle + PX_PER_MM * np.array([0, 55.0]),
            middle - PX_PER_MM * np.array([rng.uniform(-40, 40), 30 + size_mm / 2 + rng.uniform(3, 12)]),
        )
    else:
        sheet_at, part_at = middle, middle + PX_PER_MM * rng.uniform(-12, 12, 2)
    turn = rng.uniform(0, 2 * np.pi)
    z = mm_px * PX_PER_MM
    m = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) * z
    m = np.c_[m, part_at - m @ np.array([side / 2, side / 2])]

    def placed(x: np.ndarray, mode: int) -> np.ndarray:
        return cv2.warpAffine(
            x, m, (w, h), flags=cv2.INTER_CUBIC if x.ndim == 3 else cv2.INTER_LINEAR, borderMode=mode
        )

    free = 1 - cv2.dilate((mask > 127).astype(np.uint8), np.ones((9, 9), np.uint8)).astype(np.float32)
    own = to_linear(picture)
    blurred = cv2.GaussianBlur(own * free[..., None], (0, 0), 40) / (
        cv2.GaussianBlur(free, (0, 0), 40)[..., None] + 1e-4
    )
    behind = placed(blurred.astype(np.float32), cv2.BORDER_REPLICATE)
    behind = cv2.GaussianBlur(behind, (0, 0), 25)
    base = behind if ground is None else to_linear(ground)
    thing = placed(own.astype(np.float32), cv2.BORDER_REPLICATE)
    inside = placed(np.full((side, side), 255, np.uint8), cv2.BORDER_CONSTANT)
    inside = (
        cv2.GaussianBlur(cv2.erode(inside, np.ones((25, 25), np.uint8)), (0, 0), 8).astype(np.float32)[
            ..., None
        ]
        / 255
    )
    left, whole = (placed(x, cv2.BORDER_CONSTANT).astype(np.float32)[..., None] / 255 for x in (keep, mask))
    white = np.array(rng.uniform(0.6, 0.9), np.float32)
    paper = np.zeros((h, w), np.float32)
    ink = np.ones((h, w, 3), np.float32)
    art = sheets[layout]
    x0, y0 = (sheet_at - PX_PER_MM * np.array(sheet_mm) / 2).round().astype(int)
    sw, sh = (round(PX_PER_MM * s) for s in sheet_mm)
    paper[y0 : y0 + sh, x0 : x0 + sw] = 1
    ink[y0 : y0 + sh, x0 : x0 + sw] = to_linear(cv2.resize(art, (sw, sh), interpolation=cv2.INTER_AREA))
    albedo = 0.05 + 0.95 * ink
    if ground is None:  # as it lay: what it lay on is the paper, or goes on beside it
        gone = np.clip(whole - left, 0, 1)
        scene = base * (1 - inside) + thing * inside
        scene = scene * (1 - gone) + behind * gone
        scene = scene * (1 - paper[..., None] + paper[..., None] * albedo)
    else:
        scene = base * (1 - paper[..., None]) + white * albedo * paper[..., None]
        shift = rng.normal(0, 1.2, 2) * PX_PER_MM
        shadow = cv2.warpAffine(left[..., 0], np.array([[1, 0, shift[0]], [0, 1, shift[1]]]), (w, h))
        shadow = cv2.GaussianBlur(shadow, (0, 0), float(rng.uniform(3, 9)))
        scene = scene * (1 - rng.uniform(0.3, 0.75) * shadow)[..., None]

    cut = np.clip(left * (1 - cv2.GaussianBlur(left, (0, 0), 4.0)[..., None]) * 1.4, 0, 1) * (
        whole.sum() - left.sum() > 50
    )
    scene = scene * (1 - left) + thing * left * (1 - 0.4 * cut)

    # the camera: a pinhole above, a little tilted, on a plane in mm
    f = PHOTO[0] * F35 / 36.0
    distance = rng.uniform(430, 640)
    tilt, about, roll = np.radians(rng.uniform(0, 11)), rng.uniform(0, 2 * np.pi), rng.uniform(0, 2 * np.pi)
    axis = np.array([np.cos(about), np.sin(about), 0.0]) * tilt
    rotation = (
        cv2.Rodrigues(axis)[0]
        @ cv2.Rodrigues(np.array([0, 0, roll if rng.random() < 0.3 else rng.normal(0, 0.15)]))[0]
    )
    k = np.array([[f, 0, (PHOTO[0] - 1) / 2], [0, f, (PHOTO[1] - 1) / 2], [0, 0, 1.0]])
    eye = np.array([0, 0, distance])
    to_plane = np.array(
        [[1 / PX_PER_MM, 0, -w / 2 / PX_PER_MM], [0, 1 / PX_PER_MM, -h / 2 / PX_PER_MM], [0, 0, 1.0]]
    )
    view = k @ np.c_[rotation[:, :2], eye] @ to_plane
    soft = cv2.GaussianBlur(scene, (0, 0), 0.7)
    photo = cv2.warpPerspective(soft, view, PHOTO, flags=cv2.INTER_AREA, borderMode=cv2.BORDER_REFLECT_101)
    metal = cv2.warpPerspective(left[..., 0], view, PHOTO, flags=cv2.INTER_LINEAR)
    # the day, and the phone
    y, x = np.mgrid[0 : PHOTO[1], 0 : PHOTO[0]] / np.array(PHOTO[::-1])[:, None, None] - 0.5
    fall = np.exp(rng.normal(0, 0.25) * x + rng.normal(0, 0.25) * y)
    if rng.random() < 0.25:  # somebody's shadow
        edge = np.cos(a := rng.uniform(0, 6.28)) * x + np.sin(a) * y - rng.normal(0, 0.15)
        fall = fall * (1 - rng.uniform(0.3, 0.6) / (1 + np.exp(-edge * rng.uniform(20, 200))))
    photo = photo * fall[..., None] * np.exp(rng.normal(0, 0.06, 3))
    photo = photo * rng.uniform(0.45, 1.0) / np.quantile(photo[::7, ::7], 0.97)
    photo = cv2.GaussianBlur(photo, (0, 0), float(rng.uniform(0.4, 1.0)))
    photo = photo + rng.standard_normal(photo.shape) * np.sqrt(
        np.clip(photo, 0, 1) * rng.uniform(1e-4, 1e-3) + 1e-6
    )
    out = to_srgb(photo)
    if rng.random() < 0.5:
        out = out + rng.uniform(0.3, 1.2) * (
            out - cv2.GaussianBlur(out, (0, 0), float(rng.uniform(0.8, 1.8)))
        )
    to_mm = m.copy()
    to_mm[:, 2] -= part_at
    to_mm = to_mm / PX_PER_MM * np.array([[1.0], [-1.0]])  # y up
    known = {
        "layout": layout,
        "f35": F35,
        "distance_mm": float(distance),
        "tilt_deg": float(np.degrees(tilt)),
        "ground": "as it lay" if ground is None else "photographed",
        "width": PHOTO[0],
        "height": PHOTO[1],
    }
    new, new_area = outline_wkt(mask, to_mm)
    left_area = outline_wkt(keep, to_mm)[1]
    known |= {
        "outline_wkt": new,
        "area_new_mm2": new_area,
        "area_mm2": left_area,
        "consumed_area": 1 - left_area / new_area,
        "consumed_volume": 1 - left_area / new_area,
        "thickness_mm": 1.5,
        "mount": "open",
        "alloy": "zinc",
        "rod": False,
        "volume_new_mm3": 1.5 * new_area,
        "volume_mm3": 1.5 * left_area,
        "part_in_frame": True,
        "sheet_in_frame": True,
    }
    return (
        (np.clip(out, 0, 1) * 255 + 0.5).astype(np.uint8),
        (metal * 255).astype(np.uint8),
        known,
        (new, new_area),
    )


def main() -> None:
    from PIL import Image

    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("things", type=Path)
    ap.add_argument("out", type=Path)
    ap.add_argument("--card", type=Path, required=True)
    ap.add_argument("--mat", type=Path, required=True)
    ap.add_argument("--grounds", type=Path)
    ap.add_argument("--kinds", default="metal,coin")
    ap.add_argument("--worn", action="store_true")
    ap.add_argument("--count", type=int, default=60)
    ap.add_argument("--seed", type=int, default=5)
    a = ap.parse_args()
    a.out.mkdir(parents=True, exist_ok=True)

    def read(path: Path) -> Any:
        return cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_COLOR)[..., ::-1]

    sheets = {"card": read(a.card), "mat": read(a.mat)}
    textures = sorted(a.grounds.glob("*.jpg")) if a.grounds else []
    size = tuple(round(c * PX_PER_MM) for c in CANVAS_MM)
    with zipfile.ZipFile(a.things) as z:
        index = json.loads(z.read("index.json"))
        lists = [
            sorted(n for n, r in index.items() if r["held_out"] and r["kind"] == kind)
            for kind in a.kinds.split(",")
        ]
        for names in lists:
            np.random.default_rng(a.seed).shuffle(names)
        turns = [names[k] for k in range(max(map(len, lists))) for names in lists if k < len(names)]
        for n, name in enumerate(turns[: a.count]):
            rng = np.random.default_rng([a.seed, *map(ord, name), int(a.worn)])
            picture, mask = (
                cv2.imdecode(np.frombuffer(z.read(f"{name}.{e}"), np.uint8), h)
                for e, h in (("webp", 1), ("png", 0))
            )
            ground = None
            if textures and (n % 2 or index[name]["kind"] == "coin"):
                tile = read(textures[int(rng.integers(len(textures)))])
                zoom = rng.uniform(1.0, 2.0)
                tile = cv2.resize(tile, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_CUBIC)
                ground = cv2.copyMakeBorder(
                    tile,
                    0,
                    max(0, size[1] - tile.shape[0]),
                    0,
                    max(0, size[0] - tile.shape[1]),
                    cv2.BORDER_REFLECT,
                )
                ground = ground[: size[1], : size[0]]
            keep = worn(mask, rng) if a.worn else ((mask > 127) * 255).astype(np.uint8)
            photo, metal, known, _ = lay(
                np.ascontiguousarray(picture[..., ::-1]), mask, keep, sheets, ground, rng
            )
            exif = Image.Exif()
            exif[0x010F], exif[0x0110] = "Trial", "T1"
            exif.get_ifd(0x8769)[0xA405] = int(F35)
            exif.get_ifd(0x8769)[0x920A] = F35 / 6.5
            Image.fromarray(photo).save(a.out / f"{name}.jpg", quality=int(rng.integers(75, 95)), exif=exif)
            (a.out / f"{name}.metal.png").write_bytes(cv2.imencode(".png", metal)[1].tobytes())
            (a.out / f"{name}.truth.json").write_text(
                json.dumps({"part": name, "kind": index[name]["kind"], **known})
            )
    print(min(a.count, len(turns)), "photos")


if __name__ == "__main__":
    main()
