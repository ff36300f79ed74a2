"""Scores to likelihood ratios: logistic calibration, kept within what the units support.

A score is one number for one query, greater for "more like a genuine item". Calibration
fits ``log LR = intercept + slope * score`` by logistic regression in which both classes
weigh the same, so that prior odds drop out, and each independent unit (specimen, or print
origin) weighs the same, however many photos it has. The slope is penalised, so that few
units pull towards LR = 1, and never falls below 0.

**Rule of the limits.** No likelihood ratio is given beyond the point up to which acting on
it beats ignoring it, after one pseudo-misleading unit is added to each class. With n copies
that is never above log10(n + 1), with n genuine units never below -log10(n + 1).

References
----------
Brümmer & du Preez (2006), doi:10.1016/j.csl.2005.08.001 (logistic calibration);
Vergeer, van Es, de Jongh, Alberink & Stoel (2016), doi:10.1016/j.scijus.2016.06.003
(empirical limits with added misleading observations).
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from loupebook.evidence.metrics import LN10
from loupebook.evidence.splits import unit_folds
from loupebook.evidence.units import resampled_unit_weights, unit_weights

Floats = NDArray[np.float64]

PENALTY = 1.0
"""Weight of the squared slope (on standardised scores) against one unit; our choice."""

RESAMPLES = 200
FOLDS = 20
_STEP = 0.01  # of the thresholds that limits are sought on, in log10 LR


@dataclass(frozen=True)
class Calibration:
    """A fitted map from score to log10 LR.

    Parameters
    ----------
    intercept, slope : float
        In natural logarithms: ``log LR = intercept + slope * score``.
    lower, upper : float
        Limits of the log10 LR; ``lower <= 0 <= upper``.
    genuine_units, copy_units : int
        How many independent units it rests on.
    resampled : ndarray, shape (resamples, 2)
        Intercept and slope of each bootstrap sample of units.
    """

    intercept: float
    slope: float
    lower: float
    upper: float
    genuine_units: int
    copy_units: int
    resampled: Floats

    @property
    def speaks(self) -> bool:
        """Whether any score supports anything: without, every LR is 1."""
        return bool(self.slope > 0 and self.lower < self.upper)

    def log10_lr(self, scores: ArrayLike) -> Floats:
        """Return the bounded log10 LR of each score."""
        line = (self.intercept + self.slope * np.asarray(scores, dtype=np.float64)) / LN10
        return np.clip(line, self.lower, self.upper)

    def interval(self, score: float, *, confidence: float = 0.95) -> tuple[float, float]:
        """Return bounded limits of the log10 LR from the resampled fits.

        They tell how far the figure would move with other specimens of the same kinds; the
        middle value always lies within.
        """
        lines = (self.resampled[:, 0] + self.resampled[:, 1] * score) / LN10
        edge = (1 - confidence) / 2
        low, high = np.clip(np.quantile(lines, [edge, 1 - edge]), self.lower, self.upper)
        middle = float(self.log10_lr(score))
        return min(float(low), middle), max(float(high), middle)

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "intercept": self.intercept,
            "slope": self.slope,
            "lower": self.lower,
            "upper": self.upper,
            "genuine_units": self.genuine_units,
            "copy_units": self.copy_units,
            "resampled": self.resampled.tolist(),
        }

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> Calibration:
        """Return what :meth:`to_dict` stored."""
        fields = {name: stored[name] for name in cls.__dataclass_fields__}
        fields["resampled"] = np.asarray(fields["resampled"], dtype=np.float64)
        return cls(**fields)


def fit_calibration(
    scores: ArrayLike,
    genuine: ArrayLike,
    units: Sequence[Hashable],
    *,
    resamples: int = RESAMPLES,
    seed: int = 0,
) -> Calibration:
    """Fit a calibration to scores of known items.

    Parameters
    ----------
    scores : array_like, shape (n,)
        Scores of known items, each found with its own unit left out.
    genuine : array_like of bool, shape (n,)
        Which of them are genuine.
    units : sequence, length n
        Independent unit of each; a unit holds one class only.
    resamples : int
        Bootstrap samples for the intervals.
    seed : int
        Of the bootstrap.

    Raises
    ------
    ValueError
        If a class is empty, or lengths differ.
    """
    held = np.asarray(scores, dtype=np.float64)
    label = np.asarray(genuine, dtype=bool)
    if held.shape != label.shape or len(units) != held.size:
        raise ValueError("scores, labels and units must be of one length")
    if label.all() or not label.any():
        raise ValueError("a calibration takes scores of genuine items and of copies")
    rng = np.random.default_rng(seed)
    weights = _class_units(label, units, unit_weights)
    drawn = np.stack(
        [
            _class_units(label, units, lambda part: resampled_unit_weights(part, rng))
            for _ in range(resamples)
        ]
    )
    intercept, slope = fit_lines(held, label, weights[None, :])[0]
    held_out = cross_fitted(held, label, units, seed=seed)
    lower, upper = empirical_limits(held_out, label, weights)
    return Calibration(
        intercept=float(intercept),
        slope=float(slope),
        lower=lower,
        upper=upper,
        genuine_units=round(float(weights[label].sum())),
        copy_units=round(float(weights[~label].sum())),
        resampled=fit_lines(held, label, drawn),
    )


def cross_fitted(
    scores: ArrayLike, genuine: ArrayLike, units: Sequence[Hashable], *, seed: int = 0
) -> Floats:
    """Return unbounded log10 LRs, each from a fit that has not seen its unit.

    Units are dealt into at most 20 folds, within each class. This is what figures of merit
    and limits are taken from, so that no unit vouches for itself.
    """
    held = np.asarray(scores, dtype=np.float64)
    label = np.asarray(genuine, dtype=bool)
    weights = _class_units(label, units, unit_weights)
    fold = np.zeros(held.size, dtype=np.intp)
    for one in (label, ~label):
        members = [unit for unit, take in zip(units, one, strict=True) if take]
        fold[one] = unit_folds(members, FOLDS, seed=seed)
    numbers = np.unique(fold)
    seen = np.where(fold[None, :] == numbers[:, None], 0.0, weights[None, :])
    lines = fit_lines(held, label, seen)
    mine = lines[np.searchsorted(numbers, fold)]
    return np.asarray((mine[:, 0] + mine[:, 1] * held) / LN10, dtype=np.float64)


def fit_lines(scores: Floats, genuine: NDArray[np.bool_], weights: Floats) -> Floats:
    """Fit one penalised logistic line for every row of weights.

    Parameters
    ----------
    scores : ndarray, shape (n,)
    genuine : ndarray of bool, shape (n,)
    weights : ndarray, shape (m, n)
        Unit weights; rescaled so that both classes weigh half of the row's total.

    Returns
    -------
    ndarray, shape (m, 2)
        Intercept and slope, natural logarithms, on the scores as given. A row in which a
        class has no weight gives LR = 1 throughout.
    """
    centre = float(scores.mean())
    scale = float(scores.std()) or 1.0
    x = (scores - centre) / scale
    totals = np.stack([weights[:, genuine].sum(axis=1), weights[:, ~genuine].sum(axis=1)])
    fit = np.zeros((len(weights), 2))
    usable = (totals > 0).all(axis=0)
    if usable.any():
        held, sums = weights[usable], totals[:, usable]
        half = sums.sum(axis=0) / 2
        factor = np.where(genuine[None, :], (half / sums[0])[:, None], (half / sums[1])[:, None])
        fit[usable] = _newton(x, genuine, held * factor)
    # A score that falls with likeness supports nothing; LR = 1 then, by the convex optimum.
    fit[fit[:, 1] <= 0] = 0.0
    slope = fit[:, 1] / scale
    return np.stack([fit[:, 0] - slope * centre, slope], axis=1)


def empirical_limits(
    log10_lr: ArrayLike, genuine: ArrayLike, weights: ArrayLike
) -> tuple[float, float]:
    """Return how far likelihood ratios may go, by the rule in the module docstring.

    Parameters
    ----------
    log10_lr : array_like, shape (n,)
        Unbounded log10 LRs, found on units that their fit has not seen.
    genuine : array_like of bool, shape (n,)
    weights : array_like, shape (n,)
        Unit weights: each unit weighs 1 in all.

    Returns
    -------
    tuple of float
        ``lower <= 0 <= upper``, log10.
    """
    held = np.asarray(log10_lr, dtype=np.float64)
    label = np.asarray(genuine, dtype=bool)
    weight = np.asarray(weights, dtype=np.float64)
    upper = _useful_up_to(held[label], weight[label], held[~label], weight[~label])
    lower = _useful_up_to(-held[~label], weight[~label], -held[label], weight[label])
    return -lower, upper


def _useful_up_to(for_it: Floats, w_for: Floats, against: Floats, w_against: Floats) -> float:
    """Return the last threshold before acting on a log10 LR costs more than ignoring it."""
    top = min(float(for_it.max(initial=0.0)), float(np.log10(w_against.sum() + 1)))
    if top <= 0:
        return 0.0
    steps = np.append(np.arange(0.0, top, _STEP), top)
    missed = _share_at_most(for_it, w_for, steps, pseudo=1.0)
    misled = 1.0 - _share_at_most(against, w_against, steps, pseudo=0.0)
    costly = missed + 10.0**steps * misled > 1.0 + 1e-9
    first = int(np.argmax(costly)) if costly.any() else steps.size
    return float(steps[max(0, first - 1)])


def _share_at_most(values: Floats, weight: Floats, steps: Floats, *, pseudo: float) -> Floats:
    """Return the share of units at or below each step, one pseudo unit counted in."""
    order = np.argsort(values)
    running = np.concatenate(([0.0], np.cumsum(weight[order])))
    below = running[np.searchsorted(values[order], steps, side="right")]
    return np.asarray((below + pseudo) / (weight.sum() + 1.0), dtype=np.float64)


def _class_units(
    label: NDArray[np.bool_],
    units: Sequence[Hashable],
    weigh: Callable[[Sequence[Hashable]], Floats],
) -> Floats:
    weights = np.zeros(label.size)
    for one in (label, ~label):
        weights[one] = weigh([unit for unit, take in zip(units, one, strict=True) if take])
    return weights


def _newton(x: Floats, genuine: NDArray[np.bool_], weights: Floats) -> Floats:
    """Minimise the penalised logistic loss for all rows of weights at once."""
    target = genuine.astype(np.float64)
    fit = np.zeros((len(weights), 2))
    for _ in range(50):
        chance = 1.0 / (1.0 + np.exp(-np.clip(fit[:, :1] + fit[:, 1:] * x, -500, 500)))
        residual = weights * (chance - target)
        curve = weights * chance * (1 - chance)
        g0 = residual.sum(axis=1)
        g1 = residual @ x + PENALTY * fit[:, 1]
        h00 = curve.sum(axis=1) + 1e-12
        h01 = curve @ x
        h11 = curve @ (x * x) + PENALTY
        det = h00 * h11 - h01 * h01
        step = np.stack([(h11 * g0 - h01 * g1) / det, (h00 * g1 - h01 * g0) / det], axis=1)
        fit -= step
        if np.abs(step).max() < 1e-10:
            break
    return fit
