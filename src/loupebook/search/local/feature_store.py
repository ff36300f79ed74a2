"""Features on disk: the truth from which the descriptor index is made.

One SQLite file an arm fingerprint. A photo's features are one row, written in one
transaction with its batch: a killed sync loses the batch it was at and nothing else. Row ids
are given out once and, unless the store falls back (a power cut, a copy put back), never again;
FAISS ids are made from them, so that what an older index still holds of a withdrawn photo is an
unknown row and counts for nothing. Each row carries a CRC-32 (against damage, not against
intent), by which the index notices an id given out again.

Features are read only for the few photos that are verified; memory does not grow with them.
"""

from __future__ import annotations

import zlib
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from loupebook.errors import IndexDamaged
from loupebook.search.kept_store import KeptStore
from loupebook.search.local.features import DIMENSIONS, Features

_FORMAT = "1"
_SCHEMA = (
    "CREATE TABLE photos (row_id INTEGER PRIMARY KEY AUTOINCREMENT, "
    "photo_id INTEGER NOT NULL UNIQUE, sha256 TEXT NOT NULL, crc INTEGER NOT NULL)",
    "CREATE TABLE features (row_id INTEGER PRIMARY KEY REFERENCES photos ON DELETE CASCADE, "
    "data BLOB NOT NULL)",
)
_PLACE = np.dtype([("x", "<f4"), ("y", "<f4"), ("size", "<f4"), ("angle", "<f4")])
_HEAD = 12
BYTES_A_FEATURE = _PLACE.itemsize + DIMENSIONS


@dataclass(frozen=True)
class Held:
    """Which photos are held: row id to photo id, photo id to sha256, at which revision.

    ``checksums`` are those of the rows: they tell where a row id was given out again.
    """

    checksums: Mapping[int, int]
    photo_of_row: Mapping[int, int]
    row_of_photo: Mapping[int, int]
    photos: Mapping[int, str]
    revision: int


class FeatureStore(KeptStore):
    """The features of one set by one arm.

    Parameters
    ----------
    path : Path
        SQLite file; made where missing.
    set_id, fingerprint : str
        The set and the arm it belongs to.

    Raises
    ------
    IndexDamaged
        If the file is no store of ours, or of another set, arm or format. Delete it.
    """

    what = "features"
    schema = _SCHEMA
    holds = "SELECT 1 FROM photos WHERE photo_id = ? AND sha256 = ?"

    def __init__(self, path: Path, *, set_id: str, fingerprint: str) -> None:
        super().__init__(path, {"format": _FORMAT, "set_id": set_id, "fingerprint": fingerprint})

    def held(self) -> Held:
        """Read which photos there are, as of one moment."""
        with self._as_of_one_moment() as revision:
            rows = self._db.execute("SELECT row_id, photo_id, sha256, crc FROM photos").fetchall()
        return Held(
            checksums={row: crc for row, _, _, crc in rows},
            photo_of_row={row: photo for row, photo, _, _ in rows},
            row_of_photo={photo: row for row, photo, _, _ in rows},
            photos={photo: sha for _, photo, sha, _ in rows},
            revision=revision,
        )

    def put(self, batch: Sequence[tuple[int, str, Features]]) -> None:
        """Write (photo id, sha256, features) in one transaction, in place of earlier ones.

        A photo that is held already, with these bytes, is left as it is: another process was
        quicker.
        """
        with self._change():
            lacking = self.lacking({photo: sha256 for photo, sha256, _ in batch})
            self._delete(lacking)
            for photo, sha256, features in (taken for taken in batch if taken[0] in lacking):
                data = encode(features)
                row = self._db.execute(
                    "INSERT INTO photos (photo_id, sha256, crc) VALUES (?, ?, ?)",
                    (photo, sha256, checksum(photo, sha256, data)),
                ).lastrowid
                self._db.execute("INSERT INTO features VALUES (?, ?)", (row, data))

    def features(self, row_ids: Sequence[int]) -> Iterator[tuple[int, Features]]:
        """Read the features of some rows: (row id, features).

        A photo that another process has withdrawn meanwhile is left out: row ids are never
        given twice, so its row is gone and nothing else.

        Raises
        ------
        IndexDamaged
            If the features of a photo are missing or fail their checksum.
        """
        query = (
            "SELECT photo_id, sha256, crc, data FROM photos LEFT JOIN features USING (row_id) "
            "WHERE row_id = ?"
        )
        for row_id in row_ids:
            with self._checked():
                found = self._db.execute(query, (int(row_id),)).fetchone()
            if found is None:
                continue
            if found[3] is None or checksum(found[0], found[1], found[3]) != found[2]:
                raise IndexDamaged(
                    f"Features in {self.path} are damaged or missing (row {row_id}). Rebuild them."
                )
            yield row_id, decode(found[3])

    def counts(self) -> NDArray[np.int64]:
        """Return how many patches each photo has, int64 (n,).

        Raises
        ------
        IndexDamaged
            If the store cannot be read.
        """
        with self._checked():
            rows = self._db.execute("SELECT length(data) FROM features").fetchall()
        return (np.array(rows, np.int64).reshape(-1) - _HEAD) // BYTES_A_FEATURE

    def _delete(self, photo_ids: Collection[int]) -> None:
        wanted = [(photo,) for photo in photo_ids]
        self._db.executemany("DELETE FROM photos WHERE photo_id = ?", wanted)


def checksum(photo_id: int, sha256: str, data: bytes) -> int:
    """Return the CRC-32 of a row."""
    return zlib.crc32(data, zlib.crc32(f"{photo_id}\0{sha256}".encode()))


def encode(features: Features) -> bytes:
    """Lay features out as bytes: count, width, height, places, descriptors."""
    places = np.empty(len(features), _PLACE)
    places["x"], places["y"] = features.xy.T
    places["size"], places["angle"] = features.size, features.angle
    head = np.array([len(features), features.width, features.height], "<u4")
    return head.tobytes() + places.tobytes() + features.descriptors.tobytes()


def decode(data: bytes) -> Features:
    """Undo :func:`encode`; the caller has checked the checksum."""
    count, width, height = (int(v) for v in np.frombuffer(data, "<u4", 3))
    places = np.frombuffer(data, _PLACE, count, _HEAD)
    start = _HEAD + count * _PLACE.itemsize
    descriptors = np.frombuffer(data, np.uint8, count * DIMENSIONS, start)
    return Features(
        xy=np.stack([places["x"], places["y"]], axis=1),
        size=places["size"].copy(),
        angle=places["angle"].copy(),
        descriptors=descriptors.reshape(count, DIMENSIONS),
        width=width,
        height=height,
    )
