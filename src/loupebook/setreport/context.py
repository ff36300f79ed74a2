"""What the sections of a report work on: a set as it stands, read once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from loupebook.errors import LoupebookError
from loupebook.evidence.prints import LeftOutPrints, kept_prints, left_out_prints
from loupebook.evidence.table import PhotoTable
from loupebook.records.model import PhotoFacts, PhotoRecord, SetInfo, SpecimenRecord
from loupebook.records.text import design_phrase
from loupebook.search import Pending, Progress, ReadPhoto, no_progress
from loupebook.search.arm import Pixels
from loupebook.setreport.circumstances import Circumstance, circumstances_of
from loupebook.setreport.copies import CopyPair, find_copies
from loupebook.setreport.traits import PhotoTraits, read_traits


def edition_name(marque: str | None, edition: str | None) -> str:
    """Return marque and edition as one name; the marque once, where the edition names it."""
    return design_phrase(marque, edition, between=" ")


@dataclass(frozen=True)
class ReportContext:
    """A set as it stands.

    Parameters
    ----------
    folder : Path
        Folder of the set; derived files of the report lie under ``derived/setreport``.
    info : SetInfo
        What the set says of itself.
    specimens : tuple of SpecimenRecord
        Confirmed specimens.
    photos : mapping
        Row id to record, of their photos.
    table : PhotoTable
        Facts of the photos that have vectors.
    vectors : ndarray, shape (n, dim)
        Their unit vectors, in the order of the table.
    encoder, fingerprint : str
        Name of the encoder for people, and what identifies its vectors.
    read : callable
        Row id to pixels.
    pending : mapping
        Arm name to what separated its derived state from the catalogue before the report
        brought it up to date.
    read_whole : callable, optional
        Row id to the pixels as they are kept, which scales are recorded of; `None` where `read`
        gives these.
    known : mapping, optional
        Row id to facts, of every confirmed photo; `None` where all have vectors.
    progress : callable
        Called with (what, done, total).
    """

    folder: Path
    info: SetInfo
    specimens: tuple[SpecimenRecord, ...]
    photos: Mapping[int, PhotoRecord]
    table: PhotoTable
    vectors: NDArray[np.float32]
    encoder: str
    fingerprint: str
    read: ReadPhoto
    pending: Mapping[str, Pending] = field(default_factory=dict)
    read_whole: ReadPhoto | None = None
    known: Mapping[int, PhotoFacts] | None = None
    progress: Progress = no_progress

    @property
    def derived(self) -> Path:
        """Where the report keeps what it can make again."""
        return self.folder / "derived" / "setreport"

    @cached_property
    def unread(self) -> set[int]:
        """Photos that could not be read so far; grows while sections are made."""
        return set()

    def noting(self, read: ReadPhoto) -> ReadPhoto:
        """Return the same way to read photos, which notes in `unread` those that it could not."""

        def noted(photo: int) -> Pixels:
            try:
                return read(photo)
            except LoupebookError:
                self.unread.add(photo)
                raise

        return noted

    @cached_property
    def traits(self) -> Mapping[int, PhotoTraits]:
        """What the pixels of each photo show beside the item; read once, kept by hash."""
        return read_traits(
            self.derived / "traits.sqlite",
            {photo: record.sha256 for photo, record in self.photos.items()},
            self.noting(self.read),
            self.progress,
        )

    @cached_property
    def circumstances(self) -> Mapping[str, Circumstance]:
        """How each circumstance of the photos tells the standings; tested once."""
        return circumstances_of(self.specimens, self.photos_of, self.traits)

    @cached_property
    def copies(self) -> list[CopyPair]:
        """All pairs of photos that are the same picture."""
        return find_copies(
            {photo: record.sha256 for photo, record in self.photos.items()},
            self.traits,
            self.table.photo_ids,
            self.vectors,
            self.noting(self.read),
            self.derived / "pairs.sqlite",
            self.progress,
        )

    @cached_property
    def facts(self) -> Mapping[int, PhotoFacts]:
        """Row id to facts, of the photos that have vectors."""
        return dict(zip(self.table.photo_ids.tolist(), self.table.facts, strict=True))

    @property
    def confirmed(self) -> Mapping[int, PhotoFacts]:
        """Row id to facts, of every confirmed photo."""
        return self.facts if self.known is None else self.known

    @cached_property
    def left_out(self) -> LeftOutPrints:
        """Every print held against the genuine ones of its design; takes seconds a photo."""
        read = self.noting(self.read_whole or self.read)
        return left_out_prints(
            self.folder,
            self.info.set_id,
            self.confirmed,
            self.photos,
            read,
            self.progress,
        )

    @property
    def prints_at_hand(self) -> LeftOutPrints:
        """What prints held against each other gave, as far as it is kept; nothing is compared."""
        return kept_prints(self.folder, self.confirmed, self.photos)

    @cached_property
    def by_name(self) -> Mapping[str, SpecimenRecord]:
        """Name to specimen."""
        return {specimen.name: specimen for specimen in self.specimens}

    @cached_property
    def photos_of(self) -> Mapping[str, tuple[PhotoRecord, ...]]:
        """Name of specimen to its photos."""
        held: dict[str, list[PhotoRecord]] = {}
        for photo in self.photos.values():
            held.setdefault(photo.specimen, []).append(photo)
        return {name: tuple(photos) for name, photos in held.items()}
