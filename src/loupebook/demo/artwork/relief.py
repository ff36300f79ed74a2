"""Procedural reliefs, and line engraving of them.

A relief is a height map over a unit square (row 0 at the top); engraving draws it as
level lines that bend over the form and swell in its shadows, as a burin does.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import skia
from scipy import ndimage

from loupebook.demo.artwork.geometry import joined, polygon

Map = npt.NDArray[np.float64]
GRID = 256


@dataclass(frozen=True, eq=False)
class Relief:
    """Height map of an emblem.

    Parameters
    ----------
    height : ndarray, shape (GRID, GRID)
        0 on the ground, about 1 at the top.
    mask : ndarray of bool, same shape
        Where the emblem is.
    outline : skia.Path
        Its contour in the unit square.
    accents : skia.Path
        Solid details (eye, rigging, window…).
    """

    height: Map
    mask: npt.NDArray[np.bool_]
    outline: skia.Path
    accents: skia.Path


def raster(path: skia.Path) -> Map:
    """Coverage of a unit-square path on the relief grid, 0 to 1."""
    sheet = np.zeros((GRID, GRID), np.uint8)
    surface = skia.Surface.MakeRasterDirect(skia.ImageInfo.MakeA8(GRID, GRID), sheet)
    canvas = surface.getCanvas()
    canvas.scale(GRID, GRID)
    canvas.drawPath(path, skia.Paint(AntiAlias=True))
    return sheet / 255.0


def inflated(path: skia.Path, *, rim: float, height: float = 1.0) -> Map:
    """Pillow over a path: rises over `rim` (share of the square) to `height`."""
    inside = ndimage.distance_transform_edt(raster(path) > 0.5) / GRID
    rise = np.clip(inside / rim, 0, 1)
    return np.asarray(height * np.sqrt(1 - (1 - rise) ** 2))


def unit_grid() -> tuple[Map, Map]:
    """Coordinates x, y of the grid's pixel centres."""
    axis = (np.arange(GRID) + 0.5) / GRID
    x, y = np.meshgrid(axis, axis)
    return x, y


def shade_of(
    height: Map, *, depth: float = 0.16, light: tuple[float, float] = (-0.55, -0.65)
) -> Map:
    """Darkness 0 to 1 of a relief lit from the upper left."""
    soft = ndimage.gaussian_filter(height, 1.2)
    gy, gx = np.gradient(soft * depth * GRID)
    lift = 0.75
    bright = lift - (gx * light[0] + gy * light[1])
    bright /= np.sqrt(gx**2 + gy**2 + 1)
    return np.asarray(np.clip(1.0 - bright, 0.0, 1.0))


def engrave(
    height: Map,
    mask: npt.NDArray[np.bool_],
    dark: Map,
    *,
    pitch: float,
    lift: float = 0.05,
    slant: float = 0.0,
    finest: float = 0.10,
    boldest: float = 0.86,
) -> skia.Path:
    """Swelling lines over a relief, in the unit square.

    Parameters
    ----------
    dark : ndarray
        Wanted darkness 0 to 1.
    pitch : float
        Line distance as a share of the square.
    lift : float
        How far a line of height 1 is pushed up, as a share of the square.
    slant : float
        Slope of the lines (dy/dx).
    finest, boldest : float
        Line width at darkness 0 and 1, as shares of the pitch.
    """
    x = np.linspace(0.002, 0.998, int(2.6 / pitch))
    paths: list[skia.Path] = []
    for start in np.arange(-abs(slant), 1 + abs(slant), pitch):
        y = start + slant * x
        sample = np.vstack([y * GRID - 0.5, x * GRID - 0.5])
        inside = _at(mask.astype(float), sample) > 0.5
        if inside.sum() < 2:
            continue
        centre = y - lift * _at(height, sample)
        half = pitch * (finest + (boldest - finest) * _at(dark, sample)) / 2
        for run in _runs(inside):
            top = np.column_stack([x[run], centre[run] - half[run]])
            low = np.column_stack([x[run], centre[run] + half[run]])[::-1]
            paths.append(polygon(np.vstack([top, low])))
    return joined(paths)


def _at(image: Map, sample: npt.NDArray[Any]) -> Map:
    values: Map = ndimage.map_coordinates(image, sample, order=1, mode="nearest")
    return values


def _runs(inside: npt.NDArray[np.bool_]) -> list[slice]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], inside.astype(np.int8), [0]])))
    return [slice(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 2]
