"""Geometry: print that lies in another place than on genuine ones, once pose is taken out."""

from __future__ import annotations

import numpy as np

from loupebook.compare.frame import Framed
from loupebook.compare.measures._model import Measured, cannot
from loupebook.compare.registration import SURE

NAME = "geometry"
UNIT = "mm"
SAYS = "parts lie in other places, or the proportions are others"

_FEWEST = 25


def measure(framed: Framed) -> Measured:
    """Return the root mean square of the smooth displacement that pose does not explain."""
    cells = framed.cells
    sure = cells.likeness > SURE
    if sure.sum() < _FEWEST:
        return cannot("too few points can be followed exactly")
    if framed.consensus.px_per_mm is None:
        return cannot("the scale is not known")
    right, down = framed.drift
    length = np.sqrt(right**2 + down**2) / framed.consensus.unit
    column, row = np.rint(cells.at[sure]).astype(int).T
    at_points = length[row, column]
    return Measured(
        float(np.sqrt(np.mean(at_points**2))), map=(length * framed.inner).astype(np.float32)
    )
