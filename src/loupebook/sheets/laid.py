"""Photos laid into the frame of a consensus image for print, or cropped where that fails.

Frame: the consensus image's; a plate of a laid photo covers exactly that frame, so that
places given as fractions of the consensus hold on every plate of a sheet.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loupebook.compare import Consensus, Picture, Registration, register
from loupebook.compare.consensus import item_box
from loupebook.compare.registration import sample_photo

MOST_DETAIL = 3.0
"""Laid pictures have at most so many times the consensus image's resolution."""
_SURROUND = 119
"""Grey, sRGB, where the photo shows nothing."""
_LEAST_FEATURES = 24


@dataclass(frozen=True, eq=False)
class Laid:
    """One photo, ready to be printed.

    Parameters
    ----------
    pixels : ndarray
        uint8 sRGB (height, width, 3).
    px_per_mm : float, optional
        Its scale in the item's plane.
    registered : bool
        Whether it covers the frame.
    reason : str
        Why not, in plain words.
    """

    pixels: NDArray[np.uint8]
    px_per_mm: float | None
    registered: bool
    reason: str = ""

    @property
    def note(self) -> str:
        """What a caption says of how the picture was made."""
        if self.registered:
            return "laid into the common frame"
        return f"not laid into the common frame ({self.reason}); cropped, places may lie elsewhere"


class Mapped(NamedTuple):
    """How a photo lies over a frame: px of the photo handed in at each frame point."""

    at: NDArray[np.float64]
    valid: NDArray[np.bool_]


def lay_into(
    photo: NDArray[np.uint8], consensus: Consensus, *, px_per_mm: float | None = None
) -> Laid:
    """Lay a photo into the frame of a consensus, at the photo's own resolution.

    Parameters
    ----------
    photo : ndarray
        uint8 sRGB (height, width, 3).
    consensus : Consensus
        Gives the frame and the scale.
    px_per_mm : float, optional
        Scale of the photo, used where it cannot be registered.
    """
    picture = Picture.of(photo)
    return laid_by(picture, register(picture, consensus.picture), consensus, px_per_mm=px_per_mm)


def laid_by(
    picture: Picture,
    registration: Registration,
    consensus: Consensus,
    *,
    px_per_mm: float | None = None,
) -> Laid:
    """Lay a photo into a frame by a registration that is known; see :func:`lay_into`."""
    if not registration.registered or registration.warp is None:
        return crop_to_print(picture, px_per_mm, reason=registration.reason)
    step = detail_of(picture, registration, consensus)
    rows, columns = consensus.shape
    at = frame_points(rows, columns, step)
    pixels, valid = sample_photo(picture, registration.warp, at)
    shown = np.clip(np.asarray(pixels), 0, 255).astype(np.uint8)
    shown[~valid] = _SURROUND
    scale = consensus.px_per_mm and consensus.px_per_mm / step
    return Laid(shown, scale, True)


def detail_of(picture: Picture, registration: Registration, consensus: Consensus) -> float:
    """Return the step between samples, frame px, at which a photo's own px are kept."""
    assert registration.warp is not None
    rows, columns = consensus.shape
    some = frame_points(rows, columns, max(rows, columns) / 12)
    stretch = float(np.median(registration.warp.stretch(some))) or 1.0
    return 1.0 / float(np.clip(stretch / picture.shrunk, 1.0, MOST_DETAIL))


def frame_points(rows: int, columns: int, step: float) -> NDArray[np.float64]:
    """Return points (x, y) that cover a frame px for px, `step` frame px apart."""
    y, x = (
        (np.arange(max(2, round(count / step))) + 0.5) * step - 0.5 for count in (rows, columns)
    )
    return np.stack(np.meshgrid(x, y), -1)


def crop_to_print(picture: Picture, px_per_mm: float | None, *, reason: str) -> Laid:
    """Cut a photo down to where it shows print, for want of a registration."""
    shown = picture.pixels
    if len(picture.features) >= _LEAST_FEATURES:
        _, (left, top, right, bottom) = item_box(picture, [])
        shown = shown[top:bottom, left:right]
    scale = px_per_mm and px_per_mm * picture.shrunk
    return Laid(np.ascontiguousarray(shown), scale, False, reason or "it shows another print")


def places_on_photo(photo: NDArray[np.uint8], consensus: Consensus) -> Mapped | None:
    """Return where frame points lie on a photo; `None` where it cannot be registered."""
    picture = Picture.of(photo)
    return mapped_by(picture, register(picture, consensus.picture), consensus)


def mapped_by(picture: Picture, registration: Registration, consensus: Consensus) -> Mapped | None:
    """Return where frame points lie on a photo, by a registration that is known.

    Returns
    -------
    Mapped or None
        `at` is (rows, columns, 2), fractions 0..1 of the photo, on the grid of the frame.
    """
    if not registration.registered or registration.warp is None:
        return None
    rows, columns = consensus.shape
    points = frame_points(rows, columns, 1.0)
    mapped = registration.warp(points)
    fractions = (mapped + 0.5) / np.array([picture.width, picture.height])
    valid = registration.warp.seen(points)
    return Mapped(fractions, np.asarray(valid & ((fractions > 0) & (fractions < 1)).all(-1)))
