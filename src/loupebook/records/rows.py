"""Rows of the catalogue made into records."""

from __future__ import annotations

from typing import Any, Generic

from sqlalchemy import Row

from loupebook.errors import SetDamaged
from loupebook.records.advice import RESTORE
from loupebook.records.model import (
    Camera,
    Element,
    IntakeState,
    Lighting,
    PhotoRecord,
    Provenance,
    Serial,
    SpecimenRecord,
    Standing,
    View,
)
from loupebook.records.text import Choice, shown


class Words(dict[str, Choice], Generic[Choice]):
    """The members of a vocabulary by the word that the catalogue holds for each.

    A plain look-up costs a tenth of calling the enumeration.

    Parameters
    ----------
    kind : type
        The vocabulary.

    Raises
    ------
    SetDamaged
        On looking up a word that it does not have.
    """

    def __init__(self, kind: type[Choice]) -> None:
        super().__init__({member.value: member for member in kind})

    def __missing__(self, word: object) -> Choice:
        raise SetDamaged(
            f"the catalogue holds the word {shown(str(word))} where only these may stand: "
            f"{', '.join(self)}; {RESTORE}"
        )


ELEMENTS = Words(Element)
STANDINGS = Words(Standing)
STATES = Words(IntakeState)
VIEWS = Words(View)
LIGHTINGS = Words(Lighting)


def specimen_record(row: Row[*tuple[Any, ...]], serials: list[Serial]) -> SpecimenRecord:
    """Return the specimen of a row with named columns."""
    return SpecimenRecord(
        name=row.name,
        element=ELEMENTS[row.element],
        standing=STANDINGS[row.standing],
        state=STATES[row.state],
        marque=row.marque,
        edition=row.edition,
        origin=row.origin,
        provenance=Provenance(
            row.source,
            row.confirmed_by,
            row.confirmed_on,
            row.basis,
            row.entered_by,
            row.entered_at,
        ),
        serials=tuple(serials),
        notes=row.notes,
        withdrawn_reason=row.withdrawn_reason,
    )


def photo_record(row: Row[*tuple[Any, ...]]) -> PhotoRecord:
    """Return the photo of a row with named columns."""
    return PhotoRecord(
        photo_id=row.id,
        sha256=row.sha256,
        specimen=row.specimen,
        view=VIEWS[row.view],
        lighting=LIGHTINGS[row.lighting],
        file_name=row.file_name,
        media_type=row.media_type,
        byte_count=row.byte_count,
        width=row.width,
        height=row.height,
        captured_at=row.captured_at,
        camera=Camera(row.camera_make, row.camera_model, row.camera_lens),
        px_per_mm=row.px_per_mm,
        check=row.photo_check,
    )
