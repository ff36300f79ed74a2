"""A photo made ready for registration: worked at bounded size, features taken once.

Conventions: `pixels` is uint8 (height, width, 3) sRGB. Working px and px of the photo handed
in are told apart by name; pixel centres lie at whole numbers in both.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.imaging import Pixels, resize_to_fit
from loupebook.imaging.checks.blur import estimate_blur
from loupebook.search.local.features import Features, FeatureSettings, extract

WORKING_SIDE = 2000
"""Longest side, px, that a query is worked at."""
BLUR_SIDE = 1280
"""Longest side, px, that blur is told at."""
SOFTER = (1.0, 2.4)
"""Sigmas, working px, that a picture is softened by where it matches nothing as it is."""
FEATURES = FeatureSettings(longest=1100, most=2600, contrast=0.012)


@dataclass(frozen=True, eq=False)
class Picture:
    """One photo, ready to be registered.

    Parameters
    ----------
    pixels : ndarray
        Working pixels.
    shrunk : float
        Working px a px of the photo handed in, at most 1.
    mask : ndarray, optional
        bool (height, width), where the item is, if known.
    handed_in : ndarray, optional
        The photo at its own size, where working px are fewer: where a photo lies is found on
        the working picture, what it shows is taken from here.
    known : Features, optional
        Its features, where they were taken before.
    """

    pixels: Pixels
    shrunk: float = 1.0
    mask: NDArray[np.bool_] | None = None
    handed_in: Pixels | None = None
    known: Features | None = None

    @classmethod
    def of(cls, pixels: Pixels, *, longest: int = WORKING_SIDE) -> Picture:
        """Make a photo ready."""
        working = resize_to_fit(pixels, longest)
        # Of both sides, each rounded to whole px, the longest tells the scale best.
        shrunk = max(working.shape[:2]) / max(pixels.shape[:2])
        return cls(working, shrunk, handed_in=pixels if shrunk < 1 else None)

    @property
    def finest(self) -> Pixels:
        """The photo at its own size."""
        return self.pixels if self.handed_in is None else self.handed_in

    @property
    def height(self) -> int:
        """Working rows."""
        return int(self.pixels.shape[0])

    @property
    def width(self) -> int:
        """Working columns."""
        return int(self.pixels.shape[1])

    @property
    def middle(self) -> NDArray[np.float64]:
        """Middle of the working picture (x, y)."""
        return np.array([(self.width - 1) / 2, (self.height - 1) / 2])

    @property
    def longest(self) -> int:
        """Longest side in working px."""
        return max(self.width, self.height)

    @cached_property
    def features(self) -> Features:
        """RootSIFT features, in working px."""
        if self.known is not None:
            return self.known
        found = extract(self.pixels, FEATURES)
        if self.mask is None or not len(found):
            return found
        near = cv2.dilate(self.mask.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
        column = np.clip(np.rint(found.xy[:, 0]).astype(int), 0, self.width - 1)
        row = np.clip(np.rint(found.xy[:, 1]).astype(int), 0, self.height - 1)
        return found.take(near[row, column])

    @cached_property
    def mirrored_features(self) -> Features:
        """Features of the picture mirrored left to right, to tell a mirrored photo."""
        return extract(np.ascontiguousarray(self.pixels[:, ::-1]), FEATURES)

    @cached_property
    def softened(self) -> tuple[Picture, ...]:
        """The picture with its finest structure taken away, a little and more.

        The dots of a coarse halftone screen are the strongest patches of a print, and agree with
        nothing; softened, it shows what was printed.
        """
        return tuple(
            replace(self, pixels=cv2.GaussianBlur(self.pixels, (0, 0), sigma), known=None)
            for sigma in SOFTER
        )

    @property
    def blur_px(self) -> float:
        """Working px a px of what blur is told by."""
        return max(1.0, self.longest / BLUR_SIDE)

    @cached_property
    def blur(self) -> float | None:
        """Sigma, working px, of the sharpest edges anywhere; `None` where there are none."""
        small = resize_to_fit(self.pixels, BLUR_SIDE)
        blur = estimate_blur(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY).astype(np.float32))
        return None if blur is None else blur * self.blur_px

    @cached_property
    def grey(self) -> NDArray[np.float32]:
        """Logarithm of luminance, so that light is an addend."""
        return log_grey(self.pixels)

    def to_full(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Working points to points of the photo handed in."""
        full: NDArray[np.float64] = (points + 0.5) / self.shrunk - 0.5
        return full

    @property
    def full_from_working(self) -> NDArray[np.float64]:
        """:meth:`to_full` as a matrix."""
        shift = 0.5 / self.shrunk - 0.5
        return np.array([[1 / self.shrunk, 0, shift], [0, 1 / self.shrunk, shift], [0, 0, 1]])


def log_grey(pixels: Pixels) -> NDArray[np.float32]:
    """Return the logarithm of luminance, the dark end held up against noise."""
    table = np.log((np.arange(256) / 255.0) ** 2.2 + 0.01).astype(np.float32)
    return np.asarray(cv2.LUT(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), table), np.float32)
