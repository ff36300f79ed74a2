from __future__ import annotations

import pytest

from loupebook.compare import (
    Candidate,
    Compared,
    Comparison,
    Group,
    Registration,
    compare_each,
    rerank,
    standing_scores,
)
from loupebook.errors import ComparisonError


def compared(name: str, standing: str, z: float | None, score: float) -> Compared:
    group = Group(name, "band", "face", "diffuse", standing)
    registration = Registration(z is not None, "" if z is not None else "no")
    return Compared(Candidate(group, (1,), score), Comparison(registration, overall_z=z))


def test_order_follows_the_comparison_and_what_cannot_be_laid_comes_last():
    one = compared("a", "genuine", 6.0, 0.9)
    two = compared("b", "genuine", 0.5, 0.7)
    three = compared("c", "fake", None, 0.99)
    assert [c.candidate.group.name for c in rerank([one, two, three])] == ["b", "a", "c"]


def test_a_design_without_print_does_not_stop_the_others():
    """Rolled heads give no consensus; the candidate says why, and the next one is compared."""

    def held_of(group: Group) -> None:
        raise ComparisonError(f"{group.name} shows no print.")

    wanted = [Candidate(compared(n, "genuine", 1.0, 0.9).candidate.group, (1,), 0.9) for n in "ab"]
    found = list(compare_each(None, wanted, held_of))
    assert [one.comparison.registration.reason for one in found] == [
        "a shows no print", "b shows no print",
    ]  # fmt: skip
    assert not any(one.comparison.registration.registered for one in found)


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
