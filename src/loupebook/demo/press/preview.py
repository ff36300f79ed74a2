"""Flat preview of a surface: straight down, one soft lamp. For eyes and tests, no camera."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from loupebook.demo.surface import PrintedSurface


def flat_preview(
    surface: PrintedSurface, *, lighting: str = "diffuse", background: float = 0.10
) -> npt.NDArray[np.uint8]:
    """Picture of the flat item, shape (H, W, 3) sRGB uint8.

    Parameters
    ----------
    lighting : {'diffuse', 'uv-a'}
        White lamp, or fluorescence in the dark.
    background : float
        Linear grey behind the item.
    """
    if lighting == "uv-a":
        return _encoded(surface.fluorescence * surface.coverage[..., None] + 0.004)
    relief = ndimage.gaussian_filter(surface.relief_mm, 0.4) * surface.px_per_mm
    gy, gx = np.gradient(relief)
    light = np.clip(1 - 0.55 * (gx + gy), 0.3, 1.6)
    sky = np.clip(0.62 - 2.2 * gy - 1.3 * gx, 0.08, 1.7)
    rows, columns = surface.coverage.shape
    sweep = 0.78 + 0.34 * np.sin(
        2.2 * np.linspace(-1, 1, columns)[None] + 0.8 * np.linspace(-1, 1, rows)[:, None] + 0.6
    )
    metal = surface.metal[..., None]
    colour = surface.albedo * light[..., None] * (1 - metal)
    colour = colour + metal * surface.metal_tint * (sky * sweep)[..., None]
    if surface.hologram.any():
        order = np.cos(surface.grating_angle) * 0.58 * 1000 / surface.grating_pitch_um / 1000
        rainbow = 0.5 + 0.5 * np.cos(
            2
            * np.pi
            * (order[..., None] * 2.2 + sweep[..., None] * 1.4 + np.array([0.0, 0.33, 0.67]))
        )
        colour = colour + surface.hologram[..., None] * 0.55 * (rainbow - 0.35)
    inside = surface.coverage[..., None]
    return _encoded(colour * inside + background * (1 - inside))


def _encoded(linear: npt.NDArray[np.floating]) -> npt.NDArray[np.uint8]:
    v = np.clip(linear, 0, 1)
    srgb = np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)
    return np.asarray(np.round(srgb * 255), np.uint8)
