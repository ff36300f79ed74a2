"""Photographs flat prints on the device, for ever anew: a light batched shader.

Not the product's own renderer (`loupebook.demo.camera`), which is more exact and slower:
`recipe.photos` renders a bank of photos with that one beforehand.
"""

from __future__ import annotations

import math

import numpy as np
import torch
import torch.nn.functional as functional
from torch import Tensor

from recipe.batches import Batch
from recipe.camera import develop
from recipe.copies import copied
from recipe.draws import Draws
from recipe.pool import SIDE, Pool
from recipe.scene import Hit, Scene, draw_scene, trace

GREY = 128 / 255
LEVELS = 4


def _maps(draws: Draws, count: int, channels: int, cells: int, side: int) -> Tensor:
    coarse = draws.normal(count, channels, cells, cells)
    return functional.interpolate(coarse, size=(side, side), mode="bicubic", align_corners=True)


def _column(values: Tensor) -> Tensor:
    return values[:, None, None, None]


class Studio:
    """Renders rows of a pool.

    Parameters
    ----------
    pool : Pool
    backdrops : Tensor of int
        Rows that serve as background: photographs.
    """

    def __init__(self, pool: Pool, backdrops: Tensor, *, device: str) -> None:
        self.pool = pool
        self.backdrops = backdrops
        self.device = device
        self.dtype = torch.float16 if device.startswith("cuda") else torch.float32
        self._small = torch.cat(
            [functional.avg_pool2d(part.to(self.dtype) / 255, 2) for part in pool.colour.split(256)]
        )

    @torch.no_grad()
    def shoot(self, batch: Batch, *, seed: int, side: int, careful: float) -> Tensor:
        """Return photos (B, 3, side, side) in 0..1; a share `careful` is taken with care."""
        draws = Draws(seed, self.device)
        row = torch.from_numpy(batch.row).to(self.device)
        count = len(row)
        hard = torch.where(draws.chance(careful, count), 0.12, 1.0)
        scene = draw_scene(draws, self.pool.extent[row], self.pool.geometry[row], hard)
        line = (torch.arange(side, device=self.device) + 0.5) / side * 2 - 1
        ys, xs = torch.meshgrid(line, line, indexing="ij")
        points = torch.stack([xs, ys], -1)
        hit = trace(scene, points)
        ripple = _maps(draws, count, 2, 6, side).permute(0, 2, 3, 1)
        ripple = ripple * (0.02 * draws.uniform(count, 1, 1, 1) * draws.chance(0.5, count, 1, 1, 1))
        texture = self._texture(row, batch, draws)
        layer = self._sample(texture, hit.place + ripple * _column(hard), scene, side)
        light = self._lit(layer, hit, scene, draws, hard)
        picture = self._backdrop(draws, points, hard) * (1 - light[:, 3:]) + light[:, :3]
        picture = self._mishaps(picture, points, draws, hard)
        picture = develop(picture, draws, hard)
        outside = (points[None].abs() > scene.frame[:, None, None]).any(-1)
        return torch.where(outside[:, None], torch.full_like(picture, GREY), picture)

    def _texture(self, row: Tensor, batch: Batch, draws: Draws) -> Tensor:
        """Linear premultiplied RGB, outline, metal, slopes of the relief, hologram."""
        shine = self.pool.shine[row].to(self.dtype) / 255
        shine = functional.interpolate(shine, size=(SIDE, SIDE), mode="bilinear")
        colour = self.pool.colour[row].to(self.dtype) / 255
        metal, relief, hologram = shine[:, :1], shine[:, 1:2] - 0.5, shine[:, 2:]
        where = np.flatnonzero(batch.copied)
        if len(where):
            _, first, inverse = np.unique(
                batch.group[where], return_index=True, return_inverse=True
            )
            one_each = torch.from_numpy(where[first]).to(self.device)
            parts = (part[one_each].float() for part in (colour, metal, relief))
            changed = copied(*parts, draws)
            target = torch.from_numpy(where).to(self.device)
            source = torch.from_numpy(inverse).to(self.device)
            for part, new in zip((colour, metal, relief), changed, strict=True):
                part[target] = new[source].to(part.dtype)
        alpha = colour[:, 3:]
        linear = colour[:, :3] ** 2.2 * alpha
        slope_x = relief - torch.roll(relief, 1, 3)
        slope_y = relief - torch.roll(relief, 1, 2)
        return torch.cat([linear, alpha, metal * alpha, slope_x, slope_y, hologram], 1)

    def _sample(self, texture: Tensor, place: Tensor, scene: Scene, side: int) -> Tensor:
        """Look the print up, each photo at the level of detail that its scale asks for."""
        texels = SIDE / (scene.scale * side)
        level = torch.log2(texels).round().clamp(0, LEVELS - 1)
        out = torch.empty(len(texels), 8, side, side, device=self.device, dtype=torch.float32)
        for number in range(LEVELS):
            mine = torch.nonzero(level == number)[:, 0]
            if len(mine):
                out[mine] = functional.grid_sample(
                    texture[mine].float(), place[mine], align_corners=False
                )
            if number + 1 < LEVELS:
                texture = functional.avg_pool2d(texture, 2)
        return out

    def _lit(self, layer: Tensor, hit: Hit, scene: Scene, draws: Draws, hard: Tensor) -> Tensor:
        """Light from the item, premultiplied, and its outline: (B, 4, S, S)."""
        count, _, side, _ = layer.shape
        paper, alpha, metal, slope_x, slope_y, hologram = layer.split([3, 1, 1, 1, 1, 1], 1)
        body = hit.body[:, None].float() * (1 - alpha)
        tone = draws.uniform(count, 3, 1, 1) ** 2.2 * draws.between(0.3, 1.0, count, 1, 1, 1)
        tone = tone * (1 + 0.15 * _maps(draws, count, 1, 9, side))
        albedo = paper + body * tone.clamp(0, 1)
        emboss = draws.between(0, 14, count, 1, 1, 1)
        wrinkle = 0.10 * _maps(draws, count, 2, 7, side) * _column(draws.uniform(count) * hard)
        bump = torch.cat([-slope_x, -slope_y], 1) * emboss + wrinkle
        normal = hit.normal.permute(0, 3, 1, 2)
        normal = functional.normalize(torch.cat([normal[:, :2] + bump, normal[:, 2:]], 1), dim=1)
        toward = hit.toward.permute(0, 3, 1, 2)
        lamp = draws.normal(count, 3) * (0.7 * hard + 0.1)[:, None]
        lamp[:, 2] = 1.0
        lamp = functional.normalize(lamp, dim=1)
        lamp = torch.einsum("bi,bij->bj", lamp, scene.turn)[:, :, None, None]
        ambient = draws.between(0.25, 0.85, count, 1, 1, 1)
        facing = (normal * lamp).sum(1, keepdim=True).clamp(min=0)
        diffuse = ambient + (1 - ambient) * facing * 1.2
        halfway = functional.normalize(toward + lamp, dim=1)
        sharp = 2 ** draws.between(3, 8, count, 1, 1, 1)
        gleam = (normal * halfway).sum(1, keepdim=True).clamp(min=0) ** sharp
        gloss = (
            draws.uniform(count, 1, 1, 1) ** 2 * draws.chance(0.6, count, 1, 1, 1) * _column(hard)
        )
        # Foil mirrors a room of three soft lights.
        mirror = 2 * (normal * toward).sum(1, keepdim=True) * normal - toward
        room = draws.between(0.08, 0.5, count, 1, 1, 1)
        for _ in range(3):
            lit = functional.normalize(draws.normal(count, 3) + toward.mean((2, 3)) * 0.8, dim=1)
            near = (mirror * lit[:, :, None, None]).sum(1, keepdim=True) - 1
            room = room + draws.between(0.3, 1.6, count, 1, 1, 1) * torch.exp(
                near * draws.between(2, 25, count, 1, 1, 1)
            )
        hue = mirror[:, :1] * draws.between(1, 5, count, 1, 1, 1)
        thirds = torch.tensor([0.0, 1 / 3, 2 / 3], device=layer.device)[None, :, None, None]
        rainbow = 0.5 + 0.5 * torch.cos(2 * math.pi * (hue + thirds))
        foil = torch.lerp(torch.ones_like(rainbow), rainbow * 1.4, hologram.clamp(0, 1)) * room
        share = metal.clamp(0, 1)
        cover = (alpha + body).clamp(0, 1)
        out = albedo * ((1 - share) * diffuse + share * foil) + 0.5 * gloss * gleam * cover
        return torch.cat([out, cover], 1)

    def _pasted(self, row: Tensor, points: Tensor, draws: Draws, low: float, high: float) -> Tensor:
        """Other prints laid in flat, anywhere: (B, 4, S, S), straight colour."""
        count = len(row)
        angle = draws.between(-math.pi, math.pi, count)
        angle = torch.where(draws.chance(0.4, count), 0.1 * angle, angle)
        size = draws.between(low, high, count)
        cos, sin = torch.cos(angle) / size, torch.sin(angle) / size
        matrix = torch.stack([torch.stack([cos, -sin], 1), torch.stack([sin, cos], 1)], 1)
        centre = (draws.uniform(count, 2) * 2 - 1) * 0.95
        at = torch.einsum("bhwi,bji->bhwj", points[None] - centre[:, None, None], matrix)
        return functional.grid_sample(self._small[row].float(), at, align_corners=False)

    def _backdrop(self, draws: Draws, points: Tensor, hard: Tensor) -> Tensor:
        """Photographs, plain grounds and strewn prints behind the item, in linear light."""
        count, side = len(hard), points.shape[0]
        pick = torch.floor(draws.uniform(count) * len(self.backdrops)).long()
        centre = (draws.uniform(count, 2) * 2 - 1) * 0.4
        spread = draws.between(0.25, 0.6, count)[:, None, None, None]
        at = points[None] * spread + centre[:, None, None]
        at = torch.where(draws.chance(0.5, count, 1, 1, 1), at.flip(-1), at)
        ground = functional.grid_sample(
            self._small[self.backdrops[pick], :3].float(), at, padding_mode="reflection",
            align_corners=False,
        )  # fmt: skip
        plain = draws.uniform(count, 3, 1, 1) * (0.6 + 0.4 * draws.uniform(count, 1, 1, 1))
        whitish = draws.chance(0.4, count, 1, 1, 1)
        plain = torch.where(
            whitish, draws.between(0.75, 1.0, count, 1, 1, 1).expand(-1, 3, -1, -1), plain
        )
        plain = (
            plain + 0.04 * _maps(draws, count, 1, 5, side) + 0.03 * _maps(draws, count, 1, 40, side)
        )
        use_plain = draws.chance(0.3, count) | (draws.chance(0.8, count) & (hard < 0.5))
        ground = torch.where(_column(use_plain), plain.clamp(0, 1), ground)
        for _ in range(3):
            row = torch.floor(draws.uniform(count) * len(self._small)).long()
            strewn = self._pasted(row, points, draws, 0.2, 0.9)
            keep = strewn[:, 3:] * _column(draws.chance(0.4, count) & (hard > 0.5)).float()
            ground = ground * (1 - keep) + strewn[:, :3] * keep
        soft = functional.avg_pool2d(ground, 9, 1, 4, count_include_pad=False)
        ground = torch.lerp(ground, soft, _column(draws.chance(0.35, count).float()))
        return ground**2.2 * draws.between(0.4, 1.1, count, 1, 1, 1)

    def _mishaps(self, picture: Tensor, points: Tensor, draws: Draws, hard: Tensor) -> Tensor:
        """Fingers, shadows, glare and uneven light."""
        count = len(picture)

        def blob(low: float, high: float, edge: float, longer: float) -> Tensor:
            angle = draws.uniform(count) * math.pi
            centre = (draws.uniform(count, 2) * 2 - 1) * 0.9
            size = draws.between(low, high, count)
            long = size * draws.between(1, longer, count)
            cos, sin = torch.cos(angle)[:, None, None], torch.sin(angle)[:, None, None]
            away = points[None] - centre[:, None, None]
            first = (away[..., 0] * cos + away[..., 1] * sin) / long[:, None, None]
            second = (away[..., 1] * cos - away[..., 0] * sin) / size[:, None, None]
            return torch.sigmoid((1 - first**2 - second**2) * edge)[:, None]

        def when(share: float) -> Tensor:
            return _column((draws.chance(share, count) & (hard > 0.5)).float())

        slope = draws.normal(count, 2) * (0.22 * hard)[:, None]
        picture = picture * (1 + torch.einsum("hwi,bi->bhw", points, slope))[:, None].clamp(0.2, 2)
        for _ in range(2):
            shade = draws.between(0.3, 0.8, count, 1, 1, 1)
            picture = picture * (1 - (1 - shade) * blob(0.2, 1.0, 4.0, 3.0) * when(0.22))
        warm = torch.tensor([0.75, 0.5, 0.4], device=self.device)[None, :, None, None]
        for _ in range(2):
            skin = (warm * draws.between(0.3, 1.1, count, 1, 1, 1)) ** 2.2
            any_colour = draws.uniform(count, 3, 1, 1) ** 2.2
            finger = torch.where(draws.chance(0.6, count, 1, 1, 1), skin, any_colour)
            cover = blob(0.06, 0.2, 25.0, 5.0) * when(0.22)
            picture = picture * (1 - cover) + finger * cover
        glare = blob(0.04, 0.35, 2.0, 4.0) * draws.between(0.2, 1.3, count, 1, 1, 1) * when(0.22)
        return picture + glare
