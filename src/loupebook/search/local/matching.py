"""Which patches of a query look like which patches of one reference, before any geometry."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loupebook.search.local.features import Features

LOOSEST = 0.5
"""Greatest squared distance of a match; unrelated RootSIFT patches lie near 0.6."""
RATIO = 0.88
"""Greatest ratio of distances to the nearest and to the next patch elsewhere."""
MUTUAL = 0.35
"""Greatest squared distance of a match that only mutual nearness speaks for."""
LEAST_BACKGROUND = 0.08
MOST = 400
"""Matches kept, most telling first, so that geometry takes bounded time."""


@dataclass(frozen=True)
class Matches:
    """Putative matches as arrays of one length.

    Parameters
    ----------
    query, reference : ndarray
        Positions of the patches.
    weight : ndarray
        float32 0..1, how telling the match is.
    """

    query: NDArray[np.intp]
    reference: NDArray[np.intp]
    weight: NDArray[np.float32]

    def __len__(self) -> int:
        return len(self.query)

    def take(self, which: NDArray[np.intp] | NDArray[np.bool_]) -> Matches:
        """Return some of the matches, by position or mask."""
        return Matches(self.query[which], self.reference[which], self.weight[which])


def squared_distances(query: Features, reference: Features) -> NDArray[np.float32]:
    """Return all squared distances of unit descriptors, float32 (query, reference)."""
    similar = query.unit_rows() @ reference.unit_rows().T
    similar *= -2
    similar += 2
    return similar


def putative(
    squared: NDArray[np.float32], background: NDArray[np.float32] | None = None
) -> Matches:
    """Pick matches that pass the ratio test from the query's side, or are mutually nearest.

    Parameters
    ----------
    squared : ndarray
        Squared distances, (query, reference).
    background : ndarray, optional
        (query,) squared distance at which each query patch finds unrelated references; a
        patch that many references share is near to them all and tells little.
    """
    rows, columns = squared.shape
    if rows < 2 or columns < 2:
        none = np.empty(0, np.intp)
        return Matches(none, none, np.empty(0, np.float32))
    two = np.argpartition(squared, 1, axis=1)[:, :2]
    pair = np.take_along_axis(squared, two, axis=1)
    order = np.argsort(pair, axis=1)
    nearest = np.take_along_axis(two, order, axis=1)[:, 0]
    pair = np.take_along_axis(pair, order, axis=1)
    back = squared.min(axis=0)
    ratio = pair[:, 0] / np.maximum(pair[:, 1], 1e-6)
    mutual = pair[:, 0] <= back[nearest] + 1e-6
    kept = (pair[:, 0] < LOOSEST) & ((ratio < RATIO**2) | (mutual & (pair[:, 0] < MUTUAL)))
    limit = np.clip(pair[:, 1], LEAST_BACKGROUND, LOOSEST)
    if background is not None:
        limit = np.clip(np.minimum(limit, background), LEAST_BACKGROUND, LOOSEST)
    weight = np.clip(1 - pair[:, 0] / limit, 0.02, 1) * np.where(mutual, 1.0, 0.5)
    patch = np.flatnonzero(kept)
    patch = patch[np.argsort(-weight[patch], kind="stable")[:MOST]]
    return Matches(patch, nearest[patch], weight[patch].astype(np.float32))
