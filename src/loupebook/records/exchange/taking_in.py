"""Merging what a bag holds into a set, points included: one transaction, whole or not at all.

A specimen of the bag and the one of that name in the set are the same object if they share a
picture, or a serial number of the same marque and element, or if that specimen was taken in from
that set before. Two objects under one name are a conflict, and so are one picture under two
names and whatever else the set knows otherwise.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

from loupebook.errors import RecordConflict, RecordInvalid
from loupebook.records import adding, queries
from loupebook.records.catalogue import Catalogue
from loupebook.records.change import Change
from loupebook.records.checks import clean_photo
from loupebook.records.fields import CONFIRMATION
from loupebook.records.model import NewPhoto, PhotoRecord, SpecimenRecord
from loupebook.records.photo_store import PhotoStore, Stored, digest
from loupebook.records.points import DrawnPoint, take_point
from loupebook.records.serials import plain_serial
from loupebook.records.tables import PhotoRow, SpecimenRow
from loupebook.records.text import shown

SamePicture = Callable[[NewPhoto, PhotoRecord], bool]
"""Whether a photo offered shows the very pixels of a photo on record."""


class Fate(StrEnum):
    """What becomes of a specimen of a bag."""

    NEW = "new"
    EXTENDED = "extended"
    SAME = "already known"
    CONFLICT = "conflict"


@dataclass(frozen=True)
class OfferedPhoto:
    """A photo of a bag, and the SHA-256 of the file that it was made from, if another."""

    photo: NewPhoto
    original_sha256: str | None = None


@dataclass(frozen=True)
class Offered:
    """A specimen that a bag offers.

    Parameters
    ----------
    record : SpecimenRecord
        Under the name that it would get here.
    name_there : str
        Its name in the bag.
    photos : callable
        Reads its photos.
    """

    record: SpecimenRecord
    name_there: str
    photos: Callable[[], Sequence[OfferedPhoto]]


@dataclass(frozen=True)
class Origin:
    """The set and the bag that specimens come from."""

    set_id: str
    set_name: str
    bag: str


@dataclass(frozen=True)
class Taken:
    """What became, or would become, of one specimen.

    Parameters
    ----------
    name, name_there : str
        Its name here and in the bag.
    fate : Fate
        See there.
    new_photos : int
        Photos that the set did not have.
    filled : tuple of str
        Fields that the set lacked.
    left_out : tuple of str
        Fields of which something stayed out, because a correction here had taken it away.
    conflict : str or None
        Why it cannot be taken in.
    """

    name: str
    name_there: str
    fate: Fate
    new_photos: int = 0
    filled: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    conflict: str | None = None


def take_in(
    catalogue: Catalogue,
    offered: Sequence[Offered],
    points: Sequence[DrawnPoint],
    origin: Origin,
    *,
    by: str,
    same_picture: SamePicture,
    rehearse: bool,
) -> tuple[list[Taken], int]:
    """Take specimens and points in, all or none.

    A rehearsal gathers every conflict and writes nothing. A point whose photo was known here
    under other bytes stays out: its frame is not here.

    Parameters
    ----------
    catalogue : Catalogue
        The set.
    offered : sequence of Offered
        What the bag holds.
    points : sequence of DrawnPoint
        Points of comparison on photos of these specimens.
    origin : Origin
        Where it comes from.
    by : str
        Who takes it in.
    same_picture : callable
        See :data:`SamePicture`.
    rehearse : bool
        Only find out what would happen.

    Returns
    -------
    list of Taken, int
        What became of each specimen, and how many points the set did not have.

    Raises
    ------
    RecordConflict, RecordInvalid
        Only where it is no rehearsal: something stands in the way, and nothing was written.
    """
    store = None if rehearse else catalogue._store
    with catalogue._changing(by, keep=not rehearse) as change:
        work = _TakingIn(change, store, origin, same_picture)
        try:
            taken = [work.take(one) for one in offered]
            if any(one.fate is Fate.CONFLICT for one in taken):
                return taken, 0  # their photos may be here, of another design
            return taken, sum(take_point(change, point) is not None for point in points)
        except BaseException:
            work.take_back_files()
            raise


@dataclass
class _TakingIn:
    change: Change
    store: PhotoStore | None
    origin: Origin
    same_picture: SamePicture
    written: list[str] = field(default_factory=list)

    def take_back_files(self) -> None:
        """Remove the files written; the transaction's lock keeps others from using them."""
        if self.store is not None:
            for sha256 in self.written:
                self.store.path(sha256).unlink(missing_ok=True)

    def take(self, offered: Offered) -> Taken:
        if self.store is not None:
            return self._merged(offered)
        try:
            with self.change.session.begin_nested():
                return self._merged(offered)
        except (RecordConflict, RecordInvalid) as exc:
            return Taken(offered.record.name, offered.name_there, Fate.CONFLICT, conflict=str(exc))

    def _merged(self, offered: Offered) -> Taken:
        record = offered.record
        photos = list(offered.photos())
        recorded = queries.specimen_named(self.change.connection, record.name)
        same_files: list[OfferedPhoto] = []
        if recorded is None:
            self._require_unknown_elsewhere(offered, photos)
        else:
            held = queries.list_photos(self.change.connection, SpecimenRow.name == record.name)
            fresh = [one for one in photos if not self._is_held(one, held)]
            if len(fresh) == len(photos):
                self._require_same_object(recorded, offered)
            self._require_unknown_elsewhere(offered, fresh)
            names = {photo.sha256 for photo in held}
            same_files = [one for one in photos if digest(one.photo.data) in names]
            photos = fresh
            record = _what_it_adds(recorded, record)
        return self._add(
            offered,
            record,
            [clean_photo(one.photo) for one in photos],
            [clean_photo(one.photo) for one in same_files],
        )

    def _add(
        self,
        offered: Offered,
        record: SpecimenRecord,
        fresh: list[NewPhoto],
        same_files: list[NewPhoto],
    ) -> Taken:
        """Add what is new; files that are on record already put damaged ones right."""
        for photo in fresh if self.store is not None else ():
            assert self.store is not None
            if self.store.put(photo.data) is Stored.NEW:
                self.written.append(digest(photo.data))
        photos = [*fresh, *same_files]
        outcome = adding.add_specimen(self.change, self.store, record, photos)
        if not outcome.changed:
            return Taken(record.name, offered.name_there, Fate.SAME, left_out=outcome.left_out)
        self.change.log(
            "take-in",
            record.name,
            {
                "set": self.origin.set_id,
                "set_name": self.origin.set_name,
                "name": offered.name_there,
                "bag": self.origin.bag,
            },
        )
        return Taken(
            record.name,
            offered.name_there,
            Fate.NEW if outcome.created else Fate.EXTENDED,
            len(outcome.new_photo_ids),
            outcome.filled,
            outcome.left_out,
        )

    def _is_held(self, offered: OfferedPhoto, held: Sequence[PhotoRecord]) -> bool:
        names = {digest(offered.photo.data), offered.original_sha256}
        return any(photo.sha256 in names for photo in held) or any(
            self.same_picture(offered.photo, photo)
            for photo in held
            if (photo.width, photo.height) == (offered.photo.width, offered.photo.height)
        )

    def _require_unknown_elsewhere(self, offered: Offered, photos: Sequence[OfferedPhoto]) -> None:
        originals = [one.original_sha256 for one in photos if one.original_sha256]
        for photo in queries.list_photos(self.change.connection, PhotoRow.sha256.in_(originals)):
            raise RecordConflict(
                f"specimen: a picture of {shown(offered.name_there)} is on record already, as "
                f"{shown(photo.file_name)} of specimen {shown(photo.specimen)}; leave it out",
                field="specimen",
            )

    def _require_same_object(self, recorded: SpecimenRecord, offered: Offered) -> None:
        own = queries.set_info(self.change.connection).set_id
        if self.origin.set_id == own or self._came_from_there(recorded.name, offered.name_there):
            return
        if _share_a_serial(recorded, offered.record):
            return
        raise RecordConflict(
            f"specimen: another specimen is called {shown(recorded.name)} here, and nothing shows "
            "that both are one object (no picture, no serial in common); take the bag in with a "
            "prefix, or leave this specimen out",
            field="specimen",
        )

    def _came_from_there(self, name: str, name_there: str) -> bool:
        for event in queries.list_events(self.change.connection, name):
            if event.action == "take-in":
                told = json.loads(event.detail)
                if (told["set"], told["name"]) == (self.origin.set_id, name_there):
                    return True
        return False


def _share_a_serial(one: SpecimenRecord, other: SpecimenRecord) -> bool:
    serials = [{plain_serial(serial.value) for serial in record.serials} for record in (one, other)]
    same_design = (one.element, one.marque) == (other.element, other.marque)
    return one.marque is not None and same_design and bool(serials[0] & serials[1] - {""})


def _what_it_adds(recorded: SpecimenRecord, offered: SpecimenRecord) -> SpecimenRecord:
    """Leave out what the set says itself of how a standing is known: its own word stands."""
    ours, theirs = recorded.provenance, offered.provenance
    # Who, when and on what grounds are one statement: parts of two would be one that nobody made.
    confirmed = ours if any(getattr(ours, name) for name in CONFIRMATION) else theirs
    own = {name: getattr(confirmed, name) for name in CONFIRMATION}
    return replace(offered, provenance=replace(theirs, source=ours.source or theirs.source, **own))
