"""Halftone screen: dots of process colour where genuine ones are printed in solid inks.

The mean power spectrum of small tiles of the item, divided by that of the consensus: a
screen stands out as a narrow peak at 4 to 8 lines a mm (common practice, no source).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from loupebook.compare.frame import Framed
from loupebook.compare.look import lightness
from loupebook.compare.measures._model import Measured, cannot

NAME = "halftone screen"
UNIT = "× background"
SAYS = "the print is built of screen dots"

LEAST_PX_PER_MM = 12.0
SOFTEST_MM = 0.07
_TILE = 64
_FINEST = 7.5
_COARSEST = 4.0
_FEWEST_TILES = 6


def measure(framed: Framed) -> Measured:
    """Return the highest peak over the median of the spectrum in the screens' range."""
    scale = framed.px_per_mm
    if scale is None or scale < LEAST_PX_PER_MM:
        return cannot(
            "the scale is not known"
            if scale is None
            else f"the photo shows {scale:.1f} px a mm; a screen needs {LEAST_PX_PER_MM:.0f}"
        )
    if framed.softness_mm > SOFTEST_MM:
        return cannot("the photo is too soft to show dots")
    query = spectrum(lightness(framed.colour), framed.inner)
    model = spectrum(framed.consensus.grey, framed.inner)
    if query is None or model is None:
        return cannot("too little of the item is seen")
    lines = frequency() * framed.consensus.unit
    ring = (lines > _COARSEST) & (lines < min(_FINEST, 0.45 * scale))
    rise = query / (model + np.median(query[ring]) * 0.5)
    peak = rise[ring].max() / np.median(rise[ring])
    return Measured(float(peak))


def frequency() -> NDArray[np.float64]:
    """Return cycles a px of each bin of a tile's half spectrum."""
    down = np.fft.fftfreq(_TILE)[:, None]
    return np.asarray(np.hypot(down, np.fft.rfftfreq(_TILE)[None]))


def spectrum(grey: NDArray[np.float32], mask: NDArray[np.bool_]) -> NDArray[np.float64] | None:
    """Return the mean power spectrum of the tiles inside, each of unit power."""
    window = np.outer(np.hanning(_TILE), np.hanning(_TILE))
    powers = []
    for top in range(0, grey.shape[0] - _TILE + 1, _TILE // 2):
        for left in range(0, grey.shape[1] - _TILE + 1, _TILE // 2):
            part = (slice(top, top + _TILE), slice(left, left + _TILE))
            if mask[part].mean() < 0.95:
                continue
            tile = grey[part] - grey[part].mean()
            power = np.abs(np.fft.rfft2(tile * window)) ** 2
            powers.append(power / max(power.sum(), 1e-9))
    return np.mean(powers, axis=0) if len(powers) >= _FEWEST_TILES else None
