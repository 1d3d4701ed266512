"""Light, lens and phone: what happens to a scene's linear light before a phone's JPEG of it is read."""

from __future__ import annotations

import math

import torch
import torch.nn.functional as F
from materials import Library


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
    """What JPEG does to x (B, 3, H, W) in 0 to 1: 8 x 8 DCT, T.81's luma table for all channels, colour at
    half resolution."""
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


class Chance:
    """All randomness of a picture comes from one generator on the device."""

    def __init__(self, library: Library, seed: int) -> None:
        self.lib = library
        self.dev = library.device
        self.gen = torch.Generator(device=self.dev).manual_seed(seed)

    def u(self, b: int, lo: float = 0.0, hi: float = 1.0) -> torch.Tensor:
        return torch.rand(b, device=self.dev, generator=self.gen) * (hi - lo) + lo

    def n(self, *shape: int) -> torch.Tensor:
        return torch.randn(*shape, device=self.dev, generator=self.gen)

    def yes(self, b: int, p: float) -> torch.Tensor:
        return self.u(b) < p

    def ints(self, b: int, high: int) -> torch.Tensor:
        return torch.randint(0, high, (b,), device=self.dev, generator=self.gen)

    def noise(self, b: int, size: int, lo: float = 0.2, hi: float = 1.5) -> torch.Tensor:
        """(b, 1, size, size) fractal noise at random zoom (share of the bank's tile across the picture),
        turn and shift."""
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


class Camera(Chance):
    """The light of the day, and the phone."""

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
        lin = lin + streak * where
        # flash: bright about a point, dark far from it, a glare on what shines
        have = self.yes(b, 0.1).float()[:, None, None, None]
        spot = self.n(b, 2) * 0.35
        r2 = ((xx[None] - spot[:, 0, None, None]) ** 2 + (yy[None] - spot[:, 1, None, None]) ** 2)[:, None]
        lin = lin * (1 - have + have * 1.6 / (1 + self.u(b, 0.3, 2.5)[:, None, None, None] * r2))
        size_ = torch.exp(self.u(b, math.log(0.02), math.log(0.3)))[:, None, None, None]
        glare = torch.exp(-r2 / size_**2) * (0.6 + 0.4 * self.noise(b, size, 0.3, 2.0)).clamp_min(0)
        return lin + have * self.u(b, 0.1, 2.0)[:, None, None, None] * glare * (0.15 + 0.85 * metal)

    def camera(self, lin: torch.Tensor, hard: torch.Tensor) -> torch.Tensor:
        """What a phone makes of the light, `hard` (B,) 0 to 1 how badly: blur in linear light, exposure,
        white balance, noise, tone, sharpening, JPEG. Returns sRGB."""
        b = len(lin)
        sigma = torch.where(self.yes(b, 0.6), self.u(b, 0.2, 0.9), self.u(b, 0.7, 1.9)) * hard
        lin = blur(lin, sigma, 5)
        level = lin[:, :, ::5, ::5].flatten(1).quantile(0.97, dim=1)
        # mostly well exposed; at times dim or burnt out
        target = torch.where(
            self.yes(b, 0.12), self.u(b, 0.05, 0.3).log(), self.u(b, math.log(0.3), math.log(1.35))
        ).exp()
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
        x = torch.where(self.yes(b, 0.05)[:, None, None, None], x.mean(1, keepdim=True).expand_as(x), x)
        # a phone's own hand: local tone, denoising, sharpening with its halo
        local = torch.where(self.yes(b, 0.25), self.u(b, 0.1, 0.5), torch.zeros(b, device=self.dev))[
            :, None, None, None
        ]
        around = blur_wide(x.mean(1, keepdim=True), 16).clamp(0.02, 1)
        x = (x * (around / around.mean((1, 2, 3), keepdim=True)) ** -local).clamp(0, 1.2)
        smooth = torch.where(self.yes(b, 0.25), self.u(b, 0.3, 0.95), torch.zeros(b, device=self.dev))[
            :, None, None, None
        ]
        softer = blur(x, self.u(b, 0.8, 2.0))
        keep = ((x - softer).abs().mean(1, keepdim=True) * 14).clamp(0, 1)  # edges stay
        x = x * (1 - smooth * (1 - keep)) + softer * smooth * (1 - keep)
        amount = torch.where(self.yes(b, 0.5), self.u(b, 0.2, 1.8), torch.zeros(b, device=self.dev))[
            :, None, None, None
        ]
        x = (
            x
            + amount
            * (x - blur(x, torch.where(self.yes(b, 0.7), self.u(b, 0.7, 1.5), self.u(b, 1.5, 3.2)), 6))
        ).clamp(0, 1)
        soft = self.yes(b, 0.55)
        if soft.any():
            x[soft] = jpeg(x[soft], self.u(int(soft.sum()), 45, 95))
        haze = torch.where(self.yes(b, 0.12), self.u(b, 0, 0.25), torch.zeros(b, device=self.dev))[
            :, None, None, None
        ]
        return (x * (1 - haze) + haze * self.u(b, 0.4, 1.0)[:, None, None, None]).clamp(0, 1)
