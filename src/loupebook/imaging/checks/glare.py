"""Glare: burnt-out spots in which nothing can be seen.

A spot is a connected area in which all three channels are at their limit and that does not
touch the picture's border (a white background does). Its surroundings must be bright too:
light spills over, while printed white ends sharply against ink.

Measured: of 683 photos two reach the limit, both of lit refrigerators; of 153 photos given
a rendered bright spot of 6 % of the picture's length (radius) 97 % do.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.imaging.checks._model import Finding, Severity
from loupebook.imaging.checks._view import PhotoView
from loupebook.imaging.colour import Pixels

_WARN: Final = 0.015  # share of the picture
_BURNT_OUT: Final = 250
_SMALLEST_SPOT: Final = 0.0005
_BRIGHT_RING: Final = 150
_MARGIN: Final = 4


def find(view: PhotoView) -> list[Finding]:
    """Judge the area of burnt-out spots."""
    share = glare_share(view.small)
    if share < _WARN:
        return []
    return [
        Finding(
            "glare",
            Severity.WARN,
            f"Bright spots without any detail cover {share:.0%} of the picture.",
            "Tilt the item or move the lamp until the reflection leaves it, or light it "
            "through thin white paper.",
            round(100 * share, 1),
            "% of the picture",
        )
    ]


def glare_share(pixels: Pixels) -> float:
    """Return the share of the picture that lies in burnt-out spots."""
    darkest = pixels.min(axis=2)
    height, width = pixels.shape[:2]
    burnt = cv2.morphologyEx(
        (darkest >= _BURNT_OUT).astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)
    )
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(burnt, connectivity=8)
    total = 0
    for number in range(1, count):
        left, top, across, down, area = (int(value) for value in boxes[number])
        inside = left > 0 and top > 0 and left + across < width and top + down < height
        if not inside or area < _SMALLEST_SPOT * height * width:
            continue
        window = (
            slice(max(0, top - _MARGIN), top + down + _MARGIN),
            slice(max(0, left - _MARGIN), left + across + _MARGIN),
        )
        if _spills_over(darkest[window], labels[window] == number):
            total += area
    return total / float(height * width)


def _spills_over(darkest: NDArray[np.uint8], spot: NDArray[np.bool_]) -> bool:
    square = np.ones((3, 3), np.uint8)
    near = cv2.dilate(spot.astype(np.uint8), square)
    ring = cv2.dilate(near, square, iterations=2) > near
    return bool(ring.any() and np.median(darkest[ring]) >= _BRIGHT_RING)
