"""A read of a whole set takes as many SQL statements for many photos as for few."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from large_catalogue import make_large_catalogue
from sqlalchemy import Engine, event

from loupebook.records.catalogue import Catalogue

FEW, MANY = 8, 3_000
Read = Callable[[Catalogue], object]


@pytest.fixture(scope="module")
def small_and_large(tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[Catalogue]]:
    root = tmp_path_factory.mktemp("sizes")
    folders = [make_large_catalogue(root / str(photos), photos) for photos in (FEW, MANY)]
    with Catalogue.open(folders[0]) as small, Catalogue.open(folders[1]) as large:
        yield [small, large]


def statements_of(read: Read, catalogue: Catalogue) -> int:
    """Count the SQL statements that one read sends."""
    sent: list[str] = []

    def note(connection, cursor, statement, parameters, context, executemany) -> None:
        sent.append(statement)

    event.listen(Engine, "before_cursor_execute", note)
    try:
        read(catalogue)
    finally:
        event.remove(Engine, "before_cursor_execute", note)
    return len(sent)


@pytest.mark.parametrize(
    "read",
    [
        lambda c: c.indexable(),
        lambda c: c.facts(),
        lambda c: c.photos(),
        lambda c: c.specimens(),
        lambda c: c.specimens(text="s0", limit=30),
        lambda c: c.marques() and c.editions() and c.origins(),
    ],
    ids=["indexable", "facts", "photos", "specimens", "a page of specimens", "names"],
)
def test_reads_take_no_more_statements_for_many_photos(
    small_and_large: list[Catalogue], read: Read
) -> None:
    few, many = (statements_of(read, catalogue) for catalogue in small_and_large)
    assert 0 < many <= few


def test_facts_by_id_are_asked_for_in_few_statements(small_and_large: list[Catalogue]) -> None:
    _, large = small_and_large
    assert statements_of(lambda c: c.facts(range(1, MANY + 1)), large) <= 8
    assert len(large.facts(range(1, MANY + 1))) == MANY
