"""Where the coded pictures of a HEIC file lie, and whether they were written to their end.

Source: ISO/IEC 14496-12 (ISO base media file format), sections 4.2, 8.11.3 (item locations)
and 8.11.6 (item information); ISO/IEC 23008-12 for the item type.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

_HEVC_ITEM: Final = b"hvc1"

#: HEVC coded data hold no more than two zero bytes in a row (emulation prevention, ITU-T
#: H.265 section 7.4.2); this many at the end of a coded picture were never written.
_ZEROS: Final = 512

#: A photo of 108 megapixels in tiles of 512 px has some 400.
_MOST_ITEMS: Final = 65_535


def was_written_to_the_end(data: bytes) -> bool:
    """Whether no coded picture, tile or whole, ends in zeros, as interrupted copies leave it.

    Metadata that lie among them may end in as many zeros as they like.

    Raises
    ------
    ValueError
        If the boxes cannot be followed.
    """
    return all(
        data[max(start, stop - _ZEROS) : stop].strip(b"\0") for start, stop in _coded_pictures(data)
    )


def _coded_pictures(data: bytes) -> Iterator[tuple[int, int]]:
    """Yield where the last piece of each coded picture starts and stops."""
    for kind, start, stop in _boxes(data, 0, len(data)):
        if kind != b"meta":
            continue
        within = {kind: (start, stop) for kind, start, stop in _boxes(data, start + 4, stop)}
        if b"iinf" not in within or b"iloc" not in within:
            continue
        pictures = set(_items_of_pictures(data, *within[b"iinf"]))
        for item, first, last in _locations(data[slice(*within[b"iloc"])]):
            if item in pictures and last > first:
                yield first, last


def _boxes(data: bytes, position: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Yield the boxes in a stretch of the file: kind, and where their content lies."""
    while position + 8 <= end:
        length = int.from_bytes(data[position : position + 4], "big")
        head = 8
        if length == 1:
            length, head = int.from_bytes(data[position + 8 : position + 16], "big"), 16
        stop = end if length == 0 else min(end, position + max(length, head))
        yield data[position + 4 : position + 8], position + head, stop
        position = stop


def _items_of_pictures(data: bytes, start: int, stop: int) -> Iterator[int]:
    entries = start + (6 if data[start] == 0 else 8)  # version and flags, then a count
    for kind, first, _ in _boxes(data, entries, stop):
        if kind == b"infe" and data[first] >= 2:
            width = 2 if data[first] == 2 else 4
            item = int.from_bytes(data[first + 4 : first + 4 + width], "big")
            if data[first + width + 6 : first + width + 10] == _HEVC_ITEM:
                yield item


def _locations(box: bytes) -> Iterator[tuple[int, int, int]]:
    """Yield each item with where its last piece starts and stops, if it lies in the file."""
    numbers = _Numbers(box)
    version = numbers.take(1)
    numbers.skip(3)
    offset_width, length_width = divmod(numbers.take(1), 16)
    base_width, index_width = divmod(numbers.take(1), 16)
    if version == 0:
        index_width = 0  # reserved there
    item_width = 4 if version == 2 else 2
    count = numbers.take(item_width)
    if count > _MOST_ITEMS:
        raise ValueError("more items than a photo has")
    for _ in range(count):
        item = numbers.take(item_width)
        in_the_file = version == 0 or numbers.take(2) & 15 == 0
        numbers.skip(2)  # which file: this one, as far as a photo goes
        base, pieces = numbers.take(base_width), numbers.take(2)
        if pieces == 0:
            continue
        numbers.skip((pieces - 1) * (index_width + offset_width + length_width) + index_width)
        start = base + numbers.take(offset_width)
        stop = start + numbers.take(length_width)
        if in_the_file:
            yield item, start, stop


class _Numbers:
    """Numbers of given widths in bytes, one after the other."""

    def __init__(self, data: bytes) -> None:
        self._data, self._position = data, 0

    def skip(self, width: int) -> None:
        self._position += width
        if self._position > len(self._data):
            raise ValueError("a box is cut short")

    def take(self, width: int) -> int:
        start = self._position
        self.skip(width)
        return int.from_bytes(self._data[start : self._position], "big")
