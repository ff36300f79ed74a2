"""Confirming, withdrawing and reinstating a specimen. Nothing is ever deleted.

Each function returns the specimen as it is recorded afterwards and what was written; asking for
what is the case already changes nothing.

Where two persons must confirm, a confirmation vouches for what is stated
(:data:`.fields.STATED`), on what grounds, and that the photos show the specimen. Whoever
changes one of these asks for another confirmation (:func:`ask_again`), which nobody can give to
what they said themselves.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from loupebook.errors import RecordConflict, RecordInvalid
from loupebook.records import queries
from loupebook.records.change import Change
from loupebook.records.checks import require_past
from loupebook.records.fields import STATED, read_fields, write_fields
from loupebook.records.model import EventRecord, IntakeState, SpecimenRecord
from loupebook.records.outcome import Outcome
from loupebook.records.text import same_person_key, shown


def confirm(
    change: Change,
    name: str,
    *,
    basis: str | None = None,
    on: str | None = None,
    seen: int | None = None,
) -> Outcome[SpecimenRecord]:
    """Confirm a proposed specimen in the name of the one who makes the change.

    The same confirmation once more changes nothing.

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
    seen : int, optional
        Number of the specimen's last line in the log when it was looked at; where None, nothing
        is known of when it was.

    Raises
    ------
    RecordNotFound
        No such specimen.
    RecordConflict
        It is withdrawn; or confirmed already by another person, on other grounds or another day;
        or the set asks for a second person and this is the first: the one who entered it, brought
        it in, or changed since what a confirmation vouches for; or it was changed after it was
        looked at.
    RecordInvalid
        The set asks for a second person, and no grounds are recorded or given; or the date is
        still to come.
    """
    require_past(on)
    record = queries.required_specimen(change.connection, name)
    if record.state is IntakeState.CONFIRMED:
        _require_same_confirmation(change, record, basis=basis, on=on)
        return Outcome(record)
    if record.state is IntakeState.WITHDRAWN:
        raise RecordConflict(
            f"specimen: {shown(record.name)} is withdrawn; reinstate it before confirming it",
            field="specimen",
        )
    if seen is not None:
        _require_as_seen(change, record, seen)
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


def _require_same_confirmation(
    change: Change, record: SpecimenRecord, *, basis: str | None, on: str | None
) -> None:
    """Refuse to let a confirmation that differs from the one on record pass for written."""
    known = record.provenance
    if (
        same_person_key(change.by) == same_person_key(known.confirmed_by or "")
        and basis in (None, known.basis)
        and on in (None, known.confirmed_on)
    ):
        return
    by = shown(known.confirmed_by) if known.confirmed_by else "nobody named"
    grounds = f"on the grounds {shown(known.basis)}" if known.basis else "without grounds on record"
    advice = "who confirmed it, and on what grounds, is corrected by an edit"
    if queries.set_info(change.connection).two_person:
        advice = "an edit corrects its basis; then it waits for a second person to confirm it anew"
    raise RecordConflict(
        f"specimen: {shown(record.name)} is confirmed already, by {by}, {grounds}; nothing was "
        f"changed: {advice}",
        field="specimen",
    )


def _require_as_seen(change: Change, record: SpecimenRecord, seen: int) -> None:
    """Refuse to confirm what was changed after it was looked at."""
    later = [one for one in queries.list_events(change.connection, record.name)
             if one.event_id > seen]  # fmt: skip
    if later:
        raise RecordConflict(
            f"specimen: {shown(record.name)} was changed by {shown(later[-1].actor)} after you "
            "looked at it; look at its record and its photos again, then confirm it",
            field="specimen",
        )


def _require_second_person(change: Change, record: SpecimenRecord) -> None:
    """Refuse whoever stated something of the specimen that no second person has confirmed."""
    first = _unvouched(record, queries.list_events(change.connection, record.name))
    if same_person_key(change.by) in first:
        raise RecordConflict(
            f"confirmed_by: {shown(change.by)} entered or changed specimen "
            f"{shown(record.name)}; in this set a second person must confirm it",
            field="confirmed_by",
        )


def second_person_confirmed(record: SpecimenRecord, events: Sequence[EventRecord]) -> bool:
    """Return whether all that is stated of a confirmed specimen has a second person's word.

    Parameters
    ----------
    record : SpecimenRecord
        The specimen.
    events : sequence of EventRecord
        Its lines of the log, oldest first.
    """
    return record.state is IntakeState.CONFIRMED and not _unvouched(record, events)


def _unvouched(record: SpecimenRecord, events: Sequence[EventRecord]) -> set[str]:
    """Return the keys of those who stated something that no second person has confirmed."""
    taken_back = {json.loads(event.detail).get("undoes") for event in events}
    first = {same_person_key(record.provenance.entered_by or "")}
    for event in events:
        actor = same_person_key(event.actor)
        if _states_something(event):
            first.add(actor)
        elif event.action == "confirm" and event.event_id not in taken_back and actor not in first:
            first = set()
    return first


def _states_something(event: EventRecord) -> bool:
    """Return whether a line changed what a confirmation vouches for."""
    if event.action in ("add-specimen", "receive-photo"):
        return True
    detail = json.loads(event.detail)
    changed = {*detail.get("after", ()), *detail.get("filled", ())}
    if event.action == "edit-specimen" and "confirmed_by" in detail["after"]:
        return True  # other grounds: the edit let a confirmed specimen wait again
    # "specimen": a photo was moved from this one to another.
    return bool(detail.get("photos") or changed & {*STATED, "specimen"})


def ask_again(change: Change, name: str) -> SpecimenRecord:
    """Let a confirmed specimen wait for another confirmation, where two persons must confirm.

    Raises
    ------
    RecordNotFound
        No such specimen.
    """
    record = queries.required_specimen(change.connection, name)
    recorded = read_fields(change, record.name)
    unconfirmed = without_confirmation(change, record)
    if all(recorded[field] == value for field, value in unconfirmed.items()):
        return record
    return _write(change, "ask-again", record.name, unconfirmed).record


def without_confirmation(change: Change, record: SpecimenRecord) -> dict[str, Any]:
    """Return the fields to write so that a specimen waits again; none where nothing must."""
    if not queries.set_info(change.connection).two_person:
        return {}
    unconfirmed = {"confirmed_by": None, "confirmed_on": None}
    if record.state is IntakeState.CONFIRMED:
        return unconfirmed | {"state": IntakeState.PROPOSED.value}
    if record.state is IntakeState.WITHDRAWN:
        return unconfirmed | {"state_before_withdrawal": IntakeState.PROPOSED.value}
    return {}


def withdraw(change: Change, name: str, *, reason: str) -> Outcome[SpecimenRecord]:
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
        return Outcome(record)
    written = {
        "state": IntakeState.WITHDRAWN.value,
        "state_before_withdrawal": record.state.value,
        "withdrawn_reason": reason,
    }
    return _write(change, "withdraw", record.name, written)


def reinstate(change: Change, name: str) -> Outcome[SpecimenRecord]:
    """Bring a withdrawn specimen back to the state that it was withdrawn from.

    Raises
    ------
    RecordNotFound
        No such specimen.
    """
    record = queries.required_specimen(change.connection, name)
    if record.state is not IntakeState.WITHDRAWN:
        return Outcome(record)
    before = queries.state_before_withdrawal(change.connection, record.name)
    written = {
        "state": before.value,
        "state_before_withdrawal": None,
        "withdrawn_reason": None,
    }
    return _write(change, "reinstate", record.name, written)


def _write(
    change: Change, action: str, name: str, written: dict[str, Any]
) -> Outcome[SpecimenRecord]:
    fields = read_fields(change, name)
    write_fields(change, name, written)
    before = {field: fields[field] for field in written}
    change.log(action, name, {"before": before, "after": written})
    return Outcome(queries.required_specimen(change.connection, name), tuple(written))
