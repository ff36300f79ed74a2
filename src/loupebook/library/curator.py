"""The curator's part of the facade: correcting, confirming, drafts, people, exchange."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loupebook.imaging import decode_photo
from loupebook.library import exchange
from loupebook.library.curating import (
    EntryRemark,
    missing_remarks,
    picture_remarks,
    serial_remarks,
)
from loupebook.library.exchange import ExportOptions, ExportReport, ImportReport
from loupebook.library.intake import IncomingPhoto, read_source
from loupebook.library.people import acting
from loupebook.library.spellings import spelling_remarks
from loupebook.records.catalogue import Catalogue
from loupebook.records.drafts import Drafts
from loupebook.records.history import FieldChange
from loupebook.records.model import EventRecord, PhotoRecord, SetInfo, SpecimenRecord
from loupebook.records.outcome import Outcome
from loupebook.records.people import People, Person, Role
from loupebook.search import Progress, no_progress


class CuratorMethods:
    """What a curator and an administrator do; mixed into the library."""

    _catalogue: Catalogue

    # ------------------------------------------------------------------ persons

    @property
    def person(self) -> Person | None:
        """Who works on the set; None for a single user, who may do everything."""
        return None

    def may(self, action: str) -> bool:  # noqa: ARG002 (with a person it is asked of the roles)
        """Return whether the person may do an action of :data:`.people.ACTIONS`."""
        return True

    def as_person(self, person: Person) -> Any:
        """Return this library as that person may use it."""
        return acting(self, person)  # type: ignore[arg-type]

    def people(self) -> list[Person]:
        """Return the persons of the set and their roles."""
        return People(self._catalogue).all()

    def person_of(self, *identities: str) -> Person:
        """Return the person whom an identity provider knows by one of these identities.

        Raises
        ------
        RecordNotFound
            Nobody of the set is known so.
        """
        return People(self._catalogue).with_identity(*identities)

    def set_person(self, name: str, *, identity: str, roles: Iterable[Role], by: str) -> Person:
        """Enter a person or change identity and roles; no roles lock the person out."""
        return People(self._catalogue).put(name, identity=identity, roles=roles, by=by)

    # ------------------------------------------------------------------ correcting

    def edit_specimen(
        self, name: str, changes: Mapping[str, Any], *, by: str, reason: str
    ) -> Outcome[SpecimenRecord]:
        """Correct fields of a specimen, with a reason; the log keeps what was there before.

        Parameters
        ----------
        name : str
            The specimen.
        changes : mapping
            Field to its new value: ``element``, ``standing``, ``marque``, ``edition``,
            ``origin``, ``source``, ``confirmed_by``, ``confirmed_on``, ``basis``, ``notes``,
            or ``serials`` as a list of ``[value, place]``. None clears a field.
        by : str
            Who.
        reason : str
            Why.

        Returns
        -------
        Outcome
            What was written; nothing, and no line in the log, where all of it was so already.
        """
        return self._catalogue.edit_specimen(name, changes, by=by, reason=reason)

    def edit_photo(
        self, photo_id: int, changes: Mapping[str, Any], *, by: str, reason: str
    ) -> Outcome[PhotoRecord]:
        """Correct ``view``, ``lighting``, ``px_per_mm`` or ``specimen`` of a photo.

        The outcome names a specimen that lost its last photo by it.
        """
        return self._catalogue.edit_photo(photo_id, changes, by=by, reason=reason)

    def edit_set(self, changes: Mapping[str, Any], *, by: str, reason: str) -> Outcome[SetInfo]:
        """Change ``name``, ``notice`` or ``two_person`` of the set, with a reason."""
        return self._catalogue.edit_set(changes, by=by, reason=reason)

    def undo(self, line: int, *, by: str, reason: str) -> Outcome[SpecimenRecord]:
        """Put back what a line of the log changed; the outcome has the specimen concerned.

        Raises
        ------
        RecordConflict
            Something has changed it since, or there is nothing to put back.
        """
        return self._catalogue.undo(line, by=by, reason=reason)

    def field_history(self, specimen: str) -> list[FieldChange]:
        """Return every change of every field of a specimen, oldest first."""
        return self._catalogue.field_history(specimen)

    def log(self) -> list[EventRecord]:
        """Return the whole log, oldest first."""
        return self._catalogue.events()

    # ------------------------------------------------------------------ entering

    @property
    def drafts(self) -> Drafts:
        """Specimens that somebody has begun to enter."""
        return Drafts(self._catalogue.folder)

    def entry_remarks(
        self,
        record: SpecimenRecord,
        photos: Sequence[IncomingPhoto],
        nearest: Mapping[int, Sequence[int]] | None = None,
    ) -> list[EntryRemark]:
        """Return what to look at twice before a specimen is entered.

        Parameters
        ----------
        record : SpecimenRecord
            What is to be entered.
        photos : sequence of IncomingPhoto
            Its photos.
        nearest : mapping, optional
            Place in `photos` to the ids of the reference photos that a search found nearest;
            pictures are compared with those.
        """
        nearest = nearest or {}
        pictures = [_opened(photo, wanted=place in nearest) for place, photo in enumerate(photos)]
        taken = [(photo.view, photo.lighting) for photo in photos]
        return [
            *serial_remarks(self._catalogue, record),
            *spelling_remarks(self._catalogue, [record]),
            *picture_remarks(self._catalogue, record.name, pictures, nearest, self._pixels_of),
            *missing_remarks(record.element, taken),
        ]

    def _pixels_of(self, photo_id: int) -> NDArray[np.uint8]:
        return decode_photo(self._catalogue.photo_bytes(photo_id)).pixels

    # ------------------------------------------------------------------ exchange

    def export_bag(
        self,
        out: Path,
        *,
        by: str,
        options: ExportOptions | None = None,
        progress: Progress = no_progress,
    ) -> ExportReport:
        """Write the set, or a part of it, as a bag (RFC 8493): a folder, or a ``.zip`` of one.

        Raises
        ------
        SetExists
            Something is at `out` already.
        QueryInvalid
            A filter is not known, or leaves nothing.
        """
        wanted = options or ExportOptions({})
        return exchange.export_bag(self._catalogue, out, wanted, by=by, progress=progress)

    def export_folder(
        self,
        out: Path,
        *,
        by: str,
        options: ExportOptions | None = None,
        progress: Progress = no_progress,
    ) -> ExportReport:
        """Write the same as a plain folder with ``manifest.csv``."""
        wanted = options or ExportOptions({})
        return exchange.export_folder(self._catalogue, out, wanted, by=by, progress=progress)

    def import_bag(
        self,
        bag: Path,
        *,
        by: str,
        dry_run: bool = False,
        prefix: str = "",
        leave_out: Sequence[str] = (),
        as_proposed: bool = False,
        progress: Progress = no_progress,
    ) -> ImportReport:
        """Take a bag of another library in, whole or not at all.

        Parameters
        ----------
        bag : Path
            A folder or a ZIP file.
        by : str
            Who takes it in.
        dry_run : bool
            Only say what would happen.
        prefix : str
            Put before the name of each specimen, where names would clash.
        leave_out : sequence of str
            Specimens of the bag to leave out, by their names there.
        as_proposed : bool
            Let a person of this library confirm what the other has confirmed; so it is
            always where the set asks for two persons.
        progress : callable, optional
            Called with (what, done, total).

        Returns
        -------
        ImportReport
            With every conflict; where there is one, nothing was written.

        Raises
        ------
        BagRefused
            The bag is not sound; the error says everything that is wrong.
        """
        return exchange.import_bag(
            self._catalogue,
            bag,
            by=by,
            dry_run=dry_run,
            prefix=prefix,
            leave_out=leave_out,
            as_proposed=as_proposed,
            progress=progress,
        )


def _opened(photo: IncomingPhoto, *, wanted: bool) -> tuple[bytes, NDArray[np.uint8] | None]:
    """Return the bytes of a photo, and its pixels where they are wanted."""
    data = read_source(photo)
    return data, decode_photo(data).pixels if wanted else None
