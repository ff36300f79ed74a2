"""The log as a chain: each line is hashed with the line before it and with what it left behind.

``chain`` of a line is SHA-256 over the chain of the line before it and the line's own
canonical JSON. ``state`` of a line is, joined by ``:``, the format of these digests, the
digest of the specimen concerned as it was recorded after the change (``-`` where the line
concerns none), and that of the set's own row. So a changed line breaks the chain, and a
changed row no longer fits the last line about it. Nothing here is secret: whoever rewrites
every line leaves a chain that fits. Against that helps only a head of the chain that was
written down elsewhere; :func:`check_log` takes one.

Plain SQL on the columns of migration 3, because a migration calls these functions: they
must not follow later changes of the mapped tables.
"""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, text

FORMAT = "1"
BEGIN = "begin-chain"
"""Action of the line that a migration writes: it holds the state of every specimen."""

_SPECIMENS = """
    SELECT s.id, s.name, s.element, s.standing, s.state, s.state_before_withdrawal,
        m.name, e.name, o.name, s.source, s.confirmed_by, s.confirmed_on, s.basis,
        s.entered_by, s.entered_at, s.notes, s.withdrawn_reason
    FROM specimen s LEFT JOIN marque m ON m.id = s.marque_id
        LEFT JOIN edition e ON e.id = s.edition_id
        LEFT JOIN print_origin o ON o.id = s.origin_id"""
_SERIALS = """
    SELECT specimen_id, id, value, place FROM serial"""
_PHOTOS = """
    SELECT specimen_id, id, sha256, view, lighting, file_name, media_type, byte_count, width,
        height, captured_at, camera_make, camera_model, camera_lens, px_per_mm, photo_check
    FROM photo"""
_OWNED = " WHERE specimen_id IN (SELECT id FROM specimen WHERE name = :name)"
_NAMED = " WHERE s.name = :name"
_IN_ORDER = " ORDER BY id"
_SET = "SELECT set_id, name, created_at, two_person, notice FROM set_info"
_LINES = """
    SELECT id, at, actor, action, specimen, detail, change_number, state, chain
    FROM event ORDER BY id"""
_APPEND = """
    INSERT INTO event (id, at, actor, action, specimen, detail, change_number, state, chain)
    VALUES (:id, :at, :actor, :action, :specimen, :detail, :change_number, :state, :chain)"""


def now() -> str:
    """Return the present instant, ISO 8601 in UTC with milliseconds and ``Z``."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def canonical(value: Any) -> str:
    """Return JSON with sorted keys and no spaces; bytes, which no field holds, as hex."""
    return json.dumps(
        value,
        ensure_ascii=False,
        sort_keys=True,
        separators=(",", ":"),
        default=lambda odd: f"bytes {bytes(odd).hex()}",
    )


def append_line(
    connection: Connection, *, actor: str, action: str, specimen: str | None, detail: str
) -> None:
    """Append a line to the log. Whatever it tells of must be written already.

    Parameters
    ----------
    connection : Connection
        A transaction that holds the write lock.
    actor, action, specimen, detail
        What the line says; the detail is canonical JSON.
    """
    last = connection.exec_driver_sql(
        "SELECT id, chain FROM event ORDER BY id DESC LIMIT 1"
    ).one_or_none()
    number, previous = (0, _genesis(connection)) if last is None else last
    held = {} if specimen is None else specimen_states(connection, specimen)
    line: dict[str, Any] = {
        "id": number + 1,
        "at": now(),
        "actor": actor,
        "action": action,
        "specimen": specimen,
        "detail": detail,
        "change_number": connection.exec_driver_sql(
            "SELECT change_counter FROM set_info"
        ).scalar_one(),
        "state": ":".join((FORMAT, held.get(specimen or "", "-"), _set_state(connection))),
    }
    connection.execute(text(_APPEND), line | {"chain": _link(previous, line)})


def begin_chain(connection: Connection) -> None:
    """Chain the lines that a log has already, and write down the state of every specimen."""
    if connection.exec_driver_sql("SELECT count(*) FROM set_info").scalar_one() == 0:
        return  # a new set: its first line begins the chain
    previous = _genesis(connection)
    for line in _lines(connection):
        previous = _link(previous, line)
        connection.execute(
            text("UPDATE event SET chain = :chain WHERE id = :id"),
            {"chain": previous, "id": line["id"]},
        )
    states = canonical({"states": specimen_states(connection)})
    append_line(connection, actor="loupebook", action=BEGIN, specimen=None, detail=states)


def specimen_states(connection: Connection, name: str | None = None) -> dict[str, str]:
    """Return name → digest of everything recorded of a specimen, of one or of all."""
    # Two texts: "or of all" within the SQL would keep SQLite from its indexes, at every write.
    asked = {} if name is None else {"name": name}
    owned, named = ("", "") if name is None else (_OWNED, _NAMED)
    serials: dict[int, list[list[Any]]] = defaultdict(list)
    photos: dict[int, list[list[Any]]] = defaultdict(list)
    for owner, *rest in connection.execute(text(_SERIALS + owned + _IN_ORDER), asked):
        serials[owner].append(rest)
    for owner, *rest in connection.execute(text(_PHOTOS + owned + _IN_ORDER), asked):
        photos[owner].append(rest)
    return {
        row[1]: _digest(canonical([list(row), serials[row[0]], photos[row[0]]]))
        for row in connection.execute(text(_SPECIMENS + named), asked)
    }


@dataclass(frozen=True)
class LogCheck:
    """What a check of the log found.

    Parameters
    ----------
    lines : int
        How many lines the log has.
    head : str
        Chain of the last line; write it down elsewhere to hold the log to it later.
    faults : tuple of (specimen or None, message)
        Everything that does not fit.
    """

    lines: int
    head: str
    faults: tuple[tuple[str | None, str], ...]


def check_log(connection: Connection, known_head: str | None = None) -> LogCheck:
    """Follow the chain from its beginning and hold every record to the last line about it.

    Parameters
    ----------
    connection : Connection
        A transaction.
    known_head : str, optional
        A head that was written down earlier: the chain must pass through it.
    """
    faults: list[tuple[str | None, str]] = []
    previous = _genesis(connection)
    heads = {previous}
    expected: dict[str, str] = {}
    last: dict[str, Any] | None = None
    count = 0
    for count, line in enumerate(_lines(connection), start=1):
        if line["id"] != count:
            faults.append((None, f"line {line['id']} stands where line {count} should"))
        if line["chain"] != _link(previous, line):
            faults.append((line["specimen"], f"line {line['id']} was altered or follows a gap"))
        _expect(expected, line)
        previous, last = line["chain"], line
        heads.add(previous)
    faults += _check_end(connection, last)
    faults += _check_states(expected, specimen_states(connection))
    if known_head is not None and known_head not in heads:
        faults.append((None, f"the chain does not pass through the head {known_head[:16]}…"))
    return LogCheck(count, previous, tuple(faults))


def _expect(expected: dict[str, str], line: Mapping[str, Any]) -> None:
    if line["action"] == BEGIN:
        try:
            expected.update(json.loads(line["detail"])["states"])
        except (ValueError, KeyError, TypeError):
            return  # an altered line, which is told already
    elif line["specimen"] is not None and line["state"]:
        expected[line["specimen"]] = _part(line, 1)


def _check_end(
    connection: Connection, last: Mapping[str, Any] | None
) -> Iterator[tuple[str | None, str]]:
    counter = connection.exec_driver_sql("SELECT change_counter FROM set_info").scalar_one()
    if counter != (0 if last is None else last["change_number"]):
        yield None, f"the set counts {counter} changes, but its log ends elsewhere"
    seen = connection.exec_driver_sql("SELECT seq FROM sqlite_sequence WHERE name = 'event'")
    if (seen.scalar_one_or_none() or 0) != (0 if last is None else last["id"]):
        yield None, "lines are missing at the end of the log"
    if last is not None and _part(last, 2) != _set_state(connection):
        yield None, "the set's own row differs from what the log says of it"


def _check_states(
    expected: Mapping[str, str], found: Mapping[str, str]
) -> Iterator[tuple[str | None, str]]:
    for name in sorted(expected.keys() | found.keys()):
        if name not in found:
            yield name, "the specimen is in the log, but not among the records"
        elif name not in expected:
            yield name, "the specimen is among the records, but not in the log"
        elif expected[name] != found[name]:
            yield name, "its record, a serial or a photo row differs from the last line about it"


def _part(line: Mapping[str, Any], place: int) -> str:
    parts = str(line["state"]).split(":")
    return parts[place] if len(parts) == 3 else ""


def _lines(connection: Connection) -> list[dict[str, Any]]:
    return [dict(row) for row in connection.execute(text(_LINES)).mappings()]


def _link(previous: str, line: Mapping[str, Any]) -> str:
    told = {name: value for name, value in line.items() if name != "chain"}
    return _digest(f"{previous}\n{canonical(told)}")


def _genesis(connection: Connection) -> str:
    set_id = connection.exec_driver_sql("SELECT set_id FROM set_info").scalar_one()
    return _digest(f"log of set {set_id}")


def _set_state(connection: Connection) -> str:
    row = connection.exec_driver_sql(_SET).one()
    return _digest(canonical(list(row)))


def _digest(words: str) -> str:
    return hashlib.sha256(words.encode("utf-8", "surrogatepass")).hexdigest()
