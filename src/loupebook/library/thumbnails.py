"""Small pictures for browsing: derived, made at first use, rebuilt when lost or damaged.

A file is the JPEG and behind it the SHA-256 of that and of the photo that it is of; programs that
show pictures pass over what stands behind.
"""

from __future__ import annotations

import hashlib
import shutil
from contextlib import suppress
from pathlib import Path

from loupebook.imaging import decode_photo, thumbnail
from loupebook.records.catalogue import Catalogue
from loupebook.search.files import keep_atomically

THUMBNAIL_SIDE = 360
"""Longest side in px."""
_SEAL_BYTES = hashlib.sha256().digest_size


class ThumbnailCache:
    """Thumbnails of one set, keyed by the photo's hash under ``derived/thumbnails``."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self._folder = catalogue.folder / "derived" / f"thumbnails-{THUMBNAIL_SIDE}"

    def get(self, photo_id: int) -> bytes:
        """Return the JPEG thumbnail of a photo.

        Raises
        ------
        RecordNotFound
            If there is no such photo.
        SetDamaged
            If the original was altered.
        """
        sha256 = self._catalogue.photo(photo_id).sha256
        path = self._path(sha256)
        with suppress(OSError):  # missing, or another's that this user may not read
            kept = path.read_bytes()
            data, seal = kept[:-_SEAL_BYTES], kept[-_SEAL_BYTES:]
            if data and _seal(sha256, data) == seal:
                return data
        # Twice the side: what is left out in decoding then lies beyond what is shown.
        original = self._catalogue.photo_bytes(photo_id)
        pixels = decode_photo(original, max_side=2 * THUMBNAIL_SIDE).pixels
        data = thumbnail(pixels, longest=THUMBNAIL_SIDE)
        with suppress(OSError):  # it is shown all the same
            keep_atomically(path, [data, _seal(sha256, data)])
        return data

    def clear(self) -> None:
        """Delete all of them."""
        shutil.rmtree(self._folder, ignore_errors=True)

    def _path(self, sha256: str) -> Path:
        return self._folder / sha256[:2] / f"{sha256}.jpg"


def _seal(photo: str, data: bytes) -> bytes:
    return hashlib.sha256(photo.encode() + data).digest()
