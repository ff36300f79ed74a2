"""Keeping the descriptor index in step with the feature store.

The index in memory is always complete, and holds nothing of photos withdrawn: their patches would
take the places of neighbours and stand in the background that votes are weighed against. Its
file may lag behind by a share of the photos: what it lacks is added again from the store when it
is read, so that adding one photo to a large set does not write gigabytes.

Answers of a small set (:data:`ANEW_PHOTOS`) go by the photos in it alone, however it came by them:
its index is made anew at every change. That of a larger set keeps the lists that it was trained
with until it has grown fourfold, and those of a rebuild may part the same patches otherwise: of 450
photos of the demo set, trained on the first 200 or on all, 3 in a hundred of the 16 neighbours
were others, and 1 in a hundred of the nearest.
"""

from __future__ import annotations

from collections.abc import Set as AbstractSet
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from loupebook.errors import IndexDamaged
from loupebook.search.arm import Progress, no_progress
from loupebook.search.local import index_file, packing
from loupebook.search.local.descriptor_index import (
    FLAT_MOST,
    MOST_PATCHES,
    TRAIN_A_LIST,
    DescriptorIndex,
    lists_for,
)
from loupebook.search.local.feature_store import FeatureStore, Held
from loupebook.search.local.features import DIMENSIONS, REFERENCE

LAG = 0.02
"""Share of photos that the file may lack."""
ANEW_PHOTOS = 150
"""Photos up to which the index is made anew at every change: a second of one core."""
ROOM = 1.25
"""By how much a set that is too large for all its patches can grow before it is made anew."""
_AT_ONCE = 64
"""Photos whose patches are added at once: threads wait for each other at every call."""
_SAMPLED_PHOTOS = 4000
"""Photos whose patches an index is trained on, at least."""


class IndexKeeper:
    """The index and what it holds.

    Parameters
    ----------
    store : FeatureStore
        What it is made from.
    path : Path
        Its file.
    made_from : str
        Names set, arm and store.
    """

    def __init__(self, store: FeatureStore, path: Path, made_from: str) -> None:
        self._store, self._path, self._made_from = store, path, made_from
        self.held: Held = store.held()
        self._seen = -1
        self._rows: dict[int, int] = {}
        self._in_file: set[int] = set()
        try:
            self.index, self._rows = index_file.load(path, made_from)
            self._in_file = set(self._rows)
        except IndexDamaged:
            self._start_anew()

    def refresh(self, progress: Progress = no_progress) -> None:
        """Bring the index to the store's photos."""
        if self._store.revision == self._seen:
            return
        self.held = self._store.held()
        wanted = self.held.checksums.keys()
        small = len(wanted) <= ANEW_PHOTOS and self._rows.keys() != wanted
        if small or self._store_fell_back() or self._would_outgrow(len(wanted)):
            self._start_anew()
        self._forget(self._rows.keys() - wanted)
        self._add(self._by_photo(wanted - self._rows.keys()), progress)
        if self.index.outgrown_by(len(self.index)):
            self._start_anew()
            self._add(self._by_photo(wanted), progress)
        if len(self._rows.keys() ^ self._in_file) > LAG * len(self._rows):
            index_file.save(self._path, self.index, self._rows, self._made_from)
            self._in_file = set(self._rows)
        self._seen = self.held.revision

    def _store_fell_back(self) -> bool:
        """Say whether a row id that the index holds was given to another photo."""
        return any(self._rows.get(row, crc) != crc for row, crc in self.held.checksums.items())

    def _by_photo(self, rows: AbstractSet[int]) -> list[int]:
        """Order rows by their photos: row ids tell when a photo came, or came back."""
        return sorted(rows, key=self.held.photo_of_row.__getitem__)

    def _forget(self, dead: AbstractSet[int]) -> None:
        if dead:
            self.index.remove(lambda ids: packing.of_rows(ids, dead))
            self._rows = {row: crc for row, crc in self._rows.items() if row not in dead}

    def _would_outgrow(self, photos: int) -> bool:
        """Say whether so many photos are too many for what the index was trained for.

        Told before they are added: a small index takes five times the memory a patch. One that
        was made while there were no photos suits none.
        """
        if not self._rows and not self.index.trained_for:
            return photos > 0
        a_photo = len(self.index) / max(1, len(self._rows))
        return self.index.outgrown_by(round(a_photo * photos))

    def _add(self, new: list[int], progress: Progress) -> None:
        for start in range(0, len(new), _AT_ONCE):
            batch = new[start : start + _AT_ONCE]
            taken = [
                (row, features.take(np.arange(min(len(features), self.index.a_photo))))
                for row, features in self._store.features(batch)
                if len(features)
            ]
            if taken:
                ids = np.concatenate([packing.pack(row, features) for row, features in taken])
                self.index.add(ids, np.concatenate([one.descriptors for _, one in taken]))
            self._rows |= {row: self.held.checksums[row] for row in batch}
            progress("Building the local index", start + len(batch), len(new))

    def _start_anew(self) -> None:
        """Make an empty index, trained for the photos held."""
        counts = self._store.counts()
        a_photo = patches_each(counts)
        patches = int(np.minimum(counts, a_photo).sum())
        most = max(FLAT_MOST, TRAIN_A_LIST * lists_for(patches))
        self.index = DescriptorIndex(patches, self._sample(most, patches, a_photo), a_photo=a_photo)
        self._rows, self._in_file = {}, set()

    def _sample(self, most: int, patches: int, a_photo: int) -> NDArray[np.uint8]:
        """Return patches to train on: of some thousands of photos, and of more if they have few."""
        rows = self._by_photo(self.held.photo_of_row.keys())
        rng = np.random.default_rng(1)
        photos = max(_SAMPLED_PHOTOS, -(-most * len(rows) // max(1, patches)))
        picked = [rows[k] for k in sorted(rng.permutation(len(rows))[:photos])]
        drawn = (features.descriptors[:a_photo] for _, features in self._store.features(picked))
        every = np.concatenate([np.empty((0, DIMENSIONS), np.uint8), *drawn])
        return every[rng.permutation(len(every))[:most]]


def patches_each(counts: NDArray[np.int64]) -> int:
    """Return how many patches of a photo are indexed.

    Parameters
    ----------
    counts : ndarray
        int64 (n,), how many patches each photo has.

    Returns
    -------
    int
        All that are taken of one, while :data:`~.descriptor_index.MOST_PATCHES` hold those of
        all photos; else as many as leave room for :data:`ROOM` times the photos.
    """
    if counts.sum() <= MOST_PATCHES:
        return REFERENCE.most
    photos_with = np.bincount(np.minimum(counts, REFERENCE.most), minlength=REFERENCE.most + 1)
    # Each photo with as many patches as that, or more, adds one to the index.
    added = photos_with[::-1].cumsum()[::-1][1:]
    return max(1, int((added.cumsum() * ROOM <= MOST_PATCHES).sum()))
