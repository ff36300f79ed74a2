"""Whether persons, points and examinations are those that the log tells of.

Specimens are held to the log by the digests of :mod:`loupebook.records.audit`; these rows by
what their lines say. A line that was altered itself is told by the chain.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from typing import Any

from sqlalchemy import Connection

from loupebook.records.text import shown

_POINT = ("view", "lighting", "region", "title", "genuine_shows", "copies_show")
_EXAMINATION = ("examination", "revision", "sha256")


def check_rows(connection: Connection) -> list[str]:
    """Return every row that differs from what the log says of it."""
    return [
        *_people(connection),
        *_points(connection),
        *_examinations(connection),
    ]


def _people(connection: Connection) -> Iterator[str]:
    told = {
        line["after"]["name"]: line["after"]
        for line in _details(connection, "set-person", ("after",))
    }
    rows = connection.exec_driver_sql("SELECT name, identity, roles FROM person")
    found = {row.name: dict(row._mapping) for row in rows}
    for name in _differing(told, found):
        yield f"what is listed of the person {shown(str(name))} differs from the log"


def _points(connection: Connection) -> Iterator[str]:
    retired = {line["point"] for line in _details(connection, "retire-point", ("point",))}
    told = {
        line["point"]: [line["photo"], *(line[name] for name in _POINT), line["point"] in retired]
        for line in _details(connection, "add-point", ("point", "photo", *_POINT))
    }
    columns = ", ".join(_POINT)
    rows = connection.exec_driver_sql(
        f"SELECT id, photo_id, {columns}, retired_at IS NOT NULL FROM point"
    )
    found = {row[0]: [*row[1:-1], bool(row[-1])] for row in rows}
    for number in _differing(told, found):
        yield f"point {number} differs from what the log says of it"


def _examinations(connection: Connection) -> Iterator[str]:
    told = {
        (line["examination"], line["revision"]): (line["sha256"], line["sha256"])
        for line in _details(connection, "save-examination", _EXAMINATION)
    }
    rows = connection.exec_driver_sql("SELECT number, revision, sha256, document FROM examination")
    found = {
        (number, revision): (sha256, hashlib.sha256(document.encode()).hexdigest())
        for number, revision, sha256, document in rows
    }
    for place in _differing(told, found):
        yield f"examination {place[0]}, revision {place[1]} differs from what the log says of it"


def _details(
    connection: Connection, action: str, needed: tuple[str, ...]
) -> Iterator[dict[str, Any]]:
    """Yield what the lines of one action tell; one that lacks a key was altered."""
    rows = connection.exec_driver_sql(
        "SELECT detail FROM event WHERE action = ? ORDER BY id", (action,)
    )
    for (detail,) in rows:
        try:
            told = json.loads(detail)
        except ValueError:
            continue
        if isinstance(told, dict) and told.keys() >= set(needed):
            yield told


def _differing(told: Mapping[Any, Any], found: Mapping[Any, Any]) -> list[Any]:
    places = sorted(told.keys() | found.keys(), key=str)
    return [place for place in places if told.get(place) != found.get(place)]
