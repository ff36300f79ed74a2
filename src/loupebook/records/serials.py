"""Serial numbers: how they are compared, and on which specimens one stands."""

from __future__ import annotations

import re

from sqlalchemy import select

from loupebook.records.catalogue import Catalogue
from loupebook.records.tables import SerialRow, SpecimenRow


def plain_serial(value: str) -> str:
    """Return a serial number as it is compared: no spaces or dashes, capitals."""
    return re.sub(r"[\s.\-_/]", "", value).upper()


def whole_numbers(values: set[str]) -> set[str]:
    """Leave out numbers that are a part of another one, as they are repeated in a crest."""
    return {one for one in values if not any(one in other for other in values - {one})}


def specimens_with_serial(catalogue: Catalogue, value: str) -> list[tuple[str, str, str | None]]:
    """Return where a serial stands on record: specimen, number as recorded, place."""
    wanted = plain_serial(value)
    if not wanted:
        return []
    return [found for found in all_serials(catalogue) if plain_serial(found[1]) == wanted]


def all_serials(catalogue: Catalogue) -> list[tuple[str, str, str | None]]:
    """Return every serial on record: specimen, number as recorded, place."""
    query = (
        select(SpecimenRow.name, SerialRow.value, SerialRow.place)
        .join(SerialRow, SerialRow.specimen_id == SpecimenRow.id)
        .order_by(SpecimenRow.name, SerialRow.id)
    )
    with catalogue._reading() as connection:
        rows = connection.execute(query).all()
    return [(name, value, place or None) for name, value, place in rows]
