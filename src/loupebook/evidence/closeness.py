"""How near the specimens of a set lie to each other, by the light they were taken in.

The open-set test holds a query against the set's own specimens. Under UV-A, where paper and
threads glow alike, those of two makers lie nearer to each other than those of one do by
daylight: pooled, such photos would widen what counts as close for all. So photos under UV-A
and others have a scale each, where there are enough of both; the light of a query is that of
the photo nearest to it.

References
----------
Vovk, Gammerman & Shafer (2005), *Algorithmic Learning in a Random World*, ch. 4 (conformal
p-values within categories), from memory.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loupebook.evidence.gather import GatheredScores
from loupebook.evidence.openset import Closeness, judge_closeness, noticed_share, specimens_needed
from loupebook.evidence.table import PhotoTable
from loupebook.evidence.units import unit_weights
from loupebook.records.model import Lighting

ANY, VISIBLE, UV_A = "any light", "visible light", "UV-A"


@dataclass(frozen=True)
class ClosenessScale:
    """Similarities of a set's own photos, taken in one kind of light.

    The light of a query is guessed from its neighbour, that of the set's photos is on record:
    what the open-set test promises holds for queries whose light is guessed right.

    Parameters
    ----------
    nearest : ndarray, shape (m,)
        Similarity of each photo to its nearest of another specimen, for photos whose
        edition the set holds in another specimen too.
    specimens : ndarray of int, shape (m,)
        A number for the specimen of each.
    noticed : float or None
        How often the open-set test notices a specimen whose maker is left out.
    stranger : float or None
        Similarity, in the middle, of a photo to the nearest of another maker.
    """

    nearest: NDArray[np.float64]
    specimens: NDArray[np.int64]
    noticed: float | None
    stranger: float | None

    @property
    def usual(self) -> float | None:
        """Similarity, in the middle, to the nearest of another specimen of the set."""
        if not self.nearest.size:
            return None
        return _middle(self.nearest, self.specimens.tolist())

    def nearness(self, similarity: float) -> float | None:
        """Return a similarity on the set's own scale.

        Returns
        -------
        float or None
            1 where a specimen and the one nearest to it usually lie, 0 where those of two makers
            do, within -1..2; `None` where those of two makers lie no farther apart.
        """
        usual, stranger = self.usual, self.stranger
        if usual is None or stranger is None or usual <= stranger:
            return None
        # Where makers lie nearly as near as editions, the scale is short: bounds keep it one.
        return min(2.0, max(-1.0, (similarity - stranger) / (usual - stranger)))

    def judge(self, similarity: float | None) -> Closeness:
        """Tell whether a query with this similarity to its nearest lies close.

        Parameters
        ----------
        similarity : float or None
            `None` if the search found nothing at all.
        """
        told = judge_closeness(
            similarity, self.nearest, self.specimens.tolist(), noticed=self.noticed
        )
        if similarity is None or told.p_value is None:
            return told
        return replace(told, nearness=self.nearness(similarity))

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "nearest": [round(float(value), 6) for value in self.nearest],
            "specimens": self.specimens.tolist(),
            "noticed": self.noticed,
            "stranger": self.stranger,
        }

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> ClosenessScale:
        """Return what :meth:`to_dict` stored."""
        return cls(
            np.asarray(stored["nearest"], dtype=np.float64),
            np.asarray(stored["specimens"], dtype=np.int64),
            stored["noticed"],
            stored["stranger"],
        )


def closeness_scales(table: PhotoTable, scores: GatheredScores) -> dict[str, ClosenessScale]:
    """Return the scales of one element.

    Returns
    -------
    dict
        :data:`ANY` to the scale of all photos, always; :data:`VISIBLE` and :data:`UV_A` to
        theirs, where each has the specimens that the open-set test takes.
    """
    under_uv = np.array([fact.lighting is Lighting.UV_A for fact in table.facts], dtype=bool)
    made = {ANY: _scale(table, scores, np.ones(len(table), dtype=bool))}
    parts = {
        light: _scale(table, scores, taken)
        for light, taken in ((VISIBLE, ~under_uv), (UV_A, under_uv))
    }
    if all(np.unique(one.specimens).size >= specimens_needed() for one in parts.values()):
        made |= parts
    return made


def scale_of(scales: Mapping[str, ClosenessScale], lighting: Lighting | None) -> ClosenessScale:
    """Return the scale that holds for a query whose nearest photo was taken in this light."""
    light = UV_A if lighting is Lighting.UV_A else VISIBLE
    return scales.get(light, scales[ANY])


def scales_in_use(scales: Mapping[str, ClosenessScale]) -> Mapping[str, ClosenessScale]:
    """Return the scales that queries are held against: the one of any light, or its parts."""
    parts = {light: one for light, one in scales.items() if light != ANY}
    return parts or scales


def _scale(table: PhotoTable, scores: GatheredScores, taken: NDArray[np.bool_]) -> ClosenessScale:
    """Return the scale of the photos taken in one light; `taken` says which of the table."""
    asked = taken[scores.queries]
    positions = scores.queries[asked]
    known = _with_siblings(table, taken)[positions] & np.isfinite(scores.nearest[asked])
    nearest = scores.nearest[asked][known].astype(np.float64)
    specimens = table.specimen_codes[positions[known]].astype(np.int64)
    strange = np.isfinite(scores.stranger[asked])
    to_others = scores.stranger[asked][strange].astype(np.float64)
    shown = table.specimen_codes[positions[strange]].tolist()
    noticed = noticed_share(to_others, shown, nearest, specimens.tolist())
    stranger = _middle(to_others, shown) if shown else None
    return ClosenessScale(
        nearest,
        specimens,
        None if noticed is None else round(noticed, 4),
        None if stranger is None else round(stranger, 6),
    )


def _middle(values: NDArray[np.float64], specimens: Sequence[Hashable]) -> float:
    """Return the median, photos of one specimen counting as one."""
    weights = unit_weights(specimens)
    return float(np.quantile(values, 0.5, weights=weights, method="inverted_cdf"))


def _with_siblings(table: PhotoTable, taken: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Say of which photos the set holds another specimen of the edition, taken in that light."""
    holders: dict[Hashable, set[str]] = {}
    editions, names = table.editions, table.specimens
    for i in np.flatnonzero(taken):
        if editions[i] is not None:
            holders.setdefault(editions[i], set()).add(names[i])
    return np.array([len(holders.get(edition, ())) > 1 for edition in editions], dtype=bool)
