"""Reading the catalogue: SQL rows in, immutable records out.

Every function takes an open connection and reads in its caller's transaction. Plain Core
queries, because entities would be several times slower for tens of thousands of photos.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Connection, Select, exists, func, select

from loupebook.errors import RecordNotFound, SetDamaged
from loupebook.records.advice import RESTORE
from loupebook.records.filters import SpecimenFilter, filter_conditions, normal_name
from loupebook.records.model import (
    DesignNames,
    EditionRecord,
    EventRecord,
    IntakeState,
    PhotoFacts,
    PhotoRecord,
    Serial,
    SetInfo,
    SpecimenRecord,
)
from loupebook.records.rows import (
    ELEMENTS,
    LIGHTINGS,
    STANDINGS,
    STATES,
    VIEWS,
    photo_record,
    specimen_record,
)
from loupebook.records.tables import (
    EditionRow,
    EventRow,
    MarqueRow,
    PhotoRow,
    PointRow,
    PrintOriginRow,
    SerialRow,
    SetInfoRow,
    SpecimenRow,
)
from loupebook.records.text import shown

LARGEST_NUMBER = 2**63 - 1
"""Of a row; what is larger names none, and SQLite takes no larger integer."""
_SPECIMEN_COLUMNS = (
    SpecimenRow.name,
    SpecimenRow.element,
    SpecimenRow.standing,
    SpecimenRow.state,
    MarqueRow.name.label("marque"),
    EditionRow.name.label("edition"),
    PrintOriginRow.name.label("origin"),
    SpecimenRow.source,
    SpecimenRow.confirmed_by,
    SpecimenRow.confirmed_on,
    SpecimenRow.basis,
    SpecimenRow.entered_by,
    SpecimenRow.entered_at,
    SpecimenRow.notes,
    SpecimenRow.withdrawn_reason,
    SpecimenRow.id,
)


def set_info(connection: Connection) -> SetInfo:
    """Return what the set says of itself.

    Raises
    ------
    SetDamaged
        The row is missing.
    """
    row = connection.execute(select(SetInfoRow.__table__)).one_or_none()
    if row is None:
        raise SetDamaged(f"the catalogue lacks the set's own row; {RESTORE}")
    return SetInfo(
        row.set_id, row.name, row.created_at, row.change_counter, bool(row.two_person), row.notice
    )


def list_specimens(
    connection: Connection, wanted: SpecimenFilter, *, offset: int = 0, limit: int | None = None
) -> list[SpecimenRecord]:
    """Return specimens in the order of their names, with their serials."""
    query = _named(select(*_SPECIMEN_COLUMNS).select_from(SpecimenRow)).where(
        *filter_conditions(wanted)
    )
    query = query.order_by(SpecimenRow.name).offset(offset).limit(limit)
    rows = connection.execute(query).all()
    serials = _serials(connection, [row.id for row in rows])
    return [specimen_record(row, serials[row.id]) for row in rows]


def count_specimens(connection: Connection, wanted: SpecimenFilter) -> int:
    """Return how many specimens a filter leaves."""
    query = _named(select(func.count()).select_from(SpecimenRow)).where(*filter_conditions(wanted))
    return int(connection.execute(query).scalar_one())


def specimen_named(connection: Connection, name: str) -> SpecimenRecord | None:
    """Return the specimen of exactly that name, or None."""
    query = _named(select(*_SPECIMEN_COLUMNS).select_from(SpecimenRow)).where(
        SpecimenRow.name == name
    )
    row = connection.execute(query).one_or_none()
    return None if row is None else specimen_record(row, _serials(connection, [row.id])[row.id])


def required_specimen(connection: Connection, name: str) -> SpecimenRecord:
    """Return the specimen of that name (trimmed, NFC).

    Raises
    ------
    RecordNotFound
        There is none.
    """
    found = specimen_named(connection, normal_name(name))
    if found is None:
        raise RecordNotFound(f"the set has no specimen named {shown(name)}")
    return found


def state_before_withdrawal(connection: Connection, name: str) -> IntakeState:
    """Return the state that a withdrawn specimen was withdrawn from."""
    query = select(SpecimenRow.state_before_withdrawal).where(SpecimenRow.name == name)
    return STATES[connection.execute(query).scalar_one() or ""]


def list_photos(connection: Connection, *conditions: ColumnElement[bool]) -> list[PhotoRecord]:
    """Return the photos that meet the conditions, in the order of their ids."""
    query = (
        select(PhotoRow.__table__, SpecimenRow.name.label("specimen"))
        .join_from(PhotoRow, SpecimenRow)
        .where(*conditions)
        .order_by(PhotoRow.id)
    )
    return [photo_record(row) for row in connection.execute(query)]


def photos_sized(
    connection: Connection, width: int, height: int, after: int
) -> list[tuple[int, str]]:
    """Return id and SHA-256 of photos of a size, by id, those after an id only."""
    query = (
        select(PhotoRow.id, PhotoRow.sha256)
        .where(PhotoRow.id > after, PhotoRow.width == width, PhotoRow.height == height)
        .order_by(PhotoRow.id)
    )
    return [(row[0], row[1]) for row in connection.execute(query)]


class StoredPhoto(NamedTuple):
    """What a check needs to know of a photo, readable even from a damaged catalogue."""

    photo_id: int
    sha256: str
    byte_count: int
    file_name: str
    specimen: str | None


def stored_photos(connection: Connection) -> list[StoredPhoto]:
    """Return every photo row by id, even one whose specimen is not there."""
    query = (
        select(
            PhotoRow.id,
            PhotoRow.sha256,
            PhotoRow.byte_count,
            PhotoRow.file_name,
            SpecimenRow.name,
        )
        .outerjoin_from(PhotoRow, SpecimenRow)
        .order_by(PhotoRow.id)
    )
    return [StoredPhoto(*row) for row in connection.execute(query)]


def photo_numbered(connection: Connection, photo_id: int) -> PhotoRecord:
    """Return one photo.

    Raises
    ------
    RecordNotFound
        There is none of that number.
    """
    if abs(photo_id) <= LARGEST_NUMBER:
        for photo in list_photos(connection, PhotoRow.id == photo_id):
            return photo
    raise RecordNotFound(f"the set has no photo number {photo_id}")


def indexable(connection: Connection) -> dict[int, str]:
    """Return photo id → SHA-256 of the photos of confirmed specimens."""
    query = (
        select(PhotoRow.id, PhotoRow.sha256)
        .join_from(PhotoRow, SpecimenRow)
        .where(SpecimenRow.state == IntakeState.CONFIRMED.value)
        .order_by(PhotoRow.id)
    )
    return dict(connection.execute(query).all())


def facts(connection: Connection, photo_ids: Iterable[int] | None) -> dict[int, PhotoFacts]:
    """Return photo id → facts, in one query, by id.

    Parameters
    ----------
    connection : Connection
        Open connection.
    photo_ids : iterable of int or None
        The photos wanted, of specimens in any state; ids that the set lacks are left out.
        None means those of :func:`indexable`.
    """
    query = _named(
        select(
            PhotoRow.id,
            SpecimenRow.name,
            SpecimenRow.element,
            SpecimenRow.standing,
            MarqueRow.name,
            EditionRow.name,
            PrintOriginRow.name,
            PhotoRow.view,
            PhotoRow.lighting,
            SpecimenRow.state,
        ).join_from(PhotoRow, SpecimenRow, PhotoRow.specimen_id == SpecimenRow.id)
    ).order_by(PhotoRow.id)
    if photo_ids is None:
        query = query.where(SpecimenRow.state == IntakeState.CONFIRMED.value)
    else:
        query = query.where(PhotoRow.id.in_(_listed(photo_ids)))
    return {
        number: PhotoFacts(
            *(name, ELEMENTS[element], STANDINGS[standing], marque, edition, origin),
            *(VIEWS[view], LIGHTINGS[lighting], STATES[state]),
        )
        for number, name, element, standing, marque, edition, origin, view, lighting, state in (
            connection.execute(query).all()
        )
    }


def list_design_names(connection: Connection) -> list[DesignNames]:
    """Return how specimens on record name their designs, each combination once."""
    query = _named(
        select(SpecimenRow.element, MarqueRow.name, EditionRow.name, PrintOriginRow.name)
        .select_from(SpecimenRow)
        .distinct()
    )
    return [
        DesignNames(ELEMENTS[element], marque, edition, origin)
        for element, marque, edition, origin in connection.execute(query)
    ]


def list_marques(connection: Connection) -> list[str]:
    """Return the names of all marques, sorted."""
    return list(connection.execute(select(MarqueRow.name).order_by(MarqueRow.name)).scalars())


def list_origins(connection: Connection) -> list[str]:
    """Return the names of all print origins, sorted."""
    query = select(PrintOriginRow.name).order_by(PrintOriginRow.name)
    return list(connection.execute(query).scalars())


def list_editions(connection: Connection) -> list[EditionRecord]:
    """Return the editions with specimens or points in use, by marque, element and name.

    An edition that only has points taken out of use stays on record for the examinations that
    refer to them.
    """
    in_use = exists().where(PointRow.edition_id == EditionRow.id, PointRow.retired_at.is_(None))
    query = (
        select(MarqueRow.name, EditionRow.element, EditionRow.name)
        .join_from(EditionRow, MarqueRow)
        .where(in_use | exists().where(SpecimenRow.edition_id == EditionRow.id))
        .order_by(MarqueRow.name, EditionRow.element, EditionRow.name)
    )
    return [EditionRecord(row[0], ELEMENTS[row[1]], row[2]) for row in connection.execute(query)]


def list_events(connection: Connection, specimen: str | None) -> list[EventRecord]:
    """Return the log, oldest first, of one specimen or of the whole set."""
    query = select(EventRow.__table__).order_by(EventRow.id)
    if specimen is not None:
        query = query.where(EventRow.specimen == normal_name(specimen))
    return [EventRecord(*row) for row in connection.execute(query)]


def _named(query: Select[*tuple[Any, ...]]) -> Select[*tuple[Any, ...]]:
    return (
        query.outerjoin(MarqueRow, SpecimenRow.marque_id == MarqueRow.id)
        .outerjoin(EditionRow, SpecimenRow.edition_id == EditionRow.id)
        .outerjoin(PrintOriginRow, SpecimenRow.origin_id == PrintOriginRow.id)
    )


def _listed(ids: Iterable[int]) -> Select[Any]:
    # One JSON parameter, because SQLite limits how many parameters a query may have.
    table = func.json_each(json.dumps([int(i) for i in ids])).table_valued("value")
    return select(table.c.value)


def _serials(connection: Connection, specimen_ids: Iterable[int]) -> dict[int, list[Serial]]:
    query = (
        select(SerialRow.specimen_id, SerialRow.value, SerialRow.place)
        .where(SerialRow.specimen_id.in_(_listed(specimen_ids)))
        .order_by(SerialRow.id)
    )
    found: dict[int, list[Serial]] = defaultdict(list)
    for specimen_id, value, place in connection.execute(query):
        found[specimen_id].append(Serial(value, place or None))
    return found
