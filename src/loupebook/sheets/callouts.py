"""Numbered places drawn onto a picture, for the screen."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from loupebook.sheets.plan import SheetPoint
from loupebook.sheets.words import BODY_FONT, font_folder

_LEAST_PX = 11


def numbered(pixels: NDArray[np.uint8], points: Sequence[SheetPoint]) -> NDArray[np.uint8]:
    """Draw call-outs onto a copy of a picture.

    Parameters
    ----------
    pixels : ndarray
        uint8 sRGB (height, width, 3).
    points : sequence of SheetPoint
        Places as fractions of it.
    """
    if not points:
        return pixels
    height, width = pixels.shape[:2]
    picture = Image.fromarray(pixels)
    pen = ImageDraw.Draw(picture)
    radius = max(_LEAST_PX, round(max(height, width) / 60))
    font = ImageFont.truetype(str(font_folder() / BODY_FONT), round(1.2 * radius))
    for point in points:
        place = point.place
        left, top = place.left * width, place.top * height
        box = (left, top, left + place.width * width, top + place.height * height)
        pen.rectangle(box, outline=(255, 255, 255), width=4)
        pen.rectangle(box, outline=(17, 17, 17), width=2)
        x = min(max(left, radius + 1), width - radius - 1)
        y = min(max(top, radius + 1), height - radius - 1)
        round_ = (x - radius, y - radius, x + radius, y + radius)
        pen.ellipse(round_, fill=(17, 17, 17), outline=(255, 255, 255), width=2)
        pen.text((x, y), str(point.number), font=font, fill=(255, 255, 255), anchor="mm")
    return np.asarray(picture)
