"""Whether the persons that a set lists are those that its log tells of."""

from __future__ import annotations

import json
from typing import Any

from sqlalchemy import Connection

from loupebook.records.text import shown


def check_people(connection: Connection) -> list[str]:
    """Hold the list to the lines of the log about it; return what does not fit."""
    told: dict[str, Any] = {}
    rows = connection.exec_driver_sql(
        "SELECT detail FROM event WHERE action = 'set-person' ORDER BY id"
    )
    for (detail,) in rows:
        try:
            after = json.loads(detail)["after"]
            told[after["name"]] = after
        except (ValueError, KeyError, TypeError):
            continue  # an altered line, which the chain tells
    rows = connection.exec_driver_sql("SELECT name, identity, roles FROM person")
    found = {row.name: dict(row._mapping) for row in rows}
    return [
        f"what is listed of the person {shown(name)} differs from the log"
        for name in sorted(told.keys() | found.keys())
        if told.get(name) != found.get(name)
    ]
