"""Weights by independent unit: several photos of one specimen count as one specimen."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence

import numpy as np
from numpy.typing import NDArray


def unit_codes(units: Iterable[Hashable]) -> tuple[NDArray[np.intp], int]:
    """Return the number of each entry's unit, in order of first appearance, and their count."""
    seen: dict[Hashable, int] = {}
    codes = np.array([seen.setdefault(unit, len(seen)) for unit in units], dtype=np.intp)
    return codes, len(seen)


def unit_weights(units: Iterable[Hashable]) -> NDArray[np.float64]:
    """Return a weight for each entry such that every unit weighs 1 in all.

    Parameters
    ----------
    units : iterable
        The unit (specimen or print origin) of each entry.

    Returns
    -------
    ndarray, shape (n,)
    """
    codes, count = unit_codes(units)
    if not count:
        return np.zeros(0)
    return np.asarray(1.0 / np.bincount(codes, minlength=count)[codes], dtype=np.float64)


def resampled_unit_weights(
    units: Sequence[Hashable], rng: np.random.Generator
) -> NDArray[np.float64]:
    """Return :func:`unit_weights` times how often each unit is drawn, with replacement.

    One bootstrap sample in which whole units are drawn, as many as there are.
    """
    codes, count = unit_codes(units)
    if not count:
        return np.zeros(0)
    drawn = np.bincount(rng.integers(0, count, count), minlength=count)
    return np.asarray(drawn[codes] * unit_weights(units), dtype=np.float64)
