"""Whether query and references were lit alike: under a UV-A lamp, or not.

Told by the item's own px, where both show it: a blue table says nothing, and a print that is
blue itself is so in the references too.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from loupebook.compare.frame import Framed

UV_FROM = 0.4
"""Cast from which an item was lit by a UV-A lamp. Chosen on rendered world 960201 and the demo set:
91 photos under a lamp have .54 and more (least: copies whose paper glows), 353 by daylight .30
and less, blue tables and bluish inks among them. Of two other worlds all are on the right side: 58
under a lamp (.58 and more), 118 of seals and 119 of bands by daylight (.28 and less). By the whole
photo, blue over the greater of red and green, daylight reaches 1.27 and the lamp .96."""
APART = 0.4
"""Casts further apart than this are of two lights, if `UV_FROM` lies between them. Of the seals
above, each held against both lights, all 326 by daylight are refused against the lamp's and none
against daylight's. The other way one copy of 149 photos passes for daylight at .5, none at .4."""


def lit_otherwise(framed: Framed, *, uv: bool) -> str:
    """Return why a query cannot be held against a consensus for its light, or nothing.

    Parameters
    ----------
    framed : Framed
        The query in the frame.
    uv : bool
        Whether all were photographed under UV-A, as it is recorded. A photo that does not look
        so is not held against them, whatever they look like: it shows no glow, and must not be
        said to lack fluorescent print.
    """
    inner = framed.inner
    if not inner.any():
        return ""
    query, known = (cast_of(plane[inner]) for plane in (framed.raw, framed.consensus.middle))
    told_apart = abs(query - known) > APART
    if query < UV_FROM and (uv or (known >= UV_FROM and told_apart)):
        return "the references were lit by a UV-A lamp, the query was not"
    if query >= UV_FROM > known and told_apart:
        return "the query was lit by a UV-A lamp, the references were not"
    return ""


def cast_of(colour: NDArray[np.float32]) -> float:
    """Return how far blue stands out, in the middle of logarithmic colours (n, 3)."""
    return float(np.median(colour[:, 2] - colour[:, :2].max(axis=1)))
