"""Figures that took long to make, kept in a SQLite file that may be deleted at any time."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from loupebook.search.files import is_damage, make_database_file, only_readable

WAIT_S = 10.0
"""How long to wait for another's lock: each use is one short transaction."""

Found = TypeVar("Found")


@dataclass(frozen=True)
class FigureCache:
    """A file of derived figures, opened for each use, so that nobody waits while they are made.

    What the system refuses (a lock, a full disk, a folder that can only be read) costs nothing
    but time: there is nothing to read, or nothing is kept. A damaged file is deleted.

    Parameters
    ----------
    path : Path
        The file; made where missing and allowed.
    schema : str
        Statement that makes its table where it is missing.
    """

    path: Path
    schema: str

    def read(self, query: str) -> list[tuple[Any, ...]]:
        """Return the rows of a query; none where the file cannot be read."""
        return self._use(lambda store: store.execute(query).fetchall()) or []

    def write(self, statement: str, rows: Sequence[Sequence[object]]) -> None:
        """Run a statement for each of some rows, all or none."""
        if rows:
            self._use(lambda store: store.executemany(statement, rows))

    def _use(self, work: Callable[[sqlite3.Connection], Found]) -> Found | None:
        try:
            with closing(self._opened()) as store, store:
                store.execute(self.schema)
                return work(store)
        except (sqlite3.Error, OSError) as exc:
            if is_damage(exc):
                self.path.unlink(missing_ok=True)
            return None

    def _opened(self) -> sqlite3.Connection:
        """Open the file; an empty one in memory where it can only be read."""
        if only_readable(self.path):
            return sqlite3.connect(":memory:")
        make_database_file(self.path)
        return sqlite3.connect(self.path, timeout=WAIT_S)
