"""Pack photographs of real things with their masks, and load them as cut-outs.

    python things.py --things things.zip [--metal DIR] [--coins DIR] [--foreign DIR --masks DIR]

Metal: NAME.jpg with NAME.mask.png. Coins: NAME.jpg with NAME.json (`centre_px`, `axes_px`, `angle_deg` of
the rim's
ellipse, `source` the photo it was cut from). Foreign things, and more metal if its name begins with
"metal": NAME.jpg
with NAME.png of a teacher's two looks (`teacher.py`). Each becomes a square of 384 px round the thing. Held
out by
object: metal by the list below, coins and foreign things by their source's hash.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import zipfile
from pathlib import Path

import cv2
import numpy as np
import torch

SIDE = 384
KINDS = ("metal", "coin", "foreign")
METAL_HELD_OUT = {
    # each run is one object seen several times, or objects alike
    *("metal207", "metal209", "metal210", "metal211", "metal212", "metal246"),
    *("metal173", "metal175", "metal352"),
    *("metal189", "metal35", "metal399"),
    *("metal149", "metal8", "metal9"),
    *("metal145", "metal191", "metal241"),
    *("metal185", "metal339"),
    *("metal27", "metal39", "metal92"),
    *("metal124", "metal160"),
    *("metal125", "metal242"),
    *(
        "metal63",
        "metal363",
        "metal31",
        "metal313",
        "metal317",
        "metal346",
        "metal394",
        "metal76",
        "metal100",
        "metal324",
    ),
    *(
        "metal235",
        "metal58",
        "metal334",
        "metal5",
        "metal50",
        "metal56",
        "metal20",
        "metal36",
        "metal361",
        "metal377",
        "metal88",
    ),
    *(
        "metal298",
        "metal110",
        "metal150",
        "metal148",
        "metal152",
        "metal158",
        "metal188",
        "metal107",
        "metal19",
    ),
}
"""Of the metal things on white posters: kept back by object, so that no other photo of it is learned from."""


def held_out(kind: str, name: str, source: str) -> bool:
    if kind == "metal":
        return name in METAL_HELD_OUT
    return int(hashlib.sha256(source.encode()).hexdigest(), 16) % 4 == 0


def square(
    picture: np.ndarray, mask: np.ndarray, margin: float = 0.22
) -> tuple[np.ndarray, np.ndarray] | None:
    """Cut a square round the mask, of SIDE px; None where the thing is cut off by the picture or hardly
    seen."""
    rows, cols = np.nonzero(mask > 127)
    if len(rows) < 900:
        return None
    h, w = mask.shape
    edge = np.r_[mask[0], mask[-1], mask[:, 0], mask[:, -1]] > 127
    if edge.sum() > 12:
        return None
    side = max(np.ptp(rows), np.ptp(cols)) * (1 + 2 * margin)
    side = min(side, 1.25 * min(h, w)) if side > min(h, w) else side
    cy, cx = (rows.min() + rows.max()) / 2, (cols.min() + cols.max()) / 2
    z = SIDE / side
    m = np.float32([[z, 0, SIDE / 2 - 0.5 - z * cx], [0, z, SIDE / 2 - 0.5 - z * cy]])
    how = cv2.INTER_AREA if z < 1 else cv2.INTER_CUBIC
    seen = cv2.warpAffine(picture, m, (SIDE, SIDE), flags=how, borderMode=cv2.BORDER_REFLECT_101)
    cover = cv2.warpAffine(mask, m, (SIDE, SIDE), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    return seen, cover


def coin_mask(record: dict[str, object], shape: tuple[int, int]) -> np.ndarray:
    mask = np.zeros(shape, np.uint8)
    box = (tuple(record["centre_px"]), tuple(record["axes_px"]), float(record["angle_deg"]))
    cv2.ellipse(mask, box, 255, -1, cv2.LINE_AA)
    return mask


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--things", type=Path, required=True)
    ap.add_argument("--metal", type=Path)
    ap.add_argument("--coins", type=Path)
    ap.add_argument("--foreign", type=Path)
    ap.add_argument("--masks", type=Path, help="folder of the teacher's masks and agreed.json")
    ap.add_argument("--agreed", type=float, default=0.94, help="least overlap of the teacher's two looks")
    ap.add_argument("--quality", type=int, default=86)
    ap.add_argument(
        "--manifest", type=Path, help="the photos' list by SHA-256, which the things are added to"
    )
    a = ap.parse_args()
    rows: list[tuple[str, str, str, np.ndarray, np.ndarray, bytes]] = []

    def take(kind: str, name: str, source: str, file: Path, mask: np.ndarray, picture: np.ndarray) -> None:
        cut = square(picture, mask)
        if cut is not None:
            rows.append((kind, name, source, *cut, file.read_bytes()))

    def read(file: Path, how: int = cv2.IMREAD_COLOR) -> np.ndarray:
        return cv2.imdecode(np.frombuffer(file.read_bytes(), np.uint8), how)

    for file in sorted(a.metal.glob("*.jpg")) if a.metal else []:
        take(
            "metal",
            file.stem,
            file.stem,
            file,
            read(file.with_suffix(".mask.png"), cv2.IMREAD_GRAYSCALE),
            read(file),
        )
    for file in sorted(a.coins.glob("*.jpg")) if a.coins else []:
        record = json.loads(file.with_suffix(".json").read_text())
        picture = read(file)
        take("coin", file.stem, record["source"], file, coin_mask(record, picture.shape[:2]), picture)
    agreed = json.loads((a.masks / "agreed.json").read_text()) if a.masks else {}
    for file in sorted(a.foreign.glob("*.jpg")) if a.foreign else []:
        if agreed.get(file.stem, 0) >= a.agreed:
            mask = read(a.masks / f"{file.stem}.png", cv2.IMREAD_GRAYSCALE)
            kind = "metal" if file.stem.startswith("metal") else "foreign"
            if kind == "foreign" or file.stem not in METAL_HELD_OUT:  # a teacher's mask judges nothing
                take(kind, file.stem, file.stem, file, mask, read(file))
    index = {}
    with zipfile.ZipFile(a.things, "w", zipfile.ZIP_STORED) as z:
        for kind, name, source, seen, cover, raw in rows:
            webp = cv2.imencode(".webp", seen, [cv2.IMWRITE_WEBP_QUALITY, a.quality])[1]
            z.writestr(f"{name}.webp", webp.tobytes())
            z.writestr(
                f"{name}.png", cv2.imencode(".png", cover, [cv2.IMWRITE_PNG_COMPRESSION, 9])[1].tobytes()
            )
            index[name] = {
                "kind": kind,
                "held_out": held_out(kind, name, source),
                "sha256": hashlib.sha256(raw).hexdigest(),
            }
        z.writestr("index.json", json.dumps(index))
    if a.manifest:
        listed = json.loads(a.manifest.read_text())
        listed["things"] = [[n, r["kind"], r["held_out"], r["sha256"]] for n, r in index.items()]
        a.manifest.write_text(json.dumps(listed, indent=0) + "\n")
    count = {
        k: [sum(r["kind"] == k and r["held_out"] == h for r in index.values()) for h in (False, True)]
        for k in KINDS
    }
    print("learned from, held out:", count, f"{a.things.stat().st_size / 1e6:.1f} MB")


class Things:
    """Cut-outs on one device: pictures (N, 3, S, S) uint8, masks and distances (N, 2, S, S) uint8, what
    lies behind each.

    Distance is to the mask's edge in the square's pixels, negative inside, as 4 d + 128, so up to 32 px.
    """

    def __init__(
        self, file: Path, device: torch.device, held: bool = False, limit: int | None = None
    ) -> None:
        pictures, layers, behind, kinds, extents = [], [], [], [], []
        with zipfile.ZipFile(file) as z:
            index = json.loads(z.read("index.json"))
            names = [n for n in sorted(index) if index[n]["held_out"] == held]
            if limit is not None:
                names = names[:: max(1, len(names) // limit)]
            for name in names:
                webp, png = (np.frombuffer(z.read(f"{name}.{e}"), np.uint8) for e in ("webp", "png"))
                picture = cv2.imdecode(webp, cv2.IMREAD_COLOR)[..., ::-1]
                mask = cv2.imdecode(png, cv2.IMREAD_GRAYSCALE)
                inside = (mask > 127).astype(np.uint8)
                far = cv2.distanceTransform(1 - inside, cv2.DIST_L2, 5) - cv2.distanceTransform(
                    inside, cv2.DIST_L2, 5
                )
                far += np.where(inside > 0, 0.5, -0.5)
                free = 1 - cv2.dilate(inside, np.ones((9, 9), np.uint8)).astype(np.float32)
                near = cv2.GaussianBlur(free, (0, 0), 40) + 1e-4
                back = cv2.GaussianBlur(picture * free[..., None], (0, 0), 40) / near[..., None]
                rows, cols = np.nonzero(inside)
                extents.append(max(np.ptp(rows), np.ptp(cols)) + 1)
                pictures.append(picture.transpose(2, 0, 1))
                layers.append(np.stack([mask, np.clip(np.round(4 * far + 128), 0, 255).astype(np.uint8)]))
                behind.append(
                    cv2.resize(back, (48, 48), interpolation=cv2.INTER_AREA).clip(0, 255).transpose(2, 0, 1)
                )
                kinds.append(KINDS.index(index[name]["kind"]))
        self.names = names
        self.pictures = torch.from_numpy(np.stack(pictures).copy()).to(device)
        self.layers = torch.from_numpy(np.stack(layers)).to(device)
        self.behind = torch.from_numpy(np.stack(behind).astype(np.uint8)).to(device)
        self.kind = torch.tensor(kinds, device=device)
        self.extent = torch.tensor(extents, dtype=torch.float32, device=device)

    def __len__(self) -> int:
        return len(self.names)


if __name__ == "__main__":
    main()
