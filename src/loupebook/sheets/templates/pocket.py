"""Pocket cards: one an edition, the genuine print in front, what copies show behind.

A card is printed front beside back, cut along the marks and folded in the middle.
"""

from __future__ import annotations

from loupebook.errors import SheetInvalid
from loupebook.records.model import SpecimenRecord, Standing
from loupebook.sheets.definition import SheetDefinition
from loupebook.sheets.differences import places_that_differ
from loupebook.sheets.plan import Plan, Section, SheetPoint
from loupebook.sheets.source import SheetSource
from loupebook.sheets.templates.common import (
    consensus_plate,
    design,
    genuine_group,
    origin_group,
    photo_of,
    plate_of,
    remarks_on,
)

MOST_POINTS = 4
"""More do not fit a card that can be read."""


def plan(source: SheetSource, definition: SheetDefinition) -> Plan:
    """Plan the cards; needs a marque or an edition."""
    if not (definition.marque or definition.edition):
        raise SheetInvalid("The sheet 'pocket' needs a marque or an edition.")
    # Two makers may name an edition alike.
    by_design: dict[tuple[str, str, str], list[SpecimenRecord]] = {}
    for one in source.specimens(
        marque=definition.marque, edition=definition.edition, element=definition.element
    ):
        if one.edition and photo_of(source, one, definition.view, definition.lighting):
            key = (one.edition, one.marque or "", one.element.value)
            by_design.setdefault(key, []).append(one)
    sections = [
        side
        for _, specimens in sorted(by_design.items())
        for side in _card(source, definition, specimens)
    ]
    if not sections:
        raise SheetInvalid("No edition here has photos of that view and lighting.")
    shown = [plate for section in sections for plate in section.plates]
    return Plan(
        title=definition.title or "Pocket cards",
        subtitle=definition.edition or definition.marque or "",
        sections=tuple(sections),
        remarks=tuple(remarks_on(shown)),
        card=True,
    )


def _card(
    source: SheetSource, definition: SheetDefinition, specimens: list[SpecimenRecord]
) -> tuple[Section, Section]:
    genuine = [one for one in specimens if one.standing is Standing.GENUINE]
    copies = [one for one in specimens if one.standing is Standing.FAKE]
    shown = (genuine or copies)[0]
    group = genuine_group(shown, definition.view, definition.lighting)
    points = source.points(group)[:MOST_POINTS] or _measured(source, definition, copies)
    front = consensus_plate(source, group, design(shown), points=points) or plate_of(
        source, shown, definition, group=group
    )
    behind = [plate_of(source, copy, definition, group=group, points=points) for copy in copies[:1]]
    return (
        Section(design(shown), (front,), words_of(points, genuine=True)),
        Section("Copies", tuple(behind), words_of(points, genuine=False)),
    )


def _measured(
    source: SheetSource, definition: SheetDefinition, copies: list[SpecimenRecord]
) -> list[SheetPoint]:
    for copy in copies[:1]:
        group = genuine_group(copy, definition.view, definition.lighting)
        comparison = source.compare_consensus(
            origin_group(copy, definition.view, definition.lighting), group
        )
        return places_that_differ(comparison, most=MOST_POINTS) if comparison else []
    return []


def words_of(points: list[SheetPoint], *, genuine: bool) -> str:
    """Return what a side of the card says of its points."""
    said = [
        f"{point.number} {text}"
        for point in points
        if (text := (point.genuine if genuine else point.copies) or ("" if genuine else point.name))
    ]
    if said:
        return "\n".join(said)
    return "" if genuine or points else "No points are drawn yet, and none was measured."
