"""Comparison sheets of a set: planned from its records, set, kept and made again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from loupebook.compare import Comparison, Consensus, Group, Held, Picture, compare_with
from loupebook.errors import (
    ComparisonError,
    LoupebookError,
    PhotoError,
    SetDamaged,
    SheetInvalid,
)
from loupebook.imaging import decode_photo
from loupebook.records import Catalogue, SheetRecord, Sheets
from loupebook.records.model import (
    Element,
    IntakeState,
    PhotoRecord,
    SetInfo,
    SpecimenRecord,
    Standing,
)
from loupebook.records.points import PointRecord, Points
from loupebook.search.files import write_atomically
from loupebook.sheets import (
    Laid,
    LaidStore,
    MadeSheet,
    Mapped,
    Place,
    SheetDefinition,
    SheetPoint,
    laid_by,
    lay_into,
    make_sheet,
    mapped_by,
    places_on_photo,
    plan_sheet,
)
from loupebook.sheets.typeset import Form

PREVIEW_DPI = 110


@dataclass(frozen=True)
class SheetState:
    """A saved sheet and whether the set has moved on since it was made.

    Parameters
    ----------
    record : SheetRecord
        As saved.
    added, gone : int
        Photos that it would show now and did not then, and the other way round.
    changed : bool
        Whether the set says something else of its photos now, or of the points on them.
    made : bool
        Whether it was ever made.
    fault : str
        Why it cannot be made now; empty where it can.
    """

    record: SheetRecord
    added: int = 0
    gone: int = 0
    changed: bool = False
    made: bool = True
    fault: str = ""

    @property
    def stale(self) -> bool:
        """Whether the sheet would be another now."""
        return bool(self.added or self.gone or self.changed)

    def says(self) -> str:
        """Return that in words."""
        if self.fault:
            return f"Cannot be made now: {self.fault}"
        if not self.made:
            return "Not made yet."
        if not self.stale:
            return "As the set stands."
        parts = [
            f"{count} photo{'s' * (count != 1)} {word}"
            for count, word in ((self.added, "more"), (self.gone, "fewer"))
            if count
        ]
        if not parts:
            return "What the set says of its photos has changed since it was made. Make it again."
        return f"The set has changed since it was made: {', '.join(parts)}. Make it again."


@dataclass(frozen=True, eq=False)
class Looked:
    """One photo against the other specimens of a group, all from one registration.

    Parameters
    ----------
    comparison : Comparison
        What was measured.
    laid : Laid
        The photo in the frame, or cropped.
    mapped : Mapped, optional
        Where the frame lies on the photo.
    consensus : ndarray
        What the others have in common, uint8 sRGB.
    """

    comparison: Comparison
    laid: Laid
    mapped: Mapped | None
    consensus: NDArray[np.uint8]


class _Frame(NamedTuple):
    """What a consensus is made from: the same gives the same frame."""

    place: tuple[float, float, float]
    photos: tuple[tuple[int, str], ...]

    @classmethod
    def of(cls, consensus: Consensus) -> _Frame:
        photos = tuple((photo.photo_id, photo.sha256) for photo in consensus.photos)
        return cls(consensus.place, photos)


class SetSource:
    """A set as the sheet templates see it; confirmed specimens only.

    Parameters
    ----------
    catalogue : Catalogue
        The opened catalogue.
    held_of : callable
        Gives the consensus image of a group, or raises ``ComparisonError``.
    """

    def __init__(self, catalogue: Catalogue, held_of: Callable[[Group], Held]) -> None:
        self._catalogue = catalogue
        self._held_of = held_of
        self._store = LaidStore(catalogue.folder / "derived" / "sheets")
        self._mapped: dict[tuple[int, str], tuple[_Frame, Mapped | None]] = {}

    def info(self) -> SetInfo:
        """Return what the set says of itself."""
        return self._catalogue.info()

    def specimens(
        self,
        *,
        marque: str | None = None,
        edition: str | None = None,
        element: Element | None = None,
        origin: str | None = None,
        standing: Standing | None = None,
    ) -> list[SpecimenRecord]:
        """Return confirmed specimens by name."""
        return self._catalogue.specimens(
            marque=marque, edition=edition, element=element, origin=origin, standing=standing,
            state=IntakeState.CONFIRMED,
        )  # fmt: skip

    def specimen(self, name: str) -> SpecimenRecord:
        """Return one confirmed specimen.

        Raises
        ------
        RecordNotFound
            There is none of that name.
        SheetInvalid
            It is not confirmed: its standing is not to be taught from.
        """
        found = self._catalogue.specimen(name)
        if found.state is not IntakeState.CONFIRMED:
            raise SheetInvalid(f"{found.name} is {found.state}; only confirmed ones are shown.")
        return found

    def photos(self, specimen: str) -> list[PhotoRecord]:
        """Return the photos of a specimen."""
        return self._catalogue.photos(specimen)

    def consensus(self, group: Group) -> Consensus | None:
        """Return a consensus image; `None` where none can be made."""
        try:
            return self._held_of(group).consensus
        except ComparisonError:
            return None

    def compare_photo(self, photo: PhotoRecord, group: Group) -> Comparison | None:
        """Compare a photo with the other specimens of a group; `None` where that cannot be."""
        try:
            looked = self.look(photo, group)
        except LoupebookError:
            # One file that is damaged must not cost the whole sheet.
            return None
        return looked.comparison if looked else None

    def look(self, photo: PhotoRecord, group: Group) -> Looked | None:
        """Compare a photo with the other specimens of a group, and lay it into the frame.

        Returns
        -------
        Looked or None
            `None` where the group has no consensus image without this specimen.
        """
        picture = Picture.of(self.pixels(photo))
        try:
            held = self._held_of(group)
        except ComparisonError:
            return None
        consensus: Consensus | None = held.consensus
        if photo.specimen in {one.specimen for one in held.consensus.photos}:
            # A photo must not be held against itself; the frame stays the same.
            consensus = held.consensus.without(photo.specimen)
        if consensus is None:
            return None
        comparison = compare_with(picture, consensus, own=held.own, uv=group.uv)
        laid = laid_by(picture, comparison.registration, consensus, px_per_mm=photo.px_per_mm)
        mapped = mapped_by(picture, comparison.registration, consensus)
        return Looked(comparison, laid, mapped, consensus.pixels)

    def compare_consensus(self, query: Group, reference: Group) -> Comparison | None:
        """Compare what two groups have in common."""
        consensus = self.consensus(query)
        try:
            held = self._held_of(reference)
        except ComparisonError:
            return None
        if consensus is None:
            return None
        return compare_with(consensus.picture, held.consensus, own=held.own, uv=reference.uv)

    def pixels(self, photo: PhotoRecord) -> NDArray[np.uint8]:
        """Return a photo decoded, its file checked against its hash."""
        return decode_photo(self._catalogue.photo_bytes(photo.photo_id)).pixels

    def laid(self, photo: PhotoRecord, group: Group) -> Laid:
        """Return a photo laid into the frame of a group's consensus."""
        # Checked against its hash in any case, decoded only where it was not laid before.
        data = self._catalogue.photo_bytes(photo.photo_id)
        consensus = self.consensus(group)
        if consensus is None:
            whole = decode_photo(data).pixels
            return Laid(whole, photo.px_per_mm, False, "there is no consensus image")
        return self._store.get(
            photo.sha256,
            group,
            consensus,
            lambda: lay_into(decode_photo(data).pixels, consensus, px_per_mm=photo.px_per_mm),
        )

    def mapped(self, photo: PhotoRecord, group: Group) -> Mapped | None:
        """Return where a group's frame lies on a photo; `None` where it cannot be told."""
        consensus = self.consensus(group)
        if consensus is None:
            return None
        key, frame = (photo.photo_id, group.key), _Frame.of(consensus)
        kept = self._mapped.get(key)
        if kept is None or kept[0] != frame:
            kept = frame, places_on_photo(self.pixels(photo), consensus)
            self._mapped[key] = kept
        return kept[1]

    def points(self, group: Group) -> list[SheetPoint]:
        """Return the points of comparison drawn on a group's consensus image."""
        drawn = Points(self._catalogue).of(
            marque=group.marque,
            edition=group.name,
            element=group.element,
            view=group.view,
            lighting=group.lighting,
        )
        placed = ((record, self.place_of(record, group)) for record in drawn)
        return [
            SheetPoint(
                number, record.title, place, record.genuine_shows, record.copies_show,
                point_id=record.point_id,
            )
            for number, (record, place) in enumerate(
                ((record, place) for record, place in placed if place is not None), start=1
            )
        ]  # fmt: skip

    def place_of(self, record: PointRecord, group: Group) -> Place | None:
        """Return where a point lies in the frame.

        `None` where its photo does not fit the frame, or can no longer be read.
        """
        photo = self._catalogue.photo(record.photo_id)
        try:
            mapped = self.mapped(photo, group)
        except (SetDamaged, PhotoError):
            # One damaged file must not cost the others; `verify` names it.
            return None
        if mapped is None:
            return None
        corners = (np.asarray(record.region) + 0.5) / np.array([photo.width, photo.height])
        low, high = corners.min(axis=0), corners.max(axis=0)
        inside = ((mapped.at >= low) & (mapped.at <= high)).all(-1) & mapped.valid
        return box_of(inside)


def box_of(inside: NDArray[np.bool_]) -> Place | None:
    """Return the box around a mask as fractions of it; `None` where it is empty."""
    rows, columns = np.nonzero(inside)
    if len(rows) == 0:
        return None
    height, width = inside.shape
    left, top = columns.min() / width, rows.min() / height
    return Place(
        float(left), float(top), float((columns.max() + 1) / width - left),
        float((rows.max() + 1) / height - top),
    )  # fmt: skip


class SheetDesk:
    """Makes, keeps and refreshes the sheets of one set.

    Parameters
    ----------
    catalogue : Catalogue
        The opened catalogue.
    source : SetSource
        What the templates are given.
    """

    def __init__(self, catalogue: Catalogue, source: SetSource) -> None:
        self._catalogue = catalogue
        self._sheets = Sheets(catalogue)
        self._source = source

    def make(
        self,
        definition: SheetDefinition,
        *,
        form: Form = "pdf",
        preview: bool = False,
        made_at: datetime | None = None,
    ) -> MadeSheet:
        """Make a sheet.

        Parameters
        ----------
        definition : SheetDefinition
            What to show.
        form : ``"pdf"`` or ``"png"``
            One file, or one a page.
        preview : bool
            Make coarse PNG pages for the screen.
        made_at : datetime, optional
            Shown on every page; now by default.

        Raises
        ------
        SheetInvalid
            If there is nothing to show, or it does not fit.
        RecordNotFound
            If a specimen named is not in the set.
        """
        plan = plan_sheet(self._source, definition)
        info = self._catalogue.info()
        if preview:
            return make_sheet(plan, definition, info, form="png", dpi=PREVIEW_DPI, made_at=made_at)
        return make_sheet(plan, definition, info, form=form, made_at=made_at)

    def save(self, name: str, definition: SheetDefinition, *, by: str) -> SheetRecord:
        """Save a definition under a name; one of that name is replaced."""
        return self._sheets.save(name, definition.to_dict(), by=by)

    def keep_made(
        self, name: str, definition: SheetDefinition, made: MadeSheet, *, by: str
    ) -> SheetRecord:
        """Save the definition of a sheet just made, and remember from what it was made."""
        record = self.save(name, definition, by=by)
        self._sheets.remember(record.name, made.made_from, made.said, by=by)
        return record

    def make_saved(self, name: str, *, form: Form = "pdf", by: str) -> MadeSheet:
        """Make a saved sheet as the set now stands, and remember from what."""
        record = self._sheets.get(name)
        made = self.make(SheetDefinition.from_dict(record.definition), form=form)
        self._sheets.remember(record.name, made.made_from, made.said, by=by)
        return made

    def saved(self) -> list[SheetRecord]:
        """Return all saved definitions by name."""
        return self._sheets.all()

    def state(self, name: str) -> SheetState:
        """Say whether a saved sheet would be another now."""
        record = self._sheets.get(name)
        if not record.made:
            return SheetState(record, made=False)
        try:
            plan = plan_sheet(self._source, SheetDefinition.from_dict(record.definition))
        except SheetInvalid as error:
            return SheetState(record, gone=len(record.made_from), fault=str(error))
        then, now = set(record.made_from), set(plan.made_from)
        return SheetState(
            record, added=len(now - then), gone=len(then - now),
            changed=bool(record.said) and record.said != plan.said,
        )  # fmt: skip


def write_sheet(made: MadeSheet, target: Path) -> list[Path]:
    """Write a sheet; PNG pages after the first get a number.

    Raises
    ------
    SheetInvalid
        If a file cannot be written, or pages of another sheet would stand beside the new ones.
    """
    pages = len(made.files)
    paths = [target] if pages == 1 else _numbered(target, pages)
    if made.form == "png" and (older := _older_pages(target, pages)):
        raise SheetInvalid(
            f"Pages of another sheet stand there: {', '.join(path.name for path in older)}. Handed "
            "on with the new ones they would seem to be of one sheet: remove them, or name "
            "another file."
        )
    return [write_pdf(content, path) for path, content in zip(paths, made.files, strict=True)]


def write_pdf(content: bytes, target: Path) -> Path:
    """Write a file that was made for print, whole or not at all; return where.

    Raises
    ------
    SheetInvalid
        If it cannot be written.
    """
    try:
        write_atomically(target, [content])
    except OSError as exc:
        raise SheetInvalid(f"The file {target} cannot be written: {exc.strerror}.") from exc
    return target


def _numbered(target: Path, pages: int) -> list[Path]:
    return [target.with_stem(f"{target.stem}-{page}") for page in range(1, pages + 1)]


def _older_pages(target: Path, pages: int) -> list[Path]:
    """Return what a sheet of another length left, which the new pages would not replace.

    They are not removed: they may be somebody's pictures of a like name.
    """
    if pages == 1:
        # A sheet of several pages has two at least; one picture of such a name is no sheet.
        first_two = _numbered(target, 2)
        return first_two if all(path.exists() for path in first_two) else []
    others = (target, _numbered(target, pages + 1)[-1])
    return [path for path in others if path.exists()]


def definition_of(**given: Any) -> SheetDefinition:
    """Return a definition from values that may be missing."""
    return SheetDefinition.from_dict(
        {name: value for name, value in given.items() if value not in (None, (), [], "")}
    )
