"""Which parts of a photo are embedded, of references and of queries."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loupebook.imaging import rectify, resize_to_fit
from loupebook.search.arm import Pixels, QueryPhoto

WORKING_SIDE = 1600
"""Longest side in px to which references and queries are brought first, in the same way, so
that one photo gives one embedding whatever size it is handed in at. No encoder here looks
closer."""


@dataclass(frozen=True)
class Window:
    """A part of a photo, as shares of its width and height."""

    name: str
    left: float
    top: float
    right: float
    bottom: float

    def cut(self, pixels: Pixels) -> Pixels:
        """Return the part as a view; at least one px a side."""
        height, width = pixels.shape[:2]
        x, y = int(self.left * width), int(self.top * height)
        right = max(x + 1, round(self.right * width))
        bottom = max(y + 1, round(self.bottom * height))
        return pixels[y:bottom, x:right]


WHOLE = Window("whole", 0.0, 0.0, 1.0, 1.0)
INNER = Window("inner", 0.1, 0.1, 0.9, 0.9)
CENTRE = Window("centre", 0.2, 0.2, 0.8, 0.8)

# Measured with the ImageNet tower at 256 px, four quarter turns tried, recall@1 of the whole
# query alone and with inner and centre: emoji across vendors .53 -> .56 and .49 -> .47 (800),
# re-captures of scikit-image's pictures .24 -> .55 (127), hand-held cartons .32 -> .34 (207).
# Centres or quadrants of references on top gained nothing on all of them together (at 288 px),
# for two to six times the memory.
REFERENCE_WINDOWS = (WHOLE,)
QUERY_WINDOWS = (WHOLE, INNER, CENTRE)


def working_copy(pixels: Pixels) -> Pixels:
    """Bring a photo to the size that embeddings are taken at."""
    if max(pixels.shape[:2]) <= WORKING_SIDE:
        return pixels
    return resize_to_fit(pixels, WORKING_SIDE)


def marked_part(query: QueryPhoto) -> Pixels:
    """Return the part that the query's region marks, upright, or the whole photo."""
    if query.region is None:
        return query.pixels
    # Our points lie on pixel centres, imaging's on outer edges.
    return rectify(query.pixels, np.asarray(query.region, np.float64) + 0.5)
