"""Through the years: a marque by its editions, or one edition by the years of its photos."""

from __future__ import annotations

from dataclasses import replace

from loupebook.errors import SheetInvalid
from loupebook.records.model import PhotoRecord, SpecimenRecord, Standing
from loupebook.sheets.definition import SheetDefinition
from loupebook.sheets.plan import Plan, Plate, Section, SheetPoint
from loupebook.sheets.source import SheetSource
from loupebook.sheets.templates.common import (
    consensus_plate,
    genuine_group,
    only_specimens,
    photo_of,
    plate_of,
    remarks_on,
    required,
)

USES = frozenset({"marque", "edition", "element", "specimens"})
UNDATED = "Date of the photo not recorded"
LEFT_OUT = "Left out, since their edition is not recorded"


def plan(source: SheetSource, definition: SheetDefinition) -> Plan:
    """Plan the sheet; needs an edition, or a marque and an element."""
    if definition.edition:
        return _one_edition(source, definition, definition.edition)
    marque = required(definition.marque, "a marque", "years")
    element = required(definition.element, "an element", "years")
    if definition.specimens:
        raise SheetInvalid(
            "The editions of a marque are shown by what their photos share: name no specimens, "
            "or one edition."
        )
    found = source.specimens(marque=marque, element=definition.element, standing=Standing.GENUINE)
    by_edition: dict[str, list[SpecimenRecord]] = {}
    for one in found:
        if one.edition:
            by_edition.setdefault(one.edition, []).append(one)
    if not by_edition:
        raise SheetInvalid(
            f"The set holds no confirmed genuine {element} of {marque} whose edition is recorded."
        )
    # They need not be of one design: nothing that they have in common could be shown.
    without = sum(not one.edition for one in found)
    sections: list[Section] = []
    numbered: list[SheetPoint] = []
    for edition, specimens in sorted(by_edition.items()):
        plates, points = _edition(source, definition, edition, specimens)
        # Numbers begin anew with each edition.
        numbered += [replace(point, name=f"{edition}: {point.name}") for point in points]
        sections.append(Section(edition, tuple(plates), _dates(source, specimens)))
    shown = [plate for section in sections for plate in section.plates]
    return Plan(
        title=definition.title or "Through the editions",
        subtitle=f"{marque}, {element}",
        sections=tuple(sections),
        points=tuple(numbered),
        remarks=(
            "Each edition in a frame of its own. The set records no years in force; dates are "
            "those of the photos.",
            *([f"{LEFT_OUT}: {without} of {len(found)} specimens."] if without else []),
            *remarks_on(shown),
        ),
    )


def _one_edition(source: SheetSource, definition: SheetDefinition, edition: str) -> Plan:
    found = source.specimens(
        marque=definition.marque, edition=edition, element=definition.element,
        standing=Standing.GENUINE,
    )  # fmt: skip
    specimens = only_specimens(found, definition, f"genuine specimen of {edition}")
    group = genuine_group(specimens[0], definition.view, definition.lighting)
    points = source.points(group)
    years: dict[str, list[Plate]] = {}
    for one in specimens:
        photo = photo_of(source, one, definition.view, definition.lighting)
        plate = plate_of(source, one, definition, group=group)
        years.setdefault(_year(photo), []).append(plate)
    whole = consensus_plate(source, group, edition, points=points)
    head = [Section("What known genuine ones have in common", (whole,), columns=2)] if whole else []
    # Years come before the words for no year.
    by_year = [Section(year, tuple(years[year])) for year in sorted(years)]
    shown = [plate for section in by_year for plate in section.plates]
    return Plan(
        title=definition.title or "One edition through the years",
        subtitle=edition,
        sections=(*head, *by_year),
        points=tuple(points),
        remarks=(
            "All in one frame, by the year of the photo: the set records no years in force.",
            *remarks_on(shown),
        ),
    )


def _year(photo: PhotoRecord | None) -> str:
    return photo.captured_at[:4] if photo and photo.captured_at else UNDATED


def _edition(
    source: SheetSource, definition: SheetDefinition, edition: str, specimens: list[SpecimenRecord]
) -> tuple[list[Plate], list[SheetPoint]]:
    group = genuine_group(specimens[0], definition.view, definition.lighting)
    points = source.points(group)
    whole = consensus_plate(source, group, edition, points=points)
    one = plate_of(source, specimens[0], definition, group=group)
    return ([whole, one] if whole else [one]), points


def _dates(source: SheetSource, specimens: list[SpecimenRecord]) -> str:
    dates = sorted(
        photo.captured_at[:10]
        for specimen in specimens
        for photo in source.photos(specimen.name)
        if photo.captured_at
    )
    count = f"{len(specimens)} genuine specimen{'s' * (len(specimens) > 1)}"
    if not dates:
        return f"{count}; dates of the photos not recorded."
    return f"{count}, photographed {dates[0]} to {dates[-1]}."
