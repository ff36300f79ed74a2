"""UV plate: what glows under UV-A is there, whole, and carries nothing more.

Common practice, no source: a crest in fluorescent ink is complete and unnumbered on genuine
seals; a missing, broken or numbered one marks a copy. Look at UV-A lamps only with
protection for eyes and skin.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from loupebook.compare.frame import Framed, soft
from loupebook.compare.light import FLOOR
from loupebook.compare.measures._model import Measured, cannot

NAME = "UV plate"
UNIT = "% of the glow"
SAYS = "fluorescent print is missing, broken or added to, or the paper glows"

_GLOWS = 97.0


def measure(framed: Framed) -> Measured:
    """Return how much of the glow is missing or added."""
    inner = framed.inner
    if inner.sum() < 2000:
        return cannot("too little of the item is seen")
    blur = max(1.0, 0.2 * framed.consensus.unit)
    query, model = (glow_of(soft(p, blur)) for p in (framed.raw, framed.consensus.middle))
    top = [max(1e-4, float(np.percentile(plane[inner], _GLOWS))) for plane in (query, model)]
    ours, theirs = (
        np.clip(plane / peak, 0, 1.5) for plane, peak in zip((query, model), top, strict=True)
    )
    apart = np.abs(ours - theirs) * inner
    value = 100 * float(apart.sum()) / max(1e-6, float((theirs * inner).sum()))
    return Measured(value, map=apart.astype(np.float32))


def glow_of(colour: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the green and red light that stands out over the lamp's own violet."""
    # With the floor left in, a dim photo would glow all over, held against its own peak.
    linear = np.exp(colour) - FLOOR
    return np.asarray(
        np.maximum(linear[..., 1] + 0.5 * linear[..., 0] - 0.6 * linear[..., 2], 0), np.float32
    )
