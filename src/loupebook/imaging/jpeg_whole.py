"""Was all of a JPEG picture coded? An end marker alone does not say so.

Whoever mends a cut file puts an end marker behind what is left. Decoders then paint the rest
in the last tone, or leave out the finer steps of a progressive file, and say nothing.

Source: ITU-T T.81 (ISO/IEC 10918-1), annexes A, B and G.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from PIL import Image

from loupebook.imaging import jpeg
from loupebook.imaging.jpeg import Segment

_SEQUENTIAL: Final = frozenset({0xC0, 0xC1})
_PROGRESSIVE: Final = frozenset({0xC2, 0xCA})
_FRAMES: Final = frozenset({*range(0xC0, 0xC4), *range(0xC5, 0xC8), *range(0xC9, 0xCC)})
_RESTARTS: Final = re.compile(rb"\xff[\xd0-\xd7]")
_COEFFICIENTS: Final = 64

#: Two rows of the largest usual coding unit, in px.
_LOWEST_ROWS: Final = 32
#: Narrower pictures code too little in those rows to be judged.
_NARROWEST: Final = 256
#: An even tone takes the same few bits for every coding unit. A piece holds them twice over
#: and more; coded print never repeats itself so.
_PIECE: Final = 32
_STEP: Final = 8
#: How many of the last bytes are searched for such a piece.
_TAIL: Final = 4096


@dataclass(frozen=True)
class _Component:
    name: int
    across: int
    down: int


@dataclass(frozen=True)
class _Frame:
    marker: int
    height: int
    width: int
    components: tuple[_Component, ...]

    def units(self) -> int:
        """Count the coding units of a scan that holds all components (A.2)."""
        if len(self.components) == 1:
            return _parts(self.width, 8) * _parts(self.height, 8)
        across = 8 * max(component.across for component in self.components)
        down = 8 * max(component.down for component in self.components)
        return _parts(self.width, across) * _parts(self.height, down)


def _parts(length: int, size: int) -> int:
    return -(-length // size)


def _frame(data: bytes, segments: Sequence[Segment]) -> _Frame:
    (found,) = (segment for segment in segments if segment.marker in _FRAMES)
    body = data[found.start + 4 : found.stop]
    components = tuple(
        _Component(body[at], body[at + 1] >> 4, body[at + 1] & 15)
        for at in range(6, 6 + 3 * body[5], 3)
    )
    height, width = int.from_bytes(body[1:3], "big"), int.from_bytes(body[3:5], "big")
    return _Frame(found.marker, height, width, components)


def all_was_coded(data: bytes) -> bool:
    """Whether the end marker is reached and no scan or restart interval before it is missing.

    Progressive files: every coefficient of every component came down to its last bit. The
    standard lets an encoder leave some out; none is known to do so.

    Raises
    ------
    ValueError
        If the end marker is not reached.
    """
    segments = list(jpeg.segments(data))
    frame = _frame(data, segments)
    if frame.marker in _PROGRESSIVE:
        return _all_bits_came(data, segments, frame)
    return frame.marker not in _SEQUENTIAL or _all_intervals_came(data, segments, frame)


def _all_bits_came(data: bytes, segments: Sequence[Segment], frame: _Frame) -> bool:
    missing = {
        (component.name, index) for component in frame.components for index in range(_COEFFICIENTS)
    }
    for segment in segments:
        if segment.marker == jpeg.SCAN:
            names, (first, last, bits) = _scan_head(data, segment)
            if bits & 15 == 0:  # the position of the last bit that the scan brings
                missing -= {(name, index) for name in names for index in range(first, last + 1)}
    return not missing


def _scan_head(data: bytes, scan: Segment) -> tuple[bytes, bytes]:
    """Return the components of a scan, and its first and last coefficient and bits (B.2.3)."""
    body = data[scan.start + 4 : scan.start + 4 + 1 + 2 * 4 + 3]
    end = 1 + 2 * body[0]
    return body[1:end:2], body[end : end + 3]


def _all_intervals_came(data: bytes, segments: Sequence[Segment], frame: _Frame) -> bool:
    interval = 0
    for segment in segments:
        if segment.marker == jpeg.RESTART_INTERVAL:
            interval = int.from_bytes(data[segment.start + 4 : segment.start + 6], "big")
        if segment.marker != jpeg.SCAN or not interval:
            continue
        names, _ = _scan_head(data, segment)
        wanted = _parts(frame.units(), interval) - 1
        found = len(_RESTARTS.findall(data, segment.start, segment.stop))
        if len(names) == len(frame.components) and found < wanted:
            return False
    return True


def fades_into_one_tone(data: bytes, picture: Image.Image) -> bool:
    """Whether the lowest rows are of one tone that nothing in the file says.

    Parameters
    ----------
    data : bytes
        A file of which :func:`all_was_coded` holds.
    picture : PIL.Image.Image
        The same, decoded; perhaps to a fraction of its size.
    """
    segments = list(jpeg.segments(data))
    frame = _frame(data, segments)
    told_by_restarts = any(segment.marker == jpeg.RESTART_INTERVAL for segment in segments)
    if frame.marker not in _SEQUENTIAL or told_by_restarts:
        return False
    if frame.width < _NARROWEST or not _lowest_rows_are_even(picture, frame.height):
        return False
    last = max((s for s in segments if s.marker == jpeg.SCAN), key=lambda scan: scan.start)
    tail = data[max(last.start, last.stop - _TAIL) : last.stop].replace(b"\xff\0", b"\xff")
    starts = range(0, len(tail) - _PIECE, _STEP)
    return not any(_repeats_itself(tail[start : start + _PIECE]) for start in starts)


def _lowest_rows_are_even(picture: Image.Image, full_height: int) -> bool:
    rows = _parts(_LOWEST_ROWS * picture.height, full_height)
    lowest = picture.crop((0, max(0, picture.height - rows), *picture.size))
    tones = {band.getextrema() for band in lowest.split()}
    # Black and white hide tones beyond them, which a file may well have coded.
    return all(low == high for low, high in tones) and not tones <= {(0, 0), (255, 255)}


def _repeats_itself(piece: bytes) -> bool:
    bits = f"{int.from_bytes(piece, 'big'):0{8 * len(piece)}b}"
    return any(bits[shift:] == bits[:-shift] for shift in range(1, len(bits) // 2 + 1))
