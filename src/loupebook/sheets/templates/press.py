"""One copy press: what its specimens have in common against the genuine print."""

from __future__ import annotations

from collections.abc import Sequence

from loupebook.compare import Group
from loupebook.records.model import Standing
from loupebook.sheets.definition import SheetDefinition
from loupebook.sheets.differences import places_that_differ
from loupebook.sheets.plan import Plan, Plate, Section
from loupebook.sheets.source import SheetSource
from loupebook.sheets.templates.common import (
    consensus_plate,
    design,
    design_key,
    details,
    genuine_group,
    held_words,
    no_places,
    only_specimens,
    origin_group,
    plate_of,
    remarks_on,
    required,
)

USES = frozenset({"marque", "edition", "element", "origin", "specimens"})


def plan(source: SheetSource, definition: SheetDefinition) -> Plan:
    """Plan the sheet; needs a print origin.

    What differs on the consensus of all its specimens is constant: what varies from item to
    item does not survive the middle of several.
    """
    origin = required(definition.origin, "a print origin", "press")
    found = source.specimens(
        marque=definition.marque, edition=definition.edition, element=definition.element,
        origin=origin, standing=Standing.FAKE,
    )  # fmt: skip
    specimens = only_specimens(found, definition, f"fake of the print origin {origin}")
    group = genuine_group(specimens[0], definition.view, definition.lighting)
    own = origin_group(specimens[0], definition.view, definition.lighting)
    comparison = source.compare_consensus(own, group)
    points = source.points(group) or (places_that_differ(comparison) if comparison else [])
    plates = [plate_of(source, one, definition, group=group, points=points) for one in specimens]
    genuine = consensus_plate(source, group, group.name, points=points)
    heads = [genuine] if genuine else []
    enlarged = details([*heads, *plates][:4], points)
    one_only = "One specimen only: a flaw of the item cannot be told from one of the press."
    alike = [one for one in found if design_key(one) == design_key(specimens[0])]
    what = "The one specimen" if len(alike) == 1 else "What specimens"
    has = "" if len(alike) == 1 else " have in common"
    measured = held_words(f"{what} of {origin}{has}", comparison, group)
    return Plan(
        title=definition.title or "One copy press and its constant flaws",
        subtitle=f"{origin} · {design(specimens[0])}",
        sections=(
            *_whole(group, heads, plates, measured),
            *enlarged,
        ),
        points=tuple(points),
        remarks=(
            *([] if points else [no_places(comparison)]),
            *([one_only] if len(specimens) == 1 else []),
            *remarks_on(plates),
        ),
    )


def _whole(
    group: Group, heads: Sequence[Plate], plates: Sequence[Plate], measured: str
) -> list[Section]:
    """Return the sections of whole items; a single specimen stands beside the genuine print."""
    common = f"What known genuine ones of {group.name} have in common"
    if heads and len(plates) == 1:
        return [Section(f"{common}, and the specimen", (*heads, *plates), measured)]
    shown = Section(f"Specimens of this press ({len(plates)})", tuple(plates), measured)
    return [*([Section(common, tuple(heads))] if heads else []), shown]
