"""Correcting records after they were entered, and taking a change back.

A change is never deleted: an edit and an undoing are lines of the log like any other, each
with every field before and after. In a set that asks for two persons, a specimen whose
standing, design or photos are changed waits for confirmation again.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from sqlalchemy import select, update

from loupebook.errors import RecordConflict, RecordInvalid, RecordNotFound
from loupebook.records import queries
from loupebook.records.change import Change
from loupebook.records.checks import (
    clean_record,
    clean_scale,
    require_marque,
    require_not_withdrawn,
    require_past,
)
from loupebook.records.fields import (
    CONFIRMATION,
    EDITABLE,
    STATED,
    fields_of,
    read_fields,
    record_with,
    write_fields,
)
from loupebook.records.model import (
    EventRecord,
    IntakeState,
    Lighting,
    PhotoRecord,
    SetInfo,
    SpecimenRecord,
    View,
)
from loupebook.records.outcome import Outcome
from loupebook.records.standing_changes import ask_again, without_confirmation
from loupebook.records.tables import EventRow, PhotoRow, SetInfoRow, SpecimenRow
from loupebook.records.text import clean_name, clean_notes, read_choice, require_text, shown

PHOTO_FIELDS = ("view", "lighting", "px_per_mm", "specimen")
"""What may be corrected of a photo; another ``specimen`` moves the photo there."""
_STATES = ("state", "state_before_withdrawal")
_OF_NO_SPECIMEN = {
    "edit-set": "the set itself; change its settings back",
    "set-person": "a person of the set; give identity and roles anew",
    "add-point": "a point of comparison; take the point out of use",
    "retire-point": "a point of comparison; draw the point anew",
    "move-points": "points of comparison; undo the edit of the specimen that they went along with",
}
"""Lines of no specimen: what they are of, and what takes them back."""
_WORK = "work done with the set (sheets, practice, examinations); it changes nothing on record"


def edit_specimen(
    change: Change, name: str, changes: Mapping[str, Any], *, reason: str
) -> Outcome[SpecimenRecord]:
    """Replace some fields of a specimen; one that is so already stays.

    Where two persons must confirm, nobody writes another's confirmation of a confirmed specimen,
    and other grounds for it must be confirmed anew.

    Parameters
    ----------
    change : Change
        The transaction.
    name : str
        The specimen.
    changes : mapping
        Field to its new value; see :data:`.fields.EDITABLE`. None clears a field.
    reason : str
        Why; kept in the log.

    Raises
    ------
    RecordNotFound
        No such specimen.
    RecordInvalid
        A field is unknown or its value not allowed.
    RecordConflict
        It would write who confirmed a specimen, or when, where that takes a second person.
    """
    record = queries.required_specimen(change.connection, name)
    for field in changes:
        if field not in EDITABLE:
            raise RecordInvalid(
                f"{field}: this cannot be changed by an edit; what can: {', '.join(EDITABLE)}",
                field=field,
            )
    if "serials" in changes:
        changes = {**changes, "serials": _serials_of(changes["serials"])}
    wanted = clean_record(record_with(record, changes))
    require_marque(wanted)
    after = fields_of(wanted)
    before = fields_of(record)
    after = {field: value for field, value in after.items() if value != before[field]}
    if not after:
        return Outcome(record)
    if "confirmed_on" in after:
        require_past(wanted.provenance.confirmed_on)
    if after.keys() & {*STATED, *CONFIRMATION}:
        unconfirmed = without_confirmation(change, record)
        if after.keys() & unconfirmed.keys():
            raise RecordConflict(
                f"confirmed_by: in this set a second person confirms; who confirmed "
                f"{shown(record.name)}, and when, is not for an edit. Correct what is wrong, or "
                "the basis; then it waits to be confirmed anew",
                field="confirmed_by",
            )
        after |= unconfirmed
    recorded = read_fields(change, record.name)
    before = {field: recorded[field] for field in after}
    write_fields(change, record.name, after)
    change.log("edit-specimen", record.name, {"before": before, "after": after, "reason": reason})
    return Outcome(queries.required_specimen(change.connection, record.name), tuple(after))


def _serials_of(value: Any) -> list[Any]:
    """Return the serials of an edit as pairs; none where they are cleared."""
    serials = [] if value is None else value
    if not isinstance(serials, list | tuple) or not all(
        isinstance(one, list | tuple) and len(one) == 2 and isinstance(one[0], str)
        for one in serials
    ):
        raise RecordInvalid(
            "serials: a list of pairs is wanted, the number and its place (None where that is not "
            "recorded)",
            field="serials",
        )
    return list(serials)


def edit_photo(
    change: Change, photo_id: int, changes: Mapping[str, Any], *, reason: str
) -> Outcome[PhotoRecord]:
    """Correct how a photo was taken, or which specimen it shows.

    Parameters
    ----------
    change : Change
        The transaction.
    photo_id : int
        The photo.
    changes : mapping
        Field to its new value; see :data:`PHOTO_FIELDS`.
    reason : str
        Why; kept in the log.

    Raises
    ------
    RecordNotFound
        No such photo, or no such specimen to move it to.
    RecordInvalid
        A field is unknown or its value not allowed.
    RecordConflict
        The specimen to move it to is withdrawn.
    """
    photo = queries.photo_numbered(change.connection, photo_id)
    current = _photo_fields(photo)
    after = {
        field: value
        for field, value in _clean_photo_fields(change, changes).items()
        if value != current[field]
    }
    if not after:
        return Outcome(photo)
    before = {field: current[field] for field in after}
    _write_photo(change, photo_id, after)
    detail = {**_named(photo), "before": before, "after": after, "reason": reason}
    change.log("edit-photo", photo.specimen, detail)
    emptied = None
    if "specimen" in after:
        emptied = _tell_of_move(change, photo, after["specimen"], reason=reason)
    return Outcome(queries.photo_numbered(change.connection, photo_id), tuple(after), emptied)


def _tell_of_move(change: Change, photo: PhotoRecord, receiver: str, *, reason: str) -> str | None:
    """Tell of a photo's move at the specimen that received it; both must be confirmed again.

    Returns
    -------
    str or None
        The specimen that the photo was of, where it has no other.
    """
    change.log("receive-photo", receiver, {**_named(photo), "reason": reason})
    ask_again(change, photo.specimen)
    ask_again(change, receiver)
    left = queries.list_photos(change.connection, SpecimenRow.name == photo.specimen)
    return None if left else photo.specimen


def _named(photo: PhotoRecord) -> dict[str, str]:
    return {"photo": photo.sha256, "file_name": photo.file_name}


def edit_set(change: Change, changes: Mapping[str, Any], *, reason: str) -> Outcome[SetInfo]:
    """Change what a set says of itself, or how many persons a confirmation takes.

    Parameters
    ----------
    change : Change
        The transaction.
    changes : mapping
        ``name``, ``notice`` (None for none) or ``two_person`` to its new value.
    reason : str
        Why; kept in the log.

    Raises
    ------
    RecordInvalid
        A field is unknown or its value not allowed.
    """
    info = queries.set_info(change.connection)
    after: dict[str, Any] = {}
    for field, value in changes.items():
        if field == "name":
            after[field] = clean_name(value, "name")
        elif field == "notice":
            after[field] = None if value is None else clean_notes(value, "notice")
        elif field == "two_person":
            after[field] = bool(value)
        else:
            raise RecordInvalid(
                f"{field}: what can be changed of a set: name, notice, two_person", field=field
            )
    after = {field: value for field, value in after.items() if value != getattr(info, field)}
    if after:
        before = {field: getattr(info, field) for field in after}
        change.session.execute(update(SetInfoRow).values(**after))
        change.log("edit-set", None, {"before": before, "after": after, "reason": reason})
    return Outcome(queries.set_info(change.connection), tuple(after))


def undo(change: Change, event_id: int, *, reason: str) -> Outcome[SpecimenRecord]:
    """Put back what a line of the log changed, if nothing has changed it since.

    Where two persons must confirm, an undoing never makes a proposed specimen confirmed,
    and one that changes standing or design lets a confirmed one wait again.

    Returns
    -------
    Outcome
        The specimen concerned.

    Raises
    ------
    RecordNotFound
        There is no such line.
    RecordConflict
        The line cannot be undone; the message says why and what to do instead.
    """
    event = _event(change, event_id)
    detail = json.loads(event.detail)
    before, after = detail.get("before"), detail.get("after")
    if event.specimen is None:
        raise RecordConflict(
            f"line {event_id} ({event.action}) cannot be undone: it is of no specimen, but of "
            f"{_OF_NO_SPECIMEN.get(event.action, _WORK)}"
        )
    if before is None or after is None:
        raise RecordConflict(
            f"line {event_id} ({event.action}) cannot be undone: nothing is ever deleted. "
            "Withdraw the specimen, or edit its record"
        )
    if "photo" in detail:
        return _undo_photo(change, event, detail, reason=reason)
    now_recorded = read_fields(change, event.specimen)
    _require_unchanged(event_id, after, now_recorded)
    record = queries.required_specimen(change.connection, event.specimen)
    restored = dict(before)
    if queries.set_info(change.connection).two_person and _would_confirm(restored, now_recorded):
        for field in (*_STATES, "confirmed_by", "confirmed_on"):
            restored.pop(field, None)
        if not restored:
            raise RecordConflict(
                f"line {event_id} cannot be undone: that would confirm the specimen. "
                "Let a second person confirm it"
            )
    if restored.keys() & set(STATED):
        _require_marque_stays(change, event_id, record, restored)
    if restored.keys() & set(STATED) or (
        restored.keys() & set(CONFIRMATION) and not restored.keys() & set(_STATES)
    ):
        restored |= without_confirmation(change, record)
    write_fields(change, event.specimen, restored)
    was = {field: now_recorded[field] for field in restored}
    told = {"undoes": event_id, "before": was, "after": restored, "reason": reason}
    change.log("undo", event.specimen, told)
    return Outcome(queries.required_specimen(change.connection, event.specimen), tuple(restored))


def _would_confirm(restored: Mapping[str, Any], now_recorded: Mapping[str, Any]) -> bool:
    return any(
        now_recorded[field] == IntakeState.PROPOSED and restored.get(field) == IntakeState.CONFIRMED
        for field in _STATES
    )


def _require_marque_stays(
    change: Change, event_id: int, record: SpecimenRecord, restored: Mapping[str, Any]
) -> None:
    """Refuse to take back the marque that an edition given later belongs to."""
    stated = {field: value for field, value in restored.items() if field in STATED}
    try:
        require_marque(record_with(record, stated))
    except RecordInvalid as exc:
        later = [
            event.event_id
            for event in queries.list_events(change.connection, record.name)
            if json.loads(event.detail).get("after", {}).get("edition")
        ]
        raise RecordConflict(
            f"line {event_id} cannot be undone: the edition {shown(record.edition or '')} belongs "
            f"to that marque. Undo line {later[-1]} first, or edit the record"
        ) from exc


def _undo_photo(
    change: Change, event: EventRecord, detail: Mapping[str, Any], *, reason: str
) -> Outcome[SpecimenRecord]:
    (photo,) = queries.list_photos(change.connection, PhotoRow.sha256 == detail["photo"])
    current = _photo_fields(photo)
    _require_unchanged(event.event_id, detail["after"], current)
    _write_photo(change, photo.photo_id, detail["before"])
    told = {
        "undoes": event.event_id,
        **_named(photo),
        "before": detail["after"],
        "after": detail["before"],
        "reason": reason,
    }
    change.log("undo", photo.specimen, told)
    back, emptied = detail["before"].get("specimen"), None
    if back is not None:
        emptied = _tell_of_move(change, photo, back, reason=reason)
    record = queries.required_specimen(change.connection, back or photo.specimen)
    return Outcome(record, tuple(detail["before"]), emptied)


def _event(change: Change, event_id: int) -> EventRecord:
    if abs(event_id) <= queries.LARGEST_NUMBER:
        row = change.connection.execute(
            select(EventRow.__table__).where(EventRow.id == event_id)
        ).one_or_none()
        if row is not None:
            return EventRecord(*row)
    raise RecordNotFound(f"the log has no line {event_id}")


def _require_unchanged(event_id: int, after: Mapping[str, Any], found: Mapping[str, Any]) -> None:
    differing = [field for field, value in after.items() if found[field] != value]
    if differing:
        raise RecordConflict(
            f"line {event_id} cannot be undone: {', '.join(differing)} was changed since. "
            "Undo the later line first, or edit the record"
        )


def _clean_photo_fields(change: Change, changes: Mapping[str, Any]) -> dict[str, Any]:
    cleaned: dict[str, Any] = {}
    for field, value in changes.items():
        if field == "view":
            cleaned[field] = read_choice(View, value, "view").value
        elif field == "lighting":
            cleaned[field] = read_choice(Lighting, value, "lighting").value
        elif field == "px_per_mm":
            cleaned[field] = None if value is None else clean_scale(value)
        elif field == "specimen":
            if value is None:
                raise RecordInvalid("specimen: name the one that the photo shows", field=field)
            receiver = queries.required_specimen(change.connection, require_text(value, field))
            require_not_withdrawn(receiver)
            cleaned[field] = receiver.name
        else:
            raise RecordInvalid(
                f"{field}: this cannot be changed of a photo; what can: {', '.join(PHOTO_FIELDS)}",
                field=field,
            )
    return cleaned


def _photo_fields(photo: PhotoRecord) -> dict[str, Any]:
    return {
        "view": photo.view.value,
        "lighting": photo.lighting.value,
        "px_per_mm": photo.px_per_mm,
        "specimen": photo.specimen,
    }


def _write_photo(change: Change, photo_id: int, fields: Mapping[str, Any]) -> None:
    written = {field: value for field, value in fields.items() if field != "specimen"}
    if "specimen" in fields:
        owner = select(SpecimenRow.id).filter_by(name=fields["specimen"])
        written["specimen_id"] = change.session.scalars(owner).one()
    change.session.execute(update(PhotoRow).where(PhotoRow.id == photo_id).values(**written))
