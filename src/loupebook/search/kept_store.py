"""What the arms' SQLite files have in common: whose they are, revisions, faults told once."""

from __future__ import annotations

import secrets
import sqlite3
from abc import ABC, abstractmethod
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import ClassVar

from loupebook.errors import IndexDamaged, SearchError
from loupebook.records.engine import reading_uri, state_of
from loupebook.search.files import make_database_file, may_not_write, only_readable

META = "CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID"


class KeptStore(ABC):
    """One SQLite file that belongs to one set and one arm.

    Parameters
    ----------
    path : Path
        The file; made where missing. Where this user may not write it, it is only read.
    expected : mapping
        What the file must have been made for, ``set_id`` and ``fingerprint`` among it.

    Raises
    ------
    IndexDamaged
        If the file is no store of ours, or was made for something else. Delete it.
    SetError
        If it would have to be written and this user may not.
    """

    what: ClassVar[str]
    """What it holds, for messages."""
    schema: ClassVar[Sequence[str]]
    """Statements that make its tables, :data:`META` apart."""
    counters: ClassVar[Mapping[str, str]] = {"revision": "0"}
    """Numbers kept in ``meta``, as they start."""

    def __init__(self, path: Path, expected: Mapping[str, str]) -> None:
        self.path = path
        self._opened_at = state_of(path) if only_readable(path) else None
        with self._checked():
            self._db = self._connect()
        try:
            with self._checked():
                if self._opened_at is None:
                    self._prepare(expected)
                self._check(expected)
        except BaseException:
            self._db.close()
            raise

    def _connect(self) -> sqlite3.Connection:
        if self._opened_at is None:
            make_database_file(self.path)
            uri = self.path.absolute().as_uri()
        else:
            uri = reading_uri(self.path)
        return sqlite3.connect(
            uri, uri=True, timeout=30.0, isolation_level=None, check_same_thread=False
        )

    def _prepare(self, expected: Mapping[str, str]) -> None:
        for pragma in ("journal_mode=WAL", "synchronous=NORMAL", "foreign_keys=ON"):
            self._db.execute(f"PRAGMA {pragma}")
        self._db.execute("BEGIN IMMEDIATE")
        with self._db:
            if not self._db.execute("SELECT 1 FROM sqlite_schema LIMIT 1").fetchone():
                for statement in (META, *self.schema):
                    self._db.execute(statement)
                made = {**expected, **self.counters, "store_id": secrets.token_hex(8)}
                self._db.executemany("INSERT INTO meta VALUES (?, ?)", made.items())

    def _check(self, expected: Mapping[str, str]) -> None:
        found = dict(self._db.execute("SELECT key, value FROM meta").fetchall())
        wrong = [key for key, value in expected.items() if found.get(key) != value]
        if wrong or not {"store_id", *self.counters} <= found.keys():
            raise IndexDamaged(
                f"The {self.what} in {self.path} were made for something else "
                f"({', '.join(wrong) or 'incomplete'} differs). Rebuild them."
            )
        self.store_id: str = found["store_id"]

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    @property
    def outdated(self) -> bool:
        """Whether it was opened to be read only and others have written since.

        SQLite does not look again at a file that it takes for one that never changes.
        """
        return self._opened_at is not None and state_of(self.path) != self._opened_at

    @property
    def revision(self) -> int:
        """Grows with every committed change."""
        with self._checked():
            return self._number("revision")

    def withdraw(self, photo_ids: Collection[int]) -> None:
        """Forget photos, in one transaction."""
        if photo_ids:
            with self._change():
                self._delete(photo_ids)

    @abstractmethod
    def _delete(self, photo_ids: Collection[int]) -> None:
        """Delete the rows of photos, within a change."""

    def _number(self, key: str) -> int:
        row = self._db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        if row is None or not str(row[0]).isdecimal():
            raise IndexDamaged(f"{self.path} has lost its {key}. Rebuild it.")
        return int(row[0])

    def _set_number(self, key: str, value: int) -> None:
        self._db.execute("UPDATE meta SET value = ? WHERE key = ?", (str(value), key))

    @contextmanager
    def _as_of_one_moment(self) -> Iterator[int]:
        """Read in one transaction; gives the revision that the rows have."""
        with self._checked():
            self._db.execute("BEGIN")
            with self._db:
                yield self._number("revision")

    @contextmanager
    def _change(self) -> Iterator[None]:
        """One transaction, which moves the revision on."""
        with self._checked():
            self._db.execute("BEGIN IMMEDIATE")
            with self._db:
                yield
                self._set_number("revision", self._number("revision") + 1)

    @contextmanager
    def _checked(self) -> Iterator[None]:
        """Translate SQLite's faults once."""
        try:
            yield
        except sqlite3.OperationalError as exc:
            if "locked" in str(exc) or "busy" in str(exc):
                raise SearchError(
                    f"Another process is writing {self.path}; try again in a moment."
                ) from exc
            if getattr(exc, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_READONLY:
                raise may_not_write(self.path) from exc
            raise IndexDamaged(f"{self.path} cannot be used: {exc}. Rebuild it.") from exc
        except sqlite3.DatabaseError as exc:
            raise IndexDamaged(f"{self.path} is damaged: {exc}. Rebuild it.") from exc
