"""Confirming, withdrawing and reinstating a specimen. Nothing is ever deleted.

Each function returns the specimen as it is recorded afterwards; asking for what is the
case already changes nothing.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from loupebook.errors import RecordConflict, RecordInvalid
from loupebook.records import queries
from loupebook.records.change import Change
from loupebook.records.fields import read_fields, write_fields
from loupebook.records.model import IntakeState, SpecimenRecord
from loupebook.records.text import same_person_key, shown


def confirm(
    change: Change, name: str, *, basis: str | None = None, on: str | None = None
) -> SpecimenRecord:
    """Confirm a proposed specimen in the name of the one who makes the change.

    Parameters
    ----------
    change : Change
        The transaction.
    name : str
        The specimen.
    basis : str, optional
        On what grounds; what is recorded stays where None.
    on : str, optional
        ISO date of the confirmation; today (UTC) where None.

    Raises
    ------
    RecordNotFound
        No such specimen.
    RecordConflict
        It is withdrawn, or the set asks for a second person and this is the first: the one
        who entered it, brought it in, or changed its record since.
    RecordInvalid
        The set asks for a second person, and no grounds are recorded or given.
    """
    record = queries.required_specimen(change.connection, name)
    if record.state is IntakeState.CONFIRMED:
        return record
    if record.state is IntakeState.WITHDRAWN:
        raise RecordConflict(
            f"specimen: {shown(record.name)} is withdrawn; reinstate it before confirming it",
            field="specimen",
        )
    if queries.set_info(change.connection).two_person:
        _require_second_person(change, record)
        if not (basis or record.provenance.basis):
            raise RecordInvalid(
                "basis: say on what grounds (letter of the rights holder, purchase from the "
                "source, laboratory, court)",
                field="basis",
            )
    written = {
        "state": IntakeState.CONFIRMED.value,
        "confirmed_by": change.by,
        "confirmed_on": on or datetime.now(UTC).date().isoformat(),
        "basis": basis or record.provenance.basis,
    }
    return _write(change, "confirm", record.name, written)


def _require_second_person(change: Change, record: SpecimenRecord) -> None:
    """Refuse whoever entered the specimen, brought it in, or changed its record since."""
    first = {record.provenance.entered_by or ""}
    for event in queries.list_events(change.connection, record.name):
        if event.action == "confirm":
            first = {record.provenance.entered_by or ""}
        elif event.action in ("add-specimen", "edit-specimen", "undo"):
            first.add(event.actor)
    if same_person_key(change.by) in map(same_person_key, first):
        raise RecordConflict(
            f"confirmed_by: {shown(change.by)} entered or changed specimen "
            f"{shown(record.name)}; in this set a second person must confirm it",
            field="confirmed_by",
        )


def withdraw(change: Change, name: str, *, reason: str) -> SpecimenRecord:
    """Withdraw a specimen: it stays on record, with the reason, and is no longer indexed.

    Raises
    ------
    RecordNotFound
        No such specimen.
    RecordConflict
        It is withdrawn already for another reason.
    """
    record = queries.required_specimen(change.connection, name)
    if record.state is IntakeState.WITHDRAWN:
        if record.withdrawn_reason != reason:
            raise RecordConflict(
                f"specimen: {shown(record.name)} is withdrawn already, "
                f"with the reason {shown(record.withdrawn_reason or '')}",
                field="specimen",
            )
        return record
    written = {
        "state": IntakeState.WITHDRAWN.value,
        "state_before_withdrawal": record.state.value,
        "withdrawn_reason": reason,
    }
    return _write(change, "withdraw", record.name, written)


def reinstate(change: Change, name: str) -> SpecimenRecord:
    """Bring a withdrawn specimen back to the state that it was withdrawn from.

    Raises
    ------
    RecordNotFound
        No such specimen.
    """
    record = queries.required_specimen(change.connection, name)
    if record.state is not IntakeState.WITHDRAWN:
        return record
    before = queries.state_before_withdrawal(change.connection, record.name)
    written = {
        "state": before.value,
        "state_before_withdrawal": None,
        "withdrawn_reason": None,
    }
    return _write(change, "reinstate", record.name, written)


def _write(change: Change, action: str, name: str, written: dict[str, Any]) -> SpecimenRecord:
    fields = read_fields(change, name)
    write_fields(change, name, written)
    before = {field: fields[field] for field in written}
    change.log(action, name, {"before": before, "after": written})
    return queries.required_specimen(change.connection, name)
