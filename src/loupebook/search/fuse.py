"""Bring the hits of several arms to one order.

Each arm scores on its own scale. A logistic curve, one an arm, turns a score into the
probability that reference and query show the same design::

    p = 1 / (1 + exp(-slope * (score - centre)))

and the arms are joined by noisy-or: the fused similarity is ``1 - (1 - p1)(1 - p2)…``. An arm
that found nothing takes nothing away, strong evidence from either suffices, and agreement
counts. Photos are ordered by ``-log(1 - similarity)``, which is the sum of the arms' shares
and does not run into rounding where the similarity nears 1.

Slopes and centres lie in ``fusion.json`` beside this module. They are set by hand until they
are learned on held-out worlds: ImageNet cosines of other items reach some .6 to .7, local
scores are decimal orders of magnitude by which chance is ruled out. With a single arm there is
nothing to fuse: its score is the similarity as it stands.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from loupebook.errors import SearchError
from loupebook.search.arm import ArmHit, Outline

_WEIGHTS_FILE = Path(__file__).with_name("fusion.json")
_COUNTS = 0.5
"""An arm whose probability reaches this has found the photo; the strongest one always has."""


@dataclass(frozen=True)
class Curve:
    """How an arm's score becomes a probability.

    Parameters
    ----------
    slope : float
        Steepness, greater than 0, in 1 / unit of score.
    centre : float
        Score at which the probability is one half.
    """

    slope: float
    centre: float

    def share(self, score: float) -> float:
        """``-log(1 - p)`` of a score: 0 where it says nothing, without upper bound."""
        return float(np.logaddexp(0.0, self.slope * (score - self.centre)))


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
    hits: Mapping[str, Sequence[ArmHit]], curves: Mapping[str, Curve] | None = None
) -> list[FusedHit]:
    """Join the hits of all arms, nearest first.

    Parameters
    ----------
    hits : mapping
        Arm name to its hits.
    curves : mapping, optional
        Arm name to its curve; `None` means those of ``fusion.json``.

    Raises
    ------
    SearchError
        If an arm has no curve and there are several arms.
    """
    if len(hits) == 1:
        ((name, only),) = hits.items()
        return _ordered([_alone(name, hit) for hit in only])
    known = default_curves() if curves is None else curves
    missing = sorted(set(hits) - set(known))
    if missing:
        raise SearchError(f"No fusion curve for {', '.join(missing)}; add it to fusion.json.")
    by_photo: dict[int, dict[str, ArmHit]] = {}
    for name, found in hits.items():
        for hit in found:
            by_photo.setdefault(hit.photo_id, {})[name] = hit
    return _ordered([_joined(found, known) for found in by_photo.values()])


@cache
def default_curves() -> Mapping[str, Curve]:
    """Read ``fusion.json``."""
    content = json.loads(_WEIGHTS_FILE.read_text(encoding="utf-8"))
    return {name: Curve(**values) for name, values in content["arms"].items()}


def _alone(name: str, hit: ArmHit) -> FusedHit:
    return FusedHit(
        photo_id=hit.photo_id,
        similarity=min(1.0, max(0.0, hit.score)),
        evidence=hit.score,
        found_by=name,
        outline=hit.outline,
        detail={**hit.detail, "scores": {name: hit.score}},
    )


def _joined(found: Mapping[str, ArmHit], curves: Mapping[str, Curve]) -> FusedHit:
    shares = {name: curves[name].share(hit.score) for name, hit in found.items()}
    strongest = max(shares, key=lambda name: shares[name])
    counting = {name for name, share in shares.items() if -np.expm1(-share) >= _COUNTS}
    finders = counting | {strongest}
    evidence = sum(shares.values())
    detail: dict[str, Any] = {}
    for hit in found.values():
        detail.update(hit.detail)
    detail["scores"] = {name: hit.score for name, hit in found.items()}
    outlines = [hit.outline for hit in found.values() if hit.outline is not None]
    return FusedHit(
        photo_id=next(iter(found.values())).photo_id,
        similarity=float(-np.expm1(-evidence)),
        evidence=evidence,
        found_by=strongest if len(finders) == 1 else "both",
        outline=outlines[0] if outlines else None,
        detail=detail,
    )


def _ordered(hits: list[FusedHit]) -> list[FusedHit]:
    """Nearest first; equals by photo id, so that an answer does not depend on chance."""
    return sorted(hits, key=lambda hit: (-hit.evidence, hit.photo_id))
