"""Set report figures against other libraries; the source at each check."""

from __future__ import annotations

import imagehash
import numpy as np
import pytest
from PIL import Image
from scipy.stats import permutation_test
from sklearn.linear_model import Ridge
from statsmodels.stats.multitest import multipletests

from invented_prints import draw_edition, photograph
from loupebook.setreport.association import associate, holm
from loupebook.setreport.labels import _left_out_line
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


def test_left_out_predictions_against_scikit_learn() -> None:
    # The closed form of leave-one-specimen-out ridge regression against refitting it with
    # sklearn.linear_model.Ridge, specimen by specimen; one kind, so that the kind's mean,
    # which both take off once from all, is the same.
    rng = np.random.default_rng(0)
    codes = np.repeat(np.arange(15), 2)
    fake = codes % 2 == 1
    vectors = (rng.normal(size=(30, 6)) + 0.8 * fake[:, None]).astype(np.float32)
    x = vectors.astype(np.float64) - vectors.astype(np.float64).mean(axis=0)
    x /= x.std() + 1e-12
    y = fake - fake.mean()
    refitted = np.empty(30)
    for code in range(15):
        out = codes == code
        model = Ridge(alpha=30.0, fit_intercept=False).fit(x[~out], y[~out])
        refitted[out] = model.predict(x[out])
    expected = 1 / (1 + np.exp(-2 * refitted / refitted.std()))
    ours = _left_out_line(vectors, codes, fake, np.zeros(30, dtype=np.intp))
    assert ours == pytest.approx(expected, abs=1e-6)
