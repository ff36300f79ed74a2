"""The curves by which a system of likelihood ratios is judged, as numbers.

Conventions as in ``loupebook.evidence.metrics``. A curve is a mapping of column name to
values of equal length, so that it can be drawn, written as CSV or read aloud.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from loupebook.evidence.metrics import empirical_cross_entropy, pav_log10_lr

Curve: TypeAlias = dict[str, NDArray[np.float64]]

PRIORS = np.linspace(-2.5, 2.5, 101)
"""log10 prior odds at which the cross-entropy is shown."""

BINS = np.array([-np.inf, -2.0, -1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5, 2.0, np.inf])
"""Edges, in log10 LR, of the bins of the reliability diagram."""


def tippett_curve(
    log10_lr: ArrayLike, genuine: ArrayLike, weights: ArrayLike | None = None
) -> Curve:
    """Return, at each log10 LR, the share of genuine items and of copies above it."""
    held, label, weight = _arrays(log10_lr, genuine, weights)
    reach = max(1.0, float(np.abs(held).max(initial=0.0)) * 1.05)
    at = np.linspace(-reach, reach, 201)
    return {
        "log10_lr": at,
        "genuine_above": _share_above(held[label], weight[label], at),
        "copies_above": _share_above(held[~label], weight[~label], at),
    }


def det_curve(log10_lr: ArrayLike, genuine: ArrayLike, weights: ArrayLike | None = None) -> Curve:
    """Return both error rates at every threshold that changes either of them.

    ``false_alarm`` is the share of copies above the threshold, ``miss`` that of genuine
    items at or below it.
    """
    held, label, weight = _arrays(log10_lr, genuine, weights)
    at = np.concatenate(([-np.inf], np.unique(held)))
    return {
        "threshold": at,
        "false_alarm": _share_above(held[~label], weight[~label], at),
        "miss": 1.0 - _share_above(held[label], weight[label], at),
    }


def equal_error_rate(curve: Curve) -> float:
    """Return the rate at which both errors of a :func:`det_curve` are equal.

    Read off on the straight line between the two neighbouring points.
    """
    gap = curve["miss"] - curve["false_alarm"]
    after = int(np.argmax(gap >= 0))
    if after == 0 or gap[after] == 0:
        return float(curve["miss"][after])
    share = gap[after - 1] / (gap[after - 1] - gap[after])
    before, behind = curve["miss"][after - 1], curve["miss"][after]
    return float(before + share * (behind - before))


def cross_entropy_curve(
    log10_lr: ArrayLike, genuine: ArrayLike, weights: ArrayLike | None = None
) -> Curve:
    """Return the empirical cross-entropy at each prior: as given, at best, and of LR = 1."""
    best = pav_log10_lr(log10_lr, genuine, weights)
    neutral = np.zeros(np.shape(log10_lr))
    return {
        "prior_log10_odds": PRIORS,
        "as_given": empirical_cross_entropy(log10_lr, genuine, PRIORS, weights),
        "best_monotone": empirical_cross_entropy(best, genuine, PRIORS, weights),
        "neutral": empirical_cross_entropy(neutral, genuine, PRIORS, weights),
    }


def reliability_curve(
    log10_lr: ArrayLike, genuine: ArrayLike, weights: ArrayLike | None = None
) -> Curve:
    """Return, bin by bin, the chance of "genuine" as stated and as it came out.

    Both at even prior odds: the classes weigh the same. ``entries`` counts photos.
    """
    held, label, weight = _arrays(log10_lr, genuine, weights)
    share = weight.copy()
    for one in (label, ~label):
        share[one] *= 0.5 / max(float(share[one].sum()), 1e-300)
    stated = 1.0 / (1.0 + 10.0**-held)
    bins = np.digitize(held, BINS[1:-1])
    count = BINS.size - 1
    total = np.bincount(bins, share, count)
    used = total > 0
    mean = np.bincount(bins, share * stated, count)[used] / total[used]
    observed = np.bincount(bins, share * label, count)[used] / total[used]
    return {
        "from_log10_lr": BINS[:-1][used],
        "to_log10_lr": BINS[1:][used],
        "stated": mean,
        "observed": observed,
        "entries": np.bincount(bins, minlength=count)[used].astype(np.float64),
    }


def curve_csv(curve: Curve) -> str:
    """Return a curve as CSV text with a header."""
    lines = [",".join(curve)]
    lines += [
        ",".join(f"{value:.6g}" for value in row) for row in zip(*curve.values(), strict=True)
    ]
    return "\n".join(lines) + "\n"


def _arrays(
    log10_lr: ArrayLike, genuine: ArrayLike, weights: ArrayLike | None
) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.float64]]:
    held = np.asarray(log10_lr, dtype=np.float64)
    weight = np.ones(held.shape) if weights is None else np.asarray(weights, dtype=np.float64)
    return held, np.asarray(genuine, dtype=bool), weight


def _share_above(
    values: NDArray[np.float64], weight: NDArray[np.float64], at: NDArray[np.float64]
) -> NDArray[np.float64]:
    order = np.argsort(values)
    running = np.concatenate(([0.0], np.cumsum(weight[order])))
    below = running[np.searchsorted(values[order], at, side="right")]
    return np.asarray(np.clip(1.0 - below / running[-1], 0.0, 1.0), dtype=np.float64)
