from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from loupebook.evidence.curves import det_curve, equal_error_rate
from loupebook.evidence.metrics import (
    calibration_loss,
    cllr,
    cllr_min,
    empirical_cross_entropy,
    pav_log10_lr,
)
from loupebook.evidence.plots import validation_plots
from loupebook.evidence.proportions import proportion_words, rule_of_three, wilson_interval
from loupebook.evidence.splits import leave_one_origin_out, leave_one_specimen_out, unit_folds
from loupebook.evidence.verbal import support_words


@pytest.fixture
def known() -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(0)
    ratios = np.concatenate([rng.normal(0.8, 0.7, 60), rng.normal(-0.9, 0.8, 45)])
    return ratios, np.arange(105) < 60


def test_perfect_system_costs_nothing_and_wrong_one_more_than_none() -> None:
    label = [True, True, False]
    assert cllr([9.0, 9.0, -9.0], label) == pytest.approx(0.0, abs=1e-6)
    assert cllr([-2.0, -2.0, 2.0], label) > 1
    assert cllr_min([0.1, 0.2, 0.0], label) == 0.0


def test_weights_count_photos_of_a_unit_once(known) -> None:
    ratios, label = known
    often = np.repeat(ratios, 4)
    assert cllr(often, np.repeat(label, 4), np.full(often.size, 0.25)) == pytest.approx(
        cllr(ratios, label)
    )
    twice = np.concatenate([ratios, ratios[:1]])
    told = np.concatenate([label, label[:1]])
    weights = np.concatenate([[0.5], np.ones(104), [0.5]])
    assert cllr_min(twice, told, weights) == pytest.approx(cllr_min(ratios, label))


def test_loss_is_never_negative(known) -> None:
    ratios, label = known
    for shift in (-2.0, 0.0, 2.0):
        assert calibration_loss(ratios + shift, label) >= 0
    assert calibration_loss(pav_log10_lr(ratios, label), label) == pytest.approx(0.0, abs=1e-9)


def test_one_class_alone_has_no_cost() -> None:
    assert np.isnan(cllr([0.0, 1.0], [True, True]))


def test_lengths_must_agree() -> None:
    with pytest.raises(ValueError, match="one length"):
        cllr([0.0, 1.0], [True])


def test_cross_entropy_vanishes_at_certain_priors(known) -> None:
    ratios, label = known
    ends = empirical_cross_entropy(ratios, label, [-6.0, 0.0, 6.0])
    assert ends[0] < 0.01
    assert ends[2] < 0.01
    assert ends[1] == pytest.approx(cllr(ratios, label))


def test_equal_error_rate_of_shifted_normals() -> None:
    # Two unit normals 2 apart meet at a tail of Phi(-1) = 0.1587 (textbook table).
    rng = np.random.default_rng(4)
    ratios = np.concatenate([rng.normal(1, 1, 20000), rng.normal(-1, 1, 20000)])
    curve = det_curve(ratios, np.arange(40000) < 20000)
    assert equal_error_rate(curve) == pytest.approx(0.1587, abs=0.006)


def test_every_plot_has_words_numbers_and_pictures(known) -> None:
    ratios, label = known
    plots = validation_plots(ratios, label, against="copies from presses in the set")
    assert [plot.name for plot in plots] == ["tippett", "det", "cross-entropy", "reliability"]
    for plot in plots:
        assert len(plot.alt) > 60
        assert "presses in the set" in plot.alt
        header, *rows = plot.csv.splitlines()
        assert rows
        assert all(row.count(",") == header.count(",") for row in rows)
        assert plot.svg.lstrip().startswith("<?xml")
        assert Image.open(io.BytesIO(plot.png)).size == (840, 600)


def test_two_lines_of_a_plot_differ_in_greyscale_by_more_than_shade(known) -> None:
    tippett, _, entropy, _ = validation_plots(*known)
    for plot in (tippett, entropy):
        assert "stroke-dasharray" in plot.svg


def test_proportions_in_words() -> None:
    assert wilson_interval(0, 10).low == 0.0
    assert wilson_interval(10, 10).high == 1.0
    assert rule_of_three(300) == pytest.approx(0.01)
    assert "at most 5 %" in proportion_words(0, 60)
    assert "fewer than 30" in proportion_words(3, 60)
    assert "within ±30 %" in proportion_words(40, 600)
    assert "nothing can be said" in proportion_words(0, 0)
    with pytest.raises(ValueError, match="trials"):
        wilson_interval(3, 2)


def test_splits_leave_out_whole_specimens_and_origins() -> None:
    specimens = ["A", "A", "B", "C", "D", "E"]
    fake = [False, False, False, True, True, True]
    origins = [None, None, None, "press-1", "press-1", None]
    assert leave_one_specimen_out(specimens).tolist() == [0, 0, 1, 2, 3, 4]
    assert leave_one_origin_out(specimens, fake, origins).tolist() == [0, 0, 1, 2, 2, 3]


def test_folds_hold_whole_units_of_nearly_equal_number() -> None:
    units = [n // 3 for n in range(69)]
    folds = unit_folds(units, 5)
    assert all(len({int(folds[i]) for i in range(69) if units[i] == u}) == 1 for u in set(units))
    sizes = np.bincount(folds)
    assert sizes.max() - sizes.min() <= 3


@pytest.mark.parametrize(
    ("log10_lr", "words"),
    [
        (0.0, "no support for either"),
        (0.5, "weak support for a genuine item rather than a copy"),
        (-1.0, "moderate support for a copy rather than a genuine item"),
        (2.0, "moderately strong support for a genuine item rather than a copy"),
        (7.0, "extremely strong support for a genuine item rather than a copy"),
    ],
)
def test_words_of_support(log10_lr: float, words: str) -> None:
    assert support_words(log10_lr) == words
