"""FAISS over our own row ids: exact while that is fast, partitioned above.

Conventions: ids are our row ids (int64, from 0 up), never positions. Vectors are float32
rows of length 1; a score is their inner product, a cosine. Rows are kept in half precision,
which is what ``loupebook.search.vector_store`` holds: half the memory, a faster scan, and
cosines right to 1e-6.

Two kinds. Scanning 1,280-number rows took 4 ms a query vector at 10,000 rows and 38 ms at
100,000, one thread, on a busy 2-core machine; single precision took 6 and 44 ms.

``flat``
    Every row is compared: exact.
``ivf``
    Rows are parted into cells around trained centres and only the cells nearest to the query
    are scanned. It was preferred to a graph (HNSW) because references are withdrawn: a graph
    cannot forget a row.

The index is a cache: it can always be made anew from the vector store.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING, Any, TypeAlias, cast

import numpy as np
from numpy.typing import NDArray

from loupebook.encoders.threads import faiss_threads
from loupebook.errors import EncoderMismatch, SearchError

if TYPE_CHECKING:
    import faiss

Vectors: TypeAlias = NDArray[np.float32]
Ids: TypeAlias = NDArray[np.int64]

FLAT_LIMIT = 200_000
"""Rows up to which every row is compared."""

_REGROW = 4
"""A partition is trained anew once the index has grown by this factor."""
_TRAIN_POINTS = 64
"""Rows a cell that training looks at."""
_SHARE_SCANNED = 1 / 16
"""Share of the cells that a search scans."""
_NARROW = 1 / 8
"""Where a filter leaves a smaller share of rows than this, all cells are scanned: only
allowed rows are compared, so that is cheap, and a narrow filter loses nothing."""


class VectorIndex:
    """Nearest rows by inner product.

    Parameters
    ----------
    dim : int
        Length of a vector.
    flat_limit : int
        Rows up to which the index stays exact.
    """

    def __init__(self, dim: int, *, flat_limit: int = FLAT_LIMIT) -> None:
        self.dim = dim
        self.flat_limit = flat_limit
        self._trained_for = 0
        self._index: Any = _new_flat(dim)

    @classmethod
    def adopt(
        cls, index: faiss.Index, *, trained_for: int, flat_limit: int = FLAT_LIMIT
    ) -> VectorIndex:
        """Wrap a FAISS index that this class made (see ``vector_file``)."""
        wrapped = cls(index.d, flat_limit=flat_limit)
        wrapped._index = index
        wrapped._trained_for = trained_for
        return wrapped

    @property
    def faiss_index(self) -> faiss.Index:
        """The FAISS index itself, for saving."""
        return cast("faiss.Index", self._index)

    @property
    def kind(self) -> str:
        """``flat`` or ``ivf``."""
        return "ivf" if self._trained_for else "flat"

    @property
    def trained_for(self) -> int:
        """Rows that the partition was trained on; 0 for ``flat``."""
        return self._trained_for

    def __len__(self) -> int:
        return int(self._index.ntotal)

    def ids(self) -> Ids:
        """All row ids, ascending."""
        return np.sort(self._ids())

    def add(self, ids: Ids, vectors: Vectors) -> None:
        """Add rows. An id that is already held is an error.

        Raises
        ------
        EncoderMismatch
            If the vectors have another length than the index.
        SearchError
            If an id is held already or occurs twice, or a value is not finite.
        """
        ids, vectors = np.asarray(ids, np.int64), self._checked(vectors)
        if len(ids) != len(vectors):
            raise SearchError(f"{len(ids)} ids for {len(vectors)} vectors.")
        if len(np.unique(ids)) != len(ids) or np.isin(ids, self._ids()).any():
            raise SearchError("A row id is in the index already; withdraw it first.")
        if len(ids) == 0:
            return
        total = len(self) + len(ids)
        outgrown = total > self.flat_limit and total > _REGROW * self._trained_for
        if outgrown:
            held_ids, held = self._rows()
            ids, vectors = np.concatenate([held_ids, ids]), np.concatenate([held, vectors])
            self._index = _new_ivf(vectors)
            self._trained_for = total
        with faiss_threads(len(ids)):
            self._index.add_with_ids(vectors, ids)

    def remove(self, ids: Collection[int] | Ids) -> int:
        """Take rows out; ids that are not held are passed over. Returns how many went."""
        import faiss

        if len(ids) == 0:
            return 0
        selector = faiss.IDSelectorBatch(np.fromiter(ids, np.int64, len(ids)))
        return int(self._index.remove_ids(selector))

    def search(
        self, vectors: Vectors, k: int, *, allowed: Collection[int] | Ids | None = None
    ) -> tuple[Vectors, Ids]:
        """Find the `k` nearest rows of each query.

        Parameters
        ----------
        vectors : ndarray, float32 (n, dim)
            Queries of length 1.
        k : int
            Rows wanted a query.
        allowed : collection of int, optional
            Row ids to choose from; `None` means all.

        Returns
        -------
        scores : ndarray, float32 (n, k)
            Inner products, greatest first; ``-inf`` where there are fewer rows than `k`.
        ids : ndarray, int64 (n, k)
            Row ids; -1 where there are fewer rows than `k`.
        """
        vectors = self._checked(vectors)
        rows = len(self) if allowed is None else min(len(allowed), len(self))
        wanted = min(k, rows)
        scores = np.full((len(vectors), k), -np.inf, np.float32)
        found = np.full((len(vectors), k), -1, np.int64)
        if wanted < 1 or len(vectors) == 0:
            return scores, found
        parameters = self._parameters(rows, allowed)
        with faiss_threads(rows):
            near, near_ids = self._index.search(vectors, wanted, params=parameters)
        found[:, :wanted] = near_ids
        scores[:, :wanted] = np.where(near_ids >= 0, near, -np.inf)
        return scores, found

    def _parameters(
        self, rows: int, allowed: Collection[int] | Ids | None
    ) -> faiss.SearchParameters | None:
        import faiss

        chosen: dict[str, Any] = {}
        if allowed is not None:
            chosen["sel"] = faiss.IDSelectorBatch(np.fromiter(allowed, np.int64, len(allowed)))
        if self.kind == "flat":
            return faiss.SearchParameters(**chosen) if chosen else None
        cells = int(self._index.nlist)
        if rows < _NARROW * len(self):
            chosen["nprobe"] = cells
        else:
            widened = cells * _SHARE_SCANNED * len(self) / rows
            chosen["nprobe"] = min(cells, max(1, round(widened)))
        return faiss.SearchParametersIVF(**chosen)

    def _checked(self, vectors: Vectors) -> Vectors:
        vectors = np.ascontiguousarray(vectors, np.float32)
        if vectors.ndim != 2 or vectors.shape[1] != self.dim:
            raise EncoderMismatch(
                f"The index holds vectors of length {self.dim}; {vectors.shape} were offered. "
                "They come from another encoder: rebuild the index with this one."
            )
        if not np.isfinite(vectors).all():
            raise SearchError("A vector holds a value that is not finite.")
        return vectors

    def _ids(self) -> Ids:
        import faiss

        if self.kind == "flat":
            return cast("Ids", faiss.vector_to_array(self._index.id_map))
        lists = self._index.invlists
        cells = [
            faiss.rev_swig_ptr(lists.get_ids(cell), lists.list_size(cell)).copy()
            for cell in range(self._index.nlist)
            if lists.list_size(cell)
        ]
        return np.concatenate(cells) if cells else np.empty(0, np.int64)

    def _rows(self) -> tuple[Ids, Vectors]:
        """Ids and vectors of all rows, in the same order."""
        import faiss

        if len(self) == 0:
            return np.empty(0, np.int64), np.empty((0, self.dim), np.float32)
        if self.kind == "flat":
            inner = faiss.downcast_index(self._index.index)
            return self._ids(), cast("Vectors", inner.reconstruct_n(0, len(self)))
        lists, size = self._index.invlists, self._index.code_size
        codes = [
            faiss.rev_swig_ptr(lists.get_codes(cell), lists.list_size(cell) * size).copy()
            for cell in range(self._index.nlist)
            if lists.list_size(cell)
        ]
        halves = np.concatenate(codes).view(np.float16).reshape(len(self), self.dim)
        return self._ids(), halves.astype(np.float32)


def _new_flat(dim: int) -> faiss.IndexIDMap2:
    import faiss

    half = faiss.ScalarQuantizer.QT_fp16
    inner = faiss.IndexScalarQuantizer(dim, half, faiss.METRIC_INNER_PRODUCT)
    inner.is_trained = True  # half precision has nothing to learn
    index = faiss.IndexIDMap2(inner)
    # The wrapper must not outlive what it wraps: let it own the inner index.
    index.own_fields = True
    cast("Any", inner).this.disown()
    return index


def _new_ivf(vectors: Vectors) -> faiss.IndexIVF:
    """Train a partition on (a sample of) the rows that it is to hold."""
    import faiss

    rows, dim = vectors.shape
    cells = max(1, round(4 * rows**0.5))
    centres = faiss.IndexFlatIP(dim)
    index = faiss.IndexIVFScalarQuantizer(
        centres, dim, cells, faiss.ScalarQuantizer.QT_fp16, faiss.METRIC_INNER_PRODUCT, False
    )
    index.own_fields = True
    cast("Any", centres).this.disown()
    index.cp.niter = 10
    index.cp.seed = 20_260_101  # the same rows give the same partition
    index.cp.spherical = True
    index.cp.max_points_per_centroid = _TRAIN_POINTS
    index.cp.min_points_per_centroid = 1
    with faiss_threads(rows):
        index.train(vectors)
    return index
