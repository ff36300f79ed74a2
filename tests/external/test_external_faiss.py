"""Every kind of index against scikit-learn's brute force.

Source: sklearn.neighbors.NearestNeighbors(algorithm="brute", metric="cosine").
"""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.neighbors import NearestNeighbors

from loupebook.search.vector_file import IndexOrigin, load_index, save_index
from loupebook.search.vector_index import VectorIndex

pytestmark = pytest.mark.external

COUNT, DIM, K = 6000, 64, 10


def unit(rows: np.ndarray) -> np.ndarray:
    return (rows / np.linalg.norm(rows, axis=1, keepdims=True)).astype(np.float32)


@pytest.fixture(scope="module")
def vectors() -> np.ndarray:
    """Photos of some hundred designs: clouds, as embeddings are."""
    rng = np.random.default_rng(1)
    designs = rng.standard_normal((300, DIM))
    return unit(designs[rng.integers(0, 300, COUNT)] + 0.6 * rng.standard_normal((COUNT, DIM)))


@pytest.fixture(scope="module")
def queries(vectors: np.ndarray) -> np.ndarray:
    rng = np.random.default_rng(2)
    return unit(vectors[rng.integers(0, COUNT, 200)] + 0.05 * rng.standard_normal((200, DIM)))


def built(kind: str, vectors: np.ndarray, how: str, folder) -> VectorIndex:
    index = VectorIndex(DIM, flat_limit=COUNT * 2 if kind == "flat" else 1000)
    ids = np.arange(COUNT) * 5 + 2
    if how == "at once":
        index.add(ids, vectors)
    else:
        junk = unit(np.random.default_rng(3).standard_normal((500, DIM)))
        index.add(ids[:2500], vectors[:2500])
        index.add(np.arange(500) * 5, junk)
        index.add(ids[2500:], vectors[2500:])
        assert index.remove((np.arange(500) * 5).tolist()) == 500
        save_index(folder / "x.index", index, IndexOrigin("s", "f", "t", 1))
        index, _ = load_index(folder / "x.index", set_id="s", fingerprint="f")
    assert index.kind == kind
    return index


@pytest.mark.parametrize("how", ["at once", "grown, thinned, saved and loaded"])
@pytest.mark.parametrize(("kind", "recall"), [("flat", 0.995), ("ivf", 0.95)])
@pytest.mark.parametrize("filtered", [False, True])
def test_against_brute_force(vectors, queries, kind, recall, how, filtered, tmp_path):
    index = built(kind, vectors, how, tmp_path)
    kept = np.arange(COUNT)[:: 3 if filtered else 1]
    reference = NearestNeighbors(n_neighbors=K, algorithm="brute", metric="cosine")
    distances, places = reference.fit(vectors[kept]).kneighbors(queries)
    expected = kept[places] * 5 + 2
    scores, ids = index.search(queries, K, allowed=kept * 5 + 2 if filtered else None)
    shared = [
        len(set(a) & set(b)) / K for a, b in zip(ids.tolist(), expected.tolist(), strict=True)
    ]
    assert np.mean(shared) >= recall
    if kind == "flat":
        # Half precision: a cosine is right to about 2^-11.
        np.testing.assert_allclose(scores, 1 - distances, atol=1e-3)
    assert np.mean(ids[:, 0] == expected[:, 0]) >= recall
