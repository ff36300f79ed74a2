"""What may be said of one search: the evidence room's reading, from the search's own figures."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from loupebook.evidence.openset import judge_closeness
from loupebook.evidence.reading import Basis, reading_without_calibration
from loupebook.records.model import Element, PhotoFacts, Standing
from loupebook.search import SearchResult


def read_result(
    result: SearchResult, facts: Mapping[int, PhotoFacts], *, encoder: str, set_version: int
) -> dict[str, Any]:
    """Return the ``reading`` of a search.

    Parameters
    ----------
    result : SearchResult
        What was found.
    facts : mapping
        Photo id to facts, of the whole set.
    encoder : str
        Name and fingerprint of the encoder.
    set_version : int
        Change counter of the set.
    """
    nearest = result.matches[0] if result.matches else None
    element = facts[nearest.photo_id].element if nearest else None
    return reading_without_calibration(
        closeness=judge_closeness(nearest.similarity if nearest else None, ()),
        basis=basis_of(facts, element, encoder=encoder, set_version=set_version),
        element=str(element) if element else "item",
        nearest=nearest.specimen if nearest else None,
    )


def basis_of(
    facts: Mapping[int, PhotoFacts],
    element: Element | None,
    *,
    encoder: str,
    set_version: int,
) -> Basis:
    """Count the confirmed specimens of one element (or of all) that a reading rests on."""
    counted = [fact for fact in facts.values() if element is None or fact.element is element]
    fakes = [fact for fact in counted if fact.standing is Standing.FAKE]
    return Basis(
        genuine=len({f.specimen for f in counted if f.standing is Standing.GENUINE}),
        fake=len({fact.specimen for fact in fakes}),
        origins=len({fact.origin for fact in fakes if fact.origin}),
        encoder=encoder,
        set_version=set_version,
    )
