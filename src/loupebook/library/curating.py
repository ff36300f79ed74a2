"""What a curator wants to know while a specimen is entered: is it here, what is missing.

Which views and lightings tell something of which element is common practice of the trade,
no source. Remarks never stop an entry; they say what to look at twice.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from loupebook.records.catalogue import Catalogue
from loupebook.records.model import Element, Lighting, SpecimenRecord, Standing, View
from loupebook.records.photo_store import digest
from loupebook.records.serials import all_serials, plain_serial, whole_numbers
from loupebook.setreport.pairs import check_pair, prepare

Pixels = NDArray[np.uint8]


class Basis(StrEnum):
    """On what grounds a standing is confirmed."""

    RIGHTS_HOLDER = "letter of the rights holder"
    SOURCE = "purchase from the source"
    LABORATORY = "laboratory"
    COURT = "court"

    def with_reference(self, reference: str) -> str:
        """Return the grounds with what they can be looked up by."""
        return f"{self.value}: {reference.strip()}" if reference.strip() else self.value


@dataclass(frozen=True)
class WantedPhoto:
    """A photo that a complete specimen has.

    Parameters
    ----------
    view, lighting
        How to take it.
    shows : str
        What it is for.
    needed : bool
        Whether a specimen without it says little; False where it is worth having.
    """

    view: View
    lighting: Lighting
    shows: str
    needed: bool = False


PHOTO_GUIDE: Mapping[Element, tuple[WantedPhoto, ...]] = {
    Element.BAND: (
        WantedPhoto(View.FACE, Lighting.DIFFUSE, "the whole print, flat and sharp", needed=True),
        WantedPhoto(View.FACE, Lighting.RAKING, "embossing stands in relief", needed=True),
        WantedPhoto(View.LEFT_EDGE, Lighting.DIFFUSE, "the print as it turns away"),
        WantedPhoto(View.RIGHT_EDGE, Lighting.DIFFUSE, "the print as it turns away"),
        WantedPhoto(View.FACE, Lighting.TILT, "foil changes its colour with the angle"),
        WantedPhoto(View.BACK, Lighting.UV_A, "marks near the glue joint"),
    ),
    Element.SEAL: (
        WantedPhoto(View.FACE, Lighting.DIFFUSE, "every copy of the serial number", needed=True),
        WantedPhoto(View.FACE, Lighting.UV_A, "the crest in fluorescent ink", needed=True),
        WantedPhoto(View.FACE, Lighting.TILT, "the hologram as a tilt series"),
        WantedPhoto(View.FACE, Lighting.RAKING, "embossing stands in relief"),
        WantedPhoto(View.BACK, Lighting.TRANSMITTED, "the paper with light from behind"),
    ),
    Element.CAP: (
        WantedPhoto(View.HEAD, Lighting.DIFFUSE, "the head as a whole", needed=True),
        WantedPhoto(View.HEAD, Lighting.RAKING, "the turns of the cap", needed=True),
        WantedPhoto(View.FOOT, Lighting.DIFFUSE, "the cut foot"),
    ),
}
"""Element → the photos to take, the most telling first."""


def missing_photos(
    element: Element, taken: Iterable[tuple[View, Lighting]]
) -> tuple[WantedPhoto, ...]:
    """Return what is still to be photographed of an element, in the order to take it."""
    held = set(taken)
    return tuple(one for one in PHOTO_GUIDE[element] if (one.view, one.lighting) not in held)


class RemarkKind(StrEnum):
    """What a remark is about."""

    SAME_FILE = "same file"
    SAME_PICTURE = "same picture"
    SAME_SERIAL = "same serial"
    SERIALS_DISAGREE = "serials disagree"
    NEAR_SPELLING = "near spelling"
    MISSING_PHOTO = "missing photo"


@dataclass(frozen=True)
class EntryRemark:
    """Something to look at before a specimen is entered.

    Parameters
    ----------
    kind : RemarkKind
        What it is about.
    message : str
        What was found, and what to do.
    specimen : str, optional
        The specimen on record that it is about.
    """

    kind: RemarkKind
    message: str
    specimen: str | None = None


def serial_remarks(catalogue: Catalogue, record: SpecimenRecord) -> list[EntryRemark]:
    """Remark on serials that stand on other specimens, or that disagree among themselves.

    That every copy of a serial on one item agrees, and that a part of it may stand alone,
    is common practice of the trade, no source.
    """
    remarks = []
    plain = {plain_serial(serial.value) for serial in record.serials} - {""}
    for value, names in sorted(_holders(catalogue, plain).items()):
        for name in sorted(names - {record.name}):
            other = catalogue.specimen(name)
            more = (
                f" That one is {other.standing}, this is entered as {record.standing}."
                if other.standing is not record.standing
                else ""
            )
            message = f"The serial {value} stands on specimen {name} too.{more} Check both."
            remarks.append(EntryRemark(RemarkKind.SAME_SERIAL, message, name))
    whole = whole_numbers(plain)
    if len(whole) > 1:
        remarks.append(
            EntryRemark(
                RemarkKind.SERIALS_DISAGREE,
                f"The serials of this specimen disagree: {', '.join(sorted(whole))}. Read them "
                "again; if they do differ on the item, that is a finding: keep them as read.",
            )
        )
    return remarks


def _holders(catalogue: Catalogue, wanted: Collection[str]) -> dict[str, set[str]]:
    """Return the specimens on which numbers stand, all read in one go."""
    held: dict[str, set[str]] = defaultdict(set)
    for specimen, value, _ in all_serials(catalogue) if wanted else ():
        plain = plain_serial(value)
        if plain in wanted:
            held[plain].add(specimen)
    return held


def shared_serials(catalogue: Catalogue, records: Collection[SpecimenRecord]) -> list[EntryRemark]:
    """Remark on the serials of specimens just entered, or about to be, that stand on others.

    Parameters
    ----------
    catalogue : Catalogue
        The set; its serials are read in one go.
    records : collection of SpecimenRecord
        The specimens.
    """
    bearers: dict[str, dict[str, Standing]] = defaultdict(dict)
    for record in records:
        for serial in record.serials:
            bearers[plain_serial(serial.value)][record.name] = record.standing
    bearers.pop("", None)
    remarks = []
    for value, names in _holders(catalogue, bearers.keys()).items():
        for name in names - bearers[value].keys():
            bearers[value][name] = catalogue.specimen(name).standing
    for value, standings in bearers.items():
        if len(standings) > 1:
            listed = ", ".join(f"{name} ({standings[name]})" for name in sorted(standings))
            message = f"the serial {value} stands on several specimens: {listed}; check them"
            remarks.append(EntryRemark(RemarkKind.SAME_SERIAL, message, next(iter(standings))))
    return remarks


def without_photo_words(specimen: str) -> str:
    """Return what to say where a specimen's last photo was moved away."""
    return (
        f"{specimen} has no photo any more: it is not found by a search and stands on no sheet. "
        "Add a photo of it, or withdraw it."
    )


def picture_remarks(
    catalogue: Catalogue,
    name: str,
    photos: Sequence[tuple[bytes, Pixels | None]],
    nearest: Mapping[int, Sequence[int]],
    read: Callable[[int], Pixels],
) -> list[EntryRemark]:
    """Remark on photos that stand on record already, as the same file or the same picture.

    Parameters
    ----------
    catalogue : Catalogue
        The set.
    name : str
        The specimen entered.
    photos : sequence of (bytes, pixels)
        Its photos; pixels only where `nearest` names references for it.
    nearest : mapping
        Place in `photos` to the photo ids that a search found nearest.
    read : callable
        Photo id to pixels.
    """
    remarks = []
    for place, (data, pixels) in enumerate(photos):
        known = catalogue.photo_by_sha256(digest(data))
        if known is not None:
            message = f"Photo {place + 1} is on record already, of specimen {known.specimen}."
            remarks.append(EntryRemark(RemarkKind.SAME_FILE, message, known.specimen))
            continue
        if pixels is None:
            continue
        own = prepare(pixels)
        for photo_id in nearest.get(place, ()):
            if check_pair(own, prepare(read(photo_id))).same:
                other = catalogue.photo(photo_id)
                where = "this specimen" if other.specimen == name else f"specimen {other.specimen}"
                remarks.append(
                    EntryRemark(
                        RemarkKind.SAME_PICTURE,
                        f"Photo {place + 1} seems to be the same picture as {other.file_name} of "
                        f"{where}, saved or cropped anew. One picture counts once.",
                        other.specimen,
                    )
                )
                break
    return remarks


def missing_remarks(element: Element, taken: Iterable[tuple[View, Lighting]]) -> list[EntryRemark]:
    """Remark on the photos without which a specimen says little."""
    return [
        EntryRemark(
            RemarkKind.MISSING_PHOTO,
            f"Still missing: {one.view} in {one.lighting} light ({one.shows}).",
        )
        for one in missing_photos(element, taken)
        if one.needed
    ]
