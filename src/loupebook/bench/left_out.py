"""What a case has to leave out: counted and named, so that no figure is quietly of fewer photos."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from loupebook.bench.cases import BenchCase, BenchQuery, BenchReference
from loupebook.errors import BenchInvalid, PhotoError


def without_unread(case: BenchCase, progress: Callable[[str, int, int], None]) -> BenchCase:
    """Return the case without the photos that cannot be read, which it then names.

    Every photo is read once before any method runs: one that fails half-way would otherwise be
    lost to some methods only, and end others.

    Parameters
    ----------
    case : BenchCase
    progress : callable
        Called with (what, done, in all).

    Raises
    ------
    BenchInvalid
        If no reference or no query is left.
    """
    unread: list[str] = []
    count = len(case.references) + len(case.queries)

    def can_be_read(number: int, role: str, photo: BenchReference | BenchQuery) -> bool:
        progress(f"{case.name}: reading", number, count)
        try:
            photo.read()
        except PhotoError as error:
            unread.append(f"{role} of {photo.specimen}: {error}")
            return False
        return True

    references = [
        one
        for number, one in enumerate(case.references, start=1)
        if can_be_read(number, "reference", one)
    ]
    queries = [
        one
        for number, one in enumerate(case.queries, start=1 + len(case.references))
        if can_be_read(number, "query", one)
    ]
    for left, role in ((references, "reference"), (queries, "query")):
        if not left:
            raise BenchInvalid(f"{case.name}: no {role} can be read. {'; '.join(unread[:3])}")
    named = (*case.left_out, *unread)
    return replace(case, references=references, queries=queries, left_out=named)
