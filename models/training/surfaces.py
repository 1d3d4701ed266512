"""Surfaces and shapes: grounds, worn metal, holes and what only looks like one, and the foreign things that
lie about."""

from __future__ import annotations

import math

import torch
import torch.nn.functional as F
from develop import Camera, blur, blur_wide, to_linear


class Surfaces(Camera):
    """What a scene shows, drawn in the frame of the picture."""

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
        b = len(mm)
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
        options = torch.stack(
            [
                self._box(p, half, small * self.u(b, 0.02, 0.95)),
                p.norm(dim=-1) - (length / 2)[:, None, None],
                self._polygon(p, length / 2, 3.0 + self.ints(b, 4)),
                self._polar_blob(p, length / 2.4, self.u(b, 0.05, 0.3)),
                self._box(p, torch.stack([length / 2, length * self.u(b, 0.08, 0.22)], 1), length * 0.05),
                torch.minimum(arm, post),
                (p.norm(dim=-1) - (length * 0.38)[:, None, None]).abs()
                - (length * self.u(b, 0.06, 0.12))[:, None, None],
                torch.maximum(
                    (rho - rim).abs() - (length * self.u(b, 0.08, 0.14))[:, None, None],
                    -p[..., 1] - (length * self.u(b, -0.2, 0.3))[:, None, None],
                ),
            ],
            0,
        )
        d = options.gather(0, self.ints(b, len(options))[None, :, None, None].expand(1, *p.shape[:3]))[0]
        return self.worn(d, p, half, length)

    def worn(
        self, d: torch.Tensor, p: torch.Tensor, half: torch.Tensor, length: torch.Tensor
    ) -> torch.Tensor:
        """Holes and slots cut, bites taken, and all of it worn unevenly inward: distances d (b, h, w) in
        the part's own frame p."""
        b, size, small = len(d), d.shape[1], half.amin(1)
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
        """See a layer at height z (b,) as it falls on the ground plane: scaled about the point under the
        camera (grid units, b x 2)."""
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
        """Light and view a solid given by its plan distance d (b, h, w). Returns colour (b, 3, h, w), cover
        (b, 1, h, w) and the light its shadow leaves."""
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
        """(b, 3, size, size) albedo of worn metal: grey from bright to dark oxide, chalk, rust and green
        stains."""
        base = torch.exp(self.u(b, math.log(0.06), math.log(0.75)))[:, None] * (1 + 0.05 * self.n(b, 3))
        a = base[..., None, None] * torch.exp(
            self.u(b, 0.03, 0.35)[:, None, None, None] * self.noise(b, size, 0.2, 1.5)
            + self.u(b, 0, 0.2)[:, None, None, None] * self.noise(b, size, 0.8, 3.5)
        )
        # brass, copper, gold lacquer, bronze: now and then all of it
        alloys = torch.tensor(
            [[0.6, 0.44, 0.17], [0.58, 0.3, 0.18], [0.7, 0.5, 0.12], [0.35, 0.25, 0.13]], device=self.dev
        )
        warm = self.yes(b, 0.14)[:, None, None, None]
        alloy = alloys[self.ints(b, len(alloys))][..., None, None] * torch.exp(0.35 * self.n(b, 1, 1, 1))
        a = torch.where(warm, alloy * a / base.mean(1)[:, None, None, None], a)
        # polished bright: it shows the ground, the sky and the paper that it mirrors
        mirrors = self.ground(b, size, torch.exp(self.u(b, math.log(0.1), math.log(0.8))))
        cast = torch.sigmoid(
            self.u(b, 2, 9)[:, None, None, None] * (self.noise(b, size, 0.1, 0.8) + self.n(b, 1, 1, 1))
        )
        mirrors = self.u(b, 0.4, 0.95)[:, None, None, None] * (
            mirrors * (1 - cast) + cast * self.u(b, 0.4, 1.0)[:, None, None, None]
        )
        a = torch.where(
            self.yes(b, 0.12)[:, None, None, None],
            mirrors * torch.exp(0.06 * self.n(b, 3))[..., None, None],
            a,
        )
        stains = torch.tensor(
            [
                *(
                    [0.8, 0.8, 0.78],
                    [0.3, 0.16, 0.07],
                    [0.16, 0.22, 0.1],
                    [0.05, 0.05, 0.05],
                    [0.35, 0.3, 0.22],
                    [0.2, 0.32, 0.34],
                ),
                # white bloom, rust, and paint: red, blue, green, black, white
                *(
                    [0.85, 0.86, 0.85],
                    [0.42, 0.17, 0.05],
                    [0.5, 0.05, 0.04],
                    [0.04, 0.1, 0.42],
                    [0.04, 0.28, 0.1],
                    [0.02, 0.02, 0.02],
                ),
                [0.9, 0.9, 0.88],
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
    ) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """Lay objects on the ground (never over metal): washers, bolts, nuts, rods, tools, pebbles, rags,
        leaves, hands.

        Returns the light, where something foreign lies, and where other metal lies (b, 1, h, w).
        """
        b, size = len(lin), lin.shape[-1]
        foreign, other = torch.zeros_like(metal), torch.zeros_like(metal)
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
            of_metal = metallic.float()[:, None, None, None]
            foreign = torch.maximum(foreign * (1 - cover * on), cover * on * (1 - of_metal))
            other = torch.maximum(other * (1 - cover * on), cover * on * of_metal)
        return lin, foreign, other

    def panels(
        self,
        lin: torch.Tensor,
        metal: torch.Tensor,
        mm: torch.Tensor,
        extent: torch.Tensor,
        scale: torch.Tensor,
        light: torch.Tensor,
    ) -> torch.Tensor:
        """What looks like a hole and is none: sunk panels, embossed circles and rims, floors of
        counterbores, in metal that stays metal."""
        b, size = len(lin), lin.shape[-1]
        cell = 8
        weight = F.avg_pool2d(metal, cell).flatten(1) ** 4 + 1e-6
        n = size // cell
        for p in (0.4, 0.25):
            have = self.yes(b, p)
            pick = torch.multinomial(weight, 1, generator=self.gen)[:, 0]
            cols, rows = (pick % n) * cell + cell // 2, (pick // n) * cell + cell // 2
            at = mm[torch.arange(b, device=self.dev), rows, cols]
            q = self._place(mm, at, self.u(b, 0, 6.28))
            r = extent * self.u(b, 0.03, 0.3)
            side = torch.stack([r, r * self.u(b, 0.4, 1.0)], 1)
            disc = q.norm(dim=-1) - r[:, None, None]
            d = torch.where(self.yes(b, 0.65)[:, None, None], disc, self._box(q, side, r * 0.2))
            inside = torch.sigmoid(-d / (0.7 * scale[:, None, None]))[:, None]
            tone = torch.exp(torch.where(self.yes(b, 0.6), self.n(b) * 0.2, self.n(b) * 0.7))[
                :, None
            ] * torch.exp(0.08 * self.n(b, 3))
            width = (extent * self.u(b, 0.004, 0.025)).maximum(0.8 * scale)[:, None, None]
            # light falls on a step from one side
            step = -(q / q.norm(dim=-1, keepdim=True).clamp_min(1e-3) * light[:, None, None, :2]).sum(
                -1
            ) * self.n(b)[:, None, None].clamp(-2, 2)
            ring = torch.exp(-((d / width) ** 2))
            rings = (
                torch.exp(-(((d + (r * self.u(b, 0.1, 0.5))[:, None, None]) / width) ** 2))
                * self.yes(b, 0.4).float()[:, None, None]
            )
            dark = self.u(b, -0.3, 0.9)[:, None, None]
            shade = torch.exp(0.7 * step * (ring + rings) - dark * ring)[:, None]
            crescent = torch.sigmoid(-(d + (r * 0.25)[:, None, None] * step) / (2 * scale[:, None, None]))[
                :, None
            ]
            deep = torch.where(self.yes(b, 0.35), self.u(b, 0.2, 0.8), torch.ones(b, device=self.dev))[
                :, None, None, None
            ]
            changed = (
                lin * (1 - inside + inside * tone[..., None, None] * (deep + (1 - deep) * crescent)) * shade
            )
            on = have.float()[:, None, None, None] * metal
            lin = lin * (1 - on) + changed * on
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
        """Blobs of weed, shell and slime on the part and over its edge. The metal's own outline stays the
        truth: fouling is to be bridged."""
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


def d_shape(options: torch.Tensor) -> tuple[int, ...]:
    return tuple(options.shape[1:])
