"""Proportions with their limits, and what a count of trials can support.

References
----------
Wilson (1927), *Journal of the American Statistical Association* 22, 209–212: the score
interval. ISO/IEC 19795-1, the "rule of 3" and the "rule of 30" (after Doddington; from
memory): both are about independent trials, so count specimens, never photos.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri


class Proportion(NamedTuple):
    """A share with the limits that its count of trials supports."""

    share: float
    low: float
    high: float
    hits: int
    trials: int


def wilson_interval(hits: int, trials: int, *, confidence: float = 0.95) -> Proportion:
    """Return the share ``hits / trials`` with its Wilson score interval.

    Raises
    ------
    ValueError
        If there are no trials, or more hits than trials.
    """
    if trials < 1 or not 0 <= hits <= trials:
        raise ValueError(f"cannot take {hits} of {trials} trials")
    z = float(ndtri(0.5 + confidence / 2))
    share = hits / trials
    centre = (share + z * z / (2 * trials)) / (1 + z * z / trials)
    spread = math.sqrt(share * (1 - share) / trials + z * z / (4 * trials * trials))
    half = z * spread / (1 + z * z / trials)
    return Proportion(
        share,
        0.0 if hits == 0 else max(0.0, centre - half),
        1.0 if hits == trials else min(1.0, centre + half),
        hits,
        trials,
    )


def resampled_limits(
    mean: float, resampled: ArrayLike, units: int, *, confidence: float = 0.95
) -> tuple[float, float]:
    """Return limits of a mean of shares, from its bootstrap samples where these tell any.

    Where every unit has 0, or every unit has 1, all samples are alike, and would be limits of
    no width however few the units are. Wilson limits hold there.

    Parameters
    ----------
    mean : float
        Of values within 0 and 1.
    resampled : array_like
        The same mean in each sample of whole units.
    units : int
        How many units there are; at least one.
    confidence : float
    """
    if min(mean, 1 - mean) < 1e-9:  # weights may not quite add up to 1
        found = wilson_interval(round(mean * units), units, confidence=confidence)
        return found.low, found.high
    edge = (1 - confidence) / 2
    low, high = np.quantile(np.asarray(resampled), [edge, 1 - edge])
    return float(low), float(high)


def rule_of_three(trials: int) -> float:
    """Return the greatest error rate that no error in `trials` leaves open, at 95 %.

    ``3 / trials``, at most 1: with no error seen in 300 independent trials, the true rate
    is at most 1 %.

    Raises
    ------
    ValueError
        If there are no trials.
    """
    if trials < 1:
        raise ValueError("the rule of 3 takes at least one trial")
    return min(1.0, 3.0 / trials)


def rule_of_thirty(errors: int) -> bool:
    """Tell whether an error rate rests on enough errors to be trusted within ±30 %.

    With at least 30 errors seen, the true rate lies within 30 % of the one observed, with
    90 % confidence.
    """
    return errors >= 30


def proportion_words(errors: int, trials: int, *, what: str = "errors") -> str:
    """Return what `errors` in `trials` independent trials support, in plain words.

    Examples
    --------
    >>> proportion_words(0, 60)
    'no errors in 60 trials: the true rate is at most 5 % (rule of 3, 95 % confidence)'
    """
    if trials < 1:
        return f"no trials, so nothing can be said of {what}"
    plural = "trial" if trials == 1 else "trials"
    if errors == 0:
        return (
            f"no {what} in {trials} {plural}: the true rate is at most "
            f"{100 * rule_of_three(trials):.3g} % (rule of 3, 95 % confidence)"
        )
    found = wilson_interval(errors, trials)
    words = (
        f"{errors} {what} in {trials} {plural}: {100 * found.share:.3g} % "
        f"({100 * found.low:.3g} to {100 * found.high:.3g} %, Wilson, 95 %)"
    )
    if rule_of_thirty(errors):
        return f"{words}; within ±30 % with 90 % confidence (rule of 30)"
    return f"{words}; fewer than 30 {what}, so only the order of size is known (rule of 30)"
