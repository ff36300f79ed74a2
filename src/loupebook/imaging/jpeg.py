"""The segments of a JPEG file, as far as we must know them.

Source: ITU-T T.81 (ISO/IEC 10918-1), annex B: marker codes and the general sequential and
progressive syntax. Positions are byte offsets into the file.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

START: Final = 0xD8
END: Final = 0xD9
SCAN: Final = 0xDA
APP0: Final = 0xE0
APP1: Final = 0xE1
APP2: Final = 0xE2
APP14: Final = 0xEE
PICTURE: Final = frozenset({*range(0xC0, 0xC8), *range(0xC9, 0xD0), *range(0xDA, 0xDE), START, END})
"""What a decoder needs: frames, tables, restart interval, scans. The rest is application data,
comments, and codes reserved for what nobody wrote."""

#: In coded data, 0xFF is followed by 0x00 (stuffing), a restart marker or a fill byte;
#: anything else ends the scan.
_END_OF_SCAN: Final = re.compile(rb"\xff[^\x00\xff\xd0-\xd7]")


@dataclass(frozen=True)
class Segment:
    """One marker segment; a scan segment includes its coded data.

    Parameters
    ----------
    marker : int
        Second byte of the marker.
    start, stop : int
        Where the segment begins (at its 0xFF) and ends.
    """

    marker: int
    start: int
    stop: int


def segments(data: bytes) -> Iterator[Segment]:
    """Yield the segments of the first picture in the file, start to end marker.

    Raises
    ------
    ValueError
        If the file breaks off or is no JPEG before the end marker is reached.
    """
    if not data.startswith(b"\xff\xd8"):
        raise ValueError("no start marker")
    yield Segment(START, 0, 2)
    position = 2
    while True:
        while data[position : position + 2] == b"\xff\xff":  # fill bytes
            position += 1
        if len(data) < position + 2 or data[position] != 0xFF:
            raise ValueError("a marker is missing")
        marker = data[position + 1]
        if marker == END:
            yield Segment(END, position, position + 2)
            return
        stop = position + 2 + int.from_bytes(data[position + 2 : position + 4], "big")
        if stop < position + 4 or stop > len(data):
            raise ValueError("a segment is cut short")
        if marker == SCAN:
            found = _END_OF_SCAN.search(data, stop)
            if found is None:
                raise ValueError("the coded data end without a marker")
            stop = found.start()
        yield Segment(marker, position, stop)
        position = stop


def has_end(data: bytes) -> bool:
    """Whether the first picture in the file reaches its end marker."""
    try:
        return any(segment.marker == END for segment in segments(data))
    except ValueError:
        return False
