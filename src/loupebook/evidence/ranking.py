"""How well scores order things: area under the ROC curve, average precision, recall@k.

References
----------
Hanley & McNeil (1982), doi:10.1148/radiology.143.1.7063747 (area as a probability);
Manning, Raghavan & Schütze (2008), *Introduction to Information Retrieval*, ch. 8.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import rankdata


def area_under_roc(scores: ArrayLike, positive: ArrayLike) -> float:
    """Return how often a positive outscores a negative; ties count half.

    Parameters
    ----------
    scores : array_like, shape (n,)
        Greater for "more positive".
    positive : array_like of bool, shape (n,)

    Returns
    -------
    float
        0..1, 0.5 for scores that tell nothing; NaN where one class is empty.
    """
    held = np.asarray(scores, dtype=np.float64)
    label = np.asarray(positive, dtype=bool)
    above = int(label.sum())
    below = label.size - above
    if not above or not below:
        return float("nan")
    ranks = rankdata(held)
    return float((ranks[label].sum() - above * (above + 1) / 2) / (above * below))


def average_precision(relevant_in_order: ArrayLike, relevant_total: int | None = None) -> float:
    """Return the average precision of one ranked list.

    Parameters
    ----------
    relevant_in_order : array_like of bool, shape (n,)
        Whether each result is relevant, nearest first.
    relevant_total : int, optional
        How many relevant ones there are in all; `None` means all of them are in the list.

    Returns
    -------
    float
        0..1; NaN where nothing is relevant.
    """
    hit = np.asarray(relevant_in_order, dtype=bool)
    total = int(hit.sum()) if relevant_total is None else relevant_total
    if total < 1:
        return float("nan")
    precision = np.cumsum(hit) / np.arange(1, hit.size + 1)
    return float(precision[hit].sum() / total)


def found_within(relevant_in_order: ArrayLike, k: int) -> bool:
    """Tell whether anything relevant stands among the first `k`."""
    return bool(np.asarray(relevant_in_order, dtype=bool)[:k].any())


def first_ranks(relevant: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return the rank (1 is first) of the first relevant result of each row, 0 for none."""
    first = relevant.argmax(axis=1) + 1
    return np.asarray(np.where(relevant.any(axis=1), first, 0), dtype=np.intp)
