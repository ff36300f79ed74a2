"""What corrections took away from a specimen: its coming in again must not undo them.

A manifest that is run twice, or a bag that is taken in twice, still says what was corrected in
between. What somebody took away stays away until somebody puts it back by an edit or an undoing.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from loupebook.records.fields import PROVENANCE
from loupebook.records.model import EventRecord, SpecimenRecord

_NAMED = ("marque", "edition", "origin")


def without_corrected(
    recorded: SpecimenRecord, offered: SpecimenRecord, events: Iterable[EventRecord]
) -> tuple[SpecimenRecord, tuple[str, ...]]:
    """Return what is offered without what was taken away from the specimen before.

    Parameters
    ----------
    recorded : SpecimenRecord
        The specimen as it is on record.
    offered : SpecimenRecord
        A further statement about it. What contradicts the record is left in it.
    events : iterable of EventRecord
        The specimen's lines of the log, oldest first.

    Returns
    -------
    SpecimenRecord, tuple of str
        What is left of the statement, and the manifest names of the fields left out of.
    """
    gone = _taken_away(events)

    def blank(ours: Any, theirs: Any, names: tuple[str, ...]) -> dict[str, Any]:
        return {
            name: None
            for name in names
            if getattr(ours, name) is None and getattr(theirs, name) in gone[name]
        }

    named = blank(recorded, offered, _NAMED)
    if "marque" in named and offered.edition is not None:
        named["edition"] = None  # it belongs to that marque
    known = blank(recorded.provenance, offered.provenance, PROVENANCE)
    left = replace(
        offered,
        provenance=replace(offered.provenance, **known),
        serials=tuple(
            one for one in offered.serials if (one.value, one.place) not in gone["serials"]
        ),
        notes="\n".join(line for line in _lines(offered.notes) if line not in gone["notes"])
        or None,
        **named,
    )
    fields = [*named, *known]
    fields += ["serial"] if left.serials != offered.serials else []
    fields += ["notes"] if left.notes != offered.notes else []
    return left, tuple(fields)


def _taken_away(events: Iterable[EventRecord]) -> dict[str, set[Any]]:
    """Return field → values that it had and that were not put back since."""
    gone: dict[str, set[Any]] = defaultdict(set)
    for event in events:
        detail = json.loads(event.detail)
        before, after = detail.get("before"), detail.get("after")
        if "photo" in detail or not isinstance(before, Mapping) or not isinstance(after, Mapping):
            continue
        for field, value in after.items():
            now = _parts(field, value)
            gone[field] |= _parts(field, before.get(field)) - now
            gone[field] -= now
    return gone


def _parts(field: str, value: Any) -> set[Any]:
    """Return what of a field can be taken away by itself."""
    if field == "serials":
        return {(number, place) for number, place in value or ()}
    if field == "notes":
        return set(_lines(value))
    return set() if value is None else {value}


def _lines(notes: str | None) -> list[str]:
    return notes.split("\n") if notes else []
