"""Small displacements between two pictures of one frame, at a few hundred points.

Points are the most corner-like of each cell of a coarse grid; each is followed by pyramidal
Lucas–Kanade (Bouguet 2001) in pictures freed of light and contrast, and kept where the two
patches are alike afterwards. They are far too few to redraw anything: they serve to refine
the few parameters of the map, and what they still show afterwards is the residual.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Grey = NDArray[np.float32]
Mask = NDArray[np.bool_]

PATCH = 10
"""Half side of a patch, px."""
_LEAST_CORNER = 0.004


@dataclass(frozen=True, eq=False)
class Cells:
    """Displacements of the points that could be followed.

    Parameters
    ----------
    at : ndarray
        (n, 2) frame px (x, y).
    shift : ndarray
        (n, 2) where the second picture has it, minus where the first has it, px.
    weight : ndarray
        (n,) trust, 0..1: how alike the patches are after the shift.
    likeness : ndarray
        (n,) correlation of the two patches after the shift, -1..1.
    """

    at: NDArray[np.float64]
    shift: NDArray[np.float64]
    weight: NDArray[np.float64]
    likeness: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.at)


def flatten_light(grey: Grey, reach: float, mask: Mask | None = None) -> Grey:
    """Take light and contrast out: local mean 0, local deviation about 1.

    Parameters
    ----------
    grey : ndarray
        (height, width) luminance, any unit.
    reach : float
        Sigma of the neighbourhood, px.
    mask : ndarray, optional
        What counts; outside it the result is 0.
    """
    known: NDArray[Any] = np.ones_like(grey) if mask is None else mask.astype(np.float32)
    share: NDArray[Any] = soften(known, reach) + 1e-6
    mean = soften(grey * known, reach) / share
    apart: NDArray[Any] = (grey - mean) * known
    power = soften(apart * apart, reach) / share
    floor = 0.25 * float(np.median(np.sqrt(power[known > 0]))) if known.any() else 1.0
    out: Grey = apart / np.sqrt(power + floor**2 + 1e-9)
    return out


def soften(plane: Grey, reach: float) -> Grey:
    """Blur widely and cheaply: three boxes are nearly a Gaussian of sigma `reach`."""
    side = 2 * round(reach) + 1
    soft: NDArray[Any] = plane
    for _ in range(3):
        soft = cv2.blur(soft, (side, side), borderType=cv2.BORDER_REFLECT_101)
    return np.asarray(soft, np.float32)


def corners(flat: Grey, mask: Mask, cell: int) -> NDArray[np.float64]:
    """Return the most corner-like point of each cell that has one, (n, 2)."""
    least = cv2.cornerMinEigenVal(flat, 7, ksize=3)
    inner = cv2.erode(mask.astype(np.uint8), np.ones((2 * PATCH + 1,) * 2, np.uint8))
    inner[:PATCH] = inner[-PATCH:] = 0
    inner[:, :PATCH] = inner[:, -PATCH:] = 0
    least = np.where(inner > 0, least, 0)
    high, wide = flat.shape[0] // cell, flat.shape[1] // cell
    if high == 0 or wide == 0:
        return np.empty((0, 2))
    blocks = least[: high * cell, : wide * cell].reshape(high, cell, wide, cell)
    flat_blocks = blocks.swapaxes(1, 2).reshape(high * wide, cell * cell)
    best = flat_blocks.argmax(axis=1)
    number = np.arange(high * wide)
    strength = flat_blocks[number, best]
    row = number // wide * cell + best // cell
    column = number % wide * cell + best % cell
    points: NDArray[np.float64] = np.stack([column, row], 1)[strength > _LEAST_CORNER].astype(float)
    return points


def follow(first: Grey, second: Grey, points: NDArray[np.float64], mask: Mask) -> Cells:
    """Measure where `second` has what `first` shows at points.

    Parameters
    ----------
    first, second : ndarray
        float32 (height, width), freed of light by :func:`flatten_light`.
    points : ndarray
        (n, 2) from :func:`corners` of `first`.
    mask : ndarray
        Where both are valid.
    """
    inner = cv2.erode(mask.astype(np.uint8), np.ones((2 * PATCH + 1,) * 2, np.uint8))
    column, row = points.astype(int).T
    points = points[inner[row, column] > 0]
    if len(points) == 0:
        return none()
    start = points.astype(np.float32)[:, None]
    found, status, _ = cv2.calcOpticalFlowPyrLK(
        to_bytes(first), to_bytes(second), start, start.copy(),
        winSize=(2 * PATCH + 1, 2 * PATCH + 1), maxLevel=2,
        criteria=(cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 20, 0.01),
    )  # fmt: skip
    landed = found[:, 0].astype(np.float64)
    alike = correlation(patches(first, points), patches(second, landed))
    kept = (status.ravel() > 0) & (alike > 0.3)
    kept &= np.abs(landed - points).max(axis=1) < 4 * PATCH
    weight = np.clip((alike - 0.3) / 0.5, 0.02, 1) ** 2
    return Cells(points[kept], (landed - points)[kept], weight[kept], alike[kept])


def none() -> Cells:
    """Return no cells."""
    return Cells(np.empty((0, 2)), np.empty((0, 2)), np.empty(0), np.empty(0))


def to_bytes(flat: Grey) -> NDArray[np.uint8]:
    """Bring a flattened picture to 0..255."""
    scaled: NDArray[np.uint8] = np.clip(flat * 48 + 128, 0, 255).astype(np.uint8)
    return scaled


def patches(plane: Grey, points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the patch about each point, (n, side * side)."""
    step = np.arange(-PATCH, PATCH + 1)
    x, y = (grid.ravel() for grid in np.meshgrid(step, step))
    columns = (points[:, :1] + x).astype(np.float32)
    rows = (points[:, 1:] + y).astype(np.float32)
    return np.asarray(cv2.remap(plane, columns, rows, cv2.INTER_LINEAR), np.float64)


def correlation(first: NDArray[np.float64], second: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the correlation of each row of two tables."""
    a = first - first.mean(1, keepdims=True)
    b = second - second.mean(1, keepdims=True)
    power = np.sqrt((a * a).sum(1) * (b * b).sum(1)) + 1e-6
    alike: NDArray[np.float64] = (a * b).sum(1) / power
    return alike
