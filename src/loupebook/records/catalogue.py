"""The catalogue of one set: what is known, and the photos that show it.

A set is a folder: ``catalogue.sqlite`` (the truth), ``photos/`` (original bytes by
SHA-256) and ``derived/`` (made by other rooms; may be deleted at any time). A catalogue
may be used from several threads at once, and a set from several processes.
"""

from __future__ import annotations

import os
import secrets
import uuid
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self, TypeVar, Unpack

from sqlalchemy import Connection, insert
from sqlalchemy.orm import Session

from loupebook.errors import SetDamaged, SetError, SetExists, SetNotFound
from loupebook.records import adding, queries, standing_changes, verify
from loupebook.records.adding import AddOutcome
from loupebook.records.change import Change, now
from loupebook.records.checks import clean_photo, clean_record, optional
from loupebook.records.engine import is_read_only, open_engine, translated, writing
from loupebook.records.migrations import bring_up_to_date
from loupebook.records.model import (
    EditionRecord,
    EventRecord,
    NewPhoto,
    PhotoFacts,
    PhotoRecord,
    SetInfo,
    SpecimenRecord,
)
from loupebook.records.photo_store import PhotoStore, sync_folder
from loupebook.records.queries import SpecimenFilter
from loupebook.records.tables import PhotoRow, SetInfoRow, SpecimenRow
from loupebook.records.text import clean_date, clean_line, clean_name, clean_notes

Listed = TypeVar("Listed")

CATALOGUE_FILE = "catalogue.sqlite"
PHOTO_FOLDER = "photos"
DEFAULT_WAIT_S = 15.0
"""How long a write waits for another process's write, in seconds."""


def _silent(_stage: str, _done: int, _total: int) -> None:
    """Report no progress."""


class Catalogue:
    """An open set. Made by :meth:`create` or :meth:`open`; closes as a context manager.

    Every method may raise :class:`~loupebook.errors.SetBusy` (another process held the set
    for too long), :class:`~loupebook.errors.SetDamaged` or
    :class:`~loupebook.errors.SetError`; what is listed below comes on top. Each write is
    whole or not at all, is on disk when the method returns, adds one to the change counter
    and a line to the log; a write that would change nothing does neither.

    Parameters
    ----------
    folder : Path
        The set's folder.
    wait_s : float
        How long a write waits for another process's write, in seconds.
    """

    def __init__(self, folder: Path, *, wait_s: float) -> None:
        self.folder = folder
        self.read_only = is_read_only(folder / CATALOGUE_FILE)
        self._file = folder / CATALOGUE_FILE
        self._store = PhotoStore(folder / PHOTO_FOLDER)
        self._engine = open_engine(self._file, wait_s=wait_s)
        self._writing = writing(self._engine)

    @classmethod
    def create(
        cls,
        folder: Path,
        *,
        name: str,
        notice: str | None = None,
        two_person: bool = False,
        wait_s: float = DEFAULT_WAIT_S,
    ) -> Self:
        """Make a new, empty set and open it.

        Parameters
        ----------
        folder : Path
            Where; must be absent or empty. Parents are made.
        name : str
            Name of the set.
        notice : str, optional
            A line shown wherever the set is shown.
        two_person : bool, default False
            Whether a specimen needs a second person to confirm it.
        wait_s : float, optional
            See the class.

        Raises
        ------
        SetExists
            The folder is a set already, or holds something else.
        RecordInvalid
            The name or notice is not allowed.
        """
        row = {
            "id": 1,
            "set_id": str(uuid.uuid4()),
            "name": clean_name(name, "name"),
            "created_at": now(),
            "change_counter": 0,
            "two_person": two_person,
            "notice": None if notice is None else clean_notes(notice, "notice"),
        }
        folder = Path(folder)
        try:
            _refuse_occupied(folder)
            folder.mkdir(parents=True, exist_ok=True)
            draft = folder / f".{CATALOGUE_FILE}.{secrets.token_hex(8)}.new"
            try:
                _write_draft(draft, row)
                _publish(draft, folder / CATALOGUE_FILE)
                sync_folder(folder)
            finally:
                draft.unlink(missing_ok=True)
        except OSError as exc:
            raise SetError(f"{folder}: the set could not be made: {exc.strerror}") from exc
        return cls.open(folder, wait_s=wait_s)

    @classmethod
    def open(cls, folder: Path, *, wait_s: float = DEFAULT_WAIT_S) -> Self:
        """Open a set; a catalogue of an older version is brought up to date.

        Raises
        ------
        SetNotFound
            There is no set in that folder.
        SetDamaged
            The catalogue is not sound.
        SetError
            A newer version of Loupebook wrote it.
        """
        folder = Path(folder)
        file = folder / CATALOGUE_FILE
        if not file.is_file():
            raise SetNotFound(f"{folder}: no set is here (no {CATALOGUE_FILE}); make one first")
        if file.stat().st_size == 0:
            raise SetDamaged(f"{file}: the catalogue is empty; restore it from a copy")
        catalogue = cls(folder, wait_s=wait_s)
        try:
            with translated(file):
                bring_up_to_date(catalogue._engine)
            catalogue.info()
        except BaseException:
            catalogue.close()
            raise
        return catalogue

    def close(self) -> None:
        """Let go of the files. The last one to close folds the write log into the catalogue."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def info(self) -> SetInfo:
        """Return what the set says of itself, with the change counter as it is now."""
        with self._reading() as connection:
            return queries.set_info(connection)

    def add_specimen(
        self,
        record: SpecimenRecord,
        photos: Sequence[NewPhoto],
        *,
        by: str,
        dry_run: bool = False,
    ) -> AddOutcome:
        """Record a specimen, or extend the one of that name.

        Missing optional fields of a known specimen are filled in, its state stays; a photo
        that it has already is not added again, but its file is put right if damaged. In a
        set that asks for two persons a new specimen enters as proposed.

        Parameters
        ----------
        record : SpecimenRecord
            What is said of the specimen.
        photos : sequence of NewPhoto
            Photos of it, with their bytes.
        by : str
            Who adds it.
        dry_run : bool, default False
            Find out what would happen and leave everything as it was; the ids of new
            photos in the outcome are then not kept.

        Returns
        -------
        AddOutcome
            Unpacks as ``record, photos``; says what was new.

        Raises
        ------
        RecordInvalid
            A field is not allowed.
        RecordConflict
            A field is recorded otherwise, or a photo belongs to another specimen, or the
            specimen is withdrawn.
        """
        cleaned = clean_record(record)
        pictures = [clean_photo(photo) for photo in photos]
        store = None if dry_run else self._store
        with self._changing(by, keep=not dry_run) as change:
            return adding.add_specimen(change, store, cleaned, pictures)

    def confirm(
        self, name: str, *, by: str, basis: str | None = None, on: str | None = None
    ) -> SpecimenRecord:
        """Confirm a proposed specimen; see :func:`.standing_changes.confirm`."""
        basis = optional(clean_line, basis, "basis")
        on = optional(clean_date, on, "confirmed_on")
        with self._changing(by) as change:
            return standing_changes.confirm(change, name, basis=basis, on=on)

    def withdraw(self, name: str, *, by: str, reason: str) -> SpecimenRecord:
        """Withdraw a specimen; see :func:`.standing_changes.withdraw`."""
        reason = clean_line(reason, "reason")
        with self._changing(by) as change:
            return standing_changes.withdraw(change, name, reason=reason)

    def reinstate(self, name: str, *, by: str) -> SpecimenRecord:
        """Bring a withdrawn specimen back; see :func:`.standing_changes.reinstate`."""
        with self._changing(by) as change:
            return standing_changes.reinstate(change, name)

    def specimens(
        self, *, offset: int = 0, limit: int | None = None, **wanted: Unpack[SpecimenFilter]
    ) -> list[SpecimenRecord]:
        """Return specimens by name, filtered; see :class:`.queries.SpecimenFilter`.

        Raises
        ------
        RecordInvalid
            An element, standing or state that does not exist.
        """
        with self._reading() as connection:
            return queries.list_specimens(connection, wanted, offset=offset, limit=limit)

    def count_specimens(self, **wanted: Unpack[SpecimenFilter]) -> int:
        """Return how many specimens a filter leaves (for paging)."""
        with self._reading() as connection:
            return queries.count_specimens(connection, wanted)

    def specimen(self, name: str) -> SpecimenRecord:
        """Return one specimen, or raise :class:`~loupebook.errors.RecordNotFound`."""
        with self._reading() as connection:
            return queries.required_specimen(connection, name)

    def photos(self, specimen: str | None = None) -> list[PhotoRecord]:
        """Return the photos of one specimen (must exist), or of the whole set, by id."""
        with self._reading() as connection:
            if specimen is None:
                return queries.list_photos(connection)
            name = queries.required_specimen(connection, specimen).name
            return queries.list_photos(connection, SpecimenRow.name == name)

    def photo(self, photo_id: int) -> PhotoRecord:
        """Return one photo, or raise :class:`~loupebook.errors.RecordNotFound`."""
        with self._reading() as connection:
            return queries.photo_numbered(connection, photo_id)

    def photo_by_sha256(self, sha256: str) -> PhotoRecord | None:
        """Return the photo with exactly these bytes, or None."""
        with self._reading() as connection:
            found = queries.list_photos(connection, PhotoRow.sha256 == sha256)
        return found[0] if found else None

    def photo_bytes(self, photo_id: int) -> bytes:
        """Return the original bytes of a photo, verified against their digest.

        Raises
        ------
        RecordNotFound
            No such photo.
        SetDamaged
            The file is missing or altered.
        """
        return self._store.read(self.photo(photo_id).sha256)

    def indexable(self) -> dict[int, str]:
        """Return photo id → SHA-256 of all photos of confirmed specimens."""
        with self._reading() as connection:
            return queries.indexable(connection)

    def facts(self, photo_ids: Iterable[int] | None = None) -> dict[int, PhotoFacts]:
        """Return photo id → facts of these photos; of those of :meth:`indexable` if None.

        Ids that the set lacks are left out. Photos asked for by id come whatever the state
        of their specimen; ``state`` is among the facts.
        """
        with self._reading() as connection:
            return queries.facts(connection, photo_ids)

    def marques(self) -> list[str]:
        """Return the names of all marques, sorted."""
        return self._listed(queries.list_marques)

    def editions(self) -> list[EditionRecord]:
        """Return all editions, sorted by marque, element and name."""
        return self._listed(queries.list_editions)

    def origins(self) -> list[str]:
        """Return the names of all print origins, sorted."""
        return self._listed(queries.list_origins)

    def events(self, specimen: str | None = None) -> list[EventRecord]:
        """Return the log, oldest first, of one specimen or of the whole set."""
        with self._reading() as connection:
            return queries.list_events(connection, specimen)

    def verify(self, progress: verify.Progress = _silent) -> verify.VerifyReport:
        """Check the whole set; damage is in the report, not raised.

        Raises
        ------
        SetDamaged
            The catalogue is so damaged that it cannot be read at all.
        """
        with self._reading() as connection:
            return verify.check_set(connection, self._store, self.folder, progress)

    def remove_temporary_files(self) -> list[Path]:
        """Remove what writers that were killed left half-written; return what was removed.

        Complete photo files that no row refers to are kept.
        """
        # Under the write lock no writer is at work, so none of these is still needed.
        with self._changing("loupebook"):
            abandoned = [path for path in self._store.files() if self._store.is_temporary(path)]
            for path in abandoned:
                path.unlink(missing_ok=True)
        return abandoned

    def _listed(self, read: Callable[[Connection], list[Listed]]) -> list[Listed]:
        with self._reading() as connection:
            return read(connection)

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        with translated(self._file), self._engine.connect() as connection:
            yield connection

    @contextmanager
    def _changing(self, by: str, *, keep: bool = True) -> Iterator[Change]:
        author = clean_name(by, "by")
        if self.read_only:
            raise SetError(
                f"{self.folder}: the set can only be read here; copy it to a folder of your own"
            )
        with translated(self._file), Session(self._writing) as session:
            session.connection()
            change = Change(session, author)
            yield change
            if keep and change.logged:
                session.commit()


def _refuse_occupied(folder: Path) -> None:
    if (folder / CATALOGUE_FILE).exists():
        raise SetExists(f"{folder}: a set is here already; open it or choose another folder")
    if folder.exists() and not folder.is_dir():
        raise SetExists(f"{folder}: a file is here; choose another place for the set")
    if folder.is_dir() and any(not _is_draft(path) for path in folder.iterdir()):
        raise SetExists(f"{folder}: the folder is not empty; choose a new or empty folder")


def _is_draft(path: Path) -> bool:
    return path.name.startswith(f".{CATALOGUE_FILE}.")


def _write_draft(draft: Path, row: dict[str, object]) -> None:
    with translated(draft):
        engine = open_engine(draft, wait_s=DEFAULT_WAIT_S, create=True)
        try:
            bring_up_to_date(engine)
            with writing(engine).begin() as connection:
                connection.execute(insert(SetInfoRow).values(row))
        finally:
            engine.dispose()


def _publish(draft: Path, target: Path) -> None:
    """Give a finished catalogue its name, unless another process was quicker."""
    try:
        os.link(draft, target)
    except FileExistsError:
        raise SetExists(f"{target.parent}: another process has just made a set here") from None
    except OSError:  # a file system without hard links
        draft.rename(target)
