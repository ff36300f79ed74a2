"""Takes light and camera out of colour: what is left is paper and ink.

A photo's logarithmic colour differs from the consensus by exposure and white balance (a
constant a channel), by the fall of light over the item (a smooth quadratic, the same in all
channels), by the phone's contrast (one exponent) and by its saturation (one factor). These
few numbers are fitted robustly over paper and ink alike; an ink of another colour cannot be
fitted away by them. Spots of glare and foil do not take part.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

Colour = NDArray[np.float32]
Mask = NDArray[np.bool_]

FLOOR = 0.008
"""Linear light below which a photo's noise and flare count more than the print."""
_ROUNDS = 8
_CUT = 0.10
"""Miss, in natural logarithm, from which a px loses influence."""
_SIDE = 160


def log_colour(pixels: NDArray[np.uint8] | Colour) -> Colour:
    """Return the logarithm of linear light, (…, 3), of sRGB values 0..255."""
    if pixels.dtype == np.uint8:
        return np.asarray(cv2.LUT(pixels, _table()), np.float32)
    code = np.clip(np.asarray(pixels, np.float32) / 255.0, 0, 1)
    linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    logged: Colour = np.log(linear + FLOOR).astype(np.float32)
    return logged


@cache
def _table() -> Colour:
    """Return :func:`log_colour` of all 256 code values."""
    return log_colour(np.arange(256, dtype=np.float32))


def to_srgb(logged: Colour) -> Colour:
    """Undo :func:`log_colour`: sRGB values 0..1."""
    linear = np.clip(np.exp(logged) - FLOOR, 0, 1)
    code = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.asarray(code, np.float32)


@dataclass(frozen=True)
class LightFit:
    """The numbers fitted, and how far they are from 'the same camera and light'."""

    gain: NDArray[np.float64]
    contrast: float
    saturation: float
    slope: NDArray[np.float64]
    miss: float
    """Median absolute miss over the px that took part, natural logarithm."""


def match_light(query: Colour, model: Colour, mask: Mask) -> tuple[Colour, LightFit]:
    """Bring a query's colour to the consensus' light and camera.

    Parameters
    ----------
    query, model : ndarray
        (height, width, 3) logarithmic colour.
    mask : ndarray
        Where both are valid.

    Returns
    -------
    tuple
        The query as the consensus' camera would have seen it, and the fit.
    """
    rows, columns = mask.shape
    scale = _SIDE / max(rows, columns)
    size = (max(2, round(columns * scale)), max(2, round(rows * scale)))
    known = cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8))
    few = cv2.resize(known, size, interpolation=cv2.INTER_NEAREST) > 0
    q, m = (cv2.resize(plane, size, interpolation=cv2.INTER_AREA)[few] for plane in (query, model))
    bright = m.max(axis=1) > np.log(0.03 + FLOOR)
    q, m = q[bright].astype(np.float64), m[bright].astype(np.float64)
    terms = smooth_terms(size[1], size[0])[few][bright]
    if len(q) < 60:
        none = LightFit(np.zeros(3), 1.0, 1.0, np.zeros(terms.shape[1]), np.inf)
        return query, none
    fit = solve(q, m, terms)
    light = smooth_terms(rows, columns) @ fit.slope
    lightness = query.mean(axis=2, keepdims=True) - light[..., None].astype(np.float32)
    tone = query - query.mean(axis=2, keepdims=True)
    back = (lightness - fit.gain.mean()) / fit.contrast
    back = back + (tone - (fit.gain - fit.gain.mean())) / (fit.contrast * fit.saturation)
    return back.astype(np.float32), fit


def smooth_terms(rows: int, columns: int) -> NDArray[np.float64]:
    """Return x, y, xx, xy, yy over a picture, about -1..1, (rows, columns, 5)."""
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : columns * 1j]
    return np.stack([x, y, x * x, x * y, y * y], -1)


def solve(
    query: NDArray[np.float64], model: NDArray[np.float64], terms: NDArray[np.float64]
) -> LightFit:
    """Fit query = gain + contrast · (lightness + saturation · tone) + light, robustly."""
    lightness = model.mean(axis=1)
    tone = model - lightness[:, None]
    count = len(query)
    weight = np.ones(count)
    held = np.zeros((2, 5 + terms.shape[1]))
    held[0, 3], held[1, 4] = 1.0, 1.0
    values = np.zeros(held.shape[1])
    for _ in range(_ROUNDS):
        blocks = []
        for channel in range(3):
            one = np.zeros((count, 3))
            one[:, channel] = 1
            blocks.append(np.column_stack([one, lightness, tone[:, channel], terms]))
        root = np.sqrt(weight)
        design = np.concatenate([block * root[:, None] for block in blocks])
        goal = np.concatenate([query[:, k] * root for k in range(3)])
        ridge = 0.05 * np.sqrt(count)
        design = np.concatenate([design, held * ridge])
        goal = np.concatenate([goal, np.array([1.0, 1.0]) * ridge])
        values = np.linalg.lstsq(design, goal, rcond=None)[0]
        miss = np.stack([query[:, k] - blocks[k] @ values for k in range(3)], 1)
        worst = np.abs(miss).max(axis=1)
        weight = 1 / (1 + (worst / _CUT) ** 2)
    contrast = float(np.clip(values[3], 0.5, 2.0))
    saturation = float(np.clip(values[4] / contrast, 0.6, 1.6))
    typical = float(np.median(worst))
    return LightFit(values[:3], contrast, saturation, values[5:], typical)
