"""What a sheet shows, before it is set: plates, sections, points.

A *plate* is one picture with its caption. Places on a picture are boxes of fractions
``(left, top, width, height)`` of that picture, 0..1.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from loupebook.sheets.paper import Size

ON_THE_ITEM, IN_THE_FRAME = "on the item", "in the frame"
"""Where lengths hold: a photo laid into a frame has the scale of the frame, not its own."""


class Place(NamedTuple):
    """A box on a picture, fractions of its width and height."""

    left: float
    top: float
    width: float
    height: float

    def grown(self, share: float) -> Place:
        """Return the box with a margin, a share of its longer side, kept within the picture."""
        margin = share * max(self.width, self.height)
        left, top = max(0.0, self.left - margin), max(0.0, self.top - margin)
        right = min(1.0, self.left + self.width + margin)
        bottom = min(1.0, self.top + self.height + margin)
        return Place(left, top, right - left, bottom - top)

    def contains(self, x: float, y: float) -> bool:
        """Say whether a point lies in the box."""
        return self.left <= x <= self.left + self.width and self.top <= y <= self.top + self.height


@dataclass(frozen=True)
class SheetPoint:
    """A numbered point of comparison.

    Parameters
    ----------
    number : int
        As printed beside the call-out.
    name : str
        What it is called.
    place : Place
        On the consensus image.
    genuine, copies : str
        What a genuine one shows there, and what copies get wrong; may be empty.
    measured : bool
        Whether the place was found by comparison, not drawn by a curator.
    point_id : int
        Of the point as drawn: one that is drawn elsewhere is another. 0 where it was measured.
    """

    number: int
    name: str
    place: Place
    genuine: str = ""
    copies: str = ""
    measured: bool = False
    point_id: int = 0

    @property
    def words(self) -> str:
        """What genuine ones and copies show there, in one line."""
        said = [f"genuine: {self.genuine}" if self.genuine else "", self.copies]
        return "; ".join(part for part in said if part)


@dataclass(frozen=True, eq=False)
class Plate:
    """One picture and what stands under it.

    Parameters
    ----------
    name : str
        The specimen, or what is shown.
    pixels : ndarray, optional
        uint8 sRGB (height, width, 3); `None` where there is no picture, and `missing` says why.
    px_per_mm : float, optional
        Scale of `pixels` in the item's plane.
    standing : str
        ``genuine``, ``fake``, or empty.
    lines : tuple of str
        Facts under the name.
    note : str
        How the picture was made, or that it could not be registered.
    missing : str
        Why there is no picture.
    points : tuple of SheetPoint
        Call-outs on this picture.
    sha256 : str
        Of the original, empty for a consensus.
    dark : bool
        Whether it was taken under UV-A.
    lengths : str
        Where the lengths hold that a scale bar tells; a fitted photo bears the frame's scale.
    bare : bool
        Whether neither name nor standing may be printed (a quiz).
    specimen : str
        Which specimen it shows, where `name` says something else.
    frame : tuple of str
        SHA-256 of the photos that the consensus image is made of that it shows or lies over.
    """

    name: str
    pixels: NDArray[np.uint8] | None = field(default=None, repr=False)
    px_per_mm: float | None = None
    standing: str = ""
    lines: tuple[str, ...] = ()
    note: str = ""
    missing: str = ""
    points: tuple[SheetPoint, ...] = ()
    sha256: str = ""
    dark: bool = False
    lengths: str = ON_THE_ITEM
    bare: bool = False
    specimen: str = ""
    frame: tuple[str, ...] = ()

    @property
    def item_size(self) -> Size | None:
        """Size of what the picture shows, mm on the item; `None` without scale or picture."""
        if self.pixels is None or not self.px_per_mm:
            return None
        rows, columns = self.pixels.shape[:2]
        return Size(columns / self.px_per_mm, rows / self.px_per_mm)

    @property
    def said(self) -> list[Any]:
        """What the set says of it, without what was measured."""
        shown = self.specimen or self.name
        return [shown, self.sha256, self.standing, list(self.lines), list(self.frame)]

    def detail(self, point: SheetPoint, *, margin: float = 0.35) -> Plate:
        """Return the surroundings of a point as a plate of its own."""
        if self.pixels is None:
            return replace(self, points=(), lines=())
        rows, columns = self.pixels.shape[:2]
        place = point.place.grown(margin)
        left, top = int(place.left * columns), int(place.top * rows)
        right = max(left + 8, round((place.left + place.width) * columns))
        bottom = max(top + 8, round((place.top + place.height) * rows))
        cut = self.pixels[top:bottom, left:right]
        return replace(self, pixels=cut, points=(), lines=())


@dataclass(frozen=True, eq=False)
class Section:
    """Plates that belong together, printed at one magnification.

    Parameters
    ----------
    heading : str
        May be empty.
    plates : tuple of Plate
        In reading order.
    text : str
        Between heading and plates.
    columns : int, optional
        How many side by side; `None` leaves it to the sheet.
    """

    heading: str
    plates: tuple[Plate, ...]
    text: str = ""
    columns: int | None = None


@dataclass(frozen=True, eq=False)
class Plan:
    """A whole sheet.

    Parameters
    ----------
    title, subtitle : str
        At its head.
    sections : tuple of Section
        In order.
    points : tuple of SheetPoint
        Listed with their numbers.
    remarks : tuple of str
        What the reader must know: what could not be registered, what is missing.
    card : bool
        Whether it is printed as pocket cards, two sections a card.
    """

    title: str
    subtitle: str
    sections: tuple[Section, ...]
    points: tuple[SheetPoint, ...] = ()
    remarks: tuple[str, ...] = ()
    card: bool = False

    @property
    def plates(self) -> tuple[Plate, ...]:
        """All plates of all sections."""
        return tuple(plate for section in self.sections for plate in section.plates)

    @property
    def shows_uv(self) -> bool:
        """Whether any picture was taken under UV-A."""
        return any(plate.dark for plate in self.plates)

    @property
    def made_from(self) -> tuple[str, ...]:
        """SHA-256 of the photos shown, each once, sorted."""
        return tuple(sorted({plate.sha256 for plate in self.plates if plate.sha256}))

    @property
    def said(self) -> str:
        """Digest of what the set says of the photos shown, so that a change is noticed.

        Without what is measured, whose last digits need not come out alike, and so without
        details, which stand where something was measured: they repeat what whole plates say.
        """
        whole = [
            [section.heading, *(plate.said for plate in section.plates if plate.lines)]
            for section in self.sections
        ]
        called_out = (*self.points, *(point for plate in self.plates for point in plate.points))
        drawn = {
            (point.number, point.point_id, point.name, point.genuine, point.copies)
            for point in called_out
            if not point.measured
        }
        told = [self.subtitle, [one for one in whole if len(one) > 1], sorted(drawn)]
        return hashlib.sha256(json.dumps(told).encode()).hexdigest()
