"""A closer look: where the first answer is in doubt, its candidates are looked at enlarged.

Over a whole photo the local arm takes a bounded number of patches, and a small item has few
of them. Whichever arm thought of a candidate also says about where it saw it: that part is
enlarged, its patches are taken anew and laid beside the candidate alone. What a candidate's
local score gains by it is gained by its design, that is by all photos of the same edition,
view and lighting: which of them was looked at must not decide between genuine and fake.

Measured on photos kept for tuning (drawn labels, caps and pictures filling 10 to 20 % of the
frame, 304 references): see ``tests/benchmarks/results/retrieval.md``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import TypeAlias

from scipy.special import expit

from loupebook.records.model import PhotoFacts
from loupebook.search.arm import ArmHit, Box, LocatingArm, QueryPhoto
from loupebook.search.fuse import FusedHit, Worth
from loupebook.search.windows import box_about

CANDIDATES = 8
"""Designs looked at."""
CLEAR = 6.0
"""Evidence of the first design from which it stands by itself, if it also leads."""
LEAD = 4.0
"""How far its evidence must lie before the next design's."""
MARGIN = 0.12
"""Room about an outline, as a share of its longer side: it may be off by as much."""
LARGE = 0.8
"""Share of the photo's longest side from which a part is no closer look; it is taken only where
another candidate is looked at more closely, or was not laid beside the photo before."""
GRID = 24
"""Steps a side of the photo that boxes are laid on, so that near ones share their patches."""

Design: TypeAlias = tuple[object, ...]


@dataclass(frozen=True)
class CloserLook:
    """What a closer look found.

    Parameters
    ----------
    arm : str
        Name of the arm that looked.
    hits : mapping
        Photo id to what was seen of it.
    gains : mapping
        Design to what its evidence gains, greater than 0.
    """

    arm: str
    hits: Mapping[int, ArmHit] = field(default_factory=lambda: MappingProxyType({}))
    gains: Mapping[Design, float] = field(default_factory=lambda: MappingProxyType({}))

    def applied(self, fused: Sequence[FusedHit], facts: Mapping[int, PhotoFacts]) -> list[FusedHit]:
        """Return the hits with what their designs have gained, nearest first."""
        raised = [self._raised(hit, facts[hit.photo_id]) for hit in fused]
        return sorted(raised, key=lambda hit: (-hit.evidence, hit.photo_id))

    def _raised(self, hit: FusedHit, fact: PhotoFacts) -> FusedHit:
        gain = self.gains.get(design_of(fact), 0.0)
        if gain == 0.0:
            return hit
        evidence = hit.evidence + gain
        raised = replace(
            hit,
            evidence=evidence,
            similarity=float(expit(evidence)),
            detail={**hit.detail, "closer_look": round(gain, 3)},
        )
        seen = self.hits.get(hit.photo_id)
        return raised if seen is None else self._with_seen(raised, seen)

    def _with_seen(self, hit: FusedHit, seen: ArmHit) -> FusedHit:
        scores = {**hit.detail["scores"], self.arm: seen.score}
        return replace(
            hit,
            found_by="both" if len(scores) > 1 else self.arm,
            outline=seen.outline or hit.outline,
            detail={**hit.detail, **seen.detail, "scores": scores},
        )


def design_of(fact: PhotoFacts) -> Design:
    """Return what all photos of one print share; a specimen of no edition is its own."""
    name = fact.edition or f"specimen {fact.specimen}"
    return fact.marque, fact.element, name, fact.view, fact.lighting


def look_closer(
    arm: LocatingArm,
    worth: Worth,
    query: QueryPhoto,
    fused: Sequence[FusedHit],
    facts: Mapping[int, PhotoFacts],
) -> CloserLook:
    """Look at the first designs of an answer again, if it is in doubt.

    Parameters
    ----------
    arm : LocatingArm
        Looks.
    worth : Worth
        What its score is worth.
    query : QueryPhoto
        The photo.
    fused : sequence of FusedHit
        The answer of all arms, nearest first.
    facts : mapping
        Photo id to facts, for every photo of the answer.
    """
    first = best_of_designs(fused, facts)
    if not in_doubt(first):
        return CloserLook(arm.name)
    before = {hit.photo_id: hit.detail["scores"].get(arm.name) for hit in first}
    parts = {hit.photo_id: part_of(hit, query) for hit in first}
    # All or none: what one design gains by being matched anew must not be held against
    # another that was not.
    anew = any(before[photo] is None or is_closer(part, query) for photo, part in parts.items())
    seen = arm.look_closer(query, parts) if anew else []
    hits, gains = {}, {}
    for hit in seen:
        known = before[hit.photo_id]
        least = worth.floor([]) if known is None else known
        gain = worth.log_odds(hit.score) - worth.log_odds(least)
        if gain > 0:
            hits[hit.photo_id] = hit
            gains[design_of(facts[hit.photo_id])] = gain
    return CloserLook(arm.name, hits, gains)


def best_of_designs(fused: Sequence[FusedHit], facts: Mapping[int, PhotoFacts]) -> list[FusedHit]:
    """Return the nearest photo of each of the first designs."""
    best: dict[Design, FusedHit] = {}
    for hit in fused:
        if len(best) == CANDIDATES:
            break
        best.setdefault(design_of(facts[hit.photo_id]), hit)
    return list(best.values())


def in_doubt(first: Sequence[FusedHit]) -> bool:
    """Say whether the first of several designs is neither clear by itself nor far ahead."""
    if not first:
        return False
    lead = first[0].evidence - first[1].evidence if len(first) > 1 else float("inf")
    return first[0].evidence < CLEAR or lead < LEAD


def part_of(hit: FusedHit, query: QueryPhoto) -> Box:
    """Return the part of the query that shows what a hit speaks of."""
    height, width = query.pixels.shape[:2]
    if hit.outline is not None:
        box = box_about(hit.outline, width, height, margin=MARGIN)
    else:
        left, top, right, bottom = hit.detail.get("query_part", (0, 0, width, height))
        box = (left, top, right, bottom)
    return on_grid(box, width, height)


def is_closer(part: Box, query: QueryPhoto) -> bool:
    """Say whether a part is so much smaller than the photo that it is seen enlarged."""
    left, top, right, bottom = part
    height, width = query.pixels.shape[:2]
    return bool(max(right - left, bottom - top) < LARGE * max(width, height))


def on_grid(box: Box, width: int, height: int) -> Box:
    """Enlarge a box to the next lines of a grid over the photo."""
    left, top, right, bottom = box
    across, down = max(1, width // GRID), max(1, height // GRID)
    return (
        left // across * across,
        top // down * down,
        min(width, -(-right // across) * across),
        min(height, -(-bottom // down) * down),
    )
