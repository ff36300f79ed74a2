"""How near each reference lies to genuine ones of its edition: what makes practice hard."""

from __future__ import annotations

from collections.abc import Mapping

from loupebook.evidence.held import set_vectors
from loupebook.records.model import PhotoFacts, Standing
from loupebook.search.embedding_arm import EmbeddingArm


def nearness_to_genuine(arm: EmbeddingArm, facts: Mapping[int, PhotoFacts]) -> dict[int, float]:
    """Return each photo's greatest cosine to a genuine photo of its edition and light.

    Photos of the same specimen do not count; one without a genuine counterpart is left out.

    Parameters
    ----------
    arm : EmbeddingArm
        Holds the vectors.
    facts : mapping
        Photo id to facts, of the whole set.
    """
    vectors, _ = set_vectors(arm, facts)
    held = [int(photo) for photo in arm.held_vectors()[0] if int(photo) in facts]
    kinds: dict[tuple[object, ...], list[int]] = {}
    for row, photo in enumerate(held):
        fact = facts[photo]
        kinds.setdefault(
            (fact.marque, fact.edition, fact.element, fact.view, fact.lighting), []
        ).append(row)
    near: dict[int, float] = {}
    for rows in kinds.values():
        similarity = vectors[rows] @ vectors[rows].T
        for own, row in enumerate(rows):
            others = [
                float(similarity[own, other])
                for other, other_row in enumerate(rows)
                if facts[held[other_row]].standing is Standing.GENUINE
                and facts[held[other_row]].specimen != facts[held[row]].specimen
            ]
            if others:
                near[held[row]] = max(others)
    return near
