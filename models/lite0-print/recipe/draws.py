"""Random numbers on the device, from one seed."""

from __future__ import annotations

import numpy as np
import torch
from torch import Tensor


class Draws:
    """A stream of random tensors."""

    def __init__(self, seed: int, device: str) -> None:
        self.device = device
        self._generator = torch.Generator(device)
        self._generator.manual_seed(seed)
        self._host = np.random.default_rng(seed)

    def uniform(self, *shape: int) -> Tensor:
        """Numbers in 0..1."""
        return torch.rand(*shape, generator=self._generator, device=self.device)

    def normal(self, *shape: int) -> Tensor:
        """Standard normal numbers."""
        return torch.randn(*shape, generator=self._generator, device=self.device)

    def between(self, low: float, high: float, *shape: int) -> Tensor:
        """Numbers in low..high."""
        return low + (high - low) * self.uniform(*shape)

    def chance(self, share: float, *shape: int) -> Tensor:
        """True with probability `share`."""
        return self.uniform(*shape) < share

    def number(self, low: float, high: float) -> float:
        """One number for the whole batch, drawn beside the processor."""
        return float(self._host.uniform(low, high))
