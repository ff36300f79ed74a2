"""Kinds of mark: solid, overprinted, drawn, raised, gilded, reversed out."""

from __future__ import annotations

import skia

from loupebook.demo.artwork.model import PAPER, Mark

FOIL, EMBOSS = "foil", "emboss"
"""Plates that every edition has."""


def solid(path: skia.Path, plate: str, *, tint: float = 1.0) -> Mark:
    """Fill an area and knock out what lies below."""
    return Mark(path, plate, value=tint)


def over(path: skia.Path, plate: str, *, tint: float = 1.0) -> Mark:
    """Fill an area over what lies below."""
    return Mark(path, plate, value=tint, overprints=True)


def drawn(path: skia.Path, plate: str, width: float, *, overprints: bool = True) -> Mark:
    """Line work of a width in mm."""
    return Mark(path, plate, stroke=width, overprints=overprints)


def raised(path: skia.Path, value: float = 1.0, stroke: float | None = None) -> Mark:
    """Embossed area or line."""
    return Mark(path, EMBOSS, stroke=stroke, value=value, overprints=True)


def gilded(path: skia.Path, *, relief: float = 0.7) -> list[Mark]:
    """Area in foil, raised."""
    return [Mark(path, FOIL), raised(path, relief)]


def gilt_line(path: skia.Path, width: float, *, relief: float = 0.6) -> list[Mark]:
    """Line in foil, raised."""
    return [drawn(path, FOIL, width, overprints=False), raised(path, relief, width)]


def reversed_out(path: skia.Path, stroke: float | None = None) -> Mark:
    """Bare paper."""
    return Mark(path, PAPER, stroke=stroke)
