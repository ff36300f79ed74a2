"""Trained look: whether a trained network takes the two prints for work of one press.

The network (`models/pair-print`) was trained on rendered, invented prints alone, with real
presses' habits imitated; its answer is held against what it says of known genuine ones of the
same edition, like every other figure.
"""

from __future__ import annotations

import math

import numpy as np

from loupebook.compare.frame import Framed
from loupebook.compare.measures._model import SOFTEST_MM, Measured, cannot
from loupebook.compare.pair import SUREST

NAME = "trained look"
UNIT = "odds"
SAYS = "a network trained on invented prints takes the two for work of different presses"

LEAST_PX_PER_MM = 3.0
_GREATEST = 12.0
"""Log odds beyond which the network is no surer."""


def measure(framed: Framed) -> Measured:
    """Return the odds that the two differ, as the network puts them."""
    if framed.softness_mm > SOFTEST_MM:
        return cannot("the photo is too soft beside the known ones")
    if framed.inner.sum() < 2000:
        return cannot("too little of the item is seen")
    scale = framed.px_per_mm
    if scale is not None and scale < LEAST_PX_PER_MM:
        return cannot(f"the photo shows {scale:.1f} px a mm; {LEAST_PX_PER_MM:.0f} are needed")
    told = framed.told
    # Odds there too: shares near 1 would all look alike on the map.
    drawn = np.minimum(told.drawn, np.float32(SUREST))
    return Measured(math.exp(min(told.log_odds, _GREATEST)), map=drawn / (1 - drawn))
