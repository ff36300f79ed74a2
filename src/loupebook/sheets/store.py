"""Laid photos kept under ``<set>/derived/sheets``, so that a sheet is refreshed in seconds.

Each file names the photo, and the consensus by the photos that it is made from; a stale or
damaged one is made anew.
"""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from loupebook.compare import Consensus, Group
from loupebook.errors import IndexDamaged
from loupebook.imaging import encode_jpeg
from loupebook.search.checked_file import Bytes, read_checked, write_checked
from loupebook.sheets.laid import Laid

MAGIC = b"loupebook laid 1\n"
_QUALITY = 95


class LaidStore:
    """The laid photos of one set.

    Parameters
    ----------
    folder : Path
        ``<set>/derived/sheets``.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def get(
        self, sha256: str, group: Group, consensus: Consensus, make: Callable[[], Laid]
    ) -> Laid:
        """Return a photo laid into a frame, made where it is not at hand.

        Parameters
        ----------
        sha256 : str
            Of the photo.
        group : Group
            Whose consensus it is.
        consensus : Consensus
            The frame.
        make : callable
            Lays it.
        """
        made_from = [[photo.photo_id, photo.sha256] for photo in consensus.photos]
        mark = json.dumps([sha256, vars(group), made_from, list(consensus.place)])
        path = self._folder / f"{hashlib.sha256(mark.encode()).hexdigest()[:32]}.laid"
        try:
            return _load(path, mark)
        except IndexDamaged:
            laid = make()
        header = {
            "mark": mark, "px_per_mm": laid.px_per_mm, "registered": laid.registered,
            "reason": laid.reason,
        }  # fmt: skip
        body = np.frombuffer(encode_jpeg(laid.pixels, quality=_QUALITY), np.uint8)
        write_checked(path, MAGIC, header, [body])
        return _laid(header, body)


def _load(path: Path, mark: str) -> Laid:
    header, body = read_checked(path, MAGIC)
    if header.get("mark") != mark:
        raise IndexDamaged(f"{path} shows another photo.")
    return _laid(header, body)


def _laid(header: Mapping[str, Any], body: Bytes) -> Laid:
    with Image.open(io.BytesIO(body.tobytes())) as picture:
        pixels = np.asarray(picture.convert("RGB"))
    return Laid(pixels, header["px_per_mm"], bool(header["registered"]), str(header["reason"]))
