"""Writing derived files: whole or not at all, and only where this user may."""

from __future__ import annotations

import os
import re
import secrets
import shutil
import sqlite3
import time
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from loupebook.errors import SetError
from loupebook.records.engine import is_read_only

_DRAFT = re.compile(r"\..+\.part|\..+\.index\.\w+")
_LEFT_S = 3600.0
"""A draft that nobody has written to for so long is nobody's, in seconds."""
_DAMAGE = frozenset(
    {
        sqlite3.SQLITE_CORRUPT,
        sqlite3.SQLITE_NOTADB,
        sqlite3.SQLITE_ERROR,  # a table or a column is gone
        sqlite3.SQLITE_CONSTRAINT,
        sqlite3.SQLITE_MISMATCH,
    }
)
"""What SQLite says of a file whose content is wrong; of all else the file is innocent."""


def write_atomically(path: Path, chunks: Iterable[bytes | memoryview]) -> None:
    """Write a file beside `path`, bring it to disk, then put it in place.

    Parameters
    ----------
    path : Path
        File to make or replace; its folder is made where missing.
    chunks : iterable of bytes
        The content, in order.
    """
    make_folder(path.parent)
    # Made by open, not by tempfile, whose files nobody but their maker may read: others who
    # use the set read what one of them has made.
    draft = path.with_name(f".{path.name}.{secrets.token_hex(8)}.part")
    try:
        with draft.open("xb") as file:
            file.writelines(chunks)
            file.flush()
            os.fsync(file.fileno())
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)


def make_folder(folder: Path) -> None:
    """Make a folder for derived files, but no set: one deleted while it is open stays away.

    Raises
    ------
    FileNotFoundError
        The set's folder is gone.
    """
    for one in (folder, *folder.parents):
        if one.name == "derived":
            one.mkdir(exist_ok=True)
            break
    folder.mkdir(parents=True, exist_ok=True)


def remove_leftovers(folder: Path) -> None:
    """Remove drafts of derived files that a killed program left in a folder.

    Only those that nobody has written to for an hour: others may be at work on theirs.

    Parameters
    ----------
    folder : Path
        May be missing.
    """
    for path in folder.iterdir() if folder.is_dir() else ():
        # What cannot be removed now is in nobody's way, and is met again the next time.
        with suppress(OSError):
            if _DRAFT.fullmatch(path.name) and time.time() - _written_at(path) > _LEFT_S:
                if path.is_dir():
                    shutil.rmtree(path)
                else:
                    path.unlink()


def _written_at(path: Path) -> float:
    written = [path, *path.iterdir()] if path.is_dir() else [path]
    return max(one.stat().st_mtime for one in written)


def keep_atomically(path: Path, chunks: Iterable[bytes | memoryview]) -> None:
    """Write a derived file for the next time, where it can be written.

    Where the folder can only be read or the disk is full, what was made serves its maker, and is
    made anew the next time.

    Parameters
    ----------
    path, chunks
        As for :func:`write_atomically`.
    """
    if os.access(_nearest_folder(path), os.W_OK):
        with suppress(OSError):
            write_atomically(path, chunks)


def make_database_file(path: Path) -> None:
    """Make an empty file where there is none, with the rights that this user gives new files.

    SQLite would let nobody but its maker write to it, whoever else may write to the folder.
    """
    make_folder(path.parent)
    path.open("ab").close()


def is_damage(exc: Exception) -> bool:
    """Return whether an error says that a database's content is wrong.

    What the disk or the system refuses is no damage.
    """
    code = getattr(exc, "sqlite_errorcode", 0) & 0xFF
    return code in _DAMAGE or "Could not decode to UTF-8" in str(exc)


def only_readable(path: Path) -> bool:
    """Return whether this user may neither change a derived database nor make it."""
    if path.exists():
        return is_read_only(path)
    return not os.access(_nearest_folder(path), os.W_OK)


def may_not_write(path: Path) -> SetError:
    """Return the error for derived files that this user would have to write and may not.

    Parameters
    ----------
    path : Path
        A file under the set's ``derived`` folder, or that folder.
    """
    return SetError(
        f"{path}: the set can only be read here, and its derived files are missing, stale or to "
        "be made anew. Whoever may write to its folder must run 'loupebook rebuild --set SET'; "
        "after that it can be used here."
    )


def _nearest_folder(path: Path) -> Path:
    return next(folder for folder in path.absolute().parents if folder.is_dir())
