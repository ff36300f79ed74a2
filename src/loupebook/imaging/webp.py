"""The chunks of a WebP file. Source: RFC 9649, section 2."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
from PIL import Image

FRAME: Final = b"ANMF"
FRAME_HEAD: Final = 16
"""Bytes of an animation frame before its own chunks."""
_CODED: Final = frozenset({b"VP8 ", b"VP8L"})

_ZEROS: Final = bytes(512)
#: What an even part of a photo may come to, in px across and grey levels.
_CORNER: Final = 256
_EVEN: Final = 16


def webp_chunks(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Yield kind and body of the chunks in a file's (from byte 12 on) or a frame's body."""
    position = 0
    while position + 8 <= len(data):
        length = int.from_bytes(data[position + 4 : position + 8], "little")
        yield data[position : position + 4], data[position + 8 : position + 8 + length]
        position += 8 + length + length % 2


def was_written_to_the_end(data: bytes, picture: Image.Image) -> bool:
    """Whether the first picture in the file was coded to its end.

    Interrupted copies end in zeros, which decode to something. Whole files end in zeros too
    where the last part of the picture is even; but 512 bytes of them reach far enough for the
    lowest row to show it at its right end.

    Parameters
    ----------
    data : bytes
        The file.
    picture : PIL.Image.Image
        The same, decoded.
    """
    return not _coded_picture(data[12:]).endswith(_ZEROS) or _ends_evenly(picture)


def _coded_picture(chunks: bytes) -> bytes:
    for kind, body in webp_chunks(chunks):
        if kind in _CODED:
            return body
        if kind == FRAME:
            return _coded_picture(body[FRAME_HEAD:])
    return b""


def _ends_evenly(picture: Image.Image) -> bool:
    width, height = picture.size
    corner = picture.crop((max(0, width - _CORNER), height - 1, width, height))
    if "A" in corner.getbands() and corner.getchannel("A").getextrema() == (0, 0):
        return True  # colours that nobody sees follow no rule
    levels = np.asarray(corner.convert("RGB")).reshape(-1, 3)
    return bool(np.ptp(levels, axis=0).max() <= _EVEN)
