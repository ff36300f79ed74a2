"""Several signs of one thing to one likelihood ratio, each from a fit that has not seen its unit.

A sign is one number an item, greater for "more like a copy"; one that an item lacks is NaN. Items
that bear the same signs are told by one fit, learned from all that bear at least those. A fit is
logistic regression in which both classes weigh the same, so that prior odds drop out, and each unit
(specimen, or print origin) weighs the same. Slopes are penalised on standardised signs and never
fall below 0: a sign that points the other way supports nothing.

References
----------
Brümmer & du Preez (2006), doi:10.1016/j.csl.2005.08.001 (logistic calibration and fusion).
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence

import numpy as np
from numpy.typing import NDArray

from loupebook.evidence.calibration import FOLDS, PENALTY
from loupebook.evidence.metrics import LN10
from loupebook.evidence.splits import unit_folds
from loupebook.evidence.units import unit_weights

Floats = NDArray[np.float64]


def joint_log10_lr(
    signs: Floats, fake: NDArray[np.bool_], units: Sequence[Hashable], *, needed: int
) -> Floats:
    """Return the unbounded log10 likelihood ratio of "fake" of each item.

    Parameters
    ----------
    signs : ndarray, shape (n, k)
        NaN where an item lacks one.
    fake : ndarray of bool, shape (n,)
        Standing as recorded.
    units : sequence, length n
        Independent unit of each; a unit holds one class only.
    needed : int
        Units of either class that a fit takes; where there are fewer the sign that the fewest items
        bear is left out.

    Returns
    -------
    ndarray, shape (n,)
        NaN where no sign can be told from this set.
    """
    borne = np.isfinite(signs)
    told = np.full(len(signs), np.nan)
    # The fit with most signs comes last and has the last word.
    for used in _choices(signs.shape[1]):
        bearing = np.flatnonzero(borne[:, used].all(axis=1))
        mine = [units[i] for i in bearing.tolist()]
        label = fake[bearing]
        if min(_units(mine, label), _units(mine, ~label)) >= needed:
            told[bearing] = _cross_fitted(signs[bearing][:, used], label, mine)
    return told / LN10


def _choices(columns: int) -> list[list[int]]:
    """Return all choices of columns, those of few before those of many."""
    every = [[c for c in range(columns) if bits >> c & 1] for bits in range(1, 2**columns)]
    return sorted(every, key=len)


def _units(units: Sequence[Hashable], chosen: NDArray[np.bool_]) -> int:
    return len({unit for unit, take in zip(units, chosen, strict=True) if take})


def _cross_fitted(signs: Floats, fake: NDArray[np.bool_], units: Sequence[Hashable]) -> Floats:
    fold = np.zeros(fake.size, dtype=np.intp)
    for label in (fake, ~fake):
        fold[label] = unit_folds([units[i] for i in np.flatnonzero(label).tolist()], FOLDS)
    weight = unit_weights(units)
    told = np.empty(fake.size)
    for number in np.unique(fold):
        out = fold == number
        line = _fitted(signs[~out], fake[~out], weight[~out])
        told[out] = line[0] + signs[out] @ line[1:]
    return told


def _fitted(signs: Floats, fake: NDArray[np.bool_], weight: Floats) -> Floats:
    """Return intercept and slopes, natural logarithms; signs that point the other way have 0."""
    line = np.zeros(signs.shape[1] + 1)
    used = np.arange(signs.shape[1])
    while used.size:
        fit = _newton(signs[:, used], fake, weight)
        if (fit[1:] >= 0).all():
            line[0], line[1 + used] = fit[0], fit[1:]
            break
        used = np.delete(used, fit[1:].argmin())
    return line


def _newton(signs: Floats, fake: NDArray[np.bool_], weight: Floats) -> Floats:
    centre, scale = signs.mean(axis=0), signs.std(axis=0) + 1e-12
    x = np.column_stack([np.ones(len(signs)), (signs - centre) / scale])
    share = weight.copy()
    for label in (fake, ~fake):
        share[label] *= weight.sum() / 2 / weight[label].sum()
    penalty = PENALTY * np.diag([0.0] + [1.0] * signs.shape[1])
    fit = np.zeros(x.shape[1])
    for _ in range(50):
        chance = 1 / (1 + np.exp(-np.clip(x @ fit, -500, 500)))
        slope = x.T @ (share * (chance - fake)) + penalty @ fit
        step = np.linalg.solve((x.T * (share * chance * (1 - chance))) @ x + penalty, slope)
        fit -= step
        if np.abs(step).max() < 1e-10:
            break
    fit[1:] /= scale
    fit[0] -= fit[1:] @ centre
    return fit
