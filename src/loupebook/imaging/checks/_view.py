"""One photo as the checks see it: full pixels, and reduced copies made once for all.

Conventions: `pixels` are uint8 (height, width, 3) sRGB. Grey is the luma of ITU-R BT.601
(what OpenCV computes), 0 to 255.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.imaging.colour import Pixels
from loupebook.imaging.geometry import resize_to_fit
from loupebook.records.model import Lighting

#: Longer side, in px, of the copy on which sharpness is judged: at this size a photo is
#: looked at and compared, and a blur that vanishes in it harms neither.
WORKING_SIDE: Final = 1280
#: Longer side, in px, of the copy on which light and colour are judged.
SMALL_SIDE: Final = 512


@dataclass(frozen=True, eq=False)
class PhotoView:
    """What a check may look at.

    Parameters
    ----------
    pixels : uint8 array (height, width, 3)
        The whole photo.
    px_per_mm : float, optional
        Scale in the item's plane.
    quantisation : tuple of tuple of int
        JPEG quantisation tables of the file, where known.
    lighting : Lighting, optional
        How the item was lit, where known.
    """

    pixels: Pixels
    px_per_mm: float | None = None
    quantisation: tuple[tuple[int, ...], ...] = ()
    lighting: Lighting | None = None

    @property
    def width(self) -> int:
        """Width in px."""
        return int(self.pixels.shape[1])

    @property
    def height(self) -> int:
        """Height in px."""
        return int(self.pixels.shape[0])

    @cached_property
    def grey(self) -> Pixels:
        """Grey of the whole photo."""
        return np.asarray(cv2.cvtColor(self.pixels, cv2.COLOR_RGB2GRAY), dtype=np.uint8)

    @cached_property
    def working_grey(self) -> NDArray[np.float32]:
        """Grey copy, its longer side at most `WORKING_SIDE` px."""
        return resize_to_fit(self.grey, WORKING_SIDE).astype(np.float32)

    @cached_property
    def small(self) -> Pixels:
        """Colour copy, its longer side at most `SMALL_SIDE` px."""
        return resize_to_fit(self.pixels, SMALL_SIDE)

    @cached_property
    def small_grey(self) -> Pixels:
        """Grey of `small`."""
        return np.asarray(cv2.cvtColor(self.small, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
