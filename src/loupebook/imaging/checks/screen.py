"""Photographed from a screen.

A display's pixel grid, or its moiré, shows as sharp peaks in the spectrum, at the same
place all over the picture. So the log spectra of tiles, each levelled by its own
surroundings, are combined by their median: what belongs to one place drops out, what covers
the whole frame stays. Left out are the peaks of the JPEG block grid and those exactly
along the axes, which straight level edges of any picture make; a hand-held photo of a
screen is hardly ever that level.

Measured: the highest of 681 photos reaches 1.54 (logarithmic units); of 128 simulated
photos of a screen (1.2 to 4 camera px a display px, turned up to 12°) 92 % exceed 2.2. A
fabric or a printed screen that covers the whole frame looks the same, and the words say so.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.imaging.checks._model import Finding, Severity
from loupebook.imaging.checks._view import PhotoView

_WARN: Final = 2.2
_MOST_TILES: Final = 3  # a side
_LOWEST_FREQUENCY: Final = 0.1  # cycles a px
_GRID_WIDTH: Final = 1.6  # bins
_AXIS_WIDTH: Final = 2.5  # bins
_SURROUNDINGS: Final = 15  # bins
_RIM: Final = 3  # bins


def find(view: PhotoView) -> list[Finding]:
    """Judge the highest peak that all tiles share."""
    peak = shared_peak(view)
    if peak is None or peak < _WARN:
        return []
    return [
        Finding(
            "screen-pattern",
            Severity.WARN,
            "A fine regular pattern covers the whole picture, as in a photo of a screen.",
            "Photograph the item itself, not a picture of it. If the pattern is the print "
            "or the cloth, this can be ignored.",
            round(peak, 2),
            "log units",
        )
    ]


def shared_peak(view: PhotoView) -> float | None:
    """Return the height of the highest spectral peak that the tiles share, in log units.

    None where the photo is too small for tiles.
    """
    side = 256 if min(view.width, view.height) >= 512 else 128
    if min(view.width, view.height) < 1.5 * side:
        return None
    window = np.outer(np.hanning(side), np.hanning(side)).astype(np.float32)
    spectra = [
        _levelled(view.pixels[top : top + side, left : left + side], window)
        for top in _starts(view.height, side)
        for left in _starts(view.width, side)
    ]
    shared = np.where(_counted(side), np.median(spectra, axis=0), 0)
    return float(shared[_RIM:-_RIM, :-_RIM].max())


def _starts(length: int, side: int) -> list[int]:
    count = min(_MOST_TILES, max(2, 2 * (length // side) - 1))
    return [int(start) for start in np.linspace(0, length - side, count)]


def _levelled(tile: NDArray[np.uint8], window: NDArray[np.float32]) -> NDArray[np.float32]:
    grey = np.asarray(cv2.cvtColor(tile, cv2.COLOR_RGB2GRAY)).astype(np.float32)
    spectrum = np.log1p(np.abs(np.fft.rfft2((grey - grey.mean()) * window)))
    spectrum = np.fft.fftshift(spectrum, axes=0).astype(np.float32)
    level = cv2.blur(spectrum, (_SURROUNDINGS, _SURROUNDINGS))
    return np.asarray(spectrum - level, dtype=np.float32)


def _counted(side: int) -> NDArray[np.bool_]:
    """Which bins count: fine structure, off the frequencies of an 8 px grid."""
    down = np.fft.fftshift(np.fft.fftfreq(side))[:, None]
    across = np.fft.rfftfreq(side)[None, :]
    on_grid = [
        np.abs(8 * axis - np.round(8 * axis)) < 8 * _GRID_WIDTH / side for axis in (down, across)
    ]
    fine = np.hypot(down, across) > _LOWEST_FREQUENCY
    on_axis = (np.abs(down) < _AXIS_WIDTH / side) | (across < _AXIS_WIDTH / side)
    return np.asarray(fine & ~on_axis & ~(on_grid[0] & on_grid[1]), dtype=np.bool_)
