"""Structure: the spots in which the query departs furthest from genuine ones."""

from __future__ import annotations

import cv2
import numpy as np

from loupebook.compare.frame import Framed
from loupebook.compare.measures._model import SOFTEST_MM, Measured, cannot

NAME = "structure"
UNIT = "× usual spread"
SAYS = "parts are drawn otherwise, missing or added"

_SPOT_MM = 0.25
_TOP = 0.01
LEAST_PX_PER_MM = 3.0
"""Coarser photos show no lettering."""


def measure(framed: Framed) -> Measured:
    """Return the mean of the worst hundredth of the item, smoothed over a small spot."""
    if framed.softness_mm > SOFTEST_MM:
        return cannot("the photo is too soft beside the known ones")
    if framed.inner.sum() < 2000:
        return cannot("too little of the item is seen")
    if framed.px_per_mm is not None and framed.px_per_mm < LEAST_PX_PER_MM:
        return cannot(
            f"the photo shows {framed.px_per_mm:.1f} px a mm; {LEAST_PX_PER_MM:.0f} are needed"
        )
    reach = max(1.0, _SPOT_MM * framed.consensus.unit)
    values = cv2.GaussianBlur(framed.apart, (0, 0), reach)[framed.inner]
    worst = values[values >= np.quantile(values, 1 - _TOP)]
    return Measured(float(worst.mean()), map=cv2.GaussianBlur(framed.departs, (0, 0), reach))
