"""Genuine against copy: two specimens in one frame, every point enlarged side by side."""

from __future__ import annotations

from dataclasses import replace

from loupebook.compare import Comparison, Group
from loupebook.errors import SheetInvalid
from loupebook.records.model import SpecimenRecord, Standing
from loupebook.sheets.definition import SheetDefinition
from loupebook.sheets.differences import places_that_differ
from loupebook.sheets.plan import Plan, Section, SheetPoint
from loupebook.sheets.source import SheetSource
from loupebook.sheets.templates.common import (
    NO_POINTS,
    design,
    design_key,
    details,
    genuine_group,
    held_words,
    no_places,
    of_one_design,
    photo_of,
    plate_of,
    remarks_on,
)

_ORDER = (Standing.GENUINE, Standing.FAKE)
USES = frozenset({"marque", "edition", "element", "origin", "specimens"})


def plan(source: SheetSource, definition: SheetDefinition) -> Plan:
    """Plan the sheet.

    Needs two specimens, the genuine one first, or one, beside which the first of the other
    standing and the same design is shown, or an edition, whose first of either standing are shown.
    """
    genuine, copy = _the_two(source, definition)
    group = genuine_group(genuine, definition.view, definition.lighting)
    photo = photo_of(source, copy, definition.view, definition.lighting)
    comparison = source.compare_photo(photo, group) if photo else None
    points, remark = _points(source, group, comparison)
    plates = [
        plate_of(source, one, definition, group=group, points=points) for one in (genuine, copy)
    ]
    measured = held_words(f"The copy, {copy.name}", comparison, group)
    shown = plates[1].pixels is not None
    return Plan(
        title=definition.title or "Genuine against copy",
        subtitle=design(genuine),
        sections=(Section("", tuple(plates), measured if shown else ""), *details(plates, points)),
        points=tuple(points),
        remarks=(*remark, *remarks_on(plates)),
    )


def _the_two(
    source: SheetSource, definition: SheetDefinition
) -> tuple[SpecimenRecord, SpecimenRecord]:
    named = [source.specimen(name) for name in definition.specimens]
    if len(named) > 2:
        raise SheetInvalid("The sheet 'pair' shows two specimens: name a genuine and a fake.")
    if len(named) == 1:
        named = _with_another(source, definition, named[0])
    if not named:
        genuine, copy = of_one_design([_first(source, definition, one) for one in _ORDER])
        return genuine, copy
    first, second = named
    if (first.standing, second.standing) != _ORDER:
        raise SheetInvalid(
            "The sheet 'pair' shows a genuine specimen and then a fake one; "
            f"these are {first.standing} and {second.standing}."
        )
    # What is not recorded of a copy contradicts nothing.
    keys = zip(design_key(first), design_key(second), strict=True)
    if any(one and other and one != other for one, other in keys):
        of_one_design((first, second))
    _as_asked(definition, first, second)
    return first, second


def _with_another(
    source: SheetSource, definition: SheetDefinition, named: SpecimenRecord
) -> list[SpecimenRecord]:
    """Put the first of the other standing and the same design beside a specimen."""
    like = replace(
        definition,
        marque=named.marque or definition.marque,
        edition=named.edition or definition.edition,
        element=named.element,
    )
    return [named if one is named.standing else _first(source, like, one) for one in _ORDER]


def _first(source: SheetSource, definition: SheetDefinition, standing: Standing) -> SpecimenRecord:
    """Return the first specimen of a standing, by name, with a photo to show."""
    found = source.specimens(
        marque=definition.marque, edition=definition.edition, element=definition.element,
        origin=definition.origin if standing is Standing.FAKE else None, standing=standing,
    )  # fmt: skip
    for one in found:
        if photo_of(source, one, definition.view, definition.lighting):
            return one
    raise SheetInvalid(
        f"There is no confirmed {standing} specimen with such a photo to show; choose "
        "another edition, view or lighting."
    )


def _as_asked(definition: SheetDefinition, genuine: SpecimenRecord, copy: SpecimenRecord) -> None:
    """Refuse two specimens that are recorded otherwise than was asked for beside them."""
    asked = [
        (one, getattr(definition, choice), getattr(one, choice))
        for one in (genuine, copy)
        for choice in ("marque", "edition", "element")
    ]
    asked.append((copy, definition.origin, copy.origin or "no print origin"))
    for one, wanted, recorded in asked:
        if wanted and recorded and wanted != recorded:
            raise SheetInvalid(
                f"{one.name} is not of {wanted} but of {recorded}: name other specimens, or "
                "nothing beside them."
            )


def _points(
    source: SheetSource, group: Group, comparison: Comparison | None
) -> tuple[list[SheetPoint], list[str]]:
    drawn = source.points(group)
    if drawn:
        return drawn, []
    places = places_that_differ(comparison) if comparison else []
    return places, [NO_POINTS if places else no_places(comparison)]
