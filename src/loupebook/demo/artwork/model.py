"""Vector artwork of one edition: plates, marks and the parts they make up.

Conventions: millimetres, x to the right, y downwards, origin at the top left corner of
the artwork's rectangle. Marks are laid down in order; a mark of ink, foil or bare paper
removes what earlier marks put on every other ink, foil and emboss plate below it (the
printer's knock-out) unless it `overprints`; ink opens the foil below it in any case.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import skia

from loupebook.records.model import Element

Colour = tuple[float, float, float]


class PlateKind(StrEnum):
    """What a plate lays down."""

    INK = "ink"
    FOIL = "foil"
    EMBOSS = "emboss"
    HOLOGRAM = "hologram"
    UV = "uv"


PAPER = "paper"
"""Name of the plate that only knocks out: bare paper."""


@dataclass(frozen=True)
class Plate:
    """One separation.

    Parameters
    ----------
    name : str
        Name that marks refer to.
    kind : PlateKind
        What it lays down.
    colour : tuple of float
        Linear sRGB: transmittance squared of a solid ink on white paper, normal
        reflectance of a foil, or emission of a UV ink. Unused for emboss.
    """

    name: str
    kind: PlateKind
    colour: Colour = (0.0, 0.0, 0.0)


@dataclass(frozen=True)
class Box:
    """Upright rectangle in mm."""

    left: float
    top: float
    right: float
    bottom: float


@dataclass(frozen=True, eq=False)
class Mark:
    """One shape on one plate.

    Parameters
    ----------
    path : skia.Path
        Outline in mm.
    plate : str
        Name of a plate, or :data:`PAPER`.
    stroke : float, optional
        Line width in mm; `None` fills the path.
    value : float
        Tint 0 to 1 (ink), or relief as a share of the edition's emboss depth.
    overprints : bool
        Leave the other plates alone.
    grating : tuple of float, optional
        Hologram only: groove distance in µm and direction in radians.
    """

    path: skia.Path
    plate: str
    stroke: float | None = None
    value: float = 1.0
    overprints: bool = False
    grating: tuple[float, float] | None = None

    def digest(self) -> bytes:
        """Hash of everything that shows in print."""
        what = hashlib.sha256(bytes(self.path.serialize()))
        rest = (self.plate, self.stroke, round(self.value, 6), self.overprints, self.grating)
        what.update(repr(rest).encode())
        return what.digest()


@dataclass(frozen=True, eq=False)
class Part:
    """A motif that one can point at: name, plain words, and its marks.

    Parameters
    ----------
    key : str
        Unique within the artwork, the same in redesigns and copies of it.
    description : str
        Plain words, as a person would search for it.
    marks : tuple of Mark
        What is printed.
    """

    key: str
    description: str
    marks: tuple[Mark, ...]

    @property
    def box(self) -> Box:
        """Bounding region of all marks in mm."""
        grown = []
        for mark in self.marks:
            half = (mark.stroke or 0.0) / 2
            grown.append(mark.path.getBounds().makeOutset(half, half))
        return Box(
            min(r.left() for r in grown),
            min(r.top() for r in grown),
            max(r.right() for r in grown),
            max(r.bottom() for r in grown),
        )

    def digest(self) -> bytes:
        """Hash of all marks in order."""
        return hashlib.sha256(b"".join(m.digest() for m in self.marks)).digest()


@dataclass(frozen=True, eq=False)
class Artwork:
    """Everything a press needs of one design.

    Parameters
    ----------
    element : Element
        Band or seal.
    width, height : float
        Rectangle in mm.
    outline : skia.Path
        Cut outline in mm.
    paper : tuple of float
        Linear sRGB reflectance of the bare paper.
    plates : tuple of Plate
        In printing order.
    parts : tuple of Part
        In drawing order.
    emboss_mm : float
        Relief of an emboss mark of value 1.
    radius_mm : float
        Radius of the cigar under a band; 0 for a seal.
    facts : dict
        Names, texts and numbers that the artwork carries (serial, barcode…).
    """

    element: Element
    width: float
    height: float
    outline: skia.Path
    paper: Colour
    plates: tuple[Plate, ...]
    parts: tuple[Part, ...]
    emboss_mm: float = 0.1
    radius_mm: float = 0.0
    facts: dict[str, Any] = field(default_factory=dict)

    def plate(self, name: str) -> Plate:
        """Plate of that name."""
        return next(p for p in self.plates if p.name == name)

    def part(self, key: str) -> Part:
        """Part of that key."""
        return next(p for p in self.parts if p.key == key)
