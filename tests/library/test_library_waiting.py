"""Who waits for whom, and who sees what, where several sessions share one opened set."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from loupebook.library import Library, facade
from loupebook.records.catalogue import Catalogue
from loupebook.records.model import SpecimenRecord
from loupebook.search import no_progress
from taught_set import opened_copy


@pytest.fixture(scope="module")
def library(taught_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Library]:
    with opened_copy(taught_folder, tmp_path_factory.mktemp("waiting") / "set") as opened:
        yield opened


class Another:
    """Another session: tries, whenever it is told of progress, whether it could search now."""

    def __init__(self, library: Library) -> None:
        self._library = library
        self.could_search: dict[str, bool] = {}

    def __call__(self, what: str, _done: int, _total: int) -> None:
        with ThreadPoolExecutor(1) as thread:
            self.could_search[what] = thread.submit(self._try).result()

    def _try(self) -> bool:
        free = self._library._lock.acquire(blocking=False)
        if free:
            self._library._lock.release()
        return free


def test_searches_go_on_while_the_set_is_checked(library: Library) -> None:
    another = Another(library)
    assert library.verify(progress=another).ok
    assert another.could_search
    assert all(another.could_search.values()), another.could_search


def test_searches_go_on_while_sections_of_a_report_are_made(library: Library) -> None:
    another = Another(library)
    library.report(only=["serials", "coverage"], progress=another)
    assert another.could_search.keys() >= {"Report: serials", "Report: coverage"}
    assert all(another.could_search.values()), another.could_search


def test_searches_go_on_while_a_kept_report_is_read(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    another = Another(library)
    monkeypatch.setattr(facade, "is_kept", lambda _: another("looked for", 0, 1) is None)
    monkeypatch.setattr(facade, "report_on_set", lambda _: another("read", 0, 1))
    library.kept_report()
    assert another.could_search == {"looked for": True, "read": True}


def test_a_report_names_no_photo_that_it_has_no_record_of(
    taught_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read = Catalogue.specimens

    def overtaken(catalogue: Catalogue, **wanted: object) -> list[SpecimenRecord]:
        specimens = read(catalogue, **wanted)
        catalogue.reinstate("G-2", by="another curator")
        return specimens

    with opened_copy(taught_folder, tmp_path / "set") as library:
        library.withdraw("G-2", by="a curator", reason="mixed up")
        monkeypatch.setattr(Catalogue, "specimens", overtaken)
        context = library._report_context({}, no_progress)
    assert context.confirmed
    assert context.confirmed.keys() == context.photos.keys()
    assert {fact.specimen for fact in context.confirmed.values()} == context.by_name.keys()
