"""Checking a whole set, cheap checks first, every piece of damage in one report.

Stages: ``catalogue`` (SQLite's own integrity check, references between rows), ``log`` (the
chain of the log, and every record against the last line about it), ``photos`` (each file
there, of the recorded size, hashing to its name), ``leftovers`` (files that no row refers
to: harmless, they stem from a crash while adding).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from loupebook.records import queries
from loupebook.records.advice import RESTORE
from loupebook.records.audit import LogCheck, check_log
from loupebook.records.photo_store import PhotoStore, is_digest
from loupebook.records.queries import StoredPhoto
from loupebook.records.rows_check import check_rows

Progress = Callable[[str, int, int], None]
"""Called with the stage, how many items of it are done, and how many there are."""


class DamageKind(StrEnum):
    """What is wrong with a part of a set."""

    CATALOGUE = "catalogue"
    LOG = "log"
    MISSING = "missing"
    ALTERED = "altered"
    UNREADABLE = "unreadable"


@dataclass(frozen=True)
class Damage:
    """One thing that is wrong.

    Parameters
    ----------
    kind : DamageKind
        What is wrong.
    path : str
        The file concerned, relative to the set's folder.
    message : str
        What was found, and what to do.
    photo_id : int, optional
        The photo concerned.
    specimen : str, optional
        The specimen that it shows.
    """

    kind: DamageKind
    path: str
    message: str
    photo_id: int | None = None
    specimen: str | None = None


@dataclass(frozen=True)
class VerifyReport:
    """All that a check of a set found.

    Parameters
    ----------
    set_id, name : str
        The set.
    change_counter : int
        The state of the set that was checked.
    specimens, photos : int
        How many were checked.
    bytes_read : int
        Size of the photo files read.
    damage : tuple of Damage
        Everything that is wrong.
    leftovers : tuple of str
        Files in the photo store that no row refers to, relative to the set's folder;
        harmless.
    log_lines : int
        How many lines the log has.
    log_head : str
        Hash of the last one. Written down elsewhere, it shows later whether the log was
        rewritten.
    """

    set_id: str
    name: str
    change_counter: int
    specimens: int
    photos: int
    bytes_read: int
    damage: tuple[Damage, ...]
    leftovers: tuple[str, ...]
    log_lines: int
    log_head: str

    @property
    def ok(self) -> bool:
        """Whether nothing is damaged (leftovers do no harm)."""
        return not self.damage

    def to_dict(self) -> dict[str, Any]:
        """Return the report as plain values, ready for JSON."""
        return {"ok": self.ok, **asdict(self)}


def check_set(
    connection: Connection,
    store: PhotoStore,
    folder: Path,
    progress: Progress,
    *,
    known_head: str | None = None,
) -> VerifyReport:
    """Check a set as it stands at the start of the connection's transaction.

    Parameters
    ----------
    connection : Connection
        A read transaction on the catalogue.
    store : PhotoStore
        The set's photo store.
    folder : Path
        The set's folder; paths are reported relative to it.
    progress : Progress
        Told of the progress.
    known_head : str, optional
        A head of the log that was written down earlier; the log must pass through it.

    Returns
    -------
    VerifyReport
        Damage does not raise: it is in the report.
    """
    # Files first, rows second: a photo added meanwhile then has a row, and is no leftover.
    present = list(store.files())
    info = queries.set_info(connection)
    photos = queries.stored_photos(connection)
    named = [photo for photo in photos if is_digest(photo.sha256)]  # others fail a check below
    progress("catalogue", 0, 1)
    damage = _check_catalogue(connection)
    progress("catalogue", 1, 1)
    progress("log", 0, 1)
    log = check_log(connection, known_head)
    damage += _told_by(log, check_rows(connection))
    progress("log", 1, 1)
    bytes_read = 0
    for done, photo in enumerate(named):
        progress("photos", done, len(named))
        found = _check_photo(store, folder, photo)
        bytes_read += 0 if found else photo.byte_count
        damage += [found] if found else []
    progress("photos", len(named), len(named))
    expected = {store.path(photo.sha256) for photo in named}
    leftovers = [path.relative_to(folder).as_posix() for path in present if path not in expected]
    progress("leftovers", len(present), len(present))
    return VerifyReport(
        set_id=info.set_id,
        name=info.name,
        change_counter=info.change_counter,
        specimens=queries.count_specimens(connection, {}),
        photos=len(photos),
        bytes_read=bytes_read,
        damage=tuple(damage),
        leftovers=tuple(leftovers),
        log_lines=log.lines,
        log_head=log.head,
    )


def _check_catalogue(connection: Connection) -> list[Damage]:
    file = "catalogue.sqlite"
    answers = connection.exec_driver_sql("PRAGMA integrity_check").scalars().all()
    damage = [
        Damage(DamageKind.CATALOGUE, file, f"{answer}; {RESTORE}")
        for answer in answers
        if answer != "ok"
    ]
    for table, row_id, parent, _ in connection.exec_driver_sql("PRAGMA foreign_key_check"):
        message = f"row {row_id} of table {table} refers to a row of {parent} that is not there"
        damage.append(Damage(DamageKind.CATALOGUE, file, f"{message}; {RESTORE}"))
    return damage


def _told_by(log: LogCheck, rows: list[str]) -> list[Damage]:
    advice = "compare it with a copy; what was changed outside Loupebook is not to be trusted"
    return [
        Damage(DamageKind.LOG, "catalogue.sqlite", f"{message}; {advice}", specimen=specimen)
        for specimen, message in (*log.faults, *((None, message) for message in rows))
    ]


def _check_photo(store: PhotoStore, folder: Path, photo: StoredPhoto) -> Damage | None:
    path = store.path(photo.sha256)

    def damaged(kind: DamageKind, what: str) -> Damage:
        return Damage(
            kind,
            path.relative_to(folder).as_posix(),
            f"{what}; add the original of {photo.file_name} again or restore the file from a copy",
            photo.photo_id,
            photo.specimen,
        )

    try:
        size = path.stat().st_size
        if size != photo.byte_count:
            what = f"the file has {size:,} bytes instead of {photo.byte_count:,}"
            return damaged(DamageKind.ALTERED, what)
        if store.digest_on_disk(photo.sha256) != photo.sha256:
            return damaged(DamageKind.ALTERED, "the content of the file has changed")
    except FileNotFoundError:
        return damaged(DamageKind.MISSING, "the file is missing")
    except OSError as exc:
        return damaged(DamageKind.UNREADABLE, f"the file cannot be read ({exc.strerror})")
    return None
