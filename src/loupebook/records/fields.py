"""A specimen's row as named fields, read and written: what edits and their undoing work on.

Fields bear their manifest names; ``serials`` is a list of ``[value, place]``, place ``None``
where it is not recorded. ``None`` is "not recorded".
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import delete, exists, select, update

from loupebook.records import queries
from loupebook.records.change import Change
from loupebook.records.model import Provenance, Serial, SpecimenRecord
from loupebook.records.tables import (
    EditionRow,
    MarqueRow,
    PhotoRow,
    PointRow,
    PrintOriginRow,
    SerialRow,
    SpecimenRow,
)

STATED = ("element", "standing", "marque", "edition", "origin")
"""What a confirmation vouches for."""
CONFIRMATION = ("confirmed_by", "confirmed_on", "basis")
"""Who confirmed a standing, when, on what grounds."""
PROVENANCE = ("source", *CONFIRMATION)
EDITABLE = (*STATED, *PROVENANCE, "serials", "notes")
"""What an edit may change. The name stays: the log knows a specimen by it."""
STATE = ("state", "state_before_withdrawal", "withdrawn_reason")
_PLAIN = (*PROVENANCE, *STATE, "standing", "notes")


def read_fields(change: Change, name: str) -> dict[str, Any]:
    """Return every field of a specimen.

    Raises
    ------
    RecordNotFound
        There is none of that name.
    """
    record = queries.required_specimen(change.connection, name)
    before = select(SpecimenRow.state_before_withdrawal).where(SpecimenRow.name == record.name)
    return {
        **fields_of(record),
        "state": record.state.value,
        "state_before_withdrawal": change.connection.execute(before).scalar_one(),
        "withdrawn_reason": record.withdrawn_reason,
    }


def fields_of(record: SpecimenRecord) -> dict[str, Any]:
    """Return the editable fields of a record as plain values."""
    return {
        **{field: plain(getattr(record, field)) for field in STATED},
        **{field: getattr(record.provenance, field) for field in PROVENANCE},
        "serials": [[serial.value, serial.place] for serial in record.serials],
        "notes": record.notes,
    }


def plain(value: Any) -> Any:
    """Return a member of a vocabulary as its word, and anything else as it is."""
    return getattr(value, "value", value)


def record_with(record: SpecimenRecord, fields: Mapping[str, Any]) -> SpecimenRecord:
    """Return a record with some of its editable fields replaced."""
    values = {
        field: getattr(record, field)
        for field in ("name", "state", *STATED, "notes", "withdrawn_reason")
    }
    provenance = {
        field: getattr(record.provenance, field)
        for field in (*PROVENANCE, "entered_by", "entered_at")
    }
    serials = record.serials
    for field, value in fields.items():
        if field in provenance:
            provenance[field] = value
        elif field == "serials":
            serials = tuple(Serial(*serial) for serial in value)
        else:
            values[field] = value
    return SpecimenRecord(**values, provenance=Provenance(**provenance), serials=serials)


def write_fields(change: Change, name: str, fields: Mapping[str, Any]) -> None:
    """Write some fields of a specimen, together; names no longer used by any are forgotten.

    Where the last specimen leaves an edition, as when a misspelt name is corrected, the points of
    comparison drawn on its photos go with them, unless the new edition has points of its own.
    """
    row = change.session.scalars(select(SpecimenRow).filter_by(name=name)).one()
    for field in _PLAIN:
        if field in fields:
            setattr(row, field, fields[field])
    edition_before = row.edition_id
    if fields.keys() & {"element", "marque", "edition", "origin"}:
        _write_design(change, name, row, fields)
    change.session.flush()
    if edition_before is not None and row.edition_id not in (None, edition_before):
        _take_points_along(change, edition_before, row.edition_id)
    if "serials" in fields:
        change.session.execute(delete(SerialRow).where(SerialRow.specimen_id == row.id))
        add_serials(change, row.id, [Serial(*serial) for serial in fields["serials"]])
    _forget_unused(change)


def id_of(
    change: Change,
    table: type[MarqueRow] | type[EditionRow] | type[PrintOriginRow],
    *,
    name: str | None,
    **owner: int | str | None,
) -> int | None:
    """Return the row id of a name, which is entered where it is new; None for no name."""
    if name is None:
        return None
    row = change.session.scalars(select(table).filter_by(name=name, **owner)).one_or_none()
    if row is None:
        row = table(name=name, **owner)
        change.session.add(row)
        change.session.flush()
    return row.id


def add_serials(change: Change, specimen_id: int, serials: list[Serial]) -> None:
    """Add serials to a specimen's, those it has already left out."""
    held = change.session.execute(
        select(SerialRow.value, SerialRow.place).filter_by(specimen_id=specimen_id)
    )
    present = {(value, place) for value, place in held}
    for serial in serials:
        if (serial.value, serial.place or "") not in present:
            change.session.add(
                SerialRow(specimen_id=specimen_id, value=serial.value, place=serial.place or "")
            )
            change.session.flush()  # one by one, so that their order is kept


def _write_design(change: Change, name: str, row: SpecimenRow, fields: Mapping[str, Any]) -> None:
    recorded = queries.required_specimen(change.connection, name)
    wanted = {field: plain(getattr(recorded, field)) for field in STATED} | dict(fields)
    marque_id = id_of(change, MarqueRow, name=wanted["marque"])
    row.edition_id = id_of(
        change,
        EditionRow,
        name=wanted["edition"],
        marque_id=marque_id,
        element=wanted["element"],
    )
    row.marque_id = marque_id
    row.element = wanted["element"]
    row.origin_id = id_of(change, PrintOriginRow, name=wanted["origin"])


def _take_points_along(change: Change, before: int, after: int) -> None:
    """Give points to the edition that their photos belong to now, once the old one is empty."""
    left = select(SpecimenRow.id).where(SpecimenRow.edition_id == before)
    has_own = select(PointRow.id).where(PointRow.edition_id == after, PointRow.retired_at.is_(None))
    for in_the_way in (left, has_own):
        if change.connection.execute(in_the_way).first() is not None:
            return
    drawn = (
        select(PointRow.id)
        .join(PhotoRow, PhotoRow.id == PointRow.photo_id)
        .join(SpecimenRow, SpecimenRow.id == PhotoRow.specimen_id)
        .where(PointRow.edition_id == before, SpecimenRow.edition_id == after)
        .order_by(PointRow.id)
    )
    numbers = list(change.connection.execute(drawn).scalars())
    if numbers:
        moved = update(PointRow).where(PointRow.id.in_(numbers)).values(edition_id=after)
        change.session.execute(moved.execution_options(synchronize_session=False))
        edition = change.session.get_one(EditionRow, after).name
        change.log("move-points", None, {"points": numbers, "edition": edition}, counts=False)


def _forget_unused(change: Change) -> None:
    """Drop editions, marques and origins that nothing refers to any more (typing mistakes)."""
    with_points = exists().where(PointRow.edition_id == EditionRow.id)
    with_specimens = exists().where(SpecimenRow.edition_id == EditionRow.id)
    for unused in (
        delete(EditionRow).where(~with_points, ~with_specimens),
        delete(MarqueRow).where(
            ~exists().where(SpecimenRow.marque_id == MarqueRow.id),
            ~exists().where(EditionRow.marque_id == MarqueRow.id),
        ),
        delete(PrintOriginRow).where(~exists().where(SpecimenRow.origin_id == PrintOriginRow.id)),
    ):
        change.session.execute(unused.execution_options(synchronize_session=False))
