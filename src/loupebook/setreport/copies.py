"""All pairs of photos in a set that are the same picture.

Proposed by equal pixels, near perceptual hashes and near embeddings, and decided by
``pairs``. Every decision is kept by the hashes of both photos, so that a report that was
stopped goes on where it was, and the next one decides new pairs only. Where a photo cannot be
read, nothing is decided.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import reverse_cuthill_mckee

from loupebook.encoders.threads import core_count
from loupebook.errors import LoupebookError
from loupebook.evidence.gather import similarity_blocks
from loupebook.search import Progress, ReadPhoto
from loupebook.search.arm import Pixels
from loupebook.search.figure_cache import FigureCache
from loupebook.setreport.pairs import PairCheck, Prepared, check_pair, near_by_hash, prepare
from loupebook.setreport.traits import PhotoTraits

VERSION = 7
NEIGHBOURS = 6
"""Nearest photos by embedding that are proposed for each photo."""
LEAST_COSINE = 0.75
MOST_BY_HASH = 8
"""Photos proposed by hash for each photo, nearest first: a set of like prints on one
background has many near hashes."""
_PREPARED = 800
"""Pictures kept ready: 0.6 MB each."""
_SAVE_EVERY = 200


@dataclass(frozen=True)
class CopyPair:
    """Two photos that are the same picture.

    Parameters
    ----------
    one, other : int
        Row ids, ``one < other``.
    exact : bool
        Whether the decoded pixels are equal.
    check : PairCheck
        What the decision rests on.
    """

    one: int
    other: int
    exact: bool
    check: PairCheck


def find_copies(
    photos: Mapping[int, str],
    traits: Mapping[int, PhotoTraits],
    vector_ids: NDArray[np.int64],
    vectors: NDArray[np.float32],
    read: ReadPhoto,
    store: Path,
    progress: Progress,
) -> list[CopyPair]:
    """Return all pairs of photos that are the same picture.

    Parameters
    ----------
    photos : mapping
        Row id to SHA-256 of the bytes.
    traits : mapping
        Row id to traits.
    vector_ids, vectors : ndarray
        Row ids and their unit vectors.
    read : callable
        Row id to pixels.
    store : Path
        SQLite file that keeps decisions; see :class:`.FigureCache`.
    progress : callable
        Called with (what, done, total).
    """
    ids = sorted(traits)
    exact = _exact_pairs(ids, traits)
    proposed = _by_hash(ids, traits) | _by_embedding(vector_ids, vectors, set(ids), progress)
    wanted = sorted(proposed - exact)
    checks = _decide(wanted, photos, read, store, progress)
    found = [CopyPair(*pair, True, PairCheck(True, 0, 1.0, 1.0, 1.0)) for pair in sorted(exact)]
    return found + [
        CopyPair(*pair, False, check)
        for pair, check in zip(wanted, checks, strict=True)
        if check is not None and check.same
    ]


def _exact_pairs(ids: Iterable[int], traits: Mapping[int, PhotoTraits]) -> set[tuple[int, int]]:
    held: dict[str, list[int]] = {}
    for photo in ids:
        held.setdefault(traits[photo].pixel_sha256, []).append(photo)
    return {
        (group[i], group[j])
        for group in held.values()
        for i in range(len(group))
        for j in range(i + 1, len(group))
    }


def _by_hash(ids: list[int], traits: Mapping[int, PhotoTraits]) -> set[tuple[int, int]]:
    hashes = np.array([int(traits[photo].perceptual_hash, 16) for photo in ids], dtype=np.uint64)
    return {(ids[i], ids[j]) for i, j in near_by_hash(hashes, MOST_BY_HASH)}


def _by_embedding(
    vector_ids: NDArray[np.int64],
    vectors: NDArray[np.float32],
    wanted: set[int],
    progress: Progress,
) -> set[tuple[int, int]]:
    found: set[tuple[int, int]] = set()
    count = len(vectors)
    k = min(NEIGHBOURS, count - 1)
    if k < 1:
        return found
    everyone = np.arange(count)
    for block, similarity in similarity_blocks(
        vectors, everyone, everyone, progress=progress, what="Proposing pairs"
    ):
        nearest = np.argpartition(-similarity, k - 1, axis=1)[:, :k]
        for row, position in enumerate(block.tolist()):
            for other in nearest[row].tolist():
                pair = sorted((int(vector_ids[position]), int(vector_ids[other])))
                if similarity[row, other] >= LEAST_COSINE and wanted.issuperset(pair):
                    found.add((pair[0], pair[1]))
    return found


def _decide(
    pairs: list[tuple[int, int]],
    photos: Mapping[int, str],
    read: ReadPhoto,
    path: Path,
    progress: Progress,
) -> list[PairCheck | None]:
    """Return what is known of each pair; `None` where a photo cannot be read."""
    table = f"pairs_{VERSION}"
    cache = FigureCache(
        path,
        f"CREATE TABLE IF NOT EXISTS {table} (one TEXT, other TEXT, same INTEGER, "
        "inliers INTEGER, overlap REAL, coarse REAL, fine REAL, PRIMARY KEY (one, other))",
    )
    kept = {
        (row[0], row[1]): PairCheck(bool(row[2]), *row[3:])
        for row in cache.read(f"SELECT * FROM {table}")
    }
    keyed = {_key(pair, photos): pair for pair in pairs}
    missing = _neighbours_together([key for key in keyed if key not in kept])
    done = len(pairs) - len(missing)
    with _Checker(read) as checker:
        for start in range(0, len(missing), _SAVE_EVERY):
            part = missing[start : start + _SAVE_EVERY]
            checks = checker.check([_in_order(keyed[key], photos) for key in part])
            decided = {key: c for key, c in zip(part, checks, strict=True) if c is not None}
            kept |= decided
            cache.write(
                f"INSERT OR REPLACE INTO {table} VALUES (?,?,?,?,?,?,?)",
                [
                    (*key, int(c.same), c.inliers, c.overlap, c.coarse, c.fine)
                    for key, c in decided.items()
                ],
            )
            done += len(part)
            progress("Checking pairs", done, len(pairs))
    return [kept.get(_key(pair, photos)) for pair in pairs]


def _neighbours_together(pairs: list[tuple[str, str]]) -> list[tuple[str, str]]:
    """Order pairs so that those of one photo come close together.

    Only some pictures are kept ready; in any other order most of a large set's would have to
    be made ready again and again. The order is that of Cuthill and McKee 1969
    (doi:10.1145/800195.805928), which keeps the numbers of neighbours in a graph close.
    """
    if not pairs:
        return pairs
    place = {
        photo: number for number, photo in enumerate(sorted({p for pair in pairs for p in pair}))
    }
    ends = np.array([(place[one], place[other]) for one, other in pairs])
    graph = coo_array((np.ones(len(ends)), ends.T), shape=(len(place), len(place))).tocsr()
    rank = np.empty(len(place), np.int64)
    rank[reverse_cuthill_mckee(graph + graph.T, symmetric_mode=True)] = np.arange(len(place))
    ranks = np.sort(rank[ends], axis=1)
    return [pairs[number] for number in np.lexsort((ranks[:, 0], ranks[:, 1]))]


def _in_order(pair: tuple[int, int], photos: Mapping[int, str]) -> tuple[int, int]:
    """Return a pair by its hashes, so that a decision does not depend on who came first."""
    one, other = sorted(pair, key=lambda photo: photos[photo])
    return one, other


def _key(pair: tuple[int, int], photos: Mapping[int, str]) -> tuple[str, str]:
    one, other = _in_order(pair, photos)
    return photos[one], photos[other]


class _Checker:
    """Checks pairs: reads photos in this thread, and works on them in as many as there are cores.

    The pictures used last are kept ready.
    """

    def __init__(self, read: ReadPhoto) -> None:
        self._read = read
        self._ready: OrderedDict[int, Prepared | None] = OrderedDict()
        self._pool = ThreadPoolExecutor(core_count(), thread_name_prefix="pairs")

    def __enter__(self) -> _Checker:
        return self

    def __exit__(self, *_: object) -> None:
        self._pool.shutdown()

    def check(self, pairs: Sequence[tuple[int, int]]) -> list[PairCheck | None]:
        """Check some pairs, fewer than are kept ready; `None` where a photo cannot be read."""
        wanted = dict.fromkeys(photo for pair in pairs for photo in pair)
        waiting = {
            photo: self._pool.submit(prepare, pixels)
            for photo in wanted
            if photo not in self._ready and (pixels := self._pixels(photo)) is not None
        }
        for photo in wanted:
            if photo in waiting:
                self._ready[photo] = waiting[photo].result()
            self._ready.setdefault(photo, None)
            self._ready.move_to_end(photo)
        checks = list(
            self._pool.map(lambda pair: _check(*(self._ready[photo] for photo in pair)), pairs)
        )
        while len(self._ready) > _PREPARED:
            self._ready.popitem(last=False)
        return checks

    def _pixels(self, photo: int) -> Pixels | None:
        try:
            return self._read(photo)
        except LoupebookError:
            return None


def _check(one: Prepared | None, other: Prepared | None) -> PairCheck | None:
    return None if one is None or other is None else check_pair(one, other)
