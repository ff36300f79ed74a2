"""Rankings to figures: recall, average precision, outlines, absent items, with intervals.

Recall@k, average precision and areas are those of ``loupebook.evidence.ranking``; intervals
come from resampling whole specimens (bootstrap, 95 %), or are Wilson's over specimens where all
found or none did.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from loupebook.bench.cases import BenchCase, BenchQuery
from loupebook.evidence.proportions import resampled_limits
from loupebook.evidence.ranking import area_under_roc, average_precision, found_within

RESAMPLED = 1000
PLACED = 0.8
"""Intersection over union from which an outline counts as right."""


@dataclass(frozen=True)
class Ranking:
    """One method's answer to one query.

    Parameters
    ----------
    order : sequence of int
        Positions of references, nearest first; it may leave out what was not found.
    best : float
        Score of the first, on the method's own scale; minus infinity where nothing was found.
    outline : ndarray, optional
        Where the item lies, (4, 2) px.
    seconds : float
        Time taken.
    """

    order: Sequence[int]
    best: float
    outline: NDArray[np.float64] | None
    seconds: float


@dataclass(frozen=True)
class Estimate:
    """A mean with its interval, over `count` queries."""

    value: float
    low: float
    high: float
    count: int

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "value": round(self.value, 4),
            "low": round(self.low, 4),
            "high": round(self.high, 4),
            "count": self.count,
        }


@dataclass(frozen=True)
class CaseFigures:
    """All figures of one method on one case; a figure that cannot be had is absent."""

    case: str
    method: str
    figures: dict[str, Estimate]
    strata: dict[str, dict[str, Estimate]]
    absent_area: float | None
    milliseconds: float

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "case": self.case,
            "method": self.method,
            "figures": {name: value.to_json() for name, value in self.figures.items()},
            "strata": {
                name: {value: made.to_json() for value, made in group.items()}
                for name, group in self.strata.items()
            },
            "absent_area": self.absent_area,
            "milliseconds": round(self.milliseconds, 1),
        }


def figures_of(method: str, case: BenchCase, rankings: Sequence[Ranking]) -> CaseFigures:
    """Work out the figures of one method on one case."""
    designs = {reference.design for reference in case.references}
    present = [i for i, query in enumerate(case.queries) if query.design in designs]
    scores = [score_query(case, case.queries[i], rankings[i]) for i in present]
    units = [case.queries[i].specimen for i in present]
    figures = {}
    for name in dict.fromkeys(key for score in scores for key in score):
        kept = [at for at, score in enumerate(scores) if name in score]
        values = [scores[at][name] for at in kept]
        figures[name] = estimate(values, [units[at] for at in kept])
    strata: dict[str, dict[str, Estimate]] = {}
    for key in sorted({key for i in present for key in case.queries[i].strata}):
        for value in sorted({case.queries[i].strata.get(key, "") for i in present}):
            kept = [
                at for at, i in enumerate(present) if case.queries[i].strata.get(key, "") == value
            ]
            strata.setdefault(key, {})[value] = estimate(
                [scores[at]["recall@1"] for at in kept], [units[at] for at in kept]
            )
    absent = sorted(set(range(len(case.queries))) - set(present))
    area = None
    if absent and present:
        best = [ranking.best for ranking in rankings]
        area = area_under_roc(best, np.isin(np.arange(len(best)), present))
    return CaseFigures(
        case.name,
        method,
        figures,
        strata,
        area,
        1000 * float(np.mean([ranking.seconds for ranking in rankings])),
    )


def score_query(case: BenchCase, query: BenchQuery, ranking: Ranking) -> dict[str, float]:
    """Return what one answer is worth; specimens count, not photos."""
    order = first_of_specimen(case, ranking.order)
    references = [case.references[i] for i in order]
    right = np.array([reference.design == query.design for reference in references], bool)
    relevant = {r.specimen for r in case.references if r.design == query.design}
    scored = {f"recall@{k}": float(found_within(right, k)) for k in (1, 5, 10)}
    scored["mAP"] = average_precision(right, len(relevant))
    if query.outline is not None and ranking.outline is not None and right[:1].any():
        height, width = query.read().shape[:2]
        scored["outline"] = float(
            overlap(ranking.outline, query.outline, (height, width)) >= PLACED
        )
    if not query.standing:
        return scored
    scored["standing"] = float(references[0].standing == query.standing) if references else 0.0
    genuine = [r for r in references if r.standing == "genuine"]
    if any(r.standing == "genuine" and r.design == query.design for r in case.references):
        scored["nearest genuine"] = float(bool(genuine) and genuine[0].design == query.design)
    siblings = {r.specimen for r in case.references if r.origin == query.origin}
    if siblings:
        same = np.array([reference.origin == query.origin for reference in references], bool)
        scored["origin recall@1"] = float(same[:1].any())
        scored["origin mAP"] = average_precision(same, len(siblings))
    return scored


def first_of_specimen(case: BenchCase, order: Sequence[int]) -> list[int]:
    """Keep each specimen's nearest photo."""
    first: dict[str, int] = {}
    for position in order:
        first.setdefault(case.references[position].specimen, position)
    return list(first.values())


def overlap(found: NDArray[np.float64], true: NDArray[np.float64], shape: tuple[int, int]) -> float:
    """Return the intersection of two polygons over their union, within the picture."""
    masks = []
    for polygon in (found, true):
        mask = np.zeros(shape, np.uint8)
        cv2.fillPoly(mask, [np.round(polygon).astype(np.int32)], (1,))
        masks.append(mask.astype(bool))
    union = int((masks[0] | masks[1]).sum())
    return float((masks[0] & masks[1]).sum() / union) if union else 0.0


def estimate(values: Sequence[float], units: Sequence[str]) -> Estimate:
    """Return the mean with a 95 % interval, whole units resampled; see `resampled_limits`."""
    table = np.asarray(values, np.float64)
    _, unit = np.unique(np.asarray(units), return_inverse=True)
    sums, counts = np.bincount(unit, table), np.bincount(unit)
    drawn = np.random.default_rng(1).integers(0, len(sums), (RESAMPLED, len(sums)))
    means = sums[drawn].sum(axis=1) / counts[drawn].sum(axis=1)
    value = float(table.mean())
    return Estimate(value, *resampled_limits(value, means, len(sums)), len(table))
