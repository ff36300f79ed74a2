"""SQLite as the catalogue uses it, and the one place where its errors become ours.

Several processes and threads may use one set: write-ahead logging lets readers go on
while one writes; a write takes the write lock at its start (``BEGIN IMMEDIATE``), so it
never fails half-way on a lock, and waits a set time for it. ``synchronous = FULL``: what
was confirmed survives a power cut.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, QueuePool, create_engine, event
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from loupebook.errors import SetBusy, SetDamaged, SetError, SetNotFound
from loupebook.records.advice import RESTORE

_BEGIN = "loupebook_begin"
_SWITCH_WAIT_S = 2.0
"""How long opening waits for others that open the same new file."""
_SWITCH_PAUSE_S = 0.02


def open_engine(file: Path, *, wait_s: float, create: bool = False) -> Engine:
    """Return an engine on a catalogue file.

    Parameters
    ----------
    file : Path
        The SQLite file.
    wait_s : float
        How long a connection waits for another's lock, in seconds.
    create : bool, default False
        Whether the file may be made.

    Returns
    -------
    Engine
        Its connections may be used from any thread. Where the folder cannot be written,
        they only read.
    """
    read_only = not create and is_read_only(file)
    if read_only:
        uri = reading_uri(file)
    else:
        uri = file.absolute().as_uri() + ("?mode=rwc" if create else "?mode=rw")

    def connect() -> sqlite3.Connection:
        return sqlite3.connect(
            uri, uri=True, timeout=wait_s, isolation_level=None, check_same_thread=False
        )

    engine = create_engine(
        "sqlite://", creator=connect, poolclass=QueuePool, pool_size=4, max_overflow=-1
    )
    # The address is only carried for messages: the creator above opens the file, because
    # a path with '?' or '%' in it would be misread in an SQLAlchemy address.
    engine.url = engine.url.set(database=str(file))
    event.listen(engine, "connect", _set_up_read_only if read_only else _set_up)
    event.listen(engine, "begin", _begin)
    return engine


def writing(engine: Engine) -> Engine:
    """Return the same engine, whose transactions take the write lock when they begin."""
    return engine.execution_options(**{_BEGIN: "BEGIN IMMEDIATE"})


def is_read_only(file: Path) -> bool:
    """Return whether this process may not write a catalogue file or beside it."""
    return not (os.access(file, os.W_OK) and os.access(file.parent, os.W_OK))


def reading_uri(file: Path) -> str:
    """Return the address by which SQLite opens a file that this process may only read.

    Without a log beside it nobody is writing, and SQLite need not make one of its own, which
    it could not; but then it takes the file for one that never changes: see :func:`state_of`.
    With a log, its commits must be seen, and SQLite sees them.
    """
    uri = file.absolute().as_uri() + "?mode=ro"
    return uri if _log_bytes(file) else uri + "&immutable=1"


def state_of(file: Path) -> tuple[int, ...]:
    """Return what differs once a file has been written to since, or its log has."""
    try:
        seen = file.stat()
    except FileNotFoundError:
        return ()
    return (seen.st_mtime_ns, seen.st_size, seen.st_ino, _log_bytes(file))


def inode_of(file: Path) -> int | None:
    """Return what differs once another file lies in a file's place; None where none does."""
    try:
        return file.stat().st_ino
    except FileNotFoundError:
        return None


@contextmanager
def translated(file: Path) -> Iterator[None]:
    """Turn errors of SQLAlchemy and SQLite about a catalogue file into ours.

    Raises
    ------
    SetBusy
        The wait for another process's lock ran out.
    SetDamaged
        The file is not, or no longer, a sound catalogue.
    SetNotFound
        The file cannot be opened.
    SetError
        Anything else: read-only, disk full, input/output failure.
    """
    try:
        yield
    except DBAPIError as exc:
        raise _ours(file, exc.orig) from exc
    except sqlite3.Error as exc:
        raise _ours(file, exc) from exc
    except SQLAlchemyError as exc:
        raise SetError(f"{file}: the catalogue could not be used: {exc}") from exc


def _log_bytes(file: Path) -> int:
    """Return the size of SQLite's write-ahead log beside a file; 0 where there is none."""
    try:
        return file.with_name(file.name + "-wal").stat().st_size
    except FileNotFoundError:
        return 0


def _set_up(connection: sqlite3.Connection, _record: Any) -> None:
    _write_ahead(connection)
    connection.execute("PRAGMA synchronous = FULL")
    _set_up_read_only(connection, _record)


def _write_ahead(connection: sqlite3.Connection) -> None:
    """Keep a write-ahead log; tried again while others open the same new file.

    SQLite refuses the change at once, without its own wait, where two would make it together.
    """
    until = time.monotonic() + _SWITCH_WAIT_S
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as exc:
            if exc.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > until:
                raise
            time.sleep(_SWITCH_PAUSE_S)
        else:
            return


def _set_up_read_only(connection: sqlite3.Connection, _record: Any) -> None:
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA trusted_schema = OFF")
    connection.create_function("casefold", 1, _casefold, deterministic=True)


def _casefold(value: str | None) -> str | None:
    return None if value is None else value.casefold()


def _begin(connection: Connection) -> None:
    statement = connection.get_execution_options().get(_BEGIN, "BEGIN")
    connection.exec_driver_sql(statement)


def _ours(file: Path, error: BaseException | None) -> SetError:
    code = (getattr(error, "sqlite_errorcode", None) or 0) & 0xFF
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return SetBusy(f"{file}: another process is writing to the set; try again in a moment")
    broken_text = "Could not decode to UTF-8" in str(error)
    if broken_text or code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        return SetDamaged(f"{file}: the catalogue is damaged ({error}); {RESTORE}")
    if code == sqlite3.SQLITE_CANTOPEN:
        return SetNotFound(
            f"{file}: the catalogue cannot be opened; check path, permissions and room on the disk"
        )
    if code == sqlite3.SQLITE_READONLY:
        return SetError(f"{file}: the set can only be read here; copy it to a folder of your own")
    if code == sqlite3.SQLITE_FULL:
        return SetError(f"{file}: the disk is full; nothing was changed")
    if code == sqlite3.SQLITE_IOERR:
        return SetError(
            f"{file}: the catalogue can be neither read nor written just now ({error}); the disk "
            "may be full or gone: see to it, then try again"
        )
    return SetError(f"{file}: the catalogue could not be used: {error}")
