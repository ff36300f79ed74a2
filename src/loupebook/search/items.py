"""The items that lie in one query: each can be searched on its own."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from loupebook.records.model import PhotoFacts
from loupebook.search.arm import Outline
from loupebook.search.fuse import FusedHit

LIKELY = 0.5
"""Fused similarity from which an outline counts as an item."""
SHARED = 0.3
"""Share of the smaller outline from which two outlines are one item."""
MOST_ITEMS = 6


@dataclass(frozen=True)
class FoundItem:
    """One item in the query.

    Parameters
    ----------
    outline : Outline
        Where it lies, px of the query.
    specimen : str
        The nearest known specimen by which it was found.
    similarity : float
        As in :class:`loupebook.search.group.Match`.
    """

    outline: Outline
    specimen: str
    similarity: float


def found_items(hits: Iterable[FusedHit], facts: Mapping[int, PhotoFacts]) -> list[FoundItem]:
    """Return the items that hits speak of, the surest first, each place once.

    Parameters
    ----------
    hits : iterable of FusedHit
        Nearest first. ``detail["others"]`` of a hit may hold outlines of further items of its
        kind.
    facts : mapping
        Photo id to facts.
    """
    items: list[FoundItem] = []
    for hit in hits:
        if hit.outline is None or hit.similarity < LIKELY:
            continue
        further = [as_outline(corners) for corners in hit.detail.get("others", ())]
        for outline in (hit.outline, *further):
            known = any(share_of_smaller(outline, item.outline) >= SHARED for item in items)
            if not known and len(items) < MOST_ITEMS:
                items.append(FoundItem(outline, facts[hit.photo_id].specimen, hit.similarity))
    return items


def as_outline(corners: Sequence[Sequence[float]]) -> Outline:
    """Return four corners as tuples."""
    first, second, third, fourth = ((float(x), float(y)) for x, y in corners)
    return first, second, third, fourth


def share_of_smaller(one: Outline, other: Outline) -> float:
    """Return the intersection of two convex outlines over the smaller area."""
    first, second = np.array(one, np.float32), np.array(other, np.float32)
    smaller = min(cv2.contourArea(first), cv2.contourArea(second))
    if smaller <= 0:
        return 1.0
    shared, _ = cv2.intersectConvexConvex(first, second)
    return float(shared / smaller)
