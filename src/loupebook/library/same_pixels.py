"""Which photo on record shows the very same pixels, whatever metadata its file bears.

Only photos of the same size can. What their pixels come to is a derived figure, kept by the
SHA-256 of the bytes: photos are read for it once, when they are added or indexed, or at the
first addition of a photo of that size.
"""

from __future__ import annotations

import hashlib
from threading import RLock

import numpy as np
from numpy.typing import NDArray

from loupebook.errors import LoupebookError
from loupebook.imaging import decode_photo
from loupebook.records.catalogue import Catalogue
from loupebook.records.model import PhotoRecord
from loupebook.search import Progress
from loupebook.search.figure_cache import FigureCache

_TABLE = "pixels_1"
_SAVE_EVERY = 16


def pixel_digest(pixels: NDArray[np.uint8]) -> str:
    """Return a digest of decoded pixels: equal for files that differ in metadata only."""
    whole = np.ascontiguousarray(pixels)
    told = f"{whole.shape} {whole.dtype} ".encode()
    return hashlib.sha256(told + whole.tobytes()).hexdigest()


class SamePixels:
    """The pixel digests of a set's photos; safe to share among threads.

    Parameters
    ----------
    catalogue : Catalogue
        The opened catalogue.
    """

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self._cache = FigureCache(
            catalogue.folder / "derived" / "pixels.sqlite",
            f"CREATE TABLE IF NOT EXISTS {_TABLE} (sha256 TEXT PRIMARY KEY, pixels TEXT)",
        )
        self._lock = RLock()
        self._pixels: dict[str, str] = {}
        self._bearers: dict[str, list[str]] = {}
        self._seen_to: dict[tuple[int, int], int] = {}

    def find(
        self, pixels: str, width: int, height: int, *, specimen: str, progress: Progress
    ) -> PhotoRecord | None:
        """Return a photo on record with these pixels, one of `specimen` before any other.

        Parameters
        ----------
        pixels : str
            Their :func:`pixel_digest`.
        width, height : int
            Size of the picture, px.
        specimen : str
            Whose photo it is said to be.
        progress : callable
            Called with (what, done, total) where photos have to be read first.
        """
        with self._lock:
            self._complete(width, height, progress)
            bearers = self._bearers.get(pixels, ())
            held = [self._catalogue.photo_by_sha256(sha256) for sha256 in bearers]
        found = [photo for photo in held if photo is not None]
        own = [photo for photo in found if photo.specimen == specimen]
        return next(iter(own or found), None)

    def keep(self, sha256: str, pixels: str) -> None:
        """Remember what the pixels of a photo come to."""
        with self._lock:
            if sha256 not in self._pixels:
                self._keep({sha256: pixels})

    def keep_read(self, photo_id: int, pixels: NDArray[np.uint8]) -> None:
        """Remember a photo on record that was read whole for something else."""
        sha256 = self._catalogue.photo(photo_id).sha256
        with self._lock:
            if not self._pixels:
                self._load()
        if sha256 not in self._pixels:
            self.keep(sha256, pixel_digest(pixels))

    def clear(self) -> None:
        """Forget all; photos are read again when needed."""
        with self._lock:
            self._cache.path.unlink(missing_ok=True)
            self._pixels, self._bearers, self._seen_to = {}, {}, {}

    def _complete(self, width: int, height: int, progress: Progress) -> None:
        """Read those photos of a size that nothing is known of yet."""
        seen_to = self._seen_to.get((width, height), 0)
        listed = self._catalogue.photos_sized(width, height, after=seen_to)
        if any(sha256 not in self._pixels for _, sha256 in listed):
            # Another process may have added them, and kept what they come to.
            self._load()
        missing = [one for one in listed if one[1] not in self._pixels]
        for start in range(0, len(missing), _SAVE_EVERY):
            progress("Reading photos on record", start, len(missing))
            part = missing[start : start + _SAVE_EVERY]
            read = {sha256: self._read(photo_id) for photo_id, sha256 in part}
            self._keep({sha256: pixels for sha256, pixels in read.items() if pixels is not None})
        if listed:
            self._seen_to[width, height] = max(photo_id for photo_id, _ in listed)

    def _read(self, photo_id: int) -> str | None:
        try:
            return pixel_digest(decode_photo(self._catalogue.photo_bytes(photo_id)).pixels)
        except LoupebookError:
            return None  # damaged: whether it is the same, nobody can tell

    def _load(self) -> None:
        kept = self._cache.read(f"SELECT sha256, pixels FROM {_TABLE}")
        self._remember({sha256: pixels for sha256, pixels in kept if sha256 not in self._pixels})

    def _keep(self, read: dict[str, str]) -> None:
        self._remember(read)
        self._cache.write(f"INSERT OR REPLACE INTO {_TABLE} VALUES (?, ?)", [*read.items()])

    def _remember(self, read: dict[str, str]) -> None:
        self._pixels |= read
        for sha256, pixels in read.items():
            self._bearers.setdefault(pixels, []).append(sha256)
