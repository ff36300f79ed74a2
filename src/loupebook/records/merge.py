"""What two statements about one specimen make together, or where they contradict.

Pure functions on records, used by the catalogue (a record against what is recorded) and
by the manifest reader (one row against another).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from loupebook.errors import RecordConflict, RecordInvalid
from loupebook.records.model import Provenance, SpecimenRecord
from loupebook.records.text import NOTES_LIMIT, shown

_STATED = ("element", "standing")
_NAMED = ("marque", "edition", "origin")
_PROVENANCE = ("source", "confirmed_by", "confirmed_on", "basis")


@dataclass(frozen=True)
class Merged:
    """A specimen's record after a further statement about it.

    Parameters
    ----------
    record : SpecimenRecord
        The record with missing fields filled in.
    filled : tuple of str
        Manifest names of the fields that changed; empty when nothing was new.
    """

    record: SpecimenRecord
    filled: tuple[str, ...]


def merge_records(recorded: SpecimenRecord, offered: SpecimenRecord) -> Merged:
    """Return what is recorded, with the fields that it lacked filled in from what is offered.

    Serials are united and further lines of notes appended; the state, the name and who
    entered the record stay as recorded.

    Raises
    ------
    RecordConflict
        A field is recorded and a different value is offered; ``field`` names it.
    """
    for field in _STATED:
        _refuse_difference(recorded, field, getattr(recorded, field), getattr(offered, field))
    named = {field: _filled(recorded, recorded, offered, field) for field in _NAMED}
    provenance = {
        field: _filled(recorded, recorded.provenance, offered.provenance, field)
        for field in _PROVENANCE
    }
    merged = replace(
        recorded,
        marque=named["marque"],
        edition=named["edition"],
        origin=named["origin"],
        provenance=replace(recorded.provenance, **provenance),
        serials=tuple(dict.fromkeys((*recorded.serials, *offered.serials))),
        notes=_joined_notes(recorded.notes, offered.notes),
    )
    return Merged(merged, _changed_fields(recorded, merged))


def _filled(
    recorded: SpecimenRecord,
    ours: SpecimenRecord | Provenance,
    theirs: SpecimenRecord | Provenance,
    field: str,
) -> str | None:
    old: str | None = getattr(ours, field)
    new: str | None = getattr(theirs, field)
    if old is not None and new is not None:
        _refuse_difference(recorded, field, old, new)
    return new if old is None else old


def _refuse_difference(recorded: SpecimenRecord, field: str, old: str, new: str) -> None:
    if old != new:
        raise RecordConflict(
            f"{field}: specimen {shown(recorded.name)} is recorded as {shown(old)}, "
            f"not {shown(new)}; use another specimen name or correct the value",
            field=field,
        )


def _joined_notes(old: str | None, new: str | None) -> str | None:
    if old is None or new is None:
        return new if old is None else old
    known = set(old.split("\n"))
    fresh = [line for line in new.split("\n") if line not in known]
    joined = "\n".join([old, *fresh])
    if len(joined) > NOTES_LIMIT:
        raise RecordInvalid(
            f"notes: together with what is recorded they exceed {NOTES_LIMIT:,} characters",
            field="notes",
        )
    return joined


def _changed_fields(before: SpecimenRecord, after: SpecimenRecord) -> tuple[str, ...]:
    changed = [field for field in _NAMED if getattr(before, field) != getattr(after, field)]
    changed += [
        field
        for field in _PROVENANCE
        if getattr(before.provenance, field) != getattr(after.provenance, field)
    ]
    if before.serials != after.serials:
        changed.append("serial")
    if before.notes != after.notes:
        changed.append("notes")
    return tuple(changed)
