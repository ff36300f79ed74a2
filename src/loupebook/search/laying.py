"""Reference photos laid over the item in a query, by the outlines that search has found."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple, TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.search.arm import Outline, Pixels
from loupebook.search.windows import box_about

Matrix: TypeAlias = NDArray[np.float64]
Picture: TypeAlias = NDArray[np.uint8]
"""Grey (height, width) or sRGB (height, width, 3)."""


class Seen(NamedTuple):
    """A reference photo, uint8 sRGB, and where its four corners lie in the query, px."""

    pixels: Pixels
    outline: Outline


class Frame(NamedTuple):
    """The item cut out of a query at working size, and the map of query px onto its px."""

    item: Picture
    onto: Matrix


def cut_out(
    query: Picture, outline: Outline, *, side: int, most_enlarged: float, least: int
) -> Frame | None:
    """Cut the item out of a query.

    Parameters
    ----------
    query : ndarray
        The photo, grey or sRGB.
    outline : Outline
        Where the item lies.
    side : int
        Longest side of the item as cut out, px.
    most_enlarged : float
        By how much it may be enlarged at most to reach that.
    least : int
        Shortest side, px of the query, below which nothing is cut out.
    """
    height, width = query.shape[:2]
    left, top, right, bottom = box_about(outline, width, height)
    if min(right - left, bottom - top) < least:
        return None
    scale = min(side / max(right - left, bottom - top), most_enlarged)
    size = (max(16, round((right - left) * scale)), max(16, round((bottom - top) * scale)))
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    item = cv2.resize(query[top:bottom, left:right], size, interpolation=how)
    shrink = np.diag([size[0] / (right - left), size[1] / (bottom - top), 1.0])
    onto = shrink @ np.array([[1, 0, -left], [0, 1, -top], [0, 0, 1.0]])
    return Frame(np.asarray(item, np.uint8), onto)


def lay_over(
    photo: Picture, outline: Outline, onto: Matrix, shape: Sequence[int]
) -> tuple[Picture, NDArray[np.bool_]]:
    """Lay a photo over a cut-out item; return it and where it shows something.

    Parameters
    ----------
    photo : ndarray
        Grey or sRGB.
    outline : Outline
        Where its corners lie in the query.
    onto : ndarray, shape (3, 3)
        Query px onto px of the item.
    shape : sequence of int
        Of the item: height, width.
    """
    height, width = photo.shape[:2]
    right, bottom = width - 1, height - 1
    corners = np.array([[0, 0], [right, 0], [right, bottom], [0, bottom]], np.float32)
    mapping = onto @ cv2.getPerspectiveTransform(corners, np.array(outline, np.float32))
    target = cv2.perspectiveTransform(corners[None], mapping)[0]
    scale = float(np.sqrt(cv2.contourArea(target) / (width * height)))
    if scale < 0.75:  # shrunk by area first, so that nothing aliases
        size = (max(16, round(width * scale)), max(16, round(height * scale)))
        photo = np.asarray(cv2.resize(photo, size, interpolation=cv2.INTER_AREA), np.uint8)
        mapping = mapping @ np.diag([width / size[0], height / size[1], 1.0])
    over = (shape[1], shape[0])
    laid = cv2.warpPerspective(photo, mapping, over, flags=cv2.INTER_LINEAR)
    whole = np.full(photo.shape[:2], 255, np.uint8)
    return np.asarray(laid, np.uint8), cv2.warpPerspective(whole, mapping, over) > 254
