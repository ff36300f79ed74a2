"""The consensus image of a design as a picture to draw points of comparison on.

Regions are kept in px of the photo that gives the image its frame (the anchor), so that they
stay true when the image is made anew from more photos.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from loupebook.compare import Consensus, Picture
from loupebook.records.model import Element, Lighting, PhotoFacts, Standing, View

Corners = Sequence[Sequence[float]]
Pixels = NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class ConsensusPicture:
    """A consensus image and where it lies in its anchor photo.

    Parameters
    ----------
    pixels : ndarray
        uint8 sRGB (height, width, 3).
    photo_id : int
        The anchor.
    photos : int
        How many photos it is made from.
    px_per_mm : float, optional
        Its scale.
    place : (left, top, scale)
        Where it was cut out of the anchor at working size, and its px a working px.
    shrunk : float
        Working px a px of the anchor.
    """

    pixels: Pixels = field(repr=False)
    photo_id: int
    photos: int
    px_per_mm: float | None
    place: tuple[float, float, float]
    shrunk: float

    @classmethod
    def of(cls, consensus: Consensus, read: Callable[[int], Pixels]) -> ConsensusPicture:
        """Make one of a consensus; the anchor photo is read for its size."""
        anchor = consensus.photos[0].photo_id
        shrunk = Picture.of(read(anchor)).shrunk
        return cls(
            consensus.pixels,
            anchor,
            len(consensus.photos),
            consensus.px_per_mm,
            consensus.place,
            shrunk,
        )

    def to_photo(self, corners: Corners) -> list[tuple[float, float]]:
        """Return corners drawn here, px, as corners in the anchor photo."""
        left, top, scale = self.place
        working = (np.asarray(corners, np.float64) + 0.5) / scale - 0.5 + [left, top]
        full = (working + 0.5) / self.shrunk - 0.5
        return [(float(x), float(y)) for x, y in full]

    def from_photo(self, corners: Corners) -> list[tuple[float, float]]:
        """Return corners in the anchor photo as corners here, px."""
        left, top, scale = self.place
        working = (np.asarray(corners, np.float64) + 0.5) * self.shrunk - 0.5
        here = (working - [left, top] + 0.5) * scale - 0.5
        return [(float(x), float(y)) for x, y in here]


@dataclass(frozen=True)
class Design:
    """What points of comparison are drawn for: an edition in one view and lighting.

    Parameters
    ----------
    marque, edition, element, view, lighting
        Which.
    photo_id : int
        One of its genuine photos.
    photos : int
        How many genuine photos there are.
    """

    marque: str | None
    edition: str
    element: Element
    view: View
    lighting: Lighting
    photo_id: int
    photos: int

    @property
    def shown(self) -> tuple[str | None, str, Element, View, Lighting]:
        """What tells it from other designs."""
        return self.marque, self.edition, self.element, self.view, self.lighting


def designs_of(facts: Mapping[int, PhotoFacts]) -> list[Design]:
    """Return the designs of which there are genuine photos, by edition, view and lighting."""
    groups: dict[tuple[str, str, Element, View, Lighting], list[int]] = {}
    for photo_id, fact in facts.items():
        if fact.standing is Standing.GENUINE and fact.edition is not None:
            key = (fact.edition, fact.marque or "", fact.element, fact.view, fact.lighting)
            groups.setdefault(key, []).append(photo_id)
    found = []
    for key in sorted(groups):
        first = facts[groups[key][0]]
        found.append(
            Design(
                first.marque, key[0], first.element, first.view, first.lighting,
                groups[key][0], len(groups[key]),
            )
        )  # fmt: skip
    return found
