"""Batches of rendered photos: scenes drawn on the CPU in workers, rendered on the GPU.

A batch is built so that what must be told apart stands in it side by side: several editions
of one marque (a redesign among them), and of each edition the house's print and copies of it.
"""

from __future__ import annotations

import multiprocessing
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import torch
import torch.nn.functional as functional
from torch import Tensor

from loupebook.demo.camera.phone import Handling, develop, draw_handling
from loupebook.demo.camera.request import Shot
from loupebook.demo.camera.sampler import sample_scenes
from loupebook.demo.camera.scene import SceneBatch
from loupebook.demo.camera.torch_renderer import TorchRenderer
from loupebook.records.model import Lighting, View
from recipe.surfaces import Labelled

LIGHTINGS = (Lighting.DIFFUSE, Lighting.RAKING, Lighting.TILT, Lighting.UV_A)
LIGHTING_SHARES = (0.70, 0.15, 0.10, 0.05)


@dataclass(frozen=True)
class Plan:
    """How a batch is put together."""

    marques: int = 12
    editions: int = 2
    origins: int = 3
    photos: int = 3
    frame: int = 352
    side: int = 256

    @property
    def size(self) -> int:
        """Photos in a batch."""
        return self.marques * self.editions * self.origins * self.photos


@dataclass(frozen=True)
class Drawn:
    """One batch before rendering."""

    scenes: SceneBatch
    handling: Handling
    edition: np.ndarray
    origin: np.ndarray
    seed: int


class Drawer:
    """Draws batches by seed; the same seed gives the same batch on any machine."""

    def __init__(self, items: list[Labelled], plan: Plan) -> None:
        self.items = items
        self.surfaces = [item.surface for item in items]
        self.plan = plan
        self.tree: dict[int, dict[int, dict[int, list[int]]]] = defaultdict(
            lambda: defaultdict(lambda: defaultdict(list))
        )
        for number, item in enumerate(items):
            self.tree[item.marque][item.edition][item.origin].append(number)

    def draw(self, seed: int) -> Drawn:
        """Choose surfaces, shots and phones of one batch."""
        rng = np.random.default_rng([seed, 5])
        plan = self.plan
        numbers: list[int] = []
        for marque in rng.permutation(sorted(self.tree))[: plan.marques]:
            editions = rng.permutation(sorted(self.tree[marque]))[: plan.editions]
            for edition in editions:
                by_origin = self.tree[marque][edition]
                house = [o for o in by_origin if self.items[by_origin[o][0]].genuine]
                fakes = [o for o in by_origin if o not in house]
                chosen = [int(rng.choice(house))]
                chosen += [int(o) for o in rng.permutation(fakes)[: plan.origins - 1]]
                for origin in chosen:
                    numbers += [int(n) for n in rng.choice(by_origin[origin], plan.photos)]
        shots = [self._shot(number, rng) for number in numbers]
        scenes = sample_scenes(shots, self.surfaces, height=plan.frame, width=plan.frame)
        dim = np.array([s.lighting in (Lighting.RAKING, Lighting.UV_A) for s in shots])
        handling = draw_handling(
            [s.seed for s in shots], poor=np.array([s.poor for s in shots]), dim=dim
        )
        return Drawn(
            scenes,
            handling,
            np.array([self.items[n].edition for n in numbers]),
            np.array([self.items[n].origin for n in numbers]),
            seed,
        )

    def _shot(self, number: int, rng: np.random.Generator) -> Shot:
        lighting = LIGHTINGS[int(rng.choice(4, p=LIGHTING_SHARES))]
        return Shot(
            seed=int(rng.integers(1 << 40)),
            surface=number,
            lighting=lighting,
            view=View.FACE,
            query=bool(rng.random() < 0.45),
            tilt=float(rng.uniform(-25, 25)) if lighting is Lighting.TILT else 0.0,
            poor=bool(rng.random() < 0.12),
        )


_DRAWER: Drawer | None = None


def _draw(seed: int) -> Drawn:
    assert _DRAWER is not None
    return _DRAWER.draw(seed)


def drawn_ahead(drawer: Drawer, seeds: range, *, processes: int) -> Iterator[Drawn]:
    """Yield batches in order while workers draw the next ones."""
    global _DRAWER
    _DRAWER = drawer
    with multiprocessing.get_context("fork").Pool(processes) as pool:
        yield from pool.imap(_draw, seeds)


class Studio:
    """Renders drawn batches to network input on one device."""

    def __init__(self, items: list[Labelled], plan: Plan, *, device: str) -> None:
        self.plan = plan
        self.device = device
        self.renderer = TorchRenderer([item.surface for item in items], device=device)

    @torch.no_grad()
    def shoot(self, drawn: Drawn, *, chunk: int = 72, augment: bool = True) -> Tensor:
        """Return network input (B, 3, side, side) in 0..1."""
        torch.manual_seed(drawn.seed)
        parts = []
        for start in range(0, drawn.scenes.count, chunk):
            rows = list(range(start, min(start + chunk, drawn.scenes.count)))
            exposure = self.renderer.expose(drawn.scenes.take(rows))
            handling = Handling(**{k: v[rows] for k, v in vars(drawn.handling).items()})
            noise = torch.randn(exposure.light.shape, device=self.device)
            picture = develop(exposure.light, handling, noise).float() / 255
            parts.append(self._frame(picture, exposure.item, augment=augment))
        return torch.cat(parts)

    def _frame(self, picture: Tensor, item: Tensor, *, augment: bool) -> Tensor:
        """Crop to the item with a margin, as search does once it has located the item.

        One photo in five stays whole. Crops turn by a few degrees, three in ten by quarter
        turns as well; pads are grey, as the encoder's letterbox is.
        """
        count = picture.shape[0]
        rows = (item.amax(2) > 0.3).float()
        columns = (item.amax(1) > 0.3).float()
        top, bottom = _extent(rows)
        left, right = _extent(columns)
        device = picture.device
        draw = torch.rand(count, 8, device=device)
        margin = (
            1.04 + 0.5 * draw[:, 0] ** 2 if augment else torch.full((count,), 1.1, device=device)
        )
        half = torch.maximum(bottom - top, right - left).clamp(min=0.12) * margin
        whole = draw[:, 1] < (0.2 if augment else 0.0)
        half = torch.where(whole, torch.ones_like(half), half)
        shift = (draw[:, 2:4] - 0.5) * 0.15 * half[:, None] if augment else 0 * draw[:, 2:4]
        middle = torch.stack([(left + right) / 2, (top + bottom) / 2], 1) * 2 - 1
        middle = torch.where(whole[:, None], torch.zeros_like(middle), middle + shift)
        turn = (draw[:, 4] - 0.5) * 0.5 if augment else 0 * draw[:, 4]
        quarter = torch.floor(draw[:, 5] * 4) * (draw[:, 6] < 0.3)
        if augment:
            turn = turn + quarter * torch.pi / 2
        cos, sin = torch.cos(turn) * half, torch.sin(turn) * half
        matrix = torch.stack(
            [torch.stack([cos, -sin, middle[:, 0]], 1), torch.stack([sin, cos, middle[:, 1]], 1)], 1
        )
        side = self.plan.side
        grid = functional.affine_grid(matrix, [count, 3, side, side], align_corners=False)
        outside = (grid.abs() > 1).any(-1)[:, None]
        framed = functional.grid_sample(
            picture, grid, mode="bilinear", padding_mode="border", align_corners=False
        )
        return torch.where(outside, torch.full_like(framed, 128 / 255), framed)


def _extent(hit: Tensor) -> tuple[Tensor, Tensor]:
    """First and last place of a hit along dim 1, as shares of the length."""
    length = hit.shape[1]
    first = torch.argmax(hit, 1).float()
    last = length - 1 - torch.argmax(hit.flip(1), 1).float()
    none = hit.sum(1) == 0
    first = torch.where(none, torch.zeros_like(first), first)
    last = torch.where(none, torch.full_like(last, length - 1), last)
    return first / length, (last + 1) / length
