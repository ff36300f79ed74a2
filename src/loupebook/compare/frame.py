"""A query laid into a consensus' frame: what every measurement looks at."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.compare.consensus import Aligned, Consensus, lightness
from loupebook.compare.grid import Cells, corners, flatten_light, follow
from loupebook.compare.light import LightFit, log_colour, match_light, to_srgb
from loupebook.compare.look import blur_to, distance, fineness, look_of
from loupebook.compare.picture import Picture
from loupebook.compare.registration import Registration, sample

Plane = NDArray[np.float32]
Mask = NDArray[np.bool_]

_BURNT = 0.93
"""Linear light, in all channels, from which a px is glare in which nothing can be seen."""


@dataclass(frozen=True, eq=False)
class Framed:
    """A query in the frame of a consensus.

    Parameters
    ----------
    consensus : Consensus
        What it is compared with.
    raw : ndarray
        float32 (height, width, 3) logarithmic colour as photographed.
    valid : ndarray
        bool (height, width), where the query shows the item.
    resolution : float
        Query px a frame px (working px of the query).
    """

    consensus: Consensus
    raw: Plane
    valid: Mask
    resolution: float

    @classmethod
    def of(cls, query: Picture, registration: Registration, consensus: Consensus) -> Framed:
        """Lay a registered query into the frame."""
        assert registration.warp is not None
        rows, columns = consensus.shape
        y, x = np.mgrid[0:rows, 0:columns].astype(np.float64)
        at = np.stack([x, y], -1)
        raw, valid = sample(log_colour(query.pixels), registration.warp, at)
        some = at[:: rows // 10 + 1, :: columns // 10 + 1]
        inside = consensus.mask[:: rows // 10 + 1, :: columns // 10 + 1]
        stretch = registration.warp.stretch(some)[inside]
        resolution = float(np.median(stretch)) if stretch.size else 1.0
        return cls(consensus, raw, valid & consensus.mask & consensus_counts(consensus), resolution)

    @classmethod
    def of_aligned(cls, photo: Aligned, consensus: Consensus, *, coarser: float = 1.0) -> Framed:
        """Treat a photo that lies in the frame already as a query; to learn what is usual.

        Parameters
        ----------
        photo : Aligned
            A photo of the same frame.
        consensus : Consensus
            Of other specimens.
        coarser : float
            By how much its resolution is taken down first, at least 1.
        """
        colour = photo.colour
        if coarser > 1:
            rows, columns = consensus.shape
            small = (max(8, round(columns / coarser)), max(8, round(rows / coarser)))
            colour = cv2.resize(
                cv2.resize(colour, small, interpolation=cv2.INTER_AREA), (columns, rows),
                interpolation=cv2.INTER_CUBIC,
            )  # fmt: skip
        resolution = min(1.0, photo.resolution) / coarser
        return cls(consensus, colour, photo.valid & consensus.mask, resolution)

    @property
    def px_per_mm(self) -> float | None:
        """Scale at which the print was seen: the coarser of query and frame."""
        scale = self.consensus.px_per_mm
        return None if scale is None else scale * min(1.0, self.resolution)

    @cached_property
    def glare(self) -> Mask:
        """Where nothing can be seen for glare."""
        burnt = (self.raw > np.log(_BURNT)).all(axis=2).astype(np.uint8)
        return np.asarray(cv2.dilate(burnt, np.ones((5, 5), np.uint8)) > 0)

    @cached_property
    def mask(self) -> Mask:
        """Where query and consensus can be compared."""
        return np.asarray(self.valid & ~self.glare)

    @cached_property
    def _matched(self) -> tuple[Plane, LightFit]:
        return match_light(self.raw, self.consensus.middle, self.mask)

    @property
    def colour(self) -> Plane:
        """The query under the consensus' light."""
        return self._matched[0]

    @property
    def light(self) -> LightFit:
        """What it took to bring it there."""
        return self._matched[1]

    @cached_property
    def pixels(self) -> NDArray[np.uint8]:
        """The query in the frame as a picture, as photographed."""
        shown = np.rint(to_srgb(self.raw) * 255).astype(np.uint8)
        shown[~self.valid & ~self.consensus.mask] //= 2
        return shown

    @cached_property
    def sharpness(self) -> tuple[float, float]:
        """Sigmas, frame px, that the query and the consensus are blurred by to be alike."""
        reach, mask = self.consensus.reach, self.mask
        own = fineness(self.grey, mask, reach)
        other = fineness(self.consensus.grey, mask, reach)
        if own < other:
            return 0.0, blur_to(self.consensus.grey, mask, reach, own)
        return blur_to(self.grey, mask, reach, other), 0.0

    @cached_property
    def grey(self) -> Plane:
        """Logarithmic lightness under the consensus' light."""
        return lightness(self.colour)

    @cached_property
    def level(self) -> tuple[Plane, Plane]:
        """Lightness of query and consensus at one common sharpness."""
        own, other = self.sharpness
        return soft(self.grey, own), soft(self.consensus.grey, other)

    @cached_property
    def cells(self) -> Cells:
        """What displacement is left between consensus and query, frame px."""
        reach, mask = self.consensus.reach, self.mask
        query, model = (flatten_light(plane, reach, mask) for plane in self.level)
        points = corners(model, mask, cell=max(8, round(self.consensus.longest / 50)))
        return follow(model, query, points, mask) if len(points) else Cells(*[np.empty((0, 2))] * 2, np.empty(0), np.empty(0))

    @cached_property
    def looks(self) -> tuple[Plane, Plane]:
        """Looks of query and consensus at one common sharpness."""
        reach, mask = self.consensus.reach, self.mask
        query, model = self.level
        return look_of(query, mask, reach), look_of(model, mask, reach)

    @cached_property
    def apart(self) -> Plane:
        """How many times further the query lies from the middle than genuine ones do."""
        query, model = self.looks
        inner = cv2.erode(self.mask.astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
        return np.asarray(distance(query, model) / self.consensus.spread * inner, np.float32)


def consensus_counts(consensus: Consensus) -> Mask:
    """Where enough photos of the consensus show the item: at least half of the most."""
    return np.asarray(2 * consensus.count >= consensus.count.max())


def soft(plane: Plane, sigma: float) -> Plane:
    """Blur by sigma px."""
    return cv2.GaussianBlur(plane, (0, 0), sigma) if sigma > 0.3 else plane
