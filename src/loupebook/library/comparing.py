"""Detailed comparison: two photos, or a photo with what a set knows.

Two photos alone tell little of what is usual; with a set, the query is compared with the
consensus of all genuine photos of an edition (or of one print origin of fakes), view and
lighting, which lies under ``derived/compare`` and is kept up to date.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loupebook.compare import (
    Compared,
    Comparison,
    ConsensusStore,
    Group,
    Held,
    Picture,
    Wanted,
    candidates_of,
    compare_each,
    compare_pair,
    compare_with,
    pictures_of,
)
from loupebook.compare.comparison import Verdict
from loupebook.errors import ComparisonError, SetDamaged
from loupebook.imaging import PhotoCheck, check_photo, decode_photo, encode_jpeg
from loupebook.library.evidence_glue import EvidenceKeeper
from loupebook.records.catalogue import Catalogue
from loupebook.records.model import IntakeState, Lighting, PhotoFacts, Standing
from loupebook.search.files import write_atomically
from loupebook.sheets.measured import Word, finding_words, word_of

Photo = bytes | Path | NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class ComparisonReport:
    """The answer to one comparison.

    Parameters
    ----------
    query, reference : str
        Names to show; for a set, `reference` names the edition or print origin.
    comparison : Comparison
        What was found.
    photo_check : PhotoCheck
        Advice on the query.
    standing : str, optional
        Of the references that it was compared with, where it is known.
    reading : mapping, optional
        What the comparison with genuine photos of a set is worth, as
        :func:`loupebook.evidence.by_print.read_print` says it; `None` where the set's own prints
        were not held against each other, or the photo is too poor.
    """

    query: str
    reference: str
    comparison: Comparison
    photo_check: PhotoCheck
    standing: str | None = None
    reading: Mapping[str, Any] | None = None
    pictures: Mapping[str, NDArray[np.uint8]] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "pictures", pictures_of(self.comparison))

    @property
    def poor(self) -> bool:
        """Whether the photo is too poor to hold fine print against anything."""
        return not self.photo_check.shows_print

    def says(self) -> str:
        """Return the finding in a sentence or two, with what the query was held against."""
        held = {**self.comparison.to_dict(), "reference_standing": self.standing}
        return finding_words(held, poor=self.poor)

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form that ``compare --json`` prints.

        Each measurement has the word that is said of it (`word`) beside its verdict, which is
        one of three: `reason` says why something cannot be told.
        """
        told = self.measured()
        rows = told["measurements"]
        return {
            **told,
            "measurements": [{**row, "word": str(word_of(row, poor=self.poor))} for row in rows],
        }

    def measured(self, *, far: bool = False) -> dict[str, Any]:
        """Return the JSON form without the words of its measurements, as it is kept on record.

        A record makes them when it is shown.

        Parameters
        ----------
        far : bool
            Whether nothing in the set is close: the measurements then bear no verdict.
        """
        found = self.comparison.to_dict()
        return {
            "query": self.query,
            "reference": self.reference,
            "reference_standing": self.standing,
            **found,
            "measurements": [self._borne(row, far=far) for row in found["measurements"]],
            "says": self.says(),
            "reading": None if self.reading is None else dict(self.reading),
            "photo_check": json.loads(self.photo_check.to_json()),
        }

    def _borne(self, row: dict[str, Any], *, far: bool) -> dict[str, Any]:
        """Return a measurement, with no verdict where photo or design bear none."""
        word = word_of(row, poor=self.poor, far=far)
        if word not in (Word.POOR, Word.FAR):
            return row
        return {**row, "verdict": str(Verdict.CANNOT_TELL), "reason": str(word)}

    def write(self, folder: Path) -> list[Path]:
        """Write figures and pictures into a folder, which is made where missing.

        Raises
        ------
        ComparisonError
            If the folder cannot be written to.
        """
        try:
            written = [folder / "comparison.json"]
            told = json.dumps(self.to_dict(), indent=1, ensure_ascii=False)
            # The query's name may be no UTF-8; the escape is JSON's own.
            write_atomically(written[0], [told.encode("utf-8", "backslashreplace")])
            for name, pixels in self.pictures.items():
                path = folder / f"{name}.jpg"
                write_atomically(path, [encode_jpeg(pixels, quality=92)])
                written.append(path)
        except OSError as exc:
            raise ComparisonError(
                f"The comparison cannot be written to {folder}: {exc}. Name another folder."
            ) from exc
        return written


def compare_photos(
    query: Photo,
    reference: Photo,
    *,
    px_per_mm: float | None = None,
    lighting: Lighting | None = None,
) -> ComparisonReport:
    """Compare two photos that are in no set.

    Parameters
    ----------
    query, reference : bytes, Path or ndarray
        Original bytes, a file, or decoded pixels.
    px_per_mm : float, optional
        Scale of the reference; without it nothing can be said in millimetres.
    lighting : Lighting, optional
        How both were lit.

    Raises
    ------
    PhotoError
        If one cannot be decoded within limits.
    """
    pixels, check = _ready(query, lighting)
    other = _ready(reference, lighting)[0]
    found = compare_pair(pixels, other, px_per_mm=px_per_mm, uv=lighting is Lighting.UV_A)
    return ComparisonReport(_name(query, "query"), _name(reference, "reference"), found, check)


class SetComparer:
    """Compares queries with what one set knows.

    Parameters
    ----------
    catalogue : Catalogue
        The opened catalogue.
    read : callable
        Photo id to pixels.
    evidence : EvidenceKeeper
        Says what comparisons are worth.
    """

    def __init__(
        self,
        catalogue: Catalogue,
        read: Callable[[int], NDArray[np.uint8]],
        evidence: EvidenceKeeper,
    ) -> None:
        self._catalogue = catalogue
        self._read = read
        self._evidence = evidence
        self._store: ConsensusStore | None = None

    def compare(
        self, query: Photo, photo_id: int, facts: Mapping[int, PhotoFacts]
    ) -> ComparisonReport:
        """Compare a query with the edition (or print origin) that a photo belongs to.

        Parameters
        ----------
        query : bytes, Path or ndarray
            The photo in question.
        photo_id : int
            A reference of the set.
        facts : mapping
            Photo id to facts, of the whole set.

        Raises
        ------
        ComparisonError
            If there is no such photo, or no consensus can be made of its kind.
        """
        if photo_id not in facts:
            raise ComparisonError(f"The set holds no confirmed photo {photo_id}.")
        group = Group.of(facts[photo_id])
        pixels, check = _ready(query, facts[photo_id].lighting)
        held = self._store_of().get(group, self._wanted(group, facts), self._read)
        found = compare_with(Picture.of(pixels), held.consensus, own=held.own, uv=group.uv)
        reading = None
        if facts[photo_id].standing is Standing.GENUINE and check.shows_print:
            reading = self._evidence.read_print(found, facts[photo_id].element)
        return ComparisonReport(
            _name(query, "query"), group.name, found, check, group.standing, reading
        )

    def compare_found(
        self,
        query: NDArray[np.uint8],
        found: Sequence[tuple[int, float]],
        facts: Mapping[int, PhotoFacts],
    ) -> Iterator[Compared]:
        """Compare a query with the groups of photos that a search found, one at a time.

        Lost photos are left out; a group without a sound one is not compared, with the reason.

        Parameters
        ----------
        query : ndarray
            uint8 sRGB.
        found : sequence of (photo id, score)
            The search's results, best first.
        facts : mapping
            Photo id to facts, of the whole set.
        """
        return compare_each(
            Picture.of(query),
            candidates_of(found, facts),
            lambda group: self._kept_or_held(group, facts),
        )

    def _kept_or_held(self, group: Group, facts: Mapping[int, PhotoFacts]) -> Held:
        """Return the consensus of a group; only where a photo is lost is each looked at.

        What is kept answers without reading a photo, and a search must not wait for all of them.
        """
        try:
            return self._store_of().get(group, self._wanted(group, facts), self._read)
        except SetDamaged:
            return self.held(group, facts)

    def held(self, group: Group, facts: Mapping[int, PhotoFacts]) -> Held:
        """Return the consensus of a group as its photos now stand; lost ones are left out.

        Raises
        ------
        ComparisonError
            If there is no photo of it, or none with enough print.
        """
        wanted = [one for one in self._wanted(group, facts) if self._is_sound(one)]
        if not wanted:
            raise ComparisonError(f"The set holds no sound photo of {group.name}.")
        return self._store_of().get(group, wanted, self._read)

    def _is_sound(self, photo: Wanted) -> bool:
        try:
            self._catalogue.photo_bytes(photo.photo_id)
        except SetDamaged:
            return False
        return True

    def clear(self) -> None:
        """Delete all consensus images; they are made anew when needed."""
        self._store_of().clear()

    def _store_of(self) -> ConsensusStore:
        if self._store is None:
            folder = self._catalogue.folder / "derived" / "compare"
            self._store = ConsensusStore(folder, set_id=self._catalogue.info().set_id)
        return self._store

    def _wanted(self, group: Group, facts: Mapping[int, PhotoFacts]) -> list[Wanted]:
        wanted = []
        for photo_id, fact in facts.items():
            if fact.state is IntakeState.CONFIRMED and Group.of(fact) == group:
                record = self._catalogue.photo(photo_id)
                wanted.append(Wanted(photo_id, record.sha256, fact.specimen, record.px_per_mm))
        return wanted


def _ready(photo: Photo, lighting: Lighting | None) -> tuple[NDArray[np.uint8], PhotoCheck]:
    if isinstance(photo, np.ndarray):
        return photo, check_photo(photo, lighting=lighting)
    decoded = decode_photo(photo)
    return decoded.pixels, check_photo(decoded.pixels, decoded=decoded, lighting=lighting)


def _name(photo: Photo, otherwise: str) -> str:
    return str(photo) if isinstance(photo, Path) else otherwise
