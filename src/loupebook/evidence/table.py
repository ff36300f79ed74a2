"""The photos of a set as columns side by side: what evidence and reports need of each.

Position i means the same photo in every column and in the matrix of vectors.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loupebook.evidence.splits import origin_units
from loupebook.evidence.units import unit_codes
from loupebook.records.model import PhotoFacts, Standing


@dataclass(frozen=True)
class PhotoTable:
    """Facts of n photos.

    Parameters
    ----------
    photo_ids : ndarray of int, shape (n,)
        Row ids in the catalogue.
    facts : tuple of PhotoFacts, length n
        What is known of each.
    """

    photo_ids: NDArray[np.int64]
    facts: tuple[PhotoFacts, ...]

    @classmethod
    def of(cls, facts: Mapping[int, PhotoFacts], photo_ids: Sequence[int]) -> PhotoTable:
        """Return the table of some photos, in the order given."""
        return cls(
            np.asarray(photo_ids, dtype=np.int64), tuple(facts[int(photo)] for photo in photo_ids)
        )

    def __len__(self) -> int:
        return len(self.facts)

    def take(self, positions: Sequence[int] | NDArray[np.intp]) -> PhotoTable:
        """Return some of the photos."""
        chosen = np.asarray(positions, dtype=np.intp)
        return PhotoTable(self.photo_ids[chosen], tuple(self.facts[i] for i in chosen))

    @property
    def fake(self) -> NDArray[np.bool_]:
        """Which photos show a fake specimen."""
        return np.array([fact.standing is Standing.FAKE for fact in self.facts], dtype=bool)

    @property
    def specimens(self) -> list[str]:
        """Name of the specimen of each photo."""
        return [fact.specimen for fact in self.facts]

    @property
    def specimen_codes(self) -> NDArray[np.intp]:
        """A number for the specimen of each photo."""
        return unit_codes(self.specimens)[0]

    @property
    def editions(self) -> list[Hashable]:
        """Element, marque and edition of each photo; `None` where neither name is recorded."""
        return [
            None
            if fact.marque is None and fact.edition is None
            else (fact.element, fact.marque, fact.edition)
            for fact in self.facts
        ]

    @property
    def makers(self) -> NDArray[np.intp]:
        """A number for the marque of each photo; -1 where none is recorded."""
        codes, _ = unit_codes(fact.marque for fact in self.facts)
        recorded = np.array([fact.marque is not None for fact in self.facts], dtype=bool)
        return np.where(recorded, codes, -1)

    @property
    def origin_units(self) -> list[Hashable]:
        """Print origin of each fake photo, specimen of each genuine one."""
        return origin_units(
            self.specimens, self.fake.tolist(), [fact.origin for fact in self.facts]
        )

    def of_element(self, element: str) -> NDArray[np.intp]:
        """Return the positions of the photos of one element."""
        return np.flatnonzero([fact.element == element for fact in self.facts])

    def count_specimens(self, *, fake: bool) -> int:
        """Return how many specimens of one standing there are."""
        mine = Standing.FAKE if fake else Standing.GENUINE
        return len({fact.specimen for fact in self.facts if fact.standing is mine})

    def count_press_siblings(self) -> int:
        """Return how many fake specimens have another from their own print origin."""
        held = {
            (f.specimen, f.origin)
            for f in self.facts
            if f.standing is Standing.FAKE and f.origin is not None
        }
        presses = Counter(origin for _, origin in held)
        return sum(count for count in presses.values() if count > 1)

    def count_origins(self) -> int:
        """Return how many recorded print origins the fakes come from."""
        return len(
            {f.origin for f in self.facts if f.standing is Standing.FAKE and f.origin is not None}
        )
