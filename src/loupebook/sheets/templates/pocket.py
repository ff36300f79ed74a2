"""Pocket cards: one an edition, the genuine print in front, what copies show behind.

A card is printed front beside back, cut along the marks and folded in the middle.
"""

from __future__ import annotations

from dataclasses import replace

from loupebook.compare import Comparison
from loupebook.errors import SheetInvalid
from loupebook.records.model import SpecimenRecord, Standing
from loupebook.sheets.definition import SheetDefinition
from loupebook.sheets.differences import could_tell_places, places_that_differ
from loupebook.sheets.plan import Plan, Section, SheetPoint
from loupebook.sheets.source import SheetSource
from loupebook.sheets.templates.common import (
    consensus_plate,
    design,
    design_key,
    genuine_group,
    measured_on,
    origin_group,
    photo_of,
    plate_of,
    remarks_on,
)

USES = frozenset({"marque", "edition", "element", "origin", "specimens"})
MOST_POINTS = 4
"""More do not fit a card that can be read."""


def plan(source: SheetSource, definition: SheetDefinition) -> Plan:
    """Plan the cards; needs a marque or an edition."""
    if not (definition.marque or definition.edition):
        raise SheetInvalid("The sheet 'pocket' needs a marque or an edition.")
    by_design: dict[tuple[str, str, str], list[SpecimenRecord]] = {}
    for one in _shown(source, definition):
        by_design.setdefault(design_key(one), []).append(one)
    sections: list[Section] = []
    numbered: list[SheetPoint] = []
    for _, specimens in sorted(by_design.items()):
        sides, points = _card(source, definition, specimens)
        sections += sides
        # Numbers begin anew with each card.
        card = sides[0].heading
        numbered += [replace(point, name=f"{card}: {point.name}") for point in points]
    if not sections:
        raise SheetInvalid("No edition here has photos of that view and lighting.")
    shown = [plate for section in sections for plate in section.plates]
    return Plan(
        title=definition.title or "Pocket cards",
        subtitle=definition.edition or definition.marque or "",
        sections=tuple(sections),
        points=tuple(numbered),
        remarks=tuple(remarks_on(shown)),
        card=True,
    )


def _shown(source: SheetSource, definition: SheetDefinition) -> list[SpecimenRecord]:
    """Return specimens that have a photo to show; of copies those asked for, and their designs."""
    found = [
        one
        for one in source.specimens(
            marque=definition.marque, edition=definition.edition, element=definition.element
        )
        if one.edition and photo_of(source, one, definition.view, definition.lighting)
    ]
    if not (definition.origin or definition.specimens):
        return found
    copies = [
        one
        for one in found
        if one.standing is Standing.FAKE and definition.origin in (None, one.origin)
    ]
    names = definition.specimens or tuple(one.name for one in copies)
    absent = sorted(set(names) - {one.name for one in copies})
    if absent or not copies:
        raise SheetInvalid(
            "There is no such copy with a photo of that view and lighting among the confirmed "
            f"specimens of these cards: {', '.join(absent) or definition.origin}. In front stands "
            "what genuine ones have in common: name copies only."
        )
    copies = [one for one in copies if one.name in names]
    designs = {design_key(one) for one in copies}
    if definition.specimens and len(designs) < len(copies):
        raise SheetInvalid("A card has room for one copy: name one an edition.")
    genuine = (one for one in found if one.standing is Standing.GENUINE)
    return [*(one for one in genuine if design_key(one) in designs), *copies]


def _card(
    source: SheetSource, definition: SheetDefinition, specimens: list[SpecimenRecord]
) -> tuple[tuple[Section, Section], list[SheetPoint]]:
    genuine = [one for one in specimens if one.standing is Standing.GENUINE]
    copies = [one for one in specimens if one.standing is Standing.FAKE]
    shown = (genuine or copies)[0]
    group = genuine_group(shown, definition.view, definition.lighting)
    points = source.points(group)
    comparison = None
    if copies and not points:
        own = origin_group(copies[0], definition.view, definition.lighting)
        comparison = source.compare_consensus(own, group)
        places = places_that_differ(comparison, most=MOST_POINTS) if comparison else []
        points = measured_on(places, copies[0])
    called_out = points[:MOST_POINTS]
    front = consensus_plate(source, group, design(shown), points=called_out) or plate_of(
        source, shown, definition, group=group
    )
    behind = [
        plate_of(source, copy, definition, group=group, points=called_out) for copy in copies[:1]
    ]
    said = words_of(called_out, genuine=False) or _no_points(copies, comparison)
    sides = (
        Section(design(shown), (front,), words_of(called_out, genuine=True)),
        Section("Copies", tuple(behind), said),
    )
    return sides, points


def _no_points(copies: list[SpecimenRecord], comparison: Comparison | None) -> str:
    if not copies:
        return "No points are drawn yet, and no copy is on record."
    if could_tell_places(comparison):
        return "No points are drawn yet, and nothing was measured beyond what is usual."
    return "No points are drawn yet, and no comparison could be made."


def words_of(points: list[SheetPoint], *, genuine: bool) -> str:
    """Return what a side of the card says of its points, a line each."""
    said = (
        (point.number, point.genuine if genuine else point.copies or point.name) for point in points
    )
    return "\n".join(f"{number} {' '.join(words.split())}" for number, words in said if words)
