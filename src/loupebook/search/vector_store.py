"""Embeddings on disk: the truth from which the FAISS index is made.

One SQLite file an arm fingerprint. All vectors of a photo are written in one transaction, so
that a photo is held wholly or not at all; a process killed while it embeds loses the batch
that it was at and nothing else.

A row id is a running number and, in its lower 32 bits, a checksum of what the row stands for
(photo, its bytes, part). So an index made earlier is brought up to date by comparing ids, even
where the store has fallen back behind it (a power cut, a copy put back) and gives out numbers
again: another photo's row has another id, and the same photo's row the same vector.

Every row carries two checksums (CRC-32: against damage, not against intent): of its label
(which photo, which part) and of its vector. A row that fails raises ``IndexDamaged``.
"""

from __future__ import annotations

import zlib
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from loupebook.errors import IndexDamaged, SearchError
from loupebook.search.kept_store import KeptStore

_FORMAT = "1"
_SCHEMA = (
    "CREATE TABLE labels (row_id INTEGER PRIMARY KEY, photo_id INTEGER NOT NULL, "
    "sha256 TEXT NOT NULL, part TEXT NOT NULL, crc INTEGER NOT NULL, UNIQUE (photo_id, part))",
    "CREATE TABLE vectors (row_id INTEGER PRIMARY KEY REFERENCES labels ON DELETE CASCADE, "
    "vector BLOB NOT NULL, crc INTEGER NOT NULL)",
)
_READ_AT_ONCE = 4096


@dataclass(frozen=True)
class PhotoVectors:
    """All vectors of one photo: part name to vector."""

    photo_id: int
    sha256: str
    parts: Mapping[str, NDArray[np.float32]]


@dataclass(frozen=True)
class Labels:
    """Which row belongs to which photo, as arrays side by side, ascending by row id.

    Parameters
    ----------
    row_ids, photo_ids : ndarray, int64 (n,)
        Row ids and the photos they belong to.
    parts : tuple of str
        Which part of the photo each row stands for.
    photos : dict
        Photo id to sha256 of the photo's bytes.
    revision : int
        The store's revision that they were read at.
    """

    row_ids: NDArray[np.int64]
    photo_ids: NDArray[np.int64]
    parts: tuple[str, ...]
    photos: Mapping[int, str]
    revision: int


class VectorStore(KeptStore):
    """The embeddings of one set by one arm.

    Parameters
    ----------
    path : Path
        SQLite file; made where missing.
    set_id, fingerprint : str
        The set and the arm it belongs to.
    dim : int
        Length of a vector.

    Raises
    ------
    IndexDamaged
        If the file is no store of ours, or of another set, arm or format. Delete it.
    """

    what = "embeddings"
    schema = _SCHEMA
    holds = "SELECT 1 FROM labels WHERE photo_id = ? AND sha256 = ?"
    counters: ClassVar[Mapping[str, str]] = {"revision": "0", "next_row": "1"}

    def __init__(self, path: Path, *, set_id: str, fingerprint: str, dim: int) -> None:
        self.dim = dim
        expected = {
            "format": _FORMAT,
            "set_id": set_id,
            "fingerprint": fingerprint,
            "dim": str(dim),
        }
        super().__init__(path, expected)

    def labels(self) -> Labels:
        """Read which rows there are."""
        with self._as_of_one_moment() as revision:
            rows = self._db.execute(
                "SELECT row_id, photo_id, sha256, part, crc FROM labels ORDER BY row_id"
            ).fetchall()
        for row_id, photo_id, sha256, part, crc in rows:
            if _label_crc(row_id, photo_id, sha256, part) != crc:
                raise IndexDamaged(f"Row {row_id} of {self.path} is damaged. Rebuild it.")
        return Labels(
            row_ids=np.array([row[0] for row in rows], np.int64),
            photo_ids=np.array([row[1] for row in rows], np.int64),
            parts=tuple(row[3] for row in rows),
            photos={row[1]: row[2] for row in rows},
            revision=revision,
        )

    def put(self, photos: Sequence[PhotoVectors]) -> None:
        """Write the vectors of some photos in one transaction, in place of earlier ones.

        A photo that is held already, with these bytes, is left as it is: another process was
        quicker, and may be reading the rows that it has written.
        """
        for photo in photos:
            for part, vector in photo.parts.items():
                if vector.shape != (self.dim,) or not np.isfinite(vector).all():
                    raise SearchError(
                        f"Photo {photo.photo_id}, {part}: not a finite vector of length {self.dim}."
                    )
        with self._change():
            lacking = self.lacking({photo.photo_id: photo.sha256 for photo in photos})
            self._delete(lacking)
            number = self._number("next_row")
            for photo in (photo for photo in photos if photo.photo_id in lacking):
                for part, vector in photo.parts.items():
                    about = (photo.photo_id, photo.sha256, part)
                    row_id = _row_id(number, *about)
                    crc = _label_crc(row_id, *about)
                    blob = np.asarray(vector, np.float16).tobytes()
                    self._db.execute(
                        "INSERT INTO labels VALUES (?, ?, ?, ?, ?)", (row_id, *about, crc)
                    )
                    self._db.execute(
                        "INSERT INTO vectors VALUES (?, ?, ?)",
                        (row_id, blob, zlib.crc32(blob, crc)),
                    )
                    number += 1
            self._set_number("next_row", number)

    def vectors(
        self, row_ids: NDArray[np.int64]
    ) -> Iterator[tuple[NDArray[np.int64], NDArray[np.float32]]]:
        """Read the vectors of some rows, some thousand at a time: (row ids, vectors).

        A row that another process has withdrawn meanwhile is left out.

        Raises
        ------
        IndexDamaged
            If a row's vector is missing or fails its checksum.
        """
        for start in range(0, len(row_ids), _READ_AT_ONCE):
            yield self._read(np.sort(row_ids[start : start + _READ_AT_ONCE]))

    def _read(self, ids: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
        query = (
            "SELECT row_id, vectors.vector, vectors.crc, labels.crc FROM labels "
            "LEFT JOIN vectors USING (row_id) WHERE row_id BETWEEN ? AND ? ORDER BY row_id"
        )
        wanted = set(ids.tolist())
        with self._checked():
            found = self._db.execute(query, (int(ids[0]), int(ids[-1])))
            rows = [row for row in found if row[0] in wanted]
        sound = all(
            blob is not None and len(blob) == 2 * self.dim and zlib.crc32(blob, label_crc) == crc
            for _, blob, crc, label_crc in rows
        )
        if not sound:
            raise IndexDamaged(f"Vectors in {self.path} are damaged or missing. Rebuild them.")
        joined = np.frombuffer(b"".join(row[1] for row in rows), np.float16)
        found_ids = np.array([row[0] for row in rows], np.int64)
        return found_ids, joined.reshape(len(rows), self.dim).astype(np.float32)

    def _delete(self, photo_ids: Collection[int]) -> None:
        self._db.executemany(
            "DELETE FROM labels WHERE photo_id = ?", [(photo,) for photo in photo_ids]
        )


def _row_id(number: int, photo_id: int, sha256: str, part: str) -> int:
    return number << 32 | zlib.crc32(f"{photo_id}\0{sha256}\0{part}".encode())


def _label_crc(row_id: int, photo_id: int, sha256: str, part: str) -> int:
    return zlib.crc32(f"{row_id}\0{photo_id}\0{sha256}\0{part}".encode())
