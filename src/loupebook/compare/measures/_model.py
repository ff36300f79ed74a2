"""What a measurement gives."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

SOFTEST_MM = 0.16
"""Blur beyond the consensus' from which a photo shows no details."""


@dataclass(frozen=True, eq=False)
class Measured:
    """One figure of one query.

    Parameters
    ----------
    value : float, optional
        The figure; `None` where the photo does not bear it.
    reason : str
        Why there is none, or ``""``.
    map : ndarray, optional
        float32 (height, width) in the frame: where the figure comes from, 0 is "alike".
    """

    value: float | None
    reason: str = ""
    map: NDArray[np.float32] | None = field(default=None, repr=False)


def cannot(reason: str) -> Measured:
    """Return that the photo does not bear the measurement."""
    return Measured(None, reason)
