"""The catalogue of one set: what is known, and the photos that show it.

A set is a folder: ``catalogue.sqlite`` (the truth), ``photos/`` (original bytes by
SHA-256) and ``derived/`` (made by other rooms; may be deleted at any time). A catalogue
may be used from several threads at once, and a set from several processes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sqlalchemy.orm import Session

from loupebook.errors import SetDamaged, SetError, SetNotFound
from loupebook.records import adding, editing, standing_changes
from loupebook.records.adding import AddOutcome
from loupebook.records.advice import RESTORE
from loupebook.records.change import Change
from loupebook.records.checks import clean_photo, clean_record, optional
from loupebook.records.creation import make_set
from loupebook.records.engine import inode_of, translated, writing
from loupebook.records.migrations import bring_up_to_date
from loupebook.records.model import NewPhoto, PhotoRecord, SetInfo, SpecimenRecord
from loupebook.records.outcome import Outcome
from loupebook.records.reading import CATALOGUE_FILE, CatalogueReader
from loupebook.records.text import clean_date, clean_line, clean_name, clean_notes

DEFAULT_WAIT_S = 15.0
"""How long a write waits for another process's write, in seconds."""


class Catalogue(CatalogueReader):
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
        super().__init__(folder, wait_s=wait_s)
        self._writing = writing(self._engine)
        self._inode = inode_of(self._file)

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
        folder = Path(folder)
        make_set(
            folder,
            name=clean_name(name, "name"),
            notice=None if notice is None else clean_notes(notice, "notice"),
            two_person=two_person,
        )
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
            raise SetDamaged(f"{file}: the catalogue is empty; {RESTORE}")
        catalogue = cls(folder, wait_s=wait_s)
        try:
            with catalogue._moved_told_apart(), translated(file):
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
        set that asks for two persons a new specimen enters as proposed, and a confirmed one
        that gets photos or more of its design is proposed again.

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
        self,
        name: str,
        *,
        by: str,
        basis: str | None = None,
        on: str | None = None,
        seen: int | None = None,
    ) -> Outcome[SpecimenRecord]:
        """Confirm a proposed specimen; see :func:`.standing_changes.confirm`."""
        basis = optional(clean_line, basis, "basis")
        on = optional(clean_date, on, "confirmed_on")
        with self._changing(by) as change:
            return standing_changes.confirm(change, name, basis=basis, on=on, seen=seen)

    def withdraw(self, name: str, *, by: str, reason: str) -> Outcome[SpecimenRecord]:
        """Withdraw a specimen; see :func:`.standing_changes.withdraw`."""
        reason = clean_line(reason, "reason")
        with self._changing(by) as change:
            return standing_changes.withdraw(change, name, reason=reason)

    def reinstate(self, name: str, *, by: str) -> Outcome[SpecimenRecord]:
        """Bring a withdrawn specimen back; see :func:`.standing_changes.reinstate`."""
        with self._changing(by) as change:
            return standing_changes.reinstate(change, name)

    def edit_specimen(
        self, name: str, changes: Mapping[str, Any], *, by: str, reason: str
    ) -> Outcome[SpecimenRecord]:
        """Correct fields of a specimen; see :func:`.editing.edit_specimen`."""
        reason = clean_line(reason, "reason")
        with self._changing(by) as change:
            return editing.edit_specimen(change, name, changes, reason=reason)

    def edit_photo(
        self, photo_id: int, changes: Mapping[str, Any], *, by: str, reason: str
    ) -> Outcome[PhotoRecord]:
        """Correct how a photo was taken or what it shows; see :func:`.editing.edit_photo`."""
        reason = clean_line(reason, "reason")
        with self._changing(by) as change:
            return editing.edit_photo(change, photo_id, changes, reason=reason)

    def edit_set(self, changes: Mapping[str, Any], *, by: str, reason: str) -> Outcome[SetInfo]:
        """Change name, notice or the rule of two persons; see :func:`.editing.edit_set`."""
        reason = clean_line(reason, "reason")
        with self._changing(by) as change:
            return editing.edit_set(change, changes, reason=reason)

    def undo(self, event_id: int, *, by: str, reason: str) -> Outcome[SpecimenRecord]:
        """Put back what a line of the log changed; see :func:`.editing.undo`."""
        reason = clean_line(reason, "reason")
        with self._changing(by) as change:
            return editing.undo(change, event_id, reason=reason)

    def remove_temporary_files(self) -> list[Path]:
        """Remove what writers that were killed left half-written; return what was removed.

        Complete photo files that no row refers to are kept.
        """
        # Under the write lock no writer is at work, so none of these is still needed.
        with self._changing("loupebook"):
            return self._store.remove_temporary()

    @contextmanager
    def _changing(self, by: str, *, keep: bool = True) -> Iterator[Change]:
        author = clean_name(by, "by")
        if self.read_only:
            raise SetError(
                f"{self.folder}: the set can only be read here; copy it to a folder of your own"
            )
        with translated(self._file), Session(self._writing) as session:
            session.connection()
            self._require_in_place()
            change = Change(session, author)
            yield change
            if keep and change.logged:
                self._require_in_place()
                session.commit()

    def _require_in_place(self) -> None:
        """Refuse to write to a file that nobody will find: SQLite goes on with a deleted one."""
        if inode_of(self._file) != self._inode:
            raise SetNotFound(
                f"{self._file}: the catalogue was deleted or replaced while it was open; nothing "
                "was changed; open the set again"
            )
