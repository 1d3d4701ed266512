"""Make training pictures in batches, on the GPU if there is one: photos with masks seen from straight
above at any scale, and scenes made from nothing.

Everything happens in the frame in which the network works: a flat picture of the sheet's plane,
millimetres per pixel known. A photo is rectified, a sheet is printed on its blank paper, its ground may
be changed, its metal stained, and light, lens, sensor and JPEG are varied hard; a made scene carves
parts with holes out of noise, lights them, and lays them among bolts, washers, rods, rags and weed.
What is metal stays exact throughout.
"""

from __future__ import annotations

import json
import math
import zipfile
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
import torch.nn.functional as F

from anodewane.catalog.sheets import DESIGNS, make_layout
from anodewane.stages.segment import SCALE_MID_MM, SCALE_OCTAVES

PX_PER_MM = 4
LAYOUTS = ("card", "mat-a4", "mat-letter")
SHEET_CANVAS = (1216, 896)
"""Width and height of the canvas that every sheet's picture is centred on."""


# --- materials read from disk --------------------------------------------------------------------


def sheet_pictures(
    layout_name: str, variants: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return albedo (V, H, W) uint8 with random words and lines in the field, and the sheet and
    expected print (H, W) as `flatten` draws them."""
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


class Library:
    """Everything that scenes are made of, on one device."""

    def __init__(
        self,
        photos_zip: Path,
        grounds_zip: Path | None,
        device: torch.device,
        limit: int | None = None,
        seed: int = 0,
        hold_out: int = 0,
        reduced: bool = False,
    ) -> None:
        rng = np.random.default_rng(seed)
        self.device = device
        with zipfile.ZipFile(photos_zip) as z:
            stems = sorted({n.rsplit(".", 1)[0] for n in z.namelist() if n.endswith(".json")})
            if hold_out:
                # by the photo's number, so that a shape seen in one folder isn't held out in another;
                # negative: only those held out
                held = [s for s in stems if int(s.rsplit("-", 1)[1]) % 20 == 7]
                stems = held if hold_out < 0 else [s for s in stems if s not in set(held)]
            stems = stems[:limit]
            rgb, masks, self.meta = [], [], []
            for s in stems:
                meta = json.loads(z.read(s + ".json"))
                picture = cv2.imdecode(np.frombuffer(z.read(s + ".webp"), np.uint8), cv2.IMREAD_COLOR)[
                    ..., ::-1
                ]
                mask = cv2.imdecode(np.frombuffer(z.read(s + ".png"), np.uint8), cv2.IMREAD_GRAYSCALE)
                if picture.shape[:2] != (768, 1024):
                    continue
                meta["stem"] = s
                h = picture.shape[0]
                rows, cols = np.nonzero(mask[:h] > 127)
                if len(rows) < 30:
                    continue
                half = np.array(meta["paper_mm"]) / 2
                corners = np.float32(
                    [[-half[0], -half[1]], [half[0], -half[1]], [half[0], half[1]], [-half[0], half[1]]]
                )
                meta["H"] = cv2.getPerspectiveTransform(corners, np.float32(meta["paper_px"]))
                mm = cv2.perspectiveTransform(
                    np.float32(np.c_[cols, rows])[:, None], np.linalg.inv(meta["H"])
                ).reshape(-1, 2)
                lo, hi = np.percentile(mm, 0.5, axis=0), np.percentile(mm, 99.5, axis=0)
                meta["centre"], meta["size"] = (lo + hi) / 2, hi - lo
                if np.hypot(*meta["centre"]) > 500 or meta["size"].max() > 500:
                    continue
                rgb.append(np.ascontiguousarray(picture.transpose(2, 0, 1)))
                masks.append(np.stack([mask[:h], mask[h:]]))
                self.meta.append(meta)
        self.photos = torch.from_numpy(
            np.stack([np.concatenate([a, b]) for a, b in zip(rgb, masks, strict=True)])
        ).to(device)  # (N, 5, 768, 1024): rgb, metal, paper
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
        # big parts show more edge than crumbs: draw crumbs less often
        weight = [0.35 if max(m["size"]) < 25 else 1.0 for m in self.meta]
        self.weight = torch.tensor(weight, device=device)
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
        """(n, 3, 384, 384) uint8 made grounds: stained slabs, planks, weave, tread plate, tiles,
        speckle, flat colours."""
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


# --- small helpers on tensors --------------------------------------------------------------------


def to_linear(x: torch.Tensor) -> torch.Tensor:
    return torch.where(x <= 0.04045, x / 12.92, ((x.clamp_min(0.0) + 0.055) / 1.055) ** 2.4)


def to_srgb(x: torch.Tensor) -> torch.Tensor:
    x = x.clamp(0, 1)
    return torch.where(x <= 0.0031308, 12.92 * x, 1.055 * x.clamp_min(1e-8) ** (1 / 2.4) - 0.055)


def blur(x: torch.Tensor, sigma: torch.Tensor, radius: int = 4) -> torch.Tensor:
    """Gaussian blur of x (B, C, H, W) with one sigma (B,) px a picture."""
    h, w = x.shape[-2:]
    t = torch.arange(-radius, radius + 1, device=x.device, dtype=x.dtype)
    k = torch.exp(-0.5 * (t / sigma[:, None].clamp_min(1e-3)) ** 2)
    k = (k / k.sum(1, keepdim=True))[:, :, None, None, None]
    # sums of shifted copies: grouped convolutions with a kernel a picture are far slower
    y = F.pad(x, (radius, radius, radius, radius), mode="replicate")
    y = sum(k[:, n] * y[..., n : n + w] for n in range(2 * radius + 1))
    return sum(k[:, n] * y[..., n : n + h, :] for n in range(2 * radius + 1))  # type: ignore[return-value]


def blur_wide(x: torch.Tensor, factor: int) -> torch.Tensor:
    """A cheap wide blur: shrink by `factor` and grow again."""
    small = F.avg_pool2d(x, factor, ceil_mode=True)
    return F.interpolate(
        blur(small, torch.full((len(x),), 1.0, device=x.device)),
        size=x.shape[-2:],
        mode="bilinear",
        align_corners=False,
    )


_JPEG_LUMA = torch.tensor(
    # ITU-T T.81 (1992), table K.1
    [
        16, 11, 10, 16, 24, 40, 51, 61,
        12, 12, 14, 19, 26, 58, 60, 55,
        14, 13, 16, 24, 40, 57, 69, 56,
        14, 17, 22, 29, 51, 87, 80, 62,
        18, 22, 37, 56, 68, 109, 103, 77,
        24, 35, 55, 64, 81, 104, 113, 92,
        49, 64, 78, 87, 103, 121, 120, 101,
        72, 92, 95, 98, 112, 100, 103, 99,
    ],
    dtype=torch.float32,
).reshape(8, 8)  # fmt: skip


def jpeg(x: torch.Tensor, quality: torch.Tensor) -> torch.Tensor:
    """What JPEG does to x (B, 3, H, W) in 0 to 1: 8 x 8 DCT, T.81's luma table for all channels, colour
    at half resolution."""
    h, w = x.shape[-2:]
    device = x.device
    n = torch.arange(8, device=device, dtype=torch.float32)
    d = torch.cos((2 * n[None] + 1) * n[:, None] * math.pi / 16) * 0.5
    d[0] = d[0] / math.sqrt(2)
    m = torch.tensor(
        [[0.299, 0.587, 0.114], [-0.168736, -0.331264, 0.5], [0.5, -0.418688, -0.081312]], device=device
    )
    y = torch.einsum("ij,bjhw->bihw", m, x * 255)
    factor = torch.where(quality < 50, 5000 / quality, 200 - 2 * quality) / 100
    table = (_JPEG_LUMA.to(device)[None] * factor[:, None, None]).clamp_min(1.0)[:, None, None, None]

    def through(p: torch.Tensor) -> torch.Tensor:
        hh, ww = p.shape[-2:]
        p = F.pad(p, (0, -ww % 8, 0, -hh % 8), mode="replicate")
        blocks = p.unfold(2, 8, 8).unfold(3, 8, 8)
        f = d @ blocks @ d.T
        f = torch.round(f / table) * table
        q = d.T @ f @ d
        return q.permute(0, 1, 2, 4, 3, 5).reshape(p.shape)[..., :hh, :ww]

    luma = through(y[:, :1] - 128) + 128
    chroma = F.interpolate(
        through(F.avg_pool2d(y[:, 1:], 2)), size=(h, w), mode="bilinear", align_corners=False
    )
    return (
        torch.einsum("ij,bjhw->bihw", torch.linalg.inv(m), torch.cat([luma, chroma], 1)).div(255).clamp(0, 1)
    )


class Scenes:
    """Draws batches. All randomness comes from one generator on the device."""

    def __init__(self, library: Library, seed: int) -> None:
        self.lib = library
        self.dev = library.device
        self.gen = torch.Generator(device=self.dev).manual_seed(seed)

    # random numbers
    def u(self, b: int, lo: float = 0.0, hi: float = 1.0) -> torch.Tensor:
        return torch.rand(b, device=self.dev, generator=self.gen) * (hi - lo) + lo

    def n(self, *shape: int) -> torch.Tensor:
        return torch.randn(*shape, device=self.dev, generator=self.gen)

    def yes(self, b: int, p: float) -> torch.Tensor:
        return self.u(b) < p

    def ints(self, b: int, high: int) -> torch.Tensor:
        return torch.randint(0, high, (b,), device=self.dev, generator=self.gen)

    def noise(self, b: int, size: int, lo: float = 0.2, hi: float = 1.5) -> torch.Tensor:
        """(b, 1, size, size) fractal noise at random zoom (share of the bank's tile across the
        picture), turn and shift."""
        zoom = torch.exp(self.u(b, math.log(lo), math.log(hi)))
        a = self.u(b, 0, 2 * math.pi)
        theta = torch.stack(
            [
                torch.stack([zoom * a.cos(), -zoom * a.sin(), self.n(b)], 1),
                torch.stack([zoom * a.sin(), zoom * a.cos(), self.n(b)], 1),
            ],
            1,
        )
        grid = F.affine_grid(theta, [b, 1, size, size], align_corners=False)
        return F.grid_sample(
            self.lib.noise[self.ints(b, len(self.lib.noise))],
            grid,
            mode="bilinear",
            padding_mode="reflection",
            align_corners=False,
        )

    def ground(self, b: int, size: int, scale_mm: torch.Tensor) -> torch.Tensor:
        """(b, 3, size, size) linear light of grounds; a tile is 80 to 700 mm wide."""
        tile = torch.exp(self.u(b, math.log(80), math.log(700)))
        zoom = (scale_mm * size / tile).clamp(0.1, 4.0)
        a = self.u(b, 0, 2 * math.pi)
        theta = torch.stack(
            [
                torch.stack([zoom * a.cos(), -zoom * a.sin(), self.n(b)], 1),
                torch.stack([zoom * a.sin(), zoom * a.cos(), self.n(b)], 1),
            ],
            1,
        )
        grid = F.affine_grid(theta, [b, 3, size, size], align_corners=False)
        g = F.grid_sample(
            self.lib.grounds[self.ints(b, len(self.lib.grounds))].float() / 255,
            grid,
            mode="bilinear",
            padding_mode="reflection",
            align_corners=False,
        )
        g = to_linear(g)
        # grounds of a tile enlarged a lot are too smooth: grain on top
        grain = torch.exp(self.u(b, 0, 0.25)[:, None, None, None] * self.noise(b, size, 0.3, 3.0))
        tint = torch.exp(0.12 * self.n(b, 3))[..., None, None]
        grey = g.mean(1, keepdim=True)
        keep = torch.where(self.yes(b, 0.3), self.u(b, 0, 0.3), self.u(b, 0.6, 1.2))[:, None, None, None]
        return (
            (grey + (g - grey) * keep) * grain * tint * torch.exp(0.35 * self.n(b))[:, None, None, None]
        ).clamp(0.003, 1.0)

    # distances (mm) to simple shapes in local coordinates p (b, h, w, 2)
    def _polar_blob(self, p: torch.Tensor, r: torch.Tensor, rough: torch.Tensor) -> torch.Tensor:
        b = len(p)
        rho = p.norm(dim=-1)
        phi = torch.atan2(p[..., 1], p[..., 0])
        wobble = torch.zeros_like(rho)
        for k in range(2, 8):
            wobble = wobble + (rough / k**0.7 * self.n(b).abs())[:, None, None] * torch.cos(
                k * phi + self.u(b, 0, 6.28)[:, None, None]
            )
        return rho - r[:, None, None] * (1 + wobble).clamp_min(0.25)

    @staticmethod
    def _box(p: torch.Tensor, half: torch.Tensor, round_: torch.Tensor) -> torch.Tensor:
        q = p.abs() - (half - round_[:, None])[:, None, None]
        return q.clamp_min(0).norm(dim=-1) + q.amax(-1).clamp_max(0) - round_[:, None, None]

    @staticmethod
    def _polygon(p: torch.Tensor, r: torch.Tensor, n: torch.Tensor) -> torch.Tensor:
        rho, phi = p.norm(dim=-1), torch.atan2(p[..., 1], p[..., 0])
        sector = (2 * math.pi / n)[:, None, None]
        local = torch.remainder(phi + sector / 2, sector) - sector / 2
        return rho * local.cos() - (r * torch.cos(math.pi / n))[:, None, None]

    def _place(self, mm: torch.Tensor, at: torch.Tensor, angle: torch.Tensor) -> torch.Tensor:
        d = mm - at[:, None, None]
        c, s = angle.cos()[:, None, None], angle.sin()[:, None, None]
        return torch.stack([c * d[..., 0] + s * d[..., 1], -s * d[..., 0] + c * d[..., 1]], -1)

    def part_distance(self, mm: torch.Tensor, at: torch.Tensor, length: torch.Tensor) -> torch.Tensor:
        """(b, h, w) mm to the edge of an invented worn part with holes, negative inside."""
        b, size = len(mm), mm.shape[1]
        p = self._place(mm, at, self.u(b, 0, 6.28))
        half = torch.stack([length / 2, length / 2 * self.u(b, 0.25, 0.95)], 1)
        small = half.amin(1)
        arm = self._box(p, half * torch.tensor([1.0, 0.45], device=self.dev), small * 0.1)
        post = self._box(
            p - torch.stack([-half[:, 0] * 0.55, half[:, 1] * 0], 1)[:, None, None],
            torch.stack([small * 0.5, half[:, 1]], 1),
            small * 0.1,
        )
        rho, rim = p.norm(dim=-1), (length * 0.38)[:, None, None]
        options = torch.stack([
            self._box(p, half, small * self.u(b, 0.02, 0.95)),
            p.norm(dim=-1) - (length / 2)[:, None, None],
            self._polygon(p, length / 2, 3.0 + self.ints(b, 4)),
            self._polar_blob(p, length / 2.4, self.u(b, 0.05, 0.3)),
            self._box(p, torch.stack([length / 2, length * self.u(b, 0.08, 0.22)], 1), length * 0.05),
            torch.minimum(arm, post),
            (p.norm(dim=-1) - (length * 0.38)[:, None, None]).abs() - (length * self.u(b, 0.06, 0.12))[:,
            None, None],
            torch.maximum((rho - rim).abs() - (length * self.u(b, 0.08, 0.14))[:, None, None],
            -p[..., 1] - (length * self.u(b, -0.2, 0.3))[:, None, None]),
        ], 0)  # fmt: skip
        d = options.gather(0, self.ints(b, len(options))[None, :, None, None].expand(1, *p.shape[:3]))[0]
        for _ in range(4):
            have = self.yes(b, 0.45)
            where = (self.n(b, 2) * 0.35).clamp(-0.8, 0.8) * half
            r = torch.where(self.yes(b, 0.2), small * self.u(b, 0.2, 0.55), self.u(b, 2.0, 7.0)).minimum(
                small * 0.6
            )
            q = p - where[:, None, None]
            slot = self._box(
                q,
                torch.stack(
                    [
                        r
                        * torch.where(self.yes(b, 0.3), self.u(b, 1.3, 3.0), torch.ones(b, device=self.dev)),
                        r,
                    ],
                    1,
                ),
                r,
            )
            d = torch.where(have[:, None, None], torch.maximum(d, -slot), d)
        for _ in range(2):
            have = self.yes(b, 0.35)
            a = self.u(b, 0, 6.28)
            where = torch.stack([a.cos(), a.sin()], 1) * half * 1.05
            bite = self._polar_blob(
                p - where[:, None, None], length * self.u(b, 0.08, 0.3), self.u(b, 0.1, 0.4)
            )
            d = torch.where(have[:, None, None], torch.maximum(d, -bite), d)
        wear = self.u(b, 0, 1) ** 2 * 0.06 * length
        return (
            d
            + wear[:, None, None] * self.noise(b, size, 0.15, 0.8)[:, 0]
            + (self.u(b, 0, 0.012) * length)[:, None, None] * self.noise(b, size, 0.6, 2.0)[:, 0]
        )

    def view(
        self, x: torch.Tensor, z: torch.Tensor, height: torch.Tensor, nadir: torch.Tensor
    ) -> torch.Tensor:
        """See a layer at height z (b,) as it falls on the ground plane: scaled about the point under
        the camera (grid units, b x 2)."""
        k = 1 - z / height
        theta = torch.zeros(len(x), 2, 3, device=self.dev)
        theta[:, 0, 0] = theta[:, 1, 1] = k
        theta[:, :, 2] = (1 - k)[:, None] * nadir
        return F.grid_sample(
            x,
            F.affine_grid(theta, list(x.shape), align_corners=False),
            mode="bilinear",
            padding_mode="border",
            align_corners=False,
        )

    def relief(
        self,
        d: torch.Tensor,
        thick: torch.Tensor,
        albedo: torch.Tensor,
        scale: torch.Tensor,
        height: torch.Tensor,
        nadir: torch.Tensor,
        light: torch.Tensor,
        layers: int = 9,
    ) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """Light and view a solid given by its plan distance d (b, h, w). Returns colour (b, 3, h, w),
        cover (b, 1, h, w) and the light its shadow leaves."""
        b, size = len(d), d.shape[1]
        bevel = (thick * self.u(b, 0.1, 1.1))[:, None, None]
        rise = (-d / bevel).clamp(0, 1)
        profile = (
            torch.sqrt((1 - (1 - rise) ** 2).clamp_min(0))
            if torch.rand((), generator=self.gen, device=self.dev) < 0.7
            else rise.clamp(0, 1) ** 0.5
        )
        pits = self.noise(b, size, 0.25, 1.2)[:, 0]
        fine = self.noise(b, size, 0.8, 3.0)[:, 0]
        h = (
            thick[:, None, None] * (profile * 0.75 + 0.25)
            + (self.u(b, 0, 0.1) * thick)[:, None, None] * pits
            + (self.u(b, 0, 0.03) * thick)[:, None, None] * fine
        )
        h = torch.where(d < 0, h.clamp_min(0.5), torch.zeros_like(h))
        gy, gx = torch.gradient(h, dim=(1, 2))
        nx, ny = -gx / scale[:, None, None], -gy / scale[:, None, None]
        steep = self.u(b, 0.35, 1.0)[:, None, None]
        norm = torch.sqrt(1 + (nx * steep) ** 2 + (ny * steep) ** 2)
        dot = (
            nx * steep * light[:, 0, None, None]
            + ny * steep * light[:, 1, None, None]
            + light[:, 2, None, None]
        ) / norm
        shade = self.u(b, 0.15, 0.7)[:, None, None] + self.u(b, 0.3, 1.0)[:, None, None] * dot.clamp_min(0)
        gloss = torch.where(self.yes(b, 0.5), self.u(b, 0, 1.6), torch.zeros(b, device=self.dev))
        shine = (gloss[:, None, None] * (dot.clamp(0, 1) ** (6 + 30 * self.u(b))[:, None, None])) * torch.exp(
            0.5 * fine
        )
        # polished metal mirrors its surroundings: noise looked up by the surface's direction
        world = self.lib.noise[self.ints(b, len(self.lib.noise))]
        turned = (
            torch.stack([nx, ny], -1) * (steep / norm)[..., None] * 0.45 + (self.n(b, 2) * 0.3)[:, None, None]
        )
        mirror = F.grid_sample(
            world, turned, mode="bilinear", padding_mode="reflection", align_corners=False
        )[:, 0]
        polish = torch.where(self.yes(b, 0.35), self.u(b, 0.3, 1.2), torch.zeros(b, device=self.dev))[
            :, None, None
        ]
        colour = (albedo * shade[:, None] + 0.35 * shine[:, None]) * torch.exp(polish * mirror)[
            :, None
        ].clamp_max(4)
        plan = (0.5 - d / scale[:, None, None]).clamp(0, 1)
        cover = plan[:, None]
        seen = colour
        shadow = torch.zeros_like(cover)
        out_light = light[:, :2] / light[:, 2:].clamp_min(0.2)
        pixel = 2 / (size * scale)
        wall = self.u(b, 0.1, 1.0)[:, None, None, None]
        for i in range(layers):
            z = thick * (i + 0.5) / layers
            layer = ((h - z[:, None, None]) / (thick[:, None, None] / layers) + 0.5).clamp(0, 1) * plan
            flat = torch.cat(
                [
                    layer[:, None],
                    colour
                    * torch.where(
                        h - z[:, None, None] > 1.5 * thick[:, None, None] / layers,
                        wall[:, 0],
                        torch.ones_like(h),
                    )[:, None],
                ],
                1,
            )
            moved = self.view(flat, z, height, nadir)
            seen = seen * (1 - moved[:, :1]) + moved[:, 1:] * moved[:, :1]
            cover = torch.maximum(cover, moved[:, :1])
            theta = torch.zeros(b, 2, 3, device=self.dev)
            theta[:, 0, 0] = theta[:, 1, 1] = 1
            theta[:, :, 2] = out_light * (z * pixel)[:, None]
            shadow = torch.maximum(
                shadow,
                F.grid_sample(
                    layer[:, None],
                    F.affine_grid(theta, list(shadow.shape), align_corners=False),
                    mode="bilinear",
                    padding_mode="zeros",
                    align_corners=False,
                ),
            )
        soft = self.u(b, 0.3, 3.5)
        contact = blur_wide(plan[:, None], 8)
        lit = (
            1
            - self.u(b, 0.1, 0.85)[:, None, None, None] * blur(shadow, soft)
            - self.u(b, 0, 0.3)[:, None, None, None] * contact
        )
        return seen, cover, lit.clamp(0.05, 1)

    def metal_colour(self, b: int, size: int) -> torch.Tensor:
        """(b, 3, size, size) albedo of worn metal: grey from bright to dark oxide, chalk, rust
        and green stains."""
        base = torch.exp(self.u(b, math.log(0.06), math.log(0.75)))[:, None] * (1 + 0.05 * self.n(b, 3))
        a = base[..., None, None] * torch.exp(
            self.u(b, 0.03, 0.35)[:, None, None, None] * self.noise(b, size, 0.2, 1.5)
            + self.u(b, 0, 0.2)[:, None, None, None] * self.noise(b, size, 0.8, 3.5)
        )
        stains = torch.tensor(
            [
                [0.8, 0.8, 0.78],
                [0.3, 0.16, 0.07],
                [0.16, 0.22, 0.1],
                [0.05, 0.05, 0.05],
                [0.35, 0.3, 0.22],
                [0.2, 0.32, 0.34],
            ],
            device=self.dev,
        )
        for p in (0.5, 0.3):
            have = self.yes(b, p).float() * self.u(b, 0.3, 1.0)
            level = self.u(b, -0.5, 1.6)[:, None, None, None]
            m = (
                torch.sigmoid(
                    (self.noise(b, size, 0.15, 1.5) - level) * self.u(b, 1.5, 12)[:, None, None, None]
                )
                * have[:, None, None, None]
            )
            c = (
                stains[self.ints(b, len(stains))][..., None, None]
                * torch.exp(0.3 * self.n(b, 1, 1, 1))
                * torch.exp(0.2 * self.noise(b, size, 0.8, 3.0))
            )
            a = a * (1 - m) + c * m
        return a.clamp(0.01, 1)

    def things(
        self,
        lin: torch.Tensor,
        metal: torch.Tensor,
        mm: torch.Tensor,
        scale: torch.Tensor,
        light: torch.Tensor,
        height: torch.Tensor,
        nadir: torch.Tensor,
        count: int,
        p: float,
    ) -> torch.Tensor:
        """Lay foreign objects on the ground (never over metal): washers, bolts, nuts, rods, tools,
        pebbles, rags, leaves, hands."""
        b, size = len(lin), lin.shape[-1]
        span = scale * size
        for _ in range(count):
            have = self.yes(b, p)
            at = (self.u(2 * b, -0.55, 0.55).reshape(b, 2)) * span[:, None]
            q = self._place(mm, at, self.u(b, 0, 6.28))
            r = torch.exp(self.u(b, math.log(3), math.log(12)))
            big = torch.exp(self.u(b, math.log(15), math.log(80)))
            rod_r = torch.exp(self.u(b, math.log(2), math.log(14)))
            rod_l = rod_r * self.u(b, 2.5, 14)
            washer = torch.maximum(
                q.norm(dim=-1) - (r * 1.3)[:, None, None],
                (r * self.u(b, 0.45, 0.8))[:, None, None] - q.norm(dim=-1),
            )
            nut = torch.maximum(
                self._polygon(q, r, torch.full((b,), 6.0, device=self.dev)),
                (r * self.u(b, -0.5, 0.6))[:, None, None] - q.norm(dim=-1),
            )
            rod = self._box(q, torch.stack([rod_l, rod_r], 1), rod_r * self.u(b, 0.05, 0.98))
            bolt = torch.minimum(
                self._box(q, torch.stack([r * 3, r * 0.5], 1), r * 0.1),
                self._box(
                    q - torch.stack([r * 3, 0 * r], 1)[:, None, None],
                    torch.stack([r * 0.4, r * 0.95], 1),
                    r * 0.1,
                ),
            )
            spanner = torch.minimum(
                self._box(q, torch.stack([big * 1.5, big * 0.13], 1), big * 0.1),
                (q - torch.stack([big * 1.5, 0 * big], 1)[:, None, None]).norm(dim=-1)
                - (big * 0.28)[:, None, None],
            )
            pebble = self._polar_blob(q, r, self.u(b, 0.02, 0.15))
            rag = self._polar_blob(q, big, self.u(b, 0.1, 0.4))
            slab = self._box(q, torch.stack([big, big * self.u(b, 0.3, 1)], 1), big * 0.03)
            options = torch.stack([washer, nut, rod, rod, bolt, spanner, pebble, rag, slab], 0)
            kind = self.ints(b, len(options))
            d = options.gather(0, kind[None, :, None, None].expand(1, *d_shape(options)))[0]
            thick = torch.where(
                kind < 2,
                r * 0.5,
                torch.where(
                    (kind == 2) | (kind == 3),
                    rod_r * 1.6,
                    torch.where(kind == 4, r, torch.where(kind == 6, r, self.u(b, 1, 12))),
                ),
            ).clamp(0.8, 30)
            metallic = (kind <= 5) & self.yes(b, 0.6)
            vivid = torch.exp(self.u(b, math.log(0.04), math.log(0.8)))[:, None] * torch.exp(
                0.7 * self.n(b, 3)
            )
            steel = torch.exp(self.u(b, math.log(0.05), math.log(0.8)))[:, None] * (1 + 0.03 * self.n(b, 3))
            colour = torch.where(metallic[:, None], steel, vivid).clamp(0.01, 0.95)[
                ..., None, None
            ] * torch.exp(self.u(b, 0, 0.25)[:, None, None, None] * self.noise(b, size, 0.3, 2.5))
            seen, cover, lit = self.relief(d, thick, colour, scale, height, nadir, light, layers=3)
            # never where it would hide metal: shift out of the scene instead
            touching = ((cover > 0.2) & (metal > 0.05)).flatten(1).float().sum(1) > 0
            on = (have & ~touching).float()[:, None, None, None]
            lin = lin * (1 - on + on * torch.maximum(lit, metal))
            lin = lin * (1 - cover * on) + seen * cover * on
        return lin

    def weed(
        self,
        lin: torch.Tensor,
        metal: torch.Tensor,
        mm: torch.Tensor,
        centre: torch.Tensor,
        extent: torch.Tensor,
        scale: torch.Tensor,
        light: torch.Tensor,
        height: torch.Tensor,
        nadir: torch.Tensor,
    ) -> torch.Tensor:
        """Blobs of weed, shell and slime on the part and over its edge. The metal's own outline stays
        the truth: fouling is to be bridged."""
        b, size = len(lin), lin.shape[-1]
        fouled = self.yes(b, 0.4)
        cell = 8
        small = F.avg_pool2d(metal, cell)
        rim = ((small > 0.05) & (small < 0.95)).flatten(1).float() + 1e-6
        for _ in range(5):
            have = fouled & self.yes(b, 0.6)
            # most of it sits on the edge, where it matters
            pick = torch.multinomial(rim, 1, generator=self.gen)[:, 0]
            n = small.shape[-1]
            cols, rows = (pick % n) * cell + cell // 2, (pick // n) * cell + cell // 2
            edge_at = mm[torch.arange(b, device=self.dev), rows.clamp_max(size - 1), cols.clamp_max(size - 1)]
            at = centre + (self.u(2 * b, -0.6, 0.6).reshape(b, 2)) * extent[:, None]
            at = torch.where(self.yes(b, 0.65)[:, None], edge_at + self.n(b, 2) * 0.8, at)
            r = torch.exp(self.u(b, math.log(1.2), math.log(7.0))).minimum(extent * 0.12)
            d = self._polar_blob(
                mm - at[:, None, None],
                r,
                torch.where(self.yes(b, 0.6), self.u(b, 0.0, 0.08), self.u(b, 0.08, 0.45)),
            )
            kinds = torch.tensor(
                [
                    [0.06, 0.11, 0.03],
                    [0.16, 0.12, 0.05],
                    [0.6, 0.57, 0.5],
                    [0.45, 0.43, 0.4],
                    [0.25, 0.22, 0.18],
                    [0.1, 0.05, 0.04],
                ],
                device=self.dev,
            )
            colour = kinds[self.ints(b, 6)][..., None, None] * torch.exp(
                0.3 * self.n(b, 1, 1, 1) + 0.3 * self.noise(b, size, 0.5, 3.0)
            )
            near = ((d < 0) & (metal[:, 0] > 0.5)).flatten(1).float().sum(1) > 0
            seen, cover, _ = self.relief(
                d, (r * 0.9).clamp(0.5, 8), colour.clamp(0, 1), scale, height, nadir, light, layers=2
            )
            cover = cover * (have & near).float()[:, None, None, None]
            lin = lin * (1 - cover) + seen * cover
        return lin

    def weather(self, lin: torch.Tensor, metal: torch.Tensor) -> torch.Tensor:
        """Light and wet: gradients, cast shadows with hard edges, glare streaks, wet patches."""
        b, size = len(lin), lin.shape[-1]
        y = torch.linspace(-1, 1, size, device=self.dev)
        yy, xx = torch.meshgrid(y, y, indexing="ij")
        slope = self.n(b, 2) * 0.22
        lin = lin * torch.exp(slope[:, 0, None, None] * xx + slope[:, 1, None, None] * yy)[:, None]
        for _ in range(2):
            have = self.yes(b, 0.22).float()
            a = self.u(b, 0, 6.28)
            along = a.cos()[:, None, None] * xx + a.sin()[:, None, None] * yy - self.n(b)[:, None, None] * 0.5
            band = torch.where(
                self.yes(b, 0.5)[:, None, None], along, along.abs() - self.u(b, 0.05, 0.4)[:, None, None]
            )
            edge = torch.exp(self.u(b, math.log(3), math.log(120)))[:, None, None]
            m = torch.sigmoid(
                (band + self.u(b, 0, 0.1)[:, None, None] * self.noise(b, size, 0.2, 1.0)[:, 0]) * edge
            )
            dim = self.u(b, 0.25, 0.8)[:, None] * torch.exp(0.08 * self.n(b, 3))
            lin = lin * (1 - (have[:, None, None] * m)[:, None] * (1 - dim[..., None, None].clamp(0, 1)))
        have = self.yes(b, 0.15).float()[:, None, None, None]
        wet = (
            torch.sigmoid((self.noise(b, size, 0.15, 0.8) - self.u(b, 0.2, 1.5)[:, None, None, None]) * 14)
            * have
        )
        lin = lin * (1 - wet * self.u(b, 0.2, 0.6)[:, None, None, None])
        have = self.yes(b, 0.3).float()[:, None, None, None]
        streak = (
            (self.noise(b, size, 0.3, 2.0) - self.u(b, 1.0, 2.2)[:, None, None, None]).clamp_min(0)
            * self.u(b, 0.1, 0.9)[:, None, None, None]
            * have
        )
        where = torch.where(self.yes(b, 0.5)[:, None, None, None], metal, torch.ones_like(metal))
        return lin + streak * where

    def camera(self, lin: torch.Tensor, hard: torch.Tensor) -> torch.Tensor:
        """What a phone makes of the light, `hard` (B,) 0 to 1 how badly: blur in linear light,
        exposure, white balance, noise, tone, sharpening, JPEG. Returns sRGB."""
        b = len(lin)
        sigma = torch.where(self.yes(b, 0.6), self.u(b, 0.2, 0.9), self.u(b, 0.7, 1.9)) * hard
        lin = blur(lin, sigma, 5)
        level = lin[:, :, ::5, ::5].flatten(1).quantile(0.97, dim=1)
        target = torch.exp(self.u(b, math.log(0.3), math.log(1.35)))
        lin = (
            lin
            * (target / level.clamp_min(0.02))[:, None, None, None]
            * torch.exp(0.14 * hard[:, None] * self.n(b, 3))[..., None, None]
        )
        grain = (
            torch.where(self.yes(b, 0.5), self.u(b, 0.0, 8e-4), self.u(b, 0.0, 4e-3))[:, None, None, None]
            * (hard**2)[:, None, None, None]
        )
        noise = self.n(*lin.shape)
        noise = torch.where(
            self.yes(b, 0.5)[:, None, None, None],
            noise,
            blur(noise, torch.full((b,), 0.7, device=self.dev)) * 1.8,
        )
        lin = lin + noise * torch.sqrt(lin.clamp(0, 1) * grain + 1e-6)
        x = to_srgb(lin)
        x = x ** torch.exp(0.16 * hard * self.n(b))[:, None, None, None]
        bend = (self.u(b, -0.12, 0.3) * hard)[:, None, None, None]
        x = x * (1 - bend) + bend * (3 * x**2 - 2 * x**3)
        grey = x.mean(1, keepdim=True)
        x = (
            grey
            + (x - grey)
            * torch.where(self.yes(b, 0.1), self.u(b, 0.0, 0.4), 1 + hard * self.u(b, -0.3, 0.4))[
                :, None, None, None
            ]
        )
        amount = torch.where(self.yes(b, 0.45), self.u(b, 0.2, 1.6), torch.zeros(b, device=self.dev))[
            :, None, None, None
        ]
        x = (x + amount * (x - blur(x, self.u(b, 0.7, 1.5)))).clamp(0, 1)
        soft = self.yes(b, 0.55)
        if soft.any():
            x[soft] = jpeg(x[soft], self.u(int(soft.sum()), 45, 95))
        haze = torch.where(self.yes(b, 0.12), self.u(b, 0, 0.25), torch.zeros(b, device=self.dev))[
            :, None, None, None
        ]
        return (x * (1 - haze) + haze * self.u(b, 0.4, 1.0)[:, None, None, None]).clamp(0, 1)

    def batch(
        self, b: int, size: int, far: bool, made_share: float = 0.35
    ) -> tuple[torch.Tensor, torch.Tensor]:
        """Draw inputs (b, 6, size, size) and metal (b, 1, size, size).

        `far` : as the first look sees it (about 0.8 to 2.4 mm a pixel), else close up.
        """
        lib, over = self.lib, 2 if far else 1
        i = torch.multinomial(lib.weight, b, replacement=True, generator=self.gen)
        made = self.yes(b, made_share)
        extent = lib.size[i].amax(1)
        extent = torch.where(made, torch.exp(self.u(b, math.log(28), math.log(260))), extent)
        if far:
            scale = torch.exp(self.u(b, math.log(0.7), math.log(2.4)))
        else:
            side = (extent * (1 + 2 * self.u(b, 0.1, 0.45))).clamp_min(60.0)
            scale = side / size * torch.exp(self.u(b, -0.25, 0.45))
        centre = torch.where(made[:, None], self.n(b, 2) * 90, lib.centre[i])
        wobble = (self.u(2 * b, -0.5, 0.5).reshape(b, 2)) * (
            (scale * size - extent).clamp_min(0) * (0.95 if far else 0.7)
        )[:, None]
        middle = centre + wobble
        # on far looks the sheet should often be in view
        angle = self.u(b, 0, 2 * math.pi)
        flip = torch.where(self.yes(b, 0.5), -1.0, 1.0)
        px = (torch.arange(size * over, device=self.dev) + 0.5) / over - size / 2
        gy, gx = torch.meshgrid(px, px, indexing="ij")
        c, s = angle.cos(), angle.sin()
        ax = (gx[None] * scale[:, None, None]) * flip[:, None, None]
        ay = -gy[None] * scale[:, None, None]
        stretch = torch.exp(0.03 * self.n(b))[:, None, None]
        mm = torch.stack(
            [
                middle[:, 0, None, None] + c[:, None, None] * ax * stretch - s[:, None, None] * ay,
                middle[:, 1, None, None] + s[:, None, None] * ax * stretch + c[:, None, None] * ay,
            ],
            -1,
        )
        local = torch.stack(
            [ax * flip[:, None, None], -ay], -1
        )  # picture-aligned mm about the middle, y down, for made things
        full = size * over
        # the photo
        q = torch.cat([mm, torch.ones_like(mm[..., :1])], -1) @ lib.H[i].transpose(1, 2)[:, None]
        at = q[..., :2] / q[..., 2:].clamp_min(1e-6)
        valid = (
            (at[..., 0] > 0) & (at[..., 0] < 1023) & (at[..., 1] > 0) & (at[..., 1] < 767) & (q[..., 2] > 0)
        )[:, None] | made[:, None, None, None]
        grid = torch.stack([(at[..., 0] + 0.5) / 512 - 1, (at[..., 1] + 0.5) / 384 - 1], -1).clamp(-4, 4)
        seen = F.grid_sample(
            lib.photos[i].float() / 255,
            grid,
            mode="bicubic" if not far else "bilinear",
            padding_mode="zeros",
            align_corners=False,
        ).clamp(0, 1)
        lin, metal, paper = to_linear(seen[:, :3]), seen[:, 3:4], seen[:, 4:5]
        # the sheet's print
        layout = torch.where(
            lib.is_mat[i], 1 + self.yes(b, 0.35).long(), torch.zeros(b, dtype=torch.long, device=self.dev)
        )
        printed = (lib.printed[i] >= 0) & ~made
        layout = torch.where(printed, lib.printed[i], layout)
        layout = torch.where(made, self.ints(b, 3), layout)
        squeeze = torch.ones(b, 2, device=self.dev)
        letter = (layout == 2) & ~made & ~printed
        squeeze[letter] = torch.tensor([297.0 / 279.4, 210.0 / 215.9], device=self.dev)
        on_sheet = mm / squeeze[:, None, None]
        canvas = torch.tensor(
            [SHEET_CANVAS[0] / PX_PER_MM / 2, -SHEET_CANVAS[1] / PX_PER_MM / 2], device=self.dev
        )
        variant = layout * lib.print_variants + self.ints(b, lib.print_variants)
        ink = F.grid_sample(
            lib.albedo[variant].float() / 255,
            on_sheet / canvas,
            mode="bilinear",
            padding_mode="border",
            align_corners=False,
        )
        wrong = (
            mm
            + (0.25 * self.n(b, 2))[:, None, None]
            + (0.002 * self.n(b))[:, None, None, None]
            * mm.flip(-1)
            * torch.tensor([1.0, -1.0], device=self.dev)
        )
        known = F.grid_sample(
            lib.sheet[layout].float() / 255,
            wrong / squeeze[:, None, None] / canvas,
            mode="bilinear",
            padding_mode="border",
            align_corners=False,
        )
        true_paper = F.grid_sample(
            lib.sheet[layout][:, :1].float() / 255,
            on_sheet / canvas,
            mode="bilinear",
            padding_mode="border",
            align_corners=False,
        )
        dark = self.u(b, 0.02, 0.12)[:, None, None, None]
        albedo = dark + (1 - dark) * to_linear(ink)
        light = torch.cat([self.n(b, 2) * 0.7, self.u(b, 0.5, 1.2)[:, None]], 1)
        light = light / light.norm(dim=1, keepdim=True)
        height = torch.exp(self.u(b, math.log(280), math.log(1100)))
        nadir = self.n(b, 2) * 0.9
        # another ground
        new_ground = self.ground(b, full, scale / over)
        off = (1 - torch.maximum(paper, metal)).clamp(0, 1)
        luma = lin.mean(1, keepdim=True)
        typical = ((luma * off).sum((1, 2, 3)) / off.sum((1, 2, 3)).clamp_min(1.0)).clamp_min(1e-3)[
            :, None, None, None
        ]
        shadow = (blur(luma, torch.full((b,), 1.5, device=self.dev)) / typical).clamp(0.05, 1.25)
        # some photos stay as they are, but for the sheet and a mild camera
        mild = self.yes(b, 0.5) & ~made
        swap = (self.yes(b, 0.65) & ~mild)[:, None, None, None].float()
        # grey ground like the metal itself, at times
        mean_metal = ((lin * metal).sum((2, 3)) / metal.sum((2, 3)).clamp_min(1.0))[..., None, None]
        alike = self.yes(b, 0.18)[:, None, None, None].float()
        tone = new_ground.mean(1, keepdim=True)
        tone = tone / tone.mean((2, 3), keepdim=True).clamp_min(1e-3)
        new_ground = new_ground * (1 - alike) + alike * (
            mean_metal.clamp(0.02, 0.8) * tone * torch.exp(0.2 * self.n(b, 1, 1, 1))
        )
        lin = lin * (1 - off * swap) + new_ground.clamp(0, 1) * shadow * off * swap
        lin = lin * torch.where(
            printed[:, None, None, None], torch.ones_like(lin), 1 - paper + paper * albedo
        )
        # stain the metal
        pick = (self.yes(b, 0.7) & ~mild)[:, None, None, None].float() * metal
        own = luma / mean_metal.mean(1, keepdim=True).clamp_min(0.01)
        own = own ** torch.exp(0.25 * self.n(b, 1, 1, 1))
        stained = self.metal_colour(b, full) * own.clamp(0, 6)
        mix = self.u(b, 0.2, 1.0)[:, None, None, None] * pick
        lin = lin * (1 - mix) + stained * mix
        gain = torch.exp(0.3 * self.n(b, 1, 1, 1)) * torch.exp(0.06 * self.n(b, 3))[..., None, None]
        lin = lin * (1 - metal) + lin * gain * metal
        # made scenes
        k = torch.nonzero(made)[:, 0]
        if len(k):
            lin_k, metal_k = self._made(
                k,
                local,
                extent,
                middle - centre,
                flip,
                angle,
                new_ground[k],
                true_paper[k] * (~self.yes(len(k), 0.15))[:, None, None, None],
                albedo[k],
                light[k],
                height[k],
                nadir[k],
                full,
            )
            lin, metal = lin.clone(), metal.clone()
            lin[k], metal[k] = lin_k, metal_k
        # the part's middle as the picture has it
        d = centre - middle
        part_at = torch.stack([(c * d[:, 0] + s * d[:, 1]) * 1.0 * flip, -(-s * d[:, 0] + c * d[:, 1])], 1)
        mm_px = scale / over
        lin = self.things(lin, metal, local, mm_px, light, height, nadir, 3 if far else 2, 0.35)
        lin = self.weed(lin, metal, local, part_at, extent, mm_px, light, height, nadir)
        lin = torch.where((mild & self.yes(b, 0.6))[:, None, None, None], lin, self.weather(lin, metal))
        if over > 1:
            lin = F.avg_pool2d(lin, over)
            metal, valid, known = (
                F.avg_pool2d(metal, over),
                F.avg_pool2d(valid.float(), over) > 0.75,
                F.avg_pool2d(known, over),
            )
        x = self.camera(lin, 1 - 0.65 * mild.float())
        x = torch.round(x * 255) / 255
        x = torch.where(valid, x, torch.full_like(x, 0.5))
        metal = torch.where(valid, metal, torch.zeros_like(metal))
        claimed = scale
        if not far:
            # photos at hand are coarser than a phone's: at times a part is passed off as a smaller one
            # seen as sharply, which is what a phone shows
            claimed = torch.where(self.yes(b, 0.5) & ~made, scale * torch.exp(self.u(b, -0.75, 0.0)), scale)
        layer = (torch.log2(claimed / SCALE_MID_MM) / SCALE_OCTAVES)[:, None, None, None].expand(
            b, 1, size, size
        )
        # the paper is missing from the expected print where the made scene has none: then the sheet
        # isn't expected either
        return torch.cat([x - 0.5, known - 0.5, layer], 1), metal

    def _made(
        self,
        k: torch.Tensor,
        local: torch.Tensor,
        extent: torch.Tensor,
        off: torch.Tensor,
        flip: torch.Tensor,
        angle: torch.Tensor,
        ground: torch.Tensor,
        paper: torch.Tensor,
        albedo: torch.Tensor,
        light: torch.Tensor,
        height: torch.Tensor,
        nadir: torch.Tensor,
        full: int,
    ) -> tuple[torch.Tensor, torch.Tensor]:
        b = len(k)
        mm = local[k]
        mm_px = (local[k][:, 0, 1, 0] - local[k][:, 0, 0, 0]).abs()
        d = -off[k]
        c, s = angle[k].cos(), angle[k].sin()
        at = torch.stack([(c * d[:, 0] + s * d[:, 1]) * flip[k], -(-s * d[:, 0] + c * d[:, 1])], 1)
        paper_light = self.u(b, 0.7, 0.95)[:, None, None, None] * (1 + 0.03 * self.n(b, 3))[..., None, None]
        lin = ground * (1 - paper) + paper * paper_light * albedo
        metal = torch.zeros_like(lin[:, :1])
        for n in range(2):
            have = self.yes(b, 0.96 if n == 0 else 0.12)
            length = extent[k] if n == 0 else extent[k] * self.u(b, 0.4, 1.2)
            where = (
                at
                if n == 0
                else at
                + torch.stack([self.u(b, 0, 6.28).cos(), self.u(b, 0, 6.28).sin()], 1)
                * (extent[k] * self.u(b, 0.9, 1.6))[:, None]
            )
            dist = self.part_distance(mm, where, length)
            thick = (length * self.u(b, 0.04, 0.3)).clamp(2, 40)
            seen, cover, lit = self.relief(
                dist, thick, self.metal_colour(b, full), mm_px, height, nadir, light
            )
            on = have.float()[:, None, None, None]
            free = 1 - metal if n else torch.ones_like(metal)
            lin = lin * (1 - on + on * torch.maximum(lit, 1 - free))
            cover = cover * on * free
            lin = lin * (1 - cover) + seen * cover
            metal = torch.maximum(metal, cover)
        return lin, metal


def d_shape(options: torch.Tensor) -> tuple[int, ...]:
    return tuple(options.shape[1:])
