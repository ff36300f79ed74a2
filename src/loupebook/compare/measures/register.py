"""Foil register: foil printed beside its place, against the inks.

Foil is where colours of genuine ones vary with the light; its edges and the inks' are
followed apart.
"""

from __future__ import annotations

import numpy as np

from loupebook.compare.frame import Framed
from loupebook.compare.measures._model import Measured, cannot
from loupebook.compare.registration import SURE

NAME = "foil register"
UNIT = "mm"
SAYS = "foil lies beside its place"

LEAST_PX_PER_MM = 6.0
_FOIL = 0.35
_INK = 0.25
_FEWEST = 15


def measure(framed: Framed) -> Measured:
    """Return the distance of the median displacements of foil and of ink."""
    scale = framed.px_per_mm
    if scale is None or scale < LEAST_PX_PER_MM:
        return cannot("the photo is too coarse, or its scale is not known")
    cells = framed.cells
    column, row = np.rint(cells.at).astype(int).T
    spread = framed.consensus.colour_spread[row, column]
    sure = cells.likeness > SURE
    foil, ink = sure & (spread > _FOIL), sure & (spread < _INK)
    if min(foil.sum(), ink.sum()) < _FEWEST:
        return cannot("too little foil or ink can be followed")
    apart = np.median(cells.shift[foil], axis=0) - np.median(cells.shift[ink], axis=0)
    return Measured(float(np.linalg.norm(apart)) / framed.consensus.unit)
