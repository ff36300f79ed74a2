"""Line work: how much of the fine lines of genuine ones the query lacks."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.compare.frame import Framed
from loupebook.compare.look import lightness
from loupebook.compare.measures._model import SOFTEST_MM, Measured, cannot

NAME = "line work"
UNIT = "% of the lines"
SAYS = "fine lines or small letters are missing, broken or filled in"

LEAST_PX_PER_MM = 7.0
_WIDEST_MM = 0.35


def measure(framed: Framed) -> Measured:
    """Return the share of line strength that is missing, where genuine ones agree."""
    scale = framed.px_per_mm
    if scale is None or scale < LEAST_PX_PER_MM:
        return cannot(
            "the scale is not known"
            if scale is None
            else f"the photo shows {scale:.1f} px a mm; fine lines need {LEAST_PX_PER_MM:.0f}"
        )
    if framed.softness_mm > SOFTEST_MM:
        return cannot("the photo is too soft beside the known ones")
    side = 2 * max(1, round(_WIDEST_MM * framed.consensus.unit / 2)) + 1
    query, model = (lines_of(lightness(plane), side) for plane in framed.in_place)
    trust = framed.inner / framed.consensus.spread[1] ** 2
    total = float((model * trust).sum())
    if total <= 0:
        return cannot("the item has no fine lines")
    # The query's overall contrast is set to the consensus', then what is missing is counted.
    even = float((query * model * trust).sum() / max(1e-9, (query * query * trust).sum()))
    near = cv2.dilate(query * even, np.ones((3, 3), np.uint8))
    missing = np.maximum(model - near, 0)
    return Measured(100 * float((missing * trust).sum()) / total, map=missing * framed.inner)


def lines_of(grey: NDArray[np.float32], side: int) -> NDArray[np.float32]:
    """Return the strength of lines, dark or light, thinner than `side` px."""
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    dark = cv2.morphologyEx(grey, cv2.MORPH_BLACKHAT, kernel)
    light = cv2.morphologyEx(grey, cv2.MORPH_TOPHAT, kernel)
    return np.asarray(np.minimum(np.maximum(dark, light), 1.0), np.float32)
