"""Mip-mapped textures of many sizes in one flat tensor, sampled without copying per scene.

A bank holds maps of `channels` values. Level 0 is the map itself, each further level the
2 x 2 mean of the one below, so that a sample taken at the level of its footprint is
filtered. Coordinates are in px of level 0 with whole numbers at texel *edges*.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from loupebook.errors import WorldInvalid

_LEVELS = 9


def _halve(texture: Tensor) -> Tensor:
    """Mean of 2 x 2 px; an odd last row or column counts twice."""
    rows, columns = texture.shape[:2]
    even = torch.cat([texture, texture[-1:]]) if rows % 2 else texture
    even = torch.cat([even, even[:, -1:]], 1) if columns % 2 else even
    return (even[::2, ::2] + even[1::2, ::2] + even[::2, 1::2] + even[1::2, 1::2]) / 4


class TextureBank:
    """Several textures with their mip levels.

    Parameters
    ----------
    textures : sequence of ndarray or Tensor, each (H, W, C)
        All with the same C.
    wrap : bool
        Repeat beyond the edges (tiles), or hold the edge value.
    device : str or torch.device
        Where the bank lives; half precision on a GPU.
    """

    def __init__(
        self,
        textures: Sequence[NDArray[np.float32]] | Sequence[Tensor],
        *,
        wrap: bool,
        device: str | torch.device = "cpu",
    ) -> None:
        if not textures:
            raise WorldInvalid("a texture bank needs at least one texture")
        self.wrap = wrap
        self.channels = int(textures[0].shape[2])
        device = torch.device(device)
        kind = torch.float16 if device.type == "cuda" else torch.float32
        rows: list[Tensor] = []
        start, sizes = 0, []
        for texture in textures:
            level = torch.as_tensor(texture, dtype=torch.float32, device=device)
            if level.shape[2] != self.channels:
                raise WorldInvalid("textures of one bank must have the same channels")
            for _ in range(_LEVELS):
                height, width = level.shape[:2]
                sizes.append((start, height, width))
                rows.append(level.reshape(-1, self.channels).to(kind))
                start += height * width
                level = _halve(level) if min(height, width) > 1 else level
        self._texels = torch.cat(rows)
        self._sizes = torch.tensor(sizes, dtype=torch.int32, device=device)

    def sample(self, texture: Tensor, x: Tensor, y: Tensor, footprint: Tensor) -> Tensor:
        """Bilinear sample at the mip level nearest to the footprint.

        Parameters
        ----------
        texture : Tensor of integers, (…)
            Which texture.
        x, y : Tensor (…)
            Position in px of level 0.
        footprint : Tensor (…)
            Width in px of level 0 that one sample should average over.

        Returns
        -------
        Tensor (C, …), float32
        """
        level = torch.log2(footprint.clamp(min=1.0)).add_(0.3).floor_().clamp_(max=_LEVELS - 1)
        sizes = self._sizes[(texture * _LEVELS).int() + level.int()]
        start, height, width = sizes.unbind(-1)
        scale = torch.exp2(-level)
        fx, fy = x * scale - 0.5, y * scale - 0.5
        x0, y0 = fx.floor(), fy.floor()
        tx, ty = (fx - x0).unsqueeze(-1), (fy - y0).unsqueeze(-1)
        left, right = self._edge(x0, width), self._edge(x0 + 1, width)
        top = self._edge(y0, height) * width + start
        bottom = self._edge(y0 + 1, height) * width + start
        above = torch.lerp(self._fetch(top + left), self._fetch(top + right), tx)
        below = torch.lerp(self._fetch(bottom + left), self._fetch(bottom + right), tx)
        return torch.lerp(above, below, ty).movedim(-1, 0)

    def _edge(self, index: Tensor, size: Tensor) -> Tensor:
        whole = index.int()
        if self.wrap:
            return torch.remainder(whole, size)
        return torch.minimum(whole.clamp(min=0), size - 1)

    def _fetch(self, index: Tensor) -> Tensor:
        flat = torch.index_select(self._texels, 0, index.reshape(-1))
        return flat.reshape(*index.shape, self.channels).float()
