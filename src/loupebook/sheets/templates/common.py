"""What the sheet templates share: choosing photos, making plates, listing points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from loupebook.compare import Comparison, Consensus, Group
from loupebook.errors import LoupebookError, SetError, SheetInvalid
from loupebook.records.model import Lighting, PhotoRecord, SpecimenRecord, Standing, View
from loupebook.records.text import design_phrase
from loupebook.sheets.definition import SheetDefinition
from loupebook.sheets.differences import could_tell_places
from loupebook.sheets.laid import Laid
from loupebook.sheets.measured import finding_words, known_words
from loupebook.sheets.plan import IN_THE_FRAME, ON_THE_ITEM, Plate, Section, SheetPoint
from loupebook.sheets.source import SheetSource

LIGHT_WORDS = {
    Lighting.DIFFUSE: "diffuse light",
    Lighting.RAKING: "raking light",
    Lighting.TILT: "tilt series",
    Lighting.TRANSMITTED: "light from behind",
    Lighting.UV_A: "UV-A lamp",
}
VIEW_WORDS = {view: str(view).replace("-", " ") for view in View}
NO_POINTS = (
    "No points of comparison are drawn for this edition yet: the numbered places are where the "
    "comparison measured differences beyond what is usual among known genuine ones."
)
ONE_ORIGIN = "Measured on {whose} only: copies of other presses may not depart here."
NO_PLACES = (
    "No points of comparison are drawn for this edition yet, and nothing was measured beyond what "
    "is usual among known genuine ones: there are no numbered places. That proves nothing."
)
NOT_COMPARED = (
    "No points of comparison are drawn for this edition yet, and no comparison could be made: "
    "there are no numbered places."
)
NO_FILE = "The photo file is missing or altered."


def genuine_group(specimen: SpecimenRecord, view: View, lighting: Lighting) -> Group:
    """Return the genuine photos that a specimen is to be compared with."""
    name = specimen.edition or specimen.name
    return Group(name, specimen.marque, str(specimen.element), str(view), str(lighting), "genuine")


def origin_group(specimen: SpecimenRecord, view: View, lighting: Lighting) -> Group:
    """Return the copies of a fake's design from the print origin that it comes from."""
    return Group(
        press_of(specimen),
        specimen.marque,
        str(specimen.element),
        str(view),
        str(lighting),
        str(specimen.standing),
        specimen.edition,
    )


def measured_on(points: Sequence[SheetPoint], copy: SpecimenRecord) -> list[SheetPoint]:
    """Return measured places that say whose they are: other presses may not depart there."""
    return [replace(one, copies=f"{press_of(copy)}: {one.copies}") for one in points]


def press_of(copy: SpecimenRecord) -> str:
    """Return the print origin of a copy, or its own name where none is recorded."""
    return copy.origin or copy.name


def no_places(comparison: Comparison | None) -> str:
    """Return why a sheet has no numbered places: none was found, or none was looked for."""
    return NO_PLACES if could_tell_places(comparison) else NOT_COMPARED


def held_words(what: str, comparison: Comparison | None, group: Group) -> str:
    """Return what was held against what, and what was found.

    Parameters
    ----------
    what : str
        What is compared, as a sentence begins.
    comparison : Comparison, optional
        `None` where there was nothing to compare it with.
    group : Group
        What it was held against.
    """
    against = f"{known_words(group.standing)} of {group.name}"
    if comparison is None:
        return f"{what} could not be held against {against}: there are too few photos of those."
    count = comparison.against
    photos = f"{count} photo{'s' * (count != 1)}"
    found = finding_words({**comparison.to_dict(), "reference_standing": group.standing})
    return f"{what}, held against {against} ({photos}). {found}"


def photo_of(
    source: SheetSource, specimen: SpecimenRecord, view: View, lighting: Lighting
) -> PhotoRecord | None:
    """Return the largest photo of a specimen in one view and light."""
    taken = [
        photo
        for photo in source.photos(specimen.name)
        if photo.view is view and photo.lighting is lighting
    ]
    return max(taken, key=lambda photo: (photo.px_per_mm or 0, -photo.photo_id), default=None)


def plate_of(
    source: SheetSource,
    specimen: SpecimenRecord,
    definition: SheetDefinition,
    *,
    group: Group | None = None,
    points: Sequence[SheetPoint] = (),
) -> Plate:
    """Return a specimen's plate in the definition's view and light, or one that says why not."""
    photo = photo_of(source, specimen, definition.view, definition.lighting)
    if photo is None:
        how = f"{VIEW_WORDS[definition.view]}, {LIGHT_WORDS[definition.lighting]}"
        return missing_plate(specimen, f"No photo is on record ({how}).")
    return photo_plate(source, specimen, photo, group=group, points=points)


def photo_plate(
    source: SheetSource,
    specimen: SpecimenRecord,
    photo: PhotoRecord,
    *,
    group: Group | None = None,
    points: Sequence[SheetPoint] = (),
) -> Plate:
    """Return the plate of one photo, laid into a group's frame where one is given."""
    try:
        laid = (
            source.laid(photo, group)
            if group is not None
            else Laid(source.pixels(photo), photo.px_per_mm, False, "there is no common frame")
        )
    except SetError:
        # The message names the file on this machine; a sheet is handed on.
        return missing_plate(specimen, NO_FILE, photo=photo)
    except LoupebookError as error:
        return missing_plate(specimen, str(error), photo=photo)
    return Plate(
        name=specimen.name,
        pixels=laid.pixels,
        px_per_mm=laid.px_per_mm,
        standing=str(specimen.standing),
        lines=facts_of(specimen, photo, laid),
        note=laid.note if group is not None else "whole photo",
        points=tuple(points) if laid.registered else (),
        sha256=photo.sha256,
        lengths=IN_THE_FRAME if laid.registered else ON_THE_ITEM,
        dark=photo.lighting is Lighting.UV_A,
        frame=frame_of(source.consensus(group)) if group is not None else (),
    )


def frame_of(consensus: Consensus | None) -> tuple[str, ...]:
    """Return the SHA-256 of the photos that a consensus image is made of, sorted."""
    return tuple(sorted(photo.sha256 for photo in consensus.photos)) if consensus else ()


def facts_of(specimen: SpecimenRecord, photo: PhotoRecord, laid: Laid) -> tuple[str, ...]:
    """Return the lines of a caption."""
    origin = specimen.origin if specimen.standing is Standing.FAKE else None
    where = f"print origin {origin}" if origin else design(specimen)
    return (
        where,
        f"{VIEW_WORDS[photo.view]}, {LIGHT_WORDS[photo.lighting]}, {scale_words(photo, laid)}",
    )


def scale_words(photo: PhotoRecord, laid: Laid) -> str:
    """Return a photo's own scale, which tells what detail it can bear, and not the frame's."""
    known = f"own scale {photo.px_per_mm:.1f} px/mm" if photo.px_per_mm else "own scale not known"
    return known if laid.px_per_mm else f"{known}: printed to fit"


def design(specimen: SpecimenRecord) -> str:
    """Return marque and edition as one phrase, the marque once."""
    return design_phrase(specimen.marque, specimen.edition) or "marque not recorded"


def missing_plate(specimen: SpecimenRecord, why: str, *, photo: PhotoRecord | None = None) -> Plate:
    """Return a plate that keeps a specimen's place though there is no picture."""
    return Plate(
        name=specimen.name,
        standing=str(specimen.standing),
        lines=(design(specimen),),
        missing=why,
        sha256=photo.sha256 if photo else "",
    )


def consensus_plate(
    source: SheetSource, group: Group, name: str, *, points: Sequence[SheetPoint] = ()
) -> Plate | None:
    """Return what the photos of a group have in common as a plate."""
    consensus = source.consensus(group)
    if consensus is None:
        return None
    specimens = len({photo.specimen for photo in consensus.photos})
    return Plate(
        name=name,
        pixels=consensus.pixels,
        px_per_mm=consensus.px_per_mm,
        standing=group.standing,
        lines=(f"consensus of {len(consensus.photos)} photos of {specimens} specimens",),
        note="computed from the photos, not a photo of one item",
        points=tuple(points),
        dark=group.uv,
        frame=frame_of(consensus),
    )


def details(
    plates: Sequence[Plate], points: Sequence[SheetPoint], *, margin: float = 0.35
) -> list[Section]:
    """Return one section a point: its surroundings on every plate that shows it, enlarged."""
    sections = []
    for point in points:
        shown = tuple(
            plate.detail(point, margin=margin)
            for plate in plates
            if plate.pixels is not None and plate.points
        )
        if shown:
            said = [
                f"Genuine: {point.genuine}" if point.genuine else "",
                f"Copies: {point.copies}" if point.copies and not point.measured else "",
                point.copies.capitalize() + "." if point.measured else "",
            ]
            text = " ".join(part for part in said if part)
            sections.append(Section(f"{point.number}  {point.name}", shown, text, columns=2))
    return sections


def only_specimens(
    found: Sequence[SpecimenRecord], definition: SheetDefinition, what: str
) -> list[SpecimenRecord]:
    """Return those that the definition names, in its order; all where it names none.

    Raises
    ------
    SheetInvalid
        If nothing was found (`what` says of what), or one that is named was not, or they are
        of several designs: two makers may name an edition alike, and one press may copy both.
    """
    if not definition.specimens:
        if not found:
            raise SheetInvalid(f"The set holds no confirmed {what}.")
        return of_one_design(found)
    by_name = {specimen.name: specimen for specimen in found}
    absent = [name for name in definition.specimens if name not in by_name]
    if absent:
        raise SheetInvalid(
            f"Not among the confirmed specimens that this sheet is about: {', '.join(absent)}."
        )
    return of_one_design([by_name[name] for name in definition.specimens])


def of_one_design(specimens: Sequence[SpecimenRecord]) -> list[SpecimenRecord]:
    """Return specimens of one design.

    Raises
    ------
    SheetInvalid
        If they are of several.
    """
    designs = {design_key(one): f"{design(one)} ({one.element})" for one in specimens}
    if len(designs) > 1:
        raise SheetInvalid(
            "This sheet shows one design, and these are specimens of several: "
            f"{'; '.join(sorted(designs.values()))}. "
            "Name the marque, edition and element that you mean."
        )
    return list(specimens)


def design_key(specimen: SpecimenRecord) -> tuple[str, str, str]:
    """Return what makes a specimen one of a design: edition, marque and element."""
    return specimen.edition or "", specimen.marque or "", str(specimen.element)


def required(value: str | None, what: str, template: str) -> str:
    """Return a value that a template cannot do without.

    Raises
    ------
    SheetInvalid
        If it is not given.
    """
    if not value:
        raise SheetInvalid(f"The sheet '{template}' needs {what}.")
    return value


def lies_outside(plate: Plate) -> bool:
    """Whether a picture could not be laid into the frame that it was meant for."""
    return plate.note.startswith("not laid")


def remarks_on(plates: Sequence[Plate]) -> list[str]:
    """Return what must be said of plates that are missing or lie outside the common frame."""
    missing = [plate.name for plate in plates if plate.missing]
    cropped = [plate.name for plate in plates if lies_outside(plate)]
    told = []
    if missing:
        told.append(f"Without a picture: {len(missing)} of {len(plates)}.")
    if cropped:
        told.append(
            f"Could not be laid into the common frame and are cropped instead: {len(cropped)} of "
            f"{len(plates)}; numbered places are not drawn on them."
        )
    return told
