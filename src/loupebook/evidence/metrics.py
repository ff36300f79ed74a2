"""How good a system of likelihood ratios is.

Conventions: `log10_lr` holds base-10 logarithms, `genuine` says which were observed on
genuine items, `weights` (by default 1 each) lets photos of one unit share its weight. The
two classes always weigh the same in a cost, however many of each there are.

References
----------
Brümmer & du Preez (2006), doi:10.1016/j.csl.2005.08.001 (Cllr, Cllr-min); Ramos &
Gonzalez-Rodriguez (2013), doi:10.1016/j.forsciint.2013.04.014 (empirical cross-entropy).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import isotonic_regression

Floats = NDArray[np.float64]
LN10 = float(np.log(10.0))


def cllr(log10_lr: ArrayLike, genuine: ArrayLike, weights: ArrayLike | None = None) -> float:
    """Return the log-likelihood-ratio cost, in bits.

    0 is perfect, 1 is what a system costs that always answers LR = 1, above 1 misleads.
    NaN where one class is empty.
    """
    return float(empirical_cross_entropy(log10_lr, genuine, [0.0], weights)[0])


def cllr_min(log10_lr: ArrayLike, genuine: ArrayLike, weights: ArrayLike | None = None) -> float:
    """Return the cost after the best monotone recalibration of the same scores, in bits.

    What is left is the scores' lack of discrimination; monotone maps do not change it.
    """
    return cllr(pav_log10_lr(log10_lr, genuine, weights), genuine, weights)


def calibration_loss(
    log10_lr: ArrayLike, genuine: ArrayLike, weights: ArrayLike | None = None
) -> float:
    """Return ``Cllr - Cllr-min``: what badly set numbers cost, in bits; never below 0."""
    return cllr(log10_lr, genuine, weights) - cllr_min(log10_lr, genuine, weights)


def pav_log10_lr(scores: ArrayLike, genuine: ArrayLike, weights: ArrayLike | None = None) -> Floats:
    """Return the log10 LR of the best monotone calibration (pool adjacent violators).

    Values reach -inf and inf at the ends where the classes do not overlap.
    """
    held, label, weight = _checked(scores, genuine, weights)
    share = _balanced(label, weight)
    # Equal scores get one value, so that the result depends on their order alone.
    unique, where = np.unique(held, return_inverse=True)
    total = np.bincount(where, weights=share, minlength=unique.size)
    positive = np.bincount(where, weights=share * label, minlength=unique.size)
    posterior = isotonic_regression(positive / total, weights=total).x
    posterior = np.clip(posterior, 0.0, 1.0)
    # Sums of weights do not come out at exactly 1; such a posterior is certainty.
    posterior[posterior > 1 - 1e-12] = 1.0
    posterior[posterior < 1e-12] = 0.0
    with np.errstate(divide="ignore"):
        ratios = (np.log(posterior) - np.log1p(-posterior)) / LN10
    return np.asarray(ratios[where], dtype=np.float64)


def empirical_cross_entropy(
    log10_lr: ArrayLike,
    genuine: ArrayLike,
    prior_log10_odds: ArrayLike,
    weights: ArrayLike | None = None,
) -> Floats:
    """Return the empirical cross-entropy at each prior, in bits.

    How many bits are missing, on average, to know whether an item is genuine, for someone
    who starts from those prior odds and believes the likelihood ratios. At even odds it is
    Cllr.

    Parameters
    ----------
    log10_lr, genuine, weights
        See the module docstring.
    prior_log10_odds : array_like, shape (p,)
        log10 of the prior odds of "genuine".

    Returns
    -------
    ndarray, shape (p,)
    """
    held, label, weight = _checked(log10_lr, genuine, weights)
    odds = np.asarray(prior_log10_odds, dtype=np.float64)
    if label.all() or not label.any():
        return np.full(odds.shape, np.nan)
    prior = 1.0 / (1.0 + 10.0**-odds)
    posterior = (held[:, None] + odds[None, :]) * LN10
    miss = _mean(np.logaddexp(0.0, -posterior[label]), weight[label])
    false = _mean(np.logaddexp(0.0, posterior[~label]), weight[~label])
    return np.asarray((prior * miss + (1 - prior) * false) / np.log(2.0), dtype=np.float64)


def misleading_share(
    log10_lr: ArrayLike,
    genuine: ArrayLike,
    *,
    beyond: float = 1.0,
    weights: ArrayLike | None = None,
) -> tuple[float, float]:
    """Return how often the LR misleads by more than ``10 ** beyond``.

    Returns
    -------
    tuple of float
        Share of genuine items whose LR speaks that strongly for a copy, and of copies whose
        LR speaks that strongly for a genuine item.
    """
    held, label, weight = _checked(log10_lr, genuine, weights)
    against = (held < -beyond).astype(np.float64)
    towards = (held > beyond).astype(np.float64)
    return (
        float(_mean(against[label], weight[label])),
        float(_mean(towards[~label], weight[~label])),
    )


def _checked(
    values: ArrayLike, genuine: ArrayLike, weights: ArrayLike | None
) -> tuple[Floats, NDArray[np.bool_], Floats]:
    held = np.asarray(values, dtype=np.float64)
    label = np.asarray(genuine, dtype=bool)
    weight = np.ones(held.shape) if weights is None else np.asarray(weights, dtype=np.float64)
    if held.ndim != 1 or label.shape != held.shape or weight.shape != held.shape:
        raise ValueError("likelihood ratios, labels and weights must be of one length")
    return held, label, weight


def _balanced(label: NDArray[np.bool_], weight: Floats) -> Floats:
    """Return weights that sum to one half in each class."""
    share = weight.copy()
    for one in (label, ~label):
        share[one] *= 0.5 / max(share[one].sum(), 1e-300)
    return share


def _mean(values: Floats, weight: Floats) -> Floats:
    with np.errstate(invalid="ignore"):
        return np.asarray(np.tensordot(weight, values, axes=(0, 0)) / weight.sum())
