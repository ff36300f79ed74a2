"""Circumstances of photos that could pass for a standing: camera, background, size and so on.

Each is tested alone, specimens as units, labels permuted within editions; p-values are corrected
for their number (Holm).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from loupebook.records.model import PhotoRecord, SpecimenRecord, Standing
from loupebook.setreport.association import Association, associate, holm
from loupebook.setreport.traits import PhotoTraits

LEVEL = 0.05
LEAST_AREA = 0.65
"""Below this, a circumstance predicts too little to mislead a search, however sure it is."""

_Values: TypeAlias = list[float]
_Measure: TypeAlias = Callable[[PhotoRecord, PhotoTraits], _Values]


def _camera(photo: PhotoRecord) -> Hashable:
    return (photo.camera.make, photo.camera.model)


CATEGORIES: dict[str, Callable[[PhotoRecord], Hashable]] = {
    "camera": _camera,
    "lighting": lambda photo: photo.lighting,
    "file type": lambda photo: photo.media_type,
}
MEASURES: dict[str, _Measure] = {
    "background": lambda _, t: [t.frame_l, t.frame_a, t.frame_b, t.frame_texture],
    "size": lambda p, _: [float(np.log(p.width * p.height)), float(np.log(p.width / p.height))],
    "sharpness": lambda _, t: [t.sharpness],
    "brightness": lambda _, t: [t.brightness],
}


@dataclass(frozen=True)
class Circumstance:
    """One circumstance, tested against the standing.

    Parameters
    ----------
    varies : bool
        Whether it is not the same throughout.
    found : Association or None
        `None` where nothing could be tested.
    p_value : float
        Corrected for how many were tested; 1 where nothing could be.
    """

    varies: bool
    found: Association | None
    p_value: float

    @property
    def telling(self) -> bool:
        """Whether it alone tells the standings apart, so that a search may be reading it."""
        return self.found is not None and self.p_value <= LEVEL and self.found.area >= LEAST_AREA


def circumstances_of(
    specimens: Sequence[SpecimenRecord],
    photos_of: Mapping[str, Sequence[PhotoRecord]],
    traits: Mapping[int, PhotoTraits],
) -> dict[str, Circumstance]:
    """Test every circumstance against the standing.

    Parameters
    ----------
    specimens : sequence of SpecimenRecord
        Of the set.
    photos_of : mapping
        Name of specimen to its photos.
    traits : mapping
        Row id to traits, of the photos that could be looked at.

    Returns
    -------
    dict
        Name to what was found; empty where no photo could be looked at.
    """
    seen = {
        one.name: [photo for photo in photos_of.get(one.name, ()) if photo.photo_id in traits]
        for one in specimens
    }
    specimens = [one for one in specimens if seen[one.name]]
    if not specimens:
        return {}
    fake = np.array([s.standing is Standing.FAKE for s in specimens], dtype=bool)
    every = [photo for photos in photos_of.values() for photo in photos]
    features = _features([seen[one.name] for one in specimens], every, traits)
    found = {name: associate(one, fake, _strata(specimens)) for name, one in features.items()}
    tested = {name: one.p_value for name, one in found.items() if one is not None}
    corrected = dict(zip(tested, holm(list(tested.values())), strict=True))
    return {
        name: Circumstance(_varies(features[name]), one, corrected.get(name, 1.0))
        for name, one in found.items()
    }


def _strata(specimens: Sequence[SpecimenRecord]) -> list[Hashable]:
    """Editions, where at least half of the specimens lie in editions of both standings."""
    editions: list[Hashable] = [(s.element, s.marque, s.edition) for s in specimens]
    standings: dict[Hashable, set[Standing]] = {}
    for edition, specimen in zip(editions, specimens, strict=True):
        standings.setdefault(edition, set()).add(specimen.standing)
    mixed = sum(len(standings[edition]) > 1 for edition in editions)
    return editions if 2 * mixed >= len(specimens) else [s.element for s in specimens]


def _features(
    shown: Sequence[Sequence[PhotoRecord]],
    every: Sequence[PhotoRecord],
    traits: Mapping[int, PhotoTraits],
) -> dict[str, NDArray[np.float64]]:
    """Return a row a specimen of each circumstance, from the photos that could be looked at."""
    rows: dict[str, list[_Values]] = {name: [] for name in (*CATEGORIES, *MEASURES)}
    levels = {
        name: [value for value, _ in Counter(map(of, every)).most_common(12)]
        for name, of in CATEGORIES.items()
    }
    for photos in shown:
        for name, of in CATEGORIES.items():
            values = [of(photo) for photo in photos]
            rows[name].append([values.count(level) / len(values) for level in levels[name]])
        for name, measure in MEASURES.items():
            measured = [measure(photo, traits[photo.photo_id]) for photo in photos]
            rows[name].append(np.mean(measured, axis=0).tolist())
    return {
        name: np.array(values, dtype=np.float64).reshape(len(shown), -1)
        for name, values in rows.items()
    }


def _varies(features: NDArray[np.float64]) -> bool:
    return bool(np.ptp(features, axis=0).max() > 1e-9)
