"""Every reference put to its own set as if it were a query.

One pass over all pairs of vectors, block by block: whole specimens are left out, and for
the reading against unseen presses a fake's whole print origin. Similarities are cosines of
stored vectors, so nothing is embedded again. ``-inf`` means that nothing was left to compare
with.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loupebook.evidence.table import PhotoTable
from loupebook.evidence.units import unit_codes
from loupebook.search import Progress, no_progress

BLOCK = 512
"""Photos searched at a time: 512 rows of 10,000 similarities are 20 MB."""

MOST_QUERIES = 4000
"""Photos of one element used as queries at most, so that time grows with the set and not
with its square; whole specimens are drawn, with a fixed seed."""

NONE = np.float32(-np.inf)


@dataclass(frozen=True)
class GatheredScores:
    """Similarities of the photos that were put to the set, each column of length q.

    Parameters
    ----------
    queries : ndarray of int
        Positions in the table.
    genuine : ndarray
        To the nearest genuine photo of another specimen.
    fake_known : ndarray
        To the nearest fake photo of another specimen.
    fake_unseen : ndarray
        To the nearest fake photo of another print origin (for genuine queries: of any).
    stranger : ndarray
        To the nearest photo of another marque, as if the set did not hold the query's own.
    """

    queries: NDArray[np.intp]
    genuine: NDArray[np.float32]
    fake_known: NDArray[np.float32]
    fake_unseen: NDArray[np.float32]
    stranger: NDArray[np.float32]

    @property
    def nearest(self) -> NDArray[np.float32]:
        """Similarity to the nearest photo of another specimen, of either standing."""
        return np.maximum(self.genuine, self.fake_known)


def drawn_queries(
    table: PhotoTable, most: int = MOST_QUERIES, *, seed: int = 0
) -> NDArray[np.intp]:
    """Return the positions of at most about `most` photos, whole specimens at a time."""
    codes, count = unit_codes(table.specimens)
    if codes.size <= most:
        return np.arange(codes.size)
    order = np.random.default_rng(seed).permutation(count)
    photos = np.cumsum(np.bincount(codes, minlength=count)[order])
    kept = order[: max(1, int(np.searchsorted(photos, most, side="right")))]
    return np.flatnonzero(np.isin(codes, kept))


def similarity_blocks(
    vectors: NDArray[np.float32],
    queries: NDArray[np.intp],
    codes: NDArray[np.intp],
    *,
    progress: Progress = no_progress,
    what: str = "Comparing references",
) -> Iterator[tuple[NDArray[np.intp], NDArray[np.float32]]]:
    """Yield blocks of queries with their similarities to all, their own code left out.

    Parameters
    ----------
    vectors : ndarray, shape (n, dim)
        Unit rows.
    queries : ndarray of int
        Positions of the rows to take as queries.
    codes : ndarray of int, shape (n,)
        Rows of one code never see each other.

    Yields
    ------
    tuple of ndarray
        Positions (b,) and similarities (b, n); ``-inf`` where left out. The array may be
        written to.
    """
    for start in range(0, queries.size, BLOCK):
        block = queries[start : start + BLOCK]
        similarity = vectors[block] @ vectors.T
        similarity[codes[block][:, None] == codes[None, :]] = NONE
        yield block, similarity
        progress(what, min(start + BLOCK, queries.size), queries.size)


def gather_scores(
    vectors: NDArray[np.float32],
    table: PhotoTable,
    *,
    queries: NDArray[np.intp] | None = None,
    progress: Progress = no_progress,
) -> GatheredScores:
    """Put the photos of one element to each other.

    Parameters
    ----------
    vectors : ndarray, shape (n, dim)
        Unit rows, in the order of the table.
    table : PhotoTable
        Photos of one element.
    queries : ndarray of int, optional
        Positions to put; `None` means :func:`drawn_queries`.
    progress : callable, optional
        Called with (what, done, total).
    """
    asked = drawn_queries(table) if queries is None else queries
    fake = table.fake
    presses = unit_codes(table.origin_units)[0]
    makers = table.makers
    parts: list[tuple[NDArray[np.float32], ...]] = []
    for block, similarity in similarity_blocks(
        vectors, asked, table.specimen_codes, progress=progress
    ):
        other = (makers[block][:, None] != makers[None, :]) & (makers >= 0)[None, :]
        other &= (makers[block] >= 0)[:, None]
        stranger = _greatest(np.where(other, similarity, NONE))
        genuine = _greatest(similarity[:, ~fake])
        to_fake = similarity[:, fake]
        known = _greatest(to_fake)
        to_fake[presses[block][:, None] == presses[fake][None, :]] = NONE
        parts.append((genuine, known, _greatest(to_fake), stranger))
    if not parts:
        none = np.empty(0, np.float32)
        return GatheredScores(asked, none, none, none, none)
    columns = [np.concatenate(column) for column in zip(*parts, strict=True)]
    return GatheredScores(asked, *columns)


def _greatest(similarity: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(similarity.max(axis=1, initial=NONE), dtype=np.float32)
