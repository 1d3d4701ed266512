"""What pictures for training are made of: photos with masks, printed sheets, grounds, noise and real
things, all on one device."""

from __future__ import annotations

import json
import zipfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from things import Things

from anodewane.catalog.sheets import DESIGNS, make_layout

PX_PER_MM = 4
LAYOUTS = ("card", "mat-a4", "mat-letter")
SHEET_CANVAS = (1216, 896)
"""Width and height of the canvas that every sheet's picture is centred on."""


def sheet_pictures(
    layout_name: str, variants: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return albedo (V, H, W) uint8 with random words and lines in the field, and the sheet and expected
    print (H, W) as `flatten` draws them."""
    layout = make_layout(DESIGNS[layout_name])
    w, h = SHEET_CANVAS
    centre = np.array([w / 2 - 0.5, h / 2 - 0.5])

    def px(mm: Any) -> np.ndarray:
        return np.round((np.asarray(mm) * [PX_PER_MM, -PX_PER_MM] + centre) * 16).astype(np.int32)

    half = np.array(layout.size_mm) / 2
    outline = np.array([[-half[0], half[1]], [half[0], half[1]], [half[0], -half[1]], [-half[0], -half[1]]])
    sheet = np.zeros((h, w), np.uint8)
    cv2.fillPoly(sheet, [px(outline)], 255, cv2.LINE_AA, 4)
    expected = np.full((h, w), 128, np.uint8)
    expected[sheet > 0] = 255
    base = np.full((h, w), 255, np.uint8)
    for quad in layout.black_mm:
        cv2.fillPoly(expected, [px(quad)], 0, cv2.LINE_AA, 4)
        cv2.fillPoly(base, [px(quad)], 0, cv2.LINE_AA, 4)
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, layout.dictionary))
    for marker_id, quad in zip(layout.marker_ids, layout.marker_corners_mm, strict=True):
        cv2.fillPoly(expected, [px(quad)], 64, cv2.LINE_AA, 4)
        picture = cv2.aruco.generateImageMarker(dictionary, int(marker_id), 7 * 8)
        to = (np.asarray(quad) * [PX_PER_MM, -PX_PER_MM] + centre).astype(np.float32)
        lo, hi = np.floor(to.min(0)).astype(int), np.ceil(to.max(0)).astype(int) + 1
        m = cv2.getPerspectiveTransform(
            np.float32([[-0.5, -0.5], [55.5, -0.5], [55.5, 55.5], [-0.5, 55.5]]), to - lo.astype(np.float32)
        )
        size = (int(hi[0] - lo[0]), int(hi[1] - lo[1]))
        warped = cv2.warpPerspective(picture, m, size, flags=cv2.INTER_AREA, borderValue=255)
        base[lo[1] : hi[1], lo[0] : hi[0]] = np.minimum(base[lo[1] : hi[1], lo[0] : hi[0]], warped)
    grey = np.array(layout.grey_reflectance)
    out = []
    inner = np.array(
        [
            layout.black_mm[..., 0].min(),
            layout.black_mm[..., 1].min(),
            layout.black_mm[..., 0].max(),
            layout.black_mm[..., 1].max(),
        ]
    )
    for v in range(variants):
        a = base.copy()
        if v > 0:
            free = (expected == 255) & (sheet > 0)
            ink = np.full_like(a, 255)
            for _ in range(int(rng.integers(0, 5))):
                at = (
                    int(rng.uniform(inner[0], inner[2] - 40) * PX_PER_MM + centre[0]),
                    int(-rng.uniform(inner[1], inner[3]) * PX_PER_MM + centre[1]),
                )
                words = "".join(
                    rng.choice(list("abcdefghij klmnop qrstuv 0123456789 %mm"), int(rng.integers(6, 30)))
                )
                cv2.putText(
                    ink,
                    words,
                    at,
                    cv2.FONT_HERSHEY_SIMPLEX,
                    float(rng.uniform(0.25, 0.7)),
                    int(rng.uniform(0, 120)),
                    1,
                    cv2.LINE_AA,
                )
            for _ in range(int(rng.integers(0, 4))):
                x, y = rng.uniform(inner[0], inner[2]), rng.uniform(inner[1], inner[3])
                d = rng.choice([0, 1])
                p, q = px([x, y])[None] // 16, px([x + 100 * d, y + 100 * (1 - d)])[None] // 16
                cv2.line(
                    ink, tuple(map(int, p[0])), tuple(map(int, q[0])), 0, int(rng.integers(1, 3)), cv2.LINE_AA
                )
            if rng.random() < 0.75:
                corner = layout.grey_mm[0, 3] + rng.normal(0, 6, 2) * (rng.random() < 0.6)
                side = rng.uniform(8, 13)
                for i, g in enumerate(grey):
                    p, q = (
                        px(corner + np.array([i * side, 0]))[None] // 16,
                        px(corner + np.array([(i + 1) * side, side]))[None] // 16,
                    )
                    level = 255 * (g if g <= 0.0031308 else 1.055 * g ** (1 / 2.4) - 0.055)
                    cv2.rectangle(
                        ink,
                        tuple(map(int, np.minimum(p, q)[0])),
                        tuple(map(int, np.maximum(p, q)[0])),
                        int(level),
                        -1,
                    )
            if rng.random() < 0.5:
                x, y = rng.uniform(inner[0] + 10, inner[2] - 30), rng.uniform(inner[1] + 10, inner[3] - 30)
                n, cell = int(rng.integers(21, 30)), int(rng.integers(3, 5))
                code = np.kron(rng.integers(0, 2, (n, n)) * 255, np.ones((cell, cell))).astype(np.uint8)
                p = px([x, y])[None][0] // 16
                p = np.clip(p, 0, [w - code.shape[1], h - code.shape[0]])
                ink[p[1] : p[1] + code.shape[0], p[0] : p[0] + code.shape[1]] = code
            a = np.where(free, np.minimum(a, ink), a)
        out.append(a)
    return np.stack(out), sheet, expected


def _photo(packed: tuple[str, bytes, bytes, bytes]) -> tuple[dict[str, Any], np.ndarray] | None:
    """One packed photo: what is known of it, and rgb, metal, paper, foreign (6, 768, 1024) uint8; None
    where it is of no use."""
    stem, record, jpg, png = packed
    meta = json.loads(record)
    picture = cv2.imdecode(np.frombuffer(jpg, np.uint8), cv2.IMREAD_COLOR)[..., ::-1]
    masks = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_GRAYSCALE).reshape(-1, *picture.shape[:2])
    if picture.shape[:2] != (768, 1024):
        return None
    meta["stem"] = stem
    rows, cols = np.nonzero(masks[0] > 127)
    if len(rows) < 30:
        return None
    half = np.array(meta["paper_mm"]) / 2
    corners = np.float32([[-half[0], -half[1]], [half[0], -half[1]], [half[0], half[1]], [-half[0], half[1]]])
    meta["H"] = cv2.getPerspectiveTransform(corners, np.float32(meta["paper_px"]))
    mm = cv2.perspectiveTransform(np.float32(np.c_[cols, rows])[:, None], np.linalg.inv(meta["H"])).reshape(
        -1, 2
    )
    lo, hi = np.percentile(mm, 0.5, axis=0), np.percentile(mm, 99.5, axis=0)
    meta["centre"], meta["size"] = (lo + hi) / 2, hi - lo
    if np.hypot(*meta["centre"]) > 500 or meta["size"].max() > 500:
        return None
    return meta, np.concatenate([picture.transpose(2, 0, 1), masks])


class Library:
    """Everything that scenes are made of, on one device."""

    def __init__(
        self,
        photos_zips: list[Path],
        grounds_zip: Path | None,
        device: torch.device,
        limit: int | None = None,
        seed: int = 0,
        hold_out: int = 0,
        reduced: bool = False,
        things_zip: Path | None = None,
    ) -> None:
        rng = np.random.default_rng(seed)
        self.device = device
        packed = []
        for photos_zip in photos_zips:
            with zipfile.ZipFile(photos_zip) as z:
                stems = sorted({n.rsplit(".", 1)[0] for n in z.namelist() if n.endswith(".json")})
                if hold_out:
                    # by the photo's number, so that a shape seen in one folder isn't held out in another;
                    # negative: only those held out
                    held = {s for s in stems if int(s.rsplit("-", 1)[1]) % 20 == 7}
                    stems = [s for s in stems if (s in held) == (hold_out < 0)]
                stems = stems if limit is None else stems[:: max(1, len(stems) * len(photos_zips) // limit)]
                packed += [(stem, *(z.read(f"{stem}.{e}") for e in ("json", "jpg", "png"))) for stem in stems]
        with ThreadPoolExecutor() as pool:
            read = [r for r in pool.map(_photo, packed) if r is not None]
        self.meta = [r[0] for r in read]
        self.photos = torch.from_numpy(np.stack([r[1] for r in read])).to(
            device
        )  # (N, 6, 768, 1024): rgb, metal, paper, foreign
        self.H = torch.tensor(np.stack([m["H"] for m in self.meta]), dtype=torch.float32, device=device)
        self.centre = torch.tensor(
            np.stack([m["centre"] for m in self.meta]), dtype=torch.float32, device=device
        )
        self.size = torch.tensor(np.stack([m["size"] for m in self.meta]), dtype=torch.float32, device=device)
        self.is_mat = torch.tensor([m["layout"] == "mat" for m in self.meta], device=device)
        # which sheet is printed in the photo already, -1 where the paper is blank
        self.printed = torch.tensor(
            [LAYOUTS.index(m["sheet"]) if m.get("printed") else -1 for m in self.meta], device=device
        )
        # how well it is known where nothing foreign lies off the metal
        self.known = torch.tensor([m.get("foreign_known", 0.2) for m in self.meta], device=device)
        # big parts show more edge than crumbs: draw crumbs less often
        weight = [0.35 if max(m["size"]) < 25 else 1.0 for m in self.meta]
        self.weight = torch.tensor(weight, device=device)
        self.things = Things(things_zip, device, held=hold_out < 0, limit=limit) if things_zip else None
        sheets = [sheet_pictures(n, 12, rng) for n in LAYOUTS]
        self.print_variants = 12
        self.albedo = torch.from_numpy(np.concatenate([s[0] for s in sheets]))[:, None].to(device)
        self.sheet = torch.from_numpy(np.stack([np.stack([s[1], s[2]]) for s in sheets])).to(device)
        self.noise = self._noise_bank(64 if reduced else 768, 256, seed)
        grounds = []
        if grounds_zip is not None:
            with zipfile.ZipFile(grounds_zip) as z:
                for n in sorted(z.namelist()):
                    g = cv2.imdecode(np.frombuffer(z.read(n), np.uint8), cv2.IMREAD_COLOR)[..., ::-1]
                    grounds.append(
                        torch.from_numpy(
                            cv2.resize(g, (384, 384), interpolation=cv2.INTER_AREA).transpose(2, 0, 1).copy()
                        )
                    )
        self.n_real_grounds = len(grounds)
        made = self._made_grounds(12 if reduced else 160, seed)
        self.grounds = torch.cat([torch.stack(grounds).to(device), made]) if grounds else made

    def _noise_bank(self, n: int, size: int, seed: int) -> torch.Tensor:
        """(n, 1, size, size) uint8-free fractal noise, mean 0, sd 1, periodic; slopes from grainy to
        smooth, some stretched."""
        g = torch.Generator(device="cpu").manual_seed(seed)
        fy = torch.fft.fftfreq(size)[:, None] * size
        fx = torch.fft.rfftfreq(size)[None] * size
        out = []
        for _ in range(n // 32):
            white = torch.randn(32, size, size, generator=g)
            slope = torch.rand(32, 1, 1, generator=g) * 2.6 + 0.3
            stretch = torch.where(
                torch.rand(32, 1, 1, generator=g) < 0.25,
                torch.rand(32, 1, 1, generator=g) * 12 + 3,
                torch.ones(1),
            )
            f = torch.sqrt(fy[None] ** 2 * stretch + fx[None] ** 2 / stretch + 1.0)
            spectrum = torch.fft.rfft2(white) * f**-slope
            spectrum[:, 0, 0] = 0
            field = torch.fft.irfft2(spectrum, s=(size, size))
            out.append(field / field.std(dim=(1, 2), keepdim=True))
        return torch.cat(out)[:, None].to(self.device)

    def _made_grounds(self, n: int, seed: int) -> torch.Tensor:
        """(n, 3, 384, 384) uint8 made grounds: stained slabs, planks, weave, tread plate, tiles, speckle,
        flat colours."""
        rng = np.random.default_rng(seed + 5)
        out = []
        y, x = np.mgrid[0:384, 0:384].astype(np.float32)
        bank = self.noise[:, 0].cpu().numpy()

        def noise() -> np.ndarray:
            k = int(rng.integers(len(bank)))
            return cv2.resize(
                np.tile(bank[k], (2, 2))[: int(rng.integers(120, 512)), : int(rng.integers(120, 512))],
                (384, 384),
                interpolation=cv2.INTER_CUBIC,
            )

        for _ in range(n):
            kind = int(rng.integers(7))
            grey = rng.random() < 0.5
            base = np.full(3, rng.uniform(0.05, 0.85)) + (
                rng.normal(0, 0.02, 3) if grey else rng.normal(0, 0.16, 3)
            )
            second = np.clip(base * rng.uniform(0.5, 1.4) + rng.normal(0, 0.05, 3), 0.02, 0.95)
            base = np.clip(base, 0.02, 0.95)
            a = np.zeros((384, 384), np.float32)
            if kind == 1:
                pitch, gap = rng.uniform(30, 110), rng.uniform(1, 5)
                a = (np.mod(x + 3 * noise(), pitch) < gap).astype(np.float32) * rng.uniform(0.5, 1)
            elif kind == 2:
                p = rng.uniform(4, 14)
                a = 0.5 + 0.5 * np.sin(2 * np.pi * x / p) * np.sin(2 * np.pi * y / p)
            elif kind == 3:
                p = rng.uniform(18, 46)
                u, v = np.mod(x, p) / p - 0.5, np.mod(y, p) / p - 0.5
                turn = ((np.floor(x / p) + np.floor(y / p)) % 2) > 0
                s, t = np.where(turn, u + v, u - v), np.where(turn, u - v, u + v)
                a = (np.exp(-((s / 0.09) ** 2) - (t / 0.35) ** 2)).astype(np.float32)
            elif kind == 4:
                p, gap = rng.uniform(50, 150), rng.uniform(2, 6)
                a = ((np.mod(x, p) < gap) | (np.mod(y, p) < gap)).astype(np.float32)
            elif kind == 5:
                a = (noise() > rng.uniform(0.8, 1.8)).astype(np.float32)
            elif kind == 6:
                a = np.clip(0.5 + 0.5 * np.sin(x / rng.uniform(3, 12) + rng.uniform(1, 6) * noise()), 0, 1)
            tone = np.exp(rng.uniform(0.02, 0.35) * noise() + rng.uniform(0, 0.15) * noise())
            c = (base * (1 - a[..., None]) + second * a[..., None]) * tone[..., None]
            c = np.clip(c + rng.uniform(0, 0.04) * noise()[..., None] * rng.normal(1, 0.5, 3), 0, 1)
            out.append((c * 255).astype(np.uint8).transpose(2, 0, 1))
        return torch.from_numpy(np.stack(out)).to(self.device)
