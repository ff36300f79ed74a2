"""A learner's results against other libraries and by hand."""

from __future__ import annotations

import random

import pytest

from loupebook.records import Answer
from loupebook.sheets.scores import scores_of


def answers(seed: int, count: int) -> list[Answer]:
    chance = random.Random(seed)
    return [
        Answer(
            "s", "L", number, "lesson", chance.choice(["genuine", "fake"]),
            chance.choice(["genuine", "fake", "cannot tell"]),
            chance.choice([0.5, 0.6, 0.7, 0.8, 0.9, 1.0]), {},
        )
        for number in range(count)
    ]  # fmt: skip


@pytest.mark.external
@pytest.mark.parametrize("seed", range(6))
def test_intervals_are_those_of_statsmodels(seed: int) -> None:
    # Source: statsmodels, proportion_confint(method="wilson") (Wilson 1927).
    proportion = pytest.importorskip("statsmodels.stats.proportion")
    given = answers(seed, 5 + 17 * seed)
    found = scores_of(given)
    for share, truth in ((found.sensitivity, "fake"), (found.specificity, "genuine")):
        asked = [one for one in given if one.truth == truth]
        if not asked:
            assert share is None
            continue
        right = sum(one.given == truth for one in asked)
        low, high = proportion.proportion_confint(right, len(asked), method="wilson")
        assert (share.hits, share.trials) == (right, len(asked))
        assert (share.low, share.high) == pytest.approx((low, high), abs=1e-9)


@pytest.mark.external
@pytest.mark.parametrize("seed", range(4))
def test_the_brier_score_is_that_of_scikit_learn(seed: int) -> None:
    # Source: scikit-learn, brier_score_loss.
    metrics = pytest.importorskip("sklearn.metrics")
    given = [one for one in answers(seed, 60) if one.given != "cannot tell"]
    right = [int(one.right) for one in given]
    expected = metrics.brier_score_loss(right, [one.confidence for one in given])
    assert scores_of(given).brier == pytest.approx(expected)


def one(truth: str, given: str, confidence: float = 0.8, **places: str) -> Answer:
    return Answer("s", "L", 1, "lesson", truth, given, confidence, places)


def test_cannot_tell_is_no_hit_and_counted_by_itself() -> None:
    found = scores_of([one("fake", "fake"), one("fake", "cannot tell"), one("genuine", "genuine")])
    assert (found.sensitivity.hits, found.sensitivity.trials) == (1, 2)
    assert (found.specificity.hits, found.specificity.trials) == (1, 1)
    assert found.cannot_tell.hits == 1
    assert sum(step.right.trials for step in found.calibration) == 2


def test_points_are_tallied_most_often_missed_first() -> None:
    found = scores_of(
        [one("fake", "fake", a="found", b="missed"), one("fake", "genuine", b="missed"),
         one("genuine", "fake", a="false alarm")]
    )  # fmt: skip
    assert [(p.point, p.found, p.missed, p.false_alarms) for p in found.points] == [
        ("b", 0, 2, 0),
        ("a", 1, 0, 1),
    ]


def test_no_answers_give_no_figures() -> None:
    found = scores_of([])
    assert found.sensitivity is None
    assert found.brier is None
    assert "none were asked" in found.says()[0]
