"""Records as handed in, checked and cleaned field by field before they are written."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from loupebook.errors import RecordConflict, RecordInvalid
from loupebook.records.model import (
    Camera,
    Element,
    IntakeState,
    Lighting,
    NewPhoto,
    Provenance,
    Serial,
    SpecimenRecord,
    Standing,
    View,
)
from loupebook.records.text import (
    clean_date,
    clean_line,
    clean_name,
    clean_notes,
    read_choice,
    require_text,
    shown,
    tame,
)

_MEDIA_TYPE = re.compile(r"[a-z0-9][a-z0-9.+-]{0,63}/[a-z0-9][a-z0-9.+-]{0,63}", re.ASCII)


def clean_record(record: SpecimenRecord) -> SpecimenRecord:
    """Return the record with every field cleaned; blank optional fields become None.

    Raises
    ------
    RecordInvalid
        A field is not allowed; ``field`` names it.
    """
    provenance = record.provenance
    return SpecimenRecord(
        name=clean_name(record.name, "specimen"),
        element=read_choice(Element, record.element, "element"),
        standing=read_choice(Standing, record.standing, "standing"),
        state=read_choice(IntakeState, record.state, "state"),
        marque=optional(clean_name, record.marque, "marque"),
        edition=optional(clean_name, record.edition, "edition"),
        origin=optional(clean_name, record.origin, "origin"),
        provenance=Provenance(
            source=optional(clean_line, provenance.source, "source"),
            confirmed_by=optional(clean_name, provenance.confirmed_by, "confirmed_by"),
            confirmed_on=optional(clean_date, provenance.confirmed_on, "confirmed_on"),
            basis=optional(clean_line, provenance.basis, "basis"),
            entered_by=optional(clean_name, provenance.entered_by, "entered_by"),
            entered_at=optional(clean_name, provenance.entered_at, "entered_at"),
        ),
        serials=clean_serials(record.serials),
        notes=None if record.notes is None else clean_notes(record.notes, "notes"),
        withdrawn_reason=optional(clean_line, record.withdrawn_reason, "withdrawn_reason"),
    )


def require_marque(record: SpecimenRecord) -> None:
    """Refuse an edition without the marque that it belongs to.

    Raises
    ------
    RecordInvalid
        If there is an edition and no marque.
    """
    if record.edition is not None and record.marque is None:
        raise RecordInvalid(
            f"marque: edition {shown(record.edition)} needs the marque that it belongs to",
            field="marque",
        )


def require_not_withdrawn(recorded: SpecimenRecord) -> None:
    """Refuse to give anything more to a withdrawn specimen.

    Raises
    ------
    RecordConflict
        If it is withdrawn.
    """
    if recorded.state is IntakeState.WITHDRAWN:
        raise RecordConflict(
            f"specimen: {shown(recorded.name)} is withdrawn ({recorded.withdrawn_reason}); "
            "reinstate it before adding to it",
            field="specimen",
        )


def require_past(confirmed_on: str | None) -> None:
    """Refuse a confirmation that is still to come.

    Raises
    ------
    RecordInvalid
        The ISO date lies after today.
    """
    # Where the day begins first it is tomorrow already by UTC.
    today = datetime.now(UTC).date() + timedelta(days=1)
    if confirmed_on is not None and confirmed_on > today.isoformat():
        raise RecordInvalid(
            f"confirmed_on: {shown(confirmed_on)} is still to come; write the day on which it was "
            "confirmed",
            field="confirmed_on",
        )


def clean_serials(serials: tuple[Serial, ...]) -> tuple[Serial, ...]:
    """Return the serials cleaned, each value and place once, in the order given.

    Raises
    ------
    RecordInvalid
        A value or place is not allowed.
    """
    cleaned = (
        Serial(clean_name(serial.value, "serial"), optional(clean_name, serial.place, "serial"))
        for serial in serials
    )
    return tuple(dict.fromkeys(cleaned))


def clean_photo(photo: NewPhoto) -> NewPhoto:
    """Return the photo with every field checked and the texts of its file and camera tamed.

    Raises
    ------
    RecordInvalid
        The bytes, a size, the scale, the media type or the check result is not allowed.
    """
    name = file_base_name(photo.file_name)
    if not photo.data:
        raise RecordInvalid(f"path: {shown(name)} holds no bytes", field="path")
    if photo.width < 1 or photo.height < 1:
        raise RecordInvalid(
            f"path: {shown(name)} measures {photo.width} × {photo.height} px; "
            "both sides must be at least 1",
            field="path",
        )
    if not _MEDIA_TYPE.fullmatch(photo.media_type):
        raise RecordInvalid(
            f"path: {shown(photo.media_type)} is not a media type such as image/jpeg", field="path"
        )
    return replace(
        photo,
        data=bytes(photo.data),
        file_name=name,
        view=read_choice(View, photo.view, "view"),
        lighting=read_choice(Lighting, photo.lighting, "lighting"),
        captured_at=tame(photo.captured_at),
        camera=Camera(tame(photo.camera.make), tame(photo.camera.model), tame(photo.camera.lens)),
        px_per_mm=None if photo.px_per_mm is None else clean_scale(photo.px_per_mm),
        check=_clean_check(photo.check),
    )


def clean_scale(px_per_mm: float) -> float:
    """Return a scale in px/mm, above zero and finite.

    Raises
    ------
    RecordInvalid
        It is not.
    """
    try:
        scale = float(px_per_mm)
    except OverflowError:  # an integer of more than 308 digits
        scale = math.inf
    except (TypeError, ValueError):
        raise RecordInvalid(
            f"px_per_mm: {shown(repr(px_per_mm))} is no number; write a number above 0",
            field="px_per_mm",
        ) from None
    if not (math.isfinite(scale) and scale > 0):
        raise RecordInvalid(
            f"px_per_mm: {scale} is not a scale; write a number above 0", field="px_per_mm"
        )
    return scale


def optional(clean: Callable[[str, str], str], value: str | None, field: str) -> str | None:
    """Return the cleaned text, or None where nothing (or only white space) was given."""
    if value is None or not require_text(value, field).strip():
        return None
    return clean(value, field)


def file_base_name(file_name: str) -> str:
    """Return what a path ends in, for display only: no folder, no control characters."""
    return tame(re.split(r"[/\\]", file_name)[-1]) or "unnamed"


def _clean_check(check: str) -> str:
    try:
        content = json.loads(check)
    except ValueError:
        content = None
    if not isinstance(content, dict):
        raise RecordInvalid("check: the photo check must be a JSON object", field="check")
    return check
