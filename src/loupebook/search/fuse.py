"""Bring the hits of several arms to one order.

Each arm scores on its own scale. Logistic regression, learned on drawn worlds, brings them
together: what an arm's score is worth is added up to log odds that reference and query show
the same design::

    evidence = sum of weight * (min(score, most) - centre)
    similarity = 1 / (1 + exp(-evidence))

Photos are ordered by the evidence; the similarity is the probability at even odds beforehand.
A photo that an arm did not return counts with the least score that the arm returned, which it
cannot exceed, or with the arm's `least` where that is known. Sums of log odds beat the
probability that either arm is right (noisy-or): both arms take the editions of one maker for
each other now and then, and then the other arm decides.

The numbers lie in ``fusion.json`` beside this module; ``tests/benchmarks/learn_fusion.py``
learns them and says on what. With a single arm there is nothing to fuse: its score is the
similarity as it stands.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from scipy.special import expit

from loupebook.errors import SearchError
from loupebook.search.arm import ArmHit, Outline

_WEIGHTS_FILE = Path(__file__).with_name("fusion.json")


@dataclass(frozen=True)
class Worth:
    """What an arm's score is worth.

    Parameters
    ----------
    weight : float
        Log odds a unit of score, greater than 0.
    centre : float
        Score from which the arm speaks for the photo.
    most : float
        Score above which more says nothing more.
    least : float, optional
        Score of photos that the arm did not return; `None` takes the least returned.
    """

    weight: float
    centre: float
    most: float
    least: float | None = None

    def log_odds(self, score: float) -> float:
        """Return what a score adds to the evidence."""
        return self.weight * (min(score, self.most) - self.centre)

    def floor(self, hits: Sequence[ArmHit]) -> float:
        """Return the score of photos that are not among `hits`."""
        if self.least is not None:
            return self.least
        return min((hit.score for hit in hits), default=self.centre)


@dataclass(frozen=True)
class FusedHit:
    """One photo with all that the arms say of it.

    Parameters
    ----------
    photo_id : int
        Row id of the photo.
    similarity : float
        0..1, greater is nearer.
    evidence : float
        What photos are ordered by.
    found_by : str
        Name of the arm that found it, or ``both`` where several did.
    outline : Outline, optional
        Where the item lies in the query, if an arm can tell.
    detail : mapping
        ``scores`` (arm to its own score) and whatever the arms add.
    """

    photo_id: int
    similarity: float
    evidence: float
    found_by: str
    outline: Outline | None
    detail: Mapping[str, Any]


def fuse_hits(
    hits: Mapping[str, Sequence[ArmHit]], worths: Mapping[str, Worth] | None = None
) -> list[FusedHit]:
    """Join the hits of all arms, nearest first.

    Parameters
    ----------
    hits : mapping
        Arm name to its hits.
    worths : mapping, optional
        Arm name to what its score is worth; `None` means ``fusion.json``.

    Raises
    ------
    SearchError
        If an arm is not known there and there are several arms.
    """
    if len(hits) == 1:
        ((name, only),) = hits.items()
        return _ordered([_alone(name, hit) for hit in only])
    known = default_worths() if worths is None else worths
    missing = sorted(set(hits) - set(known))
    if missing:
        raise SearchError(f"No fusion weight for {', '.join(missing)}; add it to fusion.json.")
    floors = {name: known[name].floor(found) for name, found in hits.items()}
    by_photo: dict[int, dict[str, ArmHit]] = {}
    for name, found in hits.items():
        for hit in found:
            by_photo.setdefault(hit.photo_id, {})[name] = hit
    return _ordered([_joined(found, known, floors) for found in by_photo.values()])


@cache
def default_worths() -> Mapping[str, Worth]:
    """Read ``fusion.json``."""
    content = json.loads(_WEIGHTS_FILE.read_text(encoding="utf-8"))
    return {name: Worth(**values) for name, values in content["arms"].items()}


def _alone(name: str, hit: ArmHit) -> FusedHit:
    return FusedHit(
        photo_id=hit.photo_id,
        similarity=min(1.0, max(0.0, hit.score)),
        evidence=hit.score,
        found_by=name,
        outline=hit.outline,
        detail={**hit.detail, "scores": {name: hit.score}},
    )


def _joined(
    found: Mapping[str, ArmHit], worths: Mapping[str, Worth], floors: Mapping[str, float]
) -> FusedHit:
    scores = {name: found[name].score if name in found else floors[name] for name in floors}
    shares = {name: worths[name].log_odds(score) for name, score in scores.items()}
    strongest = max(found, key=lambda name: shares[name])
    finders = {name for name in found if shares[name] >= 0} | {strongest}
    evidence = sum(shares.values())
    detail: dict[str, Any] = {}
    for hit in found.values():
        detail.update(hit.detail)
    detail["scores"] = {name: hit.score for name, hit in found.items()}
    outlines = [hit.outline for hit in found.values() if hit.outline is not None]
    return FusedHit(
        photo_id=next(iter(found.values())).photo_id,
        similarity=float(expit(evidence)),
        evidence=evidence,
        found_by=strongest if len(finders) == 1 else "both",
        outline=outlines[0] if outlines else None,
        detail=detail,
    )


def _ordered(hits: list[FusedHit]) -> list[FusedHit]:
    """Nearest first; equals by photo id, so that an answer does not depend on chance."""
    return sorted(hits, key=lambda hit: (-hit.evidence, hit.photo_id))
