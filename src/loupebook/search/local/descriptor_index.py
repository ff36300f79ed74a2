"""All reference patches in one FAISS index; ids say whose patch it is (see ``packing``).

Kinds, by number of patches: exact up to :data:`FLAT_MOST`; inverted lists over the stored
8-bit values up to :data:`BYTES_MOST` (136 bytes a patch); above that inverted lists over
product-quantised residuals, :data:`CODE_PARTS` / 2 + 8 bytes a patch, so that 100,000 photos of
700 patches take about 2.8 GB. Trained on the set itself, anew when it has grown fourfold. Larger
sets than that index fewer patches of each photo, its strongest (:data:`MOST_PATCHES`).

Codes of 4 bits are compared in the processor's registers (André, Kermarrec & Le Scouarnec 2017,
doi:10.1145/3078971.3078992). Among 1,000,000 patches of photos 64 of them took a sixth of the
time of 32 codes of 8 bits; the nearest patch was among the 16 found in .969 against .974.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loupebook.search.local.features import DIMENSIONS, UNIT

FLAT_MOST = 12_000
BYTES_MOST = 700_000
CODE_PARTS = 64
MOST_PATCHES = 70_000_000
"""Patches indexed at most, whatever the number of photos: 2.8 GB on disk, 3 GB in memory."""
GROWTH = 4
TRAIN_A_LIST = 50
GRAPH_FROM = 4096
"""Lists from which on patches find theirs by a graph.

Among 16,384 lists .996 of 40,000 patches of photos found the very same list, in a quarter of the
time. Hierarchical graph after Malkov & Yashunin (doi:10.1109/TPAMI.2018.2889473).
"""
_NEIGHBOURS, _WIDTH, _WIDTH_MADE = 16, 32, 80


def lists_for(patches: int) -> int:
    """Return how many inverted lists suit a number of patches; 0 means exact."""
    if patches <= FLAT_MOST:
        return 0
    return int(np.clip(2 ** round(np.log2(np.sqrt(patches) * 1.5)), 128, 16_384))


class DescriptorIndex:
    """Nearest reference patches.

    Parameters
    ----------
    patches : int
        How many patches it is to hold, about.
    sample : ndarray
        uint8 (n, 128) patches to train on.
    a_photo : int
        How many patches of a photo it is to hold at most.
    """

    def __init__(self, patches: int, sample: NDArray[np.uint8], *, a_photo: int) -> None:
        import faiss

        self.trained_for, self.a_photo = patches, a_photo
        count = min(lists_for(patches), len(sample) // 8)
        if count == 0:
            self.faiss_index: Any = faiss.IndexIDMap2(faiss.IndexFlatL2(DIMENSIONS))
            return
        coarse = faiss.IndexFlatL2(DIMENSIONS)
        index: Any
        if patches <= BYTES_MOST:
            kind = faiss.ScalarQuantizer.QT_8bit_direct
            index = faiss.IndexIVFScalarQuantizer(coarse, DIMENSIONS, count, kind)
            index.by_residual = False
        else:
            index = faiss.IndexIVFPQFastScan(coarse, DIMENSIONS, count, CODE_PARTS, 4)
            index.pq.cp.niter = 10
        index.cp.niter, index.cp.seed = 8, 1
        index.cp.max_points_per_centroid = TRAIN_A_LIST
        index.train(sample.astype(np.float32))
        self.faiss_index = index

    @classmethod
    def adopt(cls, inner: Any, trained_for: int, a_photo: int) -> DescriptorIndex:
        """Wrap a FAISS index read from a file."""
        made = cls.__new__(cls)
        made.faiss_index, made.trained_for, made.a_photo = inner, trained_for, a_photo
        return made

    def __len__(self) -> int:
        return int(self.faiss_index.ntotal)

    def outgrown_by(self, patches: int) -> bool:
        """Say whether it should be made anew for so many.

        They are far more than it was trained for, or more than any index holds.
        """
        return patches > min(max(FLAT_MOST, GROWTH * self.trained_for), MOST_PATCHES)

    def add(self, ids: NDArray[np.int64], descriptors: NDArray[np.uint8]) -> None:
        """Add patches."""
        with self._quick_lists():
            self.faiss_index.add_with_ids(descriptors.astype(np.float32), ids)

    def remove(self, chosen: Callable[[NDArray[np.int64]], NDArray[np.bool_]]) -> None:
        """Take out the patches whose ids are chosen.

        Parameters
        ----------
        chosen : callable
            Tells of ids, int64 (n,), which go.
        """
        import faiss

        gone = [ids[chosen(ids)] for ids in self._ids()]
        inner = self.faiss_index
        inner.remove_ids(faiss.IDSelectorBatch(np.concatenate([np.empty(0, np.int64), *gone])))
        if isinstance(inner, faiss.IndexIVFPQFastScan):
            _clear_freed(inner, [number for number, ids in enumerate(gone) if len(ids)])

    def _ids(self) -> Iterator[NDArray[np.int64]]:
        """Yield the ids held, list by list: those of a large set are half a gigabyte."""
        import faiss

        if not isinstance(self.faiss_index, faiss.IndexIVF):
            yield faiss.vector_to_array(self.faiss_index.id_map)
            return
        lists: Any = self.faiss_index.invlists
        for number in range(lists.nlist):
            size = lists.list_size(number)
            yield faiss.rev_swig_ptr(lists.get_ids(number), size) if size else np.empty(0, np.int64)

    @contextmanager
    def _quick_lists(self) -> Iterator[None]:
        """Let patches find their lists by a graph, where there are many; a search looks at all."""
        inner = self.faiss_index
        if self._graph is None:
            yield
            return
        exact, inner.quantizer = inner.quantizer, self._graph
        try:
            yield
        finally:
            inner.quantizer = exact

    @cached_property
    def _graph(self) -> Any:
        import faiss

        inner = self.faiss_index
        if not isinstance(inner, faiss.IndexIVF) or inner.nlist < GRAPH_FROM:
            return None
        graph = faiss.IndexHNSWFlat(DIMENSIONS, _NEIGHBOURS)
        graph.hnsw.efConstruction, graph.hnsw.efSearch = _WIDTH_MADE, _WIDTH
        graph.add(inner.quantizer.reconstruct_n(0, inner.nlist))
        return graph

    def search(
        self, descriptors: NDArray[np.uint8], count: int
    ) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
        """Return ids (n, count), -1 where none, and squared distances of unit descriptors."""
        import faiss

        inner = self.faiss_index
        if isinstance(inner, faiss.IndexIVF):
            inner.nprobe = max(6, min(16, inner.nlist // 32))
        squared, ids = inner.search(descriptors.astype(np.float32), count)
        return ids, np.where(ids >= 0, squared / np.float32(UNIT**2), np.inf).astype(np.float32)


def _clear_freed(index: Any, lists: list[int]) -> None:
    """Set the places behind the last code of some lists to 0.

    FAISS leaves there what it has moved or taken out, and adds new codes by *or*, as if the
    places were empty (seen with 1.15: of 800 patches taken out and put back a third came back
    with other codes).
    """
    import faiss

    packer = index.get_CodePacker()
    nothing = np.zeros(packer.code_size, np.uint8)
    for number in lists:
        size = index.invlists.list_size(number)
        blocks = -(-size // packer.nvec)
        if size == blocks * packer.nvec:
            continue
        codes = faiss.rev_swig_ptr(index.invlists.get_codes(number), blocks * packer.block_size)
        for place in range(size, blocks * packer.nvec):
            packer.pack_1(nothing, place, codes.reshape(blocks, -1))
