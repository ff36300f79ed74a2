"""Photos laid into the frame of a desk, and cut into tiles of any scale.

A tile is computed from the original pixels when it is asked for: the frame's px are mapped
into the photo, and the photo is sampled there, from a halved copy where it is shown smaller.
So a 20-megapixel original is neither warped as a whole nor sent as a whole.

Conventions: points are (x, y) px, pixel centres at whole numbers; the frame is the nearest
reference photo in full resolution; `scale` is tile px a frame px.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from threading import Lock
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.compare.lifted import LiftedMap
from loupebook.compare.picture import Picture

Pixels = NDArray[np.uint8]
Points = NDArray[np.float64]

TILE = 512
"""Side of a tile, px."""
FIRST_TILE = 768
"""Side of the one tile that is the coarsest level, px: at least half of it is filled, so that
the first view of a picture seldom needs another."""
SURROUND = 119
"""Neutral grey about the pictures (ISO 3664 asks for a neutral surround)."""
UV_SURROUND = 42
FAR = -2e4
"""Where a px lies that the photo does not show."""
_STEP = 16
"""Tile px between two points that are mapped exactly; between them the map is straight."""
_DEEPEST = 6.0
"""Photo px a frame px beyond which a photo gives no finer tiles."""


class FrameMap(Protocol):
    """Where frame px lie in a photo."""

    def __call__(self, points: Points) -> Points:
        """Map frame px (…, 2) to px of the photo."""

    def seen(self, points: Points) -> NDArray[np.bool_] | None:
        """Say which frame px the photo shows at all; `None` means all."""


class _Stays:
    """The map of the frame onto the photo that gives it."""

    def __call__(self, points: Points) -> Points:
        return points

    def seen(self, points: Points) -> NDArray[np.bool_] | None:  # noqa: ARG002 (all are seen)
        return None


STAYS = _Stays()


@dataclass(frozen=True, eq=False)
class Warped:
    """The map of a frame into another photo, as a registration gives it.

    Parameters
    ----------
    warp : LiftedMap
        Working px of the frame's photo to working px of the other.
    reference, query : Picture
        The frame's photo and the other, as they were registered.
    """

    warp: LiftedMap
    reference: Picture
    query: Picture

    def __call__(self, points: Points) -> Points:
        """Map frame px to px of the other photo."""
        return self.query.to_full(self.warp((points + 0.5) * self.reference.shrunk - 0.5))

    def seen(self, points: Points) -> NDArray[np.bool_] | None:
        """Say which frame px lie on the side that faces the eye."""
        if not self.warp.bent:
            return None
        return self.warp.seen((points + 0.5) * self.reference.shrunk - 0.5)


class Mips:
    """A photo and its halved copies, each made when it is first needed.

    Parameters
    ----------
    size : (int, int)
        Width and height of the photo, px.
    read : callable
        Gives its pixels; called once.
    glance : callable, optional
        Gives them at most so many px a side, faster than `read` does: a small copy that is
        wanted before the whole photo is at hand then need not wait for it.
    """

    def __init__(
        self,
        size: tuple[int, int],
        read: Callable[[], Pixels],
        glance: Callable[[int], Pixels] | None = None,
    ) -> None:
        self.size = size
        self._read = read
        self._glance = glance
        self._deepest = max(0, int(math.log2(max(1, min(size) // 16))))
        self._levels: dict[int, Pixels] = {}
        # One lock a level: whoever wants a small copy need not wait until the whole is read.
        self._locks = [Lock() for _ in range(self._deepest + 1)]

    def level(self, number: int) -> Pixels:
        """Return the copy halved `number` times, or as often as leaves 16 px a side."""
        number = min(number, self._deepest)
        with self._locks[number]:
            if number not in self._levels:
                self._levels[number] = self._made(number)
            return self._levels[number]

    def _made(self, number: int) -> Pixels:
        if number == 0:
            return self._read()
        finer = max((held for held in tuple(self._levels) if held < number), default=None)
        size = (self.size[0] >> number, self.size[1] >> number)
        if finer is not None:
            larger = self._levels[finer]
        elif self._glance is not None:
            larger = self._glance(max(size))
        else:
            larger = self.level(0)
        if larger.shape[1::-1] == size:
            return larger
        return np.asarray(cv2.resize(larger, size, interpolation=cv2.INTER_AREA), np.uint8)


@dataclass(frozen=True, eq=False)
class LaidPhoto:
    """A photo in the frame of a desk, or in its own.

    Parameters
    ----------
    mips : Mips
        Its pixels.
    size : (int, int)
        Width and height of the frame, px.
    to_photo : callable
        Frame px to px of the photo.
    dark : bool
        Whether it was lit by a UV-A lamp.
    """

    mips: Mips
    size: tuple[int, int]
    to_photo: FrameMap = STAYS
    dark: bool = False
    finest: float = field(init=False)
    """Tile px a frame px of the finest tiles: the photo's own resolution, where it is most."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "finest", self._finest())

    def _finest(self) -> float:
        if self.to_photo is STAYS:
            return 1.0
        width, height = self.size
        x, y = np.meshgrid(np.linspace(0, width - 1, 9), np.linspace(0, height - 1, 9))
        at = np.stack([x, y], -1)
        right, down = (
            np.linalg.norm(self.to_photo(at + step) - self.to_photo(at), axis=-1)
            for step in (np.array([1.0, 0.0]), np.array([0.0, 1.0]))
        )
        inside = self._inside(self.to_photo(at))
        seen = np.maximum(right, down)[inside]
        return float(np.clip(np.max(seen, initial=0.25), 0.25, _DEEPEST))

    def _inside(self, mapped: Points) -> NDArray[np.bool_]:
        width, height = self.mips.size
        return np.asarray(
            ((mapped >= 0) & (mapped < np.array([width, height]))).all(axis=-1), np.bool_
        )

    @property
    def levels(self) -> list[float]:
        """Scales of the tiles, coarsest first: the first is one tile."""
        count = max(0, math.ceil(math.log2(max(self.size) * self.finest / FIRST_TILE)))
        return [self.finest / 2 ** (count - number) for number in range(count + 1)]

    def tile(self, level: int, column: int, row: int) -> Pixels:
        """Return a tile, uint8 sRGB; at the right and lower edge it is cut to the frame.

        Raises
        ------
        IndexError
            If there is no such tile.
        """
        levels = self.levels
        if not 0 <= level < len(levels) or column < 0 or row < 0:
            raise IndexError(level)
        scale = levels[level]
        across, down = (math.ceil(side * scale) for side in self.size)
        side = TILE if level else FIRST_TILE
        width, height = min(side, across - column * side), min(side, down - row * side)
        if width <= 0 or height <= 0:
            raise IndexError((column, row))
        return self.cut(column * side / scale, row * side / scale, scale, (width, height))

    def cut(self, left: float, top: float, scale: float, size: tuple[int, int]) -> Pixels:
        """Return a part of the frame.

        Parameters
        ----------
        left, top : float
            Edges of the part, frame px (an edge lies half a px before a centre).
        scale : float
            Px wanted a frame px.
        size : (int, int)
            Px wanted, across and down.
        """
        width, height = size
        where, stretch = spread_map(self.to_photo, left, top, scale, size)
        pixels = self.mips.level(max(0, math.floor(math.log2(max(stretch, 1e-6)) + 0.15)))
        shrunk = np.array([pixels.shape[1], pixels.shape[0]]) / np.array(self.mips.size)
        where = ((where + 0.5) * shrunk - 0.5).astype(np.float32)
        known = where[where[..., 0] > FAR / 2] if (where[..., 0] <= FAR / 2).any() else where
        known = known.reshape(-1, 2)
        grey = UV_SURROUND if self.dark else SURROUND
        if not len(known):
            return np.full((height, width, 3), grey, np.uint8)
        low = np.maximum(np.floor(known.min(0)).astype(int) - 4, 0)
        high = np.ceil(known.max(0)).astype(int) + 5
        part = pixels[low[1] : max(high[1], 0), low[0] : max(high[0], 0)]
        if part.size == 0:
            return np.full((height, width, 3), grey, np.uint8)
        where = where - low.astype(np.float32)
        kind = cv2.INTER_CUBIC if stretch <= 1.0 else cv2.INTER_LINEAR
        laid = cv2.remap(
            np.ascontiguousarray(part), where[..., 0], where[..., 1], kind,
            borderMode=cv2.BORDER_CONSTANT, borderValue=(grey,) * 3,
        )  # fmt: skip
        return np.asarray(laid, np.uint8)


def spread_map(
    to_photo: FrameMap,
    left: float,
    top: float,
    scale: float,
    size: tuple[int, int],
) -> tuple[NDArray[np.float32], float]:
    """Return for each px of a part of the frame where it lies in the photo.

    Parameters
    ----------
    to_photo : callable
        Frame px to px of the photo; asked at every sixteenth px only.
    left, top, scale, size
        See :meth:`LaidPhoto.cut`.

    Returns
    -------
    tuple
        float32 (height, width, 2), and the photo px that one px stands for (median).
    """
    columns, rows = (np.arange(0, side + _STEP, _STEP) for side in size)
    x, y = np.meshgrid((columns + 0.5) / scale + left - 0.5, (rows + 0.5) / scale + top - 0.5)
    nodes = to_photo(np.stack([x, y], -1))
    steps = np.linalg.norm(np.diff(nodes, axis=1), axis=-1) / _STEP
    spread = np.array([[1 / _STEP, 0, 0], [0, 1 / _STEP, 0]])
    where = cv2.warpAffine(
        np.clip(nodes, -1e4, 3e4).astype(np.float32), spread, size,
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    seen = to_photo.seen(np.stack([x, y], -1))
    if seen is not None and not seen.all():
        width, height = size
        x, y = np.meshgrid(
            (np.arange(width) + 0.5) / scale + left - 0.5,
            (np.arange(height) + 0.5) / scale + top - 0.5,
        )
        where[~np.asarray(to_photo.seen(np.stack([x, y], -1)))] = FAR
    return np.asarray(where, np.float32), float(np.median(steps)) if steps.size else 1.0
