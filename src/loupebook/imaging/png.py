"""The chunks of a PNG file, as far as we must know them.

Source: ISO/IEC 15948 (Portable Network Graphics), sections 5, 10 and 11.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from PIL import Image

_GREY: Final = 0
_RGB: Final = 2
PALETTE: Final = 3
_CHANNELS: Final = {_GREY: 1, _RGB: 3, PALETTE: 1, 4: 2, 6: 4}
_TEXT: Final = frozenset({b"tEXt", b"zTXt", b"iTXt"})

#: Texts that say what other formats keep apart: where a photo was taken, how it lies.
_TEXTS_READ: Final = (b"XML:com.adobe.xmp\0", b"Raw profile type exif\0")

#: Where the seven passes of an interlaced picture start, and how far apart their pixels are:
#: column, row, columns, rows (section 8.2).
_PASSES: Final = ((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4),
                  (1, 0, 2, 2), (0, 1, 1, 2))  # fmt: skip
_INFLATED_AT_ONCE: Final = 1 << 20
#: Writers cut pixels into pieces of 8 kB or more: 10,000 chunks for the largest file we accept.
_MOST_CHUNKS: Final = 200_000


@dataclass(frozen=True)
class Chunk:
    """One PNG chunk: its type, and where it starts and stops, length and check included."""

    kind: bytes
    start: int
    stop: int


@dataclass(frozen=True)
class Header:
    """What the header chunk says (section 11.2.2)."""

    width: int
    height: int
    depth: int
    colour_type: int
    interlaced: bool

    def pixel_bytes(self) -> int:
        """Return how many bytes the pixels take before they are compressed (section 7.2)."""
        passes = _PASSES if self.interlaced else ((0, 0, 1, 1),)
        bits = self.depth * _CHANNELS[self.colour_type]
        total = 0
        for column, row, across, down in passes:
            columns, rows = -((column - self.width) // across), -((row - self.height) // down)
            if columns > 0 and rows > 0:
                total += rows * (1 + -(-columns * bits // 8))
        return total


def read_header(data: bytes) -> Header:
    """Read the header chunk, the first of any PNG file."""
    width, height, depth, colour_type, _, _, interlace = struct.unpack_from(">IIBBBBB", data, 16)
    return Header(width, height, depth, colour_type, interlace == 1)


def png_chunks(data: bytes) -> Iterator[Chunk]:
    """Yield the chunks of a PNG file up to its end chunk (section 5).

    Raises
    ------
    ValueError
        If the file breaks off before the end chunk, or has far more chunks than any picture.
    """
    position = 8
    for _ in range(_MOST_CHUNKS):
        if len(data) < position + 12:
            raise ValueError("the end chunk is missing")
        (length,) = struct.unpack_from(">I", data, position)
        kind = data[position + 4 : position + 8]
        stop = position + 12 + length
        if stop > len(data):
            raise ValueError("a chunk is cut short")
        yield Chunk(kind, position, stop)
        if kind == b"IEND":
            return
        position = stop
    raise ValueError("there are too many chunks")


def png_chunk(kind: bytes, body: bytes) -> bytes:
    """Return a chunk with its length and check sum."""
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def checks_hold(data: bytes) -> bool:
    """Whether every critical chunk carries its right check sum; others may be damaged.

    Raises
    ------
    ValueError
        If the file breaks off before the end chunk.
    """
    view = memoryview(data)
    return all(
        zlib.crc32(view[chunk.start + 4 : chunk.stop - 4])
        == int.from_bytes(view[chunk.stop - 4 : chunk.stop], "big")
        for chunk in png_chunks(data)
        if chunk.kind[:1].isupper()
    )


def all_rows_are_there(data: bytes) -> bool:
    """Whether the compressed pixels of the picture, taken apart, are as many as it has.

    Parameters
    ----------
    data : bytes
        A file of which :func:`checks_hold` holds.
    """
    missing = read_header(data).pixel_bytes()
    stream = zlib.decompressobj()
    for chunk in png_chunks(data):
        if chunk.kind != b"IDAT":
            continue
        waiting = data[chunk.start + 8 : chunk.stop - 4]
        while waiting and missing > 0 and not stream.eof:
            missing -= len(stream.decompress(waiting, _INFLATED_AT_ONCE))
            waiting = stream.unconsumed_tail
    return missing <= 0


def without_texts(data: bytes) -> bytes:
    """Return the file without its texts, but for those that are read for place and turn.

    Pillow lays texts under their own names beside what it says of the picture itself, so a
    text could call itself anything; and it refuses a photo for a text that is long.

    Parameters
    ----------
    data : bytes
        A file of which :func:`checks_hold` holds.
    """
    kept = [
        data[chunk.start : chunk.stop]
        for chunk in png_chunks(data)
        if chunk.kind not in _TEXT or data.startswith(_TEXTS_READ, chunk.start + 8)
    ]
    return data[:8] + b"".join(kept)


def settle_transparency(picture: Image.Image, data: bytes) -> None:
    """Bring the transparent colour of a loaded picture to the depth that Pillow delivers.

    Pillow widens grey of 2 and 4 bits to 8 and leaves the key as it was. RGB of 16 bits it
    narrows to 8, where other colours would be taken for the key, so there it is dropped.
    """
    header = read_header(data)
    key = picture.info.get("transparency")
    if header.colour_type == _GREY and header.depth in {2, 4} and isinstance(key, int):
        picture.info["transparency"] = key * 255 // ((1 << header.depth) - 1)
    if header.colour_type == _RGB and header.depth == 16:
        picture.info.pop("transparency", None)
