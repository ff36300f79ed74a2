"""The best candidates of a search compared in detail, and put into a new order.

The search's order stays but where the print plainly agrees with another design than the first:
how far a copy departs from one design or another tells nothing, and by that alone more
queries go astray than are mended.

Results come one at a time, the most promising first, so that a page or command can show the
first while the rest are worked on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from loupebook.compare.comparison import Comparison, measured
from loupebook.compare.picture import Picture
from loupebook.compare.registration import Registration, register
from loupebook.compare.store import Group, Held
from loupebook.errors import ComparisonError
from loupebook.records.model import PhotoFacts

AGREES_BELOW, CLEARER_BY = 1.0, 0.5
"""Usual deviations below which a print agrees with a design, and that it must depart from the
first more. Chosen on 252 queries of bands of six rendered worlds, edition first: .786 before,
.825 after, 11 gained and 1 lost; on 64 of two others nothing moves."""


@dataclass(frozen=True)
class Candidate:
    """A group of known photos that the query may belong to.

    Parameters
    ----------
    group : Group
        Edition or print origin, view and lighting.
    photo_ids : tuple of int
        Its photos among the search's results, best first.
    score : float
        The search's.
    """

    group: Group
    photo_ids: tuple[int, ...]
    score: float


def candidates_of(
    found: Sequence[tuple[int, float]], facts: Mapping[int, PhotoFacts]
) -> list[Candidate]:
    """Gather photos that a search found, with their scores, into the groups they belong to.

    Parameters
    ----------
    found : sequence of (photo id, score)
        The search's results, best first.
    facts : mapping
        Photo id to facts.
    """
    groups: dict[Group, list[tuple[int, float]]] = {}
    for photo_id, score in found:
        groups.setdefault(Group.of(facts[photo_id]), []).append((photo_id, score))
    return [
        Candidate(group, tuple(photo for photo, _ in hits), max(score for _, score in hits))
        for group, hits in groups.items()
    ]


@dataclass(frozen=True, eq=False)
class Compared:
    """One candidate after comparison."""

    candidate: Candidate
    comparison: Comparison

    @property
    def score(self) -> float:
        """The search's."""
        return self.candidate.score


def compare_each(
    query: Picture, candidates: Sequence[Candidate], held_of: Callable[[Group], Held]
) -> Iterator[Compared]:
    """Compare a query with candidates, one at a time, in the order of their scores.

    Parameters
    ----------
    query : Picture
        Made ready once for all.
    candidates : sequence of Candidate
        Groups found by a search.
    held_of : callable
        Gives the consensus of a group; where it raises `ComparisonError`, the candidate counts
        as not laid over, with the reason.
    """
    lies = False
    for candidate in sorted(candidates, key=lambda one: -one.score):
        try:
            held = held_of(candidate.group)
        except ComparisonError as exc:
            yield Compared(candidate, Comparison(Registration(False, str(exc).rstrip("."))))
            continue
        registration = register(
            query, held.consensus.picture, px_per_mm=held.consensus.px_per_mm, softened=not lies
        )
        lies = lies or registration.registered
        found = measured(query, registration, held.consensus, own=held.own, uv=candidate.group.uv)
        yield Compared(candidate, found)


def agrees_better(other: Comparison, first: Comparison) -> bool:
    """Say whether a print agrees with another design while it departs from the first."""
    near, far = other.departure, first.departure
    if near is None or far is None:
        return False
    return near < AGREES_BELOW <= far and far - near > CLEARER_BY


def rerank(compared: Sequence[Compared]) -> list[Compared]:
    """Return the candidates in the search's order, one that the print agrees better with first.

    Those that could not be laid under the query come last.
    """
    order = sorted(compared, key=lambda one: (one.comparison.departure is None, -one.score))
    first = next((one for one in order if one.candidate.group.standing == "genuine"), None)
    better = [
        one
        for one in order
        if first is not None
        and first.candidate.group.rivals(one.candidate.group)
        and agrees_better(one.comparison, first.comparison)
    ]
    if better:
        nearest = min(better, key=lambda one: one.comparison.departure or 0.0)
        order = [nearest, *(one for one in order if one is not nearest)]
    return order
