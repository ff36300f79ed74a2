"""Seeded random draws for many scenes at once: row `i` depends on seed `i` alone."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from loupebook.errors import WorldInvalid

Floats = NDArray[np.float32]
Integers = NDArray[np.int64]
Numbers = float | NDArray[np.floating]
_COLUMNS = 400


class Draws:
    """A stream of independent draws per scene, taken column by column.

    Parameters
    ----------
    seeds : sequence of int
        One a scene, 0 or more.
    stream : int
        Tells apart streams of one seed (scene, phone, noise).
    """

    def __init__(self, seeds: Sequence[int], *, stream: int) -> None:
        if any(seed < 0 for seed in seeds):
            raise WorldInvalid("a scene seed must not be negative")
        rows = [np.random.default_rng([int(s), stream]).random(_COLUMNS) for s in seeds]
        self._uniform = np.stack(rows).astype(np.float32)
        self._next = 0
        self.count = len(seeds)

    def unit(self) -> Floats:
        """Uniform draws from 0 to 1, shape (n,)."""
        column = self._uniform[:, self._next]
        self._next += 1
        return column

    def uniform(self, low: Numbers, high: Numbers) -> Floats:
        """Uniform draws between bounds, which may differ by scene, shape (n,)."""
        return np.asarray(low + (np.asarray(high) - low) * self.unit(), np.float32)

    def normal(self, deviation: Numbers = 1.0) -> Floats:
        """Bell-shaped draws (sum of three uniform ones), cut at three deviations."""
        total = self.unit() + self.unit() + self.unit() - 1.5
        return np.asarray(2.0 * total * deviation, np.float32)

    def chance(self, probability: Numbers) -> NDArray[np.bool_]:
        """True with a probability, shape (n,)."""
        return np.asarray(self.unit() < probability)

    def pick(self, count: int) -> Integers:
        """Whole numbers from 0 to ``count - 1``, shape (n,)."""
        return np.minimum((self.unit() * count).astype(np.int64), count - 1)
