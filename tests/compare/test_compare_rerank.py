from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from loupebook.compare import (
    Candidate,
    Compared,
    Comparison,
    Group,
    Registration,
    rerank,
    standing_scores,
)


def compared(
    name: str, standing: str, z: float | None, score: float, *, framed: object = None
) -> Compared:
    group = Group(name, "band", "face", "diffuse", standing)
    registration = Registration(z is not None, "" if z is not None else "no")
    found = Comparison(registration, overall_z=z, framed=framed)
    return Compared(Candidate(group, (1,), score), found)


def framed(share: float, px_per_mm: float | None = 16.0) -> SimpleNamespace:
    """A query in a frame, a share of which the network takes for drawn otherwise."""
    inner = np.zeros((20, 20), bool)
    inner[5:15, 5:15] = True
    drawn = np.where(inner, share, 0.0).astype(np.float32)
    return SimpleNamespace(inner=inner, px_per_mm=px_per_mm, told=SimpleNamespace(drawn=drawn))


def names(ordered: list[Compared]) -> list[str]:
    return [one.candidate.group.name for one in ordered]


def test_order_follows_what_is_drawn_otherwise():
    one = compared("a", "genuine", 0.5, 0.9, framed=framed(0.30))
    two = compared("b", "genuine", 6.0, 0.7, framed=framed(0.05))
    assert one.drawn == pytest.approx(0.30)
    assert names(rerank([one, two])) == ["b", "a"]


def test_what_cannot_be_told_keeps_its_place():
    known = [
        compared("a", "genuine", 0.5, 0.9, framed=framed(0.30)),
        compared("unlaid", "genuine", None, 0.8),
        compared("b", "genuine", 0.5, 0.7, framed=framed(0.05)),
    ]
    assert names(rerank(known[::-1])) == ["b", "unlaid", "a"]
    coarse = [
        compared("a", "genuine", 6.0, 0.9, framed=framed(0.30, 6.0)),
        compared("b", "genuine", 0.5, 0.7, framed=framed(0.05, 6.0)),
    ]
    assert names(rerank(coarse)) == ["a", "b"]
    # Where the scale is not known, the network is taken at its word.
    unscaled = [compared(n, "genuine", 1.0, s, framed=framed(d, None))
                for n, s, d in (("a", 0.9, 0.3), ("b", 0.7, 0.1))]  # fmt: skip
    assert names(rerank(unscaled)) == ["b", "a"]


def test_scores_by_standing_are_the_nearest_of_each():
    every = [
        compared("a", "genuine", 6.0, 0.9),
        compared("b", "genuine", 0.5, 0.7),
        compared("c", "fake", 2.0, 0.4),
        compared("d", "fake", None, 0.4),
    ]
    scores = standing_scores(every)
    assert scores.genuine == pytest.approx(-0.5)
    assert scores.fake == pytest.approx(-2.0)
    assert standing_scores(every[:1]).fake is None
