"""Crop, turn, straighten and scale.

Conventions: pixels are uint8 (height, width, 3). Points are (x, y) = (column, row) in px,
with (0, 0) the outer top left corner of the first pixel, so a whole photo is the box
(0, 0, width, height) and pixel centres lie at half numbers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from loupebook.errors import CropInvalid
from loupebook.imaging.colour import Pixels

#: Corners may lie this share of the longer side outside the photo (an item cut by the edge).
_OUTSIDE: Final = 0.5
_SMALLEST_SIDE: Final = 8.0
_LONGEST_RESULT: Final = 16_000
_MOST_PIXELS: Final = 120_000_000
#: Below this ratio the four corners are nearly three, and straightening invents pixels.
_LEAST_SINE: Final = 0.1

_HOW: Final = "Set the four corners again, clockwise from the top left."


@dataclass(frozen=True)
class Box:
    """An upright rectangle in px; `right` and `bottom` are exclusive."""

    left: int
    top: int
    right: int
    bottom: int


def crop_box(pixels: Pixels, box: Box) -> Pixels:
    """Cut a rectangle out of a photo.

    Parameters
    ----------
    pixels : uint8 array (height, width, 3)
    box : Box
        Must lie inside the photo and hold at least one pixel.

    Returns
    -------
    uint8 array
        A copy.

    Raises
    ------
    CropInvalid
        If the box is empty or reaches outside the photo.
    """
    height, width = pixels.shape[:2]
    if box.left >= box.right or box.top >= box.bottom:
        raise CropInvalid("The crop box is empty. Draw it from the top left to the bottom right.")
    if box.left < 0 or box.top < 0 or box.right > width or box.bottom > height:
        raise CropInvalid(
            f"The crop box {box.left}, {box.top} to {box.right}, {box.bottom} reaches outside "
            f"the photo of {width} × {height} px. Draw it inside the photo."
        )
    return pixels[box.top : box.bottom, box.left : box.right].copy()


def rotate_quarter(pixels: Pixels, quarter_turns: int) -> Pixels:
    """Turn by quarter turns, clockwise; negative numbers turn back. No pixel is changed."""
    return np.ascontiguousarray(np.rot90(pixels, -quarter_turns))


def rotate_by(pixels: Pixels, degrees: float, *, fill: tuple[int, int, int] = (255,) * 3) -> Pixels:
    """Turn by any angle, clockwise, onto a canvas that holds the whole photo.

    Parameters
    ----------
    pixels : uint8 array (height, width, 3)
    degrees : float
        Clockwise angle; multiples of 90 change no pixel.
    fill : (int, int, int)
        sRGB colour of the corners that open up.
    """
    if not math.isfinite(degrees):
        raise CropInvalid("The angle must be a number of degrees.")
    if degrees % 90 == 0:
        return rotate_quarter(pixels, int(degrees // 90) % 4)
    height, width = pixels.shape[:2]
    angle = math.radians(degrees)
    cos, sin = math.cos(angle), math.sin(angle)
    new_width = math.ceil(abs(width * cos) + abs(height * sin) - 1e-6)
    new_height = math.ceil(abs(width * sin) + abs(height * cos) - 1e-6)
    # cv2 places pixel centres at whole numbers, so centres are (size - 1) / 2.
    centre, target = (width - 1) / 2, (height - 1) / 2
    new_centre, new_target = (new_width - 1) / 2, (new_height - 1) / 2
    matrix = np.array(
        [
            [cos, -sin, new_centre - cos * centre + sin * target],
            [sin, cos, new_target - sin * centre - cos * target],
        ]
    )
    turned = cv2.warpAffine(
        pixels,
        matrix,
        (new_width, new_height),
        flags=cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=fill,
    )
    return np.asarray(turned, dtype=np.uint8)


def rectify(
    pixels: Pixels,
    corners: ArrayLike,
    *,
    size: tuple[int, int] | None = None,
    longest: int | None = None,
) -> Pixels:
    """Straighten a four-cornered part of a photo into a rectangle.

    Parameters
    ----------
    pixels : uint8 array (height, width, 3)
    corners : array (4, 2)
        x, y in px of the item's corners, clockwise from its top left. They may lie up to
        half a side outside the photo; what is not in the photo comes out white.
    size : (int, int), optional
        Width and height of the result in px. By default the longer of each pair of
        opposite sides, so no detail is lost.
    longest : int, optional
        Most px that the longer side of the result may have: a small copy of a large photo
        is several times faster straightened small than straightened and then shrunk.

    Returns
    -------
    uint8 array (size[1], size[0], 3)

    Raises
    ------
    CropInvalid
        If the corners do not form a proper four-cornered shape in this photo.
    """
    quad = check_corners(corners, width=pixels.shape[1], height=pixels.shape[0])
    width, height = _rectified_size(quad, size)
    if longest is not None and longest < max(width, height):
        scale = longest / max(width, height)
        width, height = max(1, round(width * scale)), max(1, round(height * scale))
    source, factor = _reduced_for(pixels, quad, (width, height))
    # Corners are outer edges; cv2 counts from the first pixel's centre, hence the halves.
    target = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32) - 0.5
    scaled = (quad * factor - 0.5).astype(np.float32)
    straight = cv2.warpPerspective(
        source,
        cv2.getPerspectiveTransform(scaled, target),
        (width, height),
        flags=cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(255, 255, 255),
    )
    return np.asarray(straight, dtype=np.uint8)


def check_corners(corners: ArrayLike, *, width: int, height: int) -> NDArray[np.float64]:
    """Return the corners as a float array, or say what is wrong with them.

    Parameters
    ----------
    corners : array (4, 2)
        x, y in px, clockwise from the top left.
    width, height : int
        Size of the photo in px.

    Raises
    ------
    CropInvalid
        If they are not four points, not finite, far outside, crossed, turned round, too
        close together or nearly three in a line.
    """
    try:
        quad = np.asarray(corners, dtype=np.float64)
    except (TypeError, ValueError) as exc:
        raise CropInvalid(f"Corners must be four pairs of numbers. {_HOW}") from exc
    if quad.shape != (4, 2) or not np.isfinite(quad).all():
        raise CropInvalid(f"Corners must be four pairs of numbers. {_HOW}")
    room = _OUTSIDE * max(width, height)
    if (quad < -room).any() or (quad > np.array([width, height]) + room).any():
        raise CropInvalid(f"A corner lies far outside the {width} × {height} px photo. {_HOW}")
    sides = np.roll(quad, -1, axis=0) - quad
    lengths = np.hypot(sides[:, 0], sides[:, 1])
    if lengths.min() < _SMALLEST_SIDE:
        raise CropInvalid(f"Two corners lie less than {_SMALLEST_SIDE:.0f} px apart. {_HOW}")
    following = np.roll(sides, -1, axis=0)
    sines = (sides[:, 0] * following[:, 1] - sides[:, 1] * following[:, 0]) / (
        lengths * np.roll(lengths, -1)
    )
    if (sines < 0).all():
        raise CropInvalid(f"The corners run anticlockwise. {_HOW}")
    if (sines < 0).any():
        raise CropInvalid(f"The corners cross or make a dent. {_HOW}")
    if (sines < _LEAST_SINE).any():
        raise CropInvalid(f"Three of the corners lie nearly in one line. {_HOW}")
    return quad


def _rectified_size(quad: NDArray[np.float64], size: tuple[int, int] | None) -> tuple[int, int]:
    if size is None:
        sides = np.hypot(*(np.roll(quad, -1, axis=0) - quad).T)
        width, height = round(max(sides[0], sides[2])), round(max(sides[1], sides[3]))
    else:
        width, height = size
    if min(width, height) < 1:
        raise CropInvalid("The straightened size must be at least 1 × 1 px.")
    if max(width, height) > _LONGEST_RESULT or width * height > _MOST_PIXELS:
        raise CropInvalid(
            f"The straightened part would be {width} × {height} px. Ask for a smaller size."
        )
    return width, height


def _reduced_for(
    pixels: Pixels, quad: NDArray[np.float64], size: tuple[int, int]
) -> tuple[Pixels, NDArray[np.float64]]:
    """Shrink by area first where the result is much smaller, so that nothing aliases."""
    sides = np.hypot(*(np.roll(quad, -1, axis=0) - quad).T)
    shrink = max(size[0] / min(sides[0], sides[2]), size[1] / min(sides[1], sides[3]))
    height, width = pixels.shape[:2]
    if shrink >= 0.75:
        return pixels, np.ones(2)
    new_width, new_height = max(1, round(width * shrink)), max(1, round(height * shrink))
    return resize(pixels, new_width, new_height), np.array([new_width / width, new_height / height])


def resize(pixels: Pixels, width: int, height: int) -> Pixels:
    """Scale to an exact size: area averaging when shrinking, bicubic when enlarging.

    Parameters
    ----------
    pixels : uint8 array (height, width, 3) or (height, width)
    width, height : int
        Size of the result in px.
    """
    rows, columns = pixels.shape[:2]
    # Exact halving is many times faster than one odd step, and averages the same areas.
    while rows >= 2 * height and columns >= 2 * width and rows % 2 == columns % 2 == 0:
        rows, columns = rows // 2, columns // 2
        pixels = np.asarray(
            cv2.resize(pixels, (columns, rows), interpolation=cv2.INTER_AREA), dtype=np.uint8
        )
    if (rows, columns) == (height, width):
        return pixels
    shrinks = width <= columns and height <= rows
    filter_ = cv2.INTER_AREA if shrinks else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(pixels, (width, height), interpolation=filter_), dtype=np.uint8)


def resize_to_fit(pixels: Pixels, longest: int) -> Pixels:
    """Shrink so that the longer side is at most `longest` px; never enlarges.

    Parameters
    ----------
    pixels : uint8 array (height, width, 3)
    longest : int
        At least 1.

    Returns
    -------
    uint8 array
        `pixels` itself if it fits already.
    """
    if longest < 1:
        raise ValueError("longest must be at least 1 px")
    height, width = pixels.shape[:2]
    scale = longest / max(height, width)
    if scale >= 1:
        return pixels
    return resize(pixels, max(1, round(width * scale)), max(1, round(height * scale)))


def letterbox(pixels: Pixels, side: int, *, fill: tuple[int, int, int] = (255,) * 3) -> Pixels:
    """Fit a photo into a square of `side` px, centred, the rest filled; may enlarge."""
    height, width = pixels.shape[:2]
    scale = side / max(height, width)
    fitted = resize(pixels, max(1, round(width * scale)), max(1, round(height * scale)))
    square = np.empty((side, side, 3), np.uint8)
    square[:] = fill
    top, left = (side - fitted.shape[0]) // 2, (side - fitted.shape[1]) // 2
    square[top : top + fitted.shape[0], left : left + fitted.shape[1]] = fitted
    return square
