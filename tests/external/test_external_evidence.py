"""Evidence figures against other libraries and published values; the source at each check."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import average_precision_score, roc_auc_score
from statsmodels.stats.proportion import proportion_confint

from loupebook.evidence.calibration import empirical_limits, fit_calibration, fit_lines
from loupebook.evidence.metrics import cllr, cllr_min
from loupebook.evidence.openset import conformal_p_values
from loupebook.evidence.proportions import wilson_interval
from loupebook.evidence.ranking import area_under_roc, average_precision

pytestmark = pytest.mark.external


@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.99])
@pytest.mark.parametrize(
    ("hits", "trials"), [(0, 1), (0, 30), (1, 30), (15, 30), (30, 30), (7, 911)]
)
def test_wilson_against_statsmodels(hits: int, trials: int, confidence: float) -> None:
    low, high = proportion_confint(hits, trials, alpha=1 - confidence, method="wilson")
    ours = wilson_interval(hits, trials, confidence=confidence)
    assert (ours.low, ours.high) == pytest.approx((low, high), abs=1e-12)


def test_wilson_against_a_published_interval() -> None:
    # Newcombe (1998), Statistics in Medicine 17, 857-872, table I: 81 of 263,
    # score method without continuity correction: 0.2553 to 0.3662 (from memory).
    ours = wilson_interval(81, 263)
    assert (round(ours.low, 4), round(ours.high, 4)) == (0.2553, 0.3662)


@pytest.mark.parametrize("seed", range(5))
def test_area_under_roc_against_scikit_learn(seed: int) -> None:
    rng = np.random.default_rng(seed)
    scores = np.round(rng.normal(size=80), 1)  # rounded, so that ties occur
    label = rng.random(80) < 0.3
    assert area_under_roc(scores, label) == pytest.approx(roc_auc_score(label, scores))


@pytest.mark.parametrize("seed", range(5))
def test_average_precision_against_scikit_learn(seed: int) -> None:
    rng = np.random.default_rng(seed)
    relevant = rng.random(40) < 0.25
    relevant[3] = True
    falling = -np.arange(40.0)
    assert average_precision(relevant) == pytest.approx(average_precision_score(relevant, falling))


def test_average_precision_of_a_textbook_list() -> None:
    # Definition in Manning, Raghavan & Schütze (2008), ch. 8, worked by hand: relevant at
    # ranks 1, 3 and 5 of three relevant in all: (1/1 + 2/3 + 3/5) / 3.
    assert average_precision([1, 0, 1, 0, 1], 3) == pytest.approx((1 + 2 / 3 + 3 / 5) / 3)


@pytest.mark.parametrize(("genuine", "fake"), [(1, 1), (5, 50), (200, 3)])
def test_cost_of_no_evidence_is_exactly_one(genuine: int, fake: int) -> None:
    # Brümmer & du Preez (2006): a system that always answers LR = 1 has Cllr = 1.
    label = np.arange(genuine + fake) < genuine
    assert cllr(np.zeros(label.size), label) == pytest.approx(1.0, abs=1e-12)
    assert cllr_min(np.zeros(label.size), label) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("change", [np.exp, np.cbrt, lambda x: 3 * x - 7, np.arctan])
def test_least_cost_is_unchanged_by_monotone_maps(change) -> None:
    # Brümmer & du Preez (2006): Cllr-min depends on the order of the scores only.
    rng = np.random.default_rng(8)
    scores = np.round(np.concatenate([rng.normal(1, 1, 70), rng.normal(-1, 1, 50)]), 1)
    label = np.arange(120) < 70
    assert cllr_min(change(scores), label) == pytest.approx(cllr_min(scores, label), abs=1e-12)


def _formula_scores() -> tuple[np.ndarray, np.ndarray]:
    i, j = np.arange(40), np.arange(30)
    scores = np.concatenate([1.2 + 1.1 * np.sin(1.7 * i) + 0.02 * i, -1.0 + 1.3 * np.cos(2.3 * j)])
    return scores, np.arange(70) < 40


def test_cost_and_limits_against_lir() -> None:
    # Values computed once with the PyPI package lir 1.3.1 on the same scores
    # (lir.metrics.cllr, cllr_min; lir.algorithms.bayeserror.elub).
    scores, label = _formula_scores()
    assert cllr(scores, label) == pytest.approx(0.28605220780696816, abs=1e-12)
    assert cllr_min(scores, label) == pytest.approx(0.045120505930460145, abs=1e-12)


@pytest.mark.parametrize(
    ("stretch", "lower", "upper"),
    [(0.3, -0.66, 0.74), (0.6, -1.07, 1.10), (1.0, -1.23, 1.25), (1.5, -1.32, 1.34)],
)
def test_limits_against_lir(stretch: float, lower: float, upper: float) -> None:
    # As above; lir seeks on a grid of 0.01 counted from another origin.
    scores, label = _formula_scores()
    ours = empirical_limits(stretch * scores, label, np.ones(70))
    assert ours == pytest.approx((lower, upper), abs=0.015)


@pytest.mark.parametrize("seed", range(4))
def test_logistic_line_against_scikit_learn(seed: int) -> None:
    rng = np.random.default_rng(seed)
    scores = np.concatenate([rng.normal(2, 1.5, 60), rng.normal(0, 1, 25)])
    label = np.arange(85) < 60
    weight = np.where(label, 85 / 2 / 60, 85 / 2 / 25)
    standard = (scores - scores.mean()) / scores.std()
    theirs = LogisticRegression(C=1.0, tol=1e-12, max_iter=10_000)
    theirs.fit(standard[:, None], label, sample_weight=weight)
    slope = theirs.coef_[0, 0] / scores.std()
    intercept = theirs.intercept_[0] - slope * scores.mean()
    assert fit_lines(scores, label, np.ones((1, 85)))[0] == pytest.approx(
        [intercept, slope], abs=1e-6
    )
    made = fit_calibration(scores, label, list(range(85)), resamples=2)
    assert (made.intercept, made.slope) == pytest.approx((intercept, slope), abs=1e-6)


@pytest.mark.parametrize("photos", [1, 3])
def test_known_queries_are_called_far_at_the_promised_rate(photos: int) -> None:
    # Conformal validity (Vovk, Gammerman & Shafer 2005, ch. 2): over 1,000 simulated sets
    # the share of truly known queries called "nothing close" at level 0.05 lies in the
    # exact binomial band. 39 specimens, so that 0.05 is a possible p-value.
    rng = np.random.default_rng(20061125)
    far = 0
    for _ in range(1000):
        kind = rng.normal(0, 1, 40)  # how far each specimen lies from its own kind
        held = (kind[:39, None] + rng.normal(0, 1, (39, photos))).ravel()
        names = np.repeat(np.arange(39), photos).tolist()
        query = kind[39] + rng.normal(0, 1)
        far += bool(conformal_p_values([query], held, names)[0] <= 0.05)
    assert binom.ppf(0.005, 1000, 0.05) <= far <= binom.ppf(0.995, 1000, 0.05)
