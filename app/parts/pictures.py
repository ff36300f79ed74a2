"""Pictures on their way to the browser: as files with an address, never inline in messages.

The browser then loads and keeps them by itself, and a rerun sends a few letters instead of
megabytes.
"""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING

from streamlit import runtime

from loupebook.errors import PhotoError, SetDamaged
from loupebook.library import encode_jpeg, resize_to_fit

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from loupebook.library import Library, PhotoRecord

DAMAGED = (SetDamaged, PhotoError)
"""What is raised where the file of a photo is lost, altered or no picture any more."""

BROWSER_TYPES = frozenset({"image/jpeg", "image/png", "image/webp"})
"""Media types that every browser shows by itself."""

MOST_ORIGINAL_BYTES = 16 * 2**20
"""Originals above this are sent as a smaller JPEG."""

MOST_SIDE = 4000
"""Longest side, in px, of pictures that are encoded for the browser."""


def served(data: bytes, media_type: str, place: str) -> str:
    """Return an address on this server from which the browser can fetch `data`.

    Parameters
    ----------
    data : bytes
        The file.
    media_type : str
        Its IANA media type.
    place : str
        Where on the page it is used; a later file at the same place replaces it.
    """
    return str(runtime.get_instance().media_file_mgr.add(data, media_type, place))


def served_pixels(pixels: NDArray[np.uint8], place: str, *, longest: int = MOST_SIDE) -> str:
    """Return an address for decoded pixels, encoded as JPEG without metadata."""
    return served(encode_jpeg(resize_to_fit(pixels, longest), quality=92), "image/jpeg", place)


def served_reference(library: Library, photo_id: int, place: str) -> str:
    """Return an address for a reference photo, the original where a browser can show it."""
    photo = library.photo(photo_id)
    if photo.media_type in BROWSER_TYPES and photo.byte_count <= MOST_ORIGINAL_BYTES:
        return served(library.photo_bytes(photo_id), photo.media_type, place)
    return served_pixels(library.photo_pixels(photo_id, max_side=MOST_SIDE), place)


def served_thumbnail(library: Library, photo_id: int, place: str) -> str:
    """Return an address for a small picture of a reference photo."""
    return served(library.thumbnail(photo_id), "image/jpeg", place)


def shown_on_card(library: Library, photo: PhotoRecord, place: str) -> dict[str, str | None]:
    """Return what a card says of its picture: an address, or which photo cannot be shown."""
    try:
        return {"url": served_thumbnail(library, photo.photo_id, place)}
    except DAMAGED:
        named = f"{photo.file_name} of {photo.specimen}"
        return {"url": None, "missing": "Photo lost or damaged", "damaged": named}


def csv_text(rows: list[dict[str, object]]) -> str:
    """Return rows as CSV text; the keys of the first row are the header.

    A leading ``=``, ``+``, ``-`` or ``@`` would make a spreadsheet run a cell as a formula,
    so such text is marked with an apostrophe.
    """

    def safe(value: object) -> object:
        return f"'{value}" if isinstance(value, str) and value[:1] in "=+-@" and value else value

    stream = io.StringIO()
    writer = csv.DictWriter(stream, fieldnames=list(rows[0]) if rows else [])
    writer.writeheader()
    writer.writerows({name: safe(value) for name, value in row.items()} for row in rows)
    return stream.getvalue()
