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
STRONG = 0.15
"""Weight from which a match counts as telling."""
MUTUAL = 0.35
"""Greatest squared distance of a match that only mutual nearness speaks for."""
LEAST_BACKGROUND = 0.2
"""A design held many times is near to itself; its patches still tell."""
MOST = 300
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


@dataclass(frozen=True)
class Distances:
    """What all pairs of unit descriptors say of each other.

    Parameters
    ----------
    cosine : ndarray
        float32 (query, reference).
    row : ndarray
        Each query patch's nearest reference patch.
    mutual : ndarray
        bool (query,): whether that patch's nearest query patch is this one.
    limit_row, limit_column : ndarray
        Squared distance to the next nearest, from which on a match of the patch tells nothing:
        ornament repeated on either side lies near to all its like.
    """

    cosine: NDArray[np.float32]
    row: NDArray[np.intp]
    mutual: NDArray[np.bool_]
    limit_row: NDArray[np.float32]
    limit_column: NDArray[np.float32]

    def squared(self, query: NDArray[np.intp], reference: NDArray[np.intp]) -> NDArray[np.float32]:
        """Return the squared distances of pairs."""
        distance: NDArray[np.float32] = 2 - 2 * self.cosine[query, reference]
        return distance

    def weight(self, query: NDArray[np.intp], reference: NDArray[np.intp]) -> NDArray[np.float32]:
        """Return how telling matches are, 0.02..1."""
        limit = np.minimum(self.limit_row[query], self.limit_column[reference])
        weight: NDArray[np.float32] = np.clip(1 - self.squared(query, reference) / limit, 0.02, 1)
        return weight


def measure(
    query: Features, reference: Features, background: NDArray[np.float32] | None = None
) -> Distances:
    """Measure all pairs.

    Parameters
    ----------
    query, reference : Features
        At least two features each.
    background : ndarray, optional
        (query,) squared distance at which each query patch finds unrelated references; a
        patch that many references share is near to them all and tells little.
    """
    cosine = query.unit_rows @ reference.unit_rows.T
    every = np.arange(len(cosine))
    row = cosine.argmax(axis=1)
    greatest, next_row = greatest_and_next(cosine, (every, row), axis=1)
    column_first = cosine.max(axis=0)
    mutual = greatest == column_first[row]
    peak = cosine.argmax(axis=0)
    _, next_column = greatest_and_next(cosine, (peak, np.arange(cosine.shape[1])), axis=0)
    limit_row = 2 - 2 * next_row
    if background is not None:
        limit_row = np.minimum(limit_row, np.maximum(background, LEAST_BACKGROUND))
    return Distances(
        cosine,
        row,
        mutual,
        np.clip(limit_row, 1e-4, LOOSEST),
        np.clip(2 - 2 * next_column, 1e-4, LOOSEST),
    )


def greatest_and_next(
    cosine: NDArray[np.float32], at: tuple[NDArray[np.intp], NDArray[np.intp]], axis: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the values at the greatest entries `at`, and the next greatest along `axis`."""
    greatest = cosine[at]
    cosine[at] = -np.inf
    following = cosine.max(axis=axis)
    cosine[at] = greatest
    return greatest, following


def putative(distances: Distances) -> Matches:
    """Pick matches that pass the ratio test from the query's side, or are mutually nearest."""
    patch = np.arange(len(distances.row))
    nearest = distances.row
    squared = distances.squared(patch, nearest)
    ratio = squared / distances.limit_row
    mutual = distances.mutual
    kept = (squared < LOOSEST) & ((ratio < RATIO**2) | (mutual & (squared < MUTUAL)))
    patch = np.flatnonzero(kept)
    weight = distances.weight(patch, nearest[patch]) * np.where(mutual[patch], 1.0, 0.5)
    order = np.argsort(-weight, kind="stable")[:MOST]
    patch = patch[order]
    return Matches(patch, nearest[patch], weight[order].astype(np.float32))
