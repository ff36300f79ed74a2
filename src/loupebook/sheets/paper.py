"""Paper, and how large things are printed on it. Lengths in mm."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum
from typing import NamedTuple

MARGIN_MM = 15.0
GUTTER_MM = 6.0
PRINT_DPI = 300
MM_PER_INCH = 25.4

STEPS = (0.25, 1 / 3, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0, 20.0)
"""Magnifications that a sheet is printed at: round ones, so that a ruler can be used on it."""

BARS = (0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
"""Lengths, mm on the item, that a scale bar stands for."""


class Paper(StrEnum):
    """What is printed on."""

    A4 = "a4"
    LETTER = "letter"


class Size(NamedTuple):
    """Width and height, mm."""

    width: float
    height: float


SIZES = {Paper.A4: Size(210.0, 297.0), Paper.LETTER: Size(215.9, 279.4)}
"""ISO 216 A4; ANSI/ASME Y14.1 A (letter, 8.5 × 11 inch)."""


def type_area(paper: Paper) -> Size:
    """Return what lies within the margins, header and footer taken off."""
    width, height = SIZES[paper]
    return Size(width - 2 * MARGIN_MM, height - 2 * MARGIN_MM - 24.0)


def column_width(paper: Paper, columns: int) -> float:
    """Return the width of one of several columns."""
    return (type_area(paper).width - GUTTER_MM * (columns - 1)) / columns


def magnification_for(items: Iterable[Size], room: Size) -> float:
    """Return the greatest round magnification at which every item fits the room.

    Parameters
    ----------
    items : iterable of Size
        Sizes of the items themselves.
    room : Size
        What one picture may take on paper.
    """
    widest = tallest = 0.0
    for item in items:
        widest, tallest = max(widest, item.width), max(tallest, item.height)
    if not widest or not tallest:
        return 1.0
    most = min(room.width / widest, room.height / tallest) * (1 + 1e-9)
    fitting = [step for step in STEPS if step <= most]
    return fitting[-1] if fitting else most


def magnification_words(magnification: float) -> str:
    """Return a magnification as a ratio, such as ``2 : 1``."""
    if magnification >= 1:
        return f"{magnification:.4g} : 1"
    return f"1 : {1 / magnification:.4g}"


def bar_length(magnification: float, room_mm: float) -> float | None:
    """Return what length of the item, mm, a scale bar shows within a room on paper."""
    fitting = [bar for bar in BARS if 4.0 <= bar * magnification <= room_mm]
    return fitting[-1] if fitting else None
