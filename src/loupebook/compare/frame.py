"""A query laid into a consensus' frame: what every measurement looks at."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.compare.consensus import Aligned, Consensus
from loupebook.compare.grid import Cells, corners, flatten_light, follow, none, soften
from loupebook.compare.light import LightFit, log_colour, match_light, to_srgb
from loupebook.compare.look import blur_to, distances, fineness, lightness, look_of
from loupebook.compare.pair import Told, tell
from loupebook.compare.picture import Picture
from loupebook.compare.registration import SURE, Registration, facing, sample_photo

Plane = NDArray[np.float32]
Mask = NDArray[np.bool_]

_LEAST_TONE = 0.03
"""Natural logarithm by which channels lie apart somewhere in any photo in colour."""
_BURNT = 0.975
"""Linear light, in all channels, from which nothing can be seen for glare."""


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
        bool (height, width), where the query shows the item and it does not turn away.
    resolution : float
        Query px a frame px.
    shown : ndarray
        bool (height, width), what of the frame lies in the query, item or not.
    capture_blur : float, optional
        Sigma, frame px, of the sharpest edges anywhere in the query; `None` where it has
        none.
    agreeing : int, optional
        Matches that the pose rests on; `None` where it is known otherwise.
    """

    consensus: Consensus
    raw: Plane
    valid: Mask
    resolution: float
    shown: Mask
    capture_blur: float | None
    agreeing: int | None = None

    @classmethod
    def of(cls, query: Picture, registration: Registration, consensus: Consensus) -> Framed:
        """Lay a registered query into the frame."""
        assert registration.warp is not None
        rows, columns = consensus.shape
        y, x = np.mgrid[0:rows, 0:columns].astype(np.float64)
        at = np.stack([x, y], -1)
        raw, valid = sample_photo(query, registration.warp, at)
        raw = log_colour(raw)
        some = at[:: rows // 10 + 1, :: columns // 10 + 1]
        inside = consensus.mask[:: rows // 10 + 1, :: columns // 10 + 1]
        stretch = registration.warp.stretch(some)[inside]
        resolution = (float(np.median(stretch)) if stretch.size else 1.0) / query.shrunk
        inside = valid & consensus.mask & consensus_counts(consensus)
        inside &= facing(registration.warp, at, inside)
        blur = query.blur
        if blur is not None:
            blur /= query.shrunk * max(resolution, 1e-6)
        return cls(consensus, raw, inside, resolution, valid, blur, registration.inliers)

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
        inside = photo.valid & consensus.mask
        return cls(consensus, colour, inside, resolution, photo.valid, 0.5 / resolution)

    @property
    def px_per_mm(self) -> float | None:
        """Scale at which the print was seen: the coarser of query and frame."""
        scale = self.consensus.px_per_mm
        return None if scale is None else scale * min(1.0, self.resolution)

    @property
    def softness_mm(self) -> float:
        """How much softer than the consensus the query is, mm (or fortieths of the frame)."""
        return self.sharpness[1] / self.consensus.unit

    @cached_property
    def grey_only(self) -> bool:
        """Whether the photo shows the item without any colour, as a black and white one does."""
        inside = self.raw[self.inner]
        return inside.size > 0 and bool(np.percentile(np.ptp(inside, axis=1), 99) < _LEAST_TONE)

    @cached_property
    def glare(self) -> Mask:
        """Where nothing can be seen for glare."""
        burnt = (self.raw > np.log(_BURNT)).all(axis=2).astype(np.uint8)
        # Print on white paper is no glare: a spot is glare where it is wider than strokes are.
        spot = cv2.morphologyEx(burnt, cv2.MORPH_OPEN, np.ones((9, 9), np.uint8))
        return np.asarray(cv2.dilate(spot, np.ones((5, 5), np.uint8)) > 0)

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
        return np.asarray(np.rint(to_srgb(self.raw) * 255), np.uint8)

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
        """Colour of query and consensus at one common sharpness."""
        own, other = self.sharpness
        return soft(self.colour, own), soft(self.consensus.middle, other)

    @cached_property
    def in_place(self) -> tuple[Plane, Plane]:
        """:attr:`level` with what displacement is left taken out, as far as it is smooth.

        What lies in another place is measured as such; it must not light up as drawn
        otherwise as well.
        """
        query, model = self.level
        right, down = self.drift
        y, x = np.mgrid[0 : query.shape[0], 0 : query.shape[1]].astype(np.float32)
        return cv2.remap(query, x + right, y + down, cv2.INTER_LINEAR), model

    @cached_property
    def drift(self) -> tuple[Plane, Plane]:
        """Smooth displacement (right, down) of the query against the consensus, frame px."""
        cells, shape = self.cells, self.consensus.shape
        sure = cells.likeness > SURE
        column, row = np.rint(cells.at[sure]).astype(int).T
        planes = np.zeros((3, *shape), np.float32)
        planes[0, row, column] = cells.weight[sure]
        planes[1:, row, column] = (cells.shift[sure] * cells.weight[sure, None]).T
        reach = 1.5 * self.consensus.reach
        near = [soften(plane, reach) for plane in planes]
        held = near[0] + 0.02 * float(near[0].max()) + 1e-9
        return near[1] / held, near[2] / held

    @cached_property
    def cells(self) -> Cells:
        """What displacement is left between consensus and query, frame px."""
        reach, mask = self.consensus.reach, self.mask
        query, model = (flatten_light(lightness(plane), reach, mask) for plane in self.level)
        points = corners(model, mask, cell=max(8, round(self.consensus.longest / 50)))
        return follow(model, query, points, mask) if len(points) else none()

    @cached_property
    def apart(self) -> Plane:
        """How many times further the query lies from the middle than genuine ones do."""
        reach, mask = self.consensus.reach, self.mask
        query, model = (look_of(plane, mask, reach, self.consensus.unit) for plane in self.in_place)
        tone, edges = distances(query, model, self.consensus.unit)
        spread = self.consensus.spread
        both = np.sqrt(((tone / spread[0]) ** 2 + (edges / spread[1]) ** 2) / 2)
        return np.asarray(both * self.inner, np.float32)

    @cached_property
    def departs(self) -> Plane:
        """:attr:`apart`, drawn towards where the trained network sees another drawing.

        Mean average precision against the truth on four rendered editions: 0.26 without the
        network, 0.23 of the network alone, 0.29 of both (19 copies); the power was chosen there.
        """
        return np.asarray(self.apart * np.cbrt(self.told.drawn), np.float32)

    @cached_property
    def told(self) -> Told:
        """What the trained network makes of query and consensus."""
        query, model = (to_srgb(plane) for plane in self.in_place)
        return tell(query, model, self.consensus.colour_spread, self.inner)

    @cached_property
    def inner(self) -> Mask:
        """:attr:`mask` without the rim, where surroundings are cut off."""
        rim = cv2.erode(self.valid.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
        return np.asarray(rim & self.mask)


def consensus_counts(consensus: Consensus) -> Mask:
    """Where enough photos of the consensus show the item: at least half of the most."""
    return np.asarray(2 * consensus.count >= consensus.count.max())


def soft(plane: Plane, sigma: float) -> Plane:
    """Blur by sigma px."""
    return cv2.GaussianBlur(plane, (0, 0), sigma) if sigma > 0.3 else plane
