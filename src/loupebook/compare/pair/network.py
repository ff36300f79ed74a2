"""The network: two pictures in one frame in, where and how surely they differ out.

Both pictures go in side by side, so that the first layer sees them at the same place. Features
at an eighth of the resolution, seen in their surroundings, are pooled over the item (their mean,
and the mean of the strongest) for one answer; a finer map says where the drawing differs.
"""

from __future__ import annotations

import torch
from torch import Tensor, nn

CHANNELS = 11
"""Two colours, their difference, how far known ones vary, and where both are seen."""
_WIDTHS = (24, 48, 96, 128)
_STRONGEST = 0.03


def inputs_of(query: Tensor, model: Tensor, spread: Tensor, seen: Tensor) -> Tensor:
    """Put together what the network looks at.

    Parameters
    ----------
    query, model : Tensor
        (B, 3, H, W) sRGB 0..1 at one sharpness, the query in the model's light and place.
    spread : Tensor
        (B, 1, H, W), how far colours of known ones lie apart (natural logarithm).
    seen : Tensor
        (B, 1, H, W), 1 where both can be compared.

    Returns
    -------
    Tensor
        (B, :data:`CHANNELS`, H, W).
    """
    apart = (query - model) * 2
    planes = [query - 0.5, model - 0.5, apart, spread.clamp(0, 1), seen]
    return torch.cat([*(plane * seen for plane in planes[:-1]), seen], dim=1)


def _conv(first: int, last: int, side: int = 3, step: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(first, last, side, step, side // 2, bias=False), nn.BatchNorm2d(last), nn.ReLU()
    )


class _Residual(nn.Module):
    def __init__(self, width: int) -> None:
        super().__init__()
        self.first = _conv(width, width)
        self.last = nn.Sequential(
            nn.Conv2d(width, width, 3, 1, 1, bias=False), nn.BatchNorm2d(width)
        )

    def forward(self, planes: Tensor) -> Tensor:
        """Return the planes with what two layers add to them."""
        return torch.relu(planes + self.last(self.first(planes)))


class PairNetwork(nn.Module):
    """See the module's docstring."""

    def __init__(self) -> None:
        super().__init__()
        a, b, c, d = _WIDTHS
        self.second = _conv(CHANNELS, a, 5, 2)
        self.fourth = nn.Sequential(_conv(a, b, 3, 2), _Residual(b))
        self.eighth = nn.Sequential(_conv(b, c, 3, 2), _Residual(c), _Residual(c))
        self.sixteenth = nn.Sequential(_conv(c, d, 3, 2), _Residual(d), _Residual(d))
        self.wide = _conv(d, c, 1)
        self.joined = _conv(c, c)
        self.fine = _conv(c, b, 1)
        self.drawn = nn.Sequential(_conv(b, b), nn.Conv2d(b, 1, 1))
        self.answer = nn.Linear(2 * c, 1)

    def forward(self, planes: Tensor) -> tuple[Tensor, Tensor]:
        """Say whether two prints differ, and where.

        Parameters
        ----------
        planes : Tensor
            (B, :data:`CHANNELS`, H, W) of :func:`inputs_of`; H and W multiples of 16.

        Returns
        -------
        tuple of Tensor
            (B,) log odds that the two come from different presses, as in training, and
            (B, 1, H / 4, W / 4) log odds that the drawing differs at a place.
        """
        second = self.second(planes)
        fourth = self.fourth(second)
        eighth = self.eighth(fourth)
        wide = nn.functional.interpolate(self.wide(self.sixteenth(eighth)), scale_factor=2)
        eighth = self.joined(eighth + wide)
        fine = nn.functional.interpolate(self.fine(eighth), scale_factor=2)
        seen = nn.functional.avg_pool2d(planes[:, -1:], 8)
        return self._pooled(eighth, seen), self.drawn(fourth + fine)

    def _pooled(self, planes: Tensor, seen: Tensor) -> Tensor:
        weight = seen.flatten(2)
        flat = planes.flatten(2) * weight
        mean = flat.sum(dim=2) / weight.sum(dim=2).clamp(min=1.0)
        count = max(1, round(_STRONGEST * flat.shape[2]))
        strongest = flat.topk(count, dim=2).values.mean(dim=2)
        answer: Tensor = self.answer(torch.cat([mean, strongest], dim=1))[:, 0]
        return answer
