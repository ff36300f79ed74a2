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
    """Squared distances of all pairs of unit descriptors.

    Parameters
    ----------
    all : ndarray
        float32 (query, reference).
    row, column : ndarray
        Each query patch's nearest reference patch, and each reference patch's query patch.
    limit_row, limit_column : ndarray
        Squared distance to the next nearest, from which on a match of the patch tells nothing:
        ornament repeated on either side lies near to all its like.
    """

    all: NDArray[np.float32]
    row: NDArray[np.intp]
    column: NDArray[np.intp]
    limit_row: NDArray[np.float32]
    limit_column: NDArray[np.float32]

    def weight(self, query: NDArray[np.intp], reference: NDArray[np.intp]) -> NDArray[np.float32]:
        """Return how telling matches are, 0.02..1."""
        limit = np.minimum(self.limit_row[query], self.limit_column[reference])
        weight: NDArray[np.float32] = np.clip(1 - self.all[query, reference] / limit, 0.02, 1)
        return weight


def measure(
    query: Features, reference: Features, background: NDArray[np.float32] | None = None
) -> Distances:
    """Measure all distances.

    Parameters
    ----------
    query, reference : Features
        At least two features each.
    background : ndarray, optional
        (query,) squared distance at which each query patch finds unrelated references; a
        patch that many references share is near to them all and tells little.
    """
    squared = query.unit_rows @ reference.unit_rows.T
    squared *= -2
    squared += 2
    row, limit_row = nearest_and_next(squared)
    column, limit_column = nearest_and_next(np.ascontiguousarray(squared.T))
    if background is not None:
        limit_row = np.minimum(limit_row, np.maximum(background, LEAST_BACKGROUND))
    return Distances(
        squared,
        row,
        column,
        np.clip(limit_row, 1e-4, LOOSEST),
        np.clip(limit_column, 1e-4, LOOSEST),
    )


def nearest_and_next(
    squared: NDArray[np.float32],
) -> tuple[NDArray[np.intp], NDArray[np.float32]]:
    """Return each row's nearest column and the distance to the next nearest."""
    every = np.arange(len(squared))
    nearest = squared.argmin(axis=1)
    least = squared[every, nearest]
    squared[every, nearest] = np.inf
    following = squared.min(axis=1)
    squared[every, nearest] = least
    return nearest, following


def putative(distances: Distances) -> Matches:
    """Pick matches that pass the ratio test from the query's side, or are mutually nearest."""
    patch = np.arange(len(distances.row))
    nearest = distances.row
    squared = distances.all[patch, nearest]
    ratio = squared / distances.limit_row
    mutual = distances.column[nearest] == patch
    kept = (squared < LOOSEST) & ((ratio < RATIO**2) | (mutual & (squared < MUTUAL)))
    patch = np.flatnonzero(kept)
    weight = distances.weight(patch, nearest[patch]) * np.where(mutual[patch], 1.0, 0.5)
    order = np.argsort(-weight, kind="stable")[:MOST]
    patch = patch[order]
    return Matches(patch, nearest[patch], weight[order].astype(np.float32))
