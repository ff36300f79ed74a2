"""Adding a specimen with its photos, or more of either to one that is known.

Photo files are stored before their rows are committed: a crash leaves at most a file that
no row refers to. Saying the same thing twice changes nothing, and the outcome says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any

from sqlalchemy import select

from loupebook.errors import RecordConflict, RecordInvalid
from loupebook.records import queries
from loupebook.records.change import Change, now
from loupebook.records.checks import require_marque, require_not_withdrawn
from loupebook.records.corrections import without_corrected
from loupebook.records.fields import CONFIRMATION, STATED, add_serials, fields_of, id_of
from loupebook.records.merge import Merged, merge_records
from loupebook.records.model import (
    IntakeState,
    NewPhoto,
    PhotoRecord,
    SpecimenRecord,
)
from loupebook.records.photo_store import PhotoStore, Stored, digest
from loupebook.records.standing_changes import ask_again
from loupebook.records.tables import (
    EditionRow,
    MarqueRow,
    PhotoRow,
    PrintOriginRow,
    SpecimenRow,
)
from loupebook.records.text import shown


class AddOutcome(tuple[SpecimenRecord, list[PhotoRecord]]):
    """What an addition came to; unpacks as ``record, photos``.

    Parameters
    ----------
    record : SpecimenRecord
        The specimen as it is recorded now.
    photos : list of PhotoRecord
        One for each photo handed in, in that order, new or known.
    created : bool
        Whether the specimen is new.
    filled : tuple of str
        Manifest names of the fields of a known specimen that are recorded now and were not.
    left_out : tuple of str
        Manifest names of the fields of which something was left out, because a correction took
        it away from the specimen before.
    new_photo_ids : frozenset of int
        Which of the photos are new.
    restored_photo_ids : frozenset of int
        Known photos whose file was missing or altered and is whole again.
    asked_again : bool
        Whether the specimen was confirmed before and waits for another confirmation now.
    """

    created: bool
    filled: tuple[str, ...]
    left_out: tuple[str, ...]
    new_photo_ids: frozenset[int]
    restored_photo_ids: frozenset[int]
    asked_again: bool

    def __new__(
        cls,
        record: SpecimenRecord,
        photos: list[PhotoRecord],
        *,
        created: bool,
        filled: tuple[str, ...],
        left_out: tuple[str, ...],
        new_photo_ids: frozenset[int],
        restored_photo_ids: frozenset[int],
        asked_again: bool,
    ) -> AddOutcome:
        """Make the pair and put the rest beside it."""
        outcome = super().__new__(cls, (record, photos))
        outcome.created = created
        outcome.filled = filled
        outcome.left_out = left_out
        outcome.new_photo_ids = new_photo_ids
        outcome.restored_photo_ids = restored_photo_ids
        outcome.asked_again = asked_again
        return outcome

    @property
    def changed(self) -> bool:
        """Whether anything was written; False when all of it was known already."""
        return self.created or bool(self.filled or self.new_photo_ids or self.restored_photo_ids)


def add_specimen(
    change: Change, store: PhotoStore | None, record: SpecimenRecord, photos: Sequence[NewPhoto]
) -> AddOutcome:
    """Record a specimen, or extend the one of that name.

    Where two persons must confirm, a confirmed one that gets photos or more of its design
    waits for confirmation again. What a correction took away from a known one is not filled in
    again.

    Parameters
    ----------
    change : Change
        The transaction.
    store : PhotoStore or None
        Where photo files go; None for a rehearsal, which writes no files.
    record : SpecimenRecord
        What is said of the specimen, cleaned.
    photos : sequence of NewPhoto
        Photos of it, cleaned.

    Raises
    ------
    RecordConflict
        Something else is recorded, a photo belongs to another specimen, or the specimen
        is withdrawn.
    RecordInvalid
        An edition is given without its marque.
    """
    recorded = queries.specimen_named(change.connection, record.name)
    left_out: tuple[str, ...] = ()
    if recorded is None:
        merged = Merged(_as_entered(change, record), filled=())
    else:
        merged = merge_records(recorded, record)
        if merged.filled:
            events = queries.list_events(change.connection, record.name)
            record, left_out = without_corrected(recorded, record, events)
            merged = merge_records(recorded, record)
    wanted, filled = merged.record, merged.filled
    require_marque(wanted)
    offered = {digest(photo.data): photo for photo in photos}
    known = _known_photos(change, wanted.name, list(offered))
    fresh = {sha256: photo for sha256, photo in offered.items() if sha256 not in known}
    if recorded is not None and (filled or fresh):
        require_not_withdrawn(recorded)
    stored = {} if store is None else {s: store.put(photo.data) for s, photo in offered.items()}
    if recorded is None or filled:
        _write_record(change, wanted)
    new = _insert_photos(change, wanted.name, fresh)
    restored = {s: known[s] for s in known if stored.get(s, Stored.PRESENT) is not Stored.PRESENT}
    _log(change, recorded, wanted, filled, new, restored)
    before = wanted.state
    if recorded is not None and (new or set(filled) & {*STATED, *CONFIRMATION}):
        wanted = ask_again(change, wanted.name)
    records = known | new
    return AddOutcome(
        wanted,
        [records[digest(photo.data)] for photo in photos],
        created=recorded is None,
        filled=filled,
        left_out=left_out,
        new_photo_ids=frozenset(photo.photo_id for photo in new.values()),
        restored_photo_ids=frozenset(photo.photo_id for photo in restored.values()),
        asked_again=wanted.state is not before,
    )


def _as_entered(change: Change, record: SpecimenRecord) -> SpecimenRecord:
    if record.state is IntakeState.WITHDRAWN:
        raise RecordInvalid(
            "state: a specimen cannot enter as withdrawn; add it, then withdraw it with a reason",
            field="state",
        )
    two_person = queries.set_info(change.connection).two_person
    given = record.provenance
    return replace(
        record,
        # Where two persons must confirm, the one who enters cannot also confirm.
        state=IntakeState.PROPOSED if two_person else record.state,
        provenance=replace(
            given,
            entered_by=given.entered_by or change.by,
            entered_at=given.entered_at or now(),
        ),
        withdrawn_reason=None,
    )


def _known_photos(change: Change, name: str, digests: list[str]) -> dict[str, PhotoRecord]:
    known: dict[str, PhotoRecord] = {}
    for sha256 in digests:
        for photo in queries.list_photos(change.connection, PhotoRow.sha256 == sha256):
            if photo.specimen != name:
                raise RecordConflict(
                    f"path: the same picture is recorded already as {shown(photo.file_name)} of "
                    f"specimen {shown(photo.specimen)}; one photo shows one specimen",
                    field="path",
                )
            known[sha256] = photo
    return known


def _write_record(change: Change, wanted: SpecimenRecord) -> None:
    session = change.session
    element = wanted.element.value
    marque_id = id_of(change, MarqueRow, name=wanted.marque)
    edition_id = id_of(
        change, EditionRow, name=wanted.edition, marque_id=marque_id, element=element
    )
    origin_id = id_of(change, PrintOriginRow, name=wanted.origin)
    row = session.scalars(select(SpecimenRow).filter_by(name=wanted.name)).one_or_none()
    if row is None:
        row = SpecimenRow(
            name=wanted.name,
            element=element,
            standing=wanted.standing.value,
            state=wanted.state.value,
            entered_by=wanted.provenance.entered_by,
            entered_at=wanted.provenance.entered_at,
        )
        session.add(row)
    row.marque_id = marque_id
    row.edition_id = edition_id
    row.origin_id = origin_id
    row.source = wanted.provenance.source
    row.confirmed_by = wanted.provenance.confirmed_by
    row.confirmed_on = wanted.provenance.confirmed_on
    row.basis = wanted.provenance.basis
    row.notes = wanted.notes
    session.flush()
    add_serials(change, row.id, list(wanted.serials))


def _insert_photos(
    change: Change, name: str, fresh: Mapping[str, NewPhoto]
) -> dict[str, PhotoRecord]:
    if not fresh:
        return {}
    specimen_id = change.session.scalars(select(SpecimenRow.id).filter_by(name=name)).one()
    new: dict[str, PhotoRecord] = {}
    for sha256, photo in fresh.items():
        row = PhotoRow(
            sha256=sha256,
            specimen_id=specimen_id,
            view=photo.view.value,
            lighting=photo.lighting.value,
            file_name=photo.file_name,
            media_type=photo.media_type,
            byte_count=len(photo.data),
            width=photo.width,
            height=photo.height,
            captured_at=photo.captured_at,
            camera_make=photo.camera.make,
            camera_model=photo.camera.model,
            camera_lens=photo.camera.lens,
            px_per_mm=photo.px_per_mm,
            photo_check=photo.check,
        )
        change.session.add(row)
        change.session.flush()
        new[sha256] = queries.photo_numbered(change.connection, row.id)
    return new


def _log(
    change: Change,
    recorded: SpecimenRecord | None,
    wanted: SpecimenRecord,
    filled: tuple[str, ...],
    new: Mapping[str, PhotoRecord],
    restored: Mapping[str, PhotoRecord],
) -> None:
    detail: dict[str, Any] = {}
    if recorded is None or filled:
        detail["record"] = asdict(wanted)
    if recorded is not None and filled:
        detail["filled"] = filled
        detail["before"] = _values(recorded, filled)
        detail["after"] = _values(wanted, filled)
    if new:
        detail["photos"] = [asdict(photo) for photo in new.values()]
    if restored:
        detail["restored"] = [photo.sha256 for photo in restored.values()]
    if detail:
        change.log("add-specimen" if recorded is None else "extend-specimen", wanted.name, detail)


def _values(record: SpecimenRecord, filled: tuple[str, ...]) -> dict[str, Any]:
    """Return fields under the names and in the form that edits use."""
    values = fields_of(record)
    names = ("serials" if field == "serial" else field for field in filled)
    return {field: values[field] for field in names}
