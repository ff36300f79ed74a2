"""What the arms' SQLite files have in common: whose they are, revisions, faults told once."""

from __future__ import annotations

import secrets
import sqlite3
from abc import ABC, abstractmethod
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import ClassVar

from loupebook.errors import IndexDamaged, LoupebookError, SearchError, SetError
from loupebook.records.engine import inode_of, reading_uri, state_of
from loupebook.search.files import (
    is_damage,
    make_database_file,
    may_not_write,
    only_readable,
    remove_leftovers,
)

_ADVICE = {
    sqlite3.SQLITE_FULL: "The disk is full: free some space, then try again.",
    sqlite3.SQLITE_IOERR: (
        "The disk may be full or gone: see to it, then try again. Only where it is neither, delete "
        "that file and run 'loupebook rebuild --set SET'."
    ),
    sqlite3.SQLITE_CANTOPEN: (
        "See whether this user may read it and the disk has room, then try again."
    ),
}
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
        If it would have to be written and this user may not, or if it can be neither read nor
        written just now, such as on a full disk.
    """

    what: ClassVar[str]
    """What it holds, for messages."""
    schema: ClassVar[Sequence[str]]
    """Statements that make its tables, :data:`META` apart."""
    holds: ClassVar[str]
    """Query that has a row where a photo (id, sha256) is held."""
    counters: ClassVar[Mapping[str, str]] = {"revision": "0"}
    """Numbers kept in ``meta``, as they start."""

    def __init__(self, path: Path, expected: Mapping[str, str]) -> None:
        self.path = path
        self._only_read = only_readable(path)
        with self._checked():
            if not self._only_read:
                make_database_file(path)
                remove_leftovers(path.parent)
            self._opened_at = self._as_it_lies()
            self._db = self._connect()
        try:
            with self._checked():
                if not self._only_read:
                    self._prepare(expected)
                self._check(expected)
        except BaseException:
            self._db.close()
            raise

    def _connect(self) -> sqlite3.Connection:
        uri = reading_uri(self.path) if self._only_read else self.path.absolute().as_uri()
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
        """Whether it must be opened anew: another file lies in its place, or none.

        Where it is only read, also whether others have written since: SQLite does not look again
        at a file that it takes for one that never changes.
        """
        return self._as_it_lies() != self._opened_at

    def _as_it_lies(self) -> tuple[int | None, ...]:
        if self._only_read:
            return state_of(self.path)
        return (inode_of(self.path),)

    @property
    def revision(self) -> int:
        """Grows with every committed change."""
        with self._checked():
            return self._number("revision")

    def lacking(self, photos: Mapping[int, str]) -> set[int]:
        """Return which photos (id to sha256) are not held with these bytes."""
        with self._checked():
            return {
                photo
                for photo, sha256 in photos.items()
                if self._db.execute(self.holds, (photo, sha256)).fetchone() is None
            }

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
        """Translate faults of SQLite and of the disk once."""
        try:
            yield
        except (sqlite3.Error, OSError) as exc:
            raise self._ours(exc) from exc

    def _ours(self, exc: sqlite3.Error | OSError) -> LoupebookError:
        """Return our error; damage, which is thrown away, only where the content is wrong."""
        code = getattr(exc, "sqlite_errorcode", 0) & 0xFF
        if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            return SearchError(f"Another process is writing {self.path}; try again in a moment.")
        if code == sqlite3.SQLITE_READONLY:
            return may_not_write(self.path)
        if is_damage(exc):
            return IndexDamaged(f"{self.path} is damaged: {exc}. Rebuild it.")
        if code == sqlite3.SQLITE_CANTOPEN and self._only_read and self._log.exists():
            return SetError(
                f"{self.path} was copied while somebody used the set ({self._log.name} lies beside "
                "it), and can be read only where this user may write too. Copy the set again once "
                "nobody uses it, or to a folder of your own."
            )
        advice = _ADVICE.get(code, "Try again in a moment.")
        return SetError(f"{self.path} cannot be used: {exc}. Nothing was deleted. {advice}")

    @property
    def _log(self) -> Path:
        return self.path.with_name(self.path.name + "-wal")
