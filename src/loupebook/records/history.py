"""The history of every field of a specimen, read from its lines of the log."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from loupebook.records.model import EventRecord

_NOT_TOLD = ("state_before_withdrawal", "provenance", "entered_by", "entered_at")
"""What a line says by itself already, or what only serves the program."""


@dataclass(frozen=True)
class FieldChange:
    """One field, changed once.

    Parameters
    ----------
    line : int
        Line of the log.
    at, by : str
        When, and by whom.
    action : str
        What was done.
    field : str
        Which field; ``photo`` where a photo was added.
    before, after : str or None
        As text; None is "not recorded".
    reason : str or None
        Why, where one was given.
    photo : str or None
        The photo that the field is of, where it is not the specimen's own: its file name, or the
        first digits of its SHA-256 where the line does not tell the name.
    """

    line: int
    at: str
    by: str
    action: str
    field: str
    before: str | None
    after: str | None
    reason: str | None = None
    photo: str | None = None


def field_changes(events: Iterable[EventRecord]) -> list[FieldChange]:
    """Return what each line changed, field by field, oldest first."""
    return [change for event in events for change in _changes_of(event)]


def can_be_undone(event: EventRecord) -> bool:
    """Return whether a line says what was there of a specimen before it, to be put back."""
    detail = json.loads(event.detail)
    return event.specimen is not None and "before" in detail and "after" in detail


def _changes_of(event: EventRecord) -> Iterator[FieldChange]:
    detail = json.loads(event.detail)
    reason = detail.get("reason")
    photo = detail.get("file_name") or (detail.get("photo") or "")[:12] or None

    def told(field: str, before: Any, after: Any) -> FieldChange:
        return FieldChange(
            event.event_id,
            event.at,
            event.actor,
            event.action,
            field,
            _text(before),
            _text(after),
            reason,
            None if field == "photo" else photo,
        )

    before, after = detail.get("before"), detail.get("after")
    if isinstance(before, Mapping) and isinstance(after, Mapping):
        for field in after:
            if field not in _NOT_TOLD and before.get(field) != after[field]:
                yield told(field, before.get(field), after[field])
    elif isinstance(record := detail.get("record"), Mapping):
        for field, value in {**record, **record.get("provenance", {})}.items():
            if field not in _NOT_TOLD and value not in (None, [], ""):
                yield told(field, None, value)
    for photo in detail.get("photos", ()):
        yield told("photo", None, photo["file_name"])
    if event.action == "receive-photo":
        yield told("photo", None, photo)


def _text(value: Any) -> str | None:
    if value is None or value == []:
        return None
    if isinstance(value, list):
        return ", ".join(_serial(item) for item in value)
    return str(value)


def _serial(item: Any) -> str:
    if isinstance(item, Mapping):
        item = (item.get("value"), item.get("place"))
    value, place = item
    return f"{value} ({place})" if place else str(value)
