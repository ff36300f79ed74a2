"""One specimen in every light: the same view, photo after photo, in one frame."""

from __future__ import annotations

from dataclasses import replace

from loupebook.errors import SheetInvalid
from loupebook.records.model import Lighting, PhotoRecord, SpecimenRecord
from loupebook.sheets.definition import SheetDefinition
from loupebook.sheets.plan import Plan, Plate, Section
from loupebook.sheets.source import SheetSource
from loupebook.sheets.templates.common import (
    LIGHT_WORDS,
    design,
    genuine_group,
    lies_outside,
    of_one_design,
    photo_plate,
    remarks_on,
)

USES = frozenset({"specimens"})
APART = "does not fit the frame of diffuse light; shown in that of its own light"


def plan(source: SheetSource, definition: SheetDefinition) -> Plan:
    """Plan the sheet; needs one specimen or several, each gets a section of its own."""
    if not definition.specimens:
        raise SheetInvalid("The sheet 'lighting' needs a specimen.")
    if definition.lighting is not Lighting.DIFFUSE:
        raise SheetInvalid("The sheet 'lighting' shows every light: choose none.")
    specimens = of_one_design([source.specimen(name) for name in definition.specimens])
    sections = []
    for specimen in specimens:
        plates = _series(source, specimen, definition)
        if not plates:
            raise SheetInvalid(f"{specimen.name} has no photo of this view.")
        sections.append(Section(specimen.name if len(specimens) > 1 else "", tuple(plates)))
    first = specimens[0]
    shown = [plate for section in sections for plate in section.plates]
    lights = {plate.name for plate in shown}
    return Plan(
        title=definition.title or "One specimen in every light",
        subtitle=f"{first.name} · {design(first)}" if len(sections) == 1 else design(first),
        sections=tuple(sections),
        remarks=(
            *(["Only one light is on record: a series needs several."] * (len(lights) == 1)),
            *remarks_on(shown),
        ),
    )


def _series(
    source: SheetSource, specimen: SpecimenRecord, definition: SheetDefinition
) -> list[Plate]:
    order = list(Lighting)
    photos = [one for one in source.photos(specimen.name) if one.view is definition.view]
    plates = []
    for photo in sorted(photos, key=lambda one: (order.index(one.lighting), one.photo_id)):
        plate = _plate(source, specimen, photo)
        scale = plate.lines[-1].rsplit(", ", 1)[-1] if plate.pixels is not None else ""
        lines = tuple(part for part in (photo.file_name, scale) if part)
        light = _headed(LIGHT_WORDS[photo.lighting])
        plates.append(replace(plate, name=light, specimen=specimen.name, lines=lines))
    return plates


def _plate(source: SheetSource, specimen: SpecimenRecord, photo: PhotoRecord) -> Plate:
    """Lay a photo into the frame of diffuse light, or where it does not fit, of its own light."""
    diffuse, own = (
        genuine_group(specimen, photo.view, light) for light in (Lighting.DIFFUSE, photo.lighting)
    )
    plate = photo_plate(source, specimen, photo, group=diffuse)
    if own == diffuse or not lies_outside(plate):
        return plate
    apart = photo_plate(source, specimen, photo, group=own)
    return apart if lies_outside(apart) else replace(apart, note=APART)


def _headed(words: str) -> str:
    return words[:1].upper() + words[1:]
