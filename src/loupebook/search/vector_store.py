"""Embeddings on disk: the truth from which the FAISS index is made.

One SQLite file an arm fingerprint. All vectors of a photo are written in one transaction, so
that a photo is held wholly or not at all; a process killed while it embeds loses the batch
that it was at and nothing else. Row ids are given out once and never again, so that an index
made earlier is brought up to date by comparing ids.

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
        """Write the vectors of some photos in one transaction, in place of earlier ones."""
        for photo in photos:
            for part, vector in photo.parts.items():
                if vector.shape != (self.dim,) or not np.isfinite(vector).all():
                    raise SearchError(
                        f"Photo {photo.photo_id}, {part}: not a finite vector of length {self.dim}."
                    )
        with self._change():
            self._delete([photo.photo_id for photo in photos])
            row_id = self._number("next_row")
            for photo in photos:
                for part, vector in photo.parts.items():
                    label = (row_id, photo.photo_id, photo.sha256, part)
                    crc = _label_crc(*label)
                    blob = np.asarray(vector, np.float16).tobytes()
                    self._db.execute("INSERT INTO labels VALUES (?, ?, ?, ?, ?)", (*label, crc))
                    self._db.execute(
                        "INSERT INTO vectors VALUES (?, ?, ?)",
                        (row_id, blob, zlib.crc32(blob, crc)),
                    )
                    row_id += 1
            self._set_number("next_row", row_id)

    def vectors(
        self, row_ids: NDArray[np.int64]
    ) -> Iterator[tuple[NDArray[np.int64], NDArray[np.float32]]]:
        """Read the vectors of some rows, some thousand at a time.

        Raises
        ------
        IndexDamaged
            If a row is missing or fails its checksum.
        """
        for start in range(0, len(row_ids), _READ_AT_ONCE):
            ids = np.sort(row_ids[start : start + _READ_AT_ONCE])
            yield ids, self._read(ids)

    def _read(self, ids: NDArray[np.int64]) -> NDArray[np.float32]:
        query = (
            "SELECT row_id, vectors.vector, vectors.crc, labels.crc FROM vectors "
            "JOIN labels USING (row_id) WHERE row_id BETWEEN ? AND ? ORDER BY row_id"
        )
        wanted = set(ids.tolist())
        with self._checked():
            found = self._db.execute(query, (int(ids[0]), int(ids[-1])))
            rows = [row for row in found if row[0] in wanted]
        sound = all(
            len(blob) == 2 * self.dim and zlib.crc32(blob, label_crc) == crc
            for _, blob, crc, label_crc in rows
        )
        if len(rows) != len(ids) or not sound:
            raise IndexDamaged(f"Vectors in {self.path} are damaged or missing. Rebuild them.")
        joined = np.frombuffer(b"".join(row[1] for row in rows), np.float16)
        return joined.reshape(len(ids), self.dim).astype(np.float32)

    def _delete(self, photo_ids: Collection[int]) -> None:
        self._db.executemany(
            "DELETE FROM labels WHERE photo_id = ?", [(photo,) for photo in photo_ids]
        )


def _label_crc(row_id: int, photo_id: int, sha256: str, part: str) -> int:
    return zlib.crc32(f"{row_id}\0{photo_id}\0{sha256}\0{part}".encode())
