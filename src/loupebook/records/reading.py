"""Reading a set: everything that a catalogue can be asked."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Lock
from typing import TypeVar, Unpack

from sqlalchemy import Connection, Engine

from loupebook.errors import SetBusy, SetDamaged
from loupebook.records import queries, verify
from loupebook.records.engine import is_read_only, open_engine, state_of, translated
from loupebook.records.filters import SpecimenFilter
from loupebook.records.history import FieldChange, field_changes
from loupebook.records.model import (
    DesignNames,
    EditionRecord,
    EventRecord,
    PhotoFacts,
    PhotoRecord,
    SetInfo,
    SpecimenRecord,
)
from loupebook.records.photo_store import PhotoStore
from loupebook.records.tables import PhotoRow, SpecimenRow

CATALOGUE_FILE = "catalogue.sqlite"
PHOTO_FOLDER = "photos"

Listed = TypeVar("Listed")


def _silent(_stage: str, _done: int, _total: int) -> None:
    """Report no progress."""


class CatalogueReader:
    """The questions that a set answers; each answer is from one state of it.

    Parameters
    ----------
    folder : Path
        The set's folder.
    wait_s : float
        How long to wait for another process's lock, in seconds.
    """

    def __init__(self, folder: Path, *, wait_s: float) -> None:
        self.folder = folder
        self.read_only = is_read_only(folder / CATALOGUE_FILE)
        self._file = folder / CATALOGUE_FILE
        self._store = PhotoStore(folder / PHOTO_FOLDER)
        self._wait_s = wait_s
        self._opened_at = state_of(self._file)
        self._engine = open_engine(self._file, wait_s=wait_s)
        self._reopening = Lock()

    def info(self) -> SetInfo:
        """Return what the set says of itself, with the change counter as it is now."""
        with self._reading() as connection:
            return queries.set_info(connection)

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

    def photos_sized(self, width: int, height: int, *, after: int = 0) -> list[tuple[int, str]]:
        """Return id and SHA-256 of the photos of a size, px, with ids greater than `after`."""
        with self._reading() as connection:
            return queries.photos_sized(connection, width, height, after)

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

    def design_names(self) -> list[DesignNames]:
        """Return how specimens on record name their designs, each combination once."""
        return self._listed(queries.list_design_names)

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

    def field_history(self, specimen: str) -> list[FieldChange]:
        """Return every change of every field of a specimen, oldest first."""
        return field_changes(self.events(specimen))

    def verify(
        self, progress: verify.Progress = _silent, *, known_head: str | None = None
    ) -> verify.VerifyReport:
        """Check the whole set; damage is in the report, not raised.

        Parameters
        ----------
        progress : callable, optional
            Told of the progress.
        known_head : str, optional
            Head of the log as it was written down earlier; the log must pass through it.

        Raises
        ------
        SetDamaged
            The catalogue is so damaged that it cannot be read at all.
        """
        with self._reading() as connection:
            return verify.check_set(
                connection, self._store, self.folder, progress, known_head=known_head
            )

    def _listed(self, read: Callable[[Connection], list[Listed]]) -> list[Listed]:
        with self._reading() as connection:
            return read(connection)

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        engine = self._up_to_date()
        with self._moved_told_apart(), translated(self._file), engine.connect() as connection:
            yield connection

    @contextmanager
    def _moved_told_apart(self) -> Iterator[None]:
        """Tell a catalogue that others wrote to while it was read from a damaged one.

        SQLite takes a file that it may only read for one that never changes, and what it reads
        of two states for damage.
        """
        before = self._opened_at
        try:
            yield
        except SetDamaged as exc:
            if self.read_only and state_of(self._file) != before:
                raise SetBusy(
                    f"{self._file}: the catalogue was changed while it was read; try again"
                ) from exc
            raise

    def _up_to_date(self) -> Engine:
        """Return the engine; opened anew where this process may only read and others wrote.

        SQLite takes a file that it may only read for one that never changes.
        """
        if not self.read_only:
            return self._engine
        with self._reopening:
            state = state_of(self._file)
            if state != self._opened_at:
                self._engine.dispose()
                self._engine = open_engine(self._file, wait_s=self._wait_s)
                self._opened_at = state
            return self._engine
