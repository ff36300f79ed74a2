from __future__ import annotations

from dataclasses import replace

from loupebook.compare import (
    Candidate,
    Compared,
    Comparison,
    Group,
    Registration,
    agrees_better,
    compare_each,
    rerank,
)
from loupebook.errors import ComparisonError


def compared(name: str, standing: str, z: float | None, score: float) -> Compared:
    group = Group(name, None, "band", "face", "diffuse", standing)
    registration = Registration(z is not None, "" if z is not None else "no")
    return Compared(Candidate(group, (1,), score), Comparison(registration, overall_z=z))


def order(*every: Compared) -> str:
    return "".join(one.candidate.group.name for one in rerank(every))


def test_a_design_that_the_print_agrees_better_with_comes_first():
    first = compared("a", "genuine", 6.0, 0.9)
    agrees = compared("b", "genuine", 0.5, 0.7)
    unlaid = compared("c", "fake", None, 0.99)
    assert order(first, agrees, unlaid) == "bac"
    assert not agrees_better(agrees.comparison, unlaid.comparison)


def test_the_searchs_order_stays_where_the_comparison_tells_nothing():
    first = compared("a", "genuine", 6.0, 0.9)
    # A copy departs from every design: from which less says nothing.
    assert order(first, compared("b", "genuine", 2.0, 0.7)) == "ab"
    # Both agree.
    assert order(compared("a", "genuine", 0.6, 0.9), compared("b", "genuine", 0.1, 0.7)) == "ab"
    # A press of copies is no other design.
    assert order(first, compared("b", "fake", 0.1, 0.7)) == "ab"
    # A design found before the first genuine one stays there.
    assert order(compared("f", "fake", 3.0, 0.95), first) == "fa"


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


def test_only_genuine_designs_photographed_alike_are_rivals():
    first = compared("a", "genuine", 6.0, 0.9)
    for change in ({"element": "seal"}, {"view": "head"}, {"lighting": "uv-a"}, {"name": "a"}):
        other = compared("b", "genuine", 0.1, 0.7)
        group = replace(other.candidate.group, **change)
        moved = Compared(replace(other.candidate, group=group), other.comparison)
        assert [one.score for one in rerank([first, moved])] == [0.9, 0.7], change
    # Two makers may name an edition alike.
    group, namesake = (replace(first.candidate.group, marque=maker) for maker in "MN")
    assert group.rivals(namesake)
    assert group.key != namesake.key
