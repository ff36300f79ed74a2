"""Photos to specimens: each specimen once, by its nearest photo."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from loupebook.records.model import PhotoFacts, Standing
from loupebook.search.arm import Outline
from loupebook.search.fuse import FusedHit


@dataclass(frozen=True)
class Match:
    """One specimen near the query, with the photo of it that lies nearest.

    Parameters
    ----------
    rank : int
        1 is nearest.
    specimen : str
        Name of the specimen.
    photo_id : int
        Its nearest photo.
    standing : Standing
        What is known of the specimen. It says nothing of the query.
    similarity : float
        0..1, greater is nearer: the cosine where the embedding arm searched alone, else as
        ``loupebook.search.fuse`` says.
    evidence : float
        What specimens are ordered by; it still tells two apart whose similarity nears 1.
    found_by : str
        Name of the arm that found it, or ``both``.
    outline : Outline, optional
        Where the item lies in the query, px.
    detail : mapping
        ``scores`` (arm to its own score) and what the arms add.
    """

    rank: int
    specimen: str
    photo_id: int
    standing: Standing
    similarity: float
    evidence: float
    found_by: str
    outline: Outline | None = None
    detail: Mapping[str, Any] = field(default_factory=dict)


def group_by_specimen(hits: Iterable[FusedHit], facts: Mapping[int, PhotoFacts]) -> list[Match]:
    """Turn photos, nearest first, into specimens, nearest first.

    Parameters
    ----------
    hits : iterable of FusedHit
        Photos, nearest first.
    facts : mapping
        Photo id to what is known of the photo.
    """
    nearest: dict[str, FusedHit] = {}
    for hit in hits:
        nearest.setdefault(facts[hit.photo_id].specimen, hit)
    return [
        Match(
            rank=rank,
            specimen=specimen,
            photo_id=hit.photo_id,
            standing=facts[hit.photo_id].standing,
            similarity=hit.similarity,
            evidence=hit.evidence,
            found_by=hit.found_by,
            outline=hit.outline,
            detail=hit.detail,
        )
        for rank, (specimen, hit) in enumerate(nearest.items(), start=1)
    ]
