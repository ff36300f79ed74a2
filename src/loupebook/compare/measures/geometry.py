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
FEWEST_AGREEING = 30
"""Matches from which a pose is known well enough to tell what it does not explain. Chosen on the
reported worlds: poses of photos taken badly rested on 14 to 28, and print that lies right seemed
to lie elsewhere."""


def measure(framed: Framed) -> Measured:
    """Return the root mean square of the smooth displacement that pose does not explain."""
    if framed.agreeing is not None and framed.agreeing < FEWEST_AGREEING:
        return cannot("too few places agree to tell the pose from the print")
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
