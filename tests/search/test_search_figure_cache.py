"""Figures kept between reports: what is refused costs time only, what is damaged goes."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import numpy as np
import pytest

from loupebook.evidence.prints import LeftOutPrints, _forget_all_but, _keep
from loupebook.search import figure_cache
from loupebook.search.figure_cache import FigureCache
from loupebook.setreport.copies import find_copies
from loupebook.setreport.traits import PhotoTraits, read_traits

SCHEMA = "CREATE TABLE IF NOT EXISTS figures (name TEXT PRIMARY KEY, figure REAL)"
PUT = "INSERT OR REPLACE INTO figures VALUES (?, ?)"
ALL = "SELECT * FROM figures"
PHOTOS = {1: "a" * 64, 2: "b" * 64}


class OnFullDisk(FigureCache):
    """A cache whose file cannot grow."""

    def _opened(self) -> sqlite3.Connection:
        store = super()._opened()
        (pages,) = store.execute("PRAGMA page_count").fetchone()
        store.execute(f"PRAGMA max_page_count = {pages}")
        return store


@pytest.fixture(autouse=True)
def no_wait(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(figure_cache, "WAIT_S", 0.0)


@contextmanager
def locked(path: Path, how: str) -> Iterator[None]:
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute(f"BEGIN {how}")
        yield


def picture(photo: int) -> np.ndarray:
    return np.random.default_rng(photo).integers(0, 255, (60, 80, 3), dtype=np.uint8)


def traits_of(path: Path) -> dict[int, PhotoTraits]:
    return read_traits(path, PHOTOS, picture, lambda *_: None)


def test_rows_are_kept_and_a_damaged_file_is_made_anew(tmp_path: Path) -> None:
    cache = FigureCache(tmp_path / "new" / "figures.sqlite", SCHEMA)
    assert cache.read(ALL) == []
    cache.write(PUT, [("a", 1.0), ("b", 2.0)])
    assert cache.read(ALL) == [("a", 1.0), ("b", 2.0)]
    cache.path.write_bytes(b"no database at all" * 100)
    assert cache.read(ALL) == []
    cache.write(PUT, [("c", 3.0)])
    assert cache.read(ALL) == [("c", 3.0)]


def test_a_table_of_another_shape_is_damage(tmp_path: Path) -> None:
    cache = FigureCache(tmp_path / "figures.sqlite", SCHEMA)
    cache.write(PUT, [("a", 1.0)])
    assert cache.read("SELECT missing FROM figures") == []
    assert not cache.path.exists()


@pytest.mark.parametrize("how", ["IMMEDIATE", "EXCLUSIVE"])
def test_a_lock_deletes_nothing(tmp_path: Path, how: str) -> None:
    cache = FigureCache(tmp_path / "figures.sqlite", SCHEMA)
    cache.write(PUT, [("a", 1.0)])
    with locked(cache.path, how):
        cache.write(PUT, [("b", 2.0)])
        assert cache.read(ALL) == ([("a", 1.0)] if how == "IMMEDIATE" else [])
    assert cache.read(ALL) == [("a", 1.0)]


def test_a_full_disk_deletes_nothing(tmp_path: Path) -> None:
    cache = FigureCache(tmp_path / "figures.sqlite", SCHEMA)
    cache.write(PUT, [("a", 1.0)])
    OnFullDisk(cache.path, SCHEMA).write(PUT, [(str(n) * 500, 0.0) for n in range(500)])
    assert cache.read(ALL) == [("a", 1.0)]


def test_a_folder_that_cannot_be_made_keeps_nothing(tmp_path: Path) -> None:
    (tmp_path / "derived").write_text("a file in the way")
    cache = FigureCache(tmp_path / "derived" / "figures.sqlite", SCHEMA)
    cache.write(PUT, [("a", 1.0)])
    assert cache.read(ALL) == []


def test_traits_are_measured_without_holding_or_losing_the_file(tmp_path: Path) -> None:
    path = tmp_path / "traits.sqlite"
    first = traits_of(path)
    kept = path.read_bytes()
    with locked(path, "EXCLUSIVE"):
        assert traits_of(path) == first
    assert path.read_bytes() == kept

    def read(photo: int) -> np.ndarray:
        with locked(path, "EXCLUSIVE"):  # free while photos are measured
            return picture(photo)

    more = {**PHOTOS, 3: "c" * 64, 4: "d" * 64}
    assert len(read_traits(path, more, read, lambda *_: None)) == 4
    assert traits_of(path) == first


def test_pairs_are_decided_though_the_file_is_locked(tmp_path: Path) -> None:
    path = tmp_path / "pairs.sqlite"
    traits = traits_of(tmp_path / "traits.sqlite")
    vectors = np.ones((2, 4), np.float32) / 2

    def decide() -> list[object]:
        ids = np.array([1, 2])
        return [*find_copies(PHOTOS, traits, ids, vectors, picture, path, lambda *_: None)]

    first = decide()
    kept = path.read_bytes()
    with locked(path, "EXCLUSIVE"):
        assert decide() == first
    assert path.read_bytes() == kept


def test_prints_are_kept_and_forgotten_only_where_nobody_holds_the_file(tmp_path: Path) -> None:
    path = tmp_path / "prints.sqlite"
    _keep(path, "one", LeftOutPrints(()))
    with locked(path, "EXCLUSIVE"):
        _keep(path, "two", LeftOutPrints(()))
        _forget_all_but(path, set())
    with closing(sqlite3.connect(path)) as store:
        assert store.execute("SELECT state FROM prints").fetchall() == [("one",)]
    _forget_all_but(path, set())
    with closing(sqlite3.connect(path)) as store:
        assert store.execute("SELECT state FROM prints").fetchall() == []
