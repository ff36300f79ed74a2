"""Process colour: separation into four inks and amplitude-modulated halftone dots.

A separation is an area share 0 to 1 by pixel. Dots are round ("Euclidean" spot function,
positive dots in the lights, holes in the shadows), thresholds equalised so that a flat
tint of share a covers the share a.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from loupebook.demo.press.settings import PROCESS_ANGLES_DEG

Map = npt.NDArray[np.float32]

PROCESS_INKS = np.array(
    [(0.005, 0.330, 0.730), (0.740, 0.010, 0.195), (0.985, 0.830, 0.012), (0.013, 0.013, 0.012)],
    np.float32,
)
"""Solid cyan, magenta, yellow and black on white, linear sRGB (about ISO 12647-2 solids)."""
SCAN_PX_PER_MM = 12.0
"""Resolution of a copyist's scan: about 300 dpi."""
PX_PER_LINE = 3.0
"""Below this many px a screen line, dots cannot be drawn and stay a tint."""


def separate(reflectance: Map, *, black: float = 0.75) -> Map:
    """Area shares (H, W, 4) of the process inks that come nearest to a reflectance.

    Parameters
    ----------
    reflectance : ndarray (H, W, 3)
        Relative to the sheet, linear sRGB.
    black : float
        How much of the grey part goes to black ink.
    """
    target = np.clip(reflectance, 0.004, 1.0)
    shares = np.empty((*target.shape[:2], 4), np.float32)
    shares[..., :3] = np.clip(1 - target, 0, 1)
    shares[..., 3] = black * shares[..., :3].min(axis=2) ** 2.2
    for _ in range(4):
        error = overprinted(shares) - target
        shares[..., :3] = np.clip(shares[..., :3] + 0.8 * error, 0, 1)
    return shares


def _separated_scan(reflectance: Map, px_per_mm: float) -> Map:
    """Separation made at the resolution of the scan, as large as the map."""
    rows, columns = reflectance.shape[:2]
    coarse = min(1.0, SCAN_PX_PER_MM / px_per_mm)
    if coarse == 1.0:
        return separate(reflectance)
    size = (round(columns * coarse), round(rows * coarse))
    shares = separate(cv2.resize(reflectance, size, interpolation=cv2.INTER_AREA))
    large = cv2.resize(shares, (columns, rows), interpolation=cv2.INTER_LINEAR)
    return np.asarray(large, np.float32)


def overprinted(shares: Map) -> Map:
    """Reflectance (H, W, 3) of inks that overlap at random (Demichel, Neugebauer)."""
    colour = np.ones((*shares.shape[:2], 3), np.float32)
    for k in range(shares.shape[2]):
        colour *= 1 - shares[..., k, None] * (1 - PROCESS_INKS[k])
    return colour


@lru_cache(maxsize=1)
def _equaliser() -> Map:
    """Share of area below each of 1025 values of the spot function from -2 to 2."""
    axis = (np.arange(512) + 0.5) / 512
    u, v = np.meshgrid(axis, axis)
    values = np.sort((np.cos(2 * np.pi * u) + np.cos(2 * np.pi * v)).ravel())
    share = np.searchsorted(values, np.linspace(-2, 2, 1025)) / values.size
    return share.astype(np.float32)


def halftone(
    share: Map,
    *,
    px_per_mm: float,
    ruling_per_mm: float,
    angle_deg: float,
    phase: tuple[float, float] = (0.0, 0.0),
    gain: float = 0.0,
) -> Map:
    """Dots of one ink.

    Parameters
    ----------
    share : ndarray (H, W)
        Wanted area share.
    ruling_per_mm, angle_deg : float
        Screen.
    phase : tuple of float
        Where the screen starts, in cells.
    gain : float
        Growth of the 50 % dot.
    """
    grown = share + 4 * gain * share * (1 - share)
    if px_per_mm / ruling_per_mm < PX_PER_LINE:
        return np.asarray(grown, np.float32)
    rows, columns = share.shape
    a = np.radians(angle_deg)
    x = (np.arange(columns, dtype=np.float32) + 0.5)[None] * (ruling_per_mm / px_per_mm)
    y = (np.arange(rows, dtype=np.float32) + 0.5)[:, None] * (ruling_per_mm / px_per_mm)
    u = x * np.cos(a) + y * np.sin(a) + phase[0]
    v = y * np.cos(a) - x * np.sin(a) + phase[1]
    spot = np.cos(2 * np.pi * u) + np.cos(2 * np.pi * v)
    threshold = _equaliser()[((spot + 2) * 256 + 0.5).astype(np.int32)]
    slope = px_per_mm / ruling_per_mm / 3.2
    # Solids and bare paper have no dots to soften.
    edge = np.clip(np.minimum(grown, 1 - grown) * 12, 0, 1)
    dots = np.clip((grown - threshold) * slope + 0.5, 0, 1)
    return np.asarray(dots * edge + (grown > 0.5) * (1 - edge), np.float32)


def reprint(
    reflectance: Map,
    *,
    px_per_mm: float,
    ruling_per_mm: float,
    turn: float,
    gain: float,
    register: npt.NDArray[np.float64],
) -> Map:
    """Four-colour print of a reflectance map relative to the sheet.

    Parameters
    ----------
    turn : float
        Added to the usual screen angles, in radians.
    register : ndarray (4, 2)
        Offset of each ink in mm.
    """
    rows, columns = reflectance.shape[:2]
    shares = _separated_scan(reflectance, px_per_mm)
    printed = np.empty_like(shares)
    for k, angle in enumerate(PROCESS_ANGLES_DEG):
        matrix = np.array([[1, 0, register[k, 0] * px_per_mm], [0, 1, register[k, 1] * px_per_mm]])
        moved = cv2.warpAffine(
            shares[..., k].copy(), matrix, (columns, rows), borderMode=cv2.BORDER_REPLICATE
        )
        printed[..., k] = halftone(
            moved,
            px_per_mm=px_per_mm,
            ruling_per_mm=ruling_per_mm,
            angle_deg=angle + float(np.degrees(turn)),
            phase=(0.13 * k, 0.31 * k),
            gain=gain,
        )
    return overprinted(np.clip(printed, 0, 1))
