"""What every encoder offers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol, TypeAlias, runtime_checkable

import numpy as np
from numpy.typing import NDArray

Pixels: TypeAlias = NDArray[np.uint8]
"""A picture: uint8, (height, width, 3), sRGB."""


@runtime_checkable
class Encoder(Protocol):
    """A network that turns photos into embeddings.

    Vectors of two encoders are comparable exactly if their fingerprints are equal.
    """

    @property
    def name(self) -> str:
        """The name it was loaded by."""

    @property
    def fingerprint(self) -> str:
        """Hex sha256 of image-tower weights, architecture, preprocessing and pooling."""

    @property
    def dim(self) -> int:
        """Length of an embedding."""

    def embed(self, pictures: Sequence[Pixels], *, batch_size: int = 16) -> NDArray[np.float32]:
        """Embed pictures of any sizes.

        Parameters
        ----------
        pictures : sequence of ndarray
            uint8 sRGB (height, width, 3).
        batch_size : int
            Pictures put through the network at once. It changes speed and memory, not the
            embeddings.

        Returns
        -------
        ndarray, float32 (n, dim)
            Rows of Euclidean length 1, so that an inner product is a cosine.
        """
