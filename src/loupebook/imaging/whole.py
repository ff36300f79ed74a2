"""Is the file whole? What the decoders let pass is caught here.

Interrupted copies leave files that are cut short, or of full length with zeros where the
rest was never written. Decoders then fill the picture with grey or with whatever the zeros
mean, and say nothing.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from loupebook.imaging import jpeg

#: HEVC coded data hold no more than two zero bytes in a row (emulation prevention, ITU-T
#: H.265 section 7.4.2); this many at the end of the media data were never written.
_ZEROS: Final = bytes(512)


def is_whole(data: bytes, pillow_format: str) -> bool:
    """Whether the picture data are complete, as far as the format lets one tell.

    JPEG: the end marker is reached. PNG: every chunk carries its right check sum, up to the
    end chunk. HEIC: the media data do not end in zeros. TIFF and WebP: the decoders refuse
    what is cut short; an uncompressed TIFF of zeros cannot be told from a black picture.
    """
    if pillow_format == "JPEG":
        return jpeg.has_end(data)
    if pillow_format == "PNG":
        return _png_is_whole(data)
    if pillow_format == "HEIF":
        return not _media_data_end_in_zeros(data)
    return True


@dataclass(frozen=True)
class Chunk:
    """One PNG chunk: its type, and where it starts and stops, length and check included."""

    kind: bytes
    start: int
    stop: int


def png_chunks(data: bytes) -> Iterator[Chunk]:
    """Yield the chunks of a PNG file up to its end chunk (ISO/IEC 15948, section 5).

    Raises
    ------
    ValueError
        If the file breaks off before the end chunk.
    """
    position, kind = 8, b""
    while kind != b"IEND":
        if len(data) < position + 12:
            raise ValueError("the end chunk is missing")
        (length,) = struct.unpack_from(">I", data, position)
        kind = data[position + 4 : position + 8]
        stop = position + 12 + length
        if stop > len(data):
            raise ValueError("a chunk is cut short")
        yield Chunk(kind, position, stop)
        position = stop


def _png_is_whole(data: bytes) -> bool:
    view = memoryview(data)
    try:
        return all(
            zlib.crc32(view[chunk.start + 4 : chunk.stop - 4])
            == int.from_bytes(view[chunk.stop - 4 : chunk.stop], "big")
            for chunk in png_chunks(data)
            if chunk.kind[:1].isupper()  # critical chunks only; others may be damaged
        )
    except ValueError:
        return False


def _media_data_end_in_zeros(data: bytes) -> bool:
    position = 0
    while position + 8 <= len(data):  # top-level boxes, ISO/IEC 14496-12 section 4.2
        length = int.from_bytes(data[position : position + 4], "big")
        if length == 1:
            length = int.from_bytes(data[position + 8 : position + 16], "big")
        stop = len(data) if length == 0 else position + max(length, 8)
        if data[position + 4 : position + 8] == b"mdat" and data.endswith(_ZEROS, 0, stop):
            return True
        position = stop
    return False
