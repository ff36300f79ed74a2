"""Definitions of comparison sheets, kept so that a sheet can be made again."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import delete, select, update

from loupebook.errors import RecordNotFound
from loupebook.records.catalogue import Catalogue
from loupebook.records.change import now
from loupebook.records.text import clean_name, shown
from loupebook.records.work_tables import SheetRow


@dataclass(frozen=True)
class SheetRecord:
    """A saved definition.

    Parameters
    ----------
    name : str
        Its name within the set.
    definition : mapping
        What to make; see ``loupebook.sheets.definition``.
    at, by : str
        When and by whom it was saved last.
    made_from : tuple of str
        SHA-256 of the photos that the sheet showed when it was made last.
    said : str
        Digest of what the set said of them then; empty where it was never made, or made before
        digests were kept.
    """

    name: str
    definition: Mapping[str, Any]
    at: str
    by: str
    made_from: tuple[str, ...] = ()
    said: str = ""

    @property
    def made(self) -> bool:
        """Whether it was ever made."""
        return bool(self.made_from or self.said)


class Sheets:
    """The sheet definitions of one set."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue

    def save(self, name: str, definition: Mapping[str, Any], *, by: str) -> SheetRecord:
        """Save a definition; one of the same name is replaced."""
        name = clean_name(name, "name")
        with self._catalogue._changing(by) as change:
            change.session.execute(delete(SheetRow).where(SheetRow.name == name))
            text = json.dumps(definition, ensure_ascii=False, sort_keys=True)
            row = SheetRow(name=name, definition=text, at=now(), by=change.by, made_from=None)
            change.session.add(row)
            change.log("save-sheet", None, {"name": name, **definition}, counts=False)
            saved = _record(row)
        return saved

    def remember(self, name: str, made_from: tuple[str, ...], said: str, *, by: str) -> None:
        """Keep from which photos a sheet was made last, and a digest of what it says of them."""
        text = json.dumps({"photos": sorted(made_from), "said": said})
        with self._catalogue._changing(by) as change:
            written = update(SheetRow).where(SheetRow.name == name).values(made_from=text)
            change.session.execute(written)
            change.log("make-sheet", None, {"name": name, "photos": len(made_from)}, counts=False)

    def all(self) -> list[SheetRecord]:
        """Return all definitions by name."""
        with self._catalogue._reading() as connection:
            rows = connection.execute(select(SheetRow.__table__).order_by(SheetRow.name))
            return [_record(row) for row in rows]

    def get(self, name: str) -> SheetRecord:
        """Return one definition.

        Raises
        ------
        RecordNotFound
            There is none of that name.
        RecordInvalid
            It is no name.
        """
        name = clean_name(name, "name")
        query = select(SheetRow.__table__).where(SheetRow.name == name)
        with self._catalogue._reading() as connection:
            row = connection.execute(query).one_or_none()
        if row is None:
            raise RecordNotFound(f"the set has no sheet named {shown(name)}")
        return _record(row)


def _record(row: Any) -> SheetRecord:
    made = json.loads(row.made_from) if row.made_from else {}
    # A list of photos alone is of the time before digests were kept.
    kept = made if isinstance(made, dict) else {"photos": made}
    return SheetRecord(
        row.name, json.loads(row.definition), row.at, row.by,
        tuple(kept.get("photos", ())), kept.get("said", ""),
    )  # fmt: skip
