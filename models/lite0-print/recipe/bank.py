"""A bank of rendered photos (`recipe.photos`) on the device, cut and developed anew each step."""

from __future__ import annotations

import csv
import math
from collections import defaultdict
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import torch
import torch.nn.functional as functional
from torch import Tensor

from recipe.batches import Batch
from recipe.camera import develop
from recipe.draws import Draws
from recipe.studio import GREY

_CHUNK = 64


@dataclass(frozen=True)
class Bank:
    """Photos and what they show.

    Parameters
    ----------
    photos : Tensor, uint8 (N, 3, H, W)
    box : Tensor, float (N, 4)
        Left, top, right and bottom of the item in px.
    marque, edition, origin, specimen : ndarray of int (N,)
        Numbers that are unique in the bank.
    genuine : ndarray of bool (N,)
    """

    photos: Tensor
    box: Tensor
    marque: np.ndarray
    edition: np.ndarray
    origin: np.ndarray
    specimen: np.ndarray
    genuine: np.ndarray

    def __len__(self) -> int:
        return len(self.photos)


def _read(path: Path) -> np.ndarray:
    picture = cv2.imread(str(path), cv2.IMREAD_COLOR)
    return np.ascontiguousarray(picture[..., ::-1].transpose(2, 0, 1))


def load_bank(folders: list[Path], device: str, *, threads: int = 16) -> Bank:
    """Read the photos of some marques."""
    rows: list[tuple[Path, dict[str, str], str]] = []
    for folder in folders:
        with (folder / "photos.csv").open(encoding="utf-8") as file:
            rows += [(folder / row["path"], row, folder.name) for row in csv.DictReader(file)]
    sample = _read(rows[0][0])
    photos = torch.empty((len(rows), *sample.shape), dtype=torch.uint8)

    def fill(number: int) -> None:
        photos[number] = torch.from_numpy(_read(rows[number][0]))

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(fill, range(len(rows))))

    def numbers(*fields: str) -> np.ndarray:
        names = ["/".join([marque, *(row[f] for f in fields)]) for _, row, marque in rows]
        return np.unique(np.array(names), return_inverse=True)[1]

    sides = ("left", "top", "right", "bottom")
    return Bank(
        photos.to(device),
        torch.tensor([[float(row[s]) for s in sides] for _, row, _ in rows], device=device),
        numbers(),
        numbers("edition"),
        numbers("edition", "origin"),
        numbers("edition", "origin", "specimen"),
        np.array([row["genuine"] == "True" for _, row, _ in rows]),
    )


class Darkroom:
    """Draws batches from a bank and cuts their photos.

    Parameters
    ----------
    bank : Bank
    device : str
    """

    def __init__(self, bank: Bank, *, device: str) -> None:
        self.bank = bank
        self.device = device
        self._tree: dict[int, dict[int, dict[int, list[int]]]] = defaultdict(
            lambda: defaultdict(lambda: defaultdict(list))
        )
        for row in range(len(bank)):
            self._tree[bank.marque[row]][bank.edition[row]][bank.origin[row]].append(row)

    def draw(self, seed: int, *, editions: int, views: int) -> Batch:
        """Choose editions, two of a marque side by side, of each two origins."""
        rng = np.random.default_rng([seed, 12])
        marques = list(self._tree)
        rows: list[int] = []
        taken = 0
        for place in rng.permutation(len(marques)):
            if taken >= editions:
                break
            of_marque = self._tree[marques[place]]
            # The two bands of a marque, so like each other, are the first two editions.
            order = sorted(of_marque)
            pair = order[:2] if rng.random() < 0.6 else order[2:]
            for edition in pair[: min(2, editions - taken)]:
                taken += 1
                origins = of_marque[edition]
                for origin in rng.permutation(sorted(origins))[:2]:
                    rows += [int(r) for r in rng.permutation(origins[int(origin)])[:views]]
        row = np.array(rows)
        bank = self.bank
        return Batch(row, bank.edition[row], bank.origin[row], np.zeros(len(row), bool))

    @torch.no_grad()
    def shoot(self, row: np.ndarray, *, seed: int, side: int) -> Tensor:
        """Return photos (B, 3, side, side) in 0..1, cut and developed at random."""
        draws = Draws(seed, self.device)
        count = len(row)
        half, centre = self._frames(torch.from_numpy(row).to(self.device), draws)
        angle = 0.12 * draws.normal(count)
        quarter = torch.floor(draws.uniform(count) * 4) * (math.pi / 2)
        angle = angle + quarter * draws.chance(0.3, count)
        angle = torch.where(draws.chance(0.12, count), draws.between(-3.2, 3.2, count), angle)
        skew = 0.03 * draws.normal(count, 2, 2)
        picture, inside = self._cut(row, half, centre, angle, skew, side)
        hard = torch.where(draws.chance(0.5, count), 0.12, 0.7)
        picture = develop(picture.clamp(min=0) ** 2.2, draws, hard)
        return torch.where(inside > 0.5, picture, torch.full_like(picture, GREY))

    @torch.no_grad()
    def plain(self, row: np.ndarray, *, side: int, tight: bool) -> Tensor:
        """Return photos as they are: the whole frame letterboxed, or cut close to the item."""
        rows = torch.from_numpy(row).to(self.device)
        box, size = self.bank.box[rows], self._size()
        whole = size.max() / 2
        if tight:
            half = (box[:, 2:] - box[:, :2]).amax(1) * 0.54
            centre = (box[:, 2:] + box[:, :2]) / 2
        else:
            half = whole.expand(len(rows))
            centre = (size / 2).expand(len(rows), 2)
        still = torch.zeros(len(rows), device=self.device)
        straight = torch.zeros(len(rows), 2, 2, device=self.device)
        return self._cut(row, half, centre, still, straight, side)[0]

    def _size(self) -> Tensor:
        height, width = self.bank.photos.shape[2:]
        return torch.tensor([float(width), float(height)], device=self.device)

    def _frames(self, rows: Tensor, draws: Draws) -> tuple[Tensor, Tensor]:
        """Half side and centre of each cut in px: the item, the whole frame, or between."""
        count = len(rows)
        box, size = self.bank.box[rows], self._size()
        item = (box[:, 2:] - box[:, :2]).amax(1) / 2
        close = item * draws.between(0.92, 1.35, count)
        whole = size.max() / 2 * draws.between(0.97, 1.05, count)
        share = draws.uniform(count)
        share = torch.where(draws.chance(0.4, count), torch.zeros_like(share), share)
        share = torch.where(draws.chance(0.3, count), torch.ones_like(share), share)
        half = close + (whole - close).clamp(min=0) * share
        middle = (box[:, 2:] + box[:, :2]) / 2
        middle = middle + 0.08 * item[:, None] * draws.normal(count, 2)
        return half, middle + (size / 2 - middle) * share[:, None]

    def _cut(
        self, row: np.ndarray, half: Tensor, centre: Tensor, angle: Tensor, skew: Tensor, side: int
    ) -> tuple[Tensor, Tensor]:
        """Pictures on grey, and where the photo is; sampled twice as fine, then halved."""
        fine = side * 2
        line = (torch.arange(fine, device=self.device) + 0.5) / fine * 2 - 1
        ys, xs = torch.meshgrid(line, line, indexing="ij")
        points = torch.stack([xs, ys], -1)
        cos, sin = torch.cos(angle), torch.sin(angle)
        turn = torch.stack([torch.stack([cos, -sin], 1), torch.stack([sin, cos], 1)], 1) + skew
        parts = []
        for first in range(0, len(row), _CHUNK):
            part = slice(first, first + _CHUNK)
            at = torch.einsum("hwi,bji->bhwj", points, turn[part]) * half[part, None, None, None]
            at = (at + centre[part, None, None]) / self._size() * 2 - 1
            photos = self.bank.photos[torch.from_numpy(row[part]).to(self.device)].float() / 255
            photos = torch.cat([photos - GREY, torch.ones_like(photos[:, :1])], 1)
            parts.append(
                functional.avg_pool2d(functional.grid_sample(photos, at, align_corners=False), 2)
            )
        cut = torch.cat(parts)
        return cut[:, :3] + GREY, cut[:, 3:]
