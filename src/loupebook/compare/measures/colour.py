"""Colour: how far any one ink or the paper lies from the genuine colour.

CIEDE2000 (Sharma, Wu & Dalal 2005, doi:10.1002/col.20070) after light and camera are taken
out over paper and inks together; D65, 2° observer. Foil and other parts whose colour varies
among genuine ones do not count. The map shows each ink by how far its colour lies off, so
that it says what the figure says; differences px by px would show every edge.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from skimage.color import deltaE_ciede2000, rgb2lab

from loupebook.compare.frame import Framed, soft
from loupebook.compare.light import to_srgb
from loupebook.compare.measures._model import Measured, cannot

NAME = "colour"
UNIT = "ΔE00"
SAYS = "an ink or the paper has another colour"

_INKS = 7
_PIXELS = 12_000
_LEAST_SHARE = 0.02
_STEADY = 0.30
"""Spread (natural logarithm) up to which a px's colour is steady among genuine ones."""
_WORST_FIT = 0.5
LEAST_PX_PER_MM = 3.0
"""Coarser photos mix neighbouring inks, and so do those softer than `SOFTEST_MM`."""
SOFTEST_MM = 0.3


def measure(framed: Framed) -> Measured:
    """Return the greatest difference of the median colours of one ink."""
    scale = framed.px_per_mm
    if scale is not None and scale < LEAST_PX_PER_MM:
        return cannot(f"the photo shows {scale:.1f} px a mm; inks need {LEAST_PX_PER_MM:.0f}")
    if framed.softness_mm > SOFTEST_MM:
        return cannot("the photo is so soft that inks run into each other")
    if framed.light.miss > _WORST_FIT:
        return cannot("light and camera could not be told from the colour of the print")
    if framed.grey_only:
        return cannot("the photo is black and white")
    blur = max(1.0, 0.15 * framed.consensus.unit)
    query, model = (rgb2lab(to_srgb(soft(plane, blur))) for plane in framed.in_place)
    steady = framed.inner & (framed.consensus.colour_spread < _STEADY)
    if steady.sum() < 2000:
        return cannot("no part of the item keeps its colour in every light")
    whole = model[steady]
    shown = np.flatnonzero(steady)
    shown = shown[:: max(1, len(shown) // _PIXELS)]
    query, model = query.reshape(-1, 3)[shown], model.reshape(-1, 3)[shown]
    inks = inks_of(model)
    centres, apart = np.full((_INKS, 3), np.inf), np.zeros(_INKS, np.float32)
    for ink in range(_INKS):
        of_ink = inks == ink
        if of_ink.mean() < _LEAST_SHARE:
            continue
        centres[ink] = model[of_ink].mean(axis=0)
        ours, theirs = (np.median(lab[of_ink], axis=0) for lab in (query, model))
        apart[ink] = float(deltaE_ciede2000(theirs, ours))
    plane = np.zeros(steady.shape, np.float32)
    plane[steady] = apart[_nearest(whole, centres)]
    return Measured(float(apart.max()), map=plane)


def _nearest(lab: NDArray[np.float64], centres: NDArray[np.float64]) -> NDArray[np.int64]:
    """Return the nearest of some colours to each px; one after the other, to save memory."""
    least, nearest = np.full(len(lab), np.inf), np.zeros(len(lab), np.int64)
    for number, centre in enumerate(centres):
        far = ((lab - centre) ** 2).sum(axis=1)
        nearer = far < least
        least[nearer], nearest[nearer] = far[nearer], number
    return nearest


def inks_of(lab: NDArray[np.float64]) -> NDArray[np.int32]:
    """Part px by colour (k-means from fixed starts, so that the answer is the same each time)."""
    order = np.argsort(lab[:, 0])
    starts = np.linspace(0, len(lab) - 1, _INKS).astype(int)
    labels = np.zeros(len(lab), np.int32)
    centres = lab[order[starts]].astype(np.float32)
    for _ in range(8):
        labels = np.argmin(((lab[:, None, :] - centres[None]) ** 2).sum(-1), axis=1).astype(
            np.int32
        )
        for ink in range(_INKS):
            if (labels == ink).any():
                centres[ink] = lab[labels == ink].mean(axis=0)
    return labels
