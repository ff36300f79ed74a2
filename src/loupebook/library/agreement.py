"""The places where a query and a reference agree, drawn on both."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.imaging import resize

Pixels = NDArray[np.uint8]
TALL = 760
"""Height of both pictures, px."""
GAP = 24
GREY = 119
"""Neutral surround of about 18 % reflectance."""
LINES = 24
"""Points joined by a line; the rest are dots only, so that the prints stay visible."""
_DARK, _LIGHT = (20, 20, 20), (255, 255, 255)


def draw_agreement(
    query: Pixels,
    reference: Pixels,
    points: NDArray[np.float64],
    outline: NDArray[np.float64] | None,
) -> Pixels:
    """Lay query and reference side by side with their common points.

    Parameters
    ----------
    query, reference : ndarray
        uint8 (height, width, 3).
    points : ndarray
        (n, 4): x, y in the query and x, y in the reference, px.
    outline : ndarray, optional
        (4, 2), where the item lies in the query, px.

    Returns
    -------
    ndarray
        uint8, :data:`TALL` px high. Marks are light rings with a dark rim, so that they show
        on any print and do not rest on colour.
    """
    pictures, scales = zip(*(to_height(pixels) for pixels in (query, reference)), strict=True)
    left, right = pictures
    canvas = np.full((TALL, left.shape[1] + GAP + right.shape[1], 3), GREY, np.uint8)
    canvas[:, : left.shape[1]] = left
    canvas[:, left.shape[1] + GAP :] = right
    if outline is not None:
        corners = [np.round(outline * scales[0]).astype(np.int32)]
        for ink, wide in ((_DARK, 5), (_LIGHT, 2)):
            cv2.polylines(canvas[:, : left.shape[1]], corners, True, ink, wide, cv2.LINE_AA)
    starts = np.round(points[:, :2] * scales[0]).astype(int)
    beside = np.array([left.shape[1] + GAP, 0])
    ends = np.round(points[:, 2:] * scales[1]).astype(int) + beside
    step = max(1, -(-len(points) // LINES))
    for start, end in zip(starts[::step].tolist(), ends[::step].tolist(), strict=True):
        cv2.line(canvas, start, end, _DARK, 3, cv2.LINE_AA)
        cv2.line(canvas, start, end, _LIGHT, 1, cv2.LINE_AA)
    for place in [*starts.tolist(), *ends.tolist()]:
        cv2.circle(canvas, place, 5, _DARK, 3, cv2.LINE_AA)
        cv2.circle(canvas, place, 5, _LIGHT, 1, cv2.LINE_AA)
    return canvas


def to_height(pixels: Pixels) -> tuple[Pixels, float]:
    """Scale a picture to :data:`TALL`; return it and the scale."""
    scale = TALL / pixels.shape[0]
    return resize(pixels, max(1, round(pixels.shape[1] * scale)), TALL), scale
