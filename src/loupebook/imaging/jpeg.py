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
RESTART_INTERVAL: Final = 0xDD
APP0: Final = 0xE0
APP1: Final = 0xE1
APP2: Final = 0xE2
APP14: Final = 0xEE
PICTURE: Final = frozenset({*range(0xC0, 0xC8), *range(0xC9, 0xD0), *range(0xDA, 0xDE), START, END})
"""What a decoder needs: frames, tables, restart interval, scans. The rest is application data,
comments, and codes reserved for what nobody wrote."""

#: Markers that stand alone, without a length (table B.1): TEM, RST0 to RST7, EOI.
_ALONE: Final = frozenset({0x01, *range(0xD0, 0xD8), END})

#: A file of the largest size that is accepted, metadata in pieces of 64 kB, has some 1,300.
_MOST_SEGMENTS: Final = 20_000

#: Fill bytes before a marker, and bytes that belong to nothing, are passed over by decoders.
_MARKER: Final = re.compile(rb"\xff[^\x00\xff]")

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
        If the file breaks off, is no JPEG or has more segments than any picture before the
        end marker is reached.
    """
    if not data.startswith(b"\xff\xd8"):
        raise ValueError("no start marker")
    yield Segment(START, 0, 2)
    position = 2
    for _ in range(_MOST_SEGMENTS):
        found = _MARKER.search(data, position)
        if found is None:
            raise ValueError("a marker is missing")
        start, marker = found.start(), data[found.start() + 1]
        position = start + 2 if marker in _ALONE else _end_of_segment(data, start, marker)
        yield Segment(marker, start, position)
        if marker == END:
            return
    raise ValueError("more segments than a picture has")


def _end_of_segment(data: bytes, start: int, marker: int) -> int:
    stop = start + 2 + int.from_bytes(data[start + 2 : start + 4], "big")
    if stop < start + 4 or stop > len(data):
        raise ValueError("a segment is cut short")
    if marker != SCAN:
        return stop
    found = _END_OF_SCAN.search(data, stop)
    if found is None:
        raise ValueError("the coded data end without a marker")
    return found.start()


def count_scans(data: bytes) -> int:
    """Count the scans of the first picture in the file; raises as :func:`segments` does."""
    return sum(segment.marker == SCAN for segment in segments(data))
