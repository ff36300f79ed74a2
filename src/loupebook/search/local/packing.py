"""One feature as one FAISS id: whose photo it is of and how it lies there.

A FAISS index hands back nothing but ids, so the id carries what voting needs: the photo id
and a coarse geometry, in 63 bits, high to low: photo 32, x 8, y 8, size 7, angle 8. `x`, `y`
and `size` are shares of the photo's longest side; `x` and `y` are counted from the photo's
middle. The id is made from row ids and content alone, never from a position in an index.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loupebook.search.local.features import Features

MOST_PHOTO_ID = 2**32 - 1
GEOMETRY_BITS = 31
SIZE_STEPS = 12
"""Steps an octave of patch size."""
LEAST_SIZE = 2.0**-10
TURN = 2 * np.pi


@dataclass(frozen=True)
class Placed:
    """Unpacked ids, arrays of one shape: photo, and geometry in shares of the longest side."""

    photo: NDArray[np.int64]
    x: NDArray[np.float32]
    y: NDArray[np.float32]
    size: NDArray[np.float32]
    angle: NDArray[np.float32]


def pack(photo_id: int, features: Features) -> NDArray[np.int64]:
    """Return one id a feature, int64 (n,)."""
    longest = max(features.width, features.height)
    middle = np.array([features.width - 1, features.height - 1], np.float32) / 2
    xy = np.clip(np.floor(((features.xy - middle) / longest + 0.5) * 256), 0, 255)
    octaves = np.log2(np.maximum(features.size / longest, LEAST_SIZE) / LEAST_SIZE)
    size = np.clip(np.rint(octaves * SIZE_STEPS), 0, 127).astype(np.int64)
    angle = np.floor(np.mod(features.angle, TURN) / TURN * 256).astype(np.int64) % 256
    x, y = xy.astype(np.int64).T
    packed: NDArray[np.int64] = (
        (np.int64(photo_id) << GEOMETRY_BITS) | (x << 23) | (y << 15) | (size << 8) | angle
    )
    return packed


def of_rows(ids: NDArray[np.int64], rows: Collection[int]) -> NDArray[np.bool_]:
    """Tell which ids were made for one of some photo ids."""
    return np.isin(ids >> GEOMETRY_BITS, np.fromiter(rows, np.int64, len(rows)))


def unpack(ids: NDArray[np.int64]) -> Placed:
    """Return what `ids` say; each value is the middle of its step."""
    return Placed(
        photo=ids >> GEOMETRY_BITS,
        x=centred(ids >> 23),
        y=centred(ids >> 15),
        size=np.float32(LEAST_SIZE)
        * np.exp2(((ids >> 8) & 127).astype(np.float32) / np.float32(SIZE_STEPS)),
        angle=((ids & 255) + 0.5).astype(np.float32) * np.float32(TURN / 256),
    )


def centred(step: NDArray[np.int64]) -> NDArray[np.float32]:
    """Return the share that the lowest 8 bits stand for, counted from the middle."""
    share: NDArray[np.float32] = (step & 255).astype(np.float32)
    share += np.float32(0.5)
    share /= np.float32(256)
    share -= np.float32(0.5)
    return share
