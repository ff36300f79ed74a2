from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loupebook.evidence.calibration import (
    Calibration,
    cross_fitted,
    empirical_limits,
    fit_calibration,
)
from loupebook.evidence.metrics import calibration_loss, cllr, misleading_share


def scores_of(
    genuine: int, fake: int, *, apart: float, seed: int, photos: int = 1
) -> tuple[np.ndarray, np.ndarray, list[str]]:
    rng = np.random.default_rng(seed)
    scores = np.concatenate(
        [rng.normal(apart / 2, 1, genuine * photos), rng.normal(-apart / 2, 1, fake * photos)]
    )
    label = np.arange(scores.size) < genuine * photos
    units = [f"{'g' if is_genuine else 'f'}{n // photos}" for n, is_genuine in enumerate(label)]
    return scores, label, units


def test_recovers_the_known_likelihood_ratio_of_two_normals() -> None:
    # Two unit normals d apart: natural log LR = d * x exactly (textbook).
    scores, label, units = scores_of(4000, 4000, apart=2.0, seed=1)
    made = fit_calibration(scores, label, units, resamples=5)
    at = np.array([-0.8, 0.0, 0.5])
    assert made.log10_lr(at) == pytest.approx(2.0 * at / np.log(10), abs=0.06)


@pytest.mark.parametrize("seed", range(3))
def test_held_out_figures_are_calibrated(seed: int) -> None:
    scores, label, units = scores_of(150, 150, apart=2.5, seed=seed, photos=3)
    ratios = cross_fitted(scores, label, units)
    assert cllr(ratios, label) < 0.75
    assert calibration_loss(ratios, label) < 0.1
    fresh, truth, _ = scores_of(3000, 3000, apart=2.5, seed=seed + 100)
    bounded = fit_calibration(scores, label, units, resamples=5).log10_lr(fresh)
    assert calibration_loss(bounded, truth) < 0.1
    assert max(misleading_share(bounded, truth)) <= 0.02


def test_no_figure_goes_beyond_what_the_units_support() -> None:
    scores, label, units = scores_of(12, 15, apart=40.0, seed=0)
    made = fit_calibration(scores, label, units)
    assert 0 < made.upper <= np.log10(16) + 1e-9
    assert -np.log10(13) - 1e-9 <= made.lower < 0
    assert made.log10_lr([1e6, -1e6]).tolist() == [made.upper, made.lower]


def test_photos_of_one_unit_do_not_add_support() -> None:
    once = scores_of(12, 15, apart=40.0, seed=0)
    often = (
        np.repeat(once[0], 10),
        np.repeat(once[1], 10),
        [unit for unit in once[2] for _ in range(10)],
    )
    one, ten = fit_calibration(*once), fit_calibration(*often)
    assert (ten.genuine_units, ten.copy_units) == (12, 15)
    assert (ten.lower, ten.upper) == pytest.approx((one.lower, one.upper))
    assert ten.slope == pytest.approx(one.slope)
    assert ten.intercept == pytest.approx(one.intercept)


@pytest.mark.parametrize("apart", [0.0, -3.0])
def test_useless_or_contrary_scores_support_nothing(apart: float) -> None:
    scores, label, units = scores_of(60, 60, apart=apart, seed=3)
    made = fit_calibration(scores, label, units, resamples=20)
    assert np.abs(made.log10_lr([-3.0, 0.0, 3.0])).max() < 0.5


def test_calibration_knows_whether_it_speaks() -> None:
    for apart, speaks in ((2.0, True), (-2.0, False)):
        made = fit_calibration(*scores_of(40, 40, apart=apart, seed=3), resamples=5)
        assert made.speaks is speaks


def test_class_sizes_do_not_act_as_prior_odds() -> None:
    few = fit_calibration(*scores_of(1000, 50, apart=2.0, seed=5), resamples=5)
    assert abs(float(few.log10_lr(0.0))) < 0.25


def test_interval_holds_the_value_and_narrows_with_units() -> None:
    small = fit_calibration(*scores_of(40, 40, apart=2.0, seed=2))
    large = fit_calibration(*scores_of(1000, 1000, apart=2.0, seed=2))
    widths = []
    for made in (small, large):
        low, high = made.interval(0.4)
        assert low <= float(made.log10_lr(0.4)) <= high
        widths.append(high - low)
    assert widths[1] < widths[0] / 2


def test_survives_json() -> None:
    made = fit_calibration(*scores_of(20, 20, apart=2.0, seed=0), resamples=10)
    back = Calibration.from_dict(json.loads(json.dumps(made.to_dict())))
    at = np.linspace(-3, 3, 7)
    assert back.log10_lr(at).tolist() == made.log10_lr(at).tolist()
    assert back.interval(0.3) == made.interval(0.3)


def test_one_class_alone_is_refused() -> None:
    with pytest.raises(ValueError, match="genuine items and of copies"):
        fit_calibration([1.0, 2.0], [True, True], ["a", "b"])


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=30),
    st.data(),
)
def test_any_scores_give_finite_ordered_monotone_figures(scores: list[float], data) -> None:
    more = len(scores) - 2
    label = [True, False, *data.draw(st.lists(st.booleans(), min_size=more, max_size=more))]
    made = fit_calibration(scores, label, list(range(len(scores))), resamples=10)
    at = made.log10_lr(np.linspace(-2e3, 2e3, 21))
    assert np.isfinite(at).all()
    assert (np.diff(at) >= -1e-9).all()
    assert made.lower <= 0 <= made.upper
    low, high = made.interval(scores[0])
    assert low <= float(made.log10_lr(scores[0])) <= high


def test_system_that_misleads_gets_no_room() -> None:
    lower, upper = empirical_limits(
        [-1.0] * 20 + [1.0] * 20, [True] * 20 + [False] * 20, [1.0] * 40
    )
    assert (lower, upper) == (0.0, 0.0)
