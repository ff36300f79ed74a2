"""The best candidates of a search compared in detail, and put into a new order.

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
    def nearness(self) -> float:
        """How near the query lies, greater is nearer; unregistered candidates lie last."""
        found = self.comparison
        if not found.registration.registered or found.overall_z is None:
            return -100.0 + self.candidate.score
        return -found.overall_z


@dataclass(frozen=True)
class StandingScores:
    """What evidence is given: nearness to what is known, standing by standing.

    Parameters
    ----------
    genuine, fake : float, optional
        Greatest nearness to a consensus of that standing; `None` where none could be laid
        under the query.
    """

    genuine: float | None
    fake: float | None


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
    for candidate in sorted(candidates, key=lambda one: -one.score):
        try:
            held = held_of(candidate.group)
        except ComparisonError as exc:
            yield Compared(candidate, Comparison(Registration(False, str(exc).rstrip("."))))
            continue
        registration = register(query, held.consensus.picture, px_per_mm=held.consensus.px_per_mm)
        found = measured(query, registration, held.consensus, own=held.own, uv=candidate.group.uv)
        yield Compared(candidate, found)


def rerank(compared: Sequence[Compared]) -> list[Compared]:
    """Return the candidates by nearness, nearest first."""
    return sorted(compared, key=lambda one: -one.nearness)


def standing_scores(compared: Sequence[Compared]) -> StandingScores:
    """Return the nearness to either standing, for evidence to calibrate."""

    def best(standing: str) -> float | None:
        values = [
            one.nearness
            for one in compared
            if one.candidate.group.standing == standing and one.comparison.registration.registered
        ]
        return max(values, default=None)

    return StandingScores(best("genuine"), best("fake"))
