"""Keeps a set's calibration fresh and turns searches into readings.

The calibration is of the embedding arm's cosines, because these lie in the store for every
reference. A query is therefore read by its own cosines to the nearest genuine and the
nearest fake reference of its element, whatever other arms have found beside them.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loupebook.evidence.judge import read_query
from loupebook.evidence.set_calibration import calibrate_set
from loupebook.evidence.stored import (
    MadeFrom,
    SetCalibration,
    load_calibration,
    now,
    save_calibration,
)
from loupebook.evidence.table import PhotoTable
from loupebook.records.catalogue import Catalogue
from loupebook.records.model import Element, PhotoFacts, Standing
from loupebook.search import (
    EmbeddingArm,
    Progress,
    QueryPhoto,
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

    def calibration(
        self,
        arm: EmbeddingArm,
        facts: Mapping[int, PhotoFacts],
        *,
        progress: Progress = no_progress,
    ) -> SetCalibration:
        """Return the calibration of the set as it stands, made anew where it is stale.

        Parameters
        ----------
        arm : EmbeddingArm
            Brought up to date by the caller.
        facts : mapping
            Photo id to facts, of the whole set.
        progress : callable, optional
            Called while references are compared.
        """
        info = self._catalogue.info()
        wanted = MadeFrom(info.set_id, info.change_counter, arm.fingerprint)
        if self._held is None or self._held.made_from != wanted:
            self._held = load_calibration(self._catalogue.folder, wanted)
        if self._held is None:
            vectors, table = set_vectors(arm, facts)
            self._held = SetCalibration(
                wanted, now(), calibrate_set(vectors, table, progress=progress)
            )
            save_calibration(self._catalogue.folder, self._held)
        return self._held

    def read(
        self,
        arm: EmbeddingArm,
        result: SearchResult,
        facts: Mapping[int, PhotoFacts],
        *,
        encoder: str,
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
        progress : callable, optional
            Called while a stale calibration is made anew.
        """
        if not result.matches:
            return None
        nearest = result.matches[0]
        element = facts[nearest.photo_id].element
        calibration = self.calibration(arm, facts, progress=progress)
        if str(element) not in calibration.elements:
            return None
        views = result.looked_at
        return read_query(
            calibration,
            element=str(element),
            encoder=encoder,
            genuine=_similarity(arm, views, _photos_of(facts, element, Standing.GENUINE)),
            fake=_similarity(arm, views, _photos_of(facts, element, Standing.FAKE)),
            nearest=nearest.specimen,
        )


def embedding_arm(arms: Sequence[SearchArm]) -> EmbeddingArm | None:
    """Return the arm whose cosines are calibrated, if it is among these."""
    return next((arm for arm in arms if isinstance(arm, EmbeddingArm)), None)


def set_vectors(
    arm: EmbeddingArm, facts: Mapping[int, PhotoFacts]
) -> tuple[NDArray[np.float32], PhotoTable]:
    """Return unit vectors and the table of their photos, for photos that have both."""
    photo_ids, vectors = arm.held_vectors()
    known = np.array([int(photo) in facts for photo in photo_ids], dtype=bool)
    rows = vectors[known]
    rows /= np.linalg.norm(rows, axis=1, keepdims=True) + 1e-12
    return rows, PhotoTable.of(facts, photo_ids[known].tolist())


def _photos_of(facts: Mapping[int, PhotoFacts], element: Element, standing: Standing) -> list[int]:
    return [
        photo
        for photo, fact in facts.items()
        if fact.element is element and fact.standing is standing
    ]


def _similarity(
    arm: EmbeddingArm, views: Sequence[QueryPhoto], allowed: Collection[int]
) -> float | None:
    """Return the greatest cosine of the query, or of the item found in it, to photos."""
    if not allowed:
        return None
    hits = [hit for view in views for hit in arm.find(view, allowed=allowed, limit=1)]
    return max((hit.score for hit in hits), default=None)
