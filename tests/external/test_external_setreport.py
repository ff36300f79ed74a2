"""Set report figures against other libraries; the source at each check."""

from __future__ import annotations

import imagehash
import numpy as np
import pytest
from PIL import Image
from scipy.stats import permutation_test
from sklearn.linear_model import LogisticRegression, Ridge
from statsmodels.stats.multitest import multipletests

from invented_prints import draw_edition, photograph
from loupebook.evidence.calibration import PENALTY
from loupebook.evidence.joint import _fitted
from loupebook.setreport.association import associate, holm
from loupebook.setreport.labels import standing_line
from loupebook.setreport.traits import perceptual_hash

pytestmark = pytest.mark.external


@pytest.mark.parametrize("seed", range(6))
def test_perceptual_hash_against_imagehash(seed: int) -> None:
    # The PyPI library imagehash, phash() with its defaults.
    pixels = photograph(draw_edition(seed), np.random.default_rng(seed))
    assert f"{perceptual_hash(pixels):016x}" == str(imagehash.phash(Image.fromarray(pixels)))


@pytest.mark.parametrize("seed", range(5))
def test_holm_against_statsmodels(seed: int) -> None:
    p_values = np.random.default_rng(seed).random(9) ** 3
    assert holm(p_values.tolist()) == pytest.approx(multipletests(p_values, method="holm")[1])


@pytest.mark.parametrize("seed", range(3))
def test_permutation_p_value_against_scipy(seed: int) -> None:
    # scipy.stats.permutation_test of a two-sided difference of means: the same test where
    # there is one feature and one stratum. Both are Monte Carlo, 1,999 draws.
    rng = np.random.default_rng(seed)
    label = np.arange(40) < 18
    values = rng.normal(0, 1, 40) + 0.6 * label
    theirs = permutation_test(
        (values[label], values[~label]),
        lambda a, b: abs(a.mean() - b.mean()),
        alternative="greater",
        n_resamples=1999,
        rng=np.random.default_rng(seed),
    )
    ours = associate(values[:, None], label, ["one"] * 40, seed=seed)
    assert ours is not None
    assert ours.p_value == pytest.approx(theirs.pvalue, abs=0.03)


def test_smallest_permutation_p_value_counts_the_real_labels_in() -> None:
    # Phipson & Smyth (2010), doi:10.2202/1544-6115.1585 (from memory): of m random
    # permutations no p-value lies below 1 / (m + 1), and where the labels are told apart
    # wholly none of them reaches what the real ones reach.
    label = np.arange(40) < 20
    found = associate(label[:, None].astype(float), label, ["one"] * 40, permutations=499)
    assert found is not None
    assert found.p_value == pytest.approx(1 / 500, abs=1e-12)


def test_left_out_leans_against_scikit_learn() -> None:
    # The closed form of leave-one-unit-out ridge regression with a mean for each kind, against
    # refitting it with sklearn.linear_model.Ridge, unit by unit: without the unit, in what the
    # means of the kinds are taken from as well.
    rng = np.random.default_rng(0)
    units = np.repeat(np.arange(16), 2)
    kinds = np.tile([0, 1], 16)
    fake = units % 2 == 1
    vectors = (rng.normal(size=(32, 6)) + 0.8 * fake[:, None] + kinds[:, None]).astype(np.float32)
    x, y = vectors.astype(np.float64), fake.astype(np.float64)
    means = np.stack([x[kinds == kind].mean(axis=0) for kind in (0, 1)])
    scale = (x - means[kinds]).std()
    expected = np.empty(32)
    for unit in range(16):
        kept = units != unit
        centre = np.stack([x[kept & (kinds == kind)].mean(axis=0) for kind in (0, 1)])[kinds]
        base = np.array([y[kept & (kinds == kind)].mean() for kind in (0, 1)])[kinds]
        inside = (x - centre) / scale
        model = Ridge(alpha=32.0, fit_intercept=False).fit(inside[kept], (y - base)[kept])
        expected[~kept] = model.predict(inside[~kept])
    ours = standing_line(vectors, units.tolist(), fake, kinds.tolist())
    assert ours == pytest.approx(expected, abs=1e-6)


def test_a_joint_fit_against_scikit_learn() -> None:
    rng = np.random.default_rng(1)
    fake = np.arange(60) < 20
    signs = rng.normal(size=(60, 2)) + np.outer(fake, [1.0, 0.5])
    weight = np.where(np.arange(60) % 2, 1.0, 0.5)
    share = weight.copy()
    for label in (fake, ~fake):
        share[label] *= weight.sum() / 2 / weight[label].sum()
    x = (signs - signs.mean(axis=0)) / signs.std(axis=0)
    # C is the reciprocal of our penalty: both stand before half the squared slopes.
    theirs = LogisticRegression(C=1 / PENALTY, tol=1e-10).fit(x, fake, sample_weight=share)
    line = _fitted(signs, fake, weight)
    assert line[0] + signs @ line[1:] == pytest.approx(theirs.decision_function(x), abs=1e-4)
