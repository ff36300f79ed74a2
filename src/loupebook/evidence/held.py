"""What readings take from the embedding arm: the set's vectors, and what lies nearest."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from loupebook.evidence.table import PhotoTable
from loupebook.records.model import PhotoFacts
from loupebook.search import ArmHit, EmbeddingArm, QueryPhoto


def set_vectors(
    arm: EmbeddingArm, facts: Mapping[int, PhotoFacts]
) -> tuple[NDArray[np.float32], PhotoTable]:
    """Return unit vectors and the table of their photos, for photos that have both."""
    photo_ids, vectors = arm.held_vectors()
    known = np.array([int(photo) in facts for photo in photo_ids], dtype=bool)
    rows = vectors[known]
    rows /= np.linalg.norm(rows, axis=1, keepdims=True) + 1e-12
    return rows, PhotoTable.of(facts, photo_ids[known].tolist())


def nearest_photo(
    arm: EmbeddingArm, views: Sequence[QueryPhoto], allowed: Collection[int]
) -> ArmHit | None:
    """Return the photo nearest to the query, or to the item found in it; `None` without any.

    Parameters
    ----------
    arm : EmbeddingArm
        The arm that has just searched; it still remembers the embeddings.
    views : sequence of QueryPhoto
        What the search looked at.
    allowed : collection of int
        Photos to choose from.
    """
    if not allowed:
        return None
    hits = [hit for view in views for hit in arm.find(view, allowed=allowed, limit=1)]
    return max(hits, key=lambda hit: hit.score, default=None)
