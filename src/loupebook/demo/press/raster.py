"""Plates of an artwork as coverage maps, each plate with its own register.

Maps are ``float32``, 0 to 1, ``[row, column]``, at a scale in px/mm.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import skia

from loupebook.demo.artwork.model import Artwork, Mark, PlateKind

Map = npt.NDArray[np.float32]
_KNOCKING = (PlateKind.INK, PlateKind.FOIL)


@dataclass(frozen=True)
class Shift:
    """Where a plate lands: offset in mm, turn in radians about the middle."""

    x: float = 0.0
    y: float = 0.0
    turn: float = 0.0


@dataclass(frozen=True, eq=False)
class Plates:
    """Coverage of every plate of one artwork.

    Parameters
    ----------
    maps : dict of ndarray (H, W)
        By plate name.
    outline : ndarray (H, W)
        The cut.
    grating_pitch_um, grating_angle : ndarray (H, W)
        As in :class:`~loupebook.demo.surface.PrintedSurface`.
    """

    maps: dict[str, Map]
    outline: Map
    grating_pitch_um: Map
    grating_angle: Map


def pixel_shape(artwork: Artwork, px_per_mm: float) -> tuple[int, int]:
    """Rows and columns of the artwork at a scale."""
    return round(artwork.height * px_per_mm), round(artwork.width * px_per_mm)


def render_plates(
    artwork: Artwork,
    px_per_mm: float,
    *,
    shifts: Mapping[str, Shift] | None = None,
    scale: tuple[float, float] = (1.0, 1.0),
) -> Plates:
    """Draw every plate.

    Parameters
    ----------
    shifts : mapping, optional
        Register by plate name; ``cut`` moves the outline.
    scale : tuple of float
        Stretch of all printing about the middle (a copy of wrong proportions).
    """
    moved = shifts or {}
    kinds = {p.name: p.kind for p in artwork.plates}
    sheets = {n: _Sheet(artwork, px_per_mm, moved.get(n, Shift()), scale) for n in kinds}
    shape = pixel_shape(artwork, px_per_mm)
    pitch, angle = np.ones(shape, np.float32), np.zeros(shape, np.float32)
    for part in artwork.parts:
        for mark in part.marks:
            _lay_down(mark, sheets, kinds)
            if mark.grating is not None:
                stamp = _Sheet(artwork, px_per_mm, moved.get(mark.plate, Shift()), scale)
                stamp.canvas.drawPath(mark.path, _paint(mark, smooth=False))
                pitch[stamp.pixels > 0], angle[stamp.pixels > 0] = mark.grating
    cut = _Sheet(artwork, px_per_mm, moved.get("cut", Shift()), (1.0, 1.0))
    cut.canvas.drawPath(artwork.outline, skia.Paint(AntiAlias=True))
    maps = {name: sheet.coverage() for name, sheet in sheets.items()}
    return Plates(maps, cut.coverage(), pitch, angle)


class _Sheet:
    """A plate under the pen: its bytes, and a canvas in mm (which needs its surface alive)."""

    def __init__(
        self, artwork: Artwork, px_per_mm: float, shift: Shift, scale: tuple[float, float]
    ) -> None:
        rows, columns = pixel_shape(artwork, px_per_mm)
        self.pixels = np.zeros((rows, columns), np.uint8)
        info = skia.ImageInfo.MakeA8(columns, rows)
        self.surface = skia.Surface.MakeRasterDirect(info, self.pixels)
        self.canvas = self.surface.getCanvas()
        self.canvas.scale(columns / artwork.width, rows / artwork.height)
        self.canvas.translate(artwork.width / 2 + shift.x, artwork.height / 2 + shift.y)
        self.canvas.rotate(math.degrees(shift.turn))
        self.canvas.scale(*scale)
        self.canvas.translate(-artwork.width / 2, -artwork.height / 2)

    def coverage(self) -> Map:
        """Return what was drawn, 0 to 1."""
        return np.asarray(self.pixels / np.float32(255), np.float32)


def _paint(mark: Mark, *, smooth: bool = True) -> skia.Paint:
    paint = skia.Paint(AntiAlias=smooth)
    if mark.stroke is not None:
        paint.setStyle(skia.Paint.kStroke_Style)
        paint.setStrokeWidth(mark.stroke)
    return paint


def _lay_down(mark: Mark, sheets: dict[str, _Sheet], kinds: Mapping[str, PlateKind]) -> None:
    kind = kinds.get(mark.plate)
    paint = _paint(mark)
    paint.setBlendMode(skia.BlendMode.kDstOut)
    for name in _opened_by(mark, kind, kinds):
        sheets[name].canvas.drawPath(mark.path, paint)
    if kind is not None:
        over = skia.BlendMode.kLighten if kind is PlateKind.EMBOSS else skia.BlendMode.kSrcOver
        paint.setBlendMode(over)
        paint.setAlphaf(mark.value)
        sheets[mark.plate].canvas.drawPath(mark.path, paint)


def _opened_by(mark: Mark, kind: PlateKind | None, kinds: Mapping[str, PlateKind]) -> list[str]:
    """Plates that a mark cuts a hole into."""
    if kind not in (None, *_KNOCKING):
        return []
    others = [n for n, k in kinds.items() if n != mark.plate]
    if mark.overprints:  # ink lies on ink, but foil is never printed over
        return [n for n in others if kinds[n] is PlateKind.FOIL and kind is PlateKind.INK]
    return [n for n in others if kinds[n] in (*_KNOCKING, PlateKind.EMBOSS)]
