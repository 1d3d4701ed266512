"""Make training pictures in batches, on the GPU if there is one: photos with masks seen from straight above
at any scale, and scenes made from nothing.

Everything happens in the frame in which the network works: a flat picture of the sheet's plane, millimetres
per pixel known. A photo is rectified, a sheet
is printed on its blank paper, its ground may be changed, its metal stained, and light, lens, sensor and
JPEG are varied hard; a made scene carves parts with
holes out of noise, lights them, and lays them among bolts, washers, rods, rags and weed. What is metal
stays exact throughout.
"""

from __future__ import annotations

import math

import torch
import torch.nn.functional as F
from develop import blur, to_linear
from materials import PX_PER_MM, SHEET_CANVAS
from surfaces import Surfaces

from anodewane.stages.segment import SCALE_MID_MM, SCALE_OCTAVES

METAL, METAL_WEIGHT, FOREIGN, FOREIGN_WEIGHT = range(4)
"""Layers of what a picture shows: what is metal, how much that counts; what is foreign, how much that
counts."""


class Scenes(Surfaces):
    """Draws batches."""

    def batch(
        self, b: int, size: int, far: bool, made_share: float = 0.25, real_share: float = 0.35
    ) -> tuple[torch.Tensor, torch.Tensor]:
        """Draw inputs (b, 6, size, size) and what they show (b, 4, size, size).

        `far` : as the first look sees it (about 0.8 to 2.4 mm a pixel), else close up.
        """
        lib, over = self.lib, 2 if far else 1
        i = torch.multinomial(lib.weight, b, replacement=True, generator=self.gen)
        lot = self.u(b)
        real = (lot < real_share) & torch.tensor(lib.things is not None, device=self.dev)
        made = (
            lot < made_share + real_share if lib.things is not None else lot < made_share
        )  # not from a photo of a whole scene
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
        lin, metal, paper, foreign = to_linear(seen[:, :3]), seen[:, 3:4], seen[:, 4:5], seen[:, 5:6]
        weight = torch.ones_like(metal)
        sure = torch.maximum(
            torch.maximum(metal, foreign), lib.known[i][:, None, None, None].expand_as(metal)
        )
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
        # made scenes, and real things
        whole_paper = true_paper * (~self.yes(b, 0.15))[:, None, None, None]
        for draw, which in ((self._made, made & ~real), (self._real, real)):
            k = torch.nonzero(which)[:, 0]
            if len(k):
                scene = (new_ground[k], whole_paper[k], albedo[k], light[k], height[k], nadir[k])
                drawn = draw(k, local, extent, middle - centre, flip, angle, scene, full)
                for into, what in zip((lin, metal, weight, foreign, sure), drawn, strict=True):
                    into[k] = what
        # the part's middle as the picture has it
        d = centre - middle
        part_at = torch.stack([(c * d[:, 0] + s * d[:, 1]) * 1.0 * flip, -(-s * d[:, 0] + c * d[:, 1])], 1)
        mm_px = scale / over
        lin = self.panels(lin, metal, local, extent, mm_px, light)
        # what else lies about; whether other metal is the part can't be said where no part is
        shown = torch.maximum(metal, foreign)
        lin, strange, other = self.things(
            lin, shown, local, mm_px, light, height, nadir, 3 if far else 2, 0.35
        )
        lin, pasted = self.paste_foreign(lin, torch.maximum(shown, other), local, mm_px, 0.25)
        strange = torch.maximum(strange, pasted)
        alone = (metal.flatten(1).sum(1) < 60)[:, None, None, None].float()
        weight = weight * (1 - other * (0.5 + 0.5 * alone))
        foreign = torch.maximum(foreign * (1 - other), strange)
        sure = torch.maximum(sure, strange) * (1 - other)
        lin = self.weed(lin, metal, local, part_at, extent, mm_px, light, height, nadir)
        lin = torch.where((mild & self.yes(b, 0.6))[:, None, None, None], lin, self.weather(lin, metal))
        if over > 1:
            lin = F.avg_pool2d(lin, over)
            metal, weight, foreign, sure, known = (
                F.avg_pool2d(m, over) for m in (metal, weight, foreign, sure, known)
            )
            valid = F.avg_pool2d(valid.float(), over) > 0.75
        x = self.camera(lin, 1 - 0.65 * mild.float())
        x = torch.round(x * 255) / 255
        x = torch.where(valid, x, torch.full_like(x, 0.5))
        metal, foreign = (torch.where(valid, m, torch.zeros_like(m)) for m in (metal, foreign))
        claimed = scale
        if not far:
            # photos at hand are coarser than a phone's: at times a part is passed off as a smaller one seen
            # as sharply, which is what a phone shows
            claimed = torch.where(self.yes(b, 0.5) & ~made, scale * torch.exp(self.u(b, -0.75, 0.0)), scale)
        layer = (torch.log2(claimed / SCALE_MID_MM) / SCALE_OCTAVES)[:, None, None, None].expand(
            b, 1, size, size
        )
        # the paper is missing from the expected print where the made scene has none: then the sheet isn't
        # expected either
        return torch.cat([x - 0.5, known - 0.5, layer], 1), torch.cat([metal, weight, foreign, sure], 1)

    def _at(
        self, k: torch.Tensor, local: torch.Tensor, off: torch.Tensor, flip: torch.Tensor, angle: torch.Tensor
    ) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """Places in mm, mm a pixel, and where the part's middle is, in the picture's own frame."""
        mm = local[k]
        mm_px = (mm[:, 0, 1, 0] - mm[:, 0, 0, 0]).abs()
        d, c, s = -off[k], angle[k].cos(), angle[k].sin()
        return (
            mm,
            mm_px,
            torch.stack([(c * d[:, 0] + s * d[:, 1]) * flip[k], -(-s * d[:, 0] + c * d[:, 1])], 1),
        )

    def _bare(self, ground: torch.Tensor, paper: torch.Tensor, albedo: torch.Tensor) -> torch.Tensor:
        b = len(ground)
        paper_light = self.u(b, 0.7, 0.95)[:, None, None, None] * (1 + 0.03 * self.n(b, 3))[..., None, None]
        return ground * (1 - paper) + paper * paper_light * albedo

    def _made(
        self,
        k: torch.Tensor,
        local: torch.Tensor,
        extent: torch.Tensor,
        off: torch.Tensor,
        flip: torch.Tensor,
        angle: torch.Tensor,
        scene: tuple[torch.Tensor, ...],
        full: int,
    ) -> tuple[torch.Tensor, ...]:
        """Parts carved from noise, or something foreign in their place: light, metal, its weight, foreign,
        its weight."""
        b = len(k)
        ground, paper, albedo, light, height, nadir = scene
        mm, mm_px, at = self._at(k, local, off, flip, angle)
        lin = self._bare(ground, paper, albedo)
        metal, foreign = torch.zeros_like(lin[:, :1]), torch.zeros_like(lin[:, :1])
        plain = self.yes(b, 0.14)  # plastic, wood, rubber
        vivid = (
            torch.exp(self.u(b, math.log(0.03), math.log(0.9)))[:, None] * torch.exp(0.8 * self.n(b, 3))
        ).clamp(0.01, 0.95)[..., None, None]
        vivid = vivid * torch.exp(self.u(b, 0, 0.08)[:, None, None, None] * self.noise(b, full, 0.3, 2.5))
        wood = self.ground(b, full, torch.exp(self.u(b, math.log(0.1), math.log(0.5))))
        stuff = torch.where(self.yes(b, 0.75)[:, None, None, None], vivid, wood)
        for n in range(2):
            have = self.yes(b, 0.96 if n == 0 else 0.12)
            length = extent[k] if n == 0 else extent[k] * self.u(b, 0.4, 1.2)
            away = (
                torch.stack([self.u(b, 0, 6.28).cos(), self.u(b, 0, 6.28).sin()], 1)
                * (extent[k] * self.u(b, 0.9, 1.6))[:, None]
            )
            where = at if n == 0 else at + away
            dist = self.part_distance(mm, where, length)
            thick = (length * self.u(b, 0.04, 0.3)).clamp(2, 40)
            strange = (
                plain[:, None, None, None].float() if n == 0 else torch.zeros(b, 1, 1, 1, device=self.dev)
            )
            colour = self.metal_colour(b, full) * (1 - strange) + stuff * strange
            seen, cover, lit = self.relief(dist, thick, colour, mm_px, height, nadir, light)
            on = have.float()[:, None, None, None]
            free = 1 - torch.maximum(metal, foreign)
            lin = lin * (1 - on + on * torch.maximum(lit, 1 - free))
            cover = cover * on * free
            lin = lin * (1 - cover) + seen * cover
            metal, foreign = (
                torch.maximum(metal, cover * (1 - strange)),
                torch.maximum(foreign, cover * strange),
            )
        return lin, metal, torch.ones_like(metal), foreign, torch.ones_like(metal)

    def _look_up(
        self, j: torch.Tensor, p: torch.Tensor, length: torch.Tensor
    ) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """Real things j as they lie in the frame p (mm), `length` mm long: light, distance to their edge in
        mm (b, h, w), and what lies behind them."""
        things = self.lib.things
        assert things is not None
        mm_px = length / things.extent[j]
        side = things.pictures.shape[-1]
        turn = torch.where(self.yes(len(j), 0.5), 1.0, -1.0)
        grid = (
            torch.stack([p[..., 0] * turn[:, None, None], p[..., 1]], -1)
            / (mm_px * side / 2)[:, None, None, None]
        )
        seen = F.grid_sample(
            things.pictures[j].float() / 255,
            grid,
            mode="bilinear",
            padding_mode="border",
            align_corners=False,
        )
        d = F.grid_sample(
            things.layers[j, 1:].float(), grid, mode="bilinear", padding_mode="border", align_corners=False
        )[:, 0]
        d = (d - 128) / 4 * mm_px[:, None, None]
        # beyond the square there is none of it
        d = torch.where(grid.abs().amax(-1) > 1, d.clamp_min(2.0), d)
        behind = F.grid_sample(
            things.behind[j].float() / 255, grid, mode="bilinear", padding_mode="border", align_corners=False
        )
        beyond = ((grid.abs().amax(-1) - 0.9) / 0.1).clamp(0, 1)[:, None]
        return to_linear(seen * (1 - beyond) + behind * beyond), d, to_linear(behind)

    def _real(
        self,
        k: torch.Tensor,
        local: torch.Tensor,
        extent: torch.Tensor,
        off: torch.Tensor,
        flip: torch.Tensor,
        angle: torch.Tensor,
        scene: tuple[torch.Tensor, ...],
        full: int,
    ) -> tuple[torch.Tensor, ...]:
        """A photographed thing, as it lay (on its white poster, which takes the print) or cut out; whole,
        worn, or its surface in an invented part's shape."""
        things = self.lib.things
        assert things is not None
        b = len(k)
        ground, paper, albedo, light, height, nadir = scene
        mm, mm_px, at = self._at(k, local, off, flip, angle)
        share = torch.tensor([0.52, 0.2, 0.28], device=self.dev)  # metal, coins, foreign
        count = torch.bincount(things.kind, minlength=3).float().clamp_min(1)
        j = torch.multinomial((share / count)[things.kind], b, replacement=True, generator=self.gen)
        strange, coin = things.kind[j] == 2, things.kind[j] == 1
        length = extent[k]
        p = self._place(mm, at, self.u(b, 0, 6.28))
        colour, d, behind = self._look_up(j, p, length)
        tint = torch.exp(0.3 * self.n(b, 1)) * torch.exp(0.07 * self.n(b, 3))
        half = (length / 2)[:, None] * torch.stack([torch.ones(b, device=self.dev), self.u(b, 0.5, 1.0)], 1)
        whole = d
        lot = self.u(b)[:, None, None]
        sheet = p + (self.n(b, 2) * 0.12 * length[:, None])[:, None, None]
        shaped = torch.maximum(
            d + 1.5 * mm_px[:, None, None],
            self.part_distance(sheet, torch.zeros(b, 2, device=self.dev), length * self.u(b, 0.5, 0.95)),
        )
        d = torch.where(lot < 0.3, self.worn(d, p, half, length), torch.where(lot < 0.55, shaped, d))
        as_it_lay = self.yes(b, 0.5)[:, None, None, None].float()
        # where it lay: its own ground, which what is worn away lays bare
        gone = (
            torch.sigmoid(-(whole - 2 * mm_px[:, None, None]) / mm_px[:, None, None])[:, None]
            * (d > whole + 0.05)[:, None].float()
        )
        own = colour * (1 - gone) + behind * gone
        own_light = own.mean(1, keepdim=True) / behind.mean((1, 2, 3), keepdim=True).clamp_min(0.02)
        printed = own * torch.where(
            coin[:, None, None, None] & (self.yes(b, 0.6)[:, None, None, None]),
            torch.ones_like(albedo),
            1 - paper + paper * albedo,
        )
        elsewhere = (
            self.yes(b, 0.5)[:, None, None, None].float()
            * (1 - paper)
            * (1 - coin.float()[:, None, None, None])
        )
        printed = printed * (1 - elsewhere) + ground * own_light.clamp(0.05, 1.3) * elsewhere
        lin = self._bare(ground, paper, albedo) * (1 - as_it_lay) + printed * as_it_lay
        # stained, painted, greyed
        colour = colour * tint[..., None, None]
        stain = (
            self.u(b, 0.2, 0.8)[:, None, None, None]
            * (self.yes(b, 0.25) & ~strange).float()[:, None, None, None]
        )
        own_tone = colour.mean(1, keepdim=True) / colour.mean((1, 2, 3), keepdim=True).clamp_min(0.02)
        colour = colour * (1 - stain) + self.metal_colour(b, full) * own_tone.clamp(0, 4) * stain
        thick = (length * self.u(b, 0.02, 0.2)).clamp(1, 30)
        seen, raised, lit = self.relief(d, thick, colour, mm_px, height, nadir, light, layers=3)
        carved = (self.yes(b, 0.3)[:, None, None, None] & (as_it_lay < 0.5)).float()
        flat = (0.5 - d / mm_px[:, None, None]).clamp(0, 1)[:, None]
        # a cut edge catches the light or lies in the dark
        gy, gx = torch.gradient(d, dim=(1, 2))
        slope = (gx * light[:, 0, None, None] + gy * light[:, 1, None, None]) / (
            gx**2 + gy**2
        ).sqrt().clamp_min(1e-3)
        rim = (
            torch.exp(-((d / (length * self.u(b, 0.003, 0.02)).maximum(mm_px)[:, None, None]) ** 2))
            * (d > whole + 0.05).float()
        )
        cut = colour * torch.exp(0.9 * slope * rim - self.u(b, -0.2, 0.6)[:, None, None] * rim)[:, None]
        cover = raised * carved + flat * (1 - carved)
        seen = seen * carved + cut * (1 - carved)
        dim = 1 - as_it_lay * (1 - gone)  # as it lay its shadow is in the photo already
        lin = lin * (1 - dim + dim * lit) * (1 - cover) + seen * cover
        of_metal = 1 - strange.float()[:, None, None, None]
        near = torch.where(
            coin[:, None, None], (whole < 0.1 * length[:, None, None]).float(), torch.ones_like(whole)
        )[:, None]
        counts = 1 - as_it_lay * (1 - near)  # beside a coin as it lay there may be others
        return lin, cover * of_metal, counts, cover * (1 - of_metal), counts

    def paste_foreign(
        self,
        lin: torch.Tensor,
        shown: torch.Tensor,
        mm: torch.Tensor,
        scale: torch.Tensor,
        p: float,
    ) -> tuple[torch.Tensor, torch.Tensor]:
        """Lay one photographed foreign thing beside what is shown, at times."""
        things, b, size = self.lib.things, len(lin), lin.shape[-1]
        if things is None or not bool((things.kind == 2).any()):
            return lin, torch.zeros_like(shown)
        j = torch.multinomial((things.kind == 2).float(), b, replacement=True, generator=self.gen)
        span = scale * size
        at = self.u(2 * b, -0.5, 0.5).reshape(b, 2) * span[:, None]
        length = span * self.u(b, 0.08, 0.5)
        colour, d, _ = self._look_up(j, self._place(mm, at, self.u(b, 0, 6.28)), length)
        cover = (0.5 - d / scale[:, None, None]).clamp(0, 1)[:, None]
        clear = ((cover > 0.2) & (shown > 0.05)).flatten(1).sum(1) == 0
        on = (self.yes(b, p) & clear).float()[:, None, None, None]
        shade = 1 - 0.5 * torch.sigmoid(-(d / (length * 0.04)[:, None, None]))[:, None] * (1 - shown)
        lin = lin * (1 - on + on * shade)
        colour = colour * torch.exp(0.3 * self.n(b, 1, 1, 1))
        return lin * (1 - cover * on) + colour * cover * on, cover * on
