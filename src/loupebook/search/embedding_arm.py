"""The arm that compares whole items by embedding.

Each reference gives one vector a window, a query one a view (see ``windows``): the item may
lie anywhere in it, upside down or sideways. A photo's score is the best cosine of any pair,
less the view's discount. ``detail`` of a hit: ``turn`` (clockwise quarter turns by which the query
must be turned), ``query_window`` and ``reference_window``, and ``query_part`` (left, top, right,
bottom of that window, px of the query).
"""

from __future__ import annotations

import hashlib
import json
from collections import deque
from collections.abc import Collection, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import astuple, dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from loupebook.encoders import Encoder
from loupebook.errors import IndexDamaged, LoupebookError
from loupebook.search.arm import (
    ArmHit,
    Box,
    Pending,
    Pixels,
    Progress,
    QueryPhoto,
    ReadPhoto,
    difference,
    no_progress,
)
from loupebook.search.kept_arm import KeptArm
from loupebook.search.vector_file import IndexOrigin, load_index, save_index
from loupebook.search.vector_index import VectorIndex
from loupebook.search.vector_store import Labels, PhotoVectors, VectorStore
from loupebook.search.windows import (
    REFERENCE_WINDOWS,
    WHOLE,
    WORKING_SIDE,
    View,
    marked_part,
    part_looked_at,
    views_of,
    working_copy,
)


@dataclass(frozen=True)
class _Asked:
    """A query already embedded."""

    query: QueryPhoto
    views: tuple[View, ...]
    vectors: NDArray[np.float32]


_BATCH = 16
"""Photos embedded and written at a time: what a killed sync loses at most."""


class EmbeddingArm(KeptArm):
    """Nearest photos by whole-item embeddings; see :class:`loupebook.search.arm.SearchArm`.

    Parameters
    ----------
    folder : Path
        Where the derived state lies, ``<set>/derived/embeddings``.
    encoder : Encoder
        Makes the embeddings.
    set_id : str
        The set that the state belongs to.
    """

    name = "embedding"

    def __init__(self, folder: Path, encoder: Encoder, *, set_id: str) -> None:
        self._encoder = encoder
        self._set_id = set_id
        recipe = [encoder.fingerprint, WORKING_SIDE, *map(astuple, REFERENCE_WINDOWS)]
        super().__init__(folder, hashlib.sha256(json.dumps(recipe).encode()).hexdigest())
        self._store: VectorStore | None = None
        self._labels: Labels | None = None
        self._indexed: tuple[VectorIndex, Labels] | None = None
        self._asked: deque[_Asked] = deque(maxlen=2)

    def find(
        self, query: QueryPhoto, *, allowed: Collection[int] | None = None, limit: int = 50
    ) -> list[ArmHit]:
        """Return the photos nearest to the query.

        Raises
        ------
        IndexDamaged
            If the derived state cannot be used; :meth:`sync` makes it anew.
        """
        views, vectors = self._embed_query(query)
        with self._lock:
            index, labels = self._ready()
            rows = None
            if allowed is not None:
                wanted = np.fromiter(allowed, np.int64, len(allowed))
                rows = labels.row_ids[np.isin(labels.photo_ids, wanted)]
            if limit < 1:
                return []
            scores, found = index.search(vectors, limit * len(REFERENCE_WINDOWS), allowed=rows)
        places = [part_looked_at(query, view) for view in views]
        return _best_of_each_photo(labels, views, places, scores, found)[:limit]

    def held_photos(self) -> Collection[int]:
        """Return the ids of the photos that are embedded.

        Raises
        ------
        IndexDamaged
            If the derived state cannot be used; :meth:`sync` makes it anew.
        """
        with self._lock:
            return self._held_photos().keys()

    def held_vectors(self) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
        """Return the whole-item vectors as they stand: photo ids (n,) and rows (n, dim).

        Raises
        ------
        IndexDamaged
            If the derived state cannot be used; :meth:`sync` makes it anew.
        """
        with self._lock:
            store, labels = self._open(), self._current_labels()
            whole = np.array([part == WHOLE.name for part in labels.parts], dtype=bool)
            rows = np.empty((int(whole.sum()), store.dim), np.float32)
            row_ids = np.empty(len(rows), np.int64)
            done = 0
            for ids, vectors in store.vectors(labels.row_ids[whole]):
                upto = done + len(ids)
                row_ids[done:upto], rows[done:upto] = ids, vectors
                done = upto
            places = np.searchsorted(labels.row_ids, row_ids[:done])
            return labels.photo_ids[places], rows[:done]

    def close(self) -> None:
        """Let go of files."""
        with self._lock:
            if self._store is not None:
                self._store.close()
            self._store = self._labels = self._indexed = None

    # ------------------------------------------------------------------ bringing up to date

    def _open(self) -> VectorStore:
        if self._store is None:
            self._store = VectorStore(
                self._store_path,
                set_id=self._set_id,
                fingerprint=self.fingerprint,
                dim=self._encoder.dim,
            )
        return self._store

    def _current_labels(self) -> Labels:
        """Labels as they stand on disk; another process may have changed them."""
        store = self._open()
        if self._labels is None or self._labels.revision != store.revision:
            self._labels = store.labels()
        return self._labels

    def _held_photos(self) -> Mapping[int, str]:
        self._open()
        return self._current_labels().photos

    def _sync_once(
        self, photos: Mapping[int, str], read: ReadPhoto, progress: Progress
    ) -> tuple[Pending, dict[int, str], int]:
        store = self._open()
        held = self._current_labels().photos
        plan = difference(held, photos)
        store.withdraw(plan.to_withdraw)
        failed = self._embed_new(store, sorted(plan.to_add), photos, read, progress)
        self._indexed = self._refreshed(store, progress)
        return plan, failed, len(held) - len(plan.to_withdraw)

    def _embed_new(
        self,
        store: VectorStore,
        new: Sequence[int],
        photos: Mapping[int, str],
        read: ReadPhoto,
        progress: Progress,
    ) -> dict[int, str]:
        """Read in this thread, embed in another, write batch by batch in this one."""
        failed: dict[int, str] = {}
        with ThreadPoolExecutor(max_workers=1, thread_name_prefix="embed") as pool:
            waiting: Future[list[PhotoVectors]] | None = None
            reached = 0
            for upto, batch in self._read_batches(store, new, photos, read, failed):
                following = pool.submit(self._embed_references, batch, photos)
                if waiting is not None:
                    store.put(waiting.result())
                    progress("Embedding photos", reached, len(new))
                waiting, reached = following, upto
            if waiting is not None:
                store.put(waiting.result())
        if new:
            progress("Embedding photos", len(new), len(new))
        return failed

    @staticmethod
    def _read_batches(
        store: VectorStore,
        new: Sequence[int],
        photos: Mapping[int, str],
        read: ReadPhoto,
        failed: dict[int, str],
    ) -> Iterator[tuple[int, list[tuple[int, Pixels]]]]:
        """Read photos batch by batch; each comes with how many of `new` lie behind it."""
        for start in range(0, len(new), _BATCH):
            asked = new[start : start + _BATCH]
            batch = []
            # Another process may have embedded some since.
            for photo_id in sorted(store.lacking({photo: photos[photo] for photo in asked})):
                try:
                    batch.append((photo_id, working_copy(read(photo_id))))
                except LoupebookError as exc:
                    failed[photo_id] = str(exc)
            if batch:
                yield start + len(asked), batch

    def _embed_references(
        self, batch: Sequence[tuple[int, Pixels]], photos: Mapping[int, str]
    ) -> list[PhotoVectors]:
        parts = [window.cut(pixels) for _, pixels in batch for window in REFERENCE_WINDOWS]
        vectors = iter(self._encoder.embed(parts, batch_size=_BATCH))
        return [
            PhotoVectors(
                photo_id,
                photos[photo_id],
                {window.name: next(vectors) for window in REFERENCE_WINDOWS},
            )
            for photo_id, _ in batch
        ]

    def _refreshed(self, store: VectorStore, progress: Progress) -> tuple[VectorIndex, Labels]:
        """Bring the FAISS index to the rows of the store, from its file where that is sound."""
        labels = self._current_labels()
        index = self._indexed[0] if self._indexed else self._from_file(store)
        held = index.ids()
        gone = np.setdiff1d(held, labels.row_ids, assume_unique=True)
        new = np.setdiff1d(labels.row_ids, held, assume_unique=True)
        index.remove(gone)
        done = 0
        for ids, vectors in store.vectors(new):
            index.add(ids, vectors)
            done += len(ids)
            progress("Building the index", done, len(new))
        if len(gone) or len(new):
            origin = IndexOrigin(self._set_id, self.fingerprint, store.store_id, labels.revision)
            save_index(self._index_path, index, origin)
        return index, labels

    def _from_file(self, store: VectorStore) -> VectorIndex:
        """Read the index's file, or start an empty index where it is not to be trusted."""
        try:
            index, origin = load_index(
                self._index_path, set_id=self._set_id, fingerprint=self.fingerprint
            )
        except IndexDamaged:
            return VectorIndex(self._encoder.dim)
        if origin.store_id != store.store_id:
            # Another store gave its row ids to other photos.
            return VectorIndex(self._encoder.dim)
        return index

    # ------------------------------------------------------------------ searching

    def _embed_query(self, query: QueryPhoto) -> tuple[tuple[View, ...], NDArray[np.float32]]:
        """Embed every view.

        The last two queries are remembered: a search may ask about a query, and about the item
        found in it, several times over, with other filters.
        """
        for asked in self._asked:
            if asked.query is query:
                return asked.views, asked.vectors
        marked = marked_part(query)
        views = views_of(query)
        # Few at a time: larger batches gain nothing and take memory afresh.
        vectors = self._encoder.embed([view.cut(marked) for view in views], batch_size=4)
        self._asked.append(_Asked(query, views, vectors))
        return views, vectors

    def _ready(self) -> tuple[VectorIndex, Labels]:
        """Index and labels that fit each other and the store as it stands on disk."""
        store = self._open()
        if self._indexed is None or self._indexed[1].revision != store.revision:
            self._indexed = self._refreshed(store, no_progress)
        return self._indexed


def _best_of_each_photo(
    labels: Labels,
    views: Sequence[View],
    parts: Sequence[Box],
    scores: NDArray[np.float32],
    found: NDArray[np.int64],
) -> list[ArmHit]:
    """Keep the best row of each photo, nearest first."""
    rows, places = np.nonzero(found >= 0)
    discounts = np.array([view.discount for view in views], np.float32)
    cosines = scores[rows, places] - discounts[rows]
    positions = np.searchsorted(labels.row_ids, found[rows, places])
    hits: dict[int, ArmHit] = {}
    for entry in np.argsort(-cosines, kind="stable"):
        photo_id = int(labels.photo_ids[positions[entry]])
        if photo_id not in hits:
            view = views[rows[entry]]
            hits[photo_id] = ArmHit(
                photo_id=photo_id,
                score=min(1.0, float(cosines[entry])),
                detail={
                    "turn": view.turn,
                    "query_window": view.window.name,
                    "query_part": list(parts[rows[entry]]),
                    "reference_window": labels.parts[positions[entry]],
                },
            )
    return list(hits.values())
