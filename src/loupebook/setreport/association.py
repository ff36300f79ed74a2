"""Does something that should not matter predict the standing? With a permutation p-value.

Specimens are the units: photos of one specimen are averaged first. Strata (editions, or
elements) are taken off, and labels are permuted within strata, so that what merely differs
between editions does not count.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loupebook.evidence.ranking import area_under_roc
from loupebook.evidence.units import unit_codes

Floats = NDArray[np.float64]

PERMUTATIONS = 1999


@dataclass(frozen=True)
class Association:
    """How well some features alone predict a label.

    Parameters
    ----------
    area : float
        Area under the ROC curve of left-out predictions; 0.5 tells nothing.
    p_value : float
        Share of permuted labels that are predicted at least as well, the real ones counted in.
    units : int
        How many units it rests on.
    """

    area: float
    p_value: float
    units: int


def associate(
    features: Floats,
    label: NDArray[np.bool_],
    strata: Sequence[Hashable],
    *,
    permutations: int = PERMUTATIONS,
    seed: int = 0,
) -> Association | None:
    """Test whether features predict a label within strata.

    Parameters
    ----------
    features : ndarray, shape (n, f)
        One row a unit.
    label : ndarray of bool, shape (n,)
    strata : sequence, length n
        Only units of strata that hold both labels take part.
    permutations : int
    seed : int
        Of the permutations.

    Returns
    -------
    Association or None
        `None` where no stratum holds both labels, or the features do not vary.
    """
    stratum, count = unit_codes(strata)
    both = np.zeros(count, dtype=bool)
    for number in range(count):
        members = label[stratum == number]
        both[number] = members.any() and not members.all()
    taken = both[stratum]
    if taken.sum() < 4:
        return None
    x, target = _within(features[taken], stratum[taken]), label[taken]
    stratum = np.unique(stratum[taken], return_inverse=True)[1]
    basis = _basis(x)
    if not basis.shape[1]:
        return None
    y = _within(target.astype(np.float64)[:, None], stratum)[:, 0]
    total = float(y @ y)
    explained = float(((basis.T @ y) ** 2).sum()) / total
    rng = np.random.default_rng(seed)
    at_least = 0
    for start in range(0, permutations, 200):
        drawn = np.stack(
            [_permuted(y, stratum, rng) for _ in range(min(200, permutations - start))], axis=1
        )
        at_least += int((((basis.T @ drawn) ** 2).sum(axis=0) / total >= explained - 1e-12).sum())
    return Association(
        area=_left_out_area(basis, y, target, stratum),
        p_value=(1 + at_least) / (1 + permutations),
        units=int(taken.sum()),
    )


def holm(p_values: Sequence[float]) -> list[float]:
    """Return p-values corrected for being several (Holm 1979), in the order given."""
    order = np.argsort(p_values, kind="stable")
    corrected = np.empty(len(p_values))
    reached = 0.0
    for rank, position in enumerate(order):
        reached = max(reached, min(1.0, (len(p_values) - rank) * p_values[position]))
        corrected[position] = reached
    return corrected.tolist()


def _within(values: Floats, stratum: NDArray[np.intp]) -> Floats:
    """Take the mean of each stratum off."""
    stratum = np.unique(stratum, return_inverse=True)[1]
    size = np.bincount(stratum)
    sums = np.zeros((size.size, values.shape[1]))
    np.add.at(sums, stratum, values)
    return np.asarray(values - (sums / size[:, None])[stratum])


def _basis(x: Floats) -> Floats:
    """Return an orthonormal basis of the columns, those that do not vary left out."""
    scale = x.std(axis=0)
    used = x[:, scale > 1e-9] / scale[scale > 1e-9]
    if not used.shape[1]:
        return np.zeros((len(x), 0))
    left, size, _ = np.linalg.svd(used, full_matrices=False)
    return np.asarray(left[:, size > 1e-6 * size[0]])


def _permuted(y: Floats, stratum: NDArray[np.intp], rng: np.random.Generator) -> Floats:
    """Shuffle within strata, all strata at once."""
    places = np.argsort(stratum, kind="stable")
    shuffled = np.lexsort((rng.random(y.size), stratum))
    drawn = np.empty_like(y)
    drawn[places] = y[shuffled]
    return drawn


def _left_out_area(
    basis: Floats, y: Floats, target: NDArray[np.bool_], stratum: NDArray[np.intp]
) -> float:
    """Return the area of leave-one-out predictions, compared within strata."""
    hat = (basis * basis).sum(axis=1)
    fitted = basis @ (basis.T @ y)
    predicted = y - (y - fitted) / np.maximum(1 - hat, 1e-6)
    # Left-out means of small strata lean against the own label; ranks are taken per stratum.
    areas, weights = [], []
    for number in np.unique(stratum):
        mine = stratum == number
        area = area_under_roc(predicted[mine], target[mine])
        pairs = float(target[mine].sum() * (~target[mine]).sum())
        areas.append(area)
        weights.append(pairs)
    return float(np.average(areas, weights=weights))
