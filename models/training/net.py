"""The network: a small U-Net with a stride-2 stem. Plain 3x3 convolutions, because they are what
CPUs run fastest."""

from __future__ import annotations

from itertools import pairwise

import torch
from torch import nn

IN_CHANNELS = 6
"""Red, green, blue, sheet, print, scale: what `anodewane.stages.segment.network_input` lays out."""


def _block(a: int, b: int) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(a, b, 3, padding=1, bias=False),
        nn.BatchNorm2d(b),
        nn.ReLU(inplace=True),
        nn.Conv2d(b, b, 3, padding=1, bias=False),
        nn.BatchNorm2d(b),
        nn.ReLU(inplace=True),
    )


WIDTHS = (16, 48, 96, 160, 256)
"""Channels at half resolution and at each halving after it: wide where pictures are small, because
there it costs little time and tells what is what."""


class UNet(nn.Module):
    """Logit of remaining metal, at the input's own resolution (the last step spreads four channels over
    2 x 2 pixels)."""

    def __init__(self, widths: tuple[int, ...] = WIDTHS) -> None:
        super().__init__()
        w = widths
        self.stem = nn.Sequential(
            nn.Conv2d(IN_CHANNELS, w[0], 5, stride=2, padding=2, bias=False),
            nn.BatchNorm2d(w[0]),
            nn.ReLU(inplace=True),
        )
        self.first = _block(w[0], w[0])
        self.down = nn.ModuleList([_block(w[i], w[i + 1]) for i in range(len(w) - 1)])
        self.up = nn.ModuleList([_block(w[i + 1] + w[i], w[i]) for i in reversed(range(len(w) - 1))])
        self.head = nn.Conv2d(w[0], 4, 3, padding=1)
        self.spread = nn.PixelShuffle(2)
        nn.init.constant_(self.head.bias, -2.0)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        x = self.first(self.stem(x))
        skips = [x]
        for block in self.down:
            x = block(nn.functional.max_pool2d(x, 2))
            skips.append(x)
        skips.pop()
        for block in self.up:
            x = nn.functional.interpolate(x, scale_factor=2.0, mode="nearest")
            x = block(torch.cat([x, skips.pop()], 1))
        return self.spread(self.head(x))


def widened(
    state: dict[str, torch.Tensor], old: tuple[int, ...], new: tuple[int, ...]
) -> dict[str, torch.Tensor]:
    """Weights of a network of widths `old` laid into one of widths `new`, none narrower: it computes
    the same, and the added channels are free to learn.

    Added channels read everything, but nothing that was there reads them yet (zeros); `state` itself
    where the widths agree.
    """
    if old == new:
        return state
    fresh = UNet(new).state_dict()
    out = {}
    for key, want in fresh.items():
        have = state[key]
        if have.dim() == 4 and have.shape != want.shape:
            w = want.clone()
            inputs = torch.arange(have.shape[1])
            if key.startswith("up.") and key.endswith(
                "0.weight"
            ):  # reads what comes up from below, then the skip: two runs of channels
                below_old = next(
                    o for o, lower in pairwise(old) if o + lower == have.shape[1] and o == have.shape[0]
                )
                level = old.index(below_old)
                inputs = torch.cat([torch.arange(old[level + 1]), new[level + 1] + torch.arange(old[level])])
            w[: have.shape[0]] = 0
            w[: have.shape[0], inputs] = have
            out[key] = w
        elif have.dim() == 1 and have.shape != want.shape:
            w = want.clone()
            w[: have.shape[0]] = have
            out[key] = w
        else:
            out[key] = have.clone()
    return out
