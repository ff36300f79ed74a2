"""What specimens a person asks to see, as conditions on the catalogue's tables."""

from __future__ import annotations

import unicodedata
from typing import TypedDict

from sqlalchemy import ColumnElement, func, or_, select

from loupebook.records.model import Element, IntakeState, Lighting, Standing
from loupebook.records.tables import (
    EditionRow,
    MarqueRow,
    PhotoRow,
    PrintOriginRow,
    SerialRow,
    SpecimenRow,
)
from loupebook.records.text import read_choice


class SpecimenFilter(TypedDict, total=False):
    """What specimens to list; a key that is absent or None does not restrict.

    ``lighting`` asks for at least one photo lit so. ``text`` is looked for, whatever its
    case, in the name, marque, edition, origin, source, notes and serials.
    """

    element: Element | str | None
    standing: Standing | str | None
    state: IntakeState | str | None
    marque: str | None
    edition: str | None
    origin: str | None
    lighting: Lighting | str | None
    text: str | None


def filter_conditions(wanted: SpecimenFilter) -> list[ColumnElement[bool]]:
    """Return the conditions of a filter on specimens joined with their names.

    Raises
    ------
    RecordInvalid
        An element, standing, state or lighting that does not exist.
    """
    conditions: list[ColumnElement[bool]] = []
    if (element := wanted.get("element")) is not None:
        conditions.append(SpecimenRow.element == read_choice(Element, element, "element").value)
    if (standing := wanted.get("standing")) is not None:
        chosen = read_choice(Standing, standing, "standing")
        conditions.append(SpecimenRow.standing == chosen.value)
    if (state := wanted.get("state")) is not None:
        conditions.append(SpecimenRow.state == read_choice(IntakeState, state, "state").value)
    if (marque := wanted.get("marque")) is not None:
        conditions.append(MarqueRow.name == normal_name(marque))
    if (edition := wanted.get("edition")) is not None:
        conditions.append(EditionRow.name == normal_name(edition))
    if (origin := wanted.get("origin")) is not None:
        conditions.append(PrintOriginRow.name == normal_name(origin))
    if (lighting := wanted.get("lighting")) is not None:
        lit = read_choice(Lighting, lighting, "lighting").value
        conditions.append(
            SpecimenRow.id.in_(select(PhotoRow.specimen_id).where(PhotoRow.lighting == lit))
        )
    if text := normal_name(wanted.get("text") or ""):
        conditions.append(_mentions(text.casefold()))
    return conditions


def _mentions(needle: str) -> ColumnElement[bool]:
    # instr() on our own casefold(): LIKE folds ASCII only and would read % and _.
    searched = (
        SpecimenRow.name,
        MarqueRow.name,
        EditionRow.name,
        PrintOriginRow.name,
        SpecimenRow.source,
        SpecimenRow.notes,
    )
    with_serial = select(SerialRow.specimen_id).where(
        func.instr(func.casefold(SerialRow.value), needle) > 0
    )
    return or_(
        *(func.instr(func.casefold(column), needle) > 0 for column in searched),
        SpecimenRow.id.in_(with_serial),
    )


def normal_name(name: str) -> str:
    """Return a name as it would be stored, for looking it up."""
    return unicodedata.normalize("NFC", name).strip()
