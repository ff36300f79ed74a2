"""Is anything in the set close to the query? A conformal test on the set's own specimens.

Each specimen of which the set holds another of its edition, searched against all others, has a
similarity to its nearest, of whatever edition. If the query shows an item of a kind that the set
knows, its own best similarity is one more draw of the same sort. The p-value is the share of
known specimens that lie as far from the rest as the query does, or farther; a query from a known
kind falls at or below `level` at most that often.

The test can only notice what lies farther from the set than its own specimens lie from each
other. How often it would notice an item of a maker that the set lacks, the set itself tells:
each specimen is put to it with its own maker left out (:func:`noticed_share`). Caps of two
makers, or seals of one guarantee body, are as near to each other as those of one; there the
test says nothing for closeness, and does not pretend to.

References
----------
Vovk, Gammerman & Shafer (2005), *Algorithmic Learning in a Random World*, ch. 2 (conformal
p-value); Lee, Barber & Willett (2023), arXiv:2306.06342 (several draws of one unit share
one weight). Both from memory.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from loupebook.evidence.units import unit_weights

LEVEL = 0.05
"""How often a query of a known kind may be called "nothing close"; our choice."""

LEAST_NOTICED = 0.5
"""Share of items of absent makers that the test must notice before it may say "close"; ours."""


@dataclass(frozen=True)
class Closeness:
    """What the open-set test found for one query.

    Parameters
    ----------
    p_value : float or None
        Share of known specimens that lie as far from their nearest in the set as the query
        from its nearest, the query counted in; `None` with too few specimens.
    close_reference : bool or None
        False where ``p_value <= level``; `None` with too few specimens, or no similarity, and
        where the test would hardly notice an item that the set has nothing like.
    specimens : int
        How many specimens the test rests on.
    needed : int
        How many it takes at this level.
    level : float
        Share of queries of a known kind that may wrongly be called "nothing close".
    noticed : float or None
        Share of the set's own specimens that the test calls "nothing close" with their maker
        left out; `None` where that cannot be tried.
    nearness : float or None
        The query's similarity on the set's own scale: 1 where a specimen and the one nearest to
        it usually lie, 0 where those of two makers do.
    nearer_left_out : bool
        Whether filters left out a photo that lies nearer to the query. The set's own specimens
        were held against all, so it is called "nothing close" more often than `level`.
    """

    p_value: float | None
    close_reference: bool | None
    specimens: int
    needed: int
    level: float = LEVEL
    noticed: float | None = None
    nearness: float | None = None
    nearer_left_out: bool = False

    @property
    def as_far(self) -> float | None:
        """Share of the known specimens that lie as far or farther, the query not counted in."""
        if self.p_value is None:
            return None
        count = self.p_value * (self.specimens + 1) - 1
        return max(0.0, round(count / self.specimens, 6))

    @property
    def blind(self) -> bool:
        """Whether the test would miss most items of makers that the set lacks."""
        return self.noticed is not None and self.noticed < LEAST_NOTICED

    @property
    def missing(self) -> int:
        """How many more specimens the test takes."""
        return max(0, self.needed - self.specimens)


def specimens_needed(level: float = LEVEL) -> int:
    """Return the smallest number of specimens with which the test can reject at `level`.

    With n specimens the smallest possible p-value is 1 / (n + 1): 19 for a level of 0.05.

    Raises
    ------
    ValueError
        If `level` is not within 0..1, both excluded.
    """
    if not 0 < level < 1:
        raise ValueError(f"the level must lie between 0 and 1, not {level}")
    return math.ceil(1 / level - 1e-9) - 1


def conformal_p_values(
    queries: ArrayLike, calibration: ArrayLike, specimens: Sequence[Hashable] | None = None
) -> NDArray[np.float64]:
    """Return how usual each query similarity is among the calibration similarities.

    Parameters
    ----------
    queries : array_like, shape (q,)
        Best similarity of each query.
    calibration : array_like, shape (n,)
        Similarity of each known photo to its nearest of *other* specimens.
    specimens : sequence, length n, optional
        Which specimen each calibration photo shows; photos of one specimen share one
        weight. `None` means that each entry is a specimen of its own.

    Returns
    -------
    ndarray, shape (q,)
        p-values in 1 / (specimens + 1) .. 1.
    """
    held = np.asarray(calibration, dtype=np.float64)
    weights = unit_weights(range(held.size) if specimens is None else specimens)
    order = np.argsort(held, kind="stable")
    below = np.concatenate(([0.0], np.cumsum(weights[order])))
    asked = np.atleast_1d(np.asarray(queries, dtype=np.float64))
    count = below[np.searchsorted(held[order], asked, side="right")]
    p_values = np.minimum(1.0, (1.0 + count) / (1.0 + weights.sum()))
    return np.asarray(p_values, dtype=np.float64)


def judge_closeness(
    query: float | None,
    calibration: ArrayLike,
    specimens: Sequence[Hashable] | None = None,
    *,
    level: float = LEVEL,
    noticed: float | None = None,
) -> Closeness:
    """Tell whether anything in the set is close to one query.

    Parameters
    ----------
    query : float or None
        The query's best similarity; `None` if the search found nothing at all.
    calibration, specimens
        As for :func:`conformal_p_values`.
    level : float
        Share of queries of a known kind that may wrongly be called "nothing close".
    noticed : float, optional
        What :func:`noticed_share` found of this set.

    Returns
    -------
    Closeness
        With `None` in place of an answer where fewer than :func:`specimens_needed`
        specimens are at hand.
    """
    held = np.asarray(calibration, dtype=np.float64)
    count = held.size if specimens is None else len(set(specimens))
    needed = specimens_needed(level)
    if count < needed or query is None:
        return Closeness(None, None, count, needed, level, noticed)
    p_value = float(conformal_p_values([query], held, specimens)[0])
    told = Closeness(p_value, p_value > level, count, needed, level, noticed)
    return replace(told, close_reference=None) if told.close_reference and told.blind else told


def noticed_share(
    strangers: ArrayLike,
    specimens: Sequence[Hashable],
    calibration: ArrayLike,
    calibration_specimens: Sequence[Hashable],
    *,
    level: float = LEVEL,
) -> float | None:
    """Return how often the test notices a specimen whose maker is left out of the set.

    Parameters
    ----------
    strangers : array_like, shape (m,)
        Similarity of each photo to the nearest of another maker.
    specimens : sequence, length m
        Which specimen each shows; each counts once.
    calibration, calibration_specimens
        As for :func:`conformal_p_values`.
    level : float
        Of the test.

    Returns
    -------
    float or None
        Share of specimens, 0..1; `None` with too few of either.
    """
    needed = specimens_needed(level)
    if min(len(set(specimens)), len(set(calibration_specimens))) < needed:
        return None
    p_values = conformal_p_values(strangers, calibration, calibration_specimens)
    return float(np.average(p_values <= level, weights=unit_weights(specimens)))
