"""Examinations on record: each revision once, never changed, with the images it names.

The images of an examination (the query, aligned pictures, maps) lie under
``<set>/examinations`` by SHA-256, apart from the references. A document is canonical JSON
(sorted keys, no spaces, Unicode as it is); its SHA-256 stands beside it and in the log.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, case, func, select

from loupebook.errors import RecordConflict, RecordNotFound, SetDamaged
from loupebook.records.advice import RESTORE
from loupebook.records.catalogue import Catalogue
from loupebook.records.change import now
from loupebook.records.photo_store import PhotoStore, digest
from loupebook.records.text import clean_name
from loupebook.records.work_tables import ExaminationRow

IMAGE_FOLDER = "examinations"


@dataclass(frozen=True)
class ExaminationRecord:
    """One revision of an examination as it was saved.

    Parameters
    ----------
    number : int
        Number of the examination within the set.
    revision : int
        From 1; a later one supplements marks and notes, the earlier ones stay.
    title : str
        What was examined, in the examiner's words.
    at, by : str
        When and by whom this revision was saved.
    sha256 : str
        Of the document.
    document : mapping
        Everything else; see ``loupebook.library.examinations``.
    """

    number: int
    revision: int
    title: str
    at: str
    by: str
    sha256: str
    document: Mapping[str, Any]


@dataclass(frozen=True)
class ExaminationLine:
    """What a list shows of an examination: its latest revision, without the document.

    Parameters
    ----------
    number, revision, title, at, by
        As of :class:`ExaminationRecord`.
    file_name : str, optional
        Of the photo that was examined; `None` where the document does not say.
    searched : str, optional
        SHA-256 of the picture that was searched, likewise.
    serials : tuple of (str, str)
        Place and number of each serial number read on the item.
    """

    number: int
    revision: int
    title: str
    at: str
    by: str
    file_name: str | None = None
    searched: str | None = None
    serials: tuple[tuple[str, str], ...] = ()


class Examinations:
    """The examinations of one set.

    Parameters
    ----------
    catalogue : Catalogue
        The opened catalogue.
    """

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self._images = PhotoStore(catalogue.folder / IMAGE_FOLDER)

    def save(
        self,
        title: str,
        document: Mapping[str, Any],
        images: Iterable[bytes],
        *,
        by: str,
        supplements: tuple[int, int] | None = None,
    ) -> ExaminationRecord:
        """Save an examination, or a further revision of one.

        Parameters
        ----------
        title : str
            What was examined.
        document : mapping
            Plain JSON values.
        images : iterable of bytes
            The images that it names by SHA-256 and that are no references of the set.
        by : str
            Who saves.
        supplements : (int, int), optional
            Number of the examination and the revision that the new one is based on.

        Raises
        ------
        RecordConflict
            Somebody else has saved a revision meanwhile.
        RecordNotFound
            There is no such examination to supplement.
        RecordInvalid
            The title or name is not allowed.
        """
        title = clean_name(title, "title")
        for image in images:
            self._images.put(image)
        text = canonical(document)
        with self._catalogue._changing(by) as change:
            number, revision = self._place(change.connection, supplements)
            row = ExaminationRow(
                number=number, revision=revision, title=title, at=now(), by=change.by,
                document=text, sha256=digest(text.encode()),
            )  # fmt: skip
            change.session.add(row)
            saved = _record(row)
            change.log(
                "save-examination",
                None,
                {"examination": number, "revision": revision, "sha256": saved.sha256},
                counts=False,
            )
        return saved

    def _place(self, connection: Any, supplements: tuple[int, int] | None) -> tuple[int, int]:
        if supplements is None:
            highest = connection.execute(select(func.max(ExaminationRow.number))).scalar_one()
            return (highest or 0) + 1, 1
        number, revision = supplements
        query = select(func.max(ExaminationRow.revision)).where(ExaminationRow.number == number)
        latest = connection.execute(query).scalar_one()
        if latest is None:
            raise RecordNotFound(f"the set has no examination number {number}")
        if latest != revision:
            raise RecordConflict(
                f"examination {number} was saved again meanwhile (revision {latest}); open it "
                "anew and add to that"
            )
        return number, latest + 1

    def revisions(self) -> list[tuple[int, int]]:
        """Return number and revision of everything on record, the oldest first."""
        query = select(ExaminationRow.number, ExaminationRow.revision).order_by(ExaminationRow.id)
        with self._catalogue._reading() as connection:
            return [(number, revision) for number, revision in connection.execute(query)]

    def lines(self) -> list[ExaminationLine]:
        """Return the latest revision of every examination, newest first."""
        latest = (
            select(func.max(ExaminationRow.id)).group_by(ExaminationRow.number).scalar_subquery()
        )
        query = (
            select(
                ExaminationRow.number,
                ExaminationRow.revision,
                ExaminationRow.title,
                ExaminationRow.at,
                ExaminationRow.by,
                _told("$.examined.file_name"),
                _told("$.examined.searched"),
                _told("$.serials.read"),
            )
            .where(ExaminationRow.id.in_(latest))
            .order_by(ExaminationRow.number.desc())
        )
        with self._catalogue._reading() as connection:
            return [_line(row) for row in connection.execute(query)]

    def get(self, number: int, revision: int | None = None) -> ExaminationRecord:
        """Return one revision of an examination, the latest unless another is asked for.

        Raises
        ------
        RecordNotFound
            There is none of that number, or no such revision of it.
        SetDamaged
            The document is not the one that was saved.
        """
        query = select(ExaminationRow.__table__).where(ExaminationRow.number == number)
        if revision is not None:
            query = query.where(ExaminationRow.revision == revision)
        query = query.order_by(ExaminationRow.revision.desc()).limit(1)
        with self._catalogue._reading() as connection:
            row = connection.execute(query).one_or_none()
        if row is None:
            named = f"number {number}" + (f", revision {revision}" if revision is not None else "")
            raise RecordNotFound(f"the set has no examination {named}")
        if digest(row.document.encode()) != row.sha256:
            raise SetDamaged(
                f"examination {number}, revision {row.revision}: the document was altered (its "
                f"SHA-256 differs from the one saved with it); {RESTORE}"
            )
        return _record(row)

    def image(self, sha256: str) -> bytes:
        """Return an image of an examination, verified.

        Raises
        ------
        SetDamaged
            The file is missing or altered.
        """
        return self._images.read(sha256)


def canonical(document: Mapping[str, Any]) -> str:
    """Return JSON values as the one text that is hashed."""
    return json.dumps(document, ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def _told(path: str) -> ColumnElement[str | None]:
    """Read one fact out of a document; an altered one must not stop the list."""
    document = ExaminationRow.document
    found = func.json_extract(document, path)
    return case((func.json_valid(document) == 1, found), else_=None)


def _line(row: Any) -> ExaminationLine:
    number, revision, title, at, by, file_name, searched, read = row
    try:
        serials = tuple((one["place"], one["number"]) for one in json.loads(read or "[]"))
    except (ValueError, TypeError, KeyError):
        # Altered by hand; opening the examination says so.
        serials = ()
    return ExaminationLine(number, revision, title, at, by, file_name, searched, serials)


def _record(row: Any) -> ExaminationRecord:
    document = json.loads(row.document)
    return ExaminationRecord(
        row.number, row.revision, row.title, row.at, row.by, row.sha256, document
    )
