"""One point of comparison across many specimens, genuine ones first."""

from __future__ import annotations

from dataclasses import replace

from loupebook.errors import SheetInvalid
from loupebook.records.model import SpecimenRecord, Standing
from loupebook.sheets.definition import SheetDefinition
from loupebook.sheets.differences import places_that_differ
from loupebook.sheets.plan import Place, Plan, Plate, Section, SheetPoint
from loupebook.sheets.source import SheetSource
from loupebook.sheets.templates.common import (
    NO_POINTS,
    ONE_ORIGIN,
    consensus_plate,
    genuine_group,
    measured_on,
    only_specimens,
    origin_group,
    plate_of,
    press_of,
    remarks_on,
    required,
)

USES = frozenset({"marque", "edition", "element", "origin", "specimens", "point"})


def plan(source: SheetSource, definition: SheetDefinition) -> Plan:
    """Plan the sheet; needs an edition, and a point where several are drawn."""
    edition = required(definition.edition, "an edition", "point")
    known = source.specimens(marque=definition.marque, edition=edition, element=definition.element)
    # A print origin is one of copies: genuine ones stand beside them all the same.
    found = [
        one
        for one in known
        if one.standing is Standing.GENUINE or definition.origin in (None, one.origin)
    ]
    if definition.origin and all(one.standing is Standing.GENUINE for one in found):
        raise SheetInvalid(
            f"The set holds no confirmed fake of {edition} from the print origin "
            f"{definition.origin}."
        )
    specimens = only_specimens(found, definition, f"specimen of {edition}")
    group = genuine_group(specimens[0], definition.view, definition.lighting)
    point, remarks = _point(source, definition, specimens)
    sections = []
    for standing, word in ((Standing.GENUINE, "Genuine"), (Standing.FAKE, "Copies")):
        ranked = sorted(
            (one for one in specimens if one.standing is standing),
            key=lambda one: (one.origin or "", one.name),
        )
        plates = [
            _cut(plate_of(source, one, definition, group=group, points=[point]), point)
            for one in ranked
        ]
        if plates:
            sections.append(Section(f"{word} ({len(plates)})", tuple(plates)))
    shown = [plate for section in sections for plate in section.plates]
    whole = consensus_plate(source, group, edition, points=[point])
    head = [Section("Where it lies", (whole,), columns=2)] if whole else []
    return Plan(
        title=definition.title or f"One point: {point.name}",
        subtitle=edition,
        sections=(*head, *sections),
        points=(point,),
        remarks=(*remarks, *remarks_on(shown)),
    )


def _cut(plate: Plate, point: SheetPoint) -> Plate:
    """Return the point's surroundings; a plate outside the frame stays as it is."""
    if not plate.points:
        return plate
    return replace(plate.detail(point, margin=0.5), lines=plate.lines[:1])


def _point(
    source: SheetSource, definition: SheetDefinition, specimens: list[SpecimenRecord]
) -> tuple[SheetPoint, list[str]]:
    group = genuine_group(specimens[0], definition.view, definition.lighting)
    drawn = source.points(group)
    if definition.point:
        named = [one for one in drawn if one.name == definition.point]
        if not named:
            raise SheetInvalid(
                f"There is no point named '{definition.point}'; there are: "
                + (", ".join(one.name for one in drawn) or "none yet")
            )
        return named[0], []
    if drawn:
        return drawn[0], [] if len(drawn) == 1 else [f"{len(drawn)} points are drawn; this is one."]
    copies = {one.origin or "": one for one in specimens if one.standing is Standing.FAKE}
    for _, copy in sorted(copies.items()):
        own = origin_group(copy, definition.view, definition.lighting)
        comparison = source.compare_consensus(own, group)
        places = places_that_differ(comparison, most=1) if comparison else []
        if places:
            whose = ONE_ORIGIN.format(whose=press_of(copy))
            return measured_on(places, copy)[0], [NO_POINTS, whose]
    middle = SheetPoint(1, "The middle", Place(0.3, 0.3, 0.4, 0.4), measured=True)
    return middle, [
        "No points of comparison are drawn and none was measured: the middle of the item is shown."
    ]
