"""Keeps a set's calibration fresh and turns searches into readings.

The calibration is of the embedding arm's cosines, because these lie in the store for every
reference. A query is therefore read by its own cosines to the nearest genuine and the
nearest fake reference of its element, whatever other arms have found beside them: of the photos
that pass the filters of the search, and it is these that the reading names.

Where the set's prints were held against each other (`Library.report` with `prints`), a detailed
comparison is read too, by what it measured.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from loupebook.compare import Comparison, judged_by
from loupebook.evidence.by_print import FEWEST, PrintCalibration, calibrate_prints, read_print
from loupebook.evidence.held import nearest_photo, set_vectors
from loupebook.evidence.judge import read_query
from loupebook.evidence.prints import kept_prints, prints_path
from loupebook.evidence.set_calibration import calibrate_set
from loupebook.evidence.stored import (
    MadeFrom,
    SetCalibration,
    load_calibration,
    now,
    photos_digest,
    save_calibration,
)
from loupebook.records.catalogue import Catalogue
from loupebook.records.model import Element, PhotoFacts, Standing
from loupebook.search import (
    ArmHit,
    EmbeddingArm,
    Filters,
    Progress,
    SearchArm,
    SearchResult,
    no_progress,
)


class EvidenceKeeper:
    """The calibration of one set, in memory and on disk.

    Parameters
    ----------
    catalogue : Catalogue
        The opened catalogue.
    """

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self._held: SetCalibration | None = None
        self._prints: tuple[object, str, Mapping[str, PrintCalibration]] | None = None

    def calibration(
        self,
        arm: EmbeddingArm,
        facts: Mapping[int, PhotoFacts],
        *,
        set_version: int,
        progress: Progress = no_progress,
    ) -> SetCalibration:
        """Return the calibration of the set as these facts have it, made where there is none.

        It is held and saved only where the set still stands as it was read.

        Parameters
        ----------
        arm : EmbeddingArm
            Brought up to date by the caller.
        facts : mapping
            Photo id to facts, of the whole set.
        set_version : int
            Change counter of the set, read before the facts.
        progress : callable, optional
            Called while references are compared.
        """
        info = self._catalogue.info()
        photos = photos_digest(arm.held_photos())
        wanted = MadeFrom(info.set_id, set_version, arm.fingerprint, photos)
        if self._held is not None and self._held.made_from == wanted:
            return self._held
        found = load_calibration(self._catalogue.folder, wanted)
        if found is None:
            vectors, table = set_vectors(arm, facts)
            found = SetCalibration(wanted, now(), calibrate_set(vectors, table, progress=progress))
            # Somebody has changed the set since: the facts may be of either state.
            if info.change_counter != set_version:
                return found
            save_calibration(self._catalogue.folder, found)
        self._held = found
        return found

    def read(
        self,
        arm: EmbeddingArm,
        result: SearchResult,
        facts: Mapping[int, PhotoFacts],
        *,
        encoder: str,
        set_version: int,
        progress: Progress = no_progress,
    ) -> dict[str, Any] | None:
        """Return the reading of one search; `None` where it found nothing to read.

        Parameters
        ----------
        arm : EmbeddingArm
            The arm that has just searched; it still remembers the embeddings.
        result : SearchResult
            What was found.
        facts : mapping
            Photo id to facts, of the whole set.
        encoder : str
            Name and fingerprint of the encoder, for the basis.
        set_version : int
            Change counter of the set, read before the facts.
        progress : callable, optional
            Called while a stale calibration is made anew.
        """
        if not result.matches:
            return None
        element = facts[result.matches[0].photo_id].element
        calibration = self.calibration(arm, facts, set_version=set_version, progress=progress)
        if str(element) not in calibration.elements:
            return None
        whole = _likest(arm, result, facts, element, Filters())
        narrowed = not all(result.filters.passes(facts[hit.photo_id]) for hit in whole.values())
        likest = _likest(arm, result, facts, element, result.filters) if narrowed else whole
        if not likest:
            return None
        genuine, fake = (
            likest[standing].score if standing in likest else None
            for standing in (Standing.GENUINE, Standing.FAKE)
        )
        nearest, nearest_of_all = (
            facts[max(hits.values(), key=lambda hit: hit.score).photo_id]
            for hits in (likest, whole)
        )
        return read_query(
            calibration,
            element=str(element),
            encoder=encoder,
            genuine=genuine,
            fake=fake,
            nearest=nearest.specimen,
            lighting=nearest.lighting,
            narrowed=narrowed,
            nearer_left_out=not result.filters.passes(nearest_of_all),
        )

    def read_print(self, comparison: Comparison, element: Element) -> dict[str, Any] | None:
        """Return the reading of a comparison with the genuine photos of a design.

        `None` where nothing was measured, the design has too few specimens, or prints of that
        element were never compared.

        Parameters
        ----------
        comparison : Comparison
            What was found.
        element : Element
            Of the design.
        """
        departure, framed = comparison.departure, comparison.framed
        if departure is None or framed is None:
            return None
        if len({photo.specimen for photo in framed.consensus.photos}) < FEWEST:
            return None
        made_at, version, prints = self._print_calibrations()
        if str(element) not in prints:
            return None
        return read_print(
            prints[str(element)],
            departure=departure,
            detail=min(1.0, framed.resolution),
            element=str(element),
            comparison=f"comparison of prints@{judged_by()[:12]}",
            set_version=version,
            made_at=made_at,
        )

    def _print_calibrations(self) -> tuple[str, int, Mapping[str, PrintCalibration]]:
        """Return when prints were calibrated, at which state of the set, and what they support."""
        version = self._catalogue.info().change_counter
        try:
            seen = prints_path(self._catalogue.folder).stat()
        except FileNotFoundError:
            return now(), version, {}
        # Another process may have compared prints since, which changes nothing in the set.
        state = (version, seen.st_mtime_ns, seen.st_size)
        if self._prints is None or self._prints[0] != state:
            facts = self._catalogue.facts()
            photos = {one.photo_id: one for one in self._catalogue.photos()}
            facts = {photo: fact for photo, fact in facts.items() if photo in photos}
            prints = kept_prints(self._catalogue.folder, facts, photos)
            self._prints = (state, now(), calibrate_prints(prints, facts))
        return self._prints[1], version, self._prints[2]


def embedding_arm(arms: Sequence[SearchArm]) -> EmbeddingArm | None:
    """Return the arm whose cosines are calibrated, if it is among these."""
    return next((arm for arm in arms if isinstance(arm, EmbeddingArm)), None)


def _likest(
    arm: EmbeddingArm,
    result: SearchResult,
    facts: Mapping[int, PhotoFacts],
    element: Element,
    filters: Filters,
) -> dict[Standing, ArmHit]:
    """Return the photo most like the query of either standing, of those that pass the filters."""
    found = {}
    for standing in Standing:
        wanted = replace(filters, element=element, standing=standing)
        if filters.standing in (None, standing):
            photos = [photo for photo, fact in facts.items() if wanted.passes(fact)]
            found[standing] = nearest_photo(arm, result.looked_at, photos)
    return {standing: hit for standing, hit in found.items() if hit}
