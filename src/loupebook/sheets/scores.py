"""What a learner's answers show: error rates with intervals, calibration, point by point.

Positive is *fake*: sensitivity is the share of fakes that were called fake, specificity the
share of genuine ones that were called genuine. "Cannot tell" is no hit in either and is also
counted by itself.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from loupebook.evidence.proportions import Proportion, wilson_interval
from loupebook.records.practice import CANNOT_TELL, Answer

CONFIDENCES = (0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
"""What a learner may choose from: how probable the own judgement is held to be."""
OUTCOMES = ("found", "missed", "false alarm")


@dataclass(frozen=True)
class ConfidenceStep:
    """How often judgements of one stated confidence were right."""

    confidence: float
    right: Proportion


@dataclass(frozen=True)
class PointTally:
    """What became of one point over all answers."""

    point: str
    found: int
    missed: int
    false_alarms: int


@dataclass(frozen=True)
class Scores:
    """The results of some answers; shares are `None` where nothing was asked.

    Parameters
    ----------
    answers : int
        How many.
    sensitivity, specificity, cannot_tell : Proportion, optional
        With Wilson 95 % intervals.
    calibration : tuple of ConfidenceStep
        Decided answers by stated confidence.
    brier : float, optional
        Mean squared distance between confidence and being right, over decided answers; 0 is
        perfect, 0.25 is what 50 % throughout gets.
    points : tuple of PointTally
        Most often missed first.
    """

    answers: int
    sensitivity: Proportion | None
    specificity: Proportion | None
    cannot_tell: Proportion | None
    calibration: tuple[ConfidenceStep, ...]
    brier: float | None
    points: tuple[PointTally, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "answers": self.answers,
            "sensitivity": _shown(self.sensitivity),
            "specificity": _shown(self.specificity),
            "cannot_tell": _shown(self.cannot_tell),
            "brier": None if self.brier is None else round(self.brier, 4),
            "calibration": [
                {"confidence": step.confidence, "right": _shown(step.right)}
                for step in self.calibration
            ],
            "points": [vars(point) for point in self.points],
        }

    def says(self) -> list[str]:
        """Return the results in sentences."""
        told = [
            f"{name}: {share_words(share)}"
            for name, share in (
                ("Fakes recognised (sensitivity)", self.sensitivity),
                ("Genuine ones recognised (specificity)", self.specificity),
                ("Cannot tell", self.cannot_tell),
            )
        ]
        if self.brier is not None:
            told.append(f"Brier score of the stated confidence: {self.brier:.3f} (0 is best)")
        return told


def share_words(share: Proportion | None) -> str:
    """Return a share with its interval in words."""
    if share is None:
        return "none were asked"
    return (
        f"{share.hits} of {share.trials}, {100 * share.share:.0f} % "
        f"({100 * share.low:.0f} to {100 * share.high:.0f} %, Wilson, 95 %)"
    )


def scores_of(answers: Sequence[Answer]) -> Scores:
    """Return the results of answers."""
    fakes = [one for one in answers if one.truth == "fake"]
    genuine = [one for one in answers if one.truth == "genuine"]
    undecided = sum(one.given == CANNOT_TELL for one in answers)
    decided = [one for one in answers if one.given != CANNOT_TELL]
    brier = (
        sum((one.confidence - one.right) ** 2 for one in decided) / len(decided)
        if decided
        else None
    )
    return Scores(
        answers=len(answers),
        sensitivity=_share(sum(one.right for one in fakes), len(fakes)),
        specificity=_share(sum(one.right for one in genuine), len(genuine)),
        cannot_tell=_share(undecided, len(answers)),
        calibration=tuple(_calibration(decided)),
        brier=brier,
        points=tuple(_tallies(answers)),
    )


def _calibration(decided: Sequence[Answer]) -> Iterable[ConfidenceStep]:
    groups: dict[float, list[bool]] = defaultdict(list)
    for one in decided:
        nearest = min(CONFIDENCES, key=lambda step: abs(step - one.confidence))
        groups[nearest].append(one.right)
    for confidence in sorted(groups):
        right = groups[confidence]
        yield ConfidenceStep(confidence, wilson_interval(sum(right), len(right)))


def _tallies(answers: Sequence[Answer]) -> list[PointTally]:
    counts: dict[str, dict[str, int]] = defaultdict(lambda: dict.fromkeys(OUTCOMES, 0))
    for answer in answers:
        for point, outcome in answer.places.items():
            if outcome in OUTCOMES:
                counts[point][outcome] += 1
    tallies = [
        PointTally(point, one["found"], one["missed"], one["false alarm"])
        for point, one in counts.items()
    ]
    return sorted(tallies, key=lambda one: (-one.missed, one.point))


def _share(hits: int, trials: int) -> Proportion | None:
    return wilson_interval(hits, trials) if trials else None


def _shown(share: Proportion | None) -> dict[str, Any] | None:
    if share is None:
        return None
    return {
        "share": round(share.share, 4), "low": round(share.low, 4), "high": round(share.high, 4),
        "hits": share.hits, "trials": share.trials,
    }  # fmt: skip
