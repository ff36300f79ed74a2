"""The index against brute force in numpy, through any sequence of changes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from loupebook.errors import EncoderMismatch, SearchError
from loupebook.search.vector_index import VectorIndex

DIM = 16
TOLERANCE = 2e-3
"""Rows are kept in half precision: a cosine is right to about 2^-11."""


def rows(seed: int, count: int, dim: int = DIM) -> np.ndarray:
    drawn = np.random.default_rng(seed).standard_normal((count, dim)).astype(np.float32)
    return drawn / np.linalg.norm(drawn, axis=1, keepdims=True)


class AgainstBruteForce(RuleBasedStateMachine):
    """Add, remove and search in any order; a dictionary of vectors is the truth."""

    flat_limit = 10_000

    def __init__(self) -> None:
        super().__init__()
        self.index = VectorIndex(DIM, flat_limit=self.flat_limit)
        self.truth: dict[int, np.ndarray] = {}

    @rule(count=st.integers(0, 40), seed=st.integers(0, 10**6), base=st.integers(0, 2**40))
    def add(self, count: int, seed: int, base: int) -> None:
        ids = [base + 7 * n for n in range(count) if base + 7 * n not in self.truth]
        vectors = rows(seed, len(ids))
        self.index.add(np.array(ids, np.int64), vectors)
        self.truth.update(zip(ids, vectors, strict=True))

    @rule(data=st.data())
    def remove(self, data: st.DataObject) -> None:
        held = sorted(self.truth)
        gone = data.draw(st.lists(st.sampled_from(held), unique=True)) if held else []
        assert self.index.remove([*gone, 2**50]) == len(gone)
        for row in gone:
            del self.truth[row]

    @rule(data=st.data(), seed=st.integers(0, 10**6), k=st.integers(1, 12))
    def search(self, data: st.DataObject, seed: int, k: int) -> None:
        held = sorted(self.truth)
        allowed = None
        if held and data.draw(st.booleans()):
            allowed = data.draw(st.lists(st.sampled_from([*held, 2**51]), unique=True))
        queries = rows(seed, 3)
        scores, ids = self.index.search(queries, k, allowed=allowed)
        candidates = [row for row in held if allowed is None or row in allowed]
        if not candidates:
            assert (ids == -1).all()
            return
        exact = queries @ np.stack([self.truth[row] for row in candidates]).T
        for query in range(3):
            found = ids[query][ids[query] >= 0].tolist()
            self.check_answer(found, candidates, exact[query], k)
            got = scores[query][: len(found)]
            expected = [exact[query][candidates.index(row)] for row in found]
            np.testing.assert_allclose(got, expected, atol=TOLERANCE)
            assert (np.diff(got) <= 0).all()
            assert np.isneginf(scores[query][len(found) :]).all()

    def check_answer(self, found: list[int], candidates: list[int], exact, k: int) -> None:
        assert len(found) == min(k, len(candidates)) == len(set(found))
        assert set(found) <= set(candidates)
        # Nothing left out is nearer than what was found, but for half precision.
        left_out = [exact[n] for n, row in enumerate(candidates) if row not in found]
        nearest_left = max(left_out, default=-2.0)
        assert min(exact[candidates.index(row)] for row in found) >= nearest_left - TOLERANCE

    @invariant()
    def holds_what_it_should(self) -> None:
        assert self.index.ids().tolist() == sorted(self.truth)
        assert len(self.index) == len(self.truth)


class PartitionedAgainstBruteForce(AgainstBruteForce):
    """The same above the size limit: it may miss a row, but never invents or repeats one."""

    flat_limit = 30

    def check_answer(self, found: list[int], candidates: list[int], exact, k: int) -> None:
        assert len(set(found)) == len(found) <= min(k, len(candidates))
        assert set(found) <= set(candidates)


TestFlat = AgainstBruteForce.TestCase
TestFlat.settings = settings(max_examples=40, stateful_step_count=12, deadline=None)
TestPartitioned = PartitionedAgainstBruteForce.TestCase
TestPartitioned.settings = settings(max_examples=25, stateful_step_count=12, deadline=None)


def test_the_kind_follows_the_size():
    index = VectorIndex(DIM, flat_limit=500)
    index.add(np.arange(400), rows(1, 400))
    assert index.kind == "flat"
    index.add(np.arange(400, 600), rows(2, 200))
    assert (index.kind, index.trained_for) == ("ivf", 600)
    index.add(np.arange(600, 3000), rows(3, 2400))
    assert index.trained_for == 3000, "grown by more than four times: trained anew"
    assert index.ids().tolist() == list(range(3000))


def test_a_narrow_filter_loses_nothing_in_a_partition():
    vectors = rows(4, 4000)
    index = VectorIndex(DIM, flat_limit=100)
    index.add(np.arange(4000), vectors)
    allowed = np.arange(0, 4000, 40)
    queries = rows(5, 50)
    _, ids = index.search(queries, 5, allowed=allowed)
    exact = np.argsort(-(queries @ vectors[allowed].T), axis=1)[:, :5]
    assert np.mean(np.sort(ids) == np.sort(allowed[exact])) > 0.97


def test_vectors_survive_the_change_of_kind():
    vectors = rows(6, 300)
    index = VectorIndex(DIM, flat_limit=200)
    index.add(np.arange(150), vectors[:150])
    index.add(np.arange(150, 300), vectors[150:])
    _, ids = index.search(vectors, 1, allowed=np.arange(0, 30))
    assert ids[:30, 0].tolist() == list(range(30))


def test_what_cannot_be_added_is_refused_and_changes_nothing():
    index = VectorIndex(DIM)
    index.add(np.array([5, 6]), rows(7, 2))
    with pytest.raises(SearchError, match="already"):
        index.add(np.array([9, 5]), rows(8, 2))
    with pytest.raises(SearchError, match="already"):
        index.add(np.array([9, 9]), rows(8, 2))
    with pytest.raises(SearchError, match="finite"):
        index.add(np.array([9]), np.full((1, DIM), np.nan, np.float32))
    with pytest.raises(EncoderMismatch):
        index.add(np.array([9]), rows(8, 1, DIM + 1))
    with pytest.raises(EncoderMismatch):
        index.search(rows(8, 1, DIM - 1), 3)
    assert index.ids().tolist() == [5, 6]
