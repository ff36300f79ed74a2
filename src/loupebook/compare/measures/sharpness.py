"""Edge sharpness: print softer than the camera was.

A scanned and reprinted design has soft edges however sharp the photo. What the camera
blurred is known from the sharpest edges of the whole photo; only a sharp photo can tell.
"""

from __future__ import annotations

from loupebook.compare.frame import Framed
from loupebook.compare.measures._model import Measured, cannot

NAME = "edge sharpness"
UNIT = "mm of blur"
SAYS = "edges are softer than on the known ones"

_WORST_CAPTURE_MM = 0.09


def measure(framed: Framed) -> Measured:
    """Return the blur that makes the consensus as soft as the query, less the capture's."""
    if framed.px_per_mm is None:
        return cannot("the scale is not known")
    capture = framed.capture_blur
    if capture is None or capture / framed.consensus.unit > _WORST_CAPTURE_MM:
        return cannot("the photo itself is not sharp enough")
    own, other = framed.sharpness
    return Measured((other - own) / framed.consensus.unit)
