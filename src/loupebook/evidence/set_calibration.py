"""The calibration of a whole set: per element, its own specimens put to themselves.

The score of a photo is its similarity to the nearest genuine reference less that to the
nearest fake one. For *known press* a fake is compared with all other specimens, siblings of
its press among them; for *unseen press* its whole print origin is left out, and the print
origin is the unit of counting.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from loupebook.evidence.calibration import Calibration, cross_fitted, fit_calibration
from loupebook.evidence.closeness import ClosenessScale, closeness_scales
from loupebook.evidence.gather import GatheredScores, gather_scores
from loupebook.evidence.metrics import cllr, cllr_min, misleading_share, pav_log10_lr
from loupebook.evidence.reading import FAKE_NEEDED, GENUINE_NEEDED, ORIGINS_NEEDED
from loupebook.evidence.table import PhotoTable
from loupebook.evidence.units import unit_weights
from loupebook.search import Progress, no_progress


@dataclass(frozen=True)
class HeldOut:
    """Likelihood ratios of known photos, each from a fit that has not seen its unit.

    Parameters
    ----------
    log10_lr : ndarray, shape (m,)
        Bounded as the calibration bounds them.
    genuine : ndarray of bool, shape (m,)
    weights : ndarray, shape (m,)
        Each unit weighs 1 in all.
    units : tuple, length m
        The unit of each photo: its specimen or print origin.
    """

    log10_lr: NDArray[np.float64]
    genuine: NDArray[np.bool_]
    weights: NDArray[np.float64]
    units: tuple[Hashable, ...]

    def copies_beyond(self, log10_lr: float) -> int:
        """Return how many units of copies have a photo with a greater likelihood ratio."""
        beyond = (self.log10_lr > log10_lr) & ~self.genuine
        return len({self.units[i] for i in np.flatnonzero(beyond)})

    def loss_within(self, lower: float, upper: float) -> float:
        """Return what badly set ratios cost, in bits, beyond what limits on them cost.

        Held against the best monotone map of the same scores that keeps to the limits.

        Parameters
        ----------
        lower, upper : float
            The limits, log10.
        """
        best = np.clip(pav_log10_lr(self.log10_lr, self.genuine, self.weights), lower, upper)
        cost, least = (cllr(ratios, self.genuine, self.weights) for ratios in (self.log10_lr, best))
        return cost - least

    def figures(self) -> dict[str, float]:
        """Return the figures of merit, with the share of misleading LRs beyond 10."""
        cost = cllr(self.log10_lr, self.genuine, self.weights)
        least = cllr_min(self.log10_lr, self.genuine, self.weights)
        against, towards = misleading_share(self.log10_lr, self.genuine, weights=self.weights)
        return {
            "cllr": round(cost, 4),
            "cllr_min": round(least, 4),
            "loss": round(cost - least, 4),
            "genuine_misleading_beyond_10": round(against, 4),
            "copies_misleading_beyond_10": round(towards, 4),
        }


@dataclass(frozen=True)
class ElementCalibration:
    """What one element of a set supports.

    Parameters
    ----------
    genuine, fake, origins : int
        Specimens of each standing, and recorded print origins of the fakes.
    closeness : mapping
        Kind of light to how near specimens lie to each other; see
        :func:`.closeness.closeness_scales`.
    known, unseen : Calibration or None
        `None` where the set is too small.
    figures : mapping
        ``known`` and ``unseen`` to figures of merit on held-out units.
    """

    genuine: int
    fake: int
    origins: int
    closeness: Mapping[str, ClosenessScale]
    known: Calibration | None
    unseen: Calibration | None
    figures: Mapping[str, Mapping[str, float]]

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "genuine": self.genuine,
            "fake": self.fake,
            "origins": self.origins,
            "closeness": {light: one.to_dict() for light, one in self.closeness.items()},
            "known": self.known.to_dict() if self.known else None,
            "unseen": self.unseen.to_dict() if self.unseen else None,
            "figures": {name: dict(values) for name, values in self.figures.items()},
        }

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> ElementCalibration:
        """Return what :meth:`to_dict` stored."""
        known, unseen = stored["known"], stored["unseen"]
        return cls(
            genuine=stored["genuine"],
            fake=stored["fake"],
            origins=stored["origins"],
            closeness={
                light: ClosenessScale.from_dict(one) for light, one in stored["closeness"].items()
            },
            known=Calibration.from_dict(known) if known else None,
            unseen=Calibration.from_dict(unseen) if unseen else None,
            figures=stored["figures"],
        )


def difference_score(genuine: ArrayLike, fake: ArrayLike) -> NDArray[np.float64]:
    """Return the score: similarity to the nearest genuine less that to the nearest fake."""
    return np.asarray(genuine, dtype=np.float64) - np.asarray(fake, dtype=np.float64)


def calibrate_set(
    vectors: NDArray[np.float32], table: PhotoTable, *, progress: Progress = no_progress
) -> dict[str, ElementCalibration]:
    """Calibrate every element that a set holds.

    Parameters
    ----------
    vectors : ndarray, shape (n, dim)
        Unit rows, in the order of the table.
    table : PhotoTable
        All indexable photos.
    progress : callable, optional
        Called with (what, done, total).

    Returns
    -------
    dict
        Element to its calibration.
    """
    made = {}
    for element in sorted({str(fact.element) for fact in table.facts}):
        mine = table.of_element(element)
        part = table.take(mine)
        scores = gather_scores(vectors[mine], part, progress=progress)
        made[element] = calibrate_element(part, scores)
    return made


def calibrate_element(table: PhotoTable, scores: GatheredScores) -> ElementCalibration:
    """Calibrate one element from its gathered scores."""
    genuine = table.count_specimens(fake=False)
    fake = table.count_specimens(fake=True)
    enough = genuine >= GENUINE_NEEDED and fake >= FAKE_NEEDED
    fits: dict[str, Calibration | None] = {"known": None, "unseen": None}
    figures = {}
    for press, wanted in (
        ("known", enough),
        ("unseen", enough and table.count_origins() >= ORIGINS_NEEDED),
    ):
        values, label, units = press_scores(table, scores, press=press)
        if wanted and label.any() and not label.all():
            fit = fit_calibration(values, label, units)
            fits[press] = fit
            figures[press] = held_out(fit, values, label, units).figures()
    return ElementCalibration(
        genuine=genuine,
        fake=fake,
        origins=table.count_origins(),
        closeness=closeness_scales(table, scores),
        known=fits["known"],
        unseen=fits["unseen"],
        figures=figures,
    )


def press_scores(
    table: PhotoTable, scores: GatheredScores, *, press: str
) -> tuple[NDArray[np.float64], NDArray[np.bool_], list[Hashable]]:
    """Return scores, which are genuine, and units, for ``known`` or ``unseen`` presses.

    Photos for which nothing was left to compare with are passed over.
    """
    to_fake = scores.fake_known if press == "known" else scores.fake_unseen
    usable = np.isfinite(scores.genuine) & np.isfinite(to_fake)
    asked = scores.queries[usable]
    all_units = table.origin_units if press == "unseen" else table.specimens
    units: list[Hashable] = [all_units[i] for i in asked]
    values = difference_score(scores.genuine[usable], to_fake[usable])
    return values, ~table.fake[asked], units


def held_out(
    fit: Calibration,
    values: NDArray[np.float64],
    label: NDArray[np.bool_],
    units: list[Hashable],
) -> HeldOut:
    """Return likelihood ratios of known photos from fits that have not seen their units."""
    weights = np.zeros(label.size)
    for one in (label, ~label):
        weights[one] = unit_weights([u for u, take in zip(units, one, strict=True) if take])
    ratios = np.clip(cross_fitted(values, label, units), fit.lower, fit.upper)
    return HeldOut(ratios, label, weights, tuple(units))
