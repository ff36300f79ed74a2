"""Which parts of a photo are embedded, of references and of queries."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loupebook.imaging import rectify, resize_to_fit, rotate_quarter
from loupebook.search.arm import Box, Outline, Pixels, QueryPhoto

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
        left, top, right, bottom = self.box(pixels.shape[1], pixels.shape[0])
        return pixels[top:bottom, left:right]

    def box(self, width: int, height: int) -> Box:
        """Return where the part lies in a picture of a size; at least one px a side."""
        left, top = int(self.left * width), int(self.top * height)
        right = max(left + 1, round(self.right * width))
        return left, top, right, max(top + 1, round(self.bottom * height))


@dataclass(frozen=True)
class View:
    """One way to look at a query.

    Parameters
    ----------
    window : Window
        The part looked at.
    turn : int
        Clockwise quarter turns given to it.
    discount : float
        What its cosines are lessened by: among many small windows, one is like something by
        chance.
    """

    window: Window
    turn: int = 0
    discount: float = 0.0

    def cut(self, pixels: Pixels) -> Pixels:
        """Return the part, turned."""
        return rotate_quarter(self.window.cut(pixels), self.turn)


WHOLE = Window("whole", 0.0, 0.0, 1.0, 1.0)
CENTRE = Window("centre", 0.2, 0.2, 0.8, 0.8)
HALVES = tuple(
    Window(f"half {row}{column}", column / 4, row / 4, column / 4 + 0.5, row / 4 + 0.5)
    for row in range(3)
    for column in range(3)
)

# Measured with lite0-print, recall@1 of the embedding alone on 144 queries among 271 references
# (drawn labels, caps and pictures in clutter of a world of its own; hand-held cartons): whole and
# two centres .688, with the nine halves .743 (caps on 10 to 20 % of the frame .67 -> .92, pictures
# .25 -> .62, cartons .78 -> .77); sixteen windows of 35 % on top gain nothing. Quarter turns of
# all windows gained nothing over those of the whole photo (.792 against .800 on another world):
# the encoder was trained on turned items; they stay for the whole photo, others were not.
# More windows of references gained nothing for two to six times the memory.
REFERENCE_WINDOWS = (WHOLE,)
TURNED = tuple(View(WHOLE, turn) for turn in range(4))
ANYWHERE = (*TURNED, View(CENTRE), *(View(window, discount=0.03) for window in HALVES))


def views_of(query: QueryPhoto) -> tuple[View, ...]:
    """Return how to look at a query: all over, or with one look where the item is known."""
    if query.region is None:
        return TURNED[:1] if query.placed else ANYWHERE
    return TURNED[:1] if query.upright else TURNED


def working_copy(pixels: Pixels) -> Pixels:
    """Bring a photo to the size that embeddings are taken at."""
    if max(pixels.shape[:2]) <= WORKING_SIDE:
        return pixels
    return resize_to_fit(pixels, WORKING_SIDE)


def marked_part(query: QueryPhoto) -> Pixels:
    """Return the part that the query's region marks, upright, or the whole photo.

    It is as large as embeddings need at most, see :data:`WORKING_SIDE`.
    """
    if query.region is None:
        return working_copy(query.pixels)
    # Our points lie on pixel centres, imaging's on outer edges.
    corners = np.asarray(query.region, np.float64) + 0.5
    return rectify(query.pixels, corners, longest=WORKING_SIDE)


def part_looked_at(query: QueryPhoto, view: View) -> Box:
    """Return which part of the query a view shows, px; of a marked part, the box about it."""
    height, width = query.pixels.shape[:2]
    if query.region is None:
        return view.window.box(width, height)
    return box_about(query.region, width, height)


def box_about(outline: Outline, width: int, height: int, *, margin: float = 0.0) -> Box:
    """Return the upright box about an outline within a picture of a size.

    Parameters
    ----------
    outline : Outline
        Four corners.
    width, height : int
        Size of the picture, px.
    margin : float
        Added on every side, as a share of the box's longer side.
    """
    corners = np.asarray(outline, np.float64)
    low, high = corners.min(axis=0), corners.max(axis=0)
    more = margin * float((high - low).max())
    left, top = np.clip(np.floor(low - more), 0, (width - 1, height - 1)).astype(int).tolist()
    right, bottom = np.clip(np.ceil(high + more) + 1, 1, (width, height)).astype(int).tolist()
    return left, top, max(right, left + 1), max(bottom, top + 1)
