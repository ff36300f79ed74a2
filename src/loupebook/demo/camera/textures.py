"""Procedural materials of the surroundings: leaf, wood, table tops, cloth, skin.

Each recipe returns a tile that repeats seamlessly: linear albedo (N, N, 3), height in mm
(N, N) and roughness (N, N), with its size in mm. Grain, veins and weave run along the
columns (x).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

Array = NDArray[np.float32]
_SIZE = 1024


@dataclass(frozen=True, eq=False)
class Tile:
    """A repeating material sample.

    Parameters
    ----------
    albedo : ndarray, shape (N, N, 3)
        Linear sRGB reflectance.
    height_mm, roughness : ndarray, shape (N, N)
        Relief in mm and GGX roughness (``alpha = roughness ** 2``).
    size_mm : float
        Edge length of the tile.
    """

    albedo: Array
    height_mm: Array
    roughness: Array
    size_mm: float


def _linear(red: int, green: int, blue: int) -> Array:
    code = np.array([red, green, blue], np.float32) / 255
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4).astype(
        np.float32
    )


def _noise(
    rng: np.random.Generator,
    falloff: float,
    stretch: float = 1.0,
    low: float = 1.0,
    size: int = _SIZE,
) -> Array:
    """Seamless noise of mean 0 and deviation 1 with spectrum ``f ** -falloff`` above `low`.

    `stretch` above 1 lengthens features along x.
    """
    white = rng.standard_normal((size, size)).astype(np.float32)
    rows = np.fft.fftfreq(size)[:, None] * size
    columns = np.fft.rfftfreq(size)[None, :] * size * stretch
    frequency = np.hypot(rows, columns)
    frequency[0, 0] = np.inf
    gain = np.maximum(frequency, low) ** -falloff
    gain[0, 0] = 0
    spectrum = fft.rfft2(white) * gain.astype(np.float32)
    field = fft.irfft2(spectrum, s=(size, size))
    field -= field.mean()
    return np.asarray(field / field.std(), np.float32)


def _grid() -> tuple[Array, Array]:
    y, x = np.mgrid[0:_SIZE, 0:_SIZE].astype(np.float32) / _SIZE
    return x, y


def _warp(field: Array, dx: Array, dy: Array) -> Array:
    """Move a seamless field by offsets in px, wrapping round."""
    y, x = np.mgrid[0:_SIZE, 0:_SIZE].astype(np.float32)
    warped = cv2.remap(
        field, (x + dx) % _SIZE, (y + dy) % _SIZE, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP
    )
    return np.asarray(warped, dtype=np.float32)


def _mix(low: Array, high: Array, amount: Array) -> Array:
    share = np.clip(amount, 0, 1)[..., None]
    return (low * (1 - share) + high * share).astype(np.float32)


def _ridges(phase: Array, width: float) -> Array:
    """Peaks of height 1 where `phase` passes whole numbers, `width` as share of a period."""
    away = np.abs(phase - np.round(phase))
    return np.exp(-((away / width) ** 2)).astype(np.float32)


def leaf(rng: np.random.Generator, dark: Array, light: Array) -> Tile:
    """Wrapper leaf: mottled, with slanting veins that branch and a fine tooth."""
    x, y = _grid()
    sway = 0.035 * _noise(rng, 2.2) + 0.006 * _noise(rng, 1.4, low=6)
    slant = int(rng.choice([2, 3]))
    main = slant * x + 3 * y + sway * 3
    strength = np.clip(0.55 + 0.5 * _noise(rng, 1.8, 2.0), 0.05, 1.3)
    veins = _ridges(main, 0.018) * strength
    branch = -5 * x + 9 * y + 1.4 * sway * 9 + 0.12 * _noise(rng, 1.8)
    veins += 0.45 * _ridges(branch, 0.035) * np.clip(_noise(rng, 1.6), 0, 1.2)
    mesh = _ridges(17 * x + 11 * y + 0.5 * _noise(rng, 1.5, low=3), 0.09)
    mesh *= 0.22 * np.clip(0.4 + _noise(rng, 1.3), 0, 1)
    mottle = 0.55 * _noise(rng, 1.7, 2.5) + 0.35 * _noise(rng, 1.0, 1.6, low=10)
    fibre = _noise(rng, 0.7, 5.0, low=30)
    tone = 0.5 + 0.17 * mottle + 0.05 * fibre + 0.16 * veins + 0.06 * mesh
    albedo = _mix(dark, light, tone)
    spots = np.clip(_noise(rng, 0.9, low=40) - 2.6, 0, 1)[..., None]
    albedo = albedo * (1 - 0.35 * spots)
    tooth = np.clip(_noise(rng, 0.35, low=60) - 1.0, 0, 2)
    height = 0.05 * veins + 0.02 * mesh + 0.010 * tooth + 0.022 * _noise(rng, 1.6, 1.5)
    height += 0.004 * fibre
    rough = np.clip(0.50 - 0.05 * mottle + 0.05 * tooth, 0.3, 0.8)
    return Tile(albedo, height.astype(np.float32), rough.astype(np.float32), 60.0)


def wood(rng: np.random.Generator, dark: Array, light: Array, gloss: float) -> Tile:
    """Planed wood with growth rings, rays and pores."""
    _, y = _grid()
    sway = _noise(rng, 2.4, 5.0)
    rings = 9 * y + 0.55 * sway
    saw = (rings - np.floor(rings)) ** 1.7
    late = saw * np.clip(0.7 + 0.4 * _noise(rng, 1.8, 8.0), 0, 1.4)
    pores = np.clip(_noise(rng, 0.55, 22.0, low=40) - 1.25, 0, 1.5)
    tone = 0.62 - 0.33 * late + 0.10 * _noise(rng, 1.5, 10.0) + 0.07 * _noise(rng, 0.8, 30.0)
    albedo = _mix(dark, light, tone - 0.28 * pores)
    height = -0.03 * pores + 0.008 * late + 0.003 * _noise(rng, 0.6, 12.0)
    rough = np.clip(gloss + 0.12 * pores + 0.02 * sway, 0.15, 0.9)
    return Tile(albedo, height.astype(np.float32), rough.astype(np.float32), 110.0)


def stone(rng: np.random.Generator, dark: Array, light: Array) -> Tile:
    """Polished stone with cloudy veins."""
    cloud = _noise(rng, 1.6)
    x, y = _grid()
    veins = _ridges(2 * x + y + 0.33 * _noise(rng, 1.7), 0.012)
    tone = 0.55 + 0.17 * cloud + 0.06 * _noise(rng, 0.4) - 0.5 * veins * np.clip(cloud, 0, 1)
    rough = np.full((_SIZE, _SIZE), 0.28, np.float32)
    height = 0.002 * _noise(rng, 1.0)
    return Tile(_mix(dark, light, tone), height.astype(np.float32), rough, 160.0)


def cloth(rng: np.random.Generator, dark: Array, light: Array) -> Tile:
    """Plain weave with uneven threads."""
    x, y = _grid()
    count = 80
    wx = x * count + 0.25 * _noise(rng, 1.3)
    wy = y * count + 0.25 * _noise(rng, 1.3)
    over = np.sign(np.sin(np.pi * wx) * np.sin(np.pi * wy))
    warp = np.abs(np.sin(np.pi * wx)) * (over > 0)
    weft = np.abs(np.sin(np.pi * wy)) * (over <= 0)
    thread = (warp + weft).astype(np.float32)
    tone = 0.25 + 0.5 * thread + 0.12 * _noise(rng, 0.9, 3.0) + 0.08 * _noise(rng, 1.8)
    height = 0.12 * thread
    rough = np.full((_SIZE, _SIZE), 0.85, np.float32)
    return Tile(_mix(dark, light, tone), height.astype(np.float32), rough, 55.0)


def leather(rng: np.random.Generator, dark: Array, light: Array) -> Tile:
    """Grained leather: rounded cells between fine creases."""
    field = _warp(_noise(rng, 3.0, low=40), 6 * _noise(rng, 1.5), 6 * _noise(rng, 1.5))
    cells = np.tanh(1.3 * np.abs(field))
    tone = 0.35 + 0.4 * cells + 0.12 * _noise(rng, 1.6)
    rough = np.clip(0.52 - 0.12 * cells, 0.3, 0.7).astype(np.float32)
    return Tile(_mix(dark, light, tone), (0.10 * cells).astype(np.float32), rough, 60.0)


def card(rng: np.random.Generator, dark: Array, light: Array) -> Tile:
    """Matt card or paint with a little dirt."""
    tone = 0.6 + 0.10 * _noise(rng, 1.5) + 0.08 * _noise(rng, 0.5)
    dirt = np.clip(_noise(rng, 0.8, low=20) - 2.8, 0, 1)
    height = 0.006 * _noise(rng, 0.5)
    rough = np.full((_SIZE, _SIZE), 0.7, np.float32)
    return Tile(_mix(dark, light, tone - dirt), height.astype(np.float32), rough, 90.0)


def skin(rng: np.random.Generator, dark: Array, light: Array) -> Tile:
    """Skin with creases, pores and blotches."""
    x, _ = _grid()
    crease = _ridges(26 * x + 0.7 * _noise(rng, 1.5, low=3), 0.10)
    crease *= np.clip(_noise(rng, 1.7), 0, 1)
    pores = np.clip(_noise(rng, 0.1, low=70) - 1.3, 0, 1)
    tone = 0.6 + 0.16 * _noise(rng, 1.6) + 0.06 * _noise(rng, 0.6) - 0.25 * crease
    albedo = _mix(dark, light, tone)
    albedo[..., 0] *= 1 + 0.05 * _noise(rng, 1.9)
    height = -0.06 * crease - 0.02 * pores + 0.01 * _noise(rng, 0.8)
    rough = np.full((_SIZE, _SIZE), 0.55, np.float32)
    return Tile(albedo, height.astype(np.float32), rough, 45.0)


Recipe = Callable[[np.random.Generator], Tile]

LEAVES: tuple[Recipe, ...] = (
    lambda r: leaf(r, _linear(84, 52, 30), _linear(150, 104, 64)),
    lambda r: leaf(r, _linear(66, 38, 23), _linear(126, 82, 50)),
    lambda r: leaf(r, _linear(52, 30, 20), _linear(98, 62, 40)),
    lambda r: leaf(r, _linear(36, 22, 16), _linear(72, 46, 32)),
    lambda r: leaf(r, _linear(104, 72, 40), _linear(172, 130, 84)),
)
WOODS: tuple[Recipe, ...] = (
    lambda r: wood(r, _linear(120, 74, 44), _linear(196, 146, 98), 0.5),
    lambda r: wood(r, _linear(58, 34, 22), _linear(116, 74, 48), 0.38),
    lambda r: wood(r, _linear(150, 112, 70), _linear(216, 180, 132), 0.55),
    lambda r: wood(r, _linear(86, 38, 26), _linear(146, 80, 54), 0.3),
)
TABLES: tuple[Recipe, ...] = (
    *WOODS,
    lambda r: stone(r, _linear(130, 126, 122), _linear(226, 223, 218)),
    lambda r: stone(r, _linear(28, 29, 32), _linear(74, 76, 80)),
    lambda r: cloth(r, _linear(30, 44, 62), _linear(86, 104, 126)),
    lambda r: cloth(r, _linear(120, 108, 92), _linear(206, 194, 174)),
    lambda r: leather(r, _linear(40, 22, 14), _linear(104, 62, 38)),
    lambda r: leather(r, _linear(18, 17, 17), _linear(58, 54, 52)),
    lambda r: card(r, _linear(196, 194, 190), _linear(238, 237, 234)),
    lambda r: card(r, _linear(88, 90, 92), _linear(128, 130, 132)),
)
SKINS: tuple[Recipe, ...] = (
    lambda r: skin(r, _linear(178, 116, 88), _linear(226, 172, 142)),
    lambda r: skin(r, _linear(92, 56, 38), _linear(146, 98, 70)),
)


def make_tiles() -> tuple[Tile, ...]:
    """All tiles, leaves first, then tables (woods first among them), then skins."""
    recipes = (*LEAVES, *TABLES, *SKINS)
    return tuple(recipe(np.random.default_rng([71, i])) for i, recipe in enumerate(recipes))
